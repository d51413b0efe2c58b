"""Leave-one-out: equal to really leaving each sample out, and what cannot be left out."""

import numpy as np
import pytest

from geo.crossvalidation import leave_one_out, skill
from geo.errors import KrigingError
from geo.kriging import krige
from geo.variogram import VariogramModel

RNG = np.random.default_rng(3)
XY = np.array([500_000.0, 6_200_000.0]) + RNG.uniform(0, 200, (18, 2))
Z = 6.0 + 0.4 * np.sin(XY[:, 0] / 40) + 0.1 * RNG.standard_normal(18)
MODEL = VariogramModel(
    kind="matern32",
    nugget=0.02,
    noise=0.03,
    partial_sill=0.2,
    range_m=40.0,
    azimuth_deg=20.0,
    ratio=0.6,
)


@pytest.mark.parametrize("neighbours", [None, 6, 17])
@pytest.mark.parametrize("drift", [None, XY])
def test_it_is_what_kriging_from_the_others_says(neighbours, drift):
    got = leave_one_out(MODEL, XY, Z, drift=drift, neighbours=neighbours)
    for i in range(len(Z)):
        others = np.arange(len(Z)) != i
        left = krige(
            MODEL,
            XY[others],
            Z[others],
            XY[[i]],
            drift=None if drift is None else drift[others],
            drift_targets=None if drift is None else drift[[i]],
            neighbours=neighbours,
        )
        assert got.predicted[i] == pytest.approx(left.estimate[0], rel=1e-8)
        # The sample itself carries a measurement error, which its prediction does not.
        assert got.variance[i] == pytest.approx(left.variance[0] + 0.03, rel=1e-8)
        assert got.error[i] == pytest.approx(left.estimate[0] - Z[i], abs=1e-8)


def test_twins_in_place_predict_each_other_under_noise():
    twins = np.vstack([XY, XY[:2]])
    values = np.append(Z, Z[:2] + 0.1)
    everyone = leave_one_out(MODEL, twins, values)
    nearest = leave_one_out(MODEL, twins, values, neighbours=18)
    np.testing.assert_allclose(everyone.predicted[0], nearest.predicted[0], atol=0.02)
    # All others at once, by the two routes.
    close = leave_one_out(MODEL, twins[-6:], values[-6:], neighbours=4)
    assert np.isfinite(close.variance).all()


def test_the_mean_of_the_others_has_no_skill():
    # Pure noise: the prediction is the mean of the others, so the skill is 0 by definition.
    got = leave_one_out(VariogramModel(kind="nugget", noise=1.0), XY, Z)
    others = (Z.sum() - Z) / (len(Z) - 1)
    np.testing.assert_allclose(got.predicted, others, rtol=1e-12)
    assert got.skill == pytest.approx(0.0, abs=1e-12)


def test_equal_values_have_no_skill_and_no_error():
    got = leave_one_out(MODEL, XY, np.full(18, 6.5))
    np.testing.assert_allclose(got.error, 0.0, atol=1e-12)
    assert got.skill == 0.0
    assert skill(np.array([1.0, 3.0]), np.zeros(2)) == 1.0


def test_a_sample_that_alone_tells_the_drift_is_named():
    column = np.zeros(18)
    column[4] = 1.0
    with pytest.raises(KrigingError, match=r"Without sample 5 .*Leave the drift out"):
        leave_one_out(MODEL, XY, Z, drift=column)


def test_one_sample_cannot_be_left_out():
    with pytest.raises(KrigingError, match="1 samples cannot be predicted"):
        leave_one_out(MODEL, XY[:1], Z[:1])
