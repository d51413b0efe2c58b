"""Inverse distance weighting: the plain peer that kriging has to beat."""

from __future__ import annotations

import numpy as np

from geo.errors import KrigingError
from geo.geostatistics.correlation import lag_m
from geo.geostatistics.leastsquares import columns_of
from geo.grids import Array
from geo.kriging import tiles


def inverse_distance(xy: Array, values: Array, targets: Array, *, power: float = 2.0) -> Array:
    """Average of the samples weighted by 1 / distance^power; the sample itself in its place.

    Parameters
    ----------
    xy : array (samples, 2)
        Easting, northing. [m]
    values : array (samples,) or (samples, properties)
        [unit]
    targets : array (targets, 2)
        [m]
    power : float
        How fast the say of a sample fades. [1]

    Returns
    -------
    array (targets,) or (targets, properties)
        Samples in one place share its say. [unit]

    Raises
    ------
    KrigingError
        If there is no sample, or the power is not above 0.

    References
    ----------
    Shepard, Proceedings of the 23rd ACM National Conference, 1968, 517.

    Examples
    --------
    >>> ends = np.array([[0.0, 0.0], [3.0, 0.0]])
    >>> inverse_distance(ends, np.array([5.0, 10.0]), np.array([[1.0, 0.0], [3.0, 0.0]])).tolist()
    [6.0, 10.0]
    """
    xy = columns_of(xy, len(xy), "table of coordinates")
    if len(xy) == 0 or power <= 0:
        raise KrigingError("Inverse distance needs a sample and a power above 0.")
    column = columns_of(values, len(xy), "table of values")
    result = np.empty((len(targets), column.shape[1]))
    for part in tiles(len(targets), len(xy)):
        lag = lag_m(xy, np.asarray(targets[part], dtype=float))
        nearest = lag.min(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            weights = np.where(nearest > 0, (nearest / lag) ** power, lag == 0)
        result[part] = (weights.T @ column) / weights.sum(axis=0)[:, None]
    return result[:, 0] if np.ndim(values) == 1 else result
