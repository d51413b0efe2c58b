"""What the field allows: edges, no-go areas, rows and vines, distances between spots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.errors import KrigingError
from geo.grids import Array, Mask

#: Least distance to the edge where neither headland nor rows say more; common practice. [m]
EDGE_M = 5.0
#: Rows kept off beside a block's edge; common practice. [1]
EDGE_ROWS = 1.5
#: No-go areas are kept off by this much more than they are drawn. [m]
NO_GO_MARGIN_M = 3.0
#: Spots stand no closer than this, but for pairs that are meant. [m]
USUAL_SPACING_M = 10.0


@dataclass(frozen=True)
class Rows:
    """Planting rows: direction, spacing, and a point that row 0 goes through.

    Attributes
    ----------
    azimuth_deg : float
        Clockwise from north. [deg]
    spacing_m : float
        Between rows. [m]
    through_m : (float, float)
        [m]
    vine_m : float or None
        Between vines in the row. [m]
    """

    azimuth_deg: float
    spacing_m: float
    through_m: tuple[float, float] = (0.0, 0.0)
    vine_m: float | None = None

    @property
    def along(self) -> Array:
        """Unit vector along the rows."""
        turn = math.radians(self.azimuth_deg)
        return np.array([math.sin(turn), math.cos(turn)])

    @property
    def across(self) -> Array:
        """Unit vector across the rows, to the right of `along`."""
        turn = math.radians(self.azimuth_deg)
        return np.array([math.cos(turn), -math.sin(turn)])

    def row_of(self, xy: Array) -> Array:
        """Number of the nearest row, row 0 being the one through `through_m`."""
        number: Array = np.rint((xy - np.asarray(self.through_m)) @ self.across / self.spacing_m)
        return number

    def snap(self, xy: Array) -> Array:
        """Places moved onto the nearest row, and to the nearest vine where they are known. [m]"""
        offset = xy - np.asarray(self.through_m)
        off_row = offset @ self.across - self.row_of(xy) * self.spacing_m
        snapped: Array = xy - off_row[:, None] * self.across
        if self.vine_m:
            along = offset @ self.along
            off_vine = along - np.rint(along / self.vine_m) * self.vine_m
            snapped = snapped - off_vine[:, None] * self.along
        return snapped


def rows_of(block: Block) -> Rows | None:
    """Rows of a block from farm.toml; None where it does not tell direction and spacing.

    Where row 0 really stands is not on file: it is taken half a spacing inside the block's edge.
    """
    site = block.site
    if site.row_azimuth_deg is None or not site.row_spacing_m:
        return None
    guess = Rows(site.row_azimuth_deg, site.row_spacing_m, (0.0, 0.0), site.vine_spacing_m)
    corners = shapely.get_coordinates(block.outline)
    side = corners @ guess.across
    first = corners[int(np.argmin(side))] + guess.across * (site.row_spacing_m / 2.0)
    through = (float(first[0]), float(first[1]))
    return Rows(guess.azimuth_deg, guess.spacing_m, through, guess.vine_m)


def edge_buffer_m(block: Block) -> float:
    """Distance kept from the block's edge. [m]"""
    rows_m = EDGE_ROWS * (block.site.row_spacing_m or 0.0)
    return max(EDGE_M, rows_m, block.site.headland_m or 0.0)


def allowed_area(
    outline: BaseGeometry,
    edge_m: float,
    no_go: Sequence[BaseGeometry] = (),
    no_go_margin_m: float = NO_GO_MARGIN_M,
) -> BaseGeometry:
    """Where a spot may be.

    Raises
    ------
    KrigingError
        If nothing is left of the block.
    """
    area: BaseGeometry = outline.buffer(-edge_m)
    for shape in no_go:
        area = area.difference(shape.buffer(no_go_margin_m))
    if area.is_empty:
        raise KrigingError(
            f"Nothing of the block is left {edge_m:g} m inside its edge and outside the no-go "
            "areas. Set a smaller headland_m in farm.toml, or draw smaller areas."
        )
    return area


def within(area: BaseGeometry, xy: Array) -> Mask:
    """Which places lie inside an area."""
    inside: Mask = np.asarray(shapely.contains_xy(area, xy[:, 0], xy[:, 1]), dtype=bool)
    return inside


def candidates(area: BaseGeometry, rows: Rows | None, most: int) -> Array:
    """Places a spot may take: on a lattice, or on rows and beside vines. [m]

    Parameters
    ----------
    most : int
        About so many places; the lattice is as fine as that allows, though never under 1 m.

    Raises
    ------
    KrigingError
        If no row or vine stands in the allowed area.
    """
    step = max(1.0, math.sqrt(area.area / most))
    if rows is None:
        xy = _lattice(area, np.array([1.0, 0.0]), np.array([0.0, 1.0]), (0.0, 0.0), step, step)
    else:
        across_m = rows.spacing_m * max(1, round(step / rows.spacing_m))
        vine = rows.vine_m or 1.0
        along_m = vine * max(1, round(step * step / across_m / vine))
        xy = _lattice(area, rows.across, rows.along, rows.through_m, across_m, along_m)
    if not len(xy):
        raise KrigingError("No place is left for a spot inside the edges and no-go areas.")
    return xy


def _lattice(
    area: BaseGeometry, right: Array, up: Array, origin: tuple[float, float],
    right_m: float, up_m: float,
) -> Array:  # fmt: skip
    corners = shapely.get_coordinates(area.envelope) - np.asarray(origin)
    steps = []
    for axis, size in ((right, right_m), (up, up_m)):
        reach = corners @ axis / size
        steps.append(np.arange(math.floor(reach.min()), math.ceil(reach.max()) + 1) * size)
    u, v = (part.ravel()[:, None] for part in np.meshgrid(*steps))
    xy = np.asarray(origin) + u * right + v * up
    chosen: Array = xy[within(area, xy)]
    return chosen


def usual_spacing_m(area_m2: float, spots: int) -> float:
    """Least distance between spots: half the mean spacing, at most 10 m. [m]"""
    return min(USUAL_SPACING_M, 0.5 * math.sqrt(area_m2 / max(spots, 1)))


def too_close(places: Array, spots: Array, spacing_m: float) -> Mask:
    """Which places stand closer than the least spacing to any spot."""
    from geo.planning.quality import nearest_m

    close: Mask = nearest_m(spots, places) < spacing_m
    return close
