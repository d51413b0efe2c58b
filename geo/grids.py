"""Regular grids over a block, north-up or turned along the rows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geo.errors import KrigingError

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: More cells than this in one block is a slip in the settings, not a wish.
MOST_CELLS = 4_000_000


@dataclass(frozen=True)
class Grid:
    """Square cells over a block.

    The first row lies farthest "up", the first column farthest "left", where "right" points along
    `turn_deg` counter-clockwise from east. `origin_m` is the outer corner of the first cell. A
    north-up grid has `turn_deg` 0.

    Attributes
    ----------
    origin_m : (float, float)
        Outer corner of cell (0, 0), in the block's metric CRS. [m]
    spacing_m : float
        Side of a cell. [m]
    shape : (int, int)
        Rows, columns.
    crs : str
        The block's metric CRS, as "EPSG:code".
    inside : array of bool, shape (rows, columns)
        Cells whose centre lies in the block.
    turn_deg : float
        Direction of the rows of cells, counter-clockwise from east. [deg]
    """

    origin_m: tuple[float, float]
    spacing_m: float
    shape: tuple[int, int]
    crs: str
    inside: Mask
    turn_deg: float = 0.0

    def centres(self) -> Array:
        """Centres of all cells, row by row, shape (rows * columns, 2). [m]"""
        rows, columns = self.shape
        right = (np.arange(columns) + 0.5) * self.spacing_m
        down = (np.arange(rows) + 0.5) * self.spacing_m
        x, y = np.meshgrid(right, -down)
        turn = math.radians(self.turn_deg)
        east = self.origin_m[0] + x * math.cos(turn) - y * math.sin(turn)
        north = self.origin_m[1] + x * math.sin(turn) + y * math.cos(turn)
        return np.column_stack([east.ravel(), north.ravel()])

    def cells(self) -> Array:
        """Centres of the cells inside the block, shape (cells, 2). [m]"""
        return self.centres()[self.inside.ravel()]

    def spread(self, values: Array, outside: float = math.nan) -> Array:
        """Values of the inside cells put back in place, shape (rows, columns)."""
        full = np.full(self.shape, outside, dtype=float)
        full[self.inside] = values
        return full

    def cell_of(self, xy: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of each place; -1 where it falls off the grid."""
        turn = math.radians(self.turn_deg)
        offset = np.asarray(xy, dtype=float) - np.asarray(self.origin_m)
        right = offset[:, 0] * math.cos(turn) + offset[:, 1] * math.sin(turn)
        down = offset[:, 0] * math.sin(turn) - offset[:, 1] * math.cos(turn)
        column = np.floor(right / self.spacing_m).astype(np.int64)
        row = np.floor(down / self.spacing_m).astype(np.int64)
        off = (row < 0) | (row >= self.shape[0]) | (column < 0) | (column >= self.shape[1])
        row[off], column[off] = -1, -1
        return row, column


def grid_over(
    outline: BaseGeometry, crs: str, spacing_m: float, *, turn_deg: float = 0.0, pad_m: float = 0.0
) -> Grid:
    """Grid that covers an outline, with a margin.

    Parameters
    ----------
    outline : polygon
        In the metric CRS `crs`. [m]
    spacing_m : float
        Side of a cell. [m]
    turn_deg : float
        Direction of the rows of cells, counter-clockwise from east; 90 - row azimuth lays them
        along the planting rows. [deg]
    pad_m : float
        Margin on every side. [m]

    Raises
    ------
    KrigingError
        If the grid would hold more than `MOST_CELLS` cells.
    """
    turned = shapely.affinity.rotate(outline, -turn_deg, origin=(0.0, 0.0))
    west, south, east, north = turned.bounds
    # Whole multiples of the spacing: the same block gives the same grid every year.
    left = math.floor((west - pad_m) / spacing_m) * spacing_m
    top = math.ceil((north + pad_m) / spacing_m) * spacing_m
    columns = max(1, math.ceil((east + pad_m - left) / spacing_m))
    rows = max(1, math.ceil((top - south + pad_m) / spacing_m))
    if rows * columns > MOST_CELLS:
        raise KrigingError(
            f"A grid of {spacing_m:g} m cells over this block has {rows * columns:,} cells; "
            f"{MOST_CELLS:,} is the most. Set a wider spacing in farm.toml, [grid] spacing_m."
        )
    turn = math.radians(turn_deg)
    origin = (
        left * math.cos(turn) - top * math.sin(turn),
        left * math.sin(turn) + top * math.cos(turn),
    )
    grid = Grid(origin, spacing_m, (rows, columns), crs, np.ones((rows, columns), bool), turn_deg)
    centres = grid.centres()
    inside = shapely.contains_xy(outline, centres[:, 0], centres[:, 1]).reshape(rows, columns)
    return Grid(origin, spacing_m, (rows, columns), crs, inside, turn_deg)
