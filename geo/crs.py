"""Coordinate systems: reading their names, degrees to metres, and which one a file may be in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.errors import IntakeError
from geo.grids import Array

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

WGS84 = "EPSG:4326"

#: Longitude and latitude. [deg]
Place = tuple[float, float]

#: A system lays a file "beside" what is known of the farm when it lands this near. [m]
BESIDE_M = 2000.0

#: Distances to the known blocks that differ by less than this tell nothing apart. [m]
TIE_M = 25.0

Shape = TypeVar("Shape", bound=BaseGeometry)


def read_crs(text: str, where: str = "") -> CRS:
    """Coordinate system from "EPSG:2048", "2048", WKT or a name.

    Raises
    ------
    IntakeError
        If it is not known.
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(int(text) if text.strip().isdigit() else text)
    except CRSError:
        start = f"{where}: " if where else ""
        short = text if len(text) < 60 else text[:57] + "..."
        raise IntakeError(
            f"{start}{short!r} is not a coordinate system we know. Write it like EPSG:32734."
        ) from None


def crs_name(text: str) -> str:
    """A system in words: its name, with the EPSG code where there is one.

    Examples
    --------
    >>> crs_name("EPSG:2048")
    'Hartebeesthoek94 / Lo19 (EPSG:2048)'
    """
    crs = read_crs(text)
    code = crs.to_epsg(min_confidence=70)
    name = str(crs.name).replace("_", " ")
    return f"{name} (EPSG:{code})" if code else name


def utm_of(lon: float, lat: float) -> str:
    """UTM zone of a place, as "EPSG:code".

    Raises
    ------
    IntakeError
        Beyond 84 degrees north or 80 south, where UTM ends.

    Examples
    --------
    >>> utm_of(20.0, -33.97), utm_of(-119.5, 46.2), utm_of(180.0, -16.8)
    ('EPSG:32734', 'EPSG:32611', 'EPSG:32701')
    """
    if not -80.0 <= lat <= 84.0:
        raise IntakeError(
            f"Latitude {lat:.3f} lies beyond UTM. Are latitude and longitude swapped?"
        )
    zone = math.floor((lon + 180.0) % 360.0 / 6.0) + 1
    return f"EPSG:{32600 + zone if lat >= 0 else 32700 + zone}"


@cache
def transformer(source: str, target: str) -> Transformer:
    """Transformer between two systems, x before y (longitude, easting first) on both sides."""
    from pyproj import Transformer

    return Transformer.from_crs(read_crs(source), read_crs(target), always_xy=True)


def transform(geometry: Shape, source: str, target: str) -> Shape:
    """A geometry in another system."""
    change = transformer(source, target)

    def moved(xy: Array) -> Array:
        x, y = change.transform(xy[:, 0], xy[:, 1])
        return np.column_stack([x, y])

    return shapely.transform(geometry, moved)


def to_lonlat(geometry: Shape, source: str) -> Shape:
    """A geometry in WGS84. [deg]"""
    return transform(geometry, source, WGS84)


def to_metric(geometry: Shape, target: str) -> Shape:
    """A WGS84 geometry in a metric system. [m]"""
    return transform(geometry, WGS84, target)


def lonlat_to_xy(lon: Array, lat: Array, target: str) -> Array:
    """Places in a metric system, shape (n, 2). [m]"""
    x, y = transformer(WGS84, target).transform(np.asarray(lon), np.asarray(lat))
    return np.column_stack([x, y])


def nearby_systems(
    shape: BaseGeometry, beside: Sequence[BaseGeometry], known_points: Sequence[Place] = ()
) -> list[str]:
    """Systems that would lay a shape beside what is known of the farm, best first.

    The best holds most of the known points, overlaps no other block, and lies nearest.

    Parameters
    ----------
    shape : geometry
        In its own, unknown system.
    beside : sequence of polygons
        The farm's other blocks in WGS84. [deg]
    known_points : sequence of (lon, lat)
        Places known to lie in the farm's blocks. [deg]
    """
    known = [*beside, *(shapely.Point(p) for p in known_points)]
    if not known:
        return []
    middle = shapely.union_all(known).centroid
    metric = utm_of(middle.x, middle.y)
    others = shapely.union_all([to_metric(g, metric) for g in beside] or [shapely.Point()])
    points = [to_metric(shapely.Point(p), metric) for p in known_points]
    ground = shapely.union_all([others, *points])
    ranked = []
    for usual, code in enumerate(systems_around(middle.x, middle.y)):
        laid = _laid(shape, code, metric)
        if laid is None or laid.distance(ground) > BESIDE_M:
            continue
        inside = sum(laid.contains(point) for point in points)
        overlap = laid.intersection(others).area / laid.area if laid.area else 0.0
        # Datums that differ by a few metres tie: then the more usual system comes first.
        distance = laid.distance(ground) // TIE_M
        ranked.append((-inside, round(overlap, 1), distance, usual, code))
    return [code for *_, code in sorted(ranked)]


def lies_near(shape: BaseGeometry, code: str, beside: Sequence[BaseGeometry]) -> bool:
    """Whether a shape read as `code` lies within 100 km of the farm's other blocks.

    Parameters
    ----------
    beside : sequence of polygons
        In WGS84. [deg]
    """
    lon, lat = transformer(code, WGS84).transform(shape.centroid.x, shape.centroid.y)
    middle = shapely.union_all(list(beside)).centroid
    return math.hypot(lon - middle.x, lat - middle.y) < 1.0


def _laid(shape: BaseGeometry, code: str, metric: str) -> BaseGeometry | None:
    """The shape read as `code`, in metres; None where that system cannot hold it."""
    x, y = shape.centroid.x, shape.centroid.y
    lon, lat = transformer(code, WGS84).transform(x, y)
    if not (math.isfinite(lon) and math.isfinite(lat)):
        return None
    east, north = transformer(WGS84, metric).transform(lon, lat)
    if not (math.isfinite(east) and math.isfinite(north)):
        return None
    laid = transform(shape, code, metric)
    return laid if np.isfinite(shapely.get_coordinates(laid)).all() else None


@cache
def systems_around(lon: float, lat: float) -> tuple[str, ...]:
    """EPSG systems in use around a place: WGS84 first, then every projected one that covers it."""
    from pyproj.aoi import AreaOfInterest
    from pyproj.database import query_crs_info
    from pyproj.enums import PJType

    around = AreaOfInterest(lon - 0.05, lat - 0.05, lon + 0.05, lat + 0.05)
    infos = query_crs_info(
        auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS], area_of_interest=around
    )
    # World-wide systems distort: nobody draws a block in them.
    wide = [i for i in infos if i.area_of_use and i.area_of_use.east - i.area_of_use.west > 60]
    codes = [f"EPSG:{info.code}" for info in infos if info not in wide]
    # A belt's neighbour is used across its border, too.
    return (WGS84, utm_of(lon, lat), *(code for code in codes if code != utm_of(lon, lat)))
