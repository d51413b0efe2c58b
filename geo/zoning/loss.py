"""What a rate costs where the requirement is doubtful: loss per unit short and per unit over.

Loss = cost_too_little * (requirement - rate)+ + cost_too_much * (rate - requirement)+, the check
loss of decision under doubt (Goovaerts 1997, Geostatistics for Natural Resources Evaluation; from
memory). Its least expectation lies at the quantile cost_too_little / (sum of both).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array

#: So many different rates are told apart; beyond it the steps are taken several at a time.
MOST_LEVELS = 160

#: Draws times cells handled at once: bounds the memory, and stays inside the processor's cache.
CHUNK = 1_000_000
#: The same where draws go by one after the other and little is kept.
ROWS = 60_000

Draws = NDArray[np.float32]


@dataclass(frozen=True)
class LossCurves:
    """Expected loss of every cell at every rate the spreader can be set to.

    Attributes
    ----------
    rates : array (levels,)
        Rates that can be spread, from 0 up. [kg/ha]
    loss : float32 array (cells, levels)
        Expected loss, in the unit of the cost ratio times kg/ha.
    """

    rates: Array
    loss: NDArray[np.float32]

    def best_of_cells(self) -> NDArray[np.int64]:
        """Level of least expected loss, cell by cell."""
        return np.asarray(np.argmin(self.loss, axis=1))

    def best_of(self, cells: NDArray[np.bool_]) -> int:
        """Level of least expected loss for a set of cells treated alike."""
        return int(np.argmin(self.loss[cells].sum(axis=0, dtype=float)))


def rates_to_set(
    top_kg_ha: float, step_kg_ha: float, minimum_kg_ha: float, cap_kg_ha: float | None
) -> Array:
    """Rates a spreader can be set to: nothing, or steps from the practical minimum to the cap.

    A cap below the minimum leaves the minimum aside: such small rates are blended or sprayed.

    Examples
    --------
    >>> rates_to_set(3200, 500, 1000, 2600).tolist()
    [0.0, 1000.0, 1500.0, 2000.0, 2500.0]
    """
    most = math.inf if cap_kg_ha is None else cap_kg_ha
    least = minimum_kg_ha if minimum_kg_ha <= most else 0.0
    # 1e-9: a rate that is a whole number of steps must not be lost to rounding.
    first = max(1, math.ceil(least / step_kg_ha - 1e-9))
    last = math.ceil(max(top_kg_ha, least) / step_kg_ha - 1e-9)
    if math.isfinite(most):
        last = min(last, math.floor(most / step_kg_ha + 1e-9))
    stride = max(1, math.ceil((last - first + 1) / MOST_LEVELS))
    steps = np.arange(first, last + stride, stride)
    steps = np.minimum(steps, last)[: max(0, last - first + 1)]
    return np.concatenate([[0.0], np.unique(steps) * step_kg_ha])


def highest_rate(draws: Draws, quantile: float) -> float:
    """The highest rate any cell can ask for: the largest quantile, read on some cells. [kg/ha]"""
    every = max(1, draws.shape[1] // 1000)
    seen = np.quantile(draws[:, ::every], quantile, axis=0)
    return float(seen.max()) * (1.0 if every == 1 else 1.1)


def loss_curves(
    draws: Draws, rates: Array, cost_too_little: float, cost_too_much: float
) -> LossCurves:
    """Expected loss of every cell at every rate, exactly, from one pass over the draws.

    Each draw is put between two rates; counts and sums above a rate then give the loss there.
    """
    count, cells = draws.shape
    levels = len(rates)
    loss = np.empty((cells, levels), dtype=np.float32)
    width = max(1, CHUNK // count)
    for start in range(0, cells, width):
        part = draws[:, start : start + width]
        wide = part.shape[1]
        below = np.searchsorted(rates.astype(np.float32), part.ravel(), side="left")
        place = below.reshape(part.shape) + np.arange(wide) * (levels + 1)
        shape = (wide, levels + 1)
        numbers = np.bincount(place.ravel(), minlength=wide * (levels + 1)).reshape(shape)
        sums = np.bincount(
            place.ravel(), weights=part.ravel(), minlength=wide * (levels + 1)
        ).reshape(shape)
        at_most = np.cumsum(numbers, axis=1)[:, :-1]
        sum_at_most = np.cumsum(sums, axis=1)[:, :-1]
        short = sums.sum(axis=1, keepdims=True) - sum_at_most - rates * (count - at_most)
        over = rates * at_most - sum_at_most
        loss[start : start + wide] = (cost_too_little * short + cost_too_much * over) / count
    return LossCurves(rates, loss)


def loss_by_draw(
    draws: Draws, rate_kg_ha: Array, cost_too_little: float, cost_too_much: float
) -> Array:
    """Mean loss over the block in each draw, at a rate per cell. Shape (draws,)."""
    count, cells = draws.shape
    total = np.zeros(count)
    rate = rate_kg_ha.astype(np.float32)
    step = max(1, ROWS // max(1, cells))
    for start in range(0, count, step):
        short = draws[start : start + step] - rate
        over = short * -cost_too_much
        short *= cost_too_little
        # max(a x, -b x) is the check loss in one step.
        total[start : start + step] = np.maximum(short, over, out=short).sum(axis=1)
    return np.asarray(total / cells)


def normal_loss(
    rate: float, mean: float, sd: float, cost_too_little: float, cost_too_much: float
) -> float:
    """Expected loss at a rate when the requirement is max(0, M), M normal.

    E(rate - R)+ = s [z Phi(z) + phi(z)] - s [z0 Phi(z0) + phi(z0)], z = (rate - mean)/s,
    z0 = -mean/s; E(R - rate)+ = s [phi(z) - z (1 - Phi(z))].
    """
    z, zero = (rate - mean) / sd, -mean / sd
    over = sd * (z * _cdf(z) + _pdf(z)) - sd * (zero * _cdf(zero) + _pdf(zero))
    short = sd * (_pdf(z) - z * (1 - _cdf(z)))
    return cost_too_little * short + cost_too_much * over


def _pdf(z: float) -> float:
    return math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)


def _cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))
