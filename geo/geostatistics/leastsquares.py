"""Generalised least squares: the linear algebra that likelihood, kriging and its tests share."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geo.errors import KrigingError
from geo.grids import Array


@dataclass(frozen=True)
class Trend:
    """Drift columns beside the constant, centred on the samples so that large numbers do no harm.

    Attributes
    ----------
    centre : array (columns,)
        Mean of each drift column over the samples.
    matrix : array (samples, 1 + columns)
        The constant and the centred columns.
    """

    centre: Array
    matrix: Array

    def at(self, columns: Array | None, places: int) -> Array:
        """The same columns at other places, shape (places, 1 + columns)."""
        wanted = len(self.centre)
        columns = np.zeros((places, 0)) if columns is None else columns_of(columns, places, "drift")
        if columns.shape[1] != wanted:
            raise KrigingError(
                f"The samples have {wanted} drift columns, the targets {columns.shape[1]}. "
                "Give the same columns in the same order for both."
            )
        return np.column_stack([np.ones(places), columns - self.centre])


def trend_of(drift: Array | None, samples: int) -> Trend:
    """Drift columns of the samples; None is an unknown constant mean."""
    columns = np.zeros((samples, 0)) if drift is None else columns_of(drift, samples, "drift")
    centre = columns.mean(axis=0) if samples else np.zeros(columns.shape[1])
    return Trend(centre, np.column_stack([np.ones(samples), columns - centre]))


def columns_of(table: Array, rows: int, name: str) -> Array:
    """A table of finite numbers as columns, one row a place.

    Raises
    ------
    KrigingError
        If the rows do not match the places or a cell holds no number.
    """
    table = np.asarray(table, dtype=float)
    table = table[:, None] if table.ndim == 1 else table
    if table.ndim != 2 or len(table) != rows:
        raise KrigingError(
            f"The {name} has shape {table.shape}; {rows} rows are wanted, one a place."
        )
    bad = ~np.isfinite(table).all(axis=1)
    if bad.any():
        raise KrigingError(
            f"The {name} holds no number in row {int(np.flatnonzero(bad)[0]) + 1} "
            f"({int(bad.sum())} such rows). Leave these places out."
        )
    return table


@dataclass(frozen=True)
class Solution:
    """Values taken apart into trend and residual under a covariance.

    With the covariance K = L L' and the trend matrix F, L^-1 F = Q R.

    Attributes
    ----------
    whitener : array (samples, samples)
        L^-1, lower triangular.
    basis, triangle : array (samples, p), array (p, p)
        Q and R; p is 0 if the mean is known.
    coefficients : array (p, properties)
        Trend coefficients b by generalised least squares.
    weights : array (samples, properties)
        K^-1 (z - F b).
    log_det : float
        log |K|.
    quadratic : array (properties,)
        (z - F b)' K^-1 (z - F b).
    """

    whitener: Array
    basis: Array
    triangle: Array
    coefficients: Array
    weights: Array
    log_det: float
    quadratic: Array

    def precision(self) -> Array:
        """K^-1 - K^-1 F (F' K^-1 F)^-1 F' K^-1, shape (samples, samples)."""
        turned = self.basis.T @ self.whitener
        return np.asarray(self.whitener.T @ self.whitener - turned.T @ turned)


def solve(covariance: Array, trend: Array, values: Array) -> Solution:
    """Trend and residual weights of several properties by one factorisation.

    Parameters
    ----------
    covariance : array (samples, samples)
        Between samples, noise on the diagonal. [unit²]
    trend : array (samples, p)
        Trend matrix F, the constant included; no column if the mean is known.
    values : array (samples, properties)
        [unit]

    Raises
    ------
    KrigingError
        If the covariance is singular, or the trend cannot be told from these samples.
    """
    whitener, log_det = whitener_of(covariance)
    basis, triangle = orthonormal(whitener @ trend)
    white = whitener @ values
    turned = basis.T @ white
    residual = white - basis @ turned
    return Solution(
        whitener=whitener,
        basis=basis,
        triangle=triangle,
        coefficients=np.asarray(np.linalg.solve(triangle, turned), dtype=float),
        weights=whitener.T @ residual,
        log_det=log_det,
        quadratic=np.einsum("ij,ij->j", residual, residual),
    )


def whitener_of(covariance: Array) -> tuple[Array, float]:
    """Inverse of the lower Cholesky factor, and the log of the determinant.

    Raises
    ------
    KrigingError
        If the matrix is singular to working precision.
    """
    try:
        lower = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise KrigingError(SINGULAR) from None
    pivots = np.diagonal(lower)
    if pivots.size and pivots.min() ** 2 <= 4 * len(pivots) * EPSILON * covariance.max():
        raise KrigingError(SINGULAR)
    return np.linalg.inv(lower), 2 * float(np.log(pivots).sum())


EPSILON = float(np.finfo(float).eps)
SINGULAR = (
    "Under this model some samples say nothing that the others do not say already, so their "
    "covariance matrix cannot be inverted. Give the model a nugget or a measurement error (noise)."
)


def orthonormal(white: Array) -> tuple[Array, Array]:
    """Q and R of the whitened trend, or a word on why it cannot be told.

    Raises
    ------
    KrigingError
        If the samples are fewer than the columns, or a column follows from the others.
    """
    samples, columns = white.shape
    if samples < columns:
        raise KrigingError(
            f"{samples} samples cannot tell a trend of {columns} terms. Ask for a simpler one."
        )
    basis, triangle = np.linalg.qr(white)
    length = np.sqrt(np.einsum("ij,ij->j", white, white))
    if (np.abs(np.diagonal(triangle)) <= 1e-10 * length).any():
        raise KrigingError(
            "A drift column is constant over the samples or a sum of the others. Leave it out; "
            "the constant itself is always there."
        )
    return basis, triangle


def restricted_log_density(solution: Solution, samples: int) -> Array:
    """Log restricted likelihood of each property, all constants included.

    -1/2 [(n - p) log 2 pi + log|V| + log|F' V^-1 F| + r' V^-1 r], r the residual from the trend.

    References
    ----------
    Patterson and Thompson, Biometrika 58, 1971, 545.
    """
    free = samples - solution.triangle.shape[0]
    log_det_trend = 2 * float(np.log(np.abs(np.diagonal(solution.triangle))).sum())
    fixed = free * math.log(2 * math.pi) + solution.log_det + log_det_trend
    return np.asarray(-0.5 * (fixed + solution.quadratic))
