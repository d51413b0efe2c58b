"""Agronomy as data: reads `geo/tables/` once, hands out rows, refuses a row without a source."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from geo.errors import TableError

Row = Mapping[str, str]

#: How far a figure was verified, from the strongest on.
VERIFIED = ("seen", "inferred", "derived", "memory", "common practice")


@cache
def read_table(name: str) -> tuple[Row, ...]:
    """Rows of `geo/tables/<name>.csv`, each with its `source` and `verified` mark checked.

    Raises
    ------
    TableError
        If the table is missing, or a row has no source, a source that `sources.toml` does not
        know, or an unknown mark.
    """
    path = resources.files("geo") / "tables" / f"{name}.csv"
    if not path.is_file():
        raise TableError(f"There is no table {name!r} in geo/tables.")
    text = path.read_text(encoding="utf-8")
    rows = tuple(dict(row) for row in csv.DictReader(io.StringIO(text)))
    known = sources()
    for number, row in enumerate(rows, start=2):
        where = f"{name}.csv, line {number}"
        for source in (row.get("source") or "").split("+"):
            if source not in known:
                raise TableError(f"{where}: source {source!r} is not in sources.toml.")
        if row.get("verified") not in VERIFIED:
            raise TableError(
                f"{where}: 'verified' is {row.get('verified')!r}; use one of {VERIFIED}."
            )
    return rows


@cache
def read_toml(name: str) -> Mapping[str, Any]:
    """Content of `geo/tables/<name>.toml`."""
    path = resources.files("geo") / "tables" / f"{name}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Source:
    """Where a figure comes from: the citation, the year and page if known, what was seen of it."""

    key: str
    title: str
    seen: str


@cache
def sources() -> Mapping[str, Source]:
    """Every source by its key."""
    return {
        key: Source(key, entry["title"], entry.get("seen", ""))
        for key, entry in read_toml("sources").items()
    }


@dataclass(frozen=True)
class Property:
    """A soil property: its key, the word people read, its house unit, and its plausible range.

    `sense` is not here: whether too little or too much is the trouble is a matter of the rating
    scheme. `logs` says that it is always mapped on the log scale, `never_logs` that it never is
    (with neither, skewness decides); `part_of` names a key of which it is a part or a repeat, so
    that it does not count twice when properties lend each other evidence.
    """

    key: str
    name: str
    symbol: str
    unit: str
    logs: bool
    never_logs: bool
    soft: tuple[float, float]
    hard: tuple[float, float]
    part_of: str | None
    charge_mg_per_cmol: float | None
    headings: tuple[str, ...]


@cache
def properties() -> Mapping[str, Property]:
    """Every property by its key, in the order in which people expect to read them."""
    return {
        key: Property(
            key=key,
            name=entry["name"],
            symbol=entry.get("symbol", entry["name"]),
            unit=entry["unit"],
            logs=entry.get("logs", False),
            never_logs=entry.get("never_logs", False),
            soft=tuple(entry["soft"]),
            hard=tuple(entry["hard"]),
            part_of=entry.get("part_of"),
            charge_mg_per_cmol=entry.get("charge_mg_per_cmol"),
            headings=tuple(entry.get("headings", ())),
        )
        for key, entry in read_toml("properties").items()
    }
