"""The worked example of Isaaks and Srivastava, Introduction to Applied Geostatistics, 1989, ch. 12.

Seven samples, one target, C(h) = 10 exp(-0.3 h). The published digits in tests/data/geostat are
quoted from memory; the longer ones were recomputed outside the project by direct linear algebra.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from geo.kriging import krige
from geo.variogram import VariogramModel

BOOK = json.loads((Path(__file__).parent / "data/geostat/isaaks.json").read_text("utf-8"))
CASE = BOOK["cases"][0]
XY = np.array([[s["x"], s["y"]] for s in BOOK["samples"]])
VALUES = np.array([s["value"] for s in BOOK["samples"]])
TARGET = np.array([BOOK["target"]])
MODEL = VariogramModel(kind="exponential", partial_sill=10.0, range_m=1 / 0.3)


@pytest.mark.parametrize("neighbours", [None, 7])
def test_estimate_and_variance(neighbours):
    got = krige(MODEL, XY, VALUES, TARGET, neighbours=neighbours)
    assert got.estimate[0] == pytest.approx(CASE["estimate"], rel=1e-12)
    assert got.variance[0] == pytest.approx(CASE["variance"], rel=1e-12)
    assert round(got.estimate[0], 1) == BOOK["published"]["estimate"]
    assert round(got.variance[0], 2) == BOOK["published"]["variance"]


def test_weights():
    # One property a sample, 1 there and 0 elsewhere: its estimate is the weight of that sample.
    weights = krige(MODEL, XY, np.eye(len(XY)), TARGET).estimate[0]
    np.testing.assert_allclose(weights, CASE["weights"], rtol=1e-11)
    np.testing.assert_allclose(weights, BOOK["published"]["weights"], atol=6e-4)


def test_two_points_have_a_closed_form():
    case = BOOK["closed_form_two_points"]
    model = VariogramModel(kind="spherical", nugget=0.1, partial_sill=0.4, range_m=150.0)
    xy = np.array([[s["x"], s["y"]] for s in case["samples"]], dtype=float)
    got = krige(model, xy, np.array([6.0, 7.0]), np.array([case["target"]], dtype=float))
    assert got.estimate[0] == pytest.approx(6.5, rel=1e-14)
    assert got.variance[0] == pytest.approx(case["variance_analytic"], rel=1e-12)
    gamma = model.semivariance(np.array([50.0, 100.0]))
    assert got.variance[0] == pytest.approx(2 * gamma[0] - gamma[1] / 2, rel=1e-12)
