"""Variograms: what the samples show, the model fitted to it, and how well a model explains them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from geo.errors import KrigingError
from geo.geostatistics.correlation import correlation, lag_m
from geo.geostatistics.covariance import Structure, VariogramModel, in_place
from geo.geostatistics.leastsquares import (
    columns_of,
    orthonormal,
    restricted_log_density,
    solve,
    trend_of,
)
from geo.grids import Array

__all__ = [
    "EmpiricalVariogram",
    "Structure",
    "VariogramModel",
    "empirical_variogram",
    "fit_variogram",
    "restricted_log_likelihood",
    "trend_residuals",
]


@dataclass(frozen=True)
class EmpiricalVariogram:
    """Half the mean squared difference of sample pairs, by distance; empty bins are left out.

    Attributes
    ----------
    pairs : array of int
        Pairs in each bin.
    distance_m : array
        Their mean distance. [m]
    semivariance : array
        [unit²]
    """

    pairs: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    distance_m: Array
    semivariance: Array


def empirical_variogram(
    xy: Array,
    values: Array,
    *,
    width_m: float,
    cutoff_m: float,
    azimuth_deg: float | None = None,
    tolerance_deg: float | None = None,
    estimator: str = "matheron",
    boundaries_m: Array | None = None,
) -> EmpiricalVariogram:
    """What the samples themselves show of the variogram.

    Parameters
    ----------
    xy : array (samples, 2)
        Easting, northing. [m]
    values : array (samples,)
        [unit]
    width_m, cutoff_m : float
        Bin i holds the pairs with (i - 1) width < distance <= i width, up to the cutoff. Pairs in
        place (distance 0) are in no bin. [m]
    azimuth_deg, tolerance_deg : float, optional
        Only pairs whose direction, clockwise from north and modulo 180, lies within the tolerance
        (22.5 by default) of this azimuth. [deg]
    estimator : str
        "matheron", or "cressie_hawkins", which outliers move less.
    boundaries_m : array, optional
        Upper ends of the bins, in place of equal widths. [m]

    References
    ----------
    Matheron, Economic Geology 58, 1963, 1246. Cressie and Hawkins, Mathematical Geology 12, 1980,
    115.
    """
    xy = columns_of(xy, len(xy), "table of coordinates")
    values = columns_of(values, len(xy), "table of values")[:, 0]
    ends = boundaries_m if boundaries_m is not None else _bin_ends(width_m, cutoff_m)
    power = _power_of(estimator)
    count, distance, total = (np.zeros(len(ends) + 1) for _ in range(3))
    # One row of the triangle at a time: no table of all pairs is ever held.
    for i in range(len(xy) - 1):
        step = xy[i + 1 :] - xy[i]
        lag = np.hypot(step[:, 0], step[:, 1])
        wanted = (lag > 0) & (lag <= cutoff_m) & _towards(step, azimuth_deg, tolerance_deg)
        bins = np.searchsorted(ends, lag[wanted], side="left")
        count += np.bincount(bins, minlength=len(count))
        distance += np.bincount(bins, lag[wanted], len(count))
        total += np.bincount(bins, np.abs(values[i + 1 :] - values[i])[wanted] ** power, len(count))
    full = np.flatnonzero(count[:-1])
    pairs = count[full]
    return EmpiricalVariogram(
        pairs.astype(np.int64),
        distance[full] / pairs,
        _semivariance(estimator, total[full] / pairs, pairs),
    )


def _bin_ends(width_m: float, cutoff_m: float) -> Array:
    if not (width_m > 0 and cutoff_m > 0):
        raise KrigingError(
            f"Bins {width_m:g} m wide up to {cutoff_m:g} m hold nothing: give both above 0."
        )
    bins = math.ceil(cutoff_m / width_m - 1e-9)
    return width_m * np.arange(1.0, bins + 1.0, dtype=float)


def _power_of(estimator: str) -> float:
    powers = {"matheron": 2.0, "cressie_hawkins": 0.5}
    if estimator not in powers:
        raise KrigingError(
            f"There is no variogram estimator {estimator!r}. Use one of: {', '.join(powers)}."
        )
    return powers[estimator]


def _semivariance(estimator: str, mean: Array, pairs: Array) -> Array:
    if estimator == "matheron":
        return np.asarray(0.5 * mean)
    return np.asarray(0.5 * mean**4 / (0.457 + 0.494 / pairs))


def _towards(
    step: Array, azimuth_deg: float | None, tolerance_deg: float | None
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Which pairs run along the azimuth, forth or back."""
    if azimuth_deg is None:
        return np.ones(len(step), bool)
    tolerance = 22.5 if tolerance_deg is None else tolerance_deg
    azimuth = np.degrees(np.arctan2(step[:, 0], step[:, 1]))
    off = np.abs((azimuth - azimuth_deg + 90.0) % 180.0 - 90.0)
    # A pair exactly on the edge belongs to both directions; rounding must not decide that.
    return np.asarray(off <= tolerance + 1e-9)


