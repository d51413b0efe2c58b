"""Zones and their figures: pages agree with the files, in any units; borders follow the rows."""

import csv
import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from geo.export.tables import COLUMNS, csv_text, rate_rows
from geo.zoning.outlines import between_rows, from_block
from maps.drawing.drawings import Paper, scale_bar
from maps.opening import opens_with
from maps.page import MARK, map_page
from maps.pagedata import facts_line, page_data
from maps.paper.measures import Measures
from maps.paper.reportdata import report_data
from maps.wording import rate_words

LB_AC, ACRES = 0.892179, 2.471054  # of a kg/ha and of a hectare (definitions of pound and acre)


@pytest.fixture(scope="module")
def in_pounds(poel):
    return replace(poel, settings=replace(poel.settings, units="us"))


@pytest.mark.parametrize("name", ["poel", "kniee"])
def test_every_rate_people_see_is_the_rate_of_the_file(request, name):
    season = request.getfixturevalue(name)
    rows = csv.DictReader(io.StringIO(csv_text(COLUMNS, rate_rows(season)), newline=""))
    of_file = {
        (r["amendment"], r["zone"]): float(r["rate_kg_ha"]) for r in rows if r["status"] == "rate"
    }
    seen = {
        (m["amendment"], str(zone["id"])): zone["rate"]
        for m in page_data(season)["materials"]
        for zone in m["zones"]
    }
    assert set(seen) == set(of_file)
    for place, words in seen.items():
        assert in_kg_ha(words) == pytest.approx(of_file[place], abs=1e-6)
    said = " ".join(m["say"] for m in report_data(season)["materials"])
    for rate in of_file.values():
        assert rate_words(rate) in said


def in_kg_ha(words):
    if words == "none":
        return 0.0
    figure, unit = words.split()
    return float(figure) * {"kg/ha": 1.0, "t/ha": 1000.0}[unit]


@pytest.mark.parametrize("kg_ha", [0.05, 5.37, 19.99, 73.0, 245.0, 999.0, 1000.0, 2588.0, 12345.0])
def test_words_of_a_rate_never_round_it(kg_ha):
    assert in_kg_ha(rate_words(kg_ha)) == pytest.approx(kg_ha, abs=1e-9)


def test_the_map_of_a_farm_in_pounds_and_acres_has_no_metric_rate_or_area(in_pounds):
    data = page_data(in_pounds)
    (lime,) = [m for m in data["materials"] if m["amendment"] == "lime"]
    rates = {r.zone_id: r for r in in_pounds.prescription.rates if r.amendment == "lime"}
    for zone in lime["zones"]:
        rate = rates[zone["id"]]
        assert float(zone["ha"]) == pytest.approx(rate.area_ha * ACRES, abs=0.006)
        if rate.rate_kg_ha:
            assert zone["rate"] == f"{rate.rate_kg_ha * LB_AC:.0f} lb/ac"
    assert data["units"]["area"] == "ac"
    assert " ac " in data["facts"]
    words = json.dumps([data[key] for key in ("facts", "materials", "held", "cautions")])
    assert not re.search(r"\d (kg/ha|t/ha|ha)\b", words)
    assert MARK in map_page(data)


def test_the_report_of_a_farm_in_pounds_and_acres_reasons_in_them(in_pounds):
    data = report_data(in_pounds)
    words = json.dumps(
        [data["held"], *([m["why"], m["sure"], m["twice"]] for m in data["materials"])]
    )
    assert not re.search(r"\d (kg/ha|t/ha|ha)\b", words)
    assert "lb/ac" in words


@pytest.mark.parametrize(
    ("metric", "said"),
    [
        ("1000 kg/ha", "892 lb/ac"),
        ("2,019 kg/ha of lime", "1800 lb/ac of lime"),
        ("5 kg/ha K", "4.46 lb/ac K"),
        ("40 kg N/ha at 8 t/ha", "35.7 lb N/ac at 3.57 ton/ac"),
        ("0 to 3.4 t/ha", "0 to 1.52 ton/ac"),
        ("zones of 0.10 ha", "zones of 0.247 ac"),
        ("2.1 kg/ha per mg/kg, 66 mg/kg", "2.1 kg/ha per mg/kg, 66 mg/kg"),
        ("4.1 t of gypsum and 460 kg of it", "4.5 tons of gypsum and 1014 lb of it"),
        ("1.4 km walk", "0.87 mi walk"),
        ("149 to 288 m, weakly known", "489 to 945 ft, weakly known"),
        ("2.4 m apart", "7.9 ft apart"),
        ("0 to 15 cm", "0 to 5.9 in"),
        ("a tray of 50 x 50 cm", "a tray of 20 x 20 in"),
        ("36 mg/kg, 5 cmol(+)/kg, 6 m/s", "36 mg/kg, 5 cmol(+)/kg, 6 m/s"),
    ],
)
def test_sentences_turn_into_pounds_and_acres(metric, said):
    """By hand: 1 t/ha = 0.44609 short ton/ac, 1 t = 1.10231 short tons, 1 km = 0.62137 miles."""
    assert Measures(us=True).said(metric) == said
    assert Measures(us=False).said(metric) == metric


