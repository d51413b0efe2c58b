"""Methods of a table's columns: from the heading, else from a line that names the methods."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from geo.findings import Finding
from geo.intake.headings import read_method_words
from geo.intake.reading import Column
from geo.intake.tables import Table
from geo.lookup import properties
from geo.rating.methods import resolve_method

#: Properties of which nothing can be rated until the extractant is known.
ASKED = ("p", "k", "ca", "mg", "na", "s", "zn", "mn", "fe", "cu", "b", "ec")


def with_methods(table: Table, told: Mapping[str, str]) -> tuple[tuple[Column, ...], list[Finding]]:
    """Columns with their methods; one property in two columns keeps the fuller column.

    `told` is what a person said of this file, property key -> method; it goes before the file.
    """
    keys = [table.columns[i].key for i in table.property_columns()]
    said: dict[str, str] = {}
    for _, text in (*table.titles, *table.footers):
        for key, method in read_method_words(text, keys).items():
            said.setdefault(key, method)
    columns = [
        replace(
            c,
            method=resolve_method(c.key, told[c.key])
            if c.key in told
            else _finer(c.method, said.get(c.key, "")),
        )
        for c in table.columns
    ]
    columns, findings = _one_column_each(table, columns)
    silent = [c.key for c in columns if c.key in ASKED and not c.method]
    if silent:
        findings.append(_which_extractant(silent, table.name))
    return tuple(columns), findings


def _finer(heading: str, line: str) -> str:
    """The heading decides, unless the line below says the same and more."""
    return line if not heading or line.startswith(heading) else heading


def _one_column_each(table: Table, columns: Sequence[Column]) -> tuple[list[Column], list[Finding]]:
    filled = [sum(bool(row[i]) for row in table.rows) for i in range(len(columns))]
    best: dict[str, int] = {}
    for i, column in enumerate(columns):
        if column.key in properties() and filled[i] > filled[best.get(column.key, i)]:
            best[column.key] = i
        best.setdefault(column.key, i)
    kept, findings = list(columns), []
    for i, column in enumerate(columns):
        if column.key in properties() and best[column.key] != i:
            name = properties()[column.key].name
            kept[i] = replace(column, key="")
            findings.append(
                Finding(
                    "column_twice", "warning",
                    f"Columns {columns[best[column.key]].heading!r} and {column.heading!r} both "
                    f"hold {name}.",
                    "Choose the other one with --map-column HEADING=KEY.",
                    f"{columns[best[column.key]].heading!r} is used.",
                    table.name, table.header_row, column.heading, (), (column.key,),
                )
            )  # fmt: skip
    return kept, findings


def _which_extractant(keys: Sequence[str], file: str) -> Finding:
    names = ", ".join(properties()[key].symbol for key in keys)
    was = "was" if len(keys) == 1 else "were"
    return Finding(
        "method_missing",
        "warning",
        f"{file} does not say which extractant {names} {was} measured with.",
        "Ask the laboratory. Until then they are shown and mapped, not rated.",
        "They are mapped, not rated. Write the method into the heading, such as 'K NH4OAc (mg/kg)' "
        "or 'pH buffer SMP', or into a line below: 'Methods: P Mehlich-3, ...', or add the file "
        "with --method 'p=Mehlich-3'.",
        file,
        keys=tuple(keys),
    )
