"""Where the classes of a map meet, as lines, and where a class has room for its name.

Paper may be grey: the words on the map then say what its colours cannot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiLineString

from geo.grids import Grid
from maps.drawing.drawings import LETTER

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Name:
    """A class name and its place on the map, in the block's metric CRS. [m]"""

    words: str
    x_m: float
    y_m: float


def class_lines(values: Array, grid: Grid, limit: float) -> list[LineString]:
    """Lines along which a north-up grid passes a limit, straight inside each triangle of cells.

    Each square between four centres is cut into two triangles: a limit enters and leaves a
    triangle once, so nothing is ambiguous. [m]

    Examples
    --------
    >>> west_to_east = np.tile([0.0, 1.0, 2.0], (2, 1))
    >>> grid = Grid((0.0, 2.0), 1.0, (2, 3), "EPSG:32734", np.ones((2, 3), bool))
    >>> [line.bounds for line in class_lines(west_to_east, grid, 0.5)]
    [(1.0, 0.5, 1.0, 1.5)]
    """
    places = grid.centres().reshape(*grid.shape, 2)
    corners = [np.dstack([places, values])[rows, columns] for rows, columns in (
        (slice(None, -1), slice(None, -1)), (slice(None, -1), slice(1, None)),
        (slice(1, None), slice(None, -1)), (slice(1, None), slice(1, None)),
    )]  # fmt: skip
    upper_left, upper_right, lower_left, lower_right = (c.reshape(-1, 3) for c in corners)
    triangles = np.concatenate(
        [
            np.stack([upper_left, upper_right, lower_left], axis=1),
            np.stack([upper_right, lower_right, lower_left], axis=1),
        ]
    )
    over = triangles[:, :, 2] > limit
    mixed = np.isfinite(triangles[:, :, 2]).all(axis=1) & (over.any(axis=1) & ~over.all(axis=1))
    segments = [LineString(ends) for ends in _segments(triangles[mixed], limit)]
    parts = shapely.get_parts(shapely.line_merge(MultiLineString(segments)))
    return [part for part in parts if isinstance(part, LineString)]


def _segments(triangles: Array, limit: float) -> Array:
    """One segment through each triangle that has corners on both sides of the limit."""
    one, other = triangles, np.roll(triangles, -1, axis=1)
    cut = (one[:, :, 2] > limit) != (other[:, :, 2] > limit)
    # From the lower corner always: neighbours then find the same place to the last bit.
    first = (one[:, :, 2] < other[:, :, 2])[:, :, None]
    low, high = np.where(first, one, other)[cut], np.where(first, other, one)[cut]
    share = (limit - low[:, 2]) / (high[:, 2] - low[:, 2])
    ends: Array = (low + share[:, None] * (high - low))[:, :2].reshape(-1, 2, 2)
    return ends


def class_names(
    values: Array,
    grid: Grid,
    words: Sequence[str],
    limits: Sequence[float],
    size_m: float,
    taken_m: Array,
) -> list[Name]:
    """Where each class has room for its name, clear of the samples; none where it has not.

    Parameters
    ----------
    words : sequence of str
        What each class is called, from low to high.
    limits : sequence of float
        Between the classes, one fewer.
    size_m : float
        Height of the letters on the ground. [m]
    taken_m : array, shape (n, 2)
        Places that a name must not cover. [m]
    """
    from scipy.ndimage import distance_transform_edt

    known = np.isfinite(values)
    place = np.digitize(np.nan_to_num(values), limits)
    free = _free(grid, taken_m, size_m)
    centres = grid.centres().reshape(*grid.shape, 2)
    found = []
    for number, word in enumerate(words):
        mask = np.pad(known & (place == number) & free, 1)
        # A distance in half letters high and half words wide: 1 is a name that just fits.
        half = np.array([0.75, LETTER * len(word) / 2 + 0.25]) * size_m / grid.spacing_m
        room = distance_transform_edt(mask, sampling=[1 / half[0], 1 / half[1]])[1:-1, 1:-1]
        if room.max() < 1.0:
            continue
        x, y = centres[np.unravel_index(int(np.argmax(room)), room.shape)]
        found.append(Name(word, float(x), float(y)))
    return found


def _free(grid: Grid, taken_m: Array, size_m: float) -> NDArray[np.bool_]:
    """Cells no nearer to a taken place than a third of a letter's height."""
    if len(taken_m) == 0:
        return np.ones(grid.shape, bool)
    from scipy.spatial import KDTree

    away_m, _ = KDTree(taken_m).query(grid.centres())
    return np.asarray(away_m >= size_m / 3).reshape(grid.shape)
