"""Criteria Z1 to Z11: what every set of zones must meet before it is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo.grids import Array, Grid

#: Largest relative area lost, doubled or outside.
AREA_TOLERANCE = 1e-6

MOST_CORNERS = 500
SHORTEST_EDGE_M = 0.5
HECTARE_M2 = 10_000.0


@dataclass(frozen=True)
class Judged:
    """A criterion, whether it is met, what was found, and the number it was judged by."""

    name: str
    met: bool
    found: str
    value: float = 0.0


def judge(
    zones: Sequence[MultiPolygon],
    outline: Polygon | MultiPolygon,
    *,
    width_m: float,
    smallest_m2: float,
    grid: Grid,
    labels: NDArray[np.int64],
    samples_m: Array,
) -> tuple[Judged, ...]:
    """All eleven criteria of a set of zones.

    Parameters
    ----------
    zones : sequence of polygons
        In the block's metric CRS, zone 0 first. [m]
    outline : polygon
        Of the block. [m]
    width_m : float
        One swath. [m]
    smallest_m2 : float
        Smallest piece. [m2]
    grid, labels : Grid, int array (rows, columns)
        The raster the outlines were made from; -1 outside.
    samples_m : array (n, 2)
        Where samples were taken. [m]
    """
    return (
        area_sum(zones, outline),
        overlap(zones, outline),
        gap(zones, outline),
        outside(zones, outline),
        coverage(zones),
        pieces(zones, outline, smallest_m2),
        width(zones, outline, width_m),
        holes(zones, outline, smallest_m2),
        corners(zones, outline),
        samples(zones, grid, labels, samples_m),
        raster(zones, grid, labels),
    )


def area_sum(zones: Sequence[BaseGeometry], outline: BaseGeometry) -> Judged:
    """Z1: the areas add up to the block."""
    return _share("Z1", abs(_sum(zones) - outline.area), outline)


def overlap(zones: Sequence[BaseGeometry], outline: BaseGeometry) -> Judged:
    """Z2: no place lies in two zones."""
    return _share("Z2", _sum(zones) - shapely.union_all(list(zones)).area, outline)


def gap(zones: Sequence[BaseGeometry], outline: BaseGeometry) -> Judged:
    """Z3: no place of the block is left out."""
    return _share("Z3", outline.difference(shapely.union_all(list(zones))).area, outline)


def outside(zones: Sequence[BaseGeometry], outline: BaseGeometry) -> Judged:
    """Z4: no zone leaves the block, or enters its holes."""
    return _share("Z4", shapely.union_all(list(zones)).difference(outline).area, outline)


def coverage(zones: Sequence[BaseGeometry], gap_m: float = 0.5) -> Judged:
    """Z5: neighbours share every corner of their border, with no narrow gap between them."""
    parts = shapely.get_parts(list(zones))
    met = bool(
        shapely.coverage_is_valid(parts) and shapely.coverage_is_valid(parts, gap_width=gap_m)
    )
    return Judged("Z5", met, "borders match" if met else "borders do not match")


def pieces(zones: Sequence[BaseGeometry], outline: BaseGeometry, smallest_m2: float) -> Judged:
    """Z6: every piece is valid and large enough, unless it is a whole part of the block."""
    parts = shapely.get_parts(list(zones))
    whole = [part.area for part in shapely.get_parts(outline)]
    area = shapely.area(parts)
    alone = np.isclose(area[:, None], whole, rtol=1e-6).any(axis=1)
    small = (area < smallest_m2) & ~alone
    sound = shapely.is_valid(parts).all() and all(p.exterior.is_ccw for p in parts)
    return Judged(
        "Z6",
        bool(sound and not small.any() and len(parts)),
        f"smallest piece {area.min() / HECTARE_M2:.3f} ha" if len(parts) else "no piece",
    )


def width(zones: Sequence[BaseGeometry], outline: BaseGeometry, width_m: float) -> Judged:
    """Z7: next to nothing of a zone is narrower than a swath, but where the block itself is.

    Lost is what an opening with mitred corners takes away: at most 2 % of the zone, and no piece
    over 0.02 ha that lies further than half a swath from the edge of the block.
    """
    if len(zones) == 1:
        return Judged("Z7", True, "one zone")
    wide = opening(outline, width_m)
    worst, met = 0.0, True
    rim = outline.boundary.buffer(width_m / 2)
    for zone in zones:
        lost = zone.difference(opening(zone, width_m)).intersection(wide)
        worst = max(worst, lost.area / zone.area)
        parts = shapely.get_parts(lost)
        large = parts[shapely.area(parts) > 0.02 * HECTARE_M2]
        met = met and not any(not part.intersects(rim) for part in large)
    return Judged("Z7", met and worst <= 0.02, f"{100 * worst:.2f} % narrower than a swath", worst)


def opening(shape: BaseGeometry, width_m: float) -> BaseGeometry:
    """What is left when only what is as wide as `width_m` may stay; corners stay corners."""
    left = shape.buffer(-width_m / 2, join_style="mitre", mitre_limit=5.0)
    return left.buffer(width_m / 2, join_style="mitre", mitre_limit=5.0).intersection(shape)


def holes(zones: Sequence[BaseGeometry], outline: BaseGeometry, smallest_m2: float) -> Judged:
    """Z8: no hole smaller than the smallest piece, but those of the block."""
    own = [Polygon(ring).area for part in shapely.get_parts(outline) for ring in part.interiors]
    found = [
        Polygon(ring).area for part in shapely.get_parts(list(zones)) for ring in part.interiors
    ]
    small = [a for a in found if a < smallest_m2 and not np.isclose(a, own, rtol=1e-6).any()]
    return Judged("Z8", not small, f"{len(small)} small holes")


def corners(zones: Sequence[BaseGeometry], outline: BaseGeometry) -> Judged:
    """Z9: few corners and no very short edges, but on the outline, which is the grower's own."""
    edge = outline.boundary
    most, shortest = 0, np.inf
    for part in shapely.get_parts(list(zones)):
        made = 0
        for ring in (part.exterior, *part.interiors):
            xy = shapely.get_coordinates(ring)
            on_edge = np.asarray(shapely.dwithin(shapely.points(xy), edge, 1e-3))
            made += int((~on_edge[:-1]).sum())
            free = ~(on_edge[1:] & on_edge[:-1])
            lengths = np.hypot(*np.diff(xy, axis=0).T)[free]
            shortest = min(shortest, lengths.min(initial=np.inf))
        most = max(most, made)
    met = most <= MOST_CORNERS and shortest >= SHORTEST_EDGE_M
    return Judged("Z9", bool(met), f"{most} corners, shortest edge {shortest:.2f} m")


