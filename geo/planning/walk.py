"""The way round the spots: exact for few, nearest neighbour with 2-opt and or-opt for many.

Held and Karp (1962), Journal of SIAM 10, 196 (exact); Croes (1958), Operations Research 6, 791
(2-opt); Or (1976) (or-opt); all from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array
from geo.planning.rowwalk import RowWalk

Order = list[int]

#: Up to so many spots the shortest way is found exactly.
EXACT_UP_TO = 12
#: Spots the heuristic sets out from.
STARTS = 5
#: A way shorter by less than this is the same way. [m]
SAME_M = 1e-9


def distances_m(xy: Array) -> Array:
    """Straight distances between all places. [m]"""
    distance: Array = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    return distance


def way_length_m(distance: Array, order: Sequence[int], *, closed: bool) -> float:
    """Length of a way in the given order. [m]"""
    steps = float(np.sum(distance[order[:-1], order[1:]])) if len(order) > 1 else 0.0
    return steps + (float(distance[order[-1], order[0]]) if closed and len(order) > 1 else 0.0)


def shortest_way(
    xy: Array, *, closed: bool, start: int | None = None, rows: RowWalk | None = None
) -> Order:
    """Order in which to walk round.

    Parameters
    ----------
    xy : array (n, 2)
        [m]
    closed : bool
        Whether the way leads back to where it began.
    start : int, optional
        The place to set out from, such as the gate; None leaves it open (an open way) or takes the
        first (a closed one).
    rows : RowWalk, optional
        Rows that cannot be crossed; None walks straight.

    Returns
    -------
    list of int
        Each place once, the start first.
    """
    count = len(xy)
    if count < 3:
        return _turned(list(range(count)), start or 0)
    # An open way is a round by way of a place that is no distance from anywhere; if it must set
    # out from one place, reaching that place from anywhere else at the end costs nothing.
    distance = distances_m(xy) if rows is None else rows.distances_m(xy)
    if closed:
        return _turned(_round(distance), start or 0)
    if start is not None:
        back = distance.copy()
        back[:, start] = 0.0
        return _open_from(back, distance, start)
    padded = np.zeros((count + 1, count + 1))
    padded[:count, :count] = distance
    return _turned(_round(padded), count)[1:]


def _turned(order: Order, first: int) -> Order:
    if not order:
        return order
    place = order.index(first)
    return order[place:] + order[:place]


def _open_from(back: Array, distance: Array, start: int) -> Order:
    if len(distance) <= EXACT_UP_TO:
        return _turned(_held_karp(back), start)
    order = _nearest_neighbour(distance, start)
    return _improve_open(distance, order)


def _round(distance: Array) -> Order:
    count = len(distance)
    if count <= EXACT_UP_TO:
        return _held_karp(distance)
    starts = range(0, count, max(1, count // STARTS))
    ways = [_improve_closed(distance, _nearest_neighbour(distance, s)) for s in starts]
    return min(ways, key=lambda way: way_length_m(distance, way, closed=True))


def _held_karp(distance: Array) -> Order:
    """Shortest round by dynamic programming over sets of visited places, from place 0."""
    count = len(distance)
    others = count - 1
    full = 1 << others
    best = np.full((full, others), np.inf)
    previous: NDArray[np.int64] = np.full((full, others), -1, dtype=np.int64)
    for j in range(others):
        best[1 << j, j] = distance[0, j + 1]
    between = distance[1:, 1:]
    for visited in range(1, full):
        here = best[visited]
        reached = np.flatnonzero(np.isfinite(here))
        if not len(reached):
            continue
        onward = here[reached, None] + between[reached]
        best_from = np.argmin(onward, axis=0)
        length = onward[best_from, np.arange(others)]
        for j in range(others):
            if visited >> j & 1:
                continue
            larger = visited | 1 << j
            if length[j] < best[larger, j]:
                best[larger, j], previous[larger, j] = length[j], reached[best_from[j]]
    last = int(np.argmin(best[full - 1] + distance[1:, 0]))
    order, visited = [], full - 1
    while last >= 0:
        order.append(last + 1)
        visited, last = visited & ~(1 << last), int(previous[visited, last])
    return [0, *reversed(order)]


def _nearest_neighbour(distance: Array, start: int) -> Order:
    left = np.ones(len(distance), dtype=bool)
    order = [start]
    left[start] = False
    while left.any():
        nearest = int(np.argmin(np.where(left, distance[order[-1]], np.inf)))
        order.append(nearest)
        left[nearest] = False
    return order


def _improve_closed(distance: Array, order: Order) -> Order:
    """2-opt and or-opt in turn until neither shortens the round."""
    while True:
        shorter = _two_opt(distance, order, closed=True)
        shorter = _or_opt(distance, shorter, closed=True)
        if _gain(distance, order, shorter, closed=True) <= SAME_M:
            return order
        order = shorter


def _improve_open(distance: Array, order: Order) -> Order:
    """The same for a way that keeps its first place and ends anywhere."""
    while True:
        shorter = _two_opt(distance, order, closed=False)
        shorter = _or_opt(distance, shorter, closed=False)
        if _gain(distance, order, shorter, closed=False) <= SAME_M:
            return order
        order = shorter


def _gain(distance: Array, before: Order, after: Order, *, closed: bool) -> float:
    return way_length_m(distance, before, closed=closed) - way_length_m(
        distance, after, closed=closed
    )


def _two_opt(distance: Array, order: Order, *, closed: bool) -> Order:
    """Turn a stretch round wherever that shortens the way, the best first."""
    count = len(order)
    way = np.array(order)
    while True:
        ahead = np.roll(way, -1)
        step = distance[way, ahead]
        if not closed:
            step[-1] = 0.0
        # Edges i -> i+1 and j -> j+1 become i -> j and i+1 -> j+1.
        joined = distance[way[:, None], way] + distance[ahead[:, None], ahead]
        if not closed:
            joined[:, -1] = distance[way, way[-1]]
        change = joined - step[:, None] - step
        change[np.tril_indices(count, 0)] = 0.0
        i, j = np.unravel_index(int(np.argmin(change)), change.shape)
        if change[i, j] >= -SAME_M:
            return [int(place) for place in way]
        way[i + 1 : j + 1] = way[i + 1 : j + 1][::-1].copy()


def _or_opt(distance: Array, order: Order, *, closed: bool) -> Order:
    """Move stretches of one to three places elsewhere, either way round, while that helps."""
    improved = True
    while improved:
        improved = False
        for size in (1, 2, 3):
            for at in range(1, len(order) - size + 1):
                moved = _best_place(distance, order, at, size, closed=closed)
                if moved is not None:
                    order, improved = moved, True
    return order


def _best_place(distance: Array, order: Order, at: int, size: int, *, closed: bool) -> Order | None:
    piece, rest = order[at : at + size], order[:at] + order[at + size :]
    if len(rest) < 2:
        return None
    before, after = np.array(rest), np.roll(rest, -1)
    step = distance[before, after]
    onward = distance[:, after].copy()
    if not closed:
        step[-1] = 0.0
        onward[:, -1] = 0.0
    inside = way_length_m(distance, piece, closed=False)
    whole = way_length_m(distance, order, closed=closed)
    base = way_length_m(distance, rest, closed=closed) + inside
    costs = [
        base + distance[before, first] + onward[last] - step
        for first, last in ((piece[0], piece[-1]), (piece[-1], piece[0]))
    ]
    turn = int(np.min(costs[1]) < np.min(costs[0]))
    place = int(np.argmin(costs[turn]))
    if costs[turn][place] >= whole - 1e-7:
        return None
    return rest[: place + 1] + (piece[::-1] if turn else piece) + rest[place + 1 :]


def days_of(
    xy: Array, gate: Array | None, most_a_day: int | None, rows: RowWalk | None = None
) -> list[Order]:
    """Spots in walking order, day by day, every day from the gate and back where there is one.

    Parameters
    ----------
    xy : array (n, 2)
        [m]
    gate : array (2,) or None
        [m]
    most_a_day : int or None
        Spots one day can hold; None for all in one.
    rows : RowWalk or None
        Rows that cannot be crossed.

    Returns
    -------
    list of list of int
        Indices into `xy`.
    """
    if not len(xy):
        return []
    order = _from_gate(xy, list(range(len(xy))), gate, rows)
    if not most_a_day or len(order) <= most_a_day:
        return [order]
    days = -(-len(order) // most_a_day)
    parts = [[int(i) for i in part] for part in np.array_split(np.array(order), days)]
    return [_from_gate(xy, part, gate, rows) for part in parts]


def _from_gate(xy: Array, part: Order, gate: Array | None, rows: RowWalk | None) -> Order:
    here = xy[part]
    if gate is None:
        return [part[i] for i in shortest_way(here, closed=False, rows=rows)]
    all_ = np.vstack([np.asarray(gate)[None, :], here])
    order = shortest_way(all_, closed=True, start=0, rows=rows)
    return [part[i - 1] for i in order[1:]]


def walked_m(
    xy: Array, days: Sequence[Order], gate: Array | None, rows: RowWalk | None = None
) -> float:
    """All the walking of a plan. [m]"""
    total = 0.0
    for day in days:
        way = xy[day] if gate is None else np.vstack([gate, xy[day], gate])
        way = way if rows is None else rows.path(way)
        total += float(np.sum(np.hypot(*np.diff(way, axis=0).T)))
    return total


def way_of_all_m(
    xy: Array, gate: Array | None, most_a_day: int | None, rows: RowWalk | None = None
) -> float:
    """How far one walks to take all spots, day by day, in the best order found. [m]"""
    return walked_m(xy, days_of(xy, gate, most_a_day, rows), gate, rows)
