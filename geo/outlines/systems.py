"""Which coordinate system an outline file is in: as it says, as it was said, or asked about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely.geometry.base import BaseGeometry

from geo.crs import WGS84, Place, crs_name, lies_near, nearby_systems, read_crs
from geo.findings import Finding
from geo.outlines.shapes import Shape, Shapes


def system_of(
    layer: Shapes,
    name: str,
    given: str | None,
    beside: Sequence[BaseGeometry],
    known_points: Sequence[Place],
    accept: Sequence[str],
) -> tuple[str, list[Finding]]:
    """The system of a layer, or "" with the question that has to be answered first."""
    if not areas_of(layer):
        return "", []
    if given or layer.crs:
        system = given or layer.crs
        read_crs(system, name)
        drawn = shapely.GeometryCollection([shape.geometry for shape in areas_of(layer)])
        if read_crs(system, name).is_geographic and not _could_be_degrees(drawn):
            return _no_system(layer, name, beside, known_points, accept, stated=system)
        return system, []
    return _no_system(layer, name, beside, known_points, accept, stated="")


def _no_system(
    layer: Shapes,
    name: str,
    beside: Sequence[BaseGeometry],
    known_points: Sequence[Place],
    accept: Sequence[str],
    stated: str,
) -> tuple[str, list[Finding]]:
    drawn = shapely.union_all([shape.geometry.convex_hull for shape in areas_of(layer)])
    systems = nearby_systems(drawn, beside, known_points)
    if not systems and not stated and _could_be_degrees(drawn):
        systems = [WGS84]
    what = (
        f"{name} says its coordinates are degrees, and they are not ({crs_name(stated)})."
        if stated
        else f"{name} does not say its coordinate system."
    )
    if systems:
        best = systems[0]
        place = "beside your other blocks" if beside or known_points else "on the globe, as degrees"
        rest = [crs_name(other) for other in systems[1:4]]
        also = f" So it would with {', '.join(rest)}." if rest else ""
        proposal = f"With {crs_name(best)} it lies {place}.{also} Use {best}?"
    else:
        best = ""
        proposal = "Say which it is with --crs EPSG:CODE, or give the file together with its .prj."
    finding = Finding(
        "no_system",
        "refused",
        f"{what} Corners lie near x {drawn.centroid.x:.1f}, y {drawn.centroid.y:.1f}.",
        proposal,
        "Not read: a system is never assumed.",
        file=name,
        repair={"crs": best} if best else {},
    )
    if best and "no_system" in accept:
        done = f"Read with {crs_name(best)}, as agreed."
        return best, [replace(finding, severity="note", what_was_done=done, proposal="")]
    return "", [finding]


def axes_of(
    layer: Shapes,
    name: str,
    system: str,
    beside: Sequence[BaseGeometry],
    known_points: Sequence[Place],
    accept: Sequence[str],
) -> tuple[Shapes, list[Finding]]:
    """Shapes of a grid whose axes point the other way: asked about, turned only if agreed."""
    drawn = shapely.union_all([shape.geometry.convex_hull for shape in areas_of(layer)])
    ground = [*beside, *(shapely.Point(place) for place in known_points)]
    if not ground or not read_crs(system, name).is_projected or lies_near(drawn, system, ground):
        return layer, []
    what = "your other blocks" if beside else "your stations"
    for signs in ((-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0)):
        turned = [replace(s, geometry=_turned(s.geometry, signs)) for s in layer.shapes]
        if not lies_near(_turned(drawn, signs), system, ground):
            continue
        question = Finding(
            "axes_turned",
            "open",
            f"Read with {crs_name(system)}, {name} lies far from {what}: its axes point the "
            "other way.",
            f"Turn the axes: then it lies beside {what}.",
            "Not used until it is agreed.",
            file=name,
        )
        if "axes_turned" in accept:
            done = "Axes turned, as agreed."
            note = replace(question, severity="note", proposal="", what_was_done=done)
            return replace(layer, shapes=tuple(turned)), [note]
        return replace(layer, shapes=()), [question]
    return layer, []


def _turned(geometry: BaseGeometry, signs: tuple[float, float]) -> BaseGeometry:
    return shapely.transform(geometry, lambda xy: xy * signs)


def _could_be_degrees(drawn: BaseGeometry) -> bool:
    west, south, east, north = drawn.bounds
    return max(abs(west), abs(east)) <= 180 and max(abs(south), abs(north)) <= 90


def areas_of(layer: Shapes) -> list[Shape]:
    """Shapes of a layer that may be outlines: everything but single places."""
    return [s for s in layer.shapes if s.geometry.geom_type != "Point"]
