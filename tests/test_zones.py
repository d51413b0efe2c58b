"""Zones of whole blocks: criteria Z1-Z11 on odd blocks, and the laws a zone map must keep."""

import math

import numpy as np
import pyproj
import pytest
import shapely
from shapely import MultiPolygon, Polygon, box

from geo.belief.belief import believe
from geo.belief.frame import frame_of
from geo.belief.prediction import predict
from geo.blocks import Block
from geo.errors import KrigingError
from geo.grids import Grid, grid_over
from geo.requirements.draws import Requirement
from geo.settings import BlockSettings, Settings, SpreaderSettings
from geo.surfaces import Surface, draw_surface
from geo.zones import ZoneMap, common_zones, delineate_zones
from geo.zoning.criteria import judge
from geo.zoning.machine import smallest_piece_ha
from geo.zoning.means import zone_means

CRS = "EPSG:32734"
CORNER = np.array([590_000.0, 6_240_000.0])
GEOD = pyproj.Geod(ellps="WGS84")


def geodesic_ha(shape) -> float:
    to_lonlat = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform
    lonlat = shapely.transform(shape, lambda xy: np.column_stack(to_lonlat(*xy.T)))
    return abs(GEOD.geometry_area_perimeter(lonlat)[0]) / 1e4


def block_of(shape, *, azimuth=25.0, spacing=2.4, **site) -> Block:
    outline = shapely.transform(shape, lambda xy: xy + CORNER)
    to_lonlat = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform
    lonlat = shapely.transform(outline, lambda xy: np.column_stack(to_lonlat(*xy.T)))
    site = BlockSettings(row_azimuth_deg=azimuth, row_spacing_m=spacing, **site)
    return Block("Test", "test", outline, lonlat, CRS, geodesic_ha(outline), site)


def settings_of(width=4.8, *, by_hand=False, most=4) -> Settings:
    spreader = SpreaderSettings(width, 5.0, 4.0, by_hand=by_hand, most_zones=most)
    return Settings(spreader=spreader)


def grid_of(block: Block, cell_m=2.5) -> Grid:
    azimuth = block.site.row_azimuth_deg
    return grid_over(block.outline, CRS, cell_m, turn_deg=0.0 if azimuth is None else 90 - azimuth)


def requirement_of(
    grid: Grid, draws, *, costs=(1.0, 1.0), amendment="lime", **other
) -> Requirement:
    given = {
        "unit": "kg/ha pure fine calcium carbonate",
        "verdict": "useful",
        "held": None,
        "none_needed": None,
        "cap_kg_ha": None,
        "treated_share": 1.0,
    } | other
    return Requirement(
        amendment=amendment,
        grid=grid,
        draws=np.asarray(draws, dtype=np.float32),
        cost_too_little=costs[0],
        cost_too_much=costs[1],
        reasons=(),
        sources=(),
        from_memory=False,
        inputs={},
        alternatives={},
        **given,
    )


def smooth_draws(grid: Grid, rng, *, count=100, reach_m=60.0, spread=1500.0, doubt=0.4):
    """A smooth random field with its doubt: cosines of random direction and wavelength. [kg/ha]"""

    def field(waves=40):
        k = rng.normal(size=(waves, 2)) / reach_m
        phase = rng.uniform(0, 2 * np.pi, waves)
        xy = grid.cells() - grid.cells().mean(axis=0)
        return np.sqrt(2 / waves) * np.cos(xy @ k.T + phase).sum(axis=1)

    mean = field()
    noise = np.stack([field() for _ in range(count)])
    return np.maximum(0.0, 1500 + spread * (mean + doubt * noise))


def step_draws(grid: Grid, rng, low=0.0, high=3000.0, noise=200.0, count=100):
    """Two halves with a straight edge across the middle of the raster."""
    column = np.broadcast_to(np.arange(grid.shape[1]), grid.shape)[grid.inside]
    level = np.where(column < grid.shape[1] // 2, low, high)
    return np.maximum(0.0, level + noise * rng.normal(size=(count, 1)))


def criteria_of(zone_map: ZoneMap, block: Block, settings: Settings):
    spreader = settings.spreader_of(block.name)
    labels = np.where(zone_map.grid.inside, zone_map.labels.astype(np.int64) - 1, -1)
    return judge(
        [zone.outline for zone in zone_map.zones],
        block.outline,
        width_m=spreader.width_m,
        smallest_m2=smallest_piece_ha(spreader) * 1e4,
        grid=zone_map.grid,
        labels=labels,
        samples_m=zone_map.grid.cells()[::97],
    )


def star(rng, size_m, corners=9):
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False) + rng.uniform(0, 0.5, corners)
    reach = size_m * rng.uniform(0.5, 1.0, corners)
    return Polygon(np.column_stack([reach * np.cos(angle), reach * np.sin(angle)]))


