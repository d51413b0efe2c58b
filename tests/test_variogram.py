"""Variogram models and fits: shapes by hand and by scipy, sums, and words of refusal."""

import numpy as np
import pytest
from scipy import special

from geo.errors import KrigingError
from geo.geostatistics.correlation import KINDS, correlation, lag_m
from geo.variogram import (
    VariogramModel,
    empirical_variogram,
    fit_variogram,
    restricted_log_likelihood,
)

RNG = np.random.default_rng(11)
XY = RNG.uniform(0, 200, (30, 2))
Z = np.sin(XY[:, 0] / 40) + 0.3 * RNG.standard_normal(30)


@pytest.mark.parametrize(
    ("kind", "kappa"), [("exponential", 0.5), ("matern32", 1.5), ("matern52", 2.5)]
)
def test_the_smooth_family_is_that_of_matern(kind, kappa):
    # 2^(1-k) / G(k) u^k K_k(u), by scipy's Bessel function.
    u = np.array([0.01, 0.3, 1.0, 2.5, 8.0])
    wanted = 2 ** (1 - kappa) / special.gamma(kappa) * u**kappa * special.kv(kappa, u)
    np.testing.assert_allclose(correlation(kind, u), wanted, rtol=1e-10)


@pytest.mark.parametrize("kind", KINDS)
def test_correlation_falls_from_one_to_nothing(kind):
    rho = correlation(kind, np.linspace(0.0, 40.0, 400))
    assert rho[0] == 1.0
    assert (np.diff(rho) <= 0).all()
    assert abs(rho[-1]) < 1e-12


@pytest.mark.parametrize("kind", ["spherical", "exponential", "gaussian", "matern32", "matern52"])
def test_no_shape_gives_a_negative_variance_in_the_plane(kind):
    together = correlation(kind, lag_m(XY, XY) / 60.0)
    assert np.linalg.eigvalsh(together).min() > -1e-12


def test_distance_across_the_azimuth_counts_more():
    # Longest range towards north-east: 10 m along it count 10, 10 m across it 20 at ratio 1/2.
    step = 10 / np.sqrt(2)
    places = np.array([[step, step], [step, -step], [-step, -step]]) + 5e6
    np.testing.assert_allclose(
        lag_m(np.full((1, 2), 5e6), places, 45.0, 0.5)[0], [10.0, 20.0, 10.0], rtol=1e-8
    )


def test_models_add_to_the_nested_model():
    one = VariogramModel(kind="spherical", nugget=0.1, partial_sill=0.3, range_m=50.0)
    two = VariogramModel(kind="exponential", noise=0.2, partial_sill=0.4, range_m=90.0, ratio=0.5)
    both, h = one + two + one, np.array([0.0, 1.0, 49.0, 300.0])
    np.testing.assert_allclose(
        both.semivariance(h), 2 * one.semivariance(h) + two.semivariance(h), rtol=1e-14
    )
    assert (both.sill, both.noise) == (pytest.approx(1.2), 0.2)
    np.testing.assert_allclose(
        both.between_samples(XY),
        2 * one.between_samples(XY) + two.between_samples(XY),
        rtol=1e-12,
    )


def test_a_nugget_structure_is_a_nugget():
    named = VariogramModel(kind="nugget", partial_sill=0.3)
    given = VariogramModel(kind="nugget", nugget=0.3)
    np.testing.assert_array_equal(named.between_samples(XY), given.between_samples(XY))


def test_bins_of_four_samples_by_hand():
    line = np.array([[0.0, 0.0], [0.0, 10.0], [0.0, 30.0], [10.0, 0.0]])
    got = empirical_variogram(line, np.array([1.0, 3.0, 2.0, 7.0]), width_m=10.0, cutoff_m=30.0)
    # 10 m: (0,1) 2, (0,3) 18; above 10 to 20 m: (1,2) 0.5, (1,3) 8; to 30 m: (0,2) 0.5.
    assert got.pairs.tolist() == [2, 2, 1]
    np.testing.assert_allclose(got.distance_m, [10.0, (20 + 200**0.5) / 2, 30.0])
    np.testing.assert_allclose(got.semivariance, [10.0, 4.25, 0.5])
    north = empirical_variogram(
        line, np.array([1.0, 3.0, 2.0, 7.0]), width_m=30.0, cutoff_m=30.0, azimuth_deg=180.0
    )
    assert north.pairs.tolist() == [3]


