"""Single changes of stored records: each keeps the old value, who changed it, when and why.

They run inside a change of the store (`geo.store.database.changing`), take the sample's id as it is
stored, and return what was changed, a sentence each.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from shapely import Point as Place

from geo import units
from geo.errors import FarmError, SoilquiltError, UsageError
from geo.findings import Finding
from geo.lookup import properties
from geo.store.database import blob, geometry, insert, now
from geo.store.typed import cell_from, depth_from


@dataclass(frozen=True)
class Change:
    """Who asks for a change of which season's records, and why."""

    season: int
    who: str
    why: str


def _cells(
    database: sqlite3.Connection, season: int, sample_id: str, key: str
) -> list[sqlite3.Row]:
    return database.execute(
        "SELECT * FROM results WHERE season = ? AND sample_id = ? AND key = ? ORDER BY fid",
        (season, sample_id, key),
    ).fetchall()


def set_cell(
    database: sqlite3.Connection, change: Change, sample_id: str, key: str, text: str
) -> tuple[str, ...]:
    """Write a value into the cells of a sample and property, or make one; units as in `cell_from`.

    Raises
    ------
    FarmError
        If the text is no value.
    """
    cells = _cells(database, change.season, sample_id, key)
    if not cells:
        return _new_cell(database, change, sample_id, key, text)
    try:
        value, qualifier = cell_from(key, text, cells[0]["unit_read"] or properties()[key].unit)
    except SoilquiltError as error:
        raise FarmError(f"{sample_id}: {error}") from None
    same = value == cells[0]["value"] and qualifier == cells[0]["qualifier"]
    if same and len(cells) == 1:
        return (f"{sample_id}, {key}: {cells[0]['text']} is kept as it is.",)
    new = {"text": text, "value": value, "qualifier": qualifier}
    for cell in cells:
        _update(database, change, "results", cell, new)
    before = " and ".join(str(cell["text"]) for cell in cells)
    verb = "is now" if len(cells) == 1 else f"are all {len(cells)} now"
    return (f"{sample_id}, {key}: {before} {verb} {text}.",)


def set_unit(
    database: sqlite3.Connection, change: Change, sample_ids: Sequence[str], key: str, unit: str
) -> tuple[str, ...]:
    """Say the unit of cells whose file did not: they were stored as numbers without one."""
    factor, _ = units.house_factor(key, unit)
    cells = [
        cell
        for sample_id in dict.fromkeys(sample_ids)
        for cell in _cells(database, change.season, sample_id, key)
        if not cell["unit_read"]
    ]
    for cell in cells:
        value = None if cell["value"] is None else round(cell["value"] * factor, 10)
        _update(database, change, "results", cell, {"value": value, "unit_read": unit})
    return (f"{properties()[key].name}: {len(cells)} values are in {unit}.",)


def _new_cell(
    database: sqlite3.Connection, change: Change, sample_id: str, key: str, text: str
) -> tuple[str, ...]:
    like = database.execute(
        "SELECT unit_read, method FROM results WHERE season = ? AND key = ? ORDER BY fid",
        (change.season, key),
    ).fetchone()
    unit = like["unit_read"] if like else properties()[key].unit
    value, qualifier = cell_from(key, text, unit)
    depth = database.execute(
        "SELECT depth_top_cm, depth_bottom_cm, sampled_on FROM results"
        " WHERE season = ? AND sample_id = ? ORDER BY fid",
        (change.season, sample_id),
    ).fetchone()
    record_id = insert(
        database, "results", season=change.season, sample_id=sample_id, typed_id=sample_id,
        key=key, text=text, value=value, qualifier=qualifier, unit_read=unit,
        method=like["method"] if like else "", row=0, column="typed by hand", repeat=0, note="",
        **(dict(depth) if depth else {}),
    )  # fmt: skip
    _keep_old(database, change, "results", record_id, sample_id, "value", None, text)
    return (f"{sample_id}, {key}: {text} {unit}, typed by hand.",)


def swap_cells(
    database: sqlite3.Connection, change: Change, sample_id: str, one: str, other: str
) -> tuple[str, ...]:
    """Let two properties of a sample change places, such as pH in water and in KCl."""
    first = _cells(database, change.season, sample_id, one)
    second = _cells(database, change.season, sample_id, other)
    for here, there in zip(first, second, strict=True):
        # The columns keep their method and heading; only what stood in the cells changes place.
        for cell, source in ((here, there), (there, here)):
            new = {name: source[name] for name in ("text", "value", "qualifier")}
            _update(database, change, "results", cell, new)
    return (f"{sample_id}: {one} and {other} have changed places.",)


