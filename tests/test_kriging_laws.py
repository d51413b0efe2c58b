"""Laws that kriging obeys whatever the samples: tried on many by hypothesis."""

import dataclasses

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geo.geostatistics.covariance import KINDS
from geo.kriging import gauss_support, krige
from geo.variogram import VariogramModel, restricted_log_likelihood

TARGETS = np.array([[0.0, 0.0], [60.0, 40.0], [-30.0, 120.0], [400.0, 400.0]])
LAWS = settings(max_examples=60)


SOME = st.floats(0.02, 1.0)
NONE = st.just(0.0)


@st.composite
def surveys(draw, nugget=SOME, noise=NONE):
    """A model with some samples, no two in one place."""
    count = draw(st.integers(2, 12))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    xy = rng.uniform(-50, 150, (count, 2))
    assume(len(np.unique(xy, axis=0)) == count)
    model = VariogramModel(
        kind=draw(st.sampled_from(KINDS)),
        nugget=draw(nugget),
        partial_sill=draw(st.floats(0.05, 2.0)),
        range_m=draw(st.floats(5.0, 300.0)),
        noise=draw(noise),
        azimuth_deg=draw(st.floats(0.0, 180.0)),
        ratio=draw(st.sampled_from([1.0, 0.5, 0.2])),
    )
    return model, xy, rng.normal(6.0, 1.0, count)


def same(one, other, rtol=1e-7, atol=1e-9):
    np.testing.assert_allclose(one.estimate, other.estimate, rtol=rtol, atol=atol)
    np.testing.assert_allclose(one.variance, other.variance, rtol=rtol, atol=atol)


@LAWS
@given(surveys())
def test_without_noise_samples_are_met_exactly(survey):
    model, xy, z = survey
    got = krige(model, xy, z, xy)
    np.testing.assert_allclose(got.estimate, z, rtol=1e-9)
    np.testing.assert_allclose(got.variance, 0.0, atol=1e-9 * model.sill)


@LAWS
@given(surveys(noise=st.floats(0.0, 1.0)))
def test_weights_sum_to_one_and_no_variance_is_negative(survey):
    model, xy, _ = survey
    weights = krige(model, xy, np.eye(len(xy)), TARGETS)
    np.testing.assert_allclose(weights.estimate.sum(axis=1), 1.0, rtol=1e-9)
    assert (weights.variance >= 0).all()


@LAWS
@given(surveys(noise=st.floats(0.0, 1.0)), st.floats(0.0, 360.0))
def test_shifting_and_turning_the_block_changes_nothing(survey, angle):
    model, xy, z = survey
    turn = np.radians(angle)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    shift = np.array([500_000.0, 6_200_000.0])
    turned = dataclasses.replace(model, azimuth_deg=model.azimuth_deg - angle)
    got = krige(turned, xy @ matrix + shift, z, TARGETS @ matrix + shift)
    # Coordinates in the millions hold a distance to about 1e-9 m.
    same(got, krige(model, xy, z, TARGETS), rtol=1e-6, atol=1e-7)


@LAWS
@given(surveys(noise=st.floats(0.0, 1.0)), st.floats(0.01, 100.0))
def test_units_of_value_and_of_length_scale_through(survey, factor):
    model, xy, z = survey
    in_units = dataclasses.replace(
        model,
        nugget=model.nugget * factor**2,
        partial_sill=model.partial_sill * factor**2,
        noise=model.noise * factor**2,
        range_m=model.range_m * 1000,
    )
    got = krige(in_units, xy * 1000, z * factor, TARGETS * 1000)
    plain = krige(model, xy, z, TARGETS)
    np.testing.assert_allclose(got.estimate, plain.estimate * factor, rtol=1e-8)
    np.testing.assert_allclose(got.variance, plain.variance * factor**2, rtol=1e-8)
    # A density over n - 1 contrasts, so it falls by n - 1 logs of the factor.
    there = restricted_log_likelihood(in_units, xy * 1000, z * factor)
    here = restricted_log_likelihood(model, xy, z)
    np.testing.assert_allclose(there, here - (len(z) - 1) * np.log(factor), atol=1e-7)


@LAWS
@given(surveys(noise=st.floats(0.0, 1.0)), st.randoms(use_true_random=False))
def test_the_order_of_samples_does_not_matter(survey, random):
    model, xy, z = survey
    order = random.sample(range(len(z)), len(z))
    same(krige(model, xy[order], z[order], TARGETS), krige(model, xy, z, TARGETS))


@LAWS
@given(surveys(noise=st.floats(0.0, 1.0)))
def test_one_more_sample_never_raises_the_variance(survey):
    model, xy, z = survey
    fewer = krige(model, xy[:-1], z[:-1], TARGETS).variance
    assert (krige(model, xy, z, TARGETS).variance <= fewer + 1e-9).all()


@LAWS
@given(surveys(nugget=st.just(0.0), noise=st.floats(0.05, 1.0)), st.floats(1.0, 60.0))
def test_the_mean_of_an_area_varies_no_more_than_the_whole_belief_of_its_points(survey, side):
    # Var(mean) <= mean of the variances at the points that make it up (Jensen), the structured
    # part alone.
    model, xy, z = survey
    support = gauss_support(side, side)
    area = krige(model, xy, z, TARGETS, support_m=support).variance
    points = [krige(model, xy, z, TARGETS + step).variance for step in support.offsets]
    assert (area <= support.shares @ np.array(points) + 1e-9).all()


@LAWS
@given(surveys(noise=st.floats(0.0, 1.0)))
def test_enough_neighbours_are_everyone(survey):
    model, xy, z = survey
    far = np.vstack([xy, [[1e7, 1e7]]])
    assume(model.kind != "nugget")
    # A sample beyond reach and left out by the neighbourhood leaves the weights of simple kriging.
    near = krige(model, far, np.append(z, 99.0), TARGETS, known_mean=6.0, neighbours=len(z))
    same(near, krige(model, xy, z, TARGETS, known_mean=6.0))