def test_cressie_and_hawkins_are_less_moved_by_one_outlier():
    spoilt = Z.copy()
    spoilt[4] += 20.0
    bins = {"width_m": 60.0, "cutoff_m": 60.0}
    plain, robust = (
        empirical_variogram(XY, spoilt, estimator=name, **bins).semivariance[0]
        / empirical_variogram(XY, Z, estimator=name, **bins).semivariance[0]
        for name in ("matheron", "cressie_hawkins")
    )
    assert robust < 0.5 * plain


def test_twins_in_place_show_their_difference_as_noise():
    twins, values = np.repeat(XY, 2, axis=0), np.repeat(Z, 2)
    values = values + 0.2 * RNG.standard_normal(60)
    got = fit_variogram(twins, values, kind="exponential")
    assert got.nugget == 0.0
    assert got.noise == pytest.approx(0.04, rel=0.5)
    assert np.isfinite(restricted_log_likelihood(got, twins, values))


def test_pure_nugget_fits_as_the_sample_variance():
    got = fit_variogram(XY, Z, kind="nugget")
    assert got.sill == pytest.approx(np.var(Z, ddof=1), rel=1e-6)


def test_the_likelihood_of_noise_alone_is_that_of_independent_contrasts():
    # By hand: n - 1 independent contrasts of variance v, less 1/2 log n for the scaling of F.
    n, v = len(Z), 0.7
    wanted = -0.5 * ((n - 1) * np.log(2 * np.pi * v) + np.log(n) + ((Z - Z.mean()) ** 2).sum() / v)
    got = restricted_log_likelihood(VariogramModel(kind="nugget", noise=v), XY, Z)
    assert got == pytest.approx(wanted, rel=1e-12)


MODEL = {"kind": "spherical", "partial_sill": 1.0, "range_m": 10.0}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "cubic"}, "no variogram kind 'cubic'"),
        ({"partial_sill": -0.1}, "cannot be"),
        ({"range_m": 0.0}, "cannot be"),
        ({"range_m": np.nan}, "cannot be"),
        ({"nugget": -1.0}, "are variances"),
        ({"ratio": 2.0}, "Turn the azimuth by 90 degrees"),
    ],
)
def test_impossible_models_are_refused(change, words):
    with pytest.raises(KrigingError, match=words):
        VariogramModel(**(MODEL | change))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"values": np.full(30, 6.5)}, "All 30 values are 6.5"),
        ({"xy": XY[:3], "values": Z[:3]}, "too few"),
        ({"method": "guess"}, 'Use "reml" or "wls"'),
        ({"method": "wls", "weights": "none"}, "no bin weight 'none'"),
        ({"kind": "cubic"}, "no variogram kind 'cubic'"),
        ({"drift": np.ones(30)}, "drift column is constant"),
        ({"drift": np.ones(30), "method": "wls"}, "drift column is constant"),
    ],
)
def test_what_cannot_be_fitted_is_refused(given, words):
    with pytest.raises(KrigingError, match=words):
        fit_variogram(**({"xy": XY, "values": Z, "kind": "spherical"} | given))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"width_m": 0.0}, "give both above 0"),
        ({"cutoff_m": -5.0}, "give both above 0"),
        ({"estimator": "mode"}, "no variogram estimator 'mode'"),
        ({"values": Z[:3]}, "30 rows are wanted"),
    ],
)
def test_what_cannot_be_binned_is_refused(given, words):
    usual = {"xy": XY, "values": Z, "width_m": 10.0, "cutoff_m": 50.0}
    with pytest.raises(KrigingError, match=words):
        empirical_variogram(**(usual | given))
