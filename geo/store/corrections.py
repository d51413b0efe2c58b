"""Corrections a person makes and answers a person gives: what they change, what they settle.

The changes themselves, with the old value kept, are in `edits`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path

from geo.errors import FarmError, UsageError
from geo.findings import Finding
from geo.intake.headings import property_of
from geo.intake.ids import station
from geo.lookup import properties
from geo.store.database import changing, insert, now
from geo.store.edits import (
    Change,
    left_out,
    move,
    rename_sample,
    set_cell,
    set_depth,
    set_unit,
    swap_cells,
    take_in_again,
)
from geo.store.typed import place_from

#: Words for `--key` that are not properties.
SPECIAL_KEYS = ("sample", "place", "depth", "excluded")


__all__ = [
    "SPECIAL_KEYS",
    "Change",
    "answer_findings",
    "apply_repair",
    "exclude_sample",
    "known_sample",
    "set_value",
]


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
            done = move(database, change, sample_id, *place_from(text))
        elif key == "depth":
            done = set_depth(database, change, sample_id, text)
        elif key == "excluded":
            done = take_in_again(database, change, sample_id, text)
        elif key == "sample":
            done = rename_sample(database, change, sample_id, text)
        else:
            done = set_cell(database, change, sample_id, key, text)
        about = "" if key in SPECIAL_KEYS else key
        _close_questions(database, change, sample_id, about, " ".join(done))
    return done


def exclude_sample(folder: Path, change: Change, sample_id: str) -> tuple[str, ...]:
    """Leave a sample out of everything from now on; it stays stored."""
    with changing(folder, f"leaving out {sample_id}") as database:
        sample_id = known_sample(database, change.season, sample_id)
        if left_out(database, change.season, sample_id):
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
    """Carry out the proposal of one finding on what is stored.

    Raises
    ------
    UsageError
        If the finding proposes nothing that can be carried out.
    """
    repair = finding.repair
    sample_id = finding.sample_ids[0] if finding.sample_ids else ""
    if "sample" in repair:
        return rename_sample(database, change, sample_id, repair["sample"], finding)
    if "swap" in repair:
        return swap_cells(database, change, sample_id, *repair["swap"].split())
    if "lon" in repair and "lat" in repair:
        return move(database, change, sample_id, float(repair["lon"]), float(repair["lat"]))
    text = repair.get("value", repair.get("each_value"))
    if text is not None:
        return tuple(
            sentence
            for sample in finding.sample_ids
            for key in finding.keys
            for sentence in set_cell(database, change, sample, key, text)
        )
    if "unit" in repair:
        return tuple(
            sentence
            for key in finding.keys
            for sentence in set_unit(database, change, finding.sample_ids, key, repair["unit"])
        )
    raise UsageError(
        f"{finding.rule}: there is no repair to agree to. Answer it with 'soilquilt set', "
        "naming the sample."
    )


def known_sample(database: sqlite3.Connection, season: int, sample_id: str) -> str:
    """The sample's id as stored, found by the id itself, by what was typed, or written alike.

    Raises
    ------
    FarmError
        If there is no such sample in that season.
    """
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
