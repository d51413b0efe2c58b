"""What the weighted models expect of pairs by distance, held to formulas and to another library."""

from dataclasses import replace

import numpy as np
import pytest
from pykrige import variogram_models
from shapely import box

from geo.belief.belief import believe
from geo.belief.frame import frame_of
from geo.belief.nodes import correlations, own_correlation
from geo.belief.semivariance import pairs_by_distance, semivariance_band

LAGS = np.array([1.0, 10.0, 40.0, 80.0, 150.0, 400.0])


@pytest.fixture
def belief():
    rng = np.random.default_rng(7)
    xy = rng.uniform((0, 0), (300, 200), (30, 2))
    values = 5.5 + 0.004 * xy[:, 0] + rng.normal(0, 0.2, 30)
    return believe(xy, {"ph_water": values}, frame_of(box(0, 0, 300, 200)))["ph_water"]


def only(belief, index):
    weights = np.zeros_like(belief.weights)
    weights[index] = 1.0
    return replace(belief, weights=weights)


def test_pure_nugget_is_flat_at_its_sill(belief):
    index = int(np.flatnonzero(belief.nodes.family("nugget"))[0])
    band = semivariance_band(only(belief, index), LAGS)
    # Pure nugget: every pair of places differs by the whole variance.
    np.testing.assert_allclose(band.middle, belief.values.var(ddof=1), rtol=1e-9)


@pytest.mark.parametrize("index", range(38))
def test_isotropic_models_are_those_of_pykrige(belief, index):
    node = belief.nodes.nodes[index]
    structure = belief.nodes.structures[node.structure]
    if node.family != "isotropic":
        return
    sill = belief.fits.sill[index]
    formula = getattr(variogram_models, f"{structure.shape}_variogram_model")
    # PyKrige's exponential model has the same practical range: 1 - exp(-3 h / range).
    share = node.nugget_share
    expected = formula([sill * (1 - share), structure.range_m, sill * share], LAGS)
    band = semivariance_band(only(belief, index), LAGS)
    np.testing.assert_allclose(band.middle, expected, rtol=1e-12)
    np.testing.assert_allclose(band.low, band.high)


def test_every_model_agrees_with_its_own_covariance_averaged_over_directions(belief):
    """Law: gamma(h) = (C(a, a) + C(b, b)) / 2 - C(a, b) for any a, and all b at distance h."""
    turn = np.pi * (np.arange(720) + 0.5) / 720
    a = np.array([[12.0, -30.0]])
    for lag in LAGS:
        b = a + lag * np.column_stack([np.sin(turn), np.cos(turn)])
        own_a = own_correlation(belief.nodes, belief.frame, a)[:, 0]
        own_b = own_correlation(belief.nodes, belief.frame, b).mean(axis=1)
        across = [rho.mean() for rho in correlations(belief.nodes, belief.frame, a, b)]
        rise = (own_a + own_b) / 2 - np.array(across)
        share, structure = belief.nodes.nugget_share, belief.nodes.structure
        expected = belief.fits.sill * (share + (1 - share) * rise[structure])
        found = [semivariance_band(only(belief, i), np.array([lag])).middle[0] for i in range(38)]
        np.testing.assert_allclose(found, expected, rtol=2e-3)


def test_the_band_holds_80_in_100_of_the_weight(belief):
    band = semivariance_band(belief, LAGS)
    for at, lag in enumerate(LAGS):
        curves = np.array(
            [semivariance_band(only(belief, i), np.array([lag])).middle[0] for i in range(38)]
        )
        # By the definition of a quantile.
        assert belief.weights[curves < band.low[at] - 1e-12].sum() < 0.1
        assert belief.weights[curves <= band.low[at] + 1e-12].sum() >= 0.1 - 1e-12
        assert belief.weights[curves < band.high[at] - 1e-12].sum() < 0.9
        assert band.middle[at] == pytest.approx(belief.weights @ curves)


def test_pairs_reach_to_half_the_largest_distance(belief):
    shown = pairs_by_distance(belief)
    step = belief.xy[:, None] - belief.xy[None]
    apart = np.hypot(step[..., 0], step[..., 1])[np.triu_indices(belief.n, 1)]
    assert shown.pairs.sum() == np.sum(apart <= apart.max() / 2)
    assert shown.distance_m.max() <= apart.max() / 2
