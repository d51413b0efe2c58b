"""Pictures of change: they end at the outline, and say what was assumed to draw them."""

import itertools
import re

import numpy as np
import pytest
import shapely

from geo.compare import compare
from geo.comparing.cokriging import LIMED_RHO, USUAL_RHO, cokrige_change, model_of_differences
from geo.geostatistics.covariance import VariogramModel
from maps.drawing.changepictures import change_pictures, paper_of


@pytest.fixture(scope="module")
def werfie(demo_farm):
    return compare(demo_farm, 2024, 2025, "Werfie")


def test_an_assumed_likeness_of_the_years_is_said(werfie):
    """zones-and-sampling.md, C3: 0.8 in perennial blocks that are not tilled, an assumption."""
    pictures = {one["key"]: one for one in change_pictures(werfie)}
    cokriged = [key for key, one in werfie.maps.items() if one.how == "both years"]
    assert cokriged, "seven stations of both years are too few to krige their differences"
    for key in cokriged:
        assert werfie.maps[key].rho == USUAL_RHO
        assert "taken as 0.8 (1: the same pattern again)" in pictures[key]["words"]
        assert "not measured here" in pictures[key]["against"]


def test_paired_differences_assume_no_likeness(demo_farm):
    found = compare(demo_farm, 2024, 2025, "Poel")
    lime = found.maps["ph_water"]
    assert (lime.how, lime.rho) == ("paired", None)
    (words,) = (one["words"] for one in change_pictures(found) if one["key"] == "ph_water")
    assert "taken as" not in words
    assert "Less what moved on the ground with nothing spread" in words


@pytest.fixture
def two_years():
    """The same and other places in two years, on a unit square as in the reference's cases."""
    rng = np.random.default_rng(3)
    first, second = rng.random((16, 2)), rng.random((16, 2))
    second[:8] = first[:8]
    values = rng.standard_normal((2, 16))
    targets = rng.random((40, 2))
    return (first, values[0]), (second, values[1]), targets


MODEL = VariogramModel("spherical", nugget=0.1, partial_sill=0.9, range_m=0.5)


def test_the_more_alike_the_years_the_surer_the_change(two_years):
    """Law, C3: D has structure 2 (1 - rho) c1, so its variance falls with rho at every place."""
    first, second, targets = two_years
    variances = [
        cokrige_change(MODEL, rho, first, second, targets).variance for rho in (0.0, 0.5, 0.8, 0.95)
    ]
    for less, more in itertools.pairwise(variances):
        assert (more < less).all()
    # Far from every sample nothing is known but the structure itself, and the two means.
    far = cokrige_change(MODEL, 0.8, first, second, targets + 50.0).variance
    assert (far > model_of_differences(MODEL, 0.8).partial_sill).all()


def test_a_limed_block_is_taken_as_less_alike(two_years):
    """The default after liming gives the larger doubt: .5 against .8 (C3)."""
    first, second, targets = two_years
    limed, usual = (
        cokrige_change(MODEL, rho, first, second, targets).variance.mean()
        for rho in (LIMED_RHO, USUAL_RHO)
    )
    # Reference table, random 16 spots: .5484 and .2856; other draws of the places give like ratios.
    assert limed / usual == pytest.approx(0.5484 / 0.2856, rel=0.25)


def test_a_picture_ends_at_the_outline(werfie):
    for one in change_pictures(werfie)[:2]:
        for kind in ("change", "doubt"):
            clip = re.search(r'<clipPath id="([^"]*)"><path d="([^"]*)"', one[kind])
            assert f'clip-path="url(#{clip[1]})"' in one[kind]
            points = np.array(re.findall(r"(-?[\d.]+)[ ,](-?[\d.]+)", clip[2]), dtype=float)
            paper = paper_of(werfie.block)
            drawn = shapely.Polygon(points).area / paper.scale**2
            assert drawn == pytest.approx(werfie.block.outline.area, rel=0.01)


def test_ids_of_pictures_are_each_their_own(werfie):
    markup = "".join(one["change"] + one["doubt"] for one in change_pictures(werfie))
    ids = re.findall(r'id="([^"]*)"', markup)
    assert len(ids) == len(set(ids))


def test_the_ends_of_a_legend_have_their_unit(werfie):
    legends = {one["key"]: [words for _, words in one["legend"]] for one in change_pictures(werfie)}
    assert re.fullmatch(r"rose by [\d.]+", legends["ph_water"][2])
    assert re.fullmatch(r"rose by \d+ mg/kg", legends["mg"][2])
    assert re.fullmatch(r"factor [\d.]+", legends["k"][2])
