"""Zone borders drawn by hand: the laws of the cut, of its rates and of its loss; and refusals."""

from dataclasses import replace

import numpy as np
import pyproj
import pytest
import shapely
from shapely import LineString, box

from geo.blocks import Block
from geo.errors import FarmError
from geo.grids import grid_over
from geo.requirements.draws import Requirement
from geo.season import zones_of_one
from geo.settings import BlockSettings, Settings, SpreaderSettings, settings_from
from geo.zones import delineate_zones
from geo.zoning.byhand import parts_of
from geo.zoning.criteria import judge
from geo.zoning.machine import product_of, smallest_piece_ha

CRS = "EPSG:32734"
CORNER = np.array([590_000.0, 6_240_000.0])
TO_LONLAT = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
SETTINGS = Settings(spreader=SpreaderSettings(4.8, 5.0, 4.0))
STEP_KG_HA = 100.0


def lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(TO_LONLAT.transform(*xy.T)))


def block_of(shape, **site) -> Block:
    outline = shapely.transform(shape, lambda xy: xy + CORNER)
    degrees = lonlat(outline)
    area = abs(pyproj.Geod(ellps="WGS84").geometry_area_perimeter(degrees)[0]) / 1e4
    known = BlockSettings(row_azimuth_deg=90.0, row_spacing_m=2.4, **site)
    return Block("Test", "test", outline, degrees, CRS, area, known)


def drawn(*lines) -> str:
    """What a grower draws, as farm.toml keeps it."""
    return "; ".join(lonlat(LineString(np.array(line) + CORNER)).wkt for line in lines)


def requirement_of(block: Block, *, costs=(2.0, 1.0), count=80, cap=None) -> Requirement:
    grid = grid_over(block.outline, CRS, 2.5)
    rng = np.random.default_rng(7)
    x = grid.cells()[:, 0] - CORNER[0]
    level = 1200 + 12 * x
    draws = np.maximum(0, level + 500 * rng.normal(size=(count, 1)) + rng.normal(size=len(x)))
    return Requirement(
        amendment="lime", grid=grid, draws=draws.astype(np.float32), cost_too_little=costs[0],
        cost_too_much=costs[1], reasons=(), sources=(), from_memory=False, inputs={},
        alternatives={}, unit="kg/ha pure fine calcium carbonate", verdict="useful", held=None,
        none_needed=None, cap_kg_ha=cap, treated_share=1.0,
    )  # fmt: skip


RECTANGLE = box(0, 0, 200, 100)
ELL = box(0, 0, 260, 70).union(box(0, 0, 80, 240))
HOLE = box(0, 0, 200, 160).difference(box(90, 70, 110, 90))
SHAPES = {
    "rectangle": (RECTANGLE, [[(90, -5), (120, 50), (100, 105)]]),
    "ell": (ELL, [[(-5, 80), (90, 60), (85, -5)]]),
    "hole": (HOLE, [[(-5, 80), (95, 80)], [(105, 82), (230, 70)]]),
    "two lines": (RECTANGLE, [[(70, -5), (70, 105)], [(140, -5), (130, 105)]]),
}


def zones_of(block: Block, boundary: str, requirement: Requirement | None = None):
    asked = requirement or requirement_of(block)
    return delineate_zones(asked, {}, block, SETTINGS, STEP_KG_HA, boundary=boundary)


@pytest.mark.parametrize("name", SHAPES)
def test_parts_add_up_to_the_block_and_meet_every_criterion(name):
    """Law: what is cut is neither lost nor doubled."""
    shape, lines = SHAPES[name]
    block = block_of(shape)
    zone_map = zones_of(block, drawn(*lines))
    assert zone_map.verdict == "own"
    assert len(zone_map.zones) == len(lines) + (0 if name == "hole" else 1)
    assert sum(z.area_ha for z in zone_map.zones) == pytest.approx(block.area_ha, abs=0.01)
    judged = judge(
        [z.outline for z in zone_map.zones], block.outline, width_m=4.8,
        smallest_m2=smallest_piece_ha(SETTINGS.spreader) * 1e4, grid=zone_map.grid,
        labels=np.where(zone_map.grid.inside, zone_map.labels.astype(np.int64) - 1, -1),
        samples_m=zone_map.grid.cells()[::97],
    )  # fmt: skip
    assert [one.name for one in judged if not one.met] == []


