"""Shapes as drawn -> valid polygons in WGS84, and what had to be said on the way."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import shapely
import shapely.geometry
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo.crs import to_lonlat
from geo.findings import Finding

#: A piece smaller than this beside a larger one is a slip of the drawing, not land. [m2]
SLIVER_M2 = 20.0

#: Ends of a walked line this near are one place. [m]
WALK_CLOSES_M = 30.0

#: File and number of the feature in it.
Where = tuple[str, int]

Area = Polygon | MultiPolygon


def geodesic_area_ha(lonlat: Area) -> float:
    """Area on the WGS84 ellipsoid, holes taken off. [ha]"""
    from pyproj import Geod

    geod = Geod(ellps="WGS84")
    turned = [shapely.geometry.polygon.orient(piece) for piece in pieces(lonlat)]
    return sum(abs(geod.geometry_area_perimeter(piece)[0]) for piece in turned) / 1e4


def geodesic_length_m(lonlat: BaseGeometry) -> float:
    """Length of a line on the WGS84 ellipsoid. [m]"""
    from pyproj import Geod

    return float(Geod(ellps="WGS84").geometry_length(lonlat))


def pieces(area: BaseGeometry) -> list[Polygon]:
    """Single polygons of an area; nothing for points and lines."""
    parts = [part for whole in shapely.get_parts(area) for part in shapely.get_parts(whole)]
    return [part for part in parts if isinstance(part, Polygon)]


def whole(parts: Sequence[Polygon]) -> Area:
    """One polygon, or several as one area."""
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def oriented(area: Area) -> Area:
    """Outer rings counter-clockwise, holes clockwise, as GeoJSON (RFC 7946) has them."""
    return whole([shapely.geometry.polygon.orient(piece) for piece in pieces(area)])


def as_polygon(
    geometry: BaseGeometry, name: str, where: Where, system: str, accept: Sequence[str]
) -> tuple[Area | None, list[Finding]]:
    """Valid polygon in WGS84 with the findings it took to get there; None: not usable."""
    findings: list[Finding] = []
    if geometry.geom_type in ("LineString", "MultiLineString", "LinearRing"):
        closed, walked = _closed_walk(geometry, name, where, system)
        findings.append(walked)
        if closed is None:
            return None, findings
        geometry = closed
    if geometry.geom_type not in ("Polygon", "MultiPolygon"):
        message = f"{where[0]}, feature {where[1]} is a {geometry.geom_type}, not an outline."
        return None, [_said("outline_kind", "warning", message, "Left out.", where)]
    findings += _winding(geometry, name, where)
    drawn = to_lonlat(whole(_nested_as_holes(pieces(geometry))), system)
    area: Area | None = drawn
    if not drawn.is_valid:
        area, crossing = _mended(drawn, name, where, accept)
        findings.append(crossing)
    if area is not None:
        area, slivers = _without_slivers(area, name, where)
        findings += slivers
        area = oriented(area)
    return area, findings


def _said(rule: str, severity: str, message: str, done: str, where: Where) -> Finding:
    return Finding(rule, severity, message, "", done, file=where[0], row=where[1])


def _closed_walk(
    line: BaseGeometry, name: str, where: Where, system: str
) -> tuple[Polygon | None, Finding]:
    """A walked line, closed if its ends nearly meet."""
    places = shapely.get_coordinates(line)
    gap_m = geodesic_length_m(to_lonlat(shapely.LineString([places[0], places[-1]]), system))
    if len(places) < 4 or gap_m > WALK_CLOSES_M:
        message = f"{name} is a line whose ends lie {gap_m:.0f} m apart, not an outline."
        return None, _said("outline_open", "warning", message, "Left out.", where)
    message = f"{name} is a walked line; its ends lie {gap_m:.1f} m apart."
    done = _said("outline_walked", "note", message, "Closed to an outline.", where)
    return Polygon(places), done


def _winding(area: BaseGeometry, name: str, where: Where) -> list[Finding]:
    """A hole wound like its outer ring: in a shapefile it is a second piece, not a hole."""
    parts = pieces(area)
    wrong = sum(
        ring.is_ccw == part.exterior.is_ccw for part in parts for ring in part.interiors
    ) + (len(parts) - len(_nested_as_holes(parts)))
    if not wrong:
        return []
    message = f"{name}: {wrong} inner ring(s) run the same way round as the outer one."
    return [_said("outline_winding", "note", message, "Turned round and kept as holes.", where)]


def _nested_as_holes(parts: Sequence[Polygon]) -> list[Polygon]:
    """Pieces of one feature; a piece inside another one is that one's hole, wound wrongly."""
    kept: list[Polygon] = []
    for part in sorted(parts, key=lambda p: -abs(p.area)):
        shells = [Polygon(other.exterior) for other in kept]
        inside = [i for i, shell in enumerate(shells) if shell.contains(part)]
        if inside and not any(Polygon(r).contains(part) for r in kept[inside[0]].interiors):
            outer = kept[inside[0]]
            kept[inside[0]] = Polygon(outer.exterior, [*outer.interiors, part.exterior])
        else:
            kept.append(part)
    return kept


def _mended(
    area: Area, name: str, where: Where, accept: Sequence[str]
) -> tuple[Area | None, Finding]:
    """An outline that crosses itself: mended only if agreed, kept out of use until then."""
    place = re.search(r"\[([-\d.e+]+) ([-\d.e+]+)\]", shapely.is_valid_reason(area))
    at = f" near {float(place[2]):.5f}, {float(place[1]):.5f}" if place else ""
    parts = pieces(shapely.make_valid(area))
    mended = whole(parts) if parts else None
    left = f"{geodesic_area_ha(mended):.3f} ha" if mended is not None else "nothing"
    finding = Finding(
        "outline_crosses",
        "open",
        f"The outline of {name} crosses itself{at}.",
        f"Mend it: {left} would be left.",
        "Not used until it is mended or drawn again.",
        file=where[0],
        row=where[1],
        repair={"outline": mended.wkt} if mended is not None else {},
    )
    if mended is not None and "outline_crosses" in accept:
        done = f"Mended as agreed: {left}."
        return mended, replace(finding, severity="note", proposal="", what_was_done=done)
    return None, finding


def _without_slivers(area: Area, name: str, where: Where) -> tuple[Area, list[Finding]]:
    areas_m2 = {part: geodesic_area_ha(part) * 1e4 for part in pieces(area)}
    small = [size for size in areas_m2.values() if size < SLIVER_M2]
    kept = [part for part, size in areas_m2.items() if size >= SLIVER_M2]
    if not small or not kept:
        return area, []
    sizes = ", ".join(f"{size:.1f} m2" for size in small)
    message = f"{name} has {len(small)} sliver(s): {sizes}."
    return whole(kept), [_said("outline_sliver", "warning", message, "Left out.", where)]
