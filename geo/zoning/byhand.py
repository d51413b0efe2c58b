"""Lines a grower draws -> parts of a block, or the reason why a spreader cannot drive them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiLineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo.crs import to_metric
from geo.errors import FarmError
from geo.grids import Grid
from geo.zoning.choice import Product
from geo.zoning.criteria import HECTARE_M2, Judged, opening, zone_of
from geo.zoning.drivable import Footprint, spread, too_narrow

#: More parts than this in one block are a slip of the hand.
MOST_PARTS = 12

#: Share of a part that may be too narrow or too short for the spreader, as at a pointed end; our
#: own choice, no source. [1]
MOST_NARROW = 0.05

#: A line is carried so far past the outline, that it surely crosses it. [m]
PAST_M = 0.01

_WINDS = ("east", "northeast", "north", "northwest", "west", "southwest", "south", "southeast")


def lines_of(text: str, crs: str) -> list[LineString]:
    """Lines in metres from their WKT in longitude and latitude, parted by semicolons.

    Raises
    ------
    FarmError
        If the text holds no line, or something that is not one.
    """
    found: list[LineString] = []
    for words in filter(None, (part.strip() for part in text.split(";"))):
        try:
            shape = shapely.from_wkt(words)
        except shapely.errors.GEOSException:
            shape = None
        if not isinstance(shape, LineString | MultiLineString) or shape.is_empty:
            raise FarmError(
                f"{words[:60]!r} is not a line. Write LINESTRING (longitude latitude, longitude "
                "latitude, ...) and part several lines by a semicolon."
            )
        lonlat = shapely.get_coordinates(shape)
        if not (np.isfinite(lonlat).all() and (np.abs(lonlat) <= (180.0, 90.0)).all()):
            raise FarmError(f"{words[:60]!r}: a longitude and a latitude in degrees are wanted.")
        found += shapely.get_parts(to_metric(shape, crs)).tolist()
    if not found:
        raise FarmError("There is no line. Draw one with at least two points.")
    return found


def parts_of(outline: Polygon | MultiPolygon, lines: Sequence[LineString]) -> list[Polygon]:
    """Parts that lines cut a block into; together they are the block. [m]

    A line that ends inside the block goes straight on to the outline or to another line.

    Raises
    ------
    FarmError
        If nothing is cut, or there are more parts than `MOST_PARTS`.
    """
    carried = [_carried_on(line, outline, [o for o in lines if o is not line]) for line in lines]
    net = shapely.unary_union([outline.boundary, *carried])
    faces = np.array(shapely.polygonize([net]).geoms)
    inside = shapely.contains(outline, shapely.point_on_surface(faces))
    parts: list[Polygon] = shapely.orient_polygons(faces[inside]).tolist()
    if len(parts) <= len(shapely.get_parts(outline)):
        raise FarmError("The line does not cut the block in two. Draw it from edge to edge.")
    if len(parts) > MOST_PARTS:
        raise FarmError(
            f"The lines cut the block into {len(parts)} parts; {MOST_PARTS} at most. Draw fewer."
        )
    return parts


def labels_of(parts: Sequence[BaseGeometry], grid: Grid) -> NDArray[np.int64]:
    """Part of each cell inside the block; a cell on a border goes to the part nearest to it."""
    cells = grid.cells()
    found = zone_of(parts, cells)
    lost = found < 0
    if lost.any():
        points = np.asarray(shapely.points(cells[lost]))
        found[lost] = np.argmin([shapely.distance(points, part) for part in parts], axis=0)
    return found


def refuse_undrivable(
    parts: Sequence[Polygon],
    outline: Polygon | MultiPolygon,
    cells: NDArray[np.int64],
    grid: Grid,
    footprint: Footprint,
    width_m: float,
    smallest_m2: float,
) -> None:
    """Refuse parts that a spreader cannot drive, with which and how wide it must be.

    Raises
    ------
    FarmError
    """
    narrow = too_narrow(spread(cells, grid.inside), grid.inside, footprint)[grid.inside]
    whole = [part.area for part in shapely.get_parts(outline)]
    wide = opening(outline, width_m)
    for index, part in enumerate(parts):
        if np.isclose(part.area, whole, rtol=1e-6).any():
            continue  # a part of the block that no line touches is as it is
        which = f"The part of {part.area / HECTARE_M2:.2f} ha in the {_side(part, outline)}"
        lost = part.difference(opening(part, width_m)).intersection(wide).area / part.area
        if lost > 0.5:
            raise FarmError(
                f"{which} is narrower than one swath. It must be at least {width_m:g} m wide."
            )
        if part.area < smallest_m2:
            raise FarmError(
                f"{which} is too small: a piece must hold at least {smallest_m2 / HECTARE_M2:.2f} "
                "ha to be worth a rate of its own. Move the line further in."
            )
        mine = cells == index
        if not mine.any() or narrow[mine].mean() > MOST_NARROW:
            along_m = footprint.along * grid.spacing_m
            raise FarmError(
                f"{which} cannot be driven: it must be at least {width_m:g} m wide across the "
                f"rows and {along_m:.0f} m long along them, nearly everywhere."
            )


def say_failed(judged: Sequence[Judged]) -> None:
    """Refuse a border whose zones do not meet the criteria, with what was found.

    Raises
    ------
    FarmError
        Naming the first zone and the criteria it does not meet.
    """
    failed = [f"{one.name}: {one.found}" for one in judged if not one.met]
    if failed:
        raise FarmError(
            f"This border cannot be driven ({', '.join(failed)}). Draw it straighter, or further "
            "from the edge of the block."
        )


def weigh(
    product: Product, own: NDArray[np.int64], computed: NDArray[np.int64] | None
) -> tuple[float, float, float]:
    """Saving of own parts against one rate [%], its chance, and their loss over the computed [%].

    The last is in percent of the loss of one rate; negative where the own parts lose less.
    """
    uniform = product.loss(np.zeros_like(own))
    loss = product.loss(own)
    mean = float(uniform.mean())
    if mean <= 0:
        return 0.0, 0.0, 0.0
    other = uniform if computed is None else product.loss(computed)
    saving = 100 * (mean - float(loss.mean())) / mean
    more = 100 * (float(loss.mean()) - float(other.mean())) / mean
    return saving, float((loss < uniform).mean()), more


def say_own(count: int, saving_pct: float, chance: float, more_pct: float, zones: int) -> str:
    """Whose border it is, and what it is worth beside one rate and beside the computed zones."""
    computed = "the one rate" if zones == 1 else f"the {zones} zones"
    if abs(more_pct) < 0.5:
        beside = f"as much as {computed} worked out from the samples"
    else:
        than = "more" if more_pct > 0 else "less"
        beside = (
            f"{abs(more_pct):.0f} % of the loss of one rate {than} than {computed} worked out "
            "from the samples"
        )
    saving = (
        "Expected loss as with one rate"
        if saving_pct < 0.5
        else f"Expected loss {saving_pct:.0f} % below that of one rate, and less in "
        f"{round(100 * chance)} of 100 draws"
    )
    return (
        f"{count} zones along your own border, not one worked out from the samples. {saving}; "
        f"{beside}."
    )


def _carried_on(
    line: LineString, outline: BaseGeometry, others: Sequence[LineString]
) -> LineString:
    """The line, each end that lies inside the block carried on to what it meets first."""
    xy = shapely.get_coordinates(line)
    stops = shapely.unary_union([outline.boundary, *others])
    west, south, east, north = outline.bounds
    reach_m = math.hypot(east - west, north - south)
    first = _met(xy[1], xy[0], outline, stops, reach_m)
    last = _met(xy[-2], xy[-1], outline, stops, reach_m)
    return LineString(np.vstack([first, xy, last]))


def _met(
    before: NDArray[np.float64],
    end: NDArray[np.float64],
    outline: BaseGeometry,
    stops: BaseGeometry,
    reach_m: float,
) -> NDArray[np.float64]:
    """Where a line meets something past its end; nothing where it ends outside or on something."""
    length = float(np.hypot(*(end - before)))
    here = shapely.Point(end)
    if length == 0 or not outline.contains(here):
        return np.empty((0, 2))
    step = (end - before) / length
    # From just past the end: a line that ends on another one stays there.
    if stops.distance(here) < PAST_M:
        return (end + 2 * PAST_M * step)[None]
    found = stops.intersection(LineString([end, end + reach_m * step]))
    if found.is_empty:
        return np.empty((0, 2))
    return (end + (here.distance(found) + PAST_M) * step)[None]


def _side(part: BaseGeometry, outline: BaseGeometry) -> str:
    """Side of the block on which a part lies: "north", "southeast" ..."""
    middle, whole = part.centroid, outline.centroid
    away, side = middle.y - whole.y, middle.x - whole.x
    return _WINDS[round(math.degrees(math.atan2(away, side)) / 45) % 8]
