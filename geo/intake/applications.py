"""Records of what was spread, tables and maps, and logs of spreaders -> rates in kg/ha."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from shapely import MultiPolygon, Polygon

from geo.crs import to_lonlat
from geo.findings import Finding
from geo.intake.coordinates import read_degrees
from geo.intake.headings import ROLES
from geo.intake.known import Known
from geo.intake.numbers import read_number
from geo.intake.reading import Application, LoggedRate
from geo.intake.tables import Table
from geo.intake.when import day_comes_first, read_date
from geo.outlines.shapes import Shape
from geo.units import kg_ha_from_lb_ac, t_ha_from_ton_ac

#: Words of a product -> the amendment it is, the first that fits. Common practice, no source.
AMENDMENTS = (
    (r"foliar|spray|leaf", "foliar"),
    (r"none|check|untreated", "none"),
    (r"gypsum|calcium sul", "gypsum"),
    (r"magnesium sul|epsom|kieserite", "magnesium"),
    (r"zinc", "zinc"),
    (r"manganese", "manganese"),
    (r"copper", "copper"),
    (r"iron", "iron"),
    (r"bor(on|ate|ax)|solubor", "boron"),
    (r"ammonium nitrate|nitrate|urea|ammonium", "nitrogen"),
    (r"lime|calcit|dolomit|carbonate", "lime"),
    (r"potassium|potash|\bk2o\b", "potassium"),
    (r"phosph|\bp2o5\b", "phosphorus"),
    (r"sul(f|ph)ur", "sulfur"),
    (r"compost|manure|\bmarc\b", "organic"),
)


def amendment_of(product: str) -> str:
    """What kind of amendment a product is; empty if its words do not say.

    Examples
    --------
    >>> amendment_of("calcitic lime, fine"), amendment_of("potassium sulfate 0-0-50")
    ('lime', 'potassium')
    """
    text = product.lower()
    return next((name for words, name in AMENDMENTS if re.search(words, text)), "")


def rate_kg_ha(rate: float, unit: str) -> float | None:
    """A rate in kg/ha; None for a unit that is not an amount on an area. [kg/ha]

    Examples
    --------
    >>> rate_kg_ha(3.2, "t/ha"), rate_kg_ha(250, "kg/ha"), rate_kg_ha(2, "sprays")
    (3200.0, 250.0, None)
    """
    bare = unit.lower().replace(" ", "").replace("_", "/")
    if bare in ("kg/ha", "kgha-1", "kg/hectare"):
        return float(rate)
    if bare in ("t/ha", "tonne/ha", "tonnes/ha", "mg/ha"):
        return round(rate * 1000.0, 6)
    if bare in ("lb/ac", "lbs/ac", "lb/acre", "lbs/acre"):
        return kg_ha_from_lb_ac(float(rate))
    if bare in ("ton/ac", "tons/ac", "ton/acre", "tons/acre"):
        return t_ha_from_ton_ac(float(rate)) * 1000.0
    return None


def is_applications(table: Table) -> bool:
    """Whether a table records products and rates."""
    return table.column_of("product") is not None and table.column_of("rate") is not None


def is_log(table: Table) -> bool:
    """Whether a table is a spreader's log: places with the rate that was put out."""
    return table.column_of("actual") is not None and table.column_of("lat") is not None


def read_applications(
    table: Table, known: Known
) -> tuple[tuple[Application, ...], tuple[Finding, ...]]:
    """Records of a table."""
    unit = _heading_unit(table, "rate")
    records, findings = [], []
    for row in table.rows:
        cells = {c.key: row[i] for i, c in enumerate(table.columns) if c.key}
        record, odd = _application({"unit": unit} | cells, table, row.number, known)
        records.append(record)
        findings += odd
    return tuple(records), tuple(findings)


def _heading_unit(table: Table, role: str) -> str:
    index = table.column_of(role)
    return "" if index is None else table.columns[index].unit


