"""A table of laboratory results -> Results in house units, with every odd cell asked about."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from geo.findings import Finding
from geo.intake.cells import ColumnReading, read_column
from geo.intake.ids import missing_between
from geo.intake.known import Known, settled
from geo.intake.lines import Line, id_heading, read_lines, said
from geo.intake.methods_named import with_methods
from geo.intake.reading import Column, Result
from geo.intake.tables import Table
from geo.intake.when import Depth
from geo.lookup import properties


@dataclass(frozen=True)
class LabReading:
    """What a table of results gives."""

    results: tuple[Result, ...]
    lines: tuple[Line, ...]
    columns: tuple[Column, ...]
    findings: tuple[Finding, ...]


def read_lab(table: Table, known: Known) -> LabReading:
    """Results of a laboratory's table.

    Examples are in the tests: the shapes of such files are many.
    """
    columns, findings = with_methods(table, known.methods)
    table = replace(table, columns=columns)
    lines, more = read_lines(table, known)
    findings = [*findings, *more]
    lines, more = _same_bag(lines, table, known)
    findings += more
    results: list[Result] = []
    for index in table.property_columns():
        reading = read_column(table, index, lines_of(lines, index), known)
        findings += reading.findings
        results += _results(lines, reading, columns[index], table.name)
    results.sort(key=lambda r: r.row)
    findings += _depths(lines, table)
    return LabReading(tuple(results), tuple(lines), columns, tuple(findings))


def lines_of(lines: Iterable[Line], index: int) -> list[tuple[str, int, str]]:
    """Sample id, row number and cell of a column, line by line."""
    return [(line.sample_id, line.row.number, line.row[index]) for line in lines]


def _results(
    lines: Sequence[Line], reading: ColumnReading, column: Column, file: str
) -> Iterable[Result]:
    for line, cell in zip(lines, reading.cells, strict=True):
        if cell is None:
            continue
        yield Result(
            sample_id=line.sample_id,
            typed_id=line.typed_id,
            key=column.key,
            text=cell.text,
            value=cell.value,
            qualifier=cell.qualifier,
            method=column.method,
            unit_read=reading.unit,
            row=line.row.number,
            column=column.heading,
            depth_cm=line.depth,
            sampled_on=line.day,
            repeat=line.repeat,
            note=line.note,
            file=file,
        )


def _depths(lines: Sequence[Line], table: Table) -> list[Finding]:
    """Samples from another layer than most, and depths that cannot be read."""
    index = table.column_of("depth")
    heading = "" if index is None else table.columns[index].heading
    findings = []
    counts: dict[Depth, int] = defaultdict(int)
    for line in lines:
        if line.depth:
            counts[line.depth] += 1
        elif index is not None and line.row[index]:
            findings.append(
                Finding(
                    "depth_not_read", "warning",
                    f"{line.sample_id}: {line.row[index]!r} is not a depth.", "",
                    "Taken for the usual layer.", table.name, line.row.number, heading,
                    (line.sample_id,),
                )
            )  # fmt: skip
    usual = max(counts, key=lambda d: counts[d], default=None)
    for line in lines:
        # A second layer of many samples is a survey of two layers, not a slip.
        if usual and line.depth and line.depth != usual and counts[line.depth] <= 0.2 * len(lines):
            findings.append(_other_depth(line, usual, table.name, heading))
    return findings


def _other_depth(line: Line, usual: Depth, file: str, heading: str) -> Finding:
    top, bottom = line.depth or usual
    return Finding(
        "depth_differs",
        "warning",
        f"{line.sample_id} was taken to {bottom:g} cm ({top:g}-{bottom:g}), most others to "
        f"{usual[1]:g} cm.",
        "",
        f"A layer of its own: rated, kept out of the maps of {usual[0]:g}-{usual[1]:g} cm.",
        file,
        line.row.number,
        heading,
        (line.sample_id,),
    )


# One bag, two lines


def _same_bag(
    lines: Sequence[Line], table: Table, known: Known
) -> tuple[list[Line], list[Finding]]:
    """Lines with one id and one layer: a repeat if marked, else a question."""
    groups: dict[tuple[str, Depth | None], list[Line]] = defaultdict(list)
    for line in lines:
        groups[line.sample_id, line.depth].append(line)
    changed: dict[int, Line | None] = {}
    findings: list[Finding] = []
    for (sample_id, _), group in groups.items():
        if len(group) == 1 or known.block_named(sample_id):
            continue
        if _values(group[0], table) == _values(group[-1], table) and len(group) == 2:
            changed[group[1].row.number] = None
            findings.append(_row_twice(group, table))
        elif any(line.repeat for line in group):
            for count, line in enumerate(group):
                changed[line.row.number] = replace(line, repeat=count)
            findings.append(_measured_twice(group, table))
        else:
            question, new = _two_bags(group, table, lines, known)
            findings.append(question)
            if new:
                changed[group[1].row.number] = replace(group[1], sample_id=new)
    kept = [changed.get(line.row.number, line) for line in lines]
    return [line for line in kept if line is not None], findings


def _values(line: Line, table: Table) -> tuple[str, ...]:
    return tuple(line.row[i] for i in table.property_columns())


def _row_twice(group: Sequence[Line], table: Table) -> Finding:
    rows = " and ".join(str(line.row.number) for line in group)
    message = f"{group[0].sample_id} stands twice with the same values (rows {rows})."
    done = "Used once."
    return said(table, "row_twice", group[1].row.number, message, done, (group[0].sample_id,))


def _measured_twice(group: Sequence[Line], table: Table) -> Finding:
    rows = " and ".join(str(line.row.number) for line in group)
    pairs = []
    for i in table.property_columns():
        cells = [line.row[i] for line in group]
        if len(set(cells)) > 1 and all(cells):
            pairs.append(f"{properties()[table.columns[i].key].symbol} {' and '.join(cells)}")
    return Finding(
        "measured_twice",
        "note",
        f"{group[0].sample_id} was measured twice (rows {rows}): {', '.join(pairs)}.",
        "",
        "Averaged; the difference tells the laboratory's own noise.",
        table.name,
        group[1].row.number,
        id_heading(table),
        (group[0].sample_id,),
    )


def _two_bags(
    group: Sequence[Line], table: Table, lines: Sequence[Line], known: Known
) -> tuple[Finding, str]:
    """Question which bag is which; the new id of the second one if that is agreed."""
    sample_id = group[0].sample_id
    rows = " and ".join(str(line.row.number) for line in group)
    present = {line.sample_id for line in lines}
    new = missing_between(sample_id, present, known.sample_ids()) or ""
    none = f" and none {new}" if new else ""
    question = Finding(
        "same_bag_twice",
        "open",
        f"{'Two' if len(group) == 2 else len(group)} bags are called {sample_id}{none} "
        f"({table.name}, rows {rows}), with different values.",
        f"By bag order the second one is {new}." if new else "Say which is which.",
        "Both are stored and left out of maps and means.",
        table.name,
        group[1].row.number,
        id_heading(table),
        (sample_id, new) if new else (sample_id,),
        (),
        {"sample": new} if new else {},
    )
    if new and known.agreed("same_bag_twice"):
        return settled(question, f"Row {group[1].row.number} is {new}, as agreed."), new
    return question, ""
