"""Places of samples: lines of a table, or points of a map file -> Points in WGS84."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry.base import BaseGeometry

from geo.crs import WGS84, crs_name, nearby_systems, read_crs, to_lonlat
from geo.findings import Finding
from geo.intake.coordinates import read_degrees, read_place
from geo.intake.ids import read_ids
from geo.intake.known import Known, settled
from geo.intake.lines import Line
from geo.intake.numbers import read_number
from geo.intake.placing import check_places, turned_axes
from geo.intake.reading import Point
from geo.intake.tables import Row, Table
from geo.outlines.shapes import Shape

#: Words in a remark that say why a place will have no result.
_LOST = re.compile(r"\b(lost|missing|broken|spilled|not sampled|no sample|skipped)\b", re.I)


@dataclass(frozen=True)
class Located:
    """Places as read, and what had to be said."""

    points: tuple[Point, ...]
    findings: tuple[Finding, ...]


def has_places(table: Table) -> bool:
    """Whether a table holds coordinates."""
    return _axes(table) is not None or table.column_of("place") is not None


def _axes(table: Table) -> tuple[str, int, int] | None:
    """What the coordinates are, with the columns of x and y."""
    for kind, x, y in (("degrees", "lon", "lat"), ("projected", "east", "north")):
        columns = table.column_of(x), table.column_of(y)
        if columns[0] is not None and columns[1] is not None:
            return kind, columns[0], columns[1]
    return None


def read_points(table: Table, lines: Sequence[Line], known: Known) -> Located:
    """Places of the lines of a table, checked against what is known of the farm."""
    raw, findings = _raw_places(table, lines)
    system, asked = _system(table, [xy for xy in raw if xy], known)
    findings += asked
    if not system:
        return Located((), tuple(findings))
    raw, turned = _turned(raw, system, table, lines, known)
    findings += turned
    points = []
    for line, xy in zip(lines, raw, strict=True):
        if xy is None:
            continue
        lon, lat = _lonlat(shapely.Point(xy), system)
        points.append(_point(line, table, lon, lat))
    points = _once(points)
    if not any(finding.severity == "open" for finding in turned):
        points, more = check_places(points, known, table.name, _heading(table))
        findings += more
    findings += _lost(points, table)
    return Located(tuple(points), tuple(findings))


def _lonlat(place: BaseGeometry, system: str) -> tuple[float, float]:
    moved = place if system == WGS84 else to_lonlat(place, system)
    lon, lat = shapely.get_coordinates(moved)[0]
    return float(lon), float(lat)


def _once(points: Sequence[Point]) -> list[Point]:
    """One place a sample: a repeat in the laboratory is the same place."""
    return list({(p.sample_id, p.lon, p.lat): p for p in points}.values())


def _point(line: Line, table: Table, lon: float, lat: float) -> Point:
    hdop = read_number(_cell(table, line.row, "hdop"), table.decimal)
    return Point(
        typed_id=line.typed_id,
        sample_id=line.sample_id,
        lon=round(lon, 9),
        lat=round(lat, 9),
        hdop=hdop,
        time=_cell(table, line.row, "time"),
        note=line.note,
        row=line.row.number,
    )


def _cell(table: Table, row: Row, role: str) -> str:
    index = table.column_of(role)
    return "" if index is None else row[index]


def _heading(table: Table) -> str:
    axes = _axes(table)
    if axes is None:
        index = table.column_of("place")
        return "" if index is None else table.columns[index].heading
    return f"{table.columns[axes[2]].heading}, {table.columns[axes[1]].heading}"


def _raw_places(
    table: Table, lines: Sequence[Line]
) -> tuple[list[tuple[float, float] | None], list[Finding]]:
    """Numbers of each line's place in the file's own system; None where there is no place."""
    axes = _axes(table)
    places: list[tuple[float, float] | None] = []
    findings = []
    for line in lines:
        if axes is None:
            index = table.column_of("place")
            text = line.row[index] if index is not None else ""
            place = read_place(text, table.decimal) if text else None
        else:
            text = " ".join(filter(None, (line.row[axes[1]], line.row[axes[2]])))
            place = _pair(axes[0], line.row[axes[1]], line.row[axes[2]], table.decimal)
        # Latitude and longitude 0, 0 is a receiver without a fix.
        degrees = axes is None or axes[0] == "degrees"
        places.append(None if place == (0.0, 0.0) and degrees else place)
        if text and places[-1] is None:
            findings.append(
                Finding(
                    "place_not_read", "open",
                    f"{line.sample_id}: {text!r} is not a place.",
                    "Give its place with 'soilquilt set --key place'.", "Left without a place.",
                    table.name, line.row.number, _heading(table), (line.sample_id,),
                )
            )  # fmt: skip
    return places, findings


def _pair(kind: str, x: str, y: str, decimal: str) -> tuple[float, float] | None:
    if kind == "degrees":
        lon, lat = read_degrees(x, "lon", decimal), read_degrees(y, "lat", decimal)
    else:
        lon, lat = read_number(x, decimal), read_number(y, decimal)
    # Projected numbers under degree headings are still a place, in a system yet unknown.
    if kind == "degrees" and (lon is None or lat is None):
        lon, lat = read_number(x, decimal), read_number(y, decimal)
    return None if lon is None or lat is None else (lon, lat)


def _system(
    table: Table, places: Sequence[tuple[float, float]], known: Known
) -> tuple[str, list[Finding]]:
    """The system of the numbers, or "" with the question to be answered."""
    if known.crs:
        read_crs(known.crs, table.name)
        return known.crs, []
    if not places:
        return "", []
    largest = max(abs(number) for place in places for number in place)
    axes = _axes(table)
    if largest <= 180 and (axes is None or axes[0] == "degrees"):
        return WGS84, []
    cloud = shapely.MultiPoint(list(places))
    beside = [block.lonlat for block in known.blocks]
    systems = nearby_systems(cloud, beside, [(p.lon, p.lat) for p in known.points])
    best = systems[0] if systems else ""
    question = Finding(
        "no_system",
        "open",
        f"{table.name} gives places such as {places[0][0]:.1f}, {places[0][1]:.1f} and not their "
        "coordinate system.",
        f"With {crs_name(best)} they lie in your blocks. Use {best}?"
        if best
        else "Say which with --crs EPSG:CODE.",
        "Results are stored without places until it is known.",
        table.name,
        None,
        _heading(table),
        repair={"crs": best} if best else {},
    )
    if best and known.agreed("no_system"):
        return best, [settled(question, f"Read with {crs_name(best)}, as agreed.")]
    return "", [question]


def _turned(
    raw: Sequence[tuple[float, float] | None],
    system: str,
    table: Table,
    lines: Sequence[Line],
    known: Known,
) -> tuple[list[tuple[float, float] | None], list[Finding]]:
    """Grid numbers whose axes point the other way: asked about, turned if agreed."""
    turn = None
    if system != WGS84 and read_crs(system).is_projected:
        turn = turned_axes([xy for xy in raw if xy], system, known)
    if turn is None:
        return list(raw), []
    rule, what, proposal, change = turn
    question = Finding(
        rule,
        "open",
        f"Read with {crs_name(system)}, the places of {table.name} land far from your blocks: "
        f"{what}.",
        f"{proposal}: then they lie in or beside your blocks.",
        "Kept as they came; in no map until it is agreed.",
        table.name,
        None,
        _heading(table),
        tuple(line.sample_id for line in lines),
    )
    if known.agreed(rule):
        done = settled(question, f"{proposal}: done, as agreed.")
        return [None if xy is None else change(*xy) for xy in raw], [done]
    return list(raw), [question]


def _lost(points: Sequence[Point], table: Table) -> list[Finding]:
    return [
        Finding(
            "no_partner", "note",
            f"{point.sample_id} has a place; its note says {point.note!r}.", "",
            "Kept as a place without a result.", table.name, point.row, "", (point.sample_id,),
        )
        for point in points
        if _LOST.search(point.note)
    ]  # fmt: skip


def points_of_shapes(shapes: Sequence[Shape], system: str, file: str, known: Known) -> Located:
    """Waypoints and point features."""
    placed = [shape for shape in shapes if shape.geometry.geom_type == "Point"]
    typed = [_name(shape, number) for number, shape in enumerate(placed, start=1)]
    ids = read_ids(typed, known.sample_ids())
    points = []
    for number, (shape, text) in enumerate(zip(placed, typed, strict=True), start=1):
        lon, lat = _lonlat(shape.geometry, system)
        points.append(
            Point(
                text, ids.of[text], round(lon, 9), round(lat, 9),
                read_number(shape.attributes.get("hdop", "")), shape.attributes.get("time", ""),
                shape.attributes.get("cmt", "") or shape.attributes.get("note", ""), number,
            )
        )  # fmt: skip
    checked, findings = check_places(points, known, file, "")
    return Located(tuple(checked), tuple(findings))


def _name(shape: Shape, number: int) -> str:
    lower = {key.lower(): text for key, text in shape.attributes.items()}
    return next((lower[k] for k in ("name", "id", "sample", "label") if lower.get(k)), str(number))
