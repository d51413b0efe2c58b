"""A laboratory's layout of last year, put over a table that looks the same."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from geo.findings import Finding
from geo.intake.delimited import Sheet
from geo.intake.headings import read_heading
from geo.intake.known import Known, Profile
from geo.intake.methods_named import with_methods
from geo.intake.reading import Column
from geo.intake.tables import Table, read_table
from geo.lookup import properties
from geo.rating.methods import plain

#: The rule of the note that says so; a file is read anew where it is refused.
RULE = "as_last_year"


def table_as_before(sheet: Sheet, known: Known) -> tuple[Table | None, Known, tuple[Finding, ...]]:
    """A sheet's table, with what a file of the same layout said or was told of its columns.

    A file has the layout of another if its headings are the same, in the same order, and the line
    that names the laboratory does not name a different one. What the file itself says, and what a
    person says of it, goes before the profile.
    """
    for profile in known.profiles:
        table = read_table(sheet, {**_told(profile.columns), **known.columns})
        if table is not None and _alike(table, profile):
            return _filled(table, profile, known)
    return read_table(sheet, known.columns), known, ()


def _told(columns: Sequence[Column]) -> dict[str, str]:
    """Headings that would not be read so by themselves; a heading that stands twice says nothing.

    A column whose heading is understood keeps its own reading, with all that it says of the unit.
    """
    count = Counter(plain(c.heading) for c in columns)
    return {
        c.heading: c.key
        for c in columns
        if c.heading and c.key and count[plain(c.heading)] == 1
        and read_heading(c.heading).key != c.key
    }  # fmt: skip


def _alike(table: Table, profile: Profile) -> bool:
    here = [plain(c.heading) for c in table.columns if c.heading.strip()]
    there = [plain(c.heading) for c in profile.columns if c.heading.strip()]
    if here != there or not any(c.key in properties() for c in profile.columns):
        return False
    named = next((text for _, text in table.titles if "lab" in text.lower()), "")
    words = {_letters(named), _letters(profile.laboratory)} - {""}
    return len(words) < 2


def _letters(text: str) -> str:
    """A laboratory's name without what changes from report to report."""
    return re.sub(r"[^a-z]", "", text.lower())


def _filled(
    table: Table, profile: Profile, known: Known
) -> tuple[Table, Known, tuple[Finding, ...]]:
    before = {c.key: c for c in profile.columns if c.key in properties()}
    units = {
        c.key: before[c.key].unit
        for i, c in enumerate(table.columns)
        if c.key in before and not c.unit and before[c.key].unit and c.key not in known.units
        # A cell with a unit of its own says more than last year's file.
        and not any("/" in row[i] for row in table.rows)
    }  # fmt: skip
    columns, _ = with_methods(table, known.methods)
    methods = {
        c.key: before[c.key].method
        for c in columns
        if c.key in before and not c.method and before[c.key].method
    }
    meant = [c.heading for c in table.columns if c.key and c.heading in _told(profile.columns)]
    known = replace(known, units={**units, **known.units}, methods={**methods, **known.methods})
    return table, known, (_note(table, profile, known, meant, list(units), list(methods)),)


def _note(
    table: Table,
    profile: Profile,
    known: Known,
    meant: Sequence[str],
    units: Sequence[str],
    methods: Sequence[str],
) -> Finding:
    taken = [
        *([f"what {', '.join(meant)} means"] if meant else []),
        *([f"the unit of {_names(units)}"] if units else []),
        *([f"the method of {_names(methods)}"] if methods else []),
    ]
    last = profile.season is None or known.season is None or known.season == profile.season + 1
    which = "last year's file" if last else f"the file of {profile.season}"
    return Finding(
        RULE, "note",
        f"{table.name}: read as {which}: {profile.file}.",
        "Read it anew, or say another meaning, unit or method for a column.",
        f"Taken from it: {', '.join(taken)}." if taken else "It says all of it by itself.",
        table.name, table.header_row,
    )  # fmt: skip


def _names(keys: Sequence[str]) -> str:
    return ", ".join(properties()[key].symbol for key in keys)
