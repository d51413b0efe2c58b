"""Samples and a variogram model -> estimate and kriging variance, exact at any number of cells.

Cells are served in tiles: the samples are factorised once, and a tile costs one matrix product for
all properties together. Nothing of the size cells x samples is ever held. PyKrige serves the
variants this module lacks; `geo.geostatistics.pykrige_terms` hands it the same model.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.errors import KrigingError
from geo.geostatistics.covariance import VariogramModel
from geo.geostatistics.leastsquares import Solution, Trend, columns_of, solve, trend_of
from geo.grids import Array

#: Cells in one tile, and the most numbers one array of a tile holds: together 64 MB at the most.
TILE_CELLS = 1024
TILE_NUMBERS = 1_000_000


@dataclass(frozen=True)
class Kriged:
    """What kriging says of each target.

    Attributes
    ----------
    estimate : array (targets,) or (targets, properties)
        Shaped as the values were. [unit]
    variance : array (targets,)
        Kriging variance, of the soil without measurement error. [unit²]
    """

    estimate: Array
    variance: Array


@dataclass(frozen=True)
class Support:
    """Area that a target stands for: points around its centre [m] and their shares."""

    offsets: Array
    shares: Array


def gauss_support(
    width_m: float, height_m: float, azimuth_deg: float = 0.0, nodes: int = 4
) -> Support:
    """A rectangle by Gauss-Legendre points.

    Parameters
    ----------
    width_m, height_m : float
        Size to the east and to the north, before turning. [m]
    azimuth_deg : float
        Turn of the rectangle, clockwise: the azimuth of its height. [deg]
    nodes : int
        Points along each side.
    """
    points, shares = np.polynomial.legendre.leggauss(nodes)
    return _rectangle(points / 2, shares / 2, width_m, height_m, azimuth_deg)


def regular_support(
    width_m: float, height_m: float, azimuth_deg: float = 0.0, nodes: int = 4
) -> Support:
    """A rectangle by a regular grid of points; parameters as in `gauss_support`."""
    points = (np.arange(nodes) + 0.5) / nodes - 0.5
    return _rectangle(points, np.full(nodes, 1.0 / nodes), width_m, height_m, azimuth_deg)


def _rectangle(
    points: Array, shares: Array, width_m: float, height_m: float, azimuth_deg: float
) -> Support:
    if not (width_m > 0 and height_m > 0):
        raise KrigingError(
            f"A support of {width_m:g} by {height_m:g} m has no area. Give both sides above 0, "
            "or none for points."
        )
    right, up = (part.ravel() for part in np.meshgrid(points * width_m, points * height_m))
    sine, cosine = math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))
    offsets = np.column_stack([right * cosine + up * sine, up * cosine - right * sine])
    return Support(offsets, np.outer(shares, shares).ravel())


def krige(
    model: VariogramModel,
    xy: Array,
    values: Array,
    targets: Array,
    *,
    drift: Array | None = None,
    drift_targets: Array | None = None,
    known_mean: float | Array | None = None,
    support_m: tuple[float, float] | Support | None = None,
    neighbours: int | None = None,
) -> Kriged:
    """Best linear unbiased estimate at each target, and its variance.

    Parameters
    ----------
    model : VariogramModel
        Its nugget is exact at the samples; its noise is filtered out everywhere.
    xy : array (samples, 2)
        Easting, northing. [m]
    values : array (samples,) or (samples, properties)
        Properties that share the sample points are served in one pass. [unit]
    targets : array (targets, 2)
        [m]
    drift, drift_targets : array (places, columns), optional
        Drift columns at samples and targets (for a support: their means over it), without the
        constant. None is ordinary kriging.
    known_mean : float or array (properties,), optional
        Simple kriging about this mean. [unit]
    support_m : (width, height) or Support, optional
        Estimate the mean of a rectangle around each target, width to the east. The micro-scale
        nugget averages out over it. [m]
    neighbours : int, optional
        Use only so many nearest samples for each target.

    Returns
    -------
    Kriged

    Raises
    ------
    KrigingError
        If the inputs do not fit together or the samples cannot carry the model or the drift.

    References
    ----------
    Webster and Oliver, Geostatistics for Environmental Scientists, 2007, chapter 8.

    Examples
    --------
    >>> model = VariogramModel(kind="spherical", nugget=0.1, partial_sill=0.4, range_m=150.0)
    >>> ends = np.array([[0.0, 0.0], [100.0, 0.0]])
    >>> middle = krige(model, ends, np.array([6.0, 7.0]), np.array([[50.0, 0.0]]))
    >>> round(float(middle.estimate[0]), 6), round(float(middle.variance[0]), 6)
    (6.5, 0.364815)
    """
    samples = prepare(xy, values, drift, known_mean)
    targets = columns_of(targets, len(targets), "table of targets")
    if samples.trend is None and drift_targets is not None:
        raise KrigingError("The mean is known, so a drift of the targets has no use. Leave it out.")
    goals = Goals(targets, drift_targets, _support(support_m), own_variance(model, support_m))
    if neighbours is not None and neighbours < len(samples.xy):
        estimate, variance = _krige_near(model, samples, goals, neighbours)
    else:
        estimate, variance = _krige_all(model, samples, goals)
    estimate += 0.0 if known_mean is None else np.asarray(known_mean)
    return Kriged(estimate[:, 0] if np.ndim(values) == 1 else estimate, variance)


@dataclass(frozen=True)
class Samples:
    """Checked samples: places [m], values as columns [unit], trend (None: the mean is known)."""

    xy: Array
    values: Array
    trend: Trend | None

    @property
    def trend_matrix(self) -> Array:
        """Trend matrix at the samples, without columns if the mean is known."""
        return np.zeros((len(self.xy), 0)) if self.trend is None else self.trend.matrix


@dataclass(frozen=True)
class Goals:
    """Targets with what is wanted at them."""

    xy: Array
    drift: Array | None
    support: Support | None
    own_variance: float

    def trend(self, samples: Samples, part: slice) -> Array:
        """Trend matrix at some of the targets."""
        count = len(self.xy[part])
        if samples.trend is None:
            return np.zeros((count, 0))
        return samples.trend.at(None if self.drift is None else self.drift[part], count)

    def covariance(
        self,
        model: VariogramModel,
        samples_xy: Array,
        targets: Array,
        out: Array | None = None,
        spare: Array | None = None,
    ) -> Array:
        """Covariance of samples with targets or the areas around them. [unit²]"""
        if self.support is None:
            return model.covariance(samples_xy, targets, out, spare)
        total: Array | None = None
        for offset, share in zip(self.support.offsets, self.support.shares, strict=True):
            term = model.structured(samples_xy, targets + offset, out, spare)
            term *= share
            total = term.copy() if total is None else np.add(total, term, out=total)
        return np.asarray(total)


def prepare(
    xy: Array, values: Array, drift: Array | None, known_mean: float | Array | None
) -> Samples:
    """Samples checked and shaped as columns, less their mean if it is known.

    Raises
    ------
    KrigingError
        If there is no sample, or both a known mean and a drift are given.
    """
    xy = columns_of(xy, len(xy), "table of coordinates")
    if len(xy) == 0 or xy.shape[1] != 2:
        raise KrigingError(
            "Kriging needs at least one sample, each with an easting and a northing."
        )
    column = columns_of(values, len(xy), "table of values")
    if known_mean is None:
        return Samples(xy, column, trend_of(drift, len(xy)))
    if drift is not None:
        raise KrigingError("Give a known mean or a drift, not both.")
    return Samples(xy, column - np.asarray(known_mean, dtype=float), None)


def own_variance(model: VariogramModel, support_m: tuple[float, float] | Support | None) -> float:
    """Variance of the soil at a place, or of its mean over a support. [unit²]"""
    support = _support(support_m)
    if support is None:
        return model.sill
    within = model.structured(support.offsets, support.offsets)
    return float(support.shares @ within @ support.shares)


def _support(support_m: tuple[float, float] | Support | None) -> Support | None:
    if support_m is None or isinstance(support_m, Support):
        return support_m
    return gauss_support(*support_m)


def tiles(targets: int, numbers_each: int) -> Iterator[slice]:
    """Targets in tiles whose arrays stay within the working memory."""
    size = max(1, min(TILE_CELLS, TILE_NUMBERS // max(1, numbers_each)))
    for start in range(0, targets, size):
        yield slice(start, start + size)


def _krige_all(model: VariogramModel, samples: Samples, goals: Goals) -> tuple[Array, Array]:
    """Kriging with every sample: one factorisation, one matrix product a tile."""
    solution = solve(model.between_samples(samples.xy), samples.trend_matrix, samples.values)
    operator = _operator(solution)
    n, p = solution.basis.shape
    unbiased = np.linalg.inv(solution.triangle).T
    estimate = np.empty((len(goals.xy), samples.values.shape[1]))
    variance = np.empty(len(goals.xy))
    # Arrays are used again from tile to tile: fresh ones would cost more than the arithmetic.
    size = next(tiles(len(goals.xy), n), slice(0, 0)).stop
    room, spare, answer = (np.empty((rows, size)) for rows in (n, n, len(operator)))
    for part in tiles(len(goals.xy), n):
        wide = len(goals.xy[part])
        own = room[:, :wide], spare[:, :wide]
        together = goals.covariance(model, samples.xy, goals.xy[part], *own)
        trend = goals.trend(samples, part)
        product = np.matmul(operator, together, out=answer[:, :wide])
        white, off = product[:n], unbiased @ trend.T - product[n : n + p]
        estimate[part] = trend @ solution.coefficients + product[n + p :].T
        variance[part] = goals.own_variance - _column_sums(white) + _column_sums(off)
    return estimate, np.maximum(variance, 0.0, out=variance)


def _operator(solution: Solution) -> Array:
    """What turns a covariance with the samples into whitened, trend part and estimate at once."""
    return np.vstack([solution.whitener, solution.basis.T @ solution.whitener, solution.weights.T])


def _column_sums(table: Array) -> Array:
    return np.asarray(np.einsum("ij,ij->j", table, table))


def _krige_near(
    model: VariogramModel, samples: Samples, goals: Goals, neighbours: int
) -> tuple[Array, Array]:
    """Kriging of each target from its nearest samples."""
    from scipy.spatial import cKDTree

    if neighbours < 1:
        raise KrigingError(f"{neighbours} neighbours cannot estimate anything: ask for 1 or more.")
    model.check_places(samples.xy)
    tree = cKDTree(samples.xy)
    estimate = np.empty((len(goals.xy), samples.values.shape[1]))
    variance = np.empty(len(goals.xy))
    for part in tiles(len(goals.xy), neighbours**2):
        index = tree.query(goals.xy[part], k=neighbours)[1].reshape(-1, neighbours)
        estimate[part], variance[part] = krige_from(model, samples, goals, part, index)
    return estimate, variance


def krige_from(
    model: VariogramModel,
    samples: Samples,
    goals: Goals,
    part: slice,
    index: NDArray[np.int64],
) -> tuple[Array, Array]:
    """Kriging of some targets, each from the samples named in its row of `index`.

    With K between the samples, k to the target, F and f the trend at samples and target:
    w = K^-1 (k + F m), m = (F' K^-1 F)^-1 (f - F' K^-1 k), variance = C(0) - k' K^-1 k +
    (f - F' K^-1 k)' m.

    Raises
    ------
    KrigingError
        If the samples near a target cannot carry the trend.
    """
    xy, trend = samples.xy[index], samples.trend_matrix[index]
    between = model.covariance(xy, xy)
    diagonal = np.arange(index.shape[1])
    between[:, diagonal, diagonal] += model.noise
    together = goals.covariance(model, xy, goals.xy[part][:, None, :])
    try:
        solved = np.linalg.solve(between, np.concatenate([together, trend], axis=2))
        alone, pulled = solved[:, :, :1], solved[:, :, 1:]
        turned = trend.transpose(0, 2, 1)
        wanted = goals.trend(samples, part)[:, :, None]
        off = wanted - turned @ alone
        multiplier = np.linalg.solve(turned @ pulled, off)
    except np.linalg.LinAlgError:
        raise KrigingError(NEAR) from None
    weights = alone + pulled @ multiplier
    # The law of unbiasedness tells a neighbourhood that cannot carry the trend.
    scale = np.abs(wanted) + (np.abs(turned) @ np.abs(weights)) + 1e-300
    if (np.abs(turned @ weights - wanted) > 1e-6 * scale).any():
        raise KrigingError(NEAR)
    estimate = np.einsum("mk,mkq->mq", weights[:, :, 0], samples.values[index])
    shrink = (together * alone).sum(axis=(1, 2)) - (off * multiplier).sum(axis=(1, 2))
    return estimate, np.maximum(goals.own_variance - shrink, 0.0)


NEAR = (
    "Around some target the nearest samples cannot carry the model or its drift. Take more "
    "neighbours, leave the drift out, or give the model a nugget."
)
