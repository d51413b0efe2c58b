"""What one file brings into the store: refused, known already, or written record by record."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from geo.errors import IntakeError
from geo.findings import Finding
from geo.intake.reading import Reading
from geo.settings import Settings
from geo.store.blockrows import insert_outline
from geo.store.corrections import Change, answer_findings
from geo.store.database import insert
from geo.store.originals import digest
from geo.store.rows import (
    finding_of,
    insert_application,
    insert_logged,
    insert_point,
    insert_result,
    insert_tissue,
)

#: Questions whose answer changes how a whole file is read.
ABOUT_THE_FILE = frozenset(
    ("no_system", "unit_missing", "unit_unknown", "lat_lon_swapped", "minus_lost", "axes_turned",
     "place_shift", "places_far")
)  # fmt: skip


@dataclass(frozen=True)
class Stored:
    """What became of one file: its name, the id it has in the farm, and a sentence about it.

    `findings` are those of the reading, with what was agreed to marked as done.
    """

    file: str
    already: bool
    what: str
    findings: tuple[Finding, ...]


def refuse(reading: Reading, season: int | None) -> None:
    """Raise if a reading cannot be stored.

    Raises
    ------
    IntakeError
        If a finding refuses it, or the season is not said.
    """
    refusals = [finding for finding in reading.findings if finding.severity == "refused"]
    if refusals:
        more = f" (and {len(refusals) - 1} more like it)" if len(refusals) > 1 else ""
        raise IntakeError(f"{refusals[0].message}{more} Nothing of it was stored.")
    if season is None and set(reading.kinds) - {"outlines"}:
        raise IntakeError(
            f"{Path(reading.path).name} holds {' and '.join(reading.kinds)}. Say which year's "
            "sampling it belongs to: --season YEAR. Nothing of it was stored."
        )


def known_file(database: sqlite3.Connection, path: Path) -> sqlite3.Row | None:
    """The line of a file that is stored already, byte for byte."""
    row: sqlite3.Row | None = database.execute(
        "SELECT * FROM files WHERE sha256 = ? AND state = 'stored' AND part_of IS NULL",
        (digest(path),),
    ).fetchone()
    return row


def stored_before(
    folder: Path,
    database: sqlite3.Connection,
    known: sqlite3.Row,
    reading: Reading,
    change: Change,
    accept: frozenset[str],
) -> Stored:
    """The same file again: nothing is stored twice, but open proposals may be agreed to."""
    rows = database.execute(
        "SELECT * FROM findings WHERE file = ? AND answer = ''", (known["fid"],)
    ).fetchall()
    agreed = {
        row["fid"]: finding_of(row, known["name"])
        for row in rows
        if row["rule"] in accept and json.loads(row["repair"])
    }
    done = answer_findings(database, change, agreed)
    what = f"This file is already here, stored on {known['stored_at'][:10]}."
    still = {f.rule for f in reading.findings if f.severity == "open"} | {
        finding.rule for finding in agreed.values()
    }
    asked = {row["rule"] for row in rows if row["severity"] == "open"}
    settled = sorted((asked & ABOUT_THE_FILE) - still)
    if settled:
        what += (
            f" With what you say now it would not ask ({', '.join(settled)}), but it is stored as "
            f"it was read: take it back with 'soilquilt withdraw {folder} {known['name']}' and add "
            "it again with the same words."
        )
    # What it asked then may be answered by now: the season's checks tell what is still open.
    return Stored(known["name"], True, " ".join([what, *done]), ())


def store_records(
    database: sqlite3.Connection,
    settings: Settings,
    reading: Reading,
    file: int,
    season: int | None,
) -> str:
    """All records of a reading; what they are, in a sentence."""
    for outline in reading.outlines:
        insert_outline(database, settings, outline, file)
    for point in reading.points:
        insert_point(database, point, file, season)
    for result in reading.results:
        insert_result(database, result, file, season)
    for test in reading.tissue:
        insert_tissue(database, test, file, season)
    for application in reading.applications:
        insert_application(database, application, file, season)
    for logged in reading.logged:
        insert_logged(database, logged, file, season)
    if reading.results and reading.columns:
        # A unit that a person said stands with the values, not in the heading.
        units = {result.column: result.unit_read for result in reading.results}
        columns = [
            [c.heading, c.key, c.unit or units.get(c.heading, ""), c.method]
            for c in reading.columns
        ]
        insert(
            database, "profiles", laboratory=reading.laboratory, columns=json.dumps(columns),
            file=file,
        )  # fmt: skip
    return f"Stored {contents(reading)}."


def contents(reading: Reading) -> str:
    """What a reading holds, counted, in words.

    Examples
    --------
    >>> from geo.intake.reading import Point
    >>> contents(Reading("gps.csv", "", ("points",), points=(Point("1", "1", 20.0, -34.0),)))
    '1 place'
    """
    samples = len({(result.sample_id, result.row) for result in reading.results})
    counts = (
        (len(reading.outlines), "outline", "outlines"),
        (samples, "soil sample", "soil samples"),
        (len(reading.points), "place", "places"),
        (len(reading.tissue), "tissue test", "tissue tests"),
        (len(reading.applications), "application", "applications"),
        (len(reading.logged), "logged point", "logged points"),
    )
    words = [f"{n} {one if n == 1 else many}" for n, one, many in counts if n]
    if not words:
        return "nothing"
    return ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + words[-1]
