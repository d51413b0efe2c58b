"""Every trap variant of the demo farm's files: the right question or refusal, nothing lost.

The traps and what is right are those of the demo farm's specification, sections 1, 6 and 7. What
must hold for all of them: no repair without being asked, nothing dropped without a word.
"""

import re

import numpy as np
import pytest
import shapely
import shapely.geometry
from pyproj import Geod

from demo_geodata import OUTLINES, files, traps
from demo_geodata.fields import POND
from demo_geodata.stations import to_lonlat
from geo.blocks import BlockSettings, make_block, read_outlines
from geo.checks import check_samples
from geo.errors import IntakeError
from geo.farm import create_farm, known_points, read_blocks, read_records, store_reading
from geo.intake.files import read_file
from geo.outlines.polygons import geodesic_area_ha
from geo.rating.tissue import rate_tissue

#: Survey grid Lo19 with axes east and north, as its copy in many programs has them.
NORTH_ORIENTED = "+proj=tmerc +lat_0=0 +lon_0=19 +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m +no_defs"
POND_M = shapely.Polygon(to_lonlat(np.array(POND)))


@pytest.fixture(scope="module")
def trap(tmp_path_factory):
    return traps.write(tmp_path_factory.mktemp("traps"))


@pytest.fixture(scope="module")
def blocks():
    outlines = [read_outlines(files() / name)[0][0] for name in OUTLINES]
    return [make_block(outline, BlockSettings()) for outline in outlines]


@pytest.fixture(scope="module")
def gps(blocks):
    return read_file(files() / "gps_2024.csv", season=2024, blocks=blocks)


@pytest.fixture(scope="module")
def lab(blocks, gps):
    return read_file(files() / "lab_2024.csv", season=2024, blocks=blocks, known_points=gps.points)


@pytest.fixture
def read(trap, blocks, gps):
    """Read a trap as the farm would: with its blocks, and its stations unless they are the trap."""

    def reading(name, **more):
        points = () if trap[name].name.startswith("gps") else gps.points
        return read_file(trap[name], season=2024, blocks=blocks, known_points=points, **more)

    return reading


def found(findings, rule):
    return [f for f in findings if f.rule == rule]


def places(points):
    return {point.sample_id: (point.lon, point.lat) for point in points}


def cells(reading, key):
    """(row, text, value, qualifier) of every cell of a property."""
    return [(r.row, r.text, r.value, r.qualifier) for r in reading.results if r.key == key]


def values(reading, key):
    """Values by sample; of a bag that stands twice the last."""
    return {r.sample_id: r.value for r in reading.results if r.key == key}


def shift_said(question):
    """Metres that a question says an outline has to be moved."""
    east, north = re.search(r"about (\d+) m \w+ and (\d+) m", question.message).groups()
    return np.hypot(int(east), int(north))


def asked(reading):
    return {f.rule for f in reading.findings if f.severity == "open"}


#: What the results of 2024 ask about without any trap: defect 6 of the base file.
USUAL = {"same_bag_twice"}


def test_traps_are_the_same_each_time(trap, tmp_path):
    again = traps.write(tmp_path)
    assert set(again) == set(trap)
    for name in set(trap) - {"merged_header"}:  # a workbook carries the time it was saved
        assert again[name].read_bytes() == trap[name].read_bytes(), name


# Outlines


def test_an_outline_without_its_system_is_refused_until_one_is_agreed(trap, blocks, gps):
    beside = [block.lonlat for block in blocks]
    known = [(p.lon, p.lat) for p in gps.points]
    outlines, (question,) = read_outlines(trap["no_prj"], beside=beside, known_points=known)
    assert outlines == ()
    assert (question.rule, question.severity) == ("no_system", "refused")
    assert question.repair == {"crs": "EPSG:2048"}
    (given,), _ = read_outlines(trap["no_prj"], crs="EPSG:2048")
    assert given.lonlat.equals_exact(blocks[0].lonlat, 1e-9)


def test_an_outline_without_its_system_and_without_neighbours_offers_nothing(trap):
    outlines, (question,) = read_outlines(trap["no_prj"])
    assert (outlines, question.severity, question.repair) == ((), "refused", {})