def odd_block(kind: str, rng):
    """Shapes that blocks really have."""
    if kind == "hole":
        whole = star(rng, 180)
        return whole.difference(whole.representative_point().buffer(rng.uniform(8, 25)))
    if kind == "ell":
        return box(0, 0, 260, 70).union(box(0, 0, 80, 240))
    if kind == "sliver":
        return box(0, 0, 600, 22)
    if kind == "tiny":
        return box(0, 0, 30, 25)
    if kind == "small":
        return star(rng, 60)
    if kind == "large":
        return star(rng, 520)
    if kind == "parts":
        return MultiPolygon([box(0, 0, 150, 120), box(180, 30, 300, 160), box(320, 0, 335, 20)])
    if kind == "neck":
        return shapely.union_all(
            [box(0, 0, 120, 150), box(200, 0, 320, 150), box(110, 70, 210, 75)]
        )
    if kind == "walked":
        outline = star(rng, 150).buffer(30, quad_segs=60)
        return outline.segmentize(0.7)
    return star(rng, 170)


KINDS = ("star", "hole", "ell", "sliver", "tiny", "small", "large", "parts", "neck", "walked")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("most", [2, 3, 4, 5])
def test_every_zone_set_meets_all_criteria(kind, most):
    """Z1 to Z11, on odd blocks, for every number of zones and widths from a hand to a spinner."""
    rng = np.random.default_rng(KINDS.index(kind) * 10 + most)
    settings = settings_of({2: 2.0, 3: 4.8, 4: 6.0, 5: 12.0}[most], most=most)
    for _ in range(1 if kind == "large" else 2):
        block = block_of(odd_block(kind, rng), azimuth=rng.uniform(0, 180))
        grid = grid_of(block)
        draws = smooth_draws(grid, rng, reach_m=rng.uniform(20, 100), count=40)
        zone_map = delineate_zones(requirement_of(grid, draws), {}, block, settings, 100.0)
        assert [j for j in criteria_of(zone_map, block, settings) if not j.met] == []
        assert shapely.coverage_is_valid([zone.outline for zone in zone_map.zones])
        total = sum(zone.area_ha for zone in zone_map.zones)
        assert total == pytest.approx(block.area_ha, rel=1e-6)
        assert set(np.unique(zone_map.labels[grid.inside])) == {z.zone_id for z in zone_map.zones}
        assert not zone_map.labels[~grid.inside].any()


def test_odd_blocks_do_get_zones():
    """The criteria must not be met by giving up: blocks of size keep zones."""
    counts = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        block = block_of(odd_block(("star", "hole", "ell", "neck")[seed % 4], rng))
        grid = grid_of(block)
        draws = smooth_draws(grid, rng, reach_m=60, count=40)
        settings = settings_of()
        zone_map = delineate_zones(requirement_of(grid, draws), {}, block, settings, 100.0)
        counts.append(len(zone_map.zones))
    assert min(counts) >= 2


def test_a_step_is_found_where_it_is():
    """Two halves make two zones, their border within a cell and half a swath of the step."""
    rng = np.random.default_rng(3)
    block = block_of(box(0, 0, 240, 160), azimuth=90)
    grid = grid_of(block)
    requirement = requirement_of(grid, step_draws(grid, rng))
    zone_map = delineate_zones(requirement, {}, block, settings_of(), 100.0)
    assert (len(zone_map.zones), zone_map.verdict) == (2, "shown")
    step_m = grid.origin_m[0] + grid.shape[1] // 2 * grid.spacing_m
    border = shapely.intersection(*[zone.outline for zone in zone_map.zones])
    away = np.abs(shapely.get_coordinates(border)[:, 0] - step_m)
    assert away.max() <= grid.spacing_m + 4.8 / 2


def test_zones_count_down_from_the_highest_rate():
    rng = np.random.default_rng(3)
    block = block_of(box(0, 0, 240, 160), azimuth=90)
    grid = grid_of(block)
    requirement = requirement_of(grid, step_draws(grid, rng))
    zone_map = delineate_zones(requirement, {}, block, settings_of(), 100.0)
    mean = grid.spread(requirement.draws.mean(axis=0))
    assert mean[zone_map.labels == 1].mean() > mean[zone_map.labels == 2].mean()


