"""A column of results as text -> values in the house unit, with every odd cell asked about."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from geo.errors import TableError
from geo.findings import Finding
from geo.intake.known import Known, settled
from geo.intake.numbers import Cell, is_ambiguous, read_cell
from geo.intake.reading import Column
from geo.intake.tables import Table
from geo.lookup import Property, properties
from geo.units import element_share, house_factor, split_unit

#: Sample id, row number, text.
LineCell = tuple[str, int, str]

#: Units offered when a column does not say its own.
_OFFERED = ("mg/kg", "cmol(+)/kg", "%", "dS/m", "mS/m", "uS/cm")


@dataclass(frozen=True)
class ReadCell:
    """A cell as text and as read: value in the house unit, or the limit."""

    text: str
    value: float | None
    qualifier: str


@dataclass(frozen=True)
class ColumnReading:
    """Cells of a column, None where there is none; the unit they were in."""

    cells: tuple[ReadCell | None, ...]
    unit: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _Place:
    """Where a column stands, for its findings."""

    file: str
    column: Column
    row: int | None


def read_column(table: Table, index: int, lines: Sequence[LineCell], known: Known) -> ColumnReading:
    """One property of every line."""
    column = table.columns[index]
    place = _Place(table.name, column, table.unit_row or table.header_row)
    cells, findings = _other_mark(place, lines, table.decimal)
    unit, factor, more = _unit_of(place, cells, lines, known)
    findings += more
    cells, odd = _odd_cells(place, cells, lines, unit, table.decimal)
    findings += odd
    cells, asked = _unknown_limits(place, cells, lines)
    findings += asked
    cells, zeros = _zeros(place, cells, lines, known)
    findings += zeros
    read = tuple(
        ReadCell(
            text=text,
            value=None if cell.value is None else round(cell.value * factor, 10),
            qualifier=_QUALIFIERS.get(cell.qualifier, cell.qualifier),
        )
        for cell, (_, _, text) in zip(cells, lines, strict=True)
    )
    return ColumnReading(read, unit, tuple(findings))


_QUALIFIERS = {"sentinel": "missing", "strange": ""}


def _ask(
    place: _Place,
    rule: str,
    severity: str,
    message: str,
    proposal: str = "",
    done: str = "",
    lines: Sequence[LineCell] = (),
    repair: dict[str, str] | None = None,
    row: int | None = None,
) -> Finding:
    ids = tuple(dict.fromkeys(sample for sample, _, _ in lines))
    row = row if row is not None else lines[0][1] if lines else place.row
    return Finding(
        rule, severity, message, proposal, done, place.file, row, place.column.heading, ids,
        (place.column.key,), repair or {},
    )  # fmt: skip


# Units


def _unit_of(
    place: _Place, cells: Sequence[Cell], lines: Sequence[LineCell], known: Known
) -> tuple[str, float, list[Finding]]:
    """Unit of a column, the factor to the house unit, and what had to be said or asked."""
    key = place.column.key
    unit = known.units.get(key) or place.column.unit or _unit_in_cells(cells)
    prop = properties()[key]
    # Nothing and none are the same in every unit.
    if not any(cell.value for cell in cells):
        return unit, 1.0, []
    if split_unit(unit)[0] == "" and prop.unit not in ("pH", "1"):
        guess = _guess(prop, cells)
        if guess and known.agreed("unit_missing"):
            question = _no_unit(place, prop, cells, lines, guess)
            factor, _ = house_factor(key, guess)
            return guess, factor, [settled(question, f"Read as {guess}, as agreed.")]
        return unit, 1.0, [_no_unit(place, prop, cells, lines, guess)]
    try:
        factor, note = house_factor(key, unit)
    except TableError as error:
        return unit, 1.0, [
            _ask(place, "unit_unknown", "open", f"{error}", f"Give it with --unit {key}=UNIT.",
                 "The numbers are stored as they came and left out of maps.", lines, row=place.row)
        ]  # fmt: skip
    return unit, factor, _unit_notes(place, prop, unit, note)


def _unit_notes(place: _Place, prop: Property, unit: str, note: str) -> list[Finding]:
    findings = []
    compound = split_unit(unit)[1]
    if compound and prop.key != "caco3":
        message = f"{compound} is {prop.symbol} x {1 / element_share(compound):.3f}."
        findings.append(
            _ask(place, "expressed_as", "note", message, done=f"Read as {prop.symbol}.")
        )
    if note:
        message = f"{place.column.heading} in {unit}: {note}."
        findings.append(_ask(place, "unit_assumes", "note", message, done="Read so."))
    return findings


def _unit_in_cells(cells: Sequence[Cell]) -> str:
    """The unit written behind every number of a column that states none."""
    units = {cell.unit for cell in cells if cell.value is not None}
    return units.pop() if len(units) == 1 else ""


def _guess(prop: Property, cells: Sequence[Cell]) -> str:
    """The one usual unit in which the middle value would be plausible; empty if several."""
    values = [cell.value for cell in cells if cell.value is not None and cell.qualifier == ""]
    if not values:
        return ""
    plausible = []
    # Grams a kilogram are usual for organic matter alone.
    for unit in (*_OFFERED, "g/kg") if prop.unit == "%" else _OFFERED:
        try:
            factor, note = house_factor(prop.key, unit)
        except TableError:
            continue
        if not note and prop.soft[0] <= median(values) * factor <= prop.soft[1]:
            plausible.append(unit)
    return plausible[0] if len(plausible) == 1 else ""


def _no_unit(
    place: _Place, prop: Property, cells: Sequence[Cell], lines: Sequence[LineCell], guess: str
) -> Finding:
    values = [cell.value for cell in cells if cell.value is not None]
    middle = f" (middle value {median(values):g})" if values else ""
    proposal = f"By its size it is {guess}. " if guess else ""
    return _ask(
        place,
        "unit_missing",
        "open",
        f"{place.column.heading} has no unit{middle}.",
        f"{proposal}Give it with --unit {prop.key}=UNIT.",
        "The numbers are stored as they came and left out of maps and ratings.",
        [line for line, cell in zip(lines, cells, strict=True) if cell.value is not None],
        {"unit": guess} if guess else {},
        row=place.row,
    )


# Cells


def _other_mark(
    place: _Place, lines: Sequence[LineCell], decimal: str
) -> tuple[list[Cell], list[Finding]]:
    """Cells read with the file's decimal mark; those that can only mean the other one with that.

    A workbook keeps numbers as numbers and the limits beside them as text, in the writer's own way.
    """
    other = "," if decimal == "." else "."
    cells = [read_cell(text, decimal) for _, _, text in lines]
    turned = []
    for i, (cell, line) in enumerate(zip(cells, lines, strict=True)):
        if cell.qualifier != "strange" or is_ambiguous(line[2], decimal):
            continue
        again = read_cell(line[2], other)
        if again.qualifier != "strange" and re.search(rf"\d{re.escape(other)}\d", line[2]):
            cells[i] = again
            turned.append(line)
    if not turned:
        return cells, []
    message = f"{_count(turned)} write decimals with {other!r}, such as {turned[0][2]!r}."
    done = "Read so: no number has its thousands parted there."
    return cells, [_ask(place, "decimal_mixed", "note", message, done=done, lines=turned)]


def _count(lines: Sequence[LineCell]) -> str:
    return "1 cell" if len(lines) == 1 else f"{len(lines)} cells"


def _odd_cells(
    place: _Place, cells: Sequence[Cell], lines: Sequence[LineCell], unit: str, decimal: str
) -> tuple[list[Cell], list[Finding]]:
    findings: list[Finding] = []
    read = list(cells)
    sentinels, grouped = [], []
    for i, (cell, line) in enumerate(zip(cells, lines, strict=True)):
        sample, _, text = line
        strange = cell.qualifier == "strange"
        other_unit = cell.unit and split_unit(cell.unit)[0] != split_unit(unit)[0]
        if is_ambiguous(text, decimal) and strange:
            read[i] = Cell(None, "strange")
            findings.append(_decimal_sign(place, line, decimal))
        elif strange or other_unit:
            read[i] = Cell(None, "strange")
            message = f"{sample}: {text!r} is not understood as a value of {place.column.heading}."
            findings.append(
                _ask(place, "cell_not_understood", "open", message,
                     "Correct it with 'soilquilt set', or leave it out.",
                     "Kept as text, left out of maps.", [line])
            )  # fmt: skip
        elif cell.qualifier == "sentinel":
            sentinels.append(line)
        elif cell.grouped:
            grouped.append(line)
    if sentinels:
        message = f"{_count(sentinels)} with {sentinels[0][2]}, a number that stands for nothing."
        findings.append(
            _ask(place, "sentinel", "note", message, done="Taken as not analysed.", lines=sentinels)
        )
    if grouped:
        message = f"{_count(grouped)} with parted thousands, such as {grouped[0][2]!r}."
        findings.append(
            _ask(place, "thousands", "note", message, done="Read as whole numbers.", lines=grouped)
        )
    return read, findings


def _decimal_sign(place: _Place, line: LineCell, decimal: str) -> Finding:
    sample, _, text = line
    mark = "," if decimal == "." else "."
    fraction, whole = text.replace(mark, "."), text.replace(mark, "")
    return _ask(
        place, "decimal_sign", "open",
        f"{sample}: {text!r} may be {whole} or {fraction}; the file writes decimals with "
        f"{decimal!r}.",
        f"Say which with 'soilquilt set': {fraction} or {whole}.",
        "Kept as text, left out of maps.", [line],
    )  # fmt: skip


def _unknown_limits(
    place: _Place, cells: Sequence[Cell], lines: Sequence[LineCell]
) -> tuple[list[Cell], list[Finding]]:
    """Cells "not detected" without a limit: the column's own limit if it has just one."""
    unknown = [i for i, cell in enumerate(cells) if cell.qualifier == "<" and cell.value is None]
    if not unknown:
        return list(cells), []
    limits = {cell.value for cell in cells if cell.qualifier == "<" and cell.value is not None}
    where = [lines[i] for i in unknown]
    words = ", ".join(sorted({text for _, _, text in where}))
    read = list(cells)
    if len(limits) == 1:
        limit = limits.pop()
        for i in unknown:
            read[i] = Cell(limit, "<")
        message = f"{place.column.heading}: {_count(where)} with {words}."
        done = f"Read as below {limit:g}, the limit of the other cells."
        return read, [_ask(place, "limit_of_column", "note", message, done=done, lines=where)]
    message = f"{place.column.heading}: {_count(where)} with {words} and no limit."
    question = _ask(
        place, "limit_unknown", "open", message,
        "Ask the laboratory for its reporting limit and write '<LIMIT' with 'soilquilt set'.",
        "Kept as below an unknown limit, left out of maps. Not 0.", where,
    )  # fmt: skip
    return read, [question]