def samples(
    zones: Sequence[BaseGeometry], grid: Grid, labels: NDArray[np.int64], samples_m: Array
) -> Judged:
    """Z10: a sample lies in the zone of its cell, or within a cell of the border."""
    row, column = grid.cell_of(np.asarray(samples_m, dtype=float).reshape(-1, 2))
    zone = np.where(row >= 0, labels[row, column], -1)
    points = np.asarray(shapely.points(np.asarray(samples_m, dtype=float).reshape(-1, 2)))
    astray = [
        index
        for index in np.flatnonzero(zone >= 0)
        if shapely.distance(points[index], zones[zone[index]]) > grid.spacing_m
    ]
    return Judged("Z10", not astray, f"{len(astray)} samples in another zone")


def raster(zones: Sequence[BaseGeometry], grid: Grid, labels: NDArray[np.int64]) -> Judged:
    """Z11: put back on the raster, the outlines give 97 % of its cells the same zone."""
    again = zone_of(zones, grid.cells())
    share = float((again == labels[grid.inside]).mean()) if len(again) else 1.0
    return Judged("Z11", share >= 0.97, f"{100 * share:.1f} % of cells the same")


def zone_of(zones: Sequence[BaseGeometry], xy: Array) -> NDArray[np.int64]:
    """Index of the zone that holds each place; -1 where none does."""
    found = np.full(len(xy), -1, dtype=np.int64)
    for index, zone in enumerate(zones):
        shapely.prepare(zone)
        found[shapely.contains_xy(zone, xy[:, 0], xy[:, 1])] = index
    return found


def _sum(zones: Sequence[BaseGeometry]) -> float:
    return float(sum(zone.area for zone in zones))


def _share(name: str, area: float, outline: BaseGeometry) -> Judged:
    share = area / outline.area
    return Judged(name, share <= AREA_TOLERANCE, f"{share:.1e} of the block", share)
