"""Walking where rows cannot be crossed: hand-worked ways, and laws of any way round."""

import numpy as np
import pytest
import shapely
from numpy.random import default_rng

from geo.planning.constraints import Rows
from geo.planning.rowwalk import row_walk
from geo.planning.walk import days_of, distances_m, shortest_way, walked_m

#: 102 m across the rows, 60 m along them; rows run north, 3 m apart, the first at x = 1.5.
BLOCK = shapely.box(0.0, 0.0, 102.0, 60.0)
NORTH = Rows(0.0, 3.0, (1.5, 0.0))


def test_the_way_to_another_row_leads_round_the_nearer_end():
    # By hand: from 20 m down to the end, 30 m across, 10 m up; the other end would be 120 m.
    spots = np.array([[10.5, 20.0], [40.5, 10.0], [10.5, 45.0]])
    distance = row_walk(BLOCK, NORTH).distances_m(spots)
    assert distance[0, 1] == pytest.approx(20 + 30 + 10)
    assert distance[0, 2] == pytest.approx(25)  # the same row
    assert distance[1, 2] == pytest.approx(10 + 30 + 45)  # by the south; by the north 15+30+50


def test_rows_between_that_reach_farther_are_passed_too():
    # By hand: a tongue of 40 m more in the south lies between the two, and 60 m of row in the
    # north: by the south 20+40+30+40+20 = 150, by the north 40+30+40 = 110; at 5 m the south wins
    # were it not for the tongue.
    tongue = BLOCK.union(shapely.box(20.0, -40.0, 30.0, 0.0))
    spots = np.array([[10.5, 20.0], [40.5, 20.0]])
    assert row_walk(tongue, NORTH).distances_m(spots)[0, 1] == pytest.approx(110)
    assert row_walk(BLOCK, NORTH).distances_m(spots)[0, 1] == pytest.approx(70)


def test_a_gate_beyond_the_row_ends_is_walked_to():
    # By hand: 10 m north of the block; 40 m up the row, 10 m on, 30 m across.
    spots = np.array([[40.5, 70.0], [10.5, 20.0]])
    assert row_walk(BLOCK, NORTH).distances_m(spots)[0, 1] == pytest.approx(80)


def outlines():
    ring = default_rng(3).uniform(30.0, 60.0, 9)
    turns = np.linspace(0.0, 2.0 * np.pi, 9, endpoint=False)
    star = shapely.Polygon(np.column_stack([ring * np.cos(turns), ring * np.sin(turns)]))
    return [BLOCK, star, shapely.Polygon([(0, 0), (90, 10), (30, 80)])]


@pytest.mark.parametrize("outline", outlines())
@pytest.mark.parametrize("azimuth_deg", [0.0, 37.0, 90.0, 160.0])
def test_the_way_is_never_shorter_than_straight_nor_through_a_row(outline, azimuth_deg):
    rows = Rows(azimuth_deg, 2.5, (5.0, 5.0))
    west, south, east, north = outline.bounds
    xy = default_rng(1).uniform((west, south), (east, north), (60, 2))
    spots = rows.snap(xy[shapely.contains_xy(outline.buffer(-3.0), *xy.T)])
    walls = row_walk(outline, rows)
    distance = walls.distances_m(spots)
    assert np.all(distance >= distances_m(spots) - 1e-9)
    assert np.allclose(distance, distance.T)
    for a, b in ((0, 1), (1, 2), (2, 3), (3, 4)):
        path = walls.path(spots[[a, b]])
        assert np.sum(np.hypot(*np.diff(path, axis=0).T)) == pytest.approx(distance[a, b])
        own = rows.row_of(spots[[a, b]])
        for number in range(int(own.min()) + 1, int(own.max())):
            foot = np.asarray(rows.through_m) + number * rows.spacing_m * rows.across
            line = shapely.LineString([foot - 300 * rows.along, foot + 300 * rows.along])
            wall = line.intersection(outline.buffer(-0.01))
            assert not shapely.LineString(path).crosses(wall)


def test_the_order_follows_the_rows():
    # Two rows of three, rows 30 m apart, 100 m long: straight, one would cross at every step.
    rows = Rows(0.0, 30.0, (10.0, 0.0))
    block = shapely.box(-5.0, 0.0, 55.0, 100.0)
    spots = np.array([[10.0, 20], [40.0, 20], [40.0, 50], [10.0, 50], [10.0, 80], [40.0, 80]])
    walls = row_walk(block, rows)
    order = shortest_way(spots, closed=True, rows=walls)
    # By hand: up one row and down the other, round both ends: (60 + 20 + 30 + 20) * 2.
    days = days_of(spots, None, None, walls)
    assert len({tuple(spots[day[:3], 0]) for day in days}) == 1
    assert set(spots[days[0][:3], 0]) in ({10.0}, {40.0})
    length = walls.distances_m(spots)[order, np.roll(order, -1)].sum()
    assert length == pytest.approx(260)
    # Open: one crossing only, 60 + 20 + 30 + 20 + 60.
    assert walked_m(spots, days, None, walls) == pytest.approx(190)
