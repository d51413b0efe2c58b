"""Designs that ask for no variogram: spatial coverage by k-means, and close pairs.

Spatial coverage and coverage infill: Brus, Spatial Sampling with R, 2022, chapter 17. Close pairs:
Lark and Marchant (2018), Geoderma 319, 89; Wadoux, Marchant and Lark (2019), European Journal of
Soil Science 70, 975.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.errors import KrigingError
from geo.grids import Array, Mask
from geo.planning.constraints import Rows, too_close
from geo.planning.exchange import no_room

#: Starts of k-means; the best is kept.
STARTS = 10
#: Rounds of k-means at most.
ROUNDS = 100
#: Close pairs in a first survey: a tenth of the spots, at least three. [1]
PAIR_SHARE, LEAST_PAIRS = 0.1, 3
#: Distances of a close companion. [m]
PAIR_M = (2.0, 5.0)


def coverage(
    cells: Array, count: int, rng: np.random.Generator, *, fixed: Array | None = None,
    weights: Array | None = None, starts: int = STARTS,
) -> Array:  # fmt: skip
    """Spots that lie as near as possible to every cell, around those that stand already.

    k-means on the cells, in which the fixed spots are centres that do not move.

    Parameters
    ----------
    cells : array (m, 2)
        All of the block, evenly. [m]
    count : int
        New spots.
    fixed : array (n, 2), optional
        [m]
    weights : array (m,), optional
        How much each cell counts.

    Returns
    -------
    array (count, 2)
        [m]

    Raises
    ------
    KrigingError
        If there are not more cells than spots.
    """
    fixed = np.empty((0, 2)) if fixed is None else fixed
    weights = np.ones(len(cells)) if weights is None else weights
    if count <= 0:
        return np.empty((0, 2))
    if count >= len(cells):
        raise KrigingError(f"{count} spots are more than the {len(cells)} cells they should cover.")
    runs = [_one_run(cells, count, rng, fixed, weights) for _ in range(starts)]
    best: Array = min(runs, key=lambda run: run[0])[1]
    return best


def _one_run(
    cells: Array, count: int, rng: np.random.Generator, fixed: Array, weights: Array
) -> tuple[float, Array]:
    from scipy.spatial import cKDTree

    spots = _spread_start(cells, count, rng, fixed, weights)
    for _ in range(ROUNDS):
        nearest = cKDTree(np.vstack([fixed, spots])).query(cells)[1] - len(fixed)
        mine = nearest >= 0
        mass = np.bincount(nearest[mine], weights[mine], count)
        sums = [np.bincount(nearest[mine], (weights * cells[:, axis])[mine], count)
                for axis in (0, 1)]  # fmt: skip
        moved = spots.copy()
        served = mass > 0
        moved[served] = np.column_stack(sums)[served] / mass[served, None]
        step = float(np.abs(moved - spots).max())
        spots = moved
        if step < 1e-3 * np.ptp(cells, axis=0).max() / max(len(cells), 1) ** 0.5:
            break
    distance = cKDTree(np.vstack([fixed, spots])).query(cells)[0]
    return float(np.average(distance**2, weights=weights)), spots


def _spread_start(
    cells: Array, count: int, rng: np.random.Generator, fixed: Array, weights: Array
) -> Array:
    """First centres drawn with chance in step with the squared distance to those there are."""
    if len(fixed):
        from scipy.spatial import cKDTree

        square = cKDTree(fixed).query(cells)[0] ** 2
    else:
        square = np.ones(len(cells))
    chosen: list[int] = []
    for _ in range(count):
        chance = square * weights
        if not chance.sum() > 0:
            chance = np.ones(len(cells))
        pick = int(rng.choice(len(cells), p=chance / chance.sum()))
        chosen.append(pick)
        away = np.sum((cells - cells[pick]) ** 2, axis=1)
        square = away if len(chosen) == 1 and not len(fixed) else np.minimum(square, away)
    start: Array = cells[chosen].astype(float)
    return start


def onto_candidates(
    wanted: Array, places: Array, keep_off: Array, spacing_m: float
) -> NDArray[np.int64]:
    """The nearest free candidate of each wanted spot, in turn.

    Raises
    ------
    KrigingError
        If the field has no room for all of them.
    """
    free = ~too_close(places, keep_off, spacing_m)
    chosen: list[int] = []
    for spot in wanted:
        if not free.any():
            raise KrigingError(no_room(len(chosen), len(wanted), spacing_m))
        gap = np.hypot(*(places - spot).T)
        pick = int(np.argmin(np.where(free, gap, np.inf)))
        chosen.append(pick)
        free &= np.hypot(*(places - places[pick]).T) >= spacing_m
    return np.array(chosen, dtype=np.int64)


def pair_count(spots: int) -> int:
    """Close companions among the spots of a first survey; none among fewer than ten."""
    return max(LEAST_PAIRS, round(PAIR_SHARE * spots)) if spots >= 10 else 0


def companions(
    spots: Array, count: int, allowed: Mask, places: Array, rows: Rows | None
) -> NDArray[np.int64]:
    """Candidates that stand 2 to 5 m from a spot, along the row where rows are known.

    Parameters
    ----------
    spots : array (n, 2)
        Spots that may get a companion; those farthest apart get one. [m]
    allowed : array of bool (m,)
        Which places may be taken.
    places : array (m, 2)
        Fine candidates near the spots. [m]
    """
    hosts = _far_apart(spots, count)
    chosen: list[int] = []
    for host in hosts:
        offset = places - spots[host]
        gap = np.hypot(*offset.T)
        fits = allowed & (gap >= PAIR_M[0] - 1e-6) & (gap <= PAIR_M[1] + 1e-6)
        if rows is not None:
            fits &= np.abs(offset @ rows.across) < rows.spacing_m / 2.0
        if fits.any():
            middle = sum(PAIR_M) / 2.0
            chosen.append(int(np.argmin(np.where(fits, np.abs(gap - middle), np.inf))))
    return np.array(chosen, dtype=np.int64)


def _far_apart(spots: Array, count: int) -> list[int]:
    """Spots that are far from one another, one after the other, the middle one first."""
    if not count or not len(spots):
        return []
    chosen = [int(np.argmin(np.sum((spots - spots.mean(axis=0)) ** 2, axis=1)))]
    while len(chosen) < min(count, len(spots)):
        gap = np.min(
            np.hypot(*(spots[:, None, :] - spots[chosen][None, :, :]).transpose(2, 0, 1)), axis=1
        )
        chosen.append(int(np.argmax(gap)))
    return chosen