def test_an_outline_on_the_old_datum_lies_where_it_should(trap, blocks):
    (outline,), findings = read_outlines(trap["cape_datum"])
    assert findings == ()
    assert outline.lonlat.equals_exact(blocks[0].lonlat, 1e-7)  # 1 cm


def test_the_old_datum_taken_for_the_new_one_is_found_by_the_stations(trap, gps, blocks):
    known = [(p.lon, p.lat) for p in gps.points if p.sample_id.startswith("P-")]
    (outline,), findings = read_outlines(trap["cape_datum"], crs="EPSG:2048", known_points=known)
    one, other = outline.lonlat.centroid, blocks[0].lonlat.centroid
    metres = Geod(ellps="WGS84").inv(one.x, one.y, other.x, other.y)[2]
    assert metres == pytest.approx(295.5, abs=0.2)
    (question,) = found(findings, "outline_shifted")
    assert question.severity == "open"
    # the middle of the stations is not that of the block: the shift is known to some tens of metres
    assert shift_said(question) == pytest.approx(295.5, abs=40)


@pytest.mark.parametrize("others", [[], [1, 2]], ids=["alone", "beside its neighbours"])
def test_the_shift_is_found_among_the_stations_of_the_whole_farm(trap, gps, blocks, others):
    known = [(p.lon, p.lat) for p in gps.points]
    beside = [blocks[i].lonlat for i in others]
    _, findings = read_outlines(
        trap["cape_datum"], crs="EPSG:2048", known_points=known, beside=beside
    )
    (question,) = found(findings, "outline_shifted")
    assert shift_said(question) == pytest.approx(295.5, abs=40)


@pytest.mark.parametrize("name", OUTLINES)
def test_an_outline_that_lies_right_is_not_asked_about_among_the_stations_of_others(gps, name):
    known = [(p.lon, p.lat) for p in gps.points]
    _, findings = read_outlines(files() / name, known_points=known)
    assert found(findings, "outline_shifted") == []


def test_an_outline_with_turned_signs_is_turned_only_if_agreed(trap, blocks):
    beside = [block.lonlat for block in blocks[1:]]
    outlines, (question,) = read_outlines(trap["turned"], beside=beside)
    assert (outlines, question.rule, question.severity) == ((), "axes_turned", "open")
    (turned,), (note,) = read_outlines(trap["turned"], beside=beside, accept=["axes_turned"])
    assert turned.lonlat.equals_exact(blocks[0].lonlat, 1e-7)
    assert note.severity == "note"


def test_stations_alone_tell_that_an_outline_is_turned(trap, blocks, gps):
    known = [(p.lon, p.lat) for p in gps.points]
    outlines, (question,) = read_outlines(trap["turned"], known_points=known)
    assert (outlines, question.rule, question.severity) == ((), "axes_turned", "open")
    (turned,), _ = read_outlines(trap["turned"], known_points=known, accept=["axes_turned"])
    assert turned.lonlat.equals_exact(blocks[0].lonlat, 1e-7)


def test_an_outline_with_turned_signs_lies_right_in_the_turned_system(trap, blocks):
    (outline,), _ = read_outlines(trap["turned"], crs=NORTH_ORIENTED)
    assert outline.lonlat.equals_exact(blocks[0].lonlat, 1e-7)


def test_a_bow_tie_is_not_used_until_mended(trap):
    outlines, (question,) = read_outlines(trap["bow_tie"])
    assert (outlines, question.rule, question.severity) == ((), "outline_crosses", "open")
    assert "Knieë" in question.message
    (mended,), (note,) = read_outlines(trap["bow_tie"], accept=["outline_crosses"])
    assert mended.lonlat.is_valid
    assert note.severity == "note"
    drawn = shapely.from_geojson(trap["bow_tie"].read_text("utf-8"))
    assert geodesic_area_ha(mended.lonlat) == pytest.approx(
        geodesic_area_ha(shapely.make_valid(shapely.get_parts(drawn)[0])), rel=1e-6
    )


def test_a_pond_drawn_apart_becomes_a_hole_only_if_agreed(trap, blocks):
    (outline,), (question,) = read_outlines(trap["pond_apart"])
    assert (question.rule, question.severity) == ("outline_inside", "open")
    assert "pond" in question.message
    assert len(outline.lonlat.interiors) == 0
    (pierced,), _ = read_outlines(trap["pond_apart"], accept=["outline_inside"])
    assert pierced.lonlat.symmetric_difference(blocks[0].lonlat).area < 1e-12  # 1 cm2 and less


