"""Best breaks of one number into classes, by dynamic programming (Fisher 1958)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array
from geo.zoning.loss import LossCurves

Labels = NDArray[np.int64]


def partition(cost: Array, most: int) -> tuple[Labels, ...]:
    """Cheapest cuts of an ordered list into 1, 2, ... runs.

    D[q][j] = min over i of D[q-1][i] + cost(i+1 .. j).

    Parameters
    ----------
    cost : array (n, n)
        Cost of the run from i to j, both included, for i <= j.
    most : int
        Most runs wanted; no more than n are made.

    Returns
    -------
    tuple of int arrays
        For 1, 2, ... runs: where each run begins.
    """
    n = len(cost)
    best = cost[0].copy()
    came_from: list[Labels] = []
    starts: list[Labels] = [np.array([0])]
    for runs in range(2, min(most, n) + 1):
        # ways[i, j]: the last run begins at i, the runs before it end at i - 1.
        ways = np.full((n, n), np.inf)
        ways[1:] = best[:-1, None] + cost[1:]
        ways[np.tril_indices(n, -1)] = np.inf
        came_from.append(np.argmin(ways, axis=0))
        best = np.min(ways, axis=0)
        begins, end = [], n - 1
        for step in range(runs - 2, -1, -1):
            begin = int(came_from[step][end])
            begins.append(begin)
            end = begin - 1
        starts.append(np.array([0, *reversed(begins)]))
    return tuple(starts)


def rate_breaks(curves: LossCurves, most: int) -> tuple[Labels, ...]:
    """Cells split into 1, 2, ... classes of least expected loss, by their own best rate.

    Cells that ask for the same rate are never split. Class 0 asks for least.

    Returns
    -------
    tuple of int arrays (cells,)
        Class of each cell; as many as there are different rates, at most `most`.
    """
    own = curves.best_of_cells()
    asked, group = np.unique(own, return_inverse=True)
    summed = np.zeros((len(asked), len(curves.rates)))
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], np.arange(len(asked)))
    summed[:] = np.add.reduceat(curves.loss[order], first, axis=0, dtype=float)
    before = np.vstack([np.zeros(len(curves.rates)), np.cumsum(summed, axis=0)])
    cost = np.full((len(asked), len(asked)), np.inf)
    for i in range(len(asked)):
        cost[i, i:] = (before[i + 1 :] - before[i]).min(axis=1)
    return tuple(
        (np.searchsorted(starts, np.arange(len(asked)), side="right") - 1)[group]
        for starts in partition(cost, most)
    )


def natural_breaks(values: Array, count: int, weights: Array | None = None) -> Array:
    """Upper limits, included, of the classes with the least weighted sum of squares within.

    Examples
    --------
    >>> values = [1.3, 7.1, 7.3, 2.3, 3.9, 4.1, 7.8, 1.2, 4.3, 7.3, 5.0, 4.3]
    >>> natural_breaks(values, 3).tolist()
    [2.3, 5.0, 7.8]
    """
    values = np.asarray(values, dtype=float)
    weights = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=float)
    distinct, group = np.unique(values, return_inverse=True)
    weight = np.bincount(group, weights)
    # Centred: sums of squares of numbers far from zero lose their digits.
    centred = distinct - np.average(distinct, weights=weight)
    sums = [np.concatenate([[0.0], np.cumsum(weight * centred**p)]) for p in range(3)]
    n = len(distinct)
    number, total, square = (s[None, 1:] - s[:n, None] for s in sums)
    inside = np.triu(np.ones((n, n), dtype=bool))
    number = np.where(inside, number, 1.0)
    cost = np.where(inside, np.maximum(square - total**2 / number, 0.0), np.inf)
    starts = partition(cost, count)[-1]
    return np.asarray(distinct[np.append(starts[1:] - 1, n - 1)])
