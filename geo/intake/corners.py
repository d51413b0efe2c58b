"""A table of corners, as typed from a map or a receiver -> outlines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Outline, read_outlines
from geo.crs import WGS84, Place
from geo.errors import IntakeError
from geo.findings import Finding
from geo.intake.delimited import read_sheets
from geo.intake.known import Known
from geo.intake.lines import Line
from geo.intake.points import has_places, read_points
from geo.intake.tables import Table, read_table
from geo.outlines.polygons import as_polygon
from geo.received import MOST_NAME_CHARACTERS, receive

#: Questions of places that concern corners too; samples alone can lie outside a block.
_OF_CORNERS = ("no_system", "axes_turned", "signs_turned")


def is_corners(table: Table) -> bool:
    """Whether a table lists the corners of blocks: places, and a column that numbers corners."""
    return has_places(table) and table.column_of("corner") is not None


def read_corners(table: Table, known: Known) -> tuple[tuple[Outline, ...], tuple[Finding, ...]]:
    """Outlines whose corners stand in a table in walking order, a block after the other.

    Raises
    ------
    IntakeError
        If a corner cannot be read, or a block has fewer than three: a wrong outline is worse than
        none.
    """
    lines = [Line(row, str(n), str(n)) for n, row in enumerate(table.rows, start=1)]
    alone = Known(crs=known.crs, accept=known.accept)
    located = read_points(table, lines, alone)
    unread = next((f for f in located.findings if f.rule == "place_not_read"), None)
    if unread is not None:
        text = unread.message.partition(": ")[2]
        raise IntakeError(
            f"{table.name}, row {unread.row}: {text} An outline needs all its corners. "
            "Nothing of it was stored."
        )
    findings = [f for f in located.findings if f.rule in _OF_CORNERS]
    if not located.points:
        return (), tuple(findings)
    outlines: list[Outline] = []
    places = {point.row: (point.lon, point.lat) for point in located.points}
    for number, (name, rows) in enumerate(_by_block(table).items(), start=1):
        corners = [places[row] for row in rows if row in places]
        if len(set(corners)) < 3:
            raise IntakeError(
                f"{table.name}: {name!r} has {len(set(corners))} corner(s); an outline has three "
                "or more, one a line, in walking order. Nothing of it was stored."
            )
        area, odd = as_polygon(
            shapely.Polygon(corners), name, (table.name, number), WGS84, tuple(known.accept)
        )
        findings += [_in_order(finding) for finding in odd]
        if area is not None:
            outlines.append(Outline(name, area, table.name, number, "typed corners"))
    return tuple(outlines), tuple(findings)


def _in_order(finding: Finding) -> Finding:
    """Typed corners that cross are most often not written in walking order."""
    if finding.rule != "outline_crosses":
        return finding
    return replace(finding, message=f"{finding.message} Are its corners in walking order?")


def _by_block(table: Table) -> dict[str, list[int]]:
    """Rows of each block's corners, in the order of the file."""
    index = table.column_of("block")
    rows: dict[str, list[int]] = {}
    name = ""
    for row in table.rows:
        # A name is often written once, beside the first of its corners.
        name = (row[index] if index is not None else "") or name or Path(table.name).stem
        rows.setdefault(name[:MOST_NAME_CHARACTERS], []).append(row.number)
    return rows


def outlines_of_file(
    path: Path,
    *,
    crs: str | None = None,
    beside: Sequence[BaseGeometry] = (),
    known_points: Sequence[Place] = (),
    accept: Sequence[str] = (),
) -> tuple[tuple[Outline, ...], tuple[Finding, ...]]:
    """Outlines of a map file, or of a table that a person says lists corners.

    The parameters are those of `geo.blocks.read_outlines`.

    Raises
    ------
    IntakeError
        If there is none in it.
    """
    file = receive(path)
    if file.kind != "text" and not (file.kind == "zip" and b"xl/workbook.xml" in file.data):
        return read_outlines(path, crs=crs, beside=beside, known_points=known_points, accept=accept)
    tables = [table for sheet in read_sheets(file) if (table := read_table(sheet))]
    listed = [table for table in tables if has_places(table) and not table.property_columns()]
    if not listed:
        raise IntakeError(
            f"{file.name} is a table without corners. For an outline write a line a corner, in "
            "walking order, with the headings block, corner, latitude and longitude; or give "
            "GeoJSON, KML, GPX, GeoPackage or a shapefile. Nothing of it was stored."
        )
    known = Known(crs=crs, accept=frozenset(accept))
    read = [read_corners(table, known) for table in listed]
    return (
        tuple(outline for outlines, _ in read for outline in outlines),
        tuple(finding for _, findings in read for finding in findings),
    )
