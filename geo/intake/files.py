"""One file of any kind -> a Reading: finds out what it holds, says what it made of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from geo.blocks import Block, make_block, outlines_of
from geo.crs import WGS84, read_crs
from geo.errors import IntakeError, UsageError
from geo.findings import Finding
from geo.intake.applications import (
    applications_of_shapes,
    are_applications,
    is_applications,
    is_log,
    read_applications,
    read_log,
)
from geo.intake.corners import is_corners, read_corners
from geo.intake.delimited import Sheet, read_sheets
from geo.intake.headings import ROLES
from geo.intake.known import Known, Profile
from geo.intake.lab import read_lab
from geo.intake.lines import read_lines
from geo.intake.numbers import read_cell
from geo.intake.points import has_places, points_of_shapes, read_points
from geo.intake.profiles import table_as_before
from geo.intake.reading import Point, Reading
from geo.intake.tables import Table
from geo.intake.tissue import is_tissue, nutrient_of, read_tissue
from geo.lookup import properties
from geo.outlines.shapes import Shapes, read_shapes
from geo.received import Received, receive
from geo.settings import BlockSettings


def read_file(
    path: Path,
    *,
    season: int | None = None,
    blocks: Sequence[Block] = (),
    known_points: Sequence[Point] = (),
    crs: str | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    accept: Sequence[str] = (),
    known_ids: Sequence[str] = (),
    planned: Mapping[str, tuple[float, float]] | None = None,
    methods: Mapping[str, str] | None = None,
    profiles: Sequence[Profile] = (),
) -> Reading:
    """What a file holds, whatever it is: outlines, points, results, leaf tests, applications, log.

    Parameters
    ----------
    path : Path
    season : int, optional
        Year of the soil sampling.
    blocks : sequence of Block
        The farm's blocks; places are checked against them.
    known_points : sequence of Point
        Stations on file, those of the same season first; ids and places are checked against them.
    crs : str, optional
        Coordinate system of the file, where it does not say ("EPSG:2048").
    columns : mapping, optional
        Heading -> property key or role ("id", "lat", "lon", "east", "north", "depth", "date").
    units : mapping, optional
        Property key -> unit of its column.
    accept : sequence of str
        Rules whose proposals are agreed to; those that concern the file as a whole (units, decimal
        signs, axes, systems, outlines) are carried out here, and come back as notes.
    known_ids : sequence of str
        Sample ids on file that have no point.
    planned : mapping, optional
        Sample id -> longitude and latitude of the spots planned for the season. [deg]
    methods : mapping, optional
        Property key -> extractant or pH method, where the file does not say.
    profiles : sequence of Profile
        Layouts on file, the latest first: a table with the same headings is read the same way.

    Raises
    ------
    IntakeError
        If the file is of no kind that can be read, is damaged, hostile or too large.
    UsageError
        If `columns`, `units` or `methods` name a key that does not exist.
    """
    known = Known(
        season=season,
        blocks=tuple(blocks),
        points=tuple(known_points),
        ids=(*known_ids, *(planned or {})),
        planned=dict(planned or {}),
        crs=crs,
        columns=dict(columns or {}),
        units=dict(units or {}),
        methods=dict(methods or {}),
        accept=frozenset(accept),
        profiles=tuple(profiles),
    )
    _check_words(known)
    file = receive(path)
    if file.kind in ("text", "pdf", "old office file") or _is_workbook(file):
        return _read_tables(file, known)
    if file.kind in ("json", "xml", "zip", "shapefile", "sqlite"):
        return _read_map(file, known)
    raise IntakeError(
        f"{file.name} is a {file.kind} file, not a table and not a map. Give CSV or XLSX, or an "
        "outline as GeoJSON, KML, GPX, GeoPackage or shapefile. Nothing of it was stored."
    )


def _check_words(known: Known) -> None:
    for heading, key in known.columns.items():
        if key not in properties() and key not in ROLES:
            raise UsageError(
                f"--map-column {heading}={key}: {key!r} is neither a property nor a role. "
                f"Properties: {', '.join(properties())}. Roles: {', '.join(ROLES)}."
            )
    for option, keys in (("--unit", known.units), ("--method", known.methods)):
        for key in keys:
            if key not in properties():
                raise UsageError(f"{option} {key}=...: {key!r} is not a property we know.")


def _is_workbook(file: Received) -> bool:
    return file.kind == "zip" and b"xl/workbook.xml" in file.data


# Tables


def _read_tables(file: Received, known: Known) -> Reading:
    readings: list[Reading] = []
    for sheet in read_sheets(file):
        readings.append(_read_sheet(sheet, file, known))
        # A workbook often has a sheet a group of elements: one way of writing ids for all of them.
        known = replace(known, ids=(*known.ids, *_ids_of(readings[-1])))
    there = {c.heading.strip().lower() for reading in readings for c in reading.columns}
    for heading in known.columns:
        if there and heading.strip().lower() not in there:
            raise UsageError(f"{file.name} has no column {heading!r}.")
    holding = [reading for reading in readings if reading.kinds]
    if not holding and any(reading.columns for reading in readings):
        raise IntakeError(
            f"{file.name} has a line of headings and none with values below it. "
            "Nothing of it was stored. Fill it in, or save the sheet that has the values."
        )
    if not holding:
        raise IntakeError(
            f"{file.name} has no line of headings we understand. A table of results needs a column "
            "of sample ids and columns such as 'pH (H2O)' or 'K mg/kg'; name others with "
            "--map-column HEADING=KEY. Nothing of it was stored."
        )
    return _joined(holding)


def _ids_of(reading: Reading) -> tuple[str, ...]:
    """Ids of the samples of a sheet."""
    ids = [r.sample_id for r in reading.results] + [p.sample_id for p in reading.points]
    return tuple(dict.fromkeys(ids))


def _joined(readings: Sequence[Reading]) -> Reading:
    first = readings[0]
    for other in readings[1:]:
        first = replace(
            first,
            kinds=tuple(dict.fromkeys((*first.kinds, *other.kinds))),
            outlines=first.outlines + other.outlines,
            points=first.points + other.points,
            results=first.results + other.results,
            tissue=first.tissue + other.tissue,
            applications=first.applications + other.applications,
            logged=first.logged + other.logged,
            columns=first.columns + other.columns,
            findings=first.findings + other.findings,
        )
    return first


def _read_sheet(sheet: Sheet, file: Received, known: Known) -> Reading:
    table, known, as_before = table_as_before(sheet, known)
    reading = Reading(str(file.path), file.sha256, (), findings=(*sheet.findings, *as_before))
    if table is None:
        return reading
    if not table.rows:
        return replace(reading, columns=table.columns)
    reading = replace(reading, columns=table.columns)
    if is_log(table):
        logged, findings = read_log(table)
        reading = replace(reading, kinds=("log",), logged=logged)
    elif is_applications(table):
        applications, findings = read_applications(table, known)
        reading = replace(reading, kinds=("applications",), applications=applications)
    elif is_tissue(table):
        tissue, findings = read_tissue(table, known)
        reading = replace(reading, kinds=("tissue",), tissue=tissue)
    elif is_corners(table) and not table.property_columns():
        outlines, findings = read_corners(table, known)
        reading = replace(reading, kinds=("outlines",), outlines=outlines)
    elif table.property_columns():
        reading, findings = _results(table, reading, known)
    elif has_places(table):
        reading, findings = _points(table, reading, known)
    else:
        return Reading(str(file.path), file.sha256, ())
    return reading.with_findings(*findings, *_beside_the_data(table))


def _results(table: Table, reading: Reading, known: Known) -> tuple[Reading, tuple[Finding, ...]]:
    lab = read_lab(table, known)
    findings = lab.findings
    kinds: tuple[str, ...] = ("results",)
    points: tuple[Point, ...] = ()
    if has_places(table):
        placed = [line for line in lab.lines if known.block_named(line.sample_id) is None]
        located = read_points(table, placed, known)
        points, findings = located.points, (*findings, *located.findings)
        kinds = ("results", "points") if points else kinds
    laboratory = next((text for _, text in table.titles if "lab" in text.lower()), "")
    return (
        replace(
            reading, kinds=kinds, results=lab.results, points=points, columns=lab.columns,
            laboratory=laboratory[:200],
        ),
        findings,
    )  # fmt: skip


def _points(table: Table, reading: Reading, known: Known) -> tuple[Reading, tuple[Finding, ...]]:
    lines, findings = read_lines(table, known)
    located = read_points(table, lines, known)
    kinds = ("points",)
    return replace(reading, kinds=kinds, points=located.points), (*findings, *located.findings)


def _beside_the_data(table: Table) -> list[Finding]:
    """Lines and columns that were not used as data: said, so that nothing goes unseen."""
    findings = []
    for number, text in (*table.titles, *table.footers):
        findings.append(
            Finding("line_beside_data", "note", f"Line {number} is a remark: {text[:160]!r}.", "",
                    "Kept with the original.", table.name, number)
        )  # fmt: skip
    return [*findings, *_columns_not_used(table)]


def _columns_not_used(table: Table) -> list[Finding]:
    """Columns that nobody understood; numbers in a laboratory's file may be what is sought."""
    plant = is_tissue(table)
    unused = [
        (column.heading, [row[i] for row in table.rows if row[i]])
        for i, column in enumerate(table.columns)
        if column.heading and not column.key and not (plant and nutrient_of(column)[0])
    ]
    measured = [
        heading
        for heading, cells in unused
        if table.property_columns() and _mostly_numbers(cells, table.decimal)
    ]
    others = [heading for heading, cells in unused if cells and heading not in measured]
    severities = (("warning", measured), ("note", others))
    return [
        Finding(
            "columns_not_used", severity,
            f"{table.name}: {', '.join(headings)} not understood"
            + (", though numbers stand below." if severity == "warning" else "."),
            "Name a column with --map-column HEADING=KEY.", "Kept with the original, not used.",
            table.name, table.header_row, ", ".join(headings),
        )
        for severity, headings in severities
        if headings
    ]  # fmt: skip


