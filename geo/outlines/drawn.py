"""An outline drawn by hand -> a sound polygon in WGS84, or the sentence that says why not."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import shapely
from shapely import Polygon

from geo.blocks import LEAST_BLOCK_M2, MOST_BLOCK_HA, WIDEST_DEG, Block
from geo.crs import Place
from geo.errors import IntakeError
from geo.outlines.polygons import Area, geodesic_area_ha, oriented, pieces, whole

#: Most corners of one drawing; a file may bring more.
MOST_CORNERS = 20_000

#: Land that two blocks may share before it is worth a word; edges of a GPS are off by less. [ha]
OVERLAP_TOLD_HA = 0.01


class DrawingError(IntakeError):
    """A drawing is no outline; `place` is where, as longitude and latitude. [deg]"""

    def __init__(self, message: str, place: Place | None = None) -> None:
        super().__init__(message)
        self.place = place


@dataclass(frozen=True)
class Drawing:
    """Rings as drawn, not closed: pieces of land, and holes in them. [deg]"""

    pieces: tuple[tuple[Place, ...], ...]
    holes: tuple[tuple[Place, ...], ...] = ()


def drawing_of(area: Area) -> Drawing:
    """The rings of an outline, as they are drawn again."""
    parts = pieces(area)
    return Drawing(
        tuple(_open(part.exterior) for part in parts),
        tuple(_open(ring) for part in parts for ring in part.interiors),
    )


def _open(ring: shapely.LinearRing) -> tuple[Place, ...]:
    return tuple((float(x), float(y)) for x, y in list(ring.coords)[:-1])


def drawn_area(drawing: Drawing) -> Area:
    """The land inside the pieces and outside the holes, in WGS84. [deg]

    Raises
    ------
    DrawingError
        If a ring has too few corners, crosses itself, lies where it cannot, or the whole is no
        block's size.
    """
    if sum(len(ring) for ring in (*drawing.pieces, *drawing.holes)) > MOST_CORNERS:
        raise DrawingError(f"A drawing has at most {MOST_CORNERS} corners. Add it as a file.")
    if not drawing.pieces:
        raise DrawingError("There is no corner yet.")
    many = len(drawing.pieces) > 1
    land = [
        _ring(ring, f"Piece {i}" if many else "The outline")
        for i, ring in enumerate(drawing.pieces, start=1)
    ]
    holes = [_ring(ring, f"Hole {i}") for i, ring in enumerate(drawing.holes, start=1)]
    _apart(land, "Piece")
    _apart(holes, "Hole")
    area = oriented(whole(land))
    for number, hole in enumerate(holes, start=1):
        if not any(piece.contains(hole) for piece in land):
            raise DrawingError(
                f"Hole {number} does not lie inside the outline. Move its corners in, or move the "
                "corners of the outline.",
                _middle(hole),
            )
    area = oriented(whole(pieces(area.difference(shapely.union_all(holes)))))
    _sized(area)
    return area


def _ring(corners: Sequence[Place], what: str) -> Polygon:
    """One ring as a polygon without holes."""
    for lon, lat in corners:
        if not (math.isfinite(lon) and math.isfinite(lat) and abs(lon) <= 180 and abs(lat) <= 90):
            raise DrawingError(f"{what} has a corner that is no place on earth.")
    if len(set(corners)) < 3:
        raise DrawingError(f"{what} has {len(set(corners))} of at least three corners.")
    polygon = Polygon(corners)
    if not polygon.convex_hull.area:
        raise DrawingError(f"The corners of {_low(what)} lie on one line.", corners[0])
    if not polygon.is_valid:
        place = _crossing(polygon)
        at = f" near {place[1]:.5f}, {place[0]:.5f}" if place else ""
        raise DrawingError(
            f"{what} crosses itself{at}. Drag one of the corners beside the mark back.", place
        )
    return polygon


def _low(what: str) -> str:
    return what[0].lower() + what[1:]


def _crossing(polygon: Polygon) -> Place | None:
    place = re.search(r"\[([-\d.e+]+) ([-\d.e+]+)\]", shapely.is_valid_reason(polygon))
    return (float(place[1]), float(place[2])) if place else None


def _middle(area: Polygon) -> Place:
    point = area.representative_point()
    return point.x, point.y


def _apart(parts: Sequence[Polygon], what: str) -> None:
    """Pieces, or holes, that share land are one badly drawn."""
    for i, one in enumerate(parts):
        for k, other in enumerate(parts[i + 1 :], start=i + 2):
            if one.intersection(other).area > 0:
                raise DrawingError(
                    f"{what} {i + 1} and {_low(what)} {k} lie over each other. Draw them as one, "
                    "or move them apart.",
                    _middle(max(pieces(one.intersection(other)), key=lambda p: p.area)),
                )


def _sized(area: Area) -> None:
    west, south, east, north = area.bounds
    if east - west > WIDEST_DEG or north - south > WIDEST_DEG:
        raise DrawingError("This outline is more than a degree wide. Is a corner mistyped?")
    size_ha = geodesic_area_ha(area)
    if size_ha < LEAST_BLOCK_M2 / 1e4:
        raise DrawingError(
            f"This outline holds {size_ha * 1e4:.0f} m2; a block has at least "
            f"{LEAST_BLOCK_M2:g} m2. Draw its corners farther apart."
        )
    if size_ha > MOST_BLOCK_HA:
        raise DrawingError(
            f"This outline holds {size_ha:,.0f} ha; a block has at most {MOST_BLOCK_HA:,.0f} ha."
        )


def overlaps_ha(area: Area, blocks: Iterable[Block]) -> dict[str, float]:
    """Names of the blocks that an outline lies over, with the land they share. [ha]"""
    shared: dict[str, float] = {}
    for block in blocks:
        parts = pieces(block.lonlat.intersection(area))
        size_ha = geodesic_area_ha(whole(parts)) if parts else 0.0
        if size_ha > OVERLAP_TOLD_HA:
            shared[block.name] = size_ha
    return shared
