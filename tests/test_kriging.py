"""Kriging: closed forms, PyKrige as an independent peer, hard cases and their words."""

import tracemalloc

import numpy as np
import pytest
from pykrige.ok import OrdinaryKriging
from pykrige.uk import UniversalKriging

from geo.errors import KrigingError
from geo.geostatistics.pykrige_terms import to_pykrige
from geo.kriging import gauss_support, krige, regular_support
from geo.variogram import VariogramModel

RNG = np.random.default_rng(7)
XY = np.array([500_000.0, 6_200_000.0]) + RNG.uniform(0, 200, (24, 2))
Z = 6.0 + 0.4 * np.sin(XY[:, 0] / 40) + 0.3 * RNG.standard_normal(24)
TARGETS = np.array([500_000.0, 6_200_000.0]) + RNG.uniform(-20, 220, (60, 2))
MODEL = VariogramModel(kind="spherical", nugget=0.05, partial_sill=0.2, range_m=90.0)


# Closed forms, by hand.


def test_nugget_alone_gives_the_mean_and_its_variance():
    model = VariogramModel(kind="nugget", nugget=0.3)
    got = krige(model, XY, Z, TARGETS)
    np.testing.assert_allclose(got.estimate, Z.mean(), rtol=1e-12)
    np.testing.assert_allclose(got.variance, 0.3 * (1 + 1 / len(Z)), rtol=1e-12)


def test_noise_alone_gives_the_mean_with_the_variance_of_the_mean():
    got = krige(VariogramModel(kind="nugget", noise=0.3), XY, Z, TARGETS)
    np.testing.assert_allclose(got.estimate, Z.mean(), rtol=1e-12)
    np.testing.assert_allclose(got.variance, 0.3 / len(Z), rtol=1e-12)


def test_far_away_only_the_mean_is_known():
    # Beyond every range: the mean by generalised least squares, variance C(0) + var(mean).
    inverse = np.linalg.inv(MODEL.between_samples(XY))
    mean = (inverse @ Z).sum() / inverse.sum()
    got = krige(MODEL, XY, Z, XY[:1] + 1e4)
    assert got.estimate[0] == pytest.approx(mean, rel=1e-12)
    assert got.variance[0] == pytest.approx(0.25 + 1 / inverse.sum(), rel=1e-12)


def test_one_sample_is_its_own_map():
    got = krige(MODEL, XY[:1], Z[:1], XY[:1] + np.array([45.0, 0.0]))
    assert got.estimate[0] == pytest.approx(Z[0])
    assert got.variance[0] == pytest.approx(2 * MODEL.semivariance(np.array([45.0]))[0])


def test_simple_kriging_of_one_sample_by_hand():
    together = 0.2 * (1 - 1.5 * 0.5 + 0.5 * 0.125)
    got = krige(MODEL, XY[:1], Z[:1], XY[:1] + np.array([45.0, 0.0]), known_mean=6.0)
    assert got.estimate[0] == pytest.approx(6.0 + together / 0.25 * (Z[0] - 6.0))
    assert got.variance[0] == pytest.approx(0.25 - together**2 / 0.25)


def test_a_plane_is_reproduced_under_a_linear_drift():
    plane = 3.0 + 0.01 * XY[:, 0] - 0.02 * XY[:, 1]
    got = krige(MODEL, XY, plane, TARGETS, drift=XY, drift_targets=TARGETS)
    wanted = 3.0 + 0.01 * TARGETS[:, 0] - 0.02 * TARGETS[:, 1]
    np.testing.assert_allclose(got.estimate, wanted, rtol=1e-10)


# PyKrige under its own conventions, which geo.geostatistics.pykrige_terms turns ours into.
SHORT = VariogramModel(kind="spherical", nugget=0.05, partial_sill=0.1, range_m=30.0)
PEERS = {
    "spherical": MODEL,
    "exponential": VariogramModel("exponential", 0.05, 0.2, 50.0),
    "gaussian": VariogramModel("gaussian", 0.05, 0.2, 50.0),
    "turned": VariogramModel("spherical", 0.05, 0.2, 50.0, azimuth_deg=30.0, ratio=0.4),
    "matern": VariogramModel("matern32", 0.05, 0.2, 25.0),
    "sum": SHORT + VariogramModel("exponential", 0.0, 0.2, 60.0),
}


@pytest.mark.parametrize("model", PEERS.values(), ids=PEERS)
def test_ordinary_kriging_agrees_with_pykrige(model):
    peer = OrdinaryKriging(*XY.T, Z, **to_pykrige(model))
    estimate, variance = peer.execute("points", *TARGETS.T)
    got = krige(model, XY, Z, TARGETS)
    np.testing.assert_allclose(got.estimate, estimate, rtol=1e-8)
    np.testing.assert_allclose(got.variance, variance, rtol=1e-8)