@pytest.mark.parametrize("line", [[(100, -5), (100, 105)], [(50, -5), (150, 105)]])
def test_a_straight_line_through_the_middle_gives_two_equal_halves(line):
    """Law of symmetry: a line through the centre of a rectangle halves it."""
    zones = zones_of(block_of(RECTANGLE), drawn(line)).zones
    assert [z.outline.area for z in zones] == pytest.approx([10_000, 10_000], rel=1e-4)


def test_a_line_that_ends_inside_goes_straight_on_to_the_edge():
    """Geometry worked by hand: (60, 20)-(60, 50) carried on is x = 60, so 6,000 and 14,000 m2."""
    parts = parts_of(RECTANGLE, [LineString([(60, 20), (60, 50)])])
    assert sorted(p.area for p in parts) == pytest.approx([6_000, 14_000])


def test_a_line_that_ends_on_another_one_stops_there():
    """Worked by hand: x = 80 from edge to edge, y = 50 from x = 150 back to it: three parts."""
    lines = [LineString([(80, -5), (80, 105)]), LineString([(205, 50), (150, 50)])]
    parts = parts_of(RECTANGLE, lines)
    assert sorted(p.area for p in parts) == pytest.approx([6_000, 6_000, 8_000])


@pytest.mark.parametrize("costs", [(2.0, 1.0), (1.0, 1.0), (1.0, 3.0)])
def test_rates_are_the_quantile_of_the_draws_inside_each_part(costs):
    """Check loss is least at the quantile too_little / (both); here by numpy, within a step."""
    block = block_of(RECTANGLE)
    asked = requirement_of(block, costs=costs)
    zone_map = zones_of(block, drawn([(120, -5), (120, 105)]), asked)
    x = asked.grid.cells()[:, 0] - CORNER[0]
    labels = zone_map.labels[asked.grid.inside].astype(np.int64) - 1
    found = product_of(asked, STEP_KG_HA).rates(labels)
    # Zone 1 gets most, and the ground asks for more in the east.
    for rate, part in zip(found, (x > 120, x < 120), strict=True):
        wanted = np.quantile(asked.draws[:, part], costs[0] / sum(costs))
        assert rate == pytest.approx(max(wanted, 1000.0), abs=STEP_KG_HA)


def test_a_border_never_loses_more_than_one_rate_nor_less_than_cell_by_cell():
    """Law: one rate is a choice every part has, and the best of each cell bounds any zones."""
    block = block_of(RECTANGLE)
    asked = requirement_of(block)
    product = product_of(asked, STEP_KG_HA)
    one = product.loss(np.zeros(asked.draws.shape[1], dtype=np.int64)).mean()
    least = product.curves.loss.min(axis=1).mean()
    for x in (30, 70, 100, 170):
        zone_map = zones_of(block, drawn([(x, -5), (x, 105)]), asked)
        loss = product.loss(zone_map.labels[asked.grid.inside].astype(np.int64) - 1).mean()
        assert least <= loss * (1 + 1e-6)
        assert loss <= one * (1 + 1e-6)
        assert zone_map.saving_pct == pytest.approx(100 * (one - loss) / one, abs=0.05)
    assert "your own border" in zone_map.why


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ([(-5, 3), (205, 3)], r"0\.06 ha in the south is narrower.*at least 4\.8 m wide"),
        ([(7, -5), (7, 105)], r"0\.07 ha in the west is too small.*at least 0\.10 ha"),
        ([(12, -5), (12, 105)], r"0\.12 ha in the west cannot be driven.*m long along them"),
        ([(-50, -5), (-50, 105)], "does not cut the block in two"),
    ],
)  # fmt: skip
def test_a_border_that_cannot_be_driven_is_refused(line, words):
    with pytest.raises(FarmError, match=words):
        zones_of(block_of(RECTANGLE), drawn(line))