def _application(
    cells: Mapping[str, str], table: Table, row: int, known: Known, where: str = ""
) -> tuple[Application, list[Finding]]:
    findings = []
    rate = read_number(cells.get("rate", ""), table.decimal)
    unit = cells.get("unit", "")
    amount = None if rate is None else rate_kg_ha(rate, unit)
    product = cells.get("product", "")
    day_first, _ = day_comes_first([cells.get("date", "")], table.decimal)
    if rate is not None and amount is None:
        findings.append(
            Finding(
                "rate_unit", "note",
                f"{product or 'A record'}: {rate:g} {unit or '(no unit)'} is not an amount on an "
                "area.", "", "Kept without a rate.", table.name, row,
            )
        )  # fmt: skip
    named = known.block_named(cells.get("block", ""))
    if known.blocks and named is None:
        findings.append(
            Finding(
                "application_block", "warning",
                f"{cells.get('block', '')!r} is not a block of this farm.",
                "Correct the block's name in the file.", "Kept; no block counts it.",
                table.name, row,
            )
        )  # fmt: skip
    record = Application(
        applied_on=read_date(cells.get("date", ""), day_first=day_first),
        block=named.name if named else cells.get("block", ""),
        zone=cells.get("zone", ""),
        product=product,
        amendment=cells.get("amendment", "") or amendment_of(product),
        analysis=cells.get("analysis", ""),
        rate_kg_ha=amount,
        area_ha=read_number(cells.get("area", ""), table.decimal),
        placement=cells.get("placement", ""),
        where_lonlat=where,
        note=cells.get("note", ""),
        row=row,
    )
    return record, findings


def applications_of_shapes(
    shapes: Sequence[Shape], system: str, file: str, known: Known
) -> tuple[tuple[Application, ...], tuple[Finding, ...]]:
    """Records of a map whose polygons carry product and rate."""
    roles = {heading: role for role, headings in ROLES.items() for heading in headings}
    records, findings = [], []
    table = Table(file, ".", (), ())
    for number, shape in enumerate(shapes, start=1):
        cells = {_role(name, roles): text for name, text in shape.attributes.items()}
        place = to_lonlat(shape.geometry, system)
        where = place.wkt if isinstance(place, Polygon | MultiPolygon) else ""
        record, odd = _application(cells, table, number, known, where)
        records.append(record)
        findings += odd
    return tuple(records), tuple(findings)


def _role(name: str, roles: Mapping[str, str]) -> str:
    plain = name.lower().replace("_", " ")
    return roles.get(plain) or roles.get(plain.removesuffix(" ha").strip(), plain)


def are_applications(shapes: Sequence[Shape]) -> bool:
    """Whether the shapes of a map record what was spread."""
    names = {name.lower() for shape in shapes for name in shape.attributes}
    return "product" in names and bool(names & {"rate", "planned_rate", "rate_kg_ha", "rate_t_ha"})


def read_log(table: Table) -> tuple[tuple[LoggedRate, ...], tuple[Finding, ...]]:
    """Points of a spreader's log."""
    columns = {c.key: i for i, c in reversed(list(enumerate(table.columns))) if c.key}
    units = {role: _heading_unit(table, role) for role in ("target", "actual")}
    logged, bad = [], []
    for row in table.rows:
        cell = {role: row[i] for role, i in columns.items()}
        lon = read_degrees(cell.get("lon", ""), "lon", table.decimal)
        lat = read_degrees(cell.get("lat", ""), "lat", table.decimal)
        rates = {}
        for role, unit in units.items():
            number = read_number(cell.get(role, ""), table.decimal)
            rates[role] = None if number is None else rate_kg_ha(number, unit or "kg/ha")
        actual = rates["actual"]
        if lon is None or lat is None or actual is None:
            bad.append(row.number)
            continue
        logged.append(
            LoggedRate(cell.get("time", ""), lon, lat, rates["target"], actual, row.number)
        )
    findings = []
    if not units["actual"]:
        findings.append(
            Finding("rate_unit", "warning", f"{table.name} does not say the unit of its rates.",
                    "Write it in the heading: actual_kg_ha.", "Taken as kg/ha.", table.name)
        )  # fmt: skip
    if bad:
        findings.append(
            Finding("row_not_used", "warning",
                    f"{len(bad)} lines of {table.name} have no place or no rate (first: {bad[0]}).",
                    "", "Left out.", table.name, bad[0])
        )  # fmt: skip
    return tuple(logged), tuple(findings)
