"""What a grower insists on: refused in words before anything is worked out, or met exactly."""

from dataclasses import replace

import pytest
import shapely
from numpy.random import default_rng

from geo.blocks import Block
from geo.crs import to_lonlat
from geo.errors import KrigingError
from geo.planning.constraints import NO_GO_MARGIN_M
from geo.sampling import Known, Wishes, check_wishes, plan_block, too_near, wishes_of
from geo.settings import BlockSettings, CostSettings, Settings
from maps.paper.plansheets import plan_sentence

E, N, CRS = 407_000.0, 6_240_000.0, "EPSG:32734"
ROWS = BlockSettings(row_azimuth_deg=0.0, row_spacing_m=2.5, vine_spacing_m=1.2)
YARD = shapely.box(E + 60, N + 60, E + 90, N + 90)


def lonlat(x, y):
    place = to_lonlat(shapely.Point(E + x, N + y), CRS)
    return (place.x, place.y)


@pytest.fixture(scope="module")
def block():
    """200 m by 150 m, rows to the north."""
    outline = shapely.box(E, N, E + 200, N + 150)
    return Block("Noord", "noord", outline, to_lonlat(outline, CRS), CRS, 3.0, ROWS)


@pytest.fixture(scope="module")
def yard():
    return to_lonlat(YARD, CRS)


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        (230, 75, "lies 30 m outside Noord"),
        (75, 75, "of, an area that is to be kept off"),
        (60 - NO_GO_MARGIN_M + 0.5, 75, "within 3 m of, an area"),
    ],
)
def test_a_spot_that_nobody_can_take_is_refused(block, yard, x, y, says):
    with pytest.raises(KrigingError, match=says):
        check_wishes(Wishes(9, fixed_lonlat=(lonlat(x, y),), no_go=(yard,)), block)


def test_a_spot_asked_for_twice_is_refused(block):
    with pytest.raises(KrigingError, match="is asked for twice"):
        check_wishes(Wishes(9, fixed_lonlat=(lonlat(30, 30), lonlat(30, 30.2))), block)


def test_swapped_degrees_of_a_gate_are_noticed(block):
    lon, lat = lonlat(0, 0)
    with pytest.raises(KrigingError, match="which of its numbers is the latitude"):
        check_wishes(Wishes(9, gate_lonlat=(lat, lon)), block)


def test_more_places_than_spots_are_refused(block):
    places = tuple(lonlat(20 + 30 * k, 40) for k in range(4))
    with pytest.raises(KrigingError, match="4 spots are asked for by their place"):
        plan_block(block, 2026, Wishes(3, fixed_lonlat=places), Known(), Settings(), default_rng(1))


def test_a_walk_along_rows_needs_rows_on_file(block):
    bare = replace(block, site=BlockSettings())
    with pytest.raises(KrigingError, match="row_azimuth_deg"):
        check_wishes(Wishes(9, along_rows=True), bare)


def test_a_plan_gives_back_what_it_was_asked(block, yard):
    """Asked again with its own wishes, a plan keeps its places; a spot may stand at the edge."""
    asked = Wishes(
        12, gate_lonlat=lonlat(-4, 10), no_go=(yard,), most_a_day=5, along_rows=True,
        fixed_lonlat=(lonlat(30, 40), lonlat(2, 100)),
    )  # fmt: skip
    made = plan_block(block, 2026, asked, Known(), Settings(), default_rng(1))
    fixed = {(round(s.x_m - E, 2), round(s.y_m - N, 2)) for s in made.of_kind("fixed")}
    assert fixed == {(30.0, 40.0), (2.0, 100.0)}
    assert all(YARD.distance(shapely.Point(s.x_m, s.y_m)) >= NO_GO_MARGIN_M for s in made.spots)
    again = wishes_of(made)
    assert (again.spots, again.along_rows) == (12, True)
    assert again.most_a_day <= 5
    places = zip(sorted(again.fixed_lonlat), sorted(asked.fixed_lonlat), strict=True)
    for one, other in [*places, (again.gate_lonlat, asked.gate_lonlat)]:
        assert one == pytest.approx(other, rel=0, abs=1e-7)  # degrees: about a centimetre
    assert again.no_go[0].symmetric_difference(yard).area < 1e-3 * yard.area


@pytest.mark.parametrize(
    ("kinds", "says"),
    [
        (["repeat"] * 3, "3 spots: 3 to repeat so that change can be seen."),
        (
            ["repeat"] * 7 + ["new"] * 3,
            "10 spots: 7 to repeat so that change can be seen, and 3 new.",
        ),
        (
            ["repeat", "repeat", "new", "fixed"],
            "4 spots: 2 to repeat so that change can be seen, 1 new and 1 asked for.",
        ),
        (["new"] * 9 + ["pair"] * 3, "12 spots: 9 for even cover and 3 close companions."),
    ],
)
def test_a_plan_in_one_sentence(block, kinds, says):
    made = plan_block(block, 2026, Wishes(3), Known(), Settings(), default_rng(1))
    spots = tuple(replace(made.spots[0], kind=kind) for kind in kinds)
    assert plan_sentence(replace(made, spots=spots)) == says


def test_two_spots_moved_together_are_warned_of_and_a_meant_pair_is_not(block):
    """Half the mean spacing, at most 10 m, is what plans keep (sampling reference, B1.3)."""
    made = plan_block(block, 2026, Wishes(12), Known(), Settings(), default_rng(1))
    pair = made.of_kind("pair")[0]
    assert too_near(made, {pair.sample_id}, 10.0) == ()
    one, other = made.of_kind("new")[:2]
    beside = replace(one, x_m=other.x_m + 4.0, y_m=other.y_m)
    spots = tuple(beside if spot is one else spot for spot in made.spots)
    (said,) = too_near(replace(made, spots=spots), {one.sample_id}, 10.0)
    assert said.startswith(f"{one.sample_id} stands 4 m from {other.sample_id}")
    assert "Keep it so only as a close pair" in said
    assert too_near(replace(made, spots=spots), {one.sample_id}, 3.0) == ()


def test_the_curve_counts_the_way_that_is_walked(block):
    """Law: a detour never shortens a way; at the size of the plan the curve costs what it costs."""
    costs = Settings(costs=CostSettings(soil_sample=0.0, labour_per_h=100.0, minutes_per_station=0))
    wishes = Wishes(12, gate_lonlat=lonlat(-4, 10))
    straight, around = (
        plan_block(block, 2026, replace(wishes, along_rows=rows), Known(), costs, default_rng(1))
        for rows in (False, True)
    )
    for one, other in zip(straight.curve, around.curve, strict=True):
        assert other.cost > 1.5 * one.cost  # rows of 150 m that nobody crosses
    here = next(point for point in straight.curve if point.spots == 12)
    assert here.cost == pytest.approx(straight.cost, rel=0.25)  # 12 spots of even cover, no pairs