@pytest.mark.parametrize("kind", ["spherical", "matern52"])
def test_noise_agrees_with_pykrige_less_its_nugget(kind):
    model = VariogramModel(kind=kind, partial_sill=0.2, range_m=90.0, noise=0.05)
    places = np.vstack([TARGETS, XY])
    estimate, variance = OrdinaryKriging(*XY.T, Z, **to_pykrige(model)).execute("points", *places.T)
    got = krige(model, XY, Z, places)
    np.testing.assert_allclose(got.estimate, estimate, rtol=1e-8)
    # PyKrige's variance is that of a new sample, noise included.
    np.testing.assert_allclose(got.variance, variance - 0.05, rtol=1e-8)


def test_models_that_pykrige_cannot_hold_are_refused():
    with pytest.raises(KrigingError, match="one nugget"):
        to_pykrige(VariogramModel("spherical", 0.1, 0.2, 50.0, noise=0.1))
    for turned in ({"azimuth_deg": 40.0, "ratio": 0.5}, {"azimuth_deg": 30.0, "ratio": 0.6}):
        other = VariogramModel("spherical", 0.0, 0.2, 50.0, **turned)
        with pytest.raises(KrigingError, match="different directions"):
            to_pykrige(PEERS["turned"] + other)


def test_linear_drift_agrees_with_pykrige():
    peer = UniversalKriging(
        *(XY - XY[0]).T,
        Z,
        variogram_model="spherical",
        variogram_parameters={"psill": 0.2, "range": 90.0, "nugget": 0.05},
        drift_terms=["regional_linear"],
    )
    estimate, variance = peer.execute("points", *(TARGETS - XY[0]).T)
    got = krige(MODEL, XY, Z, TARGETS, drift=XY, drift_targets=TARGETS)
    np.testing.assert_allclose(got.estimate, estimate, rtol=1e-8)
    np.testing.assert_allclose(got.variance, variance, rtol=1e-8)


def test_external_drift_agrees_with_pykrige():
    slope, slope_there = np.cos(XY[:, 1] / 30), np.cos(TARGETS[:, 1] / 30)
    peer = UniversalKriging(
        *XY.T,
        Z,
        variogram_model="spherical",
        variogram_parameters={"psill": 0.2, "range": 90.0, "nugget": 0.05},
        drift_terms=["specified"],
        specified_drift=[slope],
    )
    estimate, variance = peer.execute("points", *TARGETS.T, specified_drift_arrays=[slope_there])
    got = krige(MODEL, XY, Z, TARGETS, drift=slope, drift_targets=slope_there)
    np.testing.assert_allclose(got.estimate, estimate, rtol=1e-8)
    np.testing.assert_allclose(got.variance, variance, rtol=1e-8)


def test_nearest_neighbours_agree_with_pykrige():
    peer = OrdinaryKriging(
        *XY.T,
        Z,
        variogram_model="spherical",
        variogram_parameters={"psill": 0.2, "range": 90.0, "nugget": 0.05},
    )
    estimate, variance = peer.execute("points", *TARGETS.T, backend="loop", n_closest_points=8)
    got = krige(MODEL, XY, Z, TARGETS, neighbours=8)
    np.testing.assert_allclose(got.estimate, estimate, rtol=1e-8)
    np.testing.assert_allclose(got.variance, variance, rtol=1e-8)


# Supports, tiles, properties.


@pytest.mark.parametrize("size", [(12.0, 12.0), (24.0, 6.0)])
def test_a_support_turned_by_a_right_angle_swaps_its_sides(size):
    straight = krige(MODEL, XY, Z, TARGETS, support_m=size)
    turned = krige(MODEL, XY, Z, TARGETS, support_m=gauss_support(*size[::-1], azimuth_deg=90.0))
    np.testing.assert_allclose(straight.estimate, turned.estimate, rtol=1e-12)
    np.testing.assert_allclose(straight.variance, turned.variance, rtol=1e-10)


def test_a_tall_turned_support_leans_along_its_azimuth():
    offsets = regular_support(1.0, 100.0, azimuth_deg=30.0).offsets
    top = offsets[np.argmax(offsets[:, 1])]
    assert np.degrees(np.arctan2(*top)) == pytest.approx(30.0, abs=1.0)


def test_a_small_support_is_a_point_without_its_nugget():
    got = krige(MODEL, XY, Z, TARGETS, support_m=(0.001, 0.001))
    point = krige(MODEL, XY, Z, TARGETS)
    np.testing.assert_allclose(got.estimate, point.estimate, rtol=1e-6)
    np.testing.assert_allclose(got.variance, point.variance - 0.05, rtol=1e-4)


@pytest.mark.parametrize("choice", [{}, {"neighbours": 6}, {"support_m": (5.0, 5.0)}])
def test_tiles_properties_and_lone_targets_give_the_same_numbers(choice):
    many = XY[0] + RNG.uniform(-50, 150, (2500, 2))
    both = krige(MODEL, XY, np.column_stack([Z, Z[::-1]]), many, **choice)
    assert both.estimate.shape == (2500, 2)
    assert both.variance.shape == (2500,)
    for i in (0, 1023, 1024, 2499):
        lone = krige(MODEL, XY, Z, many[i : i + 1], **choice)
        assert lone.estimate[0] == pytest.approx(both.estimate[i, 0], rel=1e-12)
        assert lone.variance[0] == pytest.approx(both.variance[i], rel=1e-10)


