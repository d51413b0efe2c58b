"""Later changes of what is stored: each keeps the old value, who changed it, when and why."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from shapely import Point as Place

from geo import units
from geo.errors import FarmError, SoilquiltError, UsageError
from geo.findings import Finding
from geo.intake.headings import property_of
from geo.intake.ids import station
from geo.lookup import properties
from geo.store.database import blob, changing, geometry, insert, now

#: Words for `--key` that are not properties.
SPECIAL_KEYS = ("sample", "place", "depth", "excluded")

_CELL = re.compile(r"^([<>]?)\s*([+-]?\d+(?:[.,]\d+)?)\s*(\D.*)?$")


@dataclass(frozen=True)
class Change:
    """Who asks for a change of which season's records, and why."""

    season: int
    who: str
    why: str


def set_value(folder: Path, change: Change, sample_id: str, key: str, text: str) -> tuple[str, ...]:
    """Correct one value, place, depth or sample id, or answer an open question about it.

    Parameters
    ----------
    folder : Path
        The farm folder.
    change : Change
        Season, who and why.
    sample_id : str
        As the farm writes it, or as it was typed.
    key : str
        A property by its key, symbol or name, or "sample" (a new id), "place" ("latitude,
        longitude"), "depth" ("0-15", in cm) or "excluded" ("no" takes an excluded sample in again).
    text : str
        The new value in the unit its file used, or with a unit of its own ("78 mg/kg").

    Returns
    -------
    tuple of str
        What was changed, a sentence each.

    Raises
    ------
    FarmError
        If there is no such sample, or the value cannot be read.
    """
    if key not in SPECIAL_KEYS and key not in properties():
        key = property_of(key.strip().lower()) or key
    if key not in SPECIAL_KEYS and key not in properties():
        raise UsageError(
            f"{key!r} is not a property we know. Use {', '.join(SPECIAL_KEYS)} or one of: "
            f"{', '.join(properties())}."
        )
    with changing(folder, f"setting {key} of {sample_id}") as database:
        sample_id = known_sample(database, change.season, sample_id)
        if key == "place":
            done = _move(database, change, sample_id, *place_from(text))
        elif key == "depth":
            done = _set_depth(database, change, sample_id, text)
        elif key == "excluded":
            done = _take_in_again(database, change, sample_id, text)
        elif key == "sample":
            done = _rename_sample(database, change, sample_id, text)
        else:
            done = _set_cell(database, change, sample_id, key, text)
        about = "" if key in SPECIAL_KEYS else key
        _close_questions(database, change, sample_id, about, " ".join(done))
    return done


def exclude_sample(folder: Path, change: Change, sample_id: str) -> tuple[str, ...]:
    """Leave a sample out of everything from now on; it stays stored."""
    with changing(folder, f"leaving out {sample_id}") as database:
        sample_id = known_sample(database, change.season, sample_id)
        if _left_out(database, change.season, sample_id):
            return (f"{sample_id} was left out of {change.season} before.",)
        insert(
            database,
            "left_out",
            season=change.season,
            sample_id=sample_id,
            who=change.who,
            at=now(),
            why=change.why,
        )
        done = (f"{sample_id} is left out of {change.season}. It stays stored.",)
        _close_questions(database, change, sample_id, "", done[0])
    return done


def _left_out(database: sqlite3.Connection, season: int, sample_id: str) -> bool:
    found = database.execute(
        "SELECT fid FROM left_out WHERE season = ? AND sample_id = ?", (season, sample_id)
    )
    return found.fetchone() is not None


def _take_in_again(
    database: sqlite3.Connection, change: Change, sample_id: str, text: str
) -> tuple[str, ...]:
    """Undo an exclusion; the list of corrections keeps that it was one."""
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


