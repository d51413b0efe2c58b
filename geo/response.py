"""The block's own response: how far pH or a nutrient moved for what was spread, with its doubt.

Bayesian regression: change = season + response x rate + noise, the published response as prior. The
season has a flat prior where untreated ground tells it, else one about 0. Lime and sulfur have
responses of their own: their apparent buffering differs about twofold, for lime never reacts in
full. Arrays and figures only; `geo.comparing` finds what goes in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geo.belief.prediction import t_quantile
from geo.grids import Array

#: Doubt of a published response on a natural log scale, common practice. [1]
PRIOR_LOG_SD = 0.4
#: Next year's rate changes by no more than this for what one block taught, common practice. [1]
MOST_CHANGE = 0.30
#: The measured change must exceed so many of its standard errors, common practice. [1]
LEAST_ERRORS = 2.0
#: Nodes of the posterior, and how far they reach on the log scale in prior sd.
NODES, REACH = 4001, 8.0


@dataclass(frozen=True)
class Prior:
    """The published response: its size without sign, its doubt on logs [1], where it stands."""

    value: float
    log_sd: float
    source: str


@dataclass(frozen=True)
class Measured:
    """The response as the stations show it, without the prior.

    Attributes
    ----------
    slope, se : float
        Change per unit of rate, with its sign. [unit per unit of rate]
    degrees : float
    season, season_se : float
        Change where nothing was spread. [unit]
    treated, untreated : int
        Stations.
    """

    slope: float
    se: float
    degrees: float
    season: float
    season_se: float
    treated: int
    untreated: int


@dataclass(frozen=True)
class Response:
    """What the block has taught about one amendment.

    Attributes
    ----------
    amendment, key, unit : str
        Such as "lime", "ph_water", "pH per t/ha".
    material : str
        The product as the records name it.
    prior, prior_low, prior_high : float
        Published response with its sign, 19 in 20. [unit]
    measured : Measured
    value, low, high : float
        Both together, 19 in 20. [unit]
    used : bool
        Whether next rates may use it: it is better known than the table and nothing speaks
        against it.
    against : tuple of str
        Why it is not used yet, each a sentence.
    notes : tuple of str
        What to know of it.
    source : str
        Where the published response stands.
    product_kg_per_unit : float
        Product that makes one unit of rate, such as 1000 for pH per t/ha. [kg]
    """

    amendment: str
    key: str
    unit: str
    material: str
    prior: float
    prior_low: float
    prior_high: float
    measured: Measured
    value: float
    low: float
    high: float
    used: bool
    against: tuple[str, ...]
    notes: tuple[str, ...]
    source: str
    product_kg_per_unit: float = 1.0

    def expected(self, product_kg_ha: float) -> float:
        """Change that the published response makes of so much product, with its sign. [unit]"""
        return self.prior * product_kg_ha / self.product_kg_per_unit

    @property
    def rate_factor(self) -> float:
        """What the table's rate is multiplied by next time, within 30 % of it; 1 if not used."""
        if not self.used:
            return 1.0
        return min(max(self.prior / self.value, 1.0 - MOST_CHANGE), 1.0 + MOST_CHANGE)


def measure(rates: Array, changes: Array, noise_sd: float, season_sd: float) -> Measured:
    """Least squares of the change on what was spread.

    Parameters
    ----------
    rates : array (stations,)
        What was really spread at each; 0 for untreated ground.
    changes : array (stations,)
        Second year less first. [unit]
    noise_sd : float
        Least noise of one change, from both laboratories; the stations' own scatter counts if it
        is larger. [unit]
    season_sd : float
        How far a season moves the block by itself, where no untreated station tells. [unit]

    Raises
    ------
    ValueError
        If no station was treated.
    """
    treated = rates > 0.0
    untreated = int((~treated).sum())
    if not treated.any():
        raise ValueError("No station was treated: there is nothing to measure a response by.")
    if untreated < 2:
        return _without_control(rates[treated], changes[treated], noise_sd, season_sd)
    design = np.column_stack([np.ones(len(rates)), rates])
    coefficients, *_ = np.linalg.lstsq(design, changes, rcond=None)
    residual = changes - design @ coefficients
    degrees = float(len(rates) - 2)
    variance = max(float(residual @ residual) / max(degrees, 1.0), noise_sd**2)
    covariance = variance * np.linalg.inv(design.T @ design)
    return Measured(
        float(coefficients[1]), math.sqrt(covariance[1, 1]), degrees,
        float(coefficients[0]), math.sqrt(covariance[0, 0]), int(treated.sum()), untreated,
    )  # fmt: skip