@pytest.mark.parametrize(
    ("depth_cm", "metric", "us"),
    [
        ((0.0, 20.32), "0 to 20 cm", "0 to 8 in"),
        ((0.0, 15.24), "0 to 15 cm", "0 to 6 in"),
        ((20.32, 60.96), "20 to 61 cm", "8 to 24 in"),
        ((0.0, 7.5), "0 to 7.5 cm", "0 to 3 in"),
        ((0.0, 15.0), "0 to 15 cm", "0 to 5.9 in"),
    ],
)
def test_a_layer_is_said_in_round_measures(poel, in_pounds, depth_cm, metric, us):
    """An inch is 2.54 cm by definition (international yard and pound agreement, 1959)."""
    assert Measures(us=False).layer(depth_cm) == metric
    assert Measures(us=True).layer(depth_cm) == us
    for season, said in ((poel, metric), (in_pounds, us)):
        samples = replace(season.checked.samples, depth_cm=depth_cm)
        deep = replace(season, checked=replace(season.checked, samples=samples))
        assert facts_line(deep).endswith(f", {said}")
        assert f", {said}" in json.dumps(report_data(deep))


def along_rows(season, amendment):
    """Length and distance from the nearest mid-row of each border edge along the rows. [m]"""
    row_m = season.block.site.row_spacing_m
    zone_map = next(m for m in season.zone_maps if m.amendment == amendment)
    outline = season.block.outline
    edge = from_block(zone_map.grid, shapely.get_coordinates(outline))[:, 1].max()
    # Where a border meets the outline it ends as the outline has it.
    inner = shapely.unary_union([zone.outline.boundary for zone in zone_map.zones])
    inner = inner.difference(outline.boundary.buffer(0.5))
    lengths, off = [], []
    for line in shapely.get_parts(inner):
        ends = shapely.get_coordinates(line)[[0, -1]]
        xy = from_block(zone_map.grid, shapely.get_coordinates(line))
        step = np.abs(np.diff(xy, axis=0))
        flat = step[:, 1] < step[:, 0] / 3
        if (shapely.distance(shapely.points(ends), outline.boundary) < 1).any():
            flat[[0, -1]] = False
        rows = (edge - (xy[:-1, 1] + xy[1:, 1])[flat] / 2) / row_m
        off += list(np.abs(rows - np.round(rows)) * row_m)
        lengths += list(step[flat, 0])
    return np.array(lengths), np.array(off)


@pytest.mark.parametrize(("name", "amendment"), [("poel", "lime"), ("kniee", "gypsum")])
def test_borders_along_the_rows_lie_midway_between_two(request, name, amendment):
    """Row 1 stands half a spacing from the left edge, so mid-rows are whole spacings from it."""
    lengths, off = along_rows(request.getfixturevalue(name), amendment)
    assert lengths.sum() > 20
    assert off.max() < 0.1


def test_neighbours_get_the_same_steps_whichever_way_their_border_is_walked():
    """Two halves of a square with a slanting border: together the square again, no overlap."""
    cut = [(0.0, 21.3), (60.0, 34.9)]
    low = shapely.Polygon([(0, 0), (60, 0), cut[1], cut[0]])
    high = shapely.Polygon([cut[0], cut[1], (60, 60), (0, 60)])
    stepped = [between_rows(shape, 60.0, 2.4) for shape in (low, high)]
    assert shapely.intersection(*stepped).area == pytest.approx(0.0, abs=1e-9)
    whole = shapely.unary_union(stepped)
    assert len(whole.interiors) == 0
    assert sum(shape.area for shape in stepped) == pytest.approx(whole.area)
    shared = shapely.get_coordinates(stepped[0].boundary.intersection(stepped[1].boundary))
    rows = (60.0 - shared[:, 1]) / 2.4
    assert np.abs(rows - np.round(rows)).max() < 1e-9


def test_the_zones_page_opens_with_what_most_money_goes_on(kniee):
    """The rule of `maps.opening`: gypsum and potassium are spread, one of them costs more."""
    costs = dict(kniee.prescription.costs)
    assert len(costs) > 1
    assert opens_with(kniee) == max(costs, key=costs.get)
    dear = {**costs, min(costs, key=costs.get): 10 * max(costs.values())}
    turned = replace(kniee, prescription=replace(kniee.prescription, costs=dear))
    assert opens_with(turned) == min(costs, key=costs.get)


def test_where_nothing_is_spread_it_opens_with_what_is_nearest_to_it(poel):
    """Of Poel's acid soil lime is asked for at most places, sulfur and gypsum nowhere."""
    nothing = replace(poel.prescription, rates=())
    assert opens_with(replace(poel, prescription=nothing)) == "lime"
    asking = tuple(r for r in poel.requirements if r.amendment != "lime")
    assert opens_with(replace(poel, prescription=nothing, requirements=asking)) != "lime"
    assert opens_with(replace(poel, prescription=nothing, requirements=())) == ""


def test_drawings_of_a_page_turn_with_its_sentences():
    """Text between tags turns, the figures of the drawing do not."""
    drawn = '<svg d="m1 2 t 3 m"><text x="4 m">gypsum, 2.5 t/ha (8)</text></svg>'
    turned = Measures(us=True).everywhere({"a": [drawn, 5.0, None], "b": ("3 ha",)})
    assert turned == {"a": [drawn.replace("2.5 t/ha", "1.12 ton/ac"), 5.0, None], "b": ["7.41 ac"]}
    assert Measures(us=False).everywhere(drawn) is drawn


def test_the_scale_bar_of_a_us_farm_counts_feet():
    """1 ft = 0.3048 m, so a bar of 100 ft on paper of 2 points a metre is 60.96 points long."""
    paper = Paper(west_m=0.0, north_m=0.0, scale=2.0, width=200.0, height=200.0)
    bar = scale_bar(paper, 0.0, 0.0, longest=70.0, feet=True)
    assert ">100 ft</text>" in bar
    assert 'x="61.0"' in bar
    assert ">25 m</text>" in scale_bar(paper, 0.0, 0.0, longest=70.0)