def _zeros(
    place: _Place, cells: Sequence[Cell], lines: Sequence[LineCell], known: Known
) -> tuple[list[Cell], list[Finding]]:
    """Cells that say 0 where no soil holds nothing."""
    prop = properties()[place.column.key]
    zero = [i for i, cell in enumerate(cells) if cell.value == 0.0 and not cell.qualifier]
    if not zero or prop.soft[0] <= 0 or prop.unit == "pH":
        return list(cells), []
    limits = {cell.value for cell in cells if cell.qualifier == "<" and cell.value is not None}
    limit = f"{limits.pop():g}" if len(limits) == 1 else ""
    below = f"Below the limit of {limit}" if limit else "Below a limit to be asked for"
    question = _ask(
        place, "zero_cells", "open",
        f"{place.column.heading}: {_count([lines[i] for i in zero])} with 0. Is that not found or "
        "not measured?",
        f"{below}, or not measured.", "Kept as text, left out of maps. Not taken as nothing.",
        [lines[i] for i in zero], {"each_value": f"<{limit}"} if limit else {},
    )  # fmt: skip
    read = list(cells)
    if limit and known.agreed("zero_cells"):
        for i in zero:
            read[i] = Cell(float(limit), "<")
        question = settled(question, f"Read as below {limit}, as agreed.")
    return read, [question]
