"""What lies on a map beside the soil: ground crosses, rows, water, labels on class lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely import LineString, MultiLineString, Polygon
from shapely.affinity import rotate
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.export.layers import to_lonlat
from geo.grids import Array, Grid
from maps.wording import number

#: Of a place that is only looked at: about a centimetre. [decimals of a degree]
EYE_DECIMALS = 7
#: Distance of the ground crosses, in the block's metric CRS. [m]
CROSS_M = 50.0
#: Most crosses a map carries; wider blocks get them farther apart.
MOST_CROSSES = 900
#: Every so many planting rows one is drawn.
ROW_STEP = 5
#: Compass words from east counter-clockwise.
COMPASS = (
    "east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east",
)  # fmt: skip


def furniture(block: Block) -> dict[str, Any]:
    """Crosses as [lat, lon], rows and water lines as GeoJSON geometries."""
    return {
        "crosses": crosses(block),
        "rows": drawn_lonlat(row_lines(block), block.crs),
        "water": drawn_lonlat(water_lines(block), block.crs),
    }


def drawn_lonlat(shape: BaseGeometry, crs: str) -> dict[str, Any]:
    """A shape in metres as GeoJSON for the eye, to the centimetre: each further figure is room."""
    lonlat = shapely.transform(to_lonlat(shape, crs), lambda xy: xy.round(EYE_DECIMALS))
    found: dict[str, Any] = mapping(lonlat)
    return found


def crosses(block: Block) -> list[list[float]]:
    """Places on round metres around the block."""
    west, south, east, north = block.outline.bounds
    apart = CROSS_M
    while (east - west + 4 * apart) * (north - south + 4 * apart) / apart**2 > MOST_CROSSES:
        apart *= 2
    x = np.arange(math.floor(west / apart - 3), math.ceil(east / apart + 3) + 1) * apart
    y = np.arange(math.floor(south / apart - 3), math.ceil(north / apart + 3) + 1) * apart
    places = shapely.MultiPoint([(a, b) for a in x for b in y])
    lonlat = shapely.get_coordinates(to_lonlat(places, block.crs)).round(EYE_DECIMALS)
    return [[lat, lon] for lon, lat in lonlat.tolist()]


def row_lines(block: Block) -> MultiLineString:
    """Every fifth planting row inside the outline; none where rows are not known. [m]"""
    azimuth, spacing = block.site.row_azimuth_deg, block.site.row_spacing_m
    if azimuth is None or spacing is None:
        return MultiLineString()
    outline, middle = block.outline, block.outline.centroid
    half = math.hypot(*np.subtract(outline.bounds[2:], outline.bounds[:2]))
    offsets = np.arange(-half, half, ROW_STEP * spacing)
    lines = MultiLineString(
        [
            LineString([(middle.x + o, middle.y - half), (middle.x + o, middle.y + half)])
            for o in offsets
        ]
    )
    inside = rotate(lines, -azimuth, origin=(middle.x, middle.y)).intersection(outline)
    parts = [p for p in shapely.get_parts(inside) if isinstance(p, LineString)]
    return MultiLineString(parts)


def water_lines(block: Block) -> MultiLineString:
    """Three shrinking lines in each hole of the outline. [m]"""
    lines = []
    for part in shapely.get_parts(block.outline):
        for ring in part.interiors:
            hole = Polygon(ring)
            width = math.sqrt(hole.area / math.pi)
            for share in (0.22, 0.45, 0.68):
                smaller = hole.buffer(-share * width)
                lines += [p.exterior for p in shapely.get_parts(smaller) if not p.is_empty]
    return MultiLineString([LineString(line.coords) for line in lines])


def line_labels(
    estimate: Array, grid: Grid, limits: Sequence[float], key: str, samples_m: Array
) -> list[dict[str, Any]]:
    """One label on each class line, where the line is farthest from samples and the outline."""
    from scipy.ndimage import distance_transform_edt

    centres = grid.centres().reshape(*grid.shape, 2)
    to_edge_m = distance_transform_edt(np.pad(grid.inside, 1))[1:-1, 1:-1] * grid.spacing_m
    taken = np.asarray(samples_m, dtype=float).reshape(-1, 2)
    labels = []
    for limit in limits:
        above = estimate > limit
        crossing = np.zeros(grid.shape, bool)
        inside = np.isfinite(estimate[:, :-1]) & np.isfinite(estimate[:, 1:])
        crossing[:, :-1] = (above[:, :-1] != above[:, 1:]) & inside
        places = centres[crossing]
        if len(places) < 4:
            continue
        away = np.linalg.norm(places[:, None] - taken[None], axis=2).min(axis=1, initial=np.inf)
        place = places[int(np.argmax(np.minimum(away, to_edge_m[crossing])))]
        taken = np.vstack([taken, place])
        point = to_lonlat(shapely.Point(place), grid.crs)
        labels.append({"text": number(limit, key), "lat": point.y, "lon": point.x})
    return labels


def compass_word(place: Sequence[float], block: Block) -> str:
    """Where in the block a place lies: "west", "north-east" ... or "middle".

    Examples
    --------
    >>> square = Block("A", "a", shapely.box(0, 0, 100, 100), shapely.box(0, 0, 1, 1), "", 1.0)
    >>> compass_word((10, 50), square), compass_word((52, 49), square)
    ('west', 'middle')
    """
    middle = block.outline.centroid
    east, north = place[0] - middle.x, place[1] - middle.y
    if math.hypot(east, north) < 0.12 * math.sqrt(block.outline.area):
        return "middle"
    return COMPASS[round(math.degrees(math.atan2(north, east)) / 45) % 8]


def ends(estimate: Array, grid: Grid, block: Block) -> tuple[tuple[float, str], tuple[float, str]]:
    """Lowest and highest tenth of a map: its middle value, and where most of it lies."""
    values = estimate[grid.inside]
    cells = grid.cells()
    found = []
    for low in (True, False):
        bound = np.nanquantile(values, 0.1 if low else 0.9)
        chosen = values <= bound if low else values >= bound
        middle = cells[chosen].mean(axis=0)
        found.append((float(np.nanmedian(values[chosen])), compass_word(middle, block)))
    return found[0], found[1]