def answer_findings(
    database: sqlite3.Connection, change: Change, findings: Mapping[int | None, Finding]
) -> tuple[str, ...]:
    """Do what each finding proposes.

    Parameters
    ----------
    database : Connection
        Inside a change.
    findings : mapping
        Row id in `findings` -> the finding; the id is None for one that no file brought.
    """
    done: list[str] = []
    for fid, finding in findings.items():
        words = " ".join(apply_repair(database, change, finding))
        done.append(words)
        if fid is not None:
            database.execute("UPDATE findings SET answer = ? WHERE fid = ?", (words, fid))
        # A repair by rule answers its own question; other questions on the value stay open,
        # except where it was the check of the stored values that asked.
        if fid is None:
            for sample_id in finding.sample_ids:
                for key in finding.keys or ("",):
                    _note_answer(database, change, sample_id, key, finding.rule, words)
    return tuple(done)


def apply_repair(database: sqlite3.Connection, change: Change, finding: Finding) -> tuple[str, ...]:
    """Carry out the proposal of one finding on what is stored."""
    repair = finding.repair
    sample_id = finding.sample_ids[0] if finding.sample_ids else ""
    if "sample" in repair:
        return _rename_sample(database, change, sample_id, repair["sample"], finding)
    if "swap" in repair:
        return _swap_cells(database, change, sample_id, *repair["swap"].split())
    if "lon" in repair and "lat" in repair:
        return _move(database, change, sample_id, float(repair["lon"]), float(repair["lat"]))
    text = repair.get("value", repair.get("each_value"))
    if text is not None:
        return tuple(
            sentence
            for sample in finding.sample_ids
            for key in finding.keys
            for sentence in _set_cell(database, change, sample, key, text)
        )
    if "unit" in repair:
        return tuple(
            sentence
            for key in finding.keys
            for sentence in _set_unit(database, change, finding.sample_ids, key, repair["unit"])
        )
    raise UsageError(
        f"{finding.rule}: there is no repair to agree to. Answer it with 'soilquilt set', "
        "naming the sample."
    )


def known_sample(database: sqlite3.Connection, season: int, sample_id: str) -> str:
    """The sample's id as stored, found by the id itself, by what was typed, or written alike."""
    for column in ("sample_id", "typed_id"):
        for table in ("results", "points"):
            row = database.execute(
                f"SELECT sample_id FROM {table}"
                f" WHERE season = ? AND lower(trim({column})) = lower(trim(?))",
                (season, sample_id),
            ).fetchone()
            if row:
                return str(row[0])
    names = database.execute(
        "SELECT sample_id FROM results WHERE season = ? UNION"
        " SELECT sample_id FROM points WHERE season = ?",
        (season, season),
    ).fetchall()
    alike = {str(row[0]) for row in names if station(str(row[0])) == station(sample_id)}
    if station(sample_id) and len(alike) == 1:
        return alike.pop()
    raise FarmError(f"There is no sample {sample_id!r} in {season}. Check the id and the season.")


def place_from(text: str) -> tuple[float, float]:
    """Longitude and latitude from "latitude, longitude" in decimal degrees."""
    numbers = re.findall(r"[+-]?\d+(?:\.\d+)?", text)
    if len(numbers) != 2 or abs(float(numbers[0])) > 90 or abs(float(numbers[1])) > 180:
        raise FarmError(
            f"{text!r} is not a place. Write latitude, longitude in decimal degrees, "
            "such as '-33.9697, 19.9964'."
        )
    return float(numbers[1]), float(numbers[0])


def cell_from(key: str, text: str, unit: str) -> tuple[float | None, str]:
    """House-unit value and qualifier of a cell as a person types it.

    Examples
    --------
    >>> cell_from("k", "0,2", "cmol(+)/kg"), cell_from("zn", "<0.3", "mg/kg")
    ((78.2, ''), (0.3, '<'))
    """
    if text.strip().lower() in {"", "missing", "n.a.", "not analysed"}:
        return None, "missing"
    match = _CELL.match(text.strip())
    if match is None:
        raise FarmError(
            f"{key}: {text!r} is not a value. Write a number, '<0.3' below a limit, or 'missing'."
        )
    qualifier, number, own_unit = match.groups()
    value, _ = units.to_house_unit(key, float(number.replace(",", ".")), own_unit or unit)
    return value, qualifier


