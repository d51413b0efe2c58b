"""Walking where rows cannot be crossed, as under wires: from row to row round the row ends."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.grids import Array
from geo.planning.constraints import Rows, rows_of

#: Rows are looked at no farther than this to either side of a block. [1]
MOST_ROWS = 5000


@dataclass(frozen=True)
class RowWalk:
    """The rows of a block as walls that are open at both ends.

    A row reaches from edge to edge of the block: cross alleys are not on file, so the way is
    rather told too long than too short.

    Attributes
    ----------
    rows : Rows
    first : int
        Number of the first row in the block.
    low_m, high_m : array (rows, rows)
        From row i to row j: how far along the rows a person must go to pass all of i to j at
        their one end or the other. [m]
    """

    rows: Rows
    first: int
    low_m: Array
    high_m: Array

    def distances_m(self, xy: Array) -> Array:
        """Way between all places: along the row, or round the nearer ends. [m]"""
        along, across = xy @ self.rows.along, xy @ self.rows.across
        apart = np.abs(along[:, None] - along)
        low, high = self._ends(xy, xy)
        over = np.minimum(
            2.0 * high - along[:, None] - along, along[:, None] + along - 2.0 * low
        )  # fmt: skip
        number = self.rows.row_of(xy)
        round_m = over + np.abs(across[:, None] - across)
        same = number[:, None] == number
        straight = np.hypot(apart, across[:, None] - across)
        return np.asarray(np.where(same, straight, round_m))

    def path(self, xy: Array) -> Array:
        """The places in their order, and the corners walked between them. [m]"""
        points = [xy[0]]
        for here, there in pairwise(xy):
            points += [*self._corners(here, there), there]
        return np.array(points)

    def _corners(self, here: Array, there: Array) -> list[Array]:
        pair = np.vstack([here, there])
        first, last = self.rows.row_of(pair)
        if first == last:
            return []
        along = pair @ self.rows.along
        low, high = (float(ends[0, 1]) for ends in self._ends(pair, pair))
        end = high if 2.0 * high - along.sum() <= along.sum() - 2.0 * low else low
        return [place + (end - at) * self.rows.along for place, at in zip(pair, along, strict=True)]

    def _ends(self, a: Array, b: Array) -> tuple[Array, Array]:
        """Where all rows between two places are passed, at either end, seen along the rows."""
        i, j = self._index(a)[:, None], self._index(b)[None, :]
        reach = [a @ self.rows.along, b @ self.rows.along]
        low = np.minimum(self.low_m[i, j], np.minimum(reach[0][:, None], reach[1]))
        high = np.maximum(self.high_m[i, j], np.maximum(reach[0][:, None], reach[1]))
        return low, high

    def _index(self, xy: Array) -> NDArray[np.int64]:
        # A gate beside the block counts with the outermost row there.
        number = self.rows.row_of(xy) - self.first
        return np.asarray(np.clip(number, 0, len(self.low_m) - 1), dtype=np.int64)


def row_walk(outline: BaseGeometry, rows: Rows) -> RowWalk | None:
    """The rows of a block as walls; None where no row stands in it."""
    corners = shapely.get_coordinates(outline)
    numbers = rows.row_of(corners)
    first, count = int(numbers.min()), int(numbers.max() - numbers.min()) + 1
    if count > MOST_ROWS:
        return None
    ends = [_row_ends(outline, rows, first + k) for k in range(count)]
    kept = [k for k, pair in enumerate(ends) if pair is not None]
    if not kept:
        return None
    first += kept[0]
    pairs = [pair or (np.inf, -np.inf) for pair in ends[kept[0] : kept[-1] + 1]]
    low, high = np.array(pairs).T
    return RowWalk(rows, first, _between(low, np.minimum), _between(high, np.maximum))


def walls_of(block: Block) -> RowWalk | None:
    """Rows of a block that cannot be crossed; None where farm.toml does not tell them."""
    rows = rows_of(block)
    return None if rows is None else row_walk(block.outline, rows)


def _between(ends: Array, farther: np.ufunc) -> Array:
    """The farthest end of rows i to j, for all i and j."""
    table = np.empty((len(ends), len(ends)))
    for i in range(len(ends)):
        table[i, i:] = farther.accumulate(ends[i:])
        table[i:, i] = table[i, i:]
    return table


def _row_ends(outline: BaseGeometry, rows: Rows, number: int) -> tuple[float, float] | None:
    """Where a row enters and leaves the block, seen along the rows. [m]"""
    west, south, east, north = outline.bounds
    reach = float(np.hypot(east - west, north - south)) + 1.0
    centre = np.array([(west + east) / 2.0, (south + north) / 2.0])
    off = (centre - np.asarray(rows.through_m)) @ rows.across - number * rows.spacing_m
    foot = centre - off * rows.across
    line = shapely.LineString([foot - reach * rows.along, foot + reach * rows.along])
    inside = shapely.get_coordinates(line.intersection(outline)) @ rows.along
    return (float(inside.min()), float(inside.max())) if len(inside) else None
