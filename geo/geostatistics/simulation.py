"""Draws of the soil that agree with the samples: conditional simulation by LU."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geo.errors import KrigingError
from geo.geostatistics.covariance import VariogramModel
from geo.geostatistics.leastsquares import columns_of, solve
from geo.grids import Array
from geo.kriging import Goals, prepare

#: More places than this ask for a coarser grid of draws, laid over the kriged mean.
MOST_PLACES = 2500


@dataclass(frozen=True)
class Posterior:
    """Joint belief about several places, the mean not known beforehand.

    Attributes
    ----------
    mean : array (places,)
        [unit]
    covariance : array (places, places)
        Of the soil itself, without measurement error. [unit²]
    """

    mean: Array
    covariance: Array

    def mean_of(self, shares: Array) -> tuple[float, float]:
        """Estimate and variance of a weighted mean, such as that of a zone. [unit], [unit²]"""
        return float(shares @ self.mean), float(shares @ self.covariance @ shares)


def posterior(
    model: VariogramModel,
    xy: Array,
    values: Array,
    targets: Array,
    *,
    drift: Array | None = None,
    drift_targets: Array | None = None,
    known_mean: float | None = None,
) -> Posterior:
    """Kriged means of the targets with the covariance of their errors.

    Parameters are those of `geo.kriging.krige`, one property. The covariance is
    C - k' K^-1 k + u' (F' K^-1 F)^-1 u with u = f - F' K^-1 k; its diagonal is the kriging
    variance.

    Raises
    ------
    KrigingError
        If there are more than `MOST_PLACES` targets, or the samples cannot carry the model.
    """
    targets = columns_of(targets, len(targets), "table of targets")
    if len(targets) > MOST_PLACES:
        raise KrigingError(
            f"{len(targets):,} places are too many to be drawn together; {MOST_PLACES:,} are the "
            "most. Draw on a coarser grid and lay the draws over the kriged mean."
        )
    samples = prepare(xy, values, drift, known_mean)
    goals = Goals(targets, drift_targets, None, model.sill)
    solution = solve(model.between_samples(samples.xy), samples.trend_matrix, samples.values)
    together = goals.covariance(model, samples.xy, targets)
    trend = goals.trend(samples, slice(None))
    white = solution.whitener @ together
    off = np.linalg.inv(solution.triangle).T @ trend.T - solution.basis.T @ white
    mean = trend @ solution.coefficients + together.T @ solution.weights
    covariance = model.covariance(targets, targets) - white.T @ white + off.T @ off
    return Posterior(mean[:, 0] + (known_mean or 0.0), (covariance + covariance.T) / 2)


def draw(belief: Posterior, normals: Array) -> Array:
    """Draws of the places from given standard normals, shape (draws, places).

    mean + L w with L L' = covariance, L lower triangular. What is known for certain stays so.

    Parameters
    ----------
    belief : Posterior
    normals : array (draws, places)
        Standard normals w. [1]

    References
    ----------
    Davis, Mathematical Geology 19, 1987, 91.
    """
    lower = _lower(belief.covariance)
    return np.asarray(belief.mean + np.atleast_2d(normals) @ lower.T)


def simulate(belief: Posterior, count: int, rng: np.random.Generator) -> Array:
    """So many draws of the places, in antithetic pairs, shape (count, places). [unit]"""
    half = rng.standard_normal(((count + 1) // 2, len(belief.mean)))
    # Pairs of opposite sign make the mean of the draws exact.
    return draw(belief, np.concatenate([half, -half])[:count])


def _lower(covariance: Array) -> Array:
    """Lower Cholesky factor of a covariance that may be 0 at the samples."""
    own = np.diagonal(covariance)
    free = np.flatnonzero(own > 1e-12 * max(float(own.max(initial=0.0)), 1e-300))
    lower = np.zeros_like(covariance)
    part = covariance[np.ix_(free, free)]
    for jitter in (0.0, 1e-10, 1e-8, 1e-6):
        try:
            step = jitter * float(own.max(initial=0.0))
            lower[np.ix_(free, free)] = np.linalg.cholesky(part + step * np.eye(len(free)))
        except np.linalg.LinAlgError:
            continue
        return lower
    raise KrigingError(
        "The places to be drawn lie so close together under this model that their covariance "
        "cannot be factorised. Draw on a coarser grid."
    )