def _cells(
    database: sqlite3.Connection, season: int, sample_id: str, key: str
) -> list[sqlite3.Row]:
    return database.execute(
        "SELECT * FROM results WHERE season = ? AND sample_id = ? AND key = ? ORDER BY fid",
        (season, sample_id, key),
    ).fetchall()


def _set_cell(
    database: sqlite3.Connection, change: Change, sample_id: str, key: str, text: str
) -> tuple[str, ...]:
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


def _set_unit(
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


def _swap_cells(
    database: sqlite3.Connection, change: Change, sample_id: str, one: str, other: str
) -> tuple[str, ...]:
    first = _cells(database, change.season, sample_id, one)
    second = _cells(database, change.season, sample_id, other)
    for here, there in zip(first, second, strict=True):
        # The columns keep their method and heading; only what stood in the cells changes place.
        for cell, source in ((here, there), (there, here)):
            new = {name: source[name] for name in ("text", "value", "qualifier")}
            _update(database, change, "results", cell, new)
    return (f"{sample_id}: {one} and {other} have changed places.",)


def _rename_sample(
    database: sqlite3.Connection,
    change: Change,
    sample_id: str,
    new_id: str,
    finding: Finding | None = None,
) -> tuple[str, ...]:
    """Give the records of a sample another id; of one bag in two, only the row in question."""
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


def _set_depth(
    database: sqlite3.Connection, change: Change, sample_id: str, text: str
) -> tuple[str, ...]:
    top, bottom = depth_from(text)
    for cell in database.execute(
        "SELECT * FROM results WHERE season = ? AND sample_id = ?", (change.season, sample_id)
    ).fetchall():
        _update(database, change, "results", cell, {"depth_top_cm": top, "depth_bottom_cm": bottom})
    return (f"{sample_id}: depth is now {top:g}-{bottom:g} cm.",)


def depth_from(text: str) -> tuple[float, float]:
    """Top and bottom of a layer from "0-15". [cm]

    Examples
    --------
    >>> depth_from("0-15")
    (0.0, 15.0)
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[-–]\s*(\d+(?:\.\d+)?)\s*(?:cm)?\s*", text)
    if match is None or float(match[1]) >= float(match[2]):
        raise UsageError(f"{text!r} is not a depth layer. Write top and bottom in cm, as 0-15.")
    return float(match[1]), float(match[2])


def _move(
    database: sqlite3.Connection, change: Change, sample_id: str, lon: float, lat: float
) -> tuple[str, ...]:
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


def _note_answer(
    database: sqlite3.Connection, change: Change, sample_id: str, key: str, rule: str, answer: str
) -> None:
    insert(
        database, "answers", season=change.season, sample_id=sample_id, key=key, rule=rule,
        answer=answer, who=change.who, at=now(), why=change.why,
    )  # fmt: skip


def _close_questions(
    database: sqlite3.Connection, change: Change, sample_id: str, key: str, answer: str
) -> None:
    """A person has decided about this value or, with an empty key, about the sample as a whole."""
    _note_answer(database, change, sample_id, key, "", answer)
    rows = database.execute(
        "SELECT findings.* FROM findings JOIN files ON findings.file = files.fid"
        " WHERE files.season = ? AND answer = ''",
        (change.season,),
    ).fetchall()
    for record in rows:
        keys = json.loads(record["keys"])
        about_the_whole = not keys or "sample" in json.loads(record["repair"])
        concerned = key in keys if key else about_the_whole
        if sample_id in json.loads(record["sample_ids"]) and concerned:
            database.execute(
                "UPDATE findings SET answer = ? WHERE fid = ?", (answer, record["fid"])
            )