def test_nothing_of_the_size_of_cells_times_samples_is_held():
    xy, cells = RNG.uniform(0, 400, (60, 2)), RNG.uniform(0, 400, (100_000, 2))
    tracemalloc.start()
    try:
        krige(MODEL, xy, xy[:, 0], cells)
        krige(MODEL, xy, xy[:, 0], cells[:20_000], neighbours=20)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # Estimate and variance are 1.6 MB; cells x samples would be 48 MB, 64 MB neighbours squared.
    assert peak < 30e6


def test_no_target_is_no_trouble():
    assert krige(MODEL, XY, Z, np.zeros((0, 2))).estimate.shape == (0,)


def test_all_neighbours_are_all_samples():
    everyone, nearest = krige(MODEL, XY, Z, TARGETS), krige(MODEL, XY, Z, TARGETS, neighbours=99)
    np.testing.assert_array_equal(everyone.estimate, nearest.estimate)


# Hard cases.


def test_equal_values_give_that_value():
    got = krige(MODEL, XY, np.full(24, 6.5), TARGETS)
    np.testing.assert_allclose(got.estimate, 6.5, rtol=1e-12)


def test_samples_in_one_place_are_named():
    twins = np.vstack([XY, XY[3]])
    for neighbours in (None, 5):
        with pytest.raises(KrigingError, match=r"Samples 4 and 25 .*Average them.*noise"):
            krige(MODEL, twins, np.append(Z, 5.0), TARGETS, neighbours=neighbours)


@pytest.mark.parametrize("neighbours", [None, 10])
def test_samples_in_one_place_are_averaged_under_noise(neighbours):
    # Two readings with noise s2 say the same as their mean with noise s2 / 2 (closed form).
    noisy = VariogramModel(kind="exponential", partial_sill=0.2, range_m=40.0, noise=0.08)
    halved = VariogramModel(kind="exponential", partial_sill=0.2, range_m=40.0, noise=0.04)
    twins, values = np.repeat(XY[:5], 2, axis=0), np.repeat(Z[:5], 2)
    values[::2] += 0.1
    values[1::2] -= 0.1
    got = krige(noisy, twins, values, TARGETS, neighbours=neighbours)
    wanted = krige(halved, XY[:5], Z[:5], TARGETS)
    np.testing.assert_allclose(got.estimate, wanted.estimate, rtol=1e-10)
    np.testing.assert_allclose(got.variance, wanted.variance, rtol=1e-10)


def test_one_line_of_samples_gives_a_map_but_no_drift_across():
    line = np.column_stack([np.arange(12) * 15.0, np.full(12, 3.0)])
    values = Z[:12]
    assert np.isfinite(krige(MODEL, line, values, line + np.array([2.0, 30.0])).variance).all()
    with pytest.raises(KrigingError, match="constant over the samples"):
        krige(MODEL, line, values, line, drift=line, drift_targets=line)


def test_a_smooth_model_without_nugget_is_refused_where_it_cannot_be_solved():
    smooth = VariogramModel(kind="gaussian", partial_sill=1.0, range_m=5_000.0)
    with pytest.raises(KrigingError, match="nugget or a measurement error"):
        krige(smooth, XY, Z, TARGETS)


BROKEN = [
    ({"values": Z[:5]}, "5, 1.*24 rows"),
    ({"values": np.where(np.arange(24) == 6, np.nan, Z)}, "no number in row 7"),
    ({"targets": np.array([[np.inf, 0.0]])}, "table of targets holds no number in row 1"),
    ({"drift": XY}, "2 drift columns, the targets 0"),
    ({"drift": XY, "known_mean": 6.0}, "known mean or a drift"),
    ({"known_mean": 6.0, "drift_targets": TARGETS}, "has no use"),
    ({"support_m": (5.0, 0.0)}, "has no area"),
    ({"neighbours": 0}, "ask for 1 or more"),
    ({"neighbours": 2, "drift": XY, "drift_targets": TARGETS}, "Take more neighbours"),
    ({"xy": np.zeros((0, 2)), "values": np.zeros(0)}, "at least one sample"),
    ({"xy": XY[:2], "values": Z[:2], "drift": XY[:2], "drift_targets": TARGETS}, "3 terms"),
]


@pytest.mark.parametrize(("given", "words"), BROKEN, ids=[words for _, words in BROKEN])
def test_what_does_not_fit_is_refused_in_words(given, words):
    usual = {"model": MODEL, "xy": XY, "values": Z, "targets": TARGETS}
    with pytest.raises(KrigingError, match=words):
        krige(**(usual | given))
