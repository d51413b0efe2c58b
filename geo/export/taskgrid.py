"""Rates of a layer on a grid regular in degrees, as a task file carries them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from geo.errors import ExportError
from geo.export.layers import SpreadLayer, to_lonlat
from geo.units import mg_m2_from_kg_ha

#: Highest rate a file may carry. [kg/ha]
MOST_KG_HA = 50_000.0


@dataclass(frozen=True)
class TaskGrid:
    """Rates on a grid regular in degrees, south-west cell first.

    `rates_mg_m2` has the shape (rows, columns), row 0 in the south; `codes` the zone code of each
    cell, 0 outside.
    """

    south: float
    west: float
    cell_north_deg: float
    cell_east_deg: float
    codes: NDArray[np.uint8]
    rates_mg_m2: NDArray[np.int32]


def task_grid(layer: SpreadLayer, cell_m: float | None = None) -> TaskGrid:
    """Put the layer on cells regular in degrees, about one swath wide unless `cell_m` says."""
    west, south, east, north = layer.block.lonlat.bounds
    middle = math.radians((south + north) / 2)
    size = cell_m or max(2.0, layer.block.site.spreader.width_m if layer.block.site.spreader else 5)
    cell_north, cell_east = size / 111_155.0, size / (111_319.5 * math.cos(middle))
    rows = max(1, math.ceil((north - south) / cell_north))
    columns = max(1, math.ceil((east - west) / cell_east))
    lon, lat = np.meshgrid(
        west + (np.arange(columns) + 0.5) * cell_east, south + (np.arange(rows) + 0.5) * cell_north
    )
    codes = np.zeros((rows, columns), np.uint8)
    rates = np.zeros((rows, columns), np.int32)
    for code, (zone, rate) in enumerate(zip(layer.zones, layer.rates_kg_ha, strict=True), start=1):
        inside = shapely.contains_xy(to_lonlat(zone.outline, layer.block.crs), lon, lat)
        codes[inside], rates[inside] = code, rate_mg_m2(rate)
    return TaskGrid(south, west, cell_north, cell_east, codes, rates)


def grid_kg(grid: TaskGrid) -> float:
    """What whole cells give: they cannot follow a border, so it differs from the plan. [kg]"""
    west, east = grid.west, grid.west + 100 * grid.cell_east_deg
    per_row = [
        geodesic_m2(shapely.box(west, south, east, south + grid.cell_north_deg)) / 100
        for south in grid.south + np.arange(len(grid.rates_mg_m2)) * grid.cell_north_deg
    ]
    return float(grid.rates_mg_m2.sum(axis=1) @ np.array(per_row)) / 1e6


def grid_bytes(grid: TaskGrid, grid_type: int | None) -> bytes:
    """Content of GRD00001.BIN: zone codes (type 1) or little-endian int32 rates (type 2)."""
    if grid_type == 1:
        return grid.codes.tobytes()
    return grid.rates_mg_m2.astype("<i4").tobytes()


def rate_mg_m2(rate_kg_ha: float) -> int:
    """Rate as the integer a task controller reads, rounded half to even. [mg/m2]

    Raises
    ------
    ExportError
        If the rate is no number, below 0 or above `MOST_KG_HA`.

    Examples
    --------
    >>> rate_mg_m2(2500.0), rate_mg_m2(1.12085)
    (250000, 112)
    """
    if not math.isfinite(rate_kg_ha) or not 0 <= rate_kg_ha <= MOST_KG_HA:
        raise ExportError(f"A rate of {rate_kg_ha} kg/ha cannot stand in a task file.")
    return round(float(mg_m2_from_kg_ha(rate_kg_ha)))


def geodesic_m2(polygon: Polygon) -> int:
    """Geodesic area on WGS84, whole square metres."""
    from pyproj import Geod

    turned = shapely.orient_polygons(polygon, exterior_cw=False)
    return round(abs(Geod(ellps="WGS84").geometry_area_perimeter(turned)[0]))
