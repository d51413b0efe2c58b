"""What a rate costs where the requirement is doubtful: loss per unit short and per unit over.

Loss = cost_too_little * (requirement - rate)+ + cost_too_much * (rate - requirement)+, the check
loss of decision under doubt (Goovaerts 1997, Geostatistics for Natural Resources Evaluation; from
memory). Its least expectation lies at the quantile cost_too_little / (sum of both).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array

#: So many different rates are told apart; beyond it the steps are taken several at a time.
MOST_LEVELS = 160

#: Draws times cells handled at once: bounds the memory, and stays inside the processor's cache.
CHUNK = 100_000
#: The same where draws go by one after the other and little is kept.
ROWS = 60_000

#: Fewer values than this are put in order outright; of more, about so many bracket a quantile.
FEW_VALUES, SOME_VALUES = 100_000, 16_000

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


def quantiles_of(draws: Draws, levels: Sequence[float]) -> Array:
    """Quantiles over all values, as `np.quantile` reads them, without putting all in order.

    Some of the values bracket each quantile; only what lies in the bracket is put in order.

    Examples
    --------
    >>> quantiles_of(np.arange(5, dtype=np.float32), (0.5, 0.9)).tolist()
    [2.0, 3.6]
    """
    flat = draws.ravel(order="K")
    if len(flat) < FEW_VALUES:
        return np.asarray(np.quantile(flat, levels), dtype=float)
    some = np.sort(flat[:: len(flat) // SOME_VALUES | 1])
    return np.array([_bracketed(flat, some, level) for level in levels])


def _bracketed(flat: Draws, some: Draws, level: float) -> float:
    """One quantile, read between two values of a sorted sample."""
    # Four standard errors of a rank in the sample, 2 sqrt(n), to either side.
    slack, middle = 2 * math.sqrt(len(some)), level * (len(some) - 1)
    first = some[max(0, math.floor(middle - slack))]
    last = some[min(len(some) - 1, math.ceil(middle + slack))]
    below, count, kept = 0, 0, []
    for start in range(0, len(flat), ROWS):
        part = flat[start : start + ROWS]
        under = part < first
        inside = (part <= last) & ~under
        below += int(np.count_nonzero(under))
        count += int(np.count_nonzero(inside))
        # Where the bracket is one value, as with many zeros, there is nothing to put in order.
        if first < last:
            kept.append(part[inside])
    place = level * (len(flat) - 1)
    ranks = np.array([math.floor(place), min(math.floor(place) + 1, len(flat) - 1)]) - below
    if ranks[0] < 0 or ranks[1] >= count:
        return float(np.quantile(flat, [level])[0])
    pair = np.partition(np.concatenate(kept), ranks)[ranks] if kept else np.array([first, first])
    # A list: a bare number would be counted in single precision.
    return float(np.quantile(pair, [place - math.floor(place)])[0])


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
        part = np.ascontiguousarray(draws[:, start : start + width])
        wide = part.shape[1]
        shape, size = (wide, levels + 1), wide * (levels + 1)
        place = (levels_of(rates, part) + np.arange(wide) * (levels + 1)).ravel()
        numbers = np.bincount(place, minlength=size).reshape(shape)
        sums = np.bincount(place, weights=part.ravel(), minlength=size).reshape(shape)
        at_most = np.cumsum(numbers, axis=1)[:, :-1]
        sum_at_most = np.cumsum(sums, axis=1)[:, :-1]
        short = sums.sum(axis=1, keepdims=True) - sum_at_most - rates * (count - at_most)
        over = rates * at_most - sum_at_most
        loss[start : start + wide] = (cost_too_little * short + cost_too_much * over) / count
    return LossCurves(rates, loss)


def levels_of(rates: Array, draws: Draws) -> NDArray[np.int64]:
    """Level of the lowest rate that is no less than each draw; one past the last if none is.

    Rates lie so far apart that an interval of half their least distance holds one at most: a
    draw's interval is known by division, and one comparison settles its level.

    Examples
    --------
    >>> draws = np.array([0, 900, 1000, 1600, 2600], dtype=np.float32)
    >>> levels_of(np.array([0.0, 1000, 1500, 2000, 2500]), draws).tolist()
    [0, 1, 1, 3, 5]
    """
    limits = rates.astype(np.float32)
    if len(limits) < 2:
        return np.searchsorted(limits, draws)
    width = np.diff(limits).min() / np.float32(2)
    starts = np.arange(math.ceil(limits[-1] / width) + 2) * width
    first = np.searchsorted(limits, starts)
    limit = np.append(limits, np.float32(np.inf))[first]
    interval = np.clip(draws / width, 0, len(starts) - 1).astype(np.intp)
    return np.asarray(first[interval] + (draws > limit[interval]))


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
