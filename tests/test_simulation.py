"""Conditional simulation: the reference case lu-sim1, agreement with kriging, laws of draws."""

import json
from pathlib import Path

import numpy as np
import pytest

from geo.errors import KrigingError
from geo.geostatistics.probability import chance_below
from geo.geostatistics.simulation import draw, posterior, simulate
from geo.kriging import krige
from geo.variogram import VariogramModel

BOOK = json.loads((Path(__file__).parent / "data" / "zones-cases.json").read_text("utf-8"))
CASE = next(case for case in BOOK["cases"] if case["id"] == "lu-sim1")
GIVEN, WANTED = CASE["input"], CASE["expect"]
XY, Z, CELLS = (np.array(GIVEN[key]) for key in ("P", "z", "cells"))
# The nugget of the case is filtered, so it is noise.
MODEL = VariogramModel(kind="spherical", noise=0.05, partial_sill=0.15, range_m=60.0)


def test_posterior_and_given_draw_agree_with_the_reference():
    """Case lu-sim1, checked there by direct linear algebra."""
    belief = posterior(MODEL, XY, Z, CELLS)
    near = {"rtol": 0, "atol": CASE["tol"]["abs"]}
    np.testing.assert_allclose(belief.mean, WANTED["mean"], **near)
    np.testing.assert_allclose(belief.covariance, WANTED["cov"], **near)
    got = draw(belief, np.array(GIVEN["normals"]))
    np.testing.assert_allclose(got, [WANTED["realisation"]], **near)


@pytest.mark.parametrize("zone", [1, 2])
def test_the_variance_of_a_zone_mean_agrees_with_the_reference(zone):
    belief = posterior(MODEL, XY, Z, CELLS)
    shares = (np.array(GIVEN["zone_of_cell"]) == zone) / 3
    mean, variance = belief.mean_of(shares)
    assert variance == pytest.approx(WANTED[f"zone{zone}_mean_var"], rel=1e-9)
    assert mean == pytest.approx(shares @ np.array(WANTED["mean"]), rel=1e-12)
    # By draws within 15 %: a pair counts once for a variance, so 4,000 draws know it to 3 %.
    drawn = simulate(belief, 4000, np.random.default_rng(4)) @ shares
    assert drawn.var() == pytest.approx(variance, rel=0.15)


@pytest.mark.parametrize("choice", ["mean", "drift", "known"])
def test_the_diagonal_is_the_kriging_variance(choice):
    given = {
        "mean": {},
        "drift": {"drift": XY, "drift_targets": CELLS},
        "known": {"known_mean": 5.8},
    }[choice]
    model = MODEL + VariogramModel(kind="nugget", nugget=0.02)
    belief, got = posterior(model, XY, Z, CELLS, **given), krige(model, XY, Z, CELLS, **given)
    np.testing.assert_allclose(belief.mean, got.estimate, rtol=1e-10)
    np.testing.assert_allclose(np.diagonal(belief.covariance), got.variance, rtol=1e-10)


def test_draws_have_the_mean_variance_and_chances_of_the_belief():
    belief = posterior(MODEL, XY, Z, CELLS)
    drawn = simulate(belief, 4000, np.random.default_rng(5))
    own = np.diagonal(belief.covariance)
    # Antithetic pairs make the mean exact.
    np.testing.assert_allclose(drawn.mean(axis=0), belief.mean, rtol=1e-12)
    np.testing.assert_allclose(drawn.var(axis=0), own, rtol=0.1)
    chance = chance_below(5.8, belief.mean, own)
    np.testing.assert_allclose((drawn < 5.8).mean(axis=0), chance, atol=0.03)


def test_every_draw_honours_a_sample_known_without_error():
    exact = VariogramModel(kind="spherical", nugget=0.05, partial_sill=0.15, range_m=60.0)
    belief = posterior(exact, XY, Z, np.vstack([CELLS, XY[:2]]))
    drawn = simulate(belief, 20, np.random.default_rng(6))
    np.testing.assert_allclose(drawn[:, -2:], np.tile(Z[:2], (20, 1)), rtol=1e-9)
    assert (drawn[:, :-2].std(axis=0) > 0.05).all()


def test_places_that_coincide_are_drawn_alike():
    drawn = simulate(
        posterior(MODEL, XY, Z, np.vstack([CELLS, CELLS])), 10, np.random.default_rng(7)
    )
    np.testing.assert_allclose(drawn[:, :6], drawn[:, 6:], atol=1e-3)


def test_the_seed_decides_the_draws():
    belief = posterior(MODEL, XY, Z, CELLS)
    one, two, other = (simulate(belief, 5, np.random.default_rng(seed)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, two)
    assert not np.allclose(one, other)


def test_too_many_places_are_refused():
    with pytest.raises(KrigingError, match="coarser grid"):
        posterior(MODEL, XY, Z, np.zeros((2501, 2)))