@pytest.mark.parametrize("level", [0.0, 2000.0])
def test_a_constant_field_is_one_zone(level):
    block = block_of(box(0, 0, 200, 150))
    grid = grid_of(block)
    requirement = requirement_of(grid, np.full((50, int(grid.inside.sum())), level))
    zone_map = delineate_zones(requirement, {}, block, settings_of(), 100.0)
    assert (len(zone_map.zones), zone_map.verdict) == (1, "one_rate")
    assert zone_map.zones[0].outline.equals(block.outline)
    assert zone_map.zones[0].area_ha == pytest.approx(block.area_ha, rel=1e-9)


def test_units_do_not_matter():
    """A thousand times the amount at a thousandth of the cost: the same zones."""
    rng = np.random.default_rng(5)
    block = block_of(box(0, 0, 250, 200))
    grid = grid_of(block)
    draws = smooth_draws(grid, rng)
    plain = requirement_of(grid, draws, costs=(2.0, 3.0), amendment="unnamed")
    scaled = requirement_of(grid, draws * 1000, costs=(0.002, 0.003), amendment="unnamed")
    one = delineate_zones(plain, {}, block, settings_of(), 100.0)
    other = delineate_zones(scaled, {}, block, settings_of(), 100_000.0)
    assert len(one.zones) > 1
    assert (one.labels == other.labels).mean() > 0.999
    assert one.saving_pct == pytest.approx(other.saving_pct, rel=1e-3)


@pytest.mark.parametrize("turn", [17.0, 90.0, 143.0])
def test_turning_the_block_turns_the_zones(turn):
    """Same number of zones, areas within 2 % of the block."""
    shape = star(np.random.default_rng(2), 160)
    areas = []
    for angle in (0.0, turn):
        block = block_of(shapely.affinity.rotate(shape, -angle, origin=(0, 0)), azimuth=30 + angle)
        grid = grid_of(block)
        x, y = (grid.cells() - CORNER).T
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        along, across = x * c - y * s, x * s + y * c
        level = 1500 + 900 * np.sin(along / 70) + 600 * np.cos(across / 55)
        noise = np.random.default_rng(1).normal(size=(60, 1))
        draws = np.maximum(0, level + 200 * noise)
        zone_map = delineate_zones(requirement_of(grid, draws), {}, block, settings_of(), 100.0)
        areas.append([zone.area_ha / block.area_ha for zone in zone_map.zones])
    assert len(areas[0]) == len(areas[1]) > 1
    assert np.abs(np.subtract(*areas)).max() <= 0.02


def test_same_input_same_map():
    block = block_of(star(np.random.default_rng(4), 150))
    grid = grid_of(block)
    draws = smooth_draws(grid, np.random.default_rng(4))
    requirement = requirement_of(grid, draws)
    one, other = (delineate_zones(requirement, {}, block, settings_of(), 100.0) for _ in range(2))
    assert np.array_equal(one.labels, other.labels)
    assert [z.outline.wkb for z in one.zones] == [z.outline.wkb for z in other.zones]


@pytest.mark.parametrize("field", ["held", "none_needed"])
def test_what_is_held_or_not_needed_is_one_zone_with_its_reason(field):
    rng = np.random.default_rng(6)
    block = block_of(box(0, 0, 200, 150))
    grid = grid_of(block)
    requirement = requirement_of(grid, step_draws(grid, rng), **{field: "A leaf test decides."})
    zone_map = delineate_zones(requirement, {}, block, settings_of(), 100.0)
    assert len(zone_map.zones) == 1
    assert zone_map.why == "A leaf test decides."


def test_a_surface_without_a_pattern_gets_no_zones():
    """The draws may differ by chance; the verdict says that the samples do not show it."""
    rng = np.random.default_rng(7)
    block = block_of(box(0, 0, 250, 200))
    grid = grid_of(block)
    draws = smooth_draws(grid, rng)
    zone_map = delineate_zones(
        requirement_of(grid, draws, verdict="none"), {}, block, settings_of(), 100.0
    )
    assert (len(zone_map.zones), zone_map.verdict) == (1, "too_few")


def test_a_weak_map_makes_zones_likely_at_most():
    rng = np.random.default_rng(3)
    block = block_of(box(0, 0, 240, 160), azimuth=90)
    grid = grid_of(block)
    requirement = requirement_of(grid, step_draws(grid, rng), verdict="weak")
    zone_map = delineate_zones(requirement, {}, block, settings_of(), 100.0)
    assert zone_map.verdict == "likely"
    assert "in 10 of 10 draws" in zone_map.why


