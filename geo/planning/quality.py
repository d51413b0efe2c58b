"""How good a set of spots is: kriging variance, gaps, coverage, and what cores in a bag are worth.

Kriging variance with an unknown mean: Webster and Oliver, Geostatistics for Environmental
Scientists, 2007, chapter 8. Spatial coverage (mean squared shortest distance): Brus, Spatial
Sampling with R, 2022, chapter 17. Composites: Webster and Burgess (1984), Journal of Soil Science
35, 127. Design with an unknown variogram: Zimmerman and Cressie (1992), Annals of the Institute of
Statistical Mathematics 44, 27 (from memory); Zhu and Stein (2006).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geo.errors import KrigingError
from geo.grids import Array
from geo.planning.signals import Signal
from geo.variogram import VariogramModel

#: Added to the diagonal, as a share of the sill, so that two samples may stand at one place.
JITTER = 1e-10


def bordered_inverse(signal: Signal, spots: Array, drift: Array | None = None) -> Array:
    """Inverse of the kriging matrix [[K, F], [F', 0]], F a column of ones and the drift.

    Parameters
    ----------
    spots : array (n, 2)
        [m]
    drift : array (n, columns), optional
        Without the constant.

    Raises
    ------
    KrigingError
        If two spots stand at one place and samples carry no error.
    """
    n = len(spots)
    columns = np.ones((n, 1)) if drift is None else np.column_stack([np.ones(n), drift])
    p = columns.shape[1]
    bordered = np.zeros((n + p, n + p))
    bordered[:n, :n] = signal.covariance(spots, spots)
    bordered[np.arange(n), np.arange(n)] += signal.error + JITTER * signal.own(spots)
    bordered[:n, n:] = columns
    bordered[n:, :n] = columns.T
    try:
        return np.asarray(np.linalg.inv(bordered), dtype=float)
    except np.linalg.LinAlgError:
        raise KrigingError(
            "Two spots stand at one place and samples are taken to carry no error. Move one."
        ) from None


def kriging_variance(
    signal: Signal,
    spots: Array,
    places: Array,
    *,
    drift: Array | None = None,
    drift_places: Array | None = None,
) -> Array:
    """Variance of the soil at each place once the spots are measured. [unit2]

    C(x,x) - k'K^-1 k + (f - F'K^-1 k)'(F'K^-1 F)^-1 (f - F'K^-1 k).
    """
    inverse = bordered_inverse(signal, spots, drift)
    ones = np.ones((1, len(places)))
    trend = ones if drift_places is None else np.vstack([ones, np.asarray(drift_places).T])
    together = np.vstack([signal.covariance(spots, places), trend])
    known = np.einsum("is,is->s", together, inverse @ together)
    variance: Array = np.maximum(signal.own(places) - known, 0.0)
    return variance


def believed_variance(models: Sequence[tuple[float, Signal]], spots: Array, places: Array) -> Array:
    """Kriging variance averaged over the models of a belief. [unit2]"""
    total = np.zeros(len(places))
    for weight, signal in models:
        total += weight * kriging_variance(signal, spots, places)
    return total


def nearest_m(spots: Array, places: Array) -> Array:
    """Distance of each place to its nearest spot; infinite without spots. [m]"""
    from scipy.spatial import cKDTree

    if not len(spots):
        return np.full(len(places), np.inf)
    distance: Array = np.asarray(cKDTree(spots).query(places)[0], dtype=float)
    return distance


def largest_gap_m(spots: Array, places: Array) -> float:
    """Distance from the worst served place to its nearest spot. [m]"""
    return float(nearest_m(spots, places).max())


def mean_squared_distance(spots: Array, places: Array) -> float:
    """Mean squared distance of the places to their nearest spot. [m2]"""
    return float(np.mean(nearest_m(spots, places) ** 2))


def closest_pair_m(spots: Array) -> float:
    """Distance between the two spots that are nearest to each other; infinite for one. [m]"""
    from scipy.spatial import cKDTree

    if len(spots) < 2:
        return float("inf")
    return float(cKDTree(spots).query(spots, k=2)[0][:, 1].min())


@dataclass(frozen=True)
class CoreError:
    """Error variance of a bag of cores against the mean of a cell and against its middle. [unit2]

    `value` is the variance of the bag's value itself.
    """

    value: float
    against_cell: float
    against_middle: float


def core_error(
    signal: Signal, cores: Array, cell: Array, core_nugget: float, laboratory: float
) -> CoreError:
    """What a composite of cores is off by.

    mean C(x_i, x_j) - 2 mean C(x_i, B) + C(B, B) + c0 / k + laboratory.

    Parameters
    ----------
    cores : array (k, 2)
        Places of the cores about the middle of the spot. [m]
    cell : array (m, 2)
        Points that stand for the cell B about the same middle. [m]
    core_nugget : float
        Nugget of one core; it averages out over the bag. [unit2]
    laboratory : float
        Variance of the laboratory. [unit2]
    """
    within = float(signal.covariance(cores, cores).mean())
    across = float(signal.covariance(cores, cell).mean())
    target = float(signal.covariance(cell, cell).mean())
    middle = np.zeros((1, 2))
    to_middle = float(signal.covariance(cores, middle).mean())
    noise = core_nugget / len(cores) + laboratory
    return CoreError(
        value=within + noise,
        against_cell=within - 2.0 * across + target + noise,
        against_middle=within - 2.0 * to_middle + float(signal.own(middle)[0]) + noise,
    )


def ring(count: int, radius_m: float, *, middle: bool = False) -> Array:
    """Places of cores on a ring about a spot, evenly, the first to the east. [m]"""
    turn = 2.0 * np.pi * np.arange(count) / max(count, 1)
    around = radius_m * np.column_stack([np.cos(turn), np.sin(turn)])
    return np.vstack([[0.0, 0.0], around]) if middle else around


@dataclass(frozen=True)
class VariogramError:
    """How well a design would tell nugget, partial sill and range, and what not knowing them costs.

    Attributes
    ----------
    information : array (3, 3)
        Expected restricted-likelihood information, in the order nugget, partial sill, range.
    sd : array (3,)
        Large-sample standard errors.
    added : array (places,)
        Variance added at each place by the error of the variogram. [unit2]
    """

    information: Array
    sd: Array
    added: Array


def variogram_error(model: VariogramModel, spots: Array, places: Array) -> VariogramError:
    """Expected information of a design about its variogram, and the price of what is missing.

    I_ab = 1/2 tr(P V_a P V_b), P = V^-1 - V^-1 1 (1'V^-1 1)^-1 1'V^-1;
    added = sum_ab (I^-1)_ab (d lambda / d a)' V (d lambda / d b).
    A large-sample approximation: good for ranking designs, not as an error by itself.
    """
    n = len(spots)
    theta = np.array([model.nugget + model.noise, model.partial_sill, model.range_m])
    step = 1e-5 * np.maximum(theta, 1e-3)
    error = _parametrised(model, theta)
    inverse = bordered_inverse(error, spots)
    projector = inverse[:n, :n]
    slopes, weights = [], []
    for a in range(3):
        up, down = (_parametrised(model, theta + sign * step * (np.arange(3) == a))
                    for sign in (1.0, -1.0))  # fmt: skip
        slopes.append((_matrix(up, spots) - _matrix(down, spots)) / (2.0 * step[a]))
        weights.append((_weights(up, spots, places) - _weights(down, spots, places))
                       / (2.0 * step[a]))  # fmt: skip
    products = [projector @ slope for slope in slopes]
    information = 0.5 * np.array(
        [[np.sum(one * other.T) for other in products] for one in products]
    )
    covariance = np.linalg.inv(information)
    v = _matrix(error, spots)
    moved = [v @ w for w in weights]
    added = np.zeros(len(places))
    for a in range(3):
        for b in range(3):
            added += covariance[a, b] * np.einsum("is,is->s", weights[a], moved[b])
    return VariogramError(information, np.sqrt(np.diag(covariance)), added)


def _parametrised(model: VariogramModel, theta: Array) -> Signal:
    from dataclasses import replace

    from geo.planning.signals import signal_of_model

    nugget, partial_sill, range_m = (float(value) for value in theta)
    return signal_of_model(
        replace(model, nugget=nugget, noise=0.0, partial_sill=partial_sill, range_m=range_m)
    )


def _matrix(signal: Signal, spots: Array) -> Array:
    matrix: Array = signal.covariance(spots, spots) + signal.error * np.eye(len(spots))
    return matrix


def _weights(signal: Signal, spots: Array, places: Array) -> Array:
    inverse = bordered_inverse(signal, spots)
    together = np.vstack([signal.covariance(spots, places), np.ones((1, len(places)))])
    weights: Array = (inverse @ together)[: len(spots)]
    return weights
