"""Chances, limits and the way back from logs, against scipy's lognormal and by hand."""

import numpy as np
import pytest
from scipy import stats

from geo.errors import KrigingError
from geo.geostatistics.probability import chance_below, from_logs, limits

MEAN, VARIANCE = np.array([-1.0, 0.5, 3.0]), np.array([0.04, 0.64, 1.5])


def test_back_from_logs_is_the_lognormal_of_scipy():
    peer = stats.lognorm(s=np.sqrt(VARIANCE), scale=np.exp(MEAN))
    got = from_logs(MEAN, VARIANCE, level=0.9)
    np.testing.assert_allclose(got.median, peer.median(), rtol=1e-12)
    np.testing.assert_allclose(got.mean, peer.mean(), rtol=1e-12)
    np.testing.assert_allclose(got.low, peer.ppf(0.05), rtol=1e-10)
    np.testing.assert_allclose(got.high, peer.ppf(0.95), rtol=1e-10)


def test_no_limit_falls_below_nothing():
    got = from_logs(np.array([-20.0, 0.0]), np.array([100.0, 400.0]), freedom=14)
    assert (got.low > 0).all()
    assert (got.median < got.mean).all()


def test_limits_of_student_are_the_tabled_ones():
    # t(0.975, 14) = 2.1448, any printed table of Student's t.
    low, high = limits(np.array([6.0]), np.array([0.25]), freedom=14)
    assert high[0] - 6.0 == pytest.approx(2.1448 * 0.5, abs=1e-4)
    assert low[0] + high[0] == pytest.approx(12.0)
    with pytest.raises(KrigingError, match="between 0 and 1"):
        limits(MEAN, VARIANCE, level=95)


def test_what_is_known_for_certain_has_no_doubt():
    got = chance_below(6.0, np.array([5.0, 6.0, 7.0]), np.zeros(3))
    assert got.tolist() == [1.0, 0.5, 0.0]


def test_a_chance_and_a_limit_are_inverse():
    low, high = limits(MEAN, VARIANCE, level=0.8, freedom=9)
    np.testing.assert_allclose(chance_below(low, MEAN, VARIANCE, freedom=9), 0.1, rtol=1e-9)
    np.testing.assert_allclose(chance_below(high, MEAN, VARIANCE, freedom=9), 0.9, rtol=1e-9)