def rename_sample(
    database: sqlite3.Connection,
    change: Change,
    sample_id: str,
    new_id: str,
    finding: Finding | None = None,
) -> tuple[str, ...]:
    """Give the records of a sample another id; of one bag in two, only the row in question.

    Raises
    ------
    FarmError
        If nothing of the sample is in the row in question.
    """
    row = finding.row if finding else _row_in_question(database, change.season, sample_id)
    new_id = new_id.strip()
    renamed = 0
    for table in ("results", "points"):
        for record in database.execute(
            f"SELECT * FROM {table} WHERE season = ? AND sample_id = ?", (change.season, sample_id)
        ).fetchall():
            if table == "results" and row is not None and record["row"] != row:
                continue
            if table == "points" and row is not None:
                continue
            _update(database, change, table, record, {"sample_id": new_id})
            renamed += 1
    if not renamed:
        raise FarmError(f"There is nothing of {sample_id} in row {row} to rename.")
    where = f" (row {row})" if row is not None else ""
    return (f"{sample_id}{where} is now {new_id}.",)


def _row_in_question(database: sqlite3.Connection, season: int, sample_id: str) -> int | None:
    """The row that an open question proposes to rename."""
    rows = database.execute(
        "SELECT findings.* FROM findings JOIN files ON findings.file = files.fid"
        " WHERE files.season = ? AND answer = '' ORDER BY findings.fid",
        (season,),
    )
    for record in rows:
        if sample_id in json.loads(record["sample_ids"]) and "sample" in json.loads(
            record["repair"]
        ):
            return None if record["row"] is None else int(record["row"])
    return None


def set_depth(
    database: sqlite3.Connection, change: Change, sample_id: str, text: str
) -> tuple[str, ...]:
    """Put a sample into another layer, written as "0-15". [cm]"""
    top, bottom = depth_from(text)
    for cell in database.execute(
        "SELECT * FROM results WHERE season = ? AND sample_id = ?", (change.season, sample_id)
    ).fetchall():
        _update(database, change, "results", cell, {"depth_top_cm": top, "depth_bottom_cm": bottom})
    return (f"{sample_id}: depth is now {top:g}-{bottom:g} cm.",)


def move(
    database: sqlite3.Connection, change: Change, sample_id: str, lon: float, lat: float
) -> tuple[str, ...]:
    """Give a sample its place, or another one. [deg, WGS84]"""
    points = database.execute(
        "SELECT * FROM points WHERE season = ? AND sample_id = ?", (change.season, sample_id)
    ).fetchall()
    words = f"{lat:.7f}, {lon:.7f}"
    if not points:
        record_id = insert(
            database, "points", geom=blob(Place(lon, lat)), season=change.season,
            sample_id=sample_id, typed_id=sample_id, time="", note="typed by hand",
        )  # fmt: skip
        _keep_old(database, change, "points", record_id, sample_id, "geom", None, words)
    for point in points:
        _update(database, change, "points", point, {"geom": blob(Place(lon, lat))})
    return (f"{sample_id} now lies at {words}.",)


def take_in_again(
    database: sqlite3.Connection, change: Change, sample_id: str, text: str
) -> tuple[str, ...]:
    """Undo an exclusion; the list of corrections keeps that it was one.

    Raises
    ------
    UsageError
        If the text is not "no".
    """
    if text.strip().lower() != "no":
        raise UsageError("--key excluded takes --value no; leave a sample out with --exclude.")
    rows = database.execute(
        "SELECT * FROM left_out WHERE season = ? AND sample_id = ?", (change.season, sample_id)
    ).fetchall()
    if not rows:
        return (f"{sample_id} was not left out of {change.season}.",)
    for row in rows:
        database.execute("DELETE FROM left_out WHERE fid = ?", (row["fid"],))
        _keep_old(database, change, "left_out", row["fid"], sample_id, "why", row["why"], None)
    return (f"{sample_id} counts again in {change.season}.",)


def left_out(database: sqlite3.Connection, season: int, sample_id: str) -> bool:
    """Whether a sample is left out of a season."""
    found = database.execute(
        "SELECT fid FROM left_out WHERE season = ? AND sample_id = ?", (season, sample_id)
    )
    return found.fetchone() is not None


def _update(
    database: sqlite3.Connection,
    change: Change,
    table: str,
    record: sqlite3.Row,
    new: Mapping[str, object],
) -> None:
    for column, value in new.items():
        old = record[column]
        if old == value:
            continue
        database.execute(
            f'UPDATE "{table}" SET "{column}" = ? WHERE fid = ?', (value, record["fid"])
        )
        _keep_old(
            database, change, table, record["fid"], record["sample_id"], column, _words(old),
            _words(value),
        )  # fmt: skip


def _words(value: object) -> str | None:
    """A value as the list of corrections keeps it; a place as well-known text."""
    if isinstance(value, bytes):
        place = geometry(value)
        return None if place is None else place.wkt
    return None if value is None else str(value)


def _keep_old(
    database: sqlite3.Connection, change: Change, record: str, record_id: int, sample_id: str,
    column: str, old: str | None, new: str | None,
) -> None:  # fmt: skip
    insert(
        database, "corrections", record=record, record_id=record_id, season=change.season,
        sample_id=sample_id, column=column, old=old, new=new, who=change.who, at=now(),
        why=change.why,
    )  # fmt: skip
