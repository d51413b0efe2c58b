"""Lines of a table: whose sample each one is, from which layer, of which day."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from geo.findings import Finding
from geo.intake.ids import Ids, as_date, near_miss, read_ids, station, tidy
from geo.intake.known import Known, settled
from geo.intake.tables import Row, Table
from geo.intake.when import Depth, day_comes_first, read_date, read_depth

#: Words that mark a second determination of one sample, behind an id or in a remark.
_REPEAT = re.compile(r"[\s_(-]*\b(dup|duplicate|rep|repeat|replicate|2nd)\b\.?\s*\d?\)?", re.I)

#: The day of sampling in a line above the table, and not the day it came to the laboratory.
_DAY_IN_TITLE = re.compile(
    r"(?:\bsampled|\bsampling|\bcollected|entnahme|probenahme|pr[eé]l[eè]vement|muestreo|colheita|"
    r"amostragem|coleta|prelievo|campionamento)[^\d:]*:?\s*"
    r"(\d[\w/.-]*(?:\s+(?:de\s+)?[A-Za-zÀ-ÿ]{3,}\.?\s+(?:de\s+)?\d{2,4})?|"
    r"[A-Za-z]{3,9}\.? \d{1,2},? \d{4})",
    re.I,
)


@dataclass(frozen=True)
class Line:
    """A line of results: whose it is, from which layer, of which day."""

    row: Row
    typed_id: str
    sample_id: str
    repeat: int = 0
    depth: Depth | None = None
    day: date | None = None
    note: str = ""


def read_lines(table: Table, known: Known) -> tuple[list[Line], list[Finding]]:
    """Lines of a table with their ids read; a line that holds nothing is left out and said."""
    findings: list[Finding] = []
    kept: list[tuple[Row, str, bool]] = []
    for number, row in enumerate(table.rows, start=1):
        typed = _typed_id(table, row, number)
        filled = [i for i, c in enumerate(table.columns) if c.key and c.key != "id" and row[i]]
        if not typed or not filled:
            why = "no sample id" if not typed else "no value"
            text = " ".join(cell for cell in row.cells if cell)[:80]
            findings.append(
                Finding(
                    "row_not_used", "warning", f"Row {row.number} has {why}: {text!r}.",
                    "", "Left out.", file=table.name, row=row.number,
                )
            )  # fmt: skip
            continue
        note = _cell(table, row, "note")
        marked = bool(_REPEAT.search(typed) or _REPEAT.search(note))
        kept.append((row, _REPEAT.sub("", typed) if _REPEAT.search(typed) else typed, marked))
    ids = read_ids([typed for _, typed, _ in kept], known.sample_ids())
    names, more = _settled_ids([(row.number, typed) for row, typed, _ in kept], ids, table, known)
    findings += more
    lines = _dated(
        [
            Line(row, row_id, name, repeat=int(marked), note=_cell(table, row, "note"))
            for (row, row_id, marked), name in zip(kept, names, strict=True)
        ],
        table,
        findings,
    )
    findings += _other_year(lines, table, known)
    if table.column_of("id") is None and lines:
        findings.append(
            Finding(
                "ids_by_row", "note", f"{table.name} has no column of sample ids.",
                "", "Numbered in the order of the file.", file=table.name,
            )
        )  # fmt: skip
    return lines, findings


def _cell(table: Table, row: Row, role: str) -> str:
    index = table.column_of(role)
    return "" if index is None else row[index]


def _typed_id(table: Table, row: Row, number: int) -> str:
    if table.column_of("id") is None and table.column_of("block") is None:
        return str(number)
    typed = _cell(table, row, "id")
    if typed:
        return typed
    # Without an id and a place, a line that names a block is a composite of it.
    block = _cell(table, row, "block")
    if block or table.column_of("id") is not None:
        return block
    return str(number)


def _settled_ids(
    rows: Sequence[tuple[int, str]], ids: Ids, table: Table, known: Known
) -> tuple[list[str], list[Finding]]:
    """Final id of each line, and what was changed, proposed or agreed to."""
    typed = [text for _, text in rows]
    names = [ids.of[text] for text in typed]
    findings = _ids_said(ids, table)
    composites = {text: block for text in typed if (block := known.block_named(tidy(text)))}
    proposals = {**_dates(typed, known), **_near_misses(names, composites, known)}
    for i, (number, text) in enumerate(rows):
        if text in composites:
            names[i] = composites[text].name
            findings.append(
                said(table, "composite", number,
                      f"{text} names a block: a composite of it.",
                      "Rated, in no map; kept for comparison with later means.", (names[i],))
            )  # fmt: skip
        elif names[i] in proposals:
            rule, message, new = proposals[names[i]]
            question = Finding(
                rule, "open", message, f"Read as {new}.",
                f"Kept as it came; in no map until it is agreed that it is {new}.",
                table.name, number, id_heading(table), (names[i],), (),
                {"sample": new},
            )  # fmt: skip
            if known.agreed(rule):
                question = settled(question, f"{text} is read as {new}, as agreed.")
                names[i] = new
            findings.append(question)
    return names, findings


def id_heading(table: Table) -> str:
    """Heading of the column of sample ids."""
    index = table.column_of("id")
    return "" if index is None else table.columns[index].heading


def said(
    table: Table, rule: str, row: int | None, message: str, done: str, ids: tuple[str, ...] = ()
) -> Finding:
    """A note on the ids of a table."""
    return Finding(rule, "note", message, "", done, table.name, row, id_heading(table), ids)


def _ids_said(ids: Ids, table: Table) -> list[Finding]:
    findings = []
    if ids.changed:
        shown = ", ".join(f"{old} as {new}" for old, new in ids.changed[:4])
        more = ", ..." if len(ids.changed) > 4 else ""
        findings.append(
            said(table, "ids_normalised", None,
                  f"{len(ids.changed)} ids are written differently: {shown}{more}.",
                  "Read as one way of writing; the ids as typed are kept.")
        )  # fmt: skip
    if ids.revisits:
        findings.append(
            said(table, "ids_revisited", None,
                  f"{len(ids.revisits)} ids end in R, such as {ids.revisits[0]}: stations sampled "
                  "again.", "Joined to the station without the R.")
        )  # fmt: skip
    return findings


def _dates(typed: Sequence[str], known: Known) -> dict[str, tuple[str, str, str]]:
    """Ids that a spreadsheet turned into dates, with what they probably were."""
    read = {text: parts for text in typed if (parts := as_date(text))}
    on_file = {place for name in known.sample_ids() if (place := station(name))}
    by_day = sum((str(day), month) in on_file for day, month in read.values())
    by_month = sum((str(month), day) in on_file for day, month in read.values())
    proposals = {}
    for text, (day, month) in read.items():
        first, second = (month, day) if by_month > by_day else (day, month)
        new = f"{first}-{second:02d}"
        message = f"{text} looks like a date. A spreadsheet did that; it reads {new}."
        proposals[tidy(text)] = ("ids_as_dates", message, new)
    return proposals


def _near_misses(
    names: Sequence[str], composites: Mapping[str, object], known: Known
) -> dict[str, tuple[str, str, str]]:
    """Unknown ids in a file whose other ids are on file, with the one they may be a slip for."""
    on_file = known.sample_ids()
    strange = [n for n in dict.fromkeys(names) if n not in on_file and n not in composites]
    if len(strange) > 0.25 * len(set(names)):
        return {}
    free = [name for name in on_file if name not in names]
    letters = {place[0] for name in on_file if (place := station(name))}
    proposals = {}
    for name in strange:
        place = station(name)
        # A new number of a known kind is a new station, not a slip.
        if place and place[0] in letters:
            continue
        new = near_miss(name, free)
        if new:
            message = f"{name} has a result and no place. Is it {new}?"
            proposals[name] = ("id_near_miss", message, new)
    return proposals


def _dated(lines: Sequence[Line], table: Table, findings: list[Finding]) -> list[Line]:
    """Lines with their layer and day."""
    days = _day_texts(lines, table, findings)
    day_first, certain = day_comes_first(days, table.decimal)
    unit = _depth_unit(table)
    read = [read_date(day, day_first=day_first) if day else None for day in days]
    unread = [day for day, taken in zip(days, read, strict=True) if day and taken is None]
    if unread:
        findings.append(_date_not_read(unread, table))
    if not certain and any(read):
        sample, taken = next(pair for pair in zip(days, read, strict=True) if pair[1])
        findings.append(
            Finding(
                "date_order", "note",
                f"Dates such as {sample} do not tell day and month apart.", "",
                f"Read as {taken:%d %B %Y}.", table.name,
            )
        )  # fmt: skip
    return [
        replace(line, depth=_depth(table, line.row, unit), day=day)
        for line, day in zip(lines, read, strict=True)
    ]


def _other_year(lines: Sequence[Line], table: Table, known: Known) -> list[Finding]:
    """Samples most of which were taken in another year than the season they are given for."""
    days = [line.day for line in lines if line.day]
    others = [day for day in days if known.season is not None and day.year != known.season]
    if 2 * len(others) <= len(days):
        return []
    years = " and ".join(sorted({str(day.year) for day in others}))
    message = (
        f"{len(others)} of {len(lines)} samples of {table.name} were taken in {years}, and "
        f"{known.season} is the season they are given for."
    )
    return [
        Finding(
            "season_differs", "warning", message, "",
            f"Kept under {known.season}, as you said. If that was a slip, withdraw the file and "
            f"add it with the season {years}.",
            table.name, table.header_row,
        )
    ]  # fmt: skip


def _day_texts(lines: Sequence[Line], table: Table, findings: list[Finding]) -> list[str]:
    """The day of each line as written: in its column, else above the table."""
    index = _day_column(table)
    if index is not None:
        return [line.row[index] for line in lines]
    for number, text in table.titles:
        said_so = _DAY_IN_TITLE.search(text)
        first = day_comes_first([said_so[1]], table.decimal)[0] if said_so else True
        if said_so and read_date(said_so[1], day_first=first):
            message = f"Line {number} says the day of sampling: {said_so[1]}."
            findings.append(said(table, "day_of_title", number, message, "Taken for every sample."))
            return [said_so[1]] * len(lines)
    return [""] * len(lines)


def _date_not_read(unread: Sequence[str], table: Table) -> Finding:
    count = "1 date" if len(unread) == 1 else f"{len(unread)} dates"
    return Finding(
        "date_not_read", "warning", f"{table.name}: {count} not understood, such as {unread[0]!r}.",
        "Write the year first, as 2025-10-14.", "Kept with the original; the samples have no day.",
        table.name, table.header_row,
    )  # fmt: skip


def _day_column(table: Table) -> int | None:
    """The column of the day of sampling: one that says so, else any date, the laboratory's last."""
    columns = [i for i, column in enumerate(table.columns) if column.key == "date"]
    said = [i for i in columns if re.search(r"sampl|collect|taken", table.columns[i].heading, re.I)]
    return next(iter((*said, *columns)), table.column_of("lab date"))


def _depth_unit(table: Table) -> str:
    index = table.column_of("depth")
    index = table.column_of("bottom") if index is None else index
    return (table.columns[index].unit or "cm") if index is not None else "cm"


def _depth(table: Table, row: Row, unit: str) -> Depth | None:
    top, bottom = _cell(table, row, "top"), _cell(table, row, "bottom")
    if bottom:
        return read_depth(f"{top or 0}-{bottom}", unit)
    depth = _cell(table, row, "depth")
    return read_depth(depth, unit) if depth else None