def trend_residuals(values: Array, drift: Array) -> Array:
    """Values less their drift by ordinary least squares, for the variogram of what is left."""
    trend = trend_of(drift, len(values)).matrix
    return np.asarray(values - trend @ np.linalg.lstsq(trend, values, rcond=None)[0])


def restricted_log_likelihood(
    model: VariogramModel, xy: Array, values: Array, *, drift: Array | None = None
) -> float:
    """How well a model explains the samples, their mean or drift not known. [log density]

    The log restricted likelihood -1/2 [(n - p) log 2 pi + log|V| + log|F' V^-1 F| + r' V^-1 r],
    V = model's covariance between samples, F = the constant and the drift columns,
    r = residual from the trend fitted by generalised least squares.

    Raises
    ------
    KrigingError
        If the covariance is singular or the drift cannot be told.

    References
    ----------
    Patterson and Thompson, Biometrika 58, 1971, 545.
    """
    xy = columns_of(xy, len(xy), "table of coordinates")
    column = columns_of(values, len(xy), "table of values")
    solution = solve(model.between_samples(xy), trend_of(drift, len(xy)).matrix, column)
    return float(restricted_log_density(solution, len(xy))[0])


def fit_variogram(
    xy: Array,
    values: Array,
    *,
    kind: str,
    method: str = "reml",
    drift: Array | None = None,
    starts: int = 12,
    empirical: EmpiricalVariogram | None = None,
    weights: str = "pairs/distance²",
) -> VariogramModel:
    """The one model of a kind that explains the samples best.

    Parameters
    ----------
    xy : array (samples, 2)
        Easting, northing. [m]
    values : array (samples,)
        [unit]
    kind : str
        Shape of the structure.
    method : str
        "reml": highest restricted likelihood; "wls": weighted least squares on the bins.
    drift : array (samples, columns), optional
        Drift columns without the constant.
    starts : int
        Ranges the search starts from: both criteria have several optima.
    empirical : EmpiricalVariogram, optional
        Bins for "wls"; by default fifteen, up to a third of the diagonal of the samples' bounding
        box.
    weights : str
        Weight of a bin for "wls": "pairs/distance²", "pairs" or "equal".

    Returns
    -------
    VariogramModel
        Isotropic. What does not reach over distance stands as nugget; as noise where samples lie in
        one place and still differ.

    Notes
    -----
    For a given range the best nugget and sill are found exactly, so the search is along the range
    alone: for "reml" over 0.3 of the smallest to 3 times the largest distance, with a sill of at
    most 20 times the variance; for "wls" up to 300 times the largest bin, since bins may rise
    without end.
    """
    xy = columns_of(xy, len(xy), "table of coordinates")
    z = columns_of(values, len(xy), "table of values")[:, 0]
    trend = trend_of(drift, len(xy)).matrix
    _check_fit(z, trend, method)
    if method == "wls":
        residuals = z if drift is None else trend_residuals(z, columns_of(drift, len(xy), "drift"))
        bins = _default_bins(xy, residuals) if empirical is None else empirical
        model = _fit_bins(bins, kind, _bin_weights(bins, weights), starts)
    else:
        model = _fit_likelihood(xy, z, trend, kind, starts)
    return replace(model, nugget=0.0, noise=model.nugget) if in_place(xy) else model


def _check_fit(z: Array, trend: Array, method: str) -> None:
    if method not in ("reml", "wls"):
        raise KrigingError(f'There is no way to fit called {method!r}. Use "reml" or "wls".')
    if len(z) < trend.shape[1] + 3:
        raise KrigingError(
            f"{len(z)} samples are too few for a fit: {trend.shape[1] + 3} are the least, "
            "and below 50 no fit deserves trust."
        )
    if np.ptp(z) == 0:
        raise KrigingError(
            f"All {len(z)} values are {z[0]:g}: there is no variation to fit a variogram to."
        )
    orthonormal(trend)  # refuses a drift that these samples cannot tell


def _default_bins(xy: Array, residuals: Array) -> EmpiricalVariogram:
    cutoff = math.hypot(*np.ptp(xy, axis=0)) / 3
    return empirical_variogram(xy, residuals, width_m=cutoff / 15, cutoff_m=cutoff)


