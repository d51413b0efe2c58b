"""Surfaces -> small grids from which a page answers a click without a server."""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np
import shapely

from geo.export.layers import to_lonlat
from geo.surfaces import Surfaces

#: Side of the cells that answer a click on the page. [m]
READ_OUT_M = 5.0
#: Most cells of one grid: a large block is answered in coarser cells, and its page stays small.
MOST_CELLS = 4000

Data = dict[str, Any]


def read_out(surfaces: Surfaces) -> Data:
    """Coarse grids of mean and half range, so that a click on the page can be answered offline.

    Values are whole steps between the lowest and the highest, 65 534 of them for the mean and 254
    for the half range; the place of a click comes from an affine fit of longitude and latitude to
    grid columns and rows (below a centimetre for a block).
    """
    if not surfaces:
        return {}
    grid = next(iter(surfaces.values())).grid
    rows, columns = grid.shape
    step = max(
        1, round(READ_OUT_M / grid.spacing_m), math.ceil((rows * columns / MOST_CELLS) ** 0.5)
    )
    corners = np.array([(0, 0), (columns, 0), (0, rows), (columns, rows)], dtype=float)
    xy = np.array(grid.origin_m) + corners * [grid.spacing_m, -grid.spacing_m]
    lonlat = np.array([to_lonlat(shapely.Point(p), grid.crs).coords[0] for p in xy])
    middle = lonlat.mean(axis=0)
    design = np.column_stack([np.ones(4), lonlat - middle])
    fit, *_ = np.linalg.lstsq(design, corners / step, rcond=None)
    return {
        "middle": middle.tolist(),
        "fit": fit.T.tolist(),
        "columns": len(range(0, columns, step)),
        "rows": len(range(0, rows, step)),
        "grids": {
            key: _packed(
                surface.estimate[::step, ::step],
                ((surface.high - surface.low) / 2)[::step, ::step],
            )
            for key, surface in surfaces.items()
        },
    }


def _packed(mean: np.ndarray, half: np.ndarray) -> Data:
    return {"mean": _steps(mean, "<u2"), "half": _steps(half, "u1")}


def _steps(values: np.ndarray, kind: str) -> Data:
    """Values as whole steps from the lowest, 0 where there is none."""
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    scale = (high - low) / (np.iinfo(kind).max - 1) or 1.0
    steps = np.where(np.isfinite(values), np.round((values - low) / scale) + 1, 0)
    text = base64.b64encode(np.nan_to_num(steps).astype(kind).tobytes()).decode("ascii")
    return {"low": low, "scale": scale, "data": text}
