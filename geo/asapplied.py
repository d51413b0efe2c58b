"""What was really spread, put on a grid: records and machine logs, planned against done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.crs import lonlat_to_xy, to_metric
from geo.grids import Array, Grid
from geo.intake.reading import Application, LoggedRate

#: A logged point speaks for places up to this share of a swath away: half a swath to the side, and
#: a little for the step between points (common practice, no source).
REACH = 0.75
#: A record without a place is of the whole block if its area is at least this share of it.
WHOLE = 0.95
EVERYWHERE = frozenset({"", "all", "whole", "whole block", "everywhere"})


@dataclass(frozen=True)
class AsApplied:
    """One amendment on one block, place by place.

    Attributes
    ----------
    amendment : str
    grid : Grid
    planned_kg_ha, done_kg_ha : array (rows, columns)
        Product as spread; 0 where the records say nothing, NaN outside the block. [kg/ha]
    logged_share : float
        Share of the block for which a machine logged what it did. [1]
    unplaced : tuple of Application
        Records of a part of the block that do not say which.
    """

    amendment: str
    grid: Grid
    planned_kg_ha: Array
    done_kg_ha: Array
    logged_share: float
    unplaced: tuple[Application, ...]

    def planned_kg(self, block_area_ha: float) -> float:
        """Product that the records plan for the block. [kg]"""
        return float(np.nanmean(self.planned_kg_ha)) * block_area_ha

    def done_kg(self, block_area_ha: float) -> float:
        """Product that went out. [kg]"""
        return float(np.nanmean(self.done_kg_ha)) * block_area_ha


@dataclass(frozen=True)
class ZoneDone:
    """Planned and done mean of one zone, and how unevenly it went out. [kg/ha]"""

    planned_kg_ha: float
    done_kg_ha: float
    sd_kg_ha: float


def as_applied(
    amendment: str,
    applications: Sequence[Application],
    logged: Sequence[LoggedRate],
    block: Block,
    grid: Grid,
    swath_m: float,
) -> AsApplied:
    """Records and logs of one amendment on the block's grid.

    Where a machine logged its rate, that is what was done; elsewhere the record is believed.

    Parameters
    ----------
    amendment : str
        Such as "lime".
    applications : sequence of Application
        Of the block; those of other amendments are left out.
    logged : sequence of LoggedRate
        Of the block; a log belongs to the amendment that was spread on its day.
    block : Block
    grid : Grid
        Over the block.
    swath_m : float
        Of the machine that logged. [m]
    """
    mine = [a for a in applications if a.amendment == amendment and a.rate_kg_ha is not None]
    placed = [(one, shape) for one in mine if (shape := _place(one, block)) is not None]
    planned = np.zeros(int(grid.inside.sum()))
    cells = grid.cells()
    for one, shape in placed:
        planned[shapely.contains_xy(shape, cells[:, 0], cells[:, 1])] += one.rate_kg_ha or 0.0
    days = {one.applied_on for one in mine}
    points = [point for point in logged if _day(point) in days or _day(point) is None]
    measured = logged_on_grid(points, grid, swath_m)
    known = np.isfinite(measured)
    # Several dressings may share a place; a log of one of them says nothing of the others.
    others = np.zeros_like(planned)
    logged_days = {_day(point) for point in points}
    for one, shape in placed:
        if one.applied_on not in logged_days and None not in logged_days:
            within = shapely.contains_xy(shape, cells[:, 0], cells[:, 1])
            others[within] += one.rate_kg_ha or 0.0
    done = np.where(known, np.nan_to_num(measured) + others, planned)
    return AsApplied(
        amendment,
        grid,
        grid.spread(planned),
        grid.spread(done),
        float(known.mean()) if known.size else 0.0,
        tuple(one for one in mine if _place(one, block) is None),
    )


def logged_on_grid(logged: Sequence[LoggedRate], grid: Grid, swath_m: float) -> Array:
    """Actual rate at each inside cell: that of the nearest logged point, NaN where none is near.

    Cells take one point, not a sum: neighbouring passes touch, they do not overlap. [kg/ha]
    """
    from scipy.spatial import KDTree

    cells = grid.cells()
    if not logged:
        return np.full(len(cells), np.nan)
    xy = lonlat_to_xy(
        np.array([p.lon for p in logged]), np.array([p.lat for p in logged]), grid.crs
    )
    distance, nearest = KDTree(xy).query(cells, distance_upper_bound=REACH * swath_m)
    rates = np.append([p.actual_kg_ha for p in logged], np.nan)
    return np.where(np.isfinite(distance), rates[nearest], np.nan)


def by_zone(applied: AsApplied, outlines: Sequence[BaseGeometry]) -> tuple[ZoneDone, ...]:
    """Planned and done over each zone; NaN for a zone that holds no cell."""
    cells, inside = applied.grid.cells(), applied.grid.inside
    planned, done = applied.planned_kg_ha[inside], applied.done_kg_ha[inside]
    found = []
    for outline in outlines:
        mine = shapely.contains_xy(outline, cells[:, 0], cells[:, 1])
        if not mine.any():
            found.append(ZoneDone(np.nan, np.nan, np.nan))
            continue
        found.append(
            ZoneDone(float(planned[mine].mean()), float(done[mine].mean()), float(done[mine].std()))
        )
    return tuple(found)


def _place(one: Application, block: Block) -> BaseGeometry | None:
    """Where a record was spread, in the block's metric CRS; None if it does not say."""
    if one.where_lonlat:
        return to_metric(shapely.from_wkt(one.where_lonlat), block.crs)
    whole = one.area_ha is not None and one.area_ha >= WHOLE * block.area_ha
    if whole or one.zone.strip().lower() in EVERYWHERE:
        return block.outline
    return None


def _day(point: LoggedRate) -> date | None:
    try:
        return date.fromisoformat(point.time[:10])
    except ValueError:
        return None