def test_independent_draws_have_no_zones():
    """Every draw its own noise, no place different from another on average: one rate."""
    rng = np.random.default_rng(8)
    block = block_of(box(0, 0, 200, 150))
    grid = grid_of(block)
    draws = np.maximum(0, 2000 + 800 * rng.normal(size=(100, int(grid.inside.sum()))))
    zone_map = delineate_zones(requirement_of(grid, draws), {}, block, settings_of(), 100.0)
    assert (len(zone_map.zones), zone_map.verdict) == (1, "one_rate")


def test_a_block_too_small_for_two_pieces_is_one_zone():
    rng = np.random.default_rng(9)
    block = block_of(box(0, 0, 40, 30))
    grid = grid_of(block)
    zone_map = delineate_zones(
        requirement_of(grid, step_draws(grid, rng)), {}, block, settings_of(), 100.0
    )
    assert len(zone_map.zones) == 1
    assert "too small" in zone_map.why


def test_by_hand_without_rows_still_makes_zones():
    rng = np.random.default_rng(10)
    block = block_of(box(0, 0, 80, 55), azimuth=None)
    grid = grid_of(block, 1.0)
    settings = settings_of(2.0, by_hand=True)
    zone_map = delineate_zones(
        requirement_of(grid, step_draws(grid, rng)), {}, block, settings, 100.0
    )
    assert len(zone_map.zones) == 2
    assert [j for j in criteria_of(zone_map, block, settings) if not j.met] == []


def test_planting_rows_are_counted_from_the_left():
    """Rows run east; the step lies across them, so the northern zone holds the first rows."""
    block = block_of(box(0, 0, 240, 120), azimuth=90, spacing=2.4)
    grid = grid_of(block)
    row = np.broadcast_to(np.arange(grid.shape[0])[:, None], grid.shape)[grid.inside]
    draws = np.where(row < grid.shape[0] / 2, 3000.0, 0.0) + np.zeros((20, 1))
    zone_map = delineate_zones(requirement_of(grid, draws), {}, block, settings_of(), 100.0)
    north, south = (zone.rows for zone in zone_map.zones)
    assert (north[0][0], south[-1][1]) == (1, 50)
    assert north[0][1] == pytest.approx(25, abs=1)
    assert south[0][0] == pytest.approx(26, abs=1)


def test_a_close_decision_asks_for_more_draws():
    """Two thousand draws are asked for where the saving or the chance is near its limit."""
    block = block_of(box(0, 0, 240, 160), azimuth=90)
    grid = grid_of(block)
    asked = []

    def redraw(count):
        asked.append(count)
        return requirement

    for low in np.arange(1000, 2000, 40.0):
        rng = np.random.default_rng(11)
        draws = step_draws(grid, rng, low, 2000.0, noise=800.0)
        requirement = requirement_of(grid, draws)
        zone_map = delineate_zones(requirement, {}, block, settings_of(), 20.0, redraw=redraw)
        assert ("close" in zone_map.why) == bool(asked)
        if asked:
            break
    assert asked == [2000]


def test_one_map_for_all_materials_follows_both():
    """Lime asks for the west, potassium for the north: four zones serve both."""
    block = block_of(box(0, 0, 280, 200), azimuth=90)
    grid = grid_of(block)
    rows, columns = grid.shape
    row, column = (i[grid.inside] for i in np.indices(grid.shape))
    rng = np.random.default_rng(12)
    noise = rng.normal(size=(60, 1))
    lime = np.maximum(0, np.where(column < columns / 2, 3000, 0) + 300 * noise)
    potassium = np.maximum(0, np.where(row < rows / 2, 150, 0) + 15 * noise)
    requirements = [
        requirement_of(grid, lime),
        requirement_of(grid, potassium, amendment="potassium"),
        requirement_of(grid, potassium, amendment="boron", held="A leaf test decides."),
    ]
    settings = settings_of()
    steps = {"lime": 100.0, "potassium": 5.0, "boron": 0.1}
    zone_map = common_zones(requirements, {}, block, settings, steps)
    assert (zone_map.amendment, len(zone_map.zones)) == ("all", 4)
    assert [j for j in criteria_of(zone_map, block, settings) if not j.met] == []


def test_one_map_needs_something_to_serve():
    block = block_of(box(0, 0, 200, 150))
    grid = grid_of(block)
    draws = np.ones((10, int(grid.inside.sum())))
    requirement = requirement_of(grid, draws, held="A leaf test decides.")
    with pytest.raises(KrigingError, match="nothing one map could serve"):
        common_zones([requirement], {}, block, settings_of(), {"lime": 100.0})