def test_a_pond_wound_the_wrong_way_stays_a_hole_and_is_said(trap, blocks):
    (outline,), (note,) = read_outlines(trap["pond_wound_wrong"])
    assert (note.rule, note.severity) == ("outline_winding", "note")
    assert not outline.lonlat.contains(POND_M.centroid)
    assert geodesic_area_ha(outline.lonlat) == pytest.approx(blocks[0].area_ha, abs=1e-6)


def test_a_sliver_is_left_out_and_said(trap, blocks):
    (outline,), (warning,) = read_outlines(trap["sliver"])
    assert (warning.rule, warning.severity) == ("outline_sliver", "warning")
    assert "3.0 m2" in warning.message
    assert geodesic_area_ha(outline.lonlat) == pytest.approx(blocks[1].area_ha, abs=1e-6)


@pytest.mark.parametrize(("name", "words"), [("doctype", "DOCTYPE"), ("path_traversal", "outside")])
def test_hostile_maps_are_refused_in_words(read, trap, name, words):
    for attempt in (lambda: read_outlines(trap[name]), lambda: read(name)):
        with pytest.raises(IntakeError, match=words) as refusal:
            attempt()
        assert trap[name].name in str(refusal.value)
        assert "Nothing of it was stored" in str(refusal.value)
    assert not (trap[name].parent.parent.parent / "outside.txt").exists()


# Positions


@pytest.mark.parametrize("name", ["lat_lon_swapped", "minus_lost"])
def test_places_are_put_right_only_if_agreed(read, gps, name):
    reading = read(name)
    (question,) = found(reading.findings, name)
    assert question.severity == "open"
    assert set(question.sample_ids) == set(places(gps.points))
    assert len(reading.points) == len(gps.points)
    agreed = read(name, accept=[name])
    assert places(agreed.points) == places(gps.points)
    assert [f.severity for f in found(agreed.findings, name)] == ["note"]


def test_decimal_commas_give_the_same_places(read, gps):
    reading = read("decimal_commas")
    assert places(reading.points) == places(gps.points)
    assert [p.hdop for p in reading.points] == [p.hdop for p in gps.points]


def test_turned_survey_coordinates_are_in_no_map_until_the_system_is_said(read):
    reading = read("grid_flipped")
    (question,) = found(reading.findings, "no_system")
    assert (question.severity, reading.points) == ("open", ())


def test_turned_survey_coordinates_are_turned_only_if_agreed(read, gps):
    reading = read("grid_flipped", crs="EPSG:2048")
    (question,) = found(reading.findings, "axes_turned")
    assert question.severity == "open"
    assert len(question.sample_ids) == 81
    agreed = read("grid_flipped", crs="EPSG:2048", accept=["axes_turned"])
    now, then = places(agreed.points), places(gps.points)
    assert [now[k] for k in then] == [pytest.approx(then[k], abs=2e-7) for k in then]


def test_turned_survey_coordinates_in_their_own_system_lie_right(read, gps):
    reading = read("grid_flipped", crs=NORTH_ORIENTED)
    now, then = places(reading.points), places(gps.points)
    assert set(now) == set(then)
    # written to the centimetre
    assert [now[k] for k in then] == [pytest.approx(then[k], abs=2e-7) for k in then]


# Results


def test_ids_turned_into_dates_are_proposed_one_by_one(read):
    reading = read("ids_as_dates")
    questions = found(reading.findings, "ids_as_dates")
    assert [q.repair["sample"] for q in questions] == [f"2-{n:02d}" for n in range(1, 13)]
    assert {q.severity for q in questions} == {"open"}
    assert {f"02-{month}" for month in traps.MONTHS} <= {r.sample_id for r in reading.results}


def test_ids_turned_into_dates_come_back_if_agreed(read, lab):
    reading = read("ids_as_dates", accept=["ids_as_dates"])
    assert values(reading, "k") == values(lab, "k")


