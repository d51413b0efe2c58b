"""What change can be told from noise: detectable change, paired tests, false discoveries.

Arrays and figures only; no soil here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from geo.belief.prediction import t_below, t_quantile
from geo.errors import KrigingError
from geo.geostatistics.covariance import VariogramModel
from geo.grids import Array, Mask

#: Chance of calling a change where there is none, and of missing one as large as stated. [1]
ALPHA = 0.05
POWER = 0.8
#: Share of false findings among those that are called, over a map or a table. [1]
FALSE_DISCOVERY = 0.10
#: Student's t with more degrees of freedom is the normal. [1]
MOST_DEGREES = 1e6


@dataclass(frozen=True)
class Mean:
    """A mean of single differences with its doubt; `sd` is that of one, `se` of the mean."""

    n: int
    mean: float
    sd: float
    se: float
    degrees: float

    @property
    def p(self) -> float:
        """Two-sided chance of a mean this far from 0 if nothing had changed. [1]"""
        if not self.se > 0.0 or self.degrees < 1:
            return math.nan
        return two_sided(self.mean / self.se, self.degrees)

    def interval(self, chance: float = 1.0 - ALPHA) -> tuple[float, float]:
        """Limits that hold the mean with the given chance."""
        if self.degrees < 1:
            return math.nan, math.nan
        half = _quantile(0.5 + chance / 2.0, self.degrees) * self.se
        return self.mean - half, self.mean + half


def two_sided(t: float, degrees: float) -> float:
    """Two-sided chance of Student's t. [1]"""
    from scipy.special import stdtr

    return float(2.0 * stdtr(degrees, -abs(t)))


def _quantile(chance: float, degrees: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(degrees, chance))


def mean_of(differences: Array, *, shift_sd: float = 0.0) -> Mean:
    """Mean of paired differences.

    Parameters
    ----------
    differences : array (n,)
    shift_sd : float
        Doubt that all of them share, such as a change of laboratory: more pairs do not lessen it.
    """
    n = len(differences)
    middle = float(np.mean(differences)) if n else math.nan
    sd = float(np.std(differences, ddof=1)) if n > 1 else math.nan
    if n < 2 or not sd > 0.0:
        return Mean(n, middle, sd, shift_sd or math.nan, 0.0)
    own = sd**2 / n
    # The shift's doubt is known, not estimated: by Satterthwaite it adds degrees of freedom.
    degrees = (n - 1) * ((own + shift_sd**2) / own) ** 2
    return Mean(n, middle, sd, math.sqrt(own + shift_sd**2), min(degrees, MOST_DEGREES))


def between(treated: Array, control: Array) -> Mean:
    """Difference between the mean changes of two sets of places (Welch). [unit]

    What the season or the laboratory did to both falls out. Degrees of freedom by Welch and
    Satterthwaite (from memory; the tests hold them against scipy).
    """
    a, b = mean_of(treated), mean_of(control)
    of_a, of_b = a.se**2, b.se**2
    both = of_a + of_b
    if not both > 0.0:
        return Mean(min(a.n, b.n), a.mean - b.mean, math.nan, math.nan, 0.0)
    degrees = both**2 / (of_a**2 / (a.n - 1) + of_b**2 / (b.n - 1))
    spread = math.sqrt((a.sd**2 + b.sd**2) / 2.0)
    return Mean(min(a.n, b.n), a.mean - b.mean, spread, math.sqrt(both), degrees)


def power_of(change: float, sd_difference: float, n: int, alpha: float = ALPHA) -> float:
    """Chance that the two-sided paired t test sees a true mean change. [1]

    The integral over the chi-square of the sample variance, which stays finite where routines for
    the noncentral t do not.
    """
    from scipy.special import ndtr
    from scipy.stats import chi2

    degrees = n - 1
    away = abs(change) * math.sqrt(n) / sd_difference
    critical = t_quantile(1.0 - alpha / 2.0, degrees)
    nodes, weights = _quadrature()
    chances = (nodes + 1.0) / 2.0
    # Over the chances of u instead of u itself the range is finite and the density is 1.
    reach = critical * np.sqrt(chi2.ppf(chances, degrees) / degrees)
    return float(weights @ (ndtr(away - reach) + ndtr(-away - reach)) / 2.0)


@cache
def _quadrature() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(200)
    return nodes, weights


def detectable_mean(sd_difference: float, n: int, alpha: float = ALPHA) -> float:
    """Smallest true mean change that n paired differences see four times in five.

    Parameters
    ----------
    sd_difference : float
        Of one difference: sqrt(2) times that of a result, if both years are alike. [unit]
    n : int
        Pairs; with one there is no test, and the answer is infinite.

    Examples
    --------
    >>> round(detectable_mean(0.10 * 2**0.5, 10), 3)
    0.141
    """
    return math.inf if n < 2 else sd_difference * _detectable_steps(n, alpha)