def surface_of(block: Block, rng, samples=30) -> Surface:
    """A surface kriged by the belief on a slope with noise."""
    west, south, east, north = block.outline.bounds
    xy = rng.uniform([west, south], [east, north], (samples, 2))
    values = 6.0 + 0.5 * (xy[:, 0] - west) / (east - west) + 0.2 * rng.normal(size=samples)
    belief = believe(xy, {"ph_water": values}, frame_of(block.outline))["ph_water"]
    grid = grid_over(block.outline, CRS, 5.0)
    found = predict({"ph_water": belief}, grid.cells())["ph_water"]
    mean, sd = found.block_mean, found.block_sd
    return Surface(
        key="ph_water",
        unit="pH",
        method="",
        grid=grid,
        estimate=grid.spread(found.mean),
        kriging_sd=grid.spread(found.sd),
        low=grid.spread(found.mean - found.sd),
        high=grid.spread(found.mean + found.sd),
        chance_wrong_side=None,
        critical=None,
        side="",
        logs=False,
        belief=belief,
        crossvalidation=None,
        verdict="useful",
        why="",
        n=samples,
        mean=mean,
        mean_low=mean - sd,
        mean_high=mean + sd,
        notes=(),
    )


def test_the_mean_of_one_zone_is_that_of_the_block():
    rng = np.random.default_rng(13)
    block = block_of(box(0, 0, 200, 150))
    grid = grid_of(block)
    surface = surface_of(block, rng)
    requirement = requirement_of(grid, np.zeros((10, int(grid.inside.sum()))))
    surfaces = {"ph_water": surface}
    zone_map = delineate_zones(requirement, surfaces, block, settings_of(), 100.0)
    found = zone_map.zones[0].means["ph_water"]
    assert found.value == pytest.approx(surface.mean, abs=1e-9)
    assert found.sd == pytest.approx((surface.mean_high - surface.mean_low) / 2)
    assert found.unit == "pH"


def test_the_doubt_of_a_zone_mean_is_joint():
    """The sd on a lattice of places agrees with draws at every cell (2,000 draws, 15 %).

    It is far above what independent places would give.
    """
    rng = np.random.default_rng(13)
    block = block_of(box(0, 0, 200, 150))
    surface = surface_of(block, rng)
    west, south, east, north = block.outline.bounds
    halves = [MultiPolygon([box(west, south, west + 120, north)])]
    halves.append(MultiPolygon([box(west + 120, south, east, north)]))
    found = zone_means({"ph_water": surface}, halves, rng)["ph_water"]
    cells = surface.grid.cells()
    draws = draw_surface(surface, cells, 2000, rng)
    for half, (mean, sd) in zip(halves, found, strict=True):
        mine = shapely.contains_xy(half, *cells.T)
        assert mean == pytest.approx(draws[:, mine].mean(), abs=0.01)
        assert sd == pytest.approx(draws[:, mine].mean(axis=1).std(), rel=0.15)
        assert sd > 3 * draws[:, mine].std(axis=0).mean() / np.sqrt(mine.sum())


def test_zone_means_are_read_over_the_zone():
    rng = np.random.default_rng(14)
    block = block_of(box(0, 0, 240, 160), azimuth=90)
    grid = grid_of(block)
    surface = surface_of(block, rng)
    requirement = requirement_of(grid, step_draws(grid, rng))
    zone_map = delineate_zones(requirement, {"ph_water": surface}, block, settings_of(), 100.0)
    east, west = (zone.means["ph_water"] for zone in zone_map.zones)
    whole = sum(zone.means["ph_water"].value * zone.area_ha for zone in zone_map.zones)
    assert east.value > west.value
    assert whole / block.area_ha == pytest.approx(surface.mean, abs=0.005)
    # A half is known less well than the whole.
    assert min(east.sd, west.sd) > 0.9 * (surface.mean_high - surface.mean_low) / 2


def test_what_driving_takes_away_is_said():
    """Patches hardly wider than the swath lose much of their saving; wide ones lose little."""
    block = block_of(box(0, 0, 240, 160), azimuth=90)
    grid = grid_of(block)
    said = []
    for reach_m in (6.0, 80.0):
        draws = smooth_draws(grid, np.random.default_rng(15), reach_m=reach_m, doubt=0.1)
        zone_map = delineate_zones(
            requirement_of(grid, draws), {}, block, settings_of(most=2), 100.0
        )
        assert len(zone_map.zones) == 2
        said.append("too small to drive" in zone_map.why)
    assert said == [True, False]
