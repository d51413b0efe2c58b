"""The chart of doubt and money by the number of spots: places by hand, words as pages have them."""

from types import SimpleNamespace

import pytest
from lxml import etree

from geo.planning.size import SizePoint
from maps.paper.sizecurve import FOOT, HIGH, LEFT, WIDE, curve, curve_picture

#: Doubt falls with the root of the number; 600 a spot.
POINTS = tuple(SizePoint(n, n**-0.5, 600.0 * n) for n in (4, 9, 16, 25))


def plan(spots, points=POINTS, currency="ZAR"):
    return SimpleNamespace(curve=points, spots=[None] * spots, currency=currency)


def test_the_line_runs_from_edge_to_edge_and_falls():
    places = [tuple(map(float, p.split(","))) for p in curve(plan(9))["line"].split()]
    x, y = zip(*places, strict=True)
    right = WIDE - 30
    assert x[0] == pytest.approx(LEFT, abs=0.1)
    assert x[-1] == pytest.approx(right, abs=0.1)
    assert x[1] == pytest.approx(LEFT + (9 - 4) / (25 - 4) * (right - LEFT), abs=0.1)
    assert list(y) == sorted(y)  # down the page as the doubt falls
    assert y[-1] < HIGH - FOOT


def test_the_picture_carries_money_at_its_ends_and_at_the_plan():
    root = etree.fromstring(curve_picture(plan(16)).encode())
    words = [node.text for node in root.iter("{*}text")]
    # ui/README.md, section 3: money with its sign, narrow spaces, to 5.
    for said in ("50 in 100", "20 in 100", "4 spots", "16", "25", "R\u202f2\u202f400",
                 "R\u202f9\u202f600", "R\u202f15\u202f000"):  # fmt: skip
        assert said in words


def test_ticks_that_would_run_into_that_of_the_plan_are_left_out():
    near = (*POINTS[:1], SizePoint(5, 0.45, 3000.0), *POINTS[3:])
    assert [tick["spots"] for tick in curve(plan(5, near))["ticks"]] == [5, 25]


def test_one_number_is_no_curve_and_no_price_no_money():
    assert curve_picture(plan(4, POINTS[:1])) == ""
    free = tuple(SizePoint(p.spots, p.doubt, 0.0) for p in POINTS)
    assert "R" not in curve_picture(plan(4, free)).replace("ZAR", "").partition("<text")[2]
