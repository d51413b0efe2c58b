"""Fewer polygons, or fewer vertices, where a controller cannot read the layer as planned.

What is given up is the least that helps: a part takes the rate of a neighbour where that moves
the fewest kilograms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import Polygon

Part = tuple[Polygon, float]

#: Parts that share less edge than this only touch. [deg], about 1 cm
EDGE_DEG = 1e-7
METRES_PER_DEGREE = 111_000.0


@dataclass(frozen=True)
class Merged:
    """Parts after one of them took the rate of its neighbour.

    `moved_kg` is the product that goes elsewhere than planned, more or less. [kg]
    """

    parts: tuple[Part, ...]
    moved_kg: float


def merge_least(parts: Sequence[Part]) -> Merged | None:
    """Join the two neighbouring parts whose joining moves the least product; None if none touch.

    The smaller of the two takes the rate of the larger, so that no rate rises above what the plan
    allows somewhere.
    """
    polygons = [polygon for polygon, _ in parts]
    tree = shapely.STRtree(polygons)
    best: tuple[float, int, int, Polygon] | None = None
    for first, second in sorted(zip(*tree.query(polygons, predicate="intersects"), strict=True)):
        if polygons[first].area > polygons[second].area or first == second:
            continue
        moved = _hectares(polygons[first]) * abs(parts[first][1] - parts[second][1])
        if best is not None and moved >= best[0]:
            continue
        joined = _joined(polygons[first], polygons[second])
        if joined is not None:
            best = (moved, int(first), int(second), joined)
    if best is None:
        return None
    moved, small, large, joined = best
    kept = [
        (joined, rate) if index == large else (polygon, rate)
        for index, (polygon, rate) in enumerate(parts)
        if index != small
    ]
    return Merged(tuple(kept), moved)


def _joined(one: Polygon, other: Polygon) -> Polygon | None:
    """Both as one polygon, if they share an edge."""
    if shapely.intersection(one, other).length < EDGE_DEG:
        return None
    union = shapely.union(one, other)
    return union if isinstance(union, Polygon) and union.is_valid else None


def _hectares(polygon: Polygon) -> float:
    """Geodesic area on WGS84. [ha]"""
    from pyproj import Geod

    turned = shapely.orient_polygons(polygon, exterior_cw=False)
    return float(abs(Geod(ellps="WGS84").geometry_area_perimeter(turned)[0])) / 10_000


def simplified(parts: Sequence[Part], tolerance_m: float) -> list[Part]:
    """All parts simplified together, so that neighbours keep one common edge."""
    if tolerance_m == 0.0:
        return list(parts)
    polygons = shapely.coverage_simplify([p for p, _ in parts], tolerance_m / METRES_PER_DEGREE)
    return [(polygon, rate) for polygon, (_, rate) in zip(polygons, parts, strict=True)]