def _without_control(rates: Array, changes: Array, noise_sd: float, season_sd: float) -> Measured:
    """Mean change over mean rate, the season taken as 0 with its doubt."""
    n, rate = len(rates), float(np.mean(rates))
    sd = max(float(np.std(changes, ddof=1)) if n > 1 else noise_sd, noise_sd)
    se = math.sqrt(sd**2 / n + season_sd**2) / rate
    slope = float(np.mean(changes)) / rate
    return Measured(slope, se, float(max(n - 1, 1)), 0.0, season_sd, n, 0)


def update(prior: Prior, measured: Measured, sign: int) -> tuple[float, float, float]:
    """Median and 19-in-20 range of the response, prior and stations together, with its sign.

    The prior is lognormal: a response has one sign. The stations' likelihood is Student's t.
    """
    log_size = np.log(prior.value) + np.linspace(-REACH, REACH, NODES) * prior.log_sd
    away = (sign * measured.slope - np.exp(log_size)) / measured.se
    degrees = measured.degrees
    log_weight = -0.5 * ((log_size - math.log(prior.value)) / prior.log_sd) ** 2
    log_weight -= (degrees + 1.0) / 2.0 * np.log1p(away**2 / degrees)
    weight = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight) / weight.sum()
    low, middle, high = np.exp(np.interp((0.025, 0.5, 0.975), cumulative, log_size))
    ends = sorted((sign * float(low), sign * float(high)))
    return sign * float(middle), ends[0], ends[1]


def learn(
    amendment: str,
    key: str,
    unit: str,
    material: str,
    prior: Prior,
    measured: Measured,
    sign: int,
    against: Sequence[str] = (),
    notes: Sequence[str] = (),
    product_kg_per_unit: float = 1.0,
) -> Response:
    """Response of a block from the published one and from what its stations show.

    Parameters
    ----------
    sign : int
        1 where the amendment raises the property, -1 where it lowers it.
    against : sequence of str
        What speaks against using it, found outside: methods, months, placement.
    """
    value, low, high = update(prior, measured, sign)
    half = t_quantile(0.975, 10_000) * prior.log_sd
    span = sorted(sign * prior.value * math.exp(s * half) for s in (-1, 1))
    reasons = list(against)
    if not sign * measured.slope > LEAST_ERRORS * measured.se:
        reasons.append("The change is within twice its own error.")
    elif measured.se / abs(measured.slope) >= prior.log_sd:
        reasons.append("The table is still known better than this block.")
    return Response(
        amendment, key, unit, material, sign * prior.value, span[0], span[1], measured,
        value, low, high, not reasons, tuple(reasons), tuple(notes), prior.source,
        product_kg_per_unit,
    )  # fmt: skip


def lime_response(buffer_capacity: float, fine_earth_t_ha: float, neutralizing_pct: float) -> float:
    """Published pH rise per tonne of a liming material. [pH per t/ha]

    dpH = 19.98 A / (buffer capacity x fine earth), A in kg/ha of pure calcium carbonate: 0.1998
    with bulk density in Mg/m3 and depth in cm (chemistry; 50.04 g per mol of charge).

    Parameters
    ----------
    buffer_capacity : float
        Apparent, from lime. [mmol/kg per pH]
    fine_earth_t_ha : float
        Soil of the amended layer without stones. [t/ha]
    neutralizing_pct : float
        Pure and fine = 100. [%]

    Examples
    --------
    >>> round(lime_response(25.0, 1400.0, 100.0), 2)
    0.57
    """
    return 1000.0 * neutralizing_pct / 100.0 * 19.98 / (buffer_capacity * fine_earth_t_ha)


def sulfur_response(buffer_capacity: float, fine_earth_t_ha: float, sulfur_pct: float) -> float:
    """Published pH fall per 100 kg/ha of a sulfur product, without sign. [pH per 100 kg/ha]

    dpH = -62.38 A / (buffer capacity x fine earth), A in kg/ha S (chemistry; 2 mol of charge per
    32.06 g).
    """
    return 100.0 * sulfur_pct / 100.0 * 62.38 / (buffer_capacity * fine_earth_t_ha)
