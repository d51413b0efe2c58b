"""Inverse distance weighting: by hand, and laws."""

import numpy as np
import pytest

from geo.errors import KrigingError
from geo.geostatistics.inverse_distance import inverse_distance

RNG = np.random.default_rng(2)
XY, Z = RNG.uniform(0, 100, (20, 2)), RNG.normal(6, 1, 20)
TARGETS = RNG.uniform(0, 100, (1500, 2))


def test_three_samples_by_hand():
    # Distances 1, 2, 4: weights 1, 1/4, 1/16.
    xy = np.array([[1.0, 0.0], [0.0, 2.0], [-4.0, 0.0]])
    got = inverse_distance(xy, np.array([4.0, 8.0, 16.0]), np.zeros((1, 2)))
    assert got[0] == pytest.approx((4 + 8 / 4 + 16 / 16) / (1 + 1 / 4 + 1 / 16))


def test_it_meets_the_samples_and_never_leaves_their_span():
    np.testing.assert_allclose(inverse_distance(XY, Z, XY), Z, rtol=1e-12)
    got = inverse_distance(XY, np.column_stack([Z, 2 * Z]), TARGETS, power=3.0)
    assert (got[:, 0] >= Z.min()).all()
    assert (got[:, 0] <= Z.max()).all()
    np.testing.assert_allclose(got[:, 1], 2 * got[:, 0], rtol=1e-12)


def test_samples_in_one_place_share_it():
    twins = np.vstack([XY, XY[:1]])
    got = inverse_distance(twins, np.append(Z, Z[0] + 1), XY[:1])
    assert got[0] == pytest.approx(Z[0] + 0.5)


def test_it_needs_a_sample_and_a_power():
    with pytest.raises(KrigingError, match="power above 0"):
        inverse_distance(XY, Z, TARGETS, power=0.0)
