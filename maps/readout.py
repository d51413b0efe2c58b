"""Surfaces -> small grids from which a page answers a click without a server."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from geo.export.layers import to_lonlat
from geo.grids import Array
from geo.surfaces import Surfaces
from maps.drawing.pictures import grown

#: Between the places of the grid that answers a click on the page. [m]
READ_OUT_M = 5.0
#: Most places of one grid: a large block gets them farther apart, and its page stays small.
MOST_PLACES = 1600

Data = dict[str, Any]


def read_out(surfaces: Surfaces) -> Data:
    """Coarse grids of mean and half range, so that a click on the page can be answered offline.

    The page reads between four places of the grid, whose first and last are the middles of the
    surface's outermost cells; beyond the outline the nearest value is carried on, so that there are
    always four. Values are whole steps between the lowest and the highest, 65 534 of them for the
    mean and 254 for the half range; the place of a click comes from an affine fit of longitude
    and latitude to grid columns and rows (below a centimetre for a block).
    """
    if not surfaces:
        return {}
    grid = next(iter(surfaces.values())).grid
    shape = np.array(grid.shape)
    apart = max(READ_OUT_M / grid.spacing_m, float(np.prod(shape) / MOST_PLACES) ** 0.5, 1.0)
    count = np.maximum(np.floor((shape - 1) / apart).astype(int) + 1, 1)
    step = (shape - 1) / np.maximum(count - 1, 1)
    rows, columns = grid.shape
    corners = np.array([(0, 0), (columns, 0), (0, rows), (columns, rows)], dtype=float)
    xy = np.array(grid.origin_m) + corners * [grid.spacing_m, -grid.spacing_m]
    lonlat = np.array([to_lonlat(shapely.Point(p), grid.crs).coords[0] for p in xy])
    middle = lonlat.mean(axis=0)
    design = np.column_stack([np.ones(4), lonlat - middle])
    # The middle of a cell is half a cell in from its corner.
    fit, *_ = np.linalg.lstsq(design, (corners - 0.5) / np.maximum(step[::-1], 1e-9))
    places = np.meshgrid(
        *(np.arange(n) * s for n, s in zip(count, step, strict=True)), indexing="ij"
    )
    return {
        "middle": middle.tolist(),
        "fit": fit.T.tolist(),
        "rows": int(count[0]),
        "columns": int(count[1]),
        "grids": {
            key: {
                "mean": _steps(_at(surface.estimate, places), "<u2"),
                "half": _steps(_at((surface.high - surface.low) / 2, places), "u1"),
            }
            for key, surface in surfaces.items()
        },
    }


def _at(values: Array, places: Sequence[Array]) -> Array:
    """Values between the cells of a grid, at rows and columns counted from the first middle."""
    from scipy.ndimage import map_coordinates

    return np.asarray(map_coordinates(grown(values), places, order=1, mode="nearest"))


def _steps(values: Array, kind: str) -> Data:
    """Values as whole steps from the lowest, 0 where there is none."""
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    scale = (high - low) / (np.iinfo(kind).max - 1) or 1.0
    steps = np.where(np.isfinite(values), np.round((values - low) / scale) + 1, 0)
    text = base64.b64encode(np.nan_to_num(steps).astype(kind).tobytes()).decode("ascii")
    return {"low": low, "scale": scale, "data": text}
