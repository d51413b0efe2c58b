"""Chance of each class of a block's and a zone's mean: what its range already says, in classes."""

import numpy as np
import pytest
from shapely import MultiPolygon, box

from geo.grids import grid_over
from geo.prescribing.chances import block_chances, chance_words, with_chances, zone_chances
from geo.ratings import Rating, Ratings
from geo.surfaces import Surface
from geo.zones import Estimate, Zone

GRID = grid_over(box(0, 0, 50, 50), "EPSG:32734", 5.0)
ONES = np.where(GRID.inside, 1.0, np.nan)


def surface(low, mean, high, n=20, *, logs=False):
    return Surface(
        "k", "mg/kg", "NH4OAc pH 7", GRID, ONES, ONES, ONES, ONES, None, None, "below", logs, None,
        None, "none", "", n, mean, low, high, (),
    )  # fmt: skip


def classes(*limits):
    ends = [None, *limits, None]
    levels = ("low", "medium", "high")
    return tuple(
        (level, a, b, False) for level, a, b in zip(levels, ends[:-1], ends[1:], strict=True)
    )


@pytest.mark.parametrize("logs", [False, True])
@pytest.mark.parametrize("n", [4, 20, 40])
def test_a_class_from_low_to_high_holds_the_mean_two_times_in_three(n, logs):
    # By definition of the two-in-three range; the rest is equal on both sides.
    low, mean, high = (80.0, 100.0, 125.0) if logs else (80.0, 100.0, 120.0)
    found = block_chances(classes(low, high), surface(low, mean, high, n, logs=logs))
    assert found["medium"] == pytest.approx(2 / 3, abs=0.002)
    assert found["low"] == pytest.approx(found["high"], abs=0.002)
    assert sum(found.values()) == pytest.approx(1, abs=0.002)


def test_without_a_doubt_there_is_no_chance_to_state():
    assert block_chances(classes(80.0, 120.0), surface(np.nan, 100.0, np.nan, n=1)) == {}


def test_a_doubtful_class_is_said_in_words_and_a_sure_one_is_not():
    limits = classes(80.0, 120.0)
    rating = Rating("block", "k", 90.0, "mg/kg", "medium", 80.0, 120.0, "need", True, "UC_K",
                    False, "Table.")  # fmt: skip
    ratings = Ratings((), {"k": rating}, {}, {"k": limits}, ())
    doubtful = with_chances(ratings, {"k": surface(70.0, 90.0, 110.0)}).block["k"]
    assert doubtful.why.startswith("Table. With its doubt the block's mean is medium")
    assert "low" in doubtful.why
    sure = with_chances(ratings, {"k": surface(99.0, 100.0, 101.0)}).block["k"]
    assert sure.why == "Table."
    assert sure.chances["medium"] > 0.99


def test_a_zone_far_below_a_limit_is_surely_in_the_lowest_class():
    ratings = Ratings((), {}, {}, {"k": classes(80.0, 120.0)}, ())
    zone = Zone(1, MultiPolygon([box(0, 0, 9, 9)]), 1.0, {"k": Estimate(60.0, 2.0, "mg/kg")}, ())
    found = zone_chances(zone, ratings, {"k": surface(90.0, 100.0, 110.0)})
    assert found["k"]["low"] > 0.99
    assert chance_words(found["k"]) == "low 100 in 100"