def test_thousands_parted_by_a_blank_are_read_and_said(read, lab):
    reading = read("thousands")
    (note,) = found(reading.findings, "thousands")
    assert (note.severity, note.column) == ("note", "Ca")
    assert asked(reading) == USUAL
    now, then = values(reading, "ca"), values(lab, "ca")
    assert [now[k] for k in then] == pytest.approx(list(then.values()), abs=0.06)
    assert max(now.values()) > 1000


def test_words_for_not_detected_are_never_nothing(read, lab):
    reading = read("not_detected")
    first = cells(reading, "cu")[:6]
    assert [text for _, text, _, _ in first] == list(traps.NOT_DETECTED)
    kinds = dict(zip(traps.NOT_DETECTED, [(v, q) for _, _, v, q in first], strict=True))
    assert {kinds[word] for word in ("nd", "<LOD", "tr")} == {(None, "<")}
    assert {kinds[word] for word in ("-", "")} == {(None, "missing")}
    assert asked(reading) == USUAL | {"limit_unknown", "zero_cells"}
    (limits,) = found(reading.findings, "limit_unknown")
    (zero,) = found(reading.findings, "zero_cells")
    assert (limits.sample_ids, zero.sample_ids) == (("P-01", "P-03", "P-04"), ("P-06",))
    assert cells(reading, "cu")[6:] == cells(lab, "cu")[6:]


def test_oxides_are_read_as_elements_and_said(read, lab):
    reading = read("oxides")
    assert {f.column for f in found(reading.findings, "expressed_as")} == {"P2O5", "K2O"}
    assert asked(reading) == USUAL
    for key, digit in (("p", 0.5), ("k", 0.06)):
        now, then = values(reading, key), values(lab, key)
        assert [now[k] for k in then] == pytest.approx(list(then.values()), abs=digit)
    assert [q for *_, q in cells(reading, "p") if q == ">"] == [">"]


def test_without_the_line_of_units_nothing_is_assumed(read, lab):
    reading = read("no_units")
    questions = {f.column for f in found(reading.findings, "unit_missing") if f.severity == "open"}
    # pH has none, and "OC %" carries its own
    assert questions >= {"K", "Ca", "Mg", "Na", "P", "S", "Zn", "Fe", "Mn", "Cu", "EC"}
    assert not questions & {"pH (H2O)", "pH (KCl)", "pH buffer", "OC %"}
    assert len(reading.results) == len(lab.results)
    in_cmol = dict.fromkeys(("k", "ca", "mg", "na"), "cmol(+)/kg")
    told = read("no_units", units=in_cmol)
    assert all(values(told, key) == values(lab, key) for key in in_cmol)


def test_merged_header_cells_lose_no_column_and_no_row(read, lab):
    reading = read("merged_header")
    assert {r.key for r in reading.results} == {r.key for r in lab.results}
    assert len(reading.results) == len(lab.results)
    assert {r.method for r in reading.results if r.key in ("k", "na")} == {"NH4OAc pH 7"}
    for key in ("k", "mg", "fe", "mn", "ph_water"):
        assert values(reading, key) == values(lab, key)


def test_text_cells_with_a_comma_in_a_workbook_are_read_or_asked_about(read):
    reading = read("merged_header")
    limited = [r for r in reading.results if r.key == "zn" and r.text == "<0,3"]
    assert {r.sample_id for r in limited} == {"P-15", "P-37"}
    questions = {i for f in reading.findings if f.severity == "open" for i in f.sample_ids}
    for result in limited:
        assert (result.value, result.qualifier) == (0.3, "<") or result.sample_id in questions


@pytest.mark.parametrize(("name", "count"), [("five_samples", 5), ("one_sample", 1)])
def test_few_samples_are_read_like_many(read, lab, name, count):
    reading = read(name)
    assert len({r.sample_id for r in reading.results}) == count
    few = values(reading, "k")
    assert few == {name: values(lab, "k")[name] for name in few}
    assert asked(reading) == set()


def test_equal_values_are_read_as_they_are(read):
    reading = read("all_equal")
    assert len({r.sample_id for r in reading.results}) == 78
    (potassium,) = {r.value for r in reading.results if r.key == "k"}
    assert potassium == pytest.approx(0.31 * 391.0)