def _bin_weights(bins: EmpiricalVariogram, weights: str) -> Array:
    if weights == "pairs/distance²":
        return np.asarray(bins.pairs / bins.distance_m**2)
    if weights == "pairs":
        return bins.pairs.astype(float)
    if weights == "equal":
        return np.ones(len(bins.pairs))
    raise KrigingError(f"There is no bin weight {weights!r}. Use pairs/distance², pairs or equal.")


def _fit_bins(bins: EmpiricalVariogram, kind: str, weights: Array, starts: int) -> VariogramModel:
    """Smallest sum of weight (semivariance - model)²."""
    from scipy.optimize import nnls

    if len(bins.pairs) < 3:
        raise KrigingError(
            f"{len(bins.pairs)} bins hold pairs; a fit wants 3. Take wider bins or a larger cutoff."
        )
    root = np.sqrt(weights)

    def best(range_m: float) -> tuple[float, VariogramModel]:
        rise = 1.0 - correlation(kind, bins.distance_m / range_m)
        table = np.column_stack([np.ones(len(rise)), rise]) * root[:, None]
        # A range far beyond the bins leaves a rise close to 0: solve in columns of one length.
        length = np.maximum(np.sqrt((table**2).sum(axis=0)), np.finfo(float).tiny)
        parts, misfit = nnls(table / length, bins.semivariance * root)
        nugget, sill = (float(part) for part in parts / length)
        return misfit**2, VariogramModel(kind, nugget, sill, range_m)

    low, high = 0.1 * bins.distance_m.min(), 300 * bins.distance_m.max()
    return _search(best, low, high, starts)


def _fit_likelihood(xy: Array, z: Array, trend: Array, kind: str, starts: int) -> VariogramModel:
    """Highest restricted likelihood, through the contrasts that the trend leaves free."""
    free = np.linalg.qr(trend, mode="complete")[0][:, trend.shape[1] :]
    lag = lag_m(xy, xy)
    contrasts = free.T @ z
    most = 20 * float(np.var(z, ddof=1))

    def best(range_m: float) -> tuple[float, VariogramModel]:
        spread, turn = np.linalg.eigh(free.T @ correlation(kind, lag / range_m) @ free)
        return _best_share(np.maximum(spread, 0.0), (turn.T @ contrasts) ** 2, most, kind, range_m)

    apart = lag[lag > 0]
    return _search(best, 0.3 * apart.min(), 3 * apart.max(), starts)


def _best_share(
    spread: Array, squares: Array, most: float, kind: str, range_m: float
) -> tuple[float, VariogramModel]:
    """Best nugget and sill at one range: the contrasts are independent along the eigenvectors."""
    from scipy.optimize import minimize_scalar

    def misfit(logit: Array) -> tuple[Array, Array, Array]:
        share = 1.0 / (1.0 + np.exp(-np.atleast_1d(logit)))
        variance = share[:, None] + (1.0 - share)[:, None] * spread
        sill = np.minimum((squares / variance).mean(axis=1), most / (1.0 - share))
        scaled = sill[:, None] * variance
        return (np.log(scaled) + squares / scaled).sum(axis=1), share, sill

    coarse = np.linspace(-18.0, 18.0, 37)
    least = coarse[int(np.argmin(misfit(coarse)[0]))]
    found = minimize_scalar(
        lambda logit: misfit(logit)[0][0], bounds=(least - 1.0, least + 1.0), method="bounded"
    )
    value, share, sill = (float(part[0]) for part in misfit(found.x))
    return value, VariogramModel(kind, share * sill, (1.0 - share) * sill, range_m)


def _search(
    best: Callable[[float], tuple[float, VariogramModel]], low: float, high: float, starts: int
) -> VariogramModel:
    """The model of least misfit along the range, from many starts."""
    from scipy.optimize import minimize_scalar

    ranges = np.linspace(math.log(low), math.log(high), max(starts, 3))
    coarse = [best(math.exp(r))[0] for r in ranges]
    tried = []
    for i, misfit in enumerate(coarse):
        below, above = max(i - 1, 0), min(i + 1, len(coarse) - 1)
        if misfit <= min(coarse[below], coarse[above]):
            found = minimize_scalar(
                lambda r: best(math.exp(r))[0],
                bounds=(ranges[below], ranges[above]),
                method="bounded",
                options={"xatol": 1e-7},
            )
            tried.append(best(math.exp(found.x)))
    tried += [best(math.exp(r)) for r in (ranges[0], ranges[-1])]
    return min(tried, key=lambda pair: pair[0])[1]
