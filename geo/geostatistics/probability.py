"""From an estimate and its variance to chances, limits, and back from logarithms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geo.errors import KrigingError
from geo.grids import Array


def chance_below(
    limit: float | Array, estimate: Array, variance: Array, *, freedom: float | None = None
) -> Array:
    """Chance that the true value lies below a limit. [1]

    Parameters
    ----------
    limit : float or array
        On the scale of the estimate: the log of the limit if the estimate is of logs. [unit]
    estimate, variance : array
        [unit], [unit²]
    freedom : float, optional
        Degrees of freedom of Student's t; None is the normal distribution.

    Notes
    -----
    Where the variance is 0 the value is known: 1 below the limit, 0 above it, 0.5 on it.
    """
    from scipy import stats

    estimate, variance = np.asarray(estimate, dtype=float), np.asarray(variance, dtype=float)
    gap = np.asarray(limit - estimate, dtype=float)
    known = variance <= 0
    score = gap / np.sqrt(np.where(known, 1.0, variance))
    chance = stats.norm.cdf(score) if freedom is None else stats.t.cdf(score, freedom)
    return np.asarray(np.where(known, 0.5 * (1.0 + np.sign(gap)), chance))


def limits(
    estimate: Array, variance: Array, *, level: float = 0.95, freedom: float | None = None
) -> tuple[Array, Array]:
    """Lower and upper limit that hold the true value with the chance `level`. [unit]

    Raises
    ------
    KrigingError
        If `level` is not between 0 and 1.
    """
    from scipy import stats

    if not 0 < level < 1:
        raise KrigingError(f"A level of {level:g} is no chance: give one between 0 and 1.")
    tail = 0.5 + level / 2
    reach = stats.norm.ppf(tail) if freedom is None else stats.t.ppf(tail, freedom)
    half = reach * np.sqrt(np.maximum(variance, 0.0))
    return np.asarray(estimate - half), np.asarray(estimate + half)


@dataclass(frozen=True)
class FromLogs:
    """A lognormal belief in the unit itself; no limit is ever below 0.

    `median` is the typical value, `mean` the average that totals are made of. [unit]
    """

    median: Array
    mean: Array
    low: Array
    high: Array


def from_logs(
    estimate: Array, variance: Array, *, level: float = 0.95, freedom: float | None = None
) -> FromLogs:
    """Median exp(m), mean exp(m + v / 2) and limits of what was kriged as natural logs.

    Parameters
    ----------
    estimate, variance : array
        Of the logs, variance with all that varies at the place: a micro-scale or local variation
        that the variance leaves out has to be added for the mean. [log unit], [log unit²]
    level, freedom : float
        As in `limits`; the mean is that of the normal belief (under Student's t it is infinite).

    References
    ----------
    Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 1994, chapter 14.
    """
    low, high = limits(estimate, variance, level=level, freedom=freedom)
    return FromLogs(
        median=np.exp(estimate),
        mean=np.exp(estimate + np.asarray(variance) / 2),
        low=np.exp(low),
        high=np.exp(high),
    )
