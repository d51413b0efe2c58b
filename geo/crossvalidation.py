"""Leave-one-out errors: how far may this surface be believed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.errors import KrigingError
from geo.geostatistics.covariance import VariogramModel
from geo.geostatistics.leastsquares import solve
from geo.grids import Array
from geo.kriging import Goals, Samples, krige_from, own_variance, prepare, tiles


@dataclass(frozen=True)
class CrossValidation:
    """Each sample predicted from the others.

    `error` is predicted minus observed and `variance` the variance of that error, the measurement
    error of the sample itself included, so that error² / variance is about 1. `skill` is
    1 - MSE / MSE of the leave-one-out mean; 0 where all values are equal.
    """

    predicted: Array
    variance: Array
    error: Array
    skill: float


def leave_one_out(
    model: VariogramModel,
    xy: Array,
    values: Array,
    *,
    drift: Array | None = None,
    neighbours: int | None = None,
) -> CrossValidation:
    """Predict each sample from the others, the model held fixed.

    Parameters
    ----------
    model : VariogramModel
    xy : array (samples, 2)
        Easting, northing. [m]
    values : array (samples,)
        [unit]
    drift : array (samples, columns), optional
        Drift columns without the constant.
    neighbours : int, optional
        Predict from so many nearest of the others.

    Returns
    -------
    CrossValidation

    Raises
    ------
    KrigingError
        If a sample cannot be predicted from the others.

    Notes
    -----
    With all samples no refitting is needed. Let Q = K^-1 - K^-1 F (F' K^-1 F)^-1 F' K^-1; then the
    error of sample i is -(Q z)_i / Q_ii and its variance 1 / Q_ii.

    References
    ----------
    Dubrule, Mathematical Geology 15, 1983, 687.
    """
    samples = prepare(xy, values, drift, None)
    observed = samples.values[:, 0]
    if len(observed) <= samples.trend_matrix.shape[1]:
        raise KrigingError(
            f"{len(observed)} samples cannot be predicted from each other with a trend of "
            f"{samples.trend_matrix.shape[1]} terms. More samples or a simpler trend are needed."
        )
    if neighbours is not None and neighbours < len(observed) - 1:
        error, variance = _near_errors(model, samples, neighbours)
    else:
        error, variance = _errors(model, samples)
    return CrossValidation(observed + error, variance, error, skill(observed, error))


def skill(observed: Array, error: Array) -> float:
    """1 - mean squared error over that of the mean of the other samples; 0 if all are equal. [1]"""
    n = len(observed)
    alone = (observed - observed.mean()) * n / (n - 1)
    if np.ptp(observed) == 0:
        return 0.0
    return float(1.0 - (error @ error) / (alone @ alone))


def _errors(model: VariogramModel, samples: Samples) -> tuple[Array, Array]:
    covariance = model.between_samples(samples.xy)
    solution = solve(covariance, samples.trend_matrix, samples.values)
    own = np.diagonal(solution.precision())
    if (own * np.diagonal(covariance) < 1e-10).any():
        sample = int(np.argmin(own)) + 1
        raise KrigingError(
            f"Without sample {sample} (counted from 1) the others cannot tell the drift. "
            "Leave the drift out."
        )
    return -solution.weights[:, 0] / own, 1.0 / own


def _near_errors(model: VariogramModel, samples: Samples, neighbours: int) -> tuple[Array, Array]:
    model.check_places(samples.xy)
    index = _nearest_others(samples.xy, neighbours)
    columns = None if samples.trend is None else samples.trend.matrix[:, 1:] + samples.trend.centre
    goals = Goals(samples.xy, columns, None, own_variance(model, None))
    error, variance = np.empty(len(index)), np.empty(len(index))
    for part in tiles(len(index), neighbours**2):
        predicted, variance[part] = krige_from(model, samples, goals, part, index[part])
        error[part] = predicted[:, 0] - samples.values[part, 0]
    return error, variance + model.noise


def _nearest_others(xy: Array, neighbours: int) -> NDArray[np.int64]:
    """Rows of the nearest other samples."""
    from scipy.spatial import cKDTree

    index = np.asarray(cKDTree(xy).query(xy, k=neighbours + 1)[1])
    itself = index == np.arange(len(xy))[:, None]
    # Among samples in one place the tree may name the twins and not the sample itself.
    itself[~itself.any(axis=1), -1] = True
    return np.asarray(index[~itself].reshape(len(xy), neighbours))
