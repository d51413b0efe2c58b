"""Agronomy as data: reads `geo/tables/` once, hands out rows, refuses a row without a source.

A farm may add to a table or replace it (`farm_tables`); whose row was used stays visible in its
source.
"""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path, PurePosixPath
from typing import Any

from geo.errors import TableError

Row = Mapping[str, str]

#: How far a figure was verified, from the strongest on.
VERIFIED = ("seen", "inferred", "derived", "memory", "common practice", "yours")


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
    return rows_from(path.read_text(encoding="utf-8"), f"{name}.csv")


def rows_from(text: str, file: str) -> tuple[Row, ...]:
    """Rows of a CSV text, each with its source and mark checked."""
    rows = tuple(dict(row) for row in csv.DictReader(io.StringIO(text)))
    for number, row in enumerate(rows, start=2):
        _check(row, f"{file}, line {number}")
    return rows


def _check(row: Row, where: str) -> None:
    if None in row or None in row.values():
        raise TableError(f"{where}: the row has not as many cells as the header.")
    for source in (row.get("source") or "").split("+"):
        if source not in sources():
            raise TableError(f"{where}: source {source!r} is not in sources.toml.")
    if row.get("verified") not in VERIFIED:
        raise TableError(f"{where}: 'verified' is {row.get('verified')!r}; use one of {VERIFIED}.")


@dataclass(frozen=True)
class Tables:
    """The tables in use: ours, and what the farm folder says instead.

    Attributes
    ----------
    added, replaced : mapping
        Table name -> rows of the user's own file, put before ours or in their place.
    choice : mapping
        Property key -> the published scheme to rate it with, as source or "source; condition".
    files : mapping
        Table name -> file in the farm folder, for saying whose table was used.
    """

    added: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    replaced: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    choice: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)

    def rows(self, name: str) -> tuple[Row, ...]:
        """Rows of a table, the user's own first."""
        if name in self.replaced:
            return self.replaced[name]
        return self.added.get(name, ()) + read_table(name)

    def changes(self, name: str) -> bool:
        """Whether the farm has rows of its own for a table."""
        return name in self.replaced or name in self.added


def farm_tables(folder: Path, entries: Mapping[str, Any]) -> Tables:
    """The tables in use on a farm, from the `[tables]` of its farm.toml.

    ::

        [tables]
        soil_sufficiency = "my-limits.csv"   # rows added before ours; they win where they fit
        [tables.replace]
        crop_removal = "removal.csv"         # in place of ours
        [tables.rate]
        k = "UMN_T29"                        # which published scheme rates a property

    The user's rows carry the source `yours` (or a key of sources.toml) and have the columns of the
    table they belong to; `verified` may be left empty.

    Raises
    ------
    TableError
        If a file is missing, a row lacks its source, or a column of the table is missing.
    """
    replace = dict(entries.get("replace", {}))
    choice = dict(entries.get("rate", {}))
    extend = {
        name: str(file)
        for name, file in entries.items()
        if isinstance(file, str | Path) and name != "prices"
    }
    return Tables(
        added={name: _own_rows(folder, name, file) for name, file in extend.items()},
        replaced={name: _own_rows(folder, name, file) for name, file in replace.items()},
        choice=choice,
        files=extend | replace,
    )


@cache
def table_names() -> tuple[str, ...]:
    """Names of our tables of agronomy, each a CSV in `geo/tables/`."""
    folder = resources.files("geo") / "tables"
    found = (PurePosixPath(entry.name) for entry in folder.iterdir())
    return tuple(sorted(path.stem for path in found if path.suffix == ".csv"))


def _own_rows(folder: Path, name: str, file: str) -> tuple[Row, ...]:
    """Rows of a user's own table, with the columns of ours."""
    path = folder / file
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        raise TableError(f"farm.toml, [tables]: {file} is not in the farm folder.")
    wanted = list(read_table(name)[0])
    text = path.read_text(encoding="utf-8-sig")
    header = next(csv.reader(io.StringIO(text)), [])
    missing = [column for column in wanted if column not in (*header, "verified", "note")]
    if missing:
        raise TableError(f"{file}: the columns {', '.join(missing)} of table {name} are missing.")
    rows = []
    for number, row in enumerate(csv.DictReader(io.StringIO(text)), start=2):
        full = {column: row.get(column) or "" for column in wanted}
        full["verified"] = full["verified"] or "yours"
        _check(full, f"{file}, line {number}")
        rows.append(full)
    return tuple(rows)


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
    (with neither, skewness decides); `standard` that a usual soil test holds it; `part_of` names a
    key of which it is a part or a repeat, so that it does not count twice when properties lend
    each other evidence.
    """

    key: str
    name: str
    symbol: str
    unit: str
    logs: bool
    never_logs: bool
    standard: bool
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
            standard=entry.get("standard", False),
            soft=tuple(entry["soft"]),
            hard=tuple(entry["hard"]),
            part_of=entry.get("part_of"),
            charge_mg_per_cmol=entry.get("charge_mg_per_cmol"),
            headings=tuple(entry.get("headings", ())),
        )
        for key, entry in read_toml("properties").items()
    }


@dataclass(frozen=True)
class Crop:
    """A crop: the groups whose tables rate it, the own one first, and what is known of it.

    `never_from` names the properties that a group's tables must not rate for this crop; `complete`
    says that lime target, removal and tissue limits are published in our tables.
    """

    key: str
    name: str
    groups: tuple[str, ...]
    species: str
    perennial: bool
    complete: bool
    never_from: Mapping[str, tuple[str, ...]]

    def groups_for(self, key: str) -> tuple[str, ...]:
        """Groups whose tables may rate a property, in order."""
        return tuple(group for group in self.groups if key not in self.never_from.get(group, ()))


def crop(key: str) -> Crop:
    """A crop by its key.

    Raises
    ------
    TableError
        If `crops.toml` does not hold it.
    """
    crops = read_toml("crops")
    if key not in crops:
        raise TableError(
            f"Crop {key!r} is not in our tables. In farm.toml, take the nearest of: "
            f"{', '.join(crops)}."
        )
    entry = crops[key]
    never = {group: tuple(keys) for group, keys in entry.get("never_from", {}).items()}
    return Crop(
        key=key,
        name=entry["name"],
        groups=tuple(entry["groups"]),
        species=entry.get("species", ""),
        perennial=entry["perennial"],
        complete=entry.get("complete", False),
        never_from=never,
    )