def test_a_file_of_40_mb_is_refused(tmp_path):
    large = traps.write(tmp_path, large=True)["large"]
    assert large.stat().st_size >= 40_000_000
    with pytest.raises(IntakeError, match="40 MB"):
        read_file(large, season=2024)


# Tissue


def test_a_blade_is_not_rated_with_the_petiole_table(read):
    tests = {t.sample_id: t for t in read("organ_differs").tissue}
    assert (tests["T3"].organ, tests["T3b"].organ) == ("petiole", "blade")
    assert tests["T3b"].values == tests["T3"].values
    petiole, blade = (rate_tissue([tests[name]], "wine_grape") for name in ("T3", "T3b"))
    levels = {r.key: r.level for r in petiole}
    assert levels["no3_n"] == levels["k"] == "very_low"  # specification, section 7
    # blade rows without a table are shown unrated
    assert {r.key: r.level for r in blade if r.key in ("no3_n", "k")} == {
        "no3_n": "no_table",
        "k": "no_table",
    }
    assert not [r for r in blade if "petiole" in r.method]


# From the files to the blocks


def test_ids_turned_into_dates_wait_with_the_block_of_the_ids_they_may_be(trap, tmp_path):
    farm = stored(tmp_path / "asked", files() / "gps_2024.csv", trap["ids_as_dates"])
    poel, kniee = (read_records(farm, 2024, name).layer() for name in ("Poel", "Knieë"))
    strange = {f"02-{month}" for month in traps.MONTHS}
    assert not strange & set(poel.table.index)
    assert strange <= set(kniee.table.index)
    assert kniee.table.loc[sorted(strange), "x_m"].isna().all()
    about = [f for f in kniee.findings if set(f.sample_ids) & strange]
    assert {f.rule for f in about} == {"ids_as_dates"}
    assert len(about) == 12
    agreed = stored(
        tmp_path / "agreed", files() / "gps_2024.csv", trap["ids_as_dates"], accept=["ids_as_dates"]
    )
    kniee = read_records(agreed, 2024, "Knieë").layer()
    assert not strange & set(kniee.table.index)
    assert kniee.table["x_m"].notna().all()


def test_a_column_without_a_unit_is_asked_about_once_and_in_every_layer(trap, tmp_path):
    farm = stored(tmp_path / "farm", files() / "gps_2024.csv", trap["no_units"])
    records = read_records(farm, 2024, "Knieë")
    for layer in records.layers:
        checked = check_samples(layer, records.block)
        rules = {f.rule for f in checked.findings if "k" in f.keys and f.severity == "open"}
        assert rules == {"unit_missing"}
        assert not checked.usable["k"].notna().any()
        # not one number in the column of boron: nothing to ask a unit for
        assert not [f for f in checked.findings if f.rule == "unit_missing" and "b" in f.keys]


def test_results_without_any_place_are_one_question_a_block(tmp_path):
    farm = stored(tmp_path / "farm", files() / "lab_2024.csv")
    layers = read_records(farm, 2024, "Poel").layers
    questions = [f for f in layers[0].findings if f.rule == "result_without_place"]
    (question,) = questions
    # 79 stations, of which W10 came in a bag called W09
    assert len(question.sample_ids) == 78
    assert question.message.startswith("78 samples have results and no place (P-01, P-02")


def test_what_concerns_a_file_as_a_whole_is_no_matter_of_a_block(tmp_path):
    names = ("gps_2024.csv", "lab_2024.csv", "applications_2024.csv")
    farm = stored(tmp_path / "farm", *(files() / name for name in names))
    for block in ("Poel", "Knieë", "Werfie"):
        rules = {f.rule for f in read_records(farm, 2024, block).layer().findings}
        assert not rules & {"code_page", "line_beside_data", "ids_normalised", "date_order"}
        assert all(f.sample_ids for f in read_records(farm, 2024, block).layer().findings)


def stored(farm, *paths, accept=()):
    """A farm with the demo's blocks and these files."""
    create_farm(farm, [read_outlines(files() / name)[0][0] for name in OUTLINES])
    for path in paths:
        reading = read_file(
            path,
            season=2024,
            blocks=read_blocks(farm),
            known_points=known_points(farm, 2024),
            accept=accept,
        )
        store_reading(farm, reading, 2024, accept)
    return farm