@pytest.mark.parametrize(
    "text",
    [
        "POINT (1 2)",
        "lines",
        "LINESTRING (500 2, 3 4)",
        ";",
        "LINESTRING EMPTY",
        "LINESTRING (1 2)",
    ],
)
def test_what_is_not_a_line_is_refused(text):
    with pytest.raises(FarmError, match=r"not a line|degrees|no line"):
        zones_of(block_of(RECTANGLE), text)


def test_farm_toml_keeps_a_border_and_taking_it_out_brings_the_computed_map_back():
    line = drawn([(60, -5), (60, 105)])
    kept = settings_from({"blocks": {"Test": {"boundaries": {"lime": line}}}})
    assert kept.block("Test").boundaries == {"lime": line}
    plain = block_of(RECTANGLE)
    own = block_of(RECTANGLE, boundaries={"lime": line})
    asked = requirement_of(plain)
    first = zones_of_one(asked, {}, plain, SETTINGS)
    border = zones_of_one(asked, {}, own, SETTINGS)
    again = zones_of_one(asked, {}, plain, SETTINGS)
    assert first.verdict != "own"
    assert (border.verdict, len(border.zones)) == ("own", 2)
    assert np.array_equal(first.labels, again.labels)


def test_a_border_for_another_material_leaves_this_one_as_it_is():
    line = drawn([(60, -5), (60, 105)])
    block = block_of(RECTANGLE, boundaries={"gypsum": line})
    assert zones_of_one(requirement_of(block), {}, block, SETTINGS).verdict != "own"


def test_a_kept_border_that_cannot_be_driven_says_where_it_stands():
    block = block_of(RECTANGLE, boundaries={"lime": drawn([(-5, 3), (205, 3)])})
    with pytest.raises(FarmError, match=r'farm\.toml, \[blocks\."Test"\.boundaries\], lime: The'):
        zones_of_one(requirement_of(block), {}, block, SETTINGS)


def test_a_border_that_is_not_a_text_is_refused():
    with pytest.raises(FarmError, match="boundaries, lime: 3 is not a text"):
        settings_from({"blocks": {"Test": {"boundaries": {"lime": 3}}}})


@pytest.mark.parametrize(
    "line",
    [[(-5, 51), (205, 48)], [(-5, 30), (100, 52), (205, 41)]],
    ids=["along", "bent"],
)
def test_a_border_is_laid_midway_between_rows_and_says_so(line):
    """Corners inside the block are whole rows from its left edge, half a row from the line."""
    block = block_of(RECTANGLE)
    asked = requirement_of(block)
    found = delineate_zones(asked, {}, block, SETTINGS, STEP_KG_HA, boundary=drawn(line))
    assert found.verdict == "own"
    assert "midway between the rows" in found.why
    hand = LineString(np.array(line) + CORNER)
    edge = block.outline.boundary
    corners = np.unique(
        np.round([xy for zone in found.zones for xy in shapely.get_coordinates(zone.outline)], 3),
        axis=0,
    )
    inside = corners[np.array([edge.distance(shapely.Point(xy)) > 0.01 for xy in corners])]
    rows = (100 - (inside[:, 1] - CORNER[1])) / 2.4
    assert len(inside)
    assert rows == pytest.approx(np.round(rows), abs=0.01)
    # Half a row of rounding and, on a slope, half a row of stepping.
    assert max(hand.distance(shapely.Point(xy)) for xy in inside) <= 2.4 + 0.01
    assert sum(zone.outline.area for zone in found.zones) == pytest.approx(block.outline.area)


def test_a_border_stays_as_drawn_where_rows_are_not_known():
    """Nor does one move that crosses the rows: the halves above are exact."""
    block = block_of(RECTANGLE)
    unknown = replace(block, site=replace(block.site, row_spacing_m=None))
    asked = requirement_of(block)
    line = drawn([(-5, 51), (205, 48)])
    found = delineate_zones(asked, {}, unknown, SETTINGS, STEP_KG_HA, boundary=line)
    assert "midway" not in found.why
    assert max(len(shapely.get_coordinates(zone.outline)) for zone in found.zones) == 5