def _mostly_numbers(cells: Sequence[str], decimal: str) -> bool:
    read = [read_cell(cell, decimal) for cell in cells]
    numbers = sum(cell.value is not None for cell in read)
    return 2 * numbers > sum(cell.qualifier != "missing" for cell in read)


# Maps


def _read_map(file: Received, known: Known) -> Reading:
    layers = read_shapes(file)
    shapes = [shape for layer in layers for shape in layer.shapes]
    reading = Reading(str(file.path), file.sha256, ())
    if not shapes:
        raise IntakeError(f"{file.name} is a map without a shape in it. Export it again.")
    if are_applications(shapes):
        layer = layers[0]
        records, findings = applications_of_shapes(
            shapes, _map_system(layer, file, known), file.name, known
        )
        return replace(reading, kinds=("applications",), applications=records, findings=findings)
    kinds = {"points" if s.geometry.geom_type == "Point" else "outlines" for s in shapes}
    if "outlines" in kinds:
        reading = _outlines(layers, file, reading, known)
    if "points" in kinds:
        reading = _places_of_map(layers, file, reading, known)
    return reading


def _outlines(layers: Sequence[Shapes], file: Received, reading: Reading, known: Known) -> Reading:
    outlines, findings = outlines_of(
        file.path,
        layers,
        crs=known.crs,
        beside=[block.lonlat for block in known.blocks],
        known_points=[(point.lon, point.lat) for point in known.points],
        accept=tuple(known.accept),
    )
    # The places beside them are read here, and not left to another file.
    findings = tuple(f for f in findings if f.rule != "points_beside_outlines")
    return replace(reading, kinds=("outlines",), outlines=outlines, findings=findings)


def _places_of_map(
    layers: Sequence[Shapes], file: Received, reading: Reading, known: Known
) -> Reading:
    """The single places of a map, checked against the farm's blocks and the file's own."""
    new = tuple(make_block(outline, BlockSettings()) for outline in reading.outlines)
    known = replace(known, blocks=(*known.blocks, *new))
    points: tuple[Point, ...] = ()
    findings = reading.findings
    for layer in layers:
        placed = [shape for shape in layer.shapes if shape.geometry.geom_type == "Point"]
        if placed:
            located = points_of_shapes(placed, _map_system(layer, file, known), file.name, known)
            points, findings = points + located.points, findings + located.findings
    return replace(reading, kinds=(*reading.kinds, "points"), points=points, findings=findings)


def _map_system(layer: Shapes, file: Received, known: Known) -> str:
    system = known.crs or layer.crs
    if not system:
        raise IntakeError(
            f"{file.name} does not say its coordinate system. Give it with --crs EPSG:CODE."
        )
    read_crs(system, file.name)
    return system if system else WGS84