@cache
def _detectable_steps(n: int, alpha: float) -> float:
    """Detectable mean change in standard deviations of one difference. [1]"""
    from scipy.optimize import brentq

    def lacking(steps: float) -> float:
        return power_of(steps, 1.0, n, alpha) - POWER

    return float(brentq(lacking, 1e-6, 200.0, xtol=1e-13))


def detectable_single(sd_difference: float) -> float:
    """Difference at one place that noise exceeds once in twenty. [unit]

    Examples
    --------
    >>> round(detectable_single(0.15 * 2**0.5), 3)
    0.416
    """
    from scipy.special import ndtri

    return float(ndtri(1.0 - ALPHA / 2.0)) * sd_difference


def discoveries(chances: Array, rate: float = FALSE_DISCOVERY) -> Mask:
    """Which of many tests stand, so that at most a share `rate` of them is false.

    Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57, 289-300 (from
    memory; the reference case holds the arithmetic).

    Examples
    --------
    >>> discoveries(np.array([0.001, 0.8, 0.03]), 0.05).tolist()
    [True, False, True]
    """
    limit = discovery_limit(chances, rate)
    with np.errstate(invalid="ignore"):
        stands: Mask = np.asarray(chances <= limit)
    return stands


def discovery_limit(chances: Array, rate: float = FALSE_DISCOVERY) -> float:
    """Largest chance that still stands; below 0 where none does."""
    known = np.sort(chances[np.isfinite(chances)])
    if not len(known):
        return -1.0
    stands = np.flatnonzero(known <= rate * np.arange(1, len(known) + 1) / len(known))
    return float(known[stands[-1]]) if len(stands) else -1.0


@dataclass(frozen=True)
class CorrelatedMean:
    """Mean of differences that are alike where they are near.

    Attributes
    ----------
    mean, se : float
        Of the process behind the differences.
    effective_n : float
        How many independent differences would tell as much.
    block_mean, block_sd : float
        Of this block: the mean over its places.
    """

    mean: float
    se: float
    effective_n: float
    block_mean: float
    block_sd: float


def correlated_mean(
    model: VariogramModel, xy: Array, differences: Array, places: Array
) -> CorrelatedMean:
    """Mean change with a known variogram of the differences, its noise filtered out.

    mean = 1'V^-1 d / 1'V^-1 1, se = (1'V^-1 1)^-1/2; the block's by kriging the mean of `places`.

    Parameters
    ----------
    model : VariogramModel
        Of the differences.
    xy, differences : array (n, 2), array (n,)
    places : array (m, 2)
        That stand for the block. [m]

    Raises
    ------
    KrigingError
        If fewer than two stations were sampled in both years.
    """
    if len(xy) < 2:
        raise KrigingError("A mean change needs at least two stations sampled in both years.")
    covariance = model.between_samples(xy)
    to_block = model.structured(xy, places).mean(axis=1)
    within = float(model.structured(places, places).mean())
    ones = np.ones(len(xy))
    solved = np.linalg.solve(covariance, np.column_stack([ones, differences, to_block]))
    precision = float(ones @ solved[:, 0])
    mean = float(ones @ solved[:, 1]) / precision
    lacking = 1.0 - float(ones @ solved[:, 2])
    block = mean + float(to_block @ (solved[:, 1] - mean * solved[:, 0]))
    variance = within - float(to_block @ solved[:, 2]) + lacking**2 / precision
    return CorrelatedMean(
        mean=mean,
        se=precision**-0.5,
        effective_n=(model.sill + model.noise) * precision,
        block_mean=block,
        block_sd=math.sqrt(max(variance, 0.0)),
    )


def chance_beyond(change: Array, sd: Array, threshold: float) -> Array:
    """Chance that the change is larger than a threshold, either way. [1]

    Phi(-(t - D)/sd) + Phi(-(t + D)/sd).
    """
    from scipy.special import ndtr

    up = ndtr(-(threshold - change) / sd)
    down = ndtr(-(threshold + change) / sd)
    return np.asarray(up + down, dtype=float)


def chances_of(change: Array, sd: Array, degrees: int) -> Array:
    """Two-sided chance of each mapped change if nothing had changed there. [1]"""
    with np.errstate(invalid="ignore", divide="ignore"):
        away = -np.abs(change / sd)
    return np.asarray(2.0 * t_below(away, degrees))
