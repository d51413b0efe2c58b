"""Files a person has given but not stored: what was read, what is asked, what was answered.

The findings are those that storing would bring: everything is tried on a copy of the farm's
records in a temporary folder, by the functions that will store it. Nothing of it touches the farm
before `store`.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from geo.blocks import Outline
from geo.errors import FarmError, IntakeError, SoilquiltError, UnreadableError
from geo.farm import (
    create_farm,
    known_points,
    read_blocks,
    store_reading,
)
from geo.findings import Finding
from geo.intake.corners import outlines_of_file
from geo.intake.files import read_file
from geo.intake.reading import Reading
from geo.intake.together import said_with
from geo.received import left_in_zip, read_zip, receive
from geo.store.corrections import Change
from geo.store.database import copy_store
from geo.store.database import reading as reading_store
from geo.store.planned import planned_places
from geo.store.receiving import ABOUT_THE_FILE, contents
from geo.store.stations import ids_without_place, layouts
from geo.store.whole import change_counter, take_over
from geo.upkeep import withdraw_file
from maps.commands.intake import season_findings
from maps.serving.answers import answer, finding_id

#: Files that belong to a shapefile and are read with it.
BESIDE = (".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx")
#: Kinds of files that a zip may bring.
IN_ZIP = (
    ".csv", ".txt", ".tsv", ".xlsx", ".geojson", ".json", ".kml", ".gpx", ".gpkg",
    ".shp", *BESIDE,
)  # fmt: skip
#: What must be known before what.
KINDS = ("outlines", "points", "results", "tissue", "applications", "log")
ORDER = ("refused", "open", "warning", "note")


@dataclass(frozen=True)
class Preview:
    """What storing a draft would do."""

    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    stored: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]
    outlines: tuple[Outline, ...] = ()


@dataclass
class Draft:
    """Files in a temporary folder, and what was said about them."""

    farm: Path
    season: int | None = None
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="soilquilt-")))
    files: list[Path] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    accept: set[str] = field(default_factory=set)
    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    crs: str | None = None
    #: Names of files that are not read as an earlier file of the same layout.
    anew: set[str] = field(default_factory=set)
    #: Hashes of stored files that are withdrawn as these are stored: the same files, read again.
    replaces: list[str] = field(default_factory=list)
    preview: Preview | None = None

    def close(self) -> None:
        """Put the files away."""
        shutil.rmtree(self.folder, ignore_errors=True)


def add_upload(draft: Draft, name: str, data: bytes) -> None:
    """Take one file; a zip of several is taken apart after all its checks."""
    name = safe_name(name)
    place = draft.folder / name
    number = 2
    while place.exists():
        place = draft.folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
        number += 1
    place.write_bytes(data)
    try:
        received = receive(place)
        if received.kind == "zip" and name.lower().endswith(".zip"):
            members = read_zip(data, name, IN_ZIP)
            maps = [m for m in members if m.lower().endswith(".shp")]
            if len(members) > 1 and not (len(maps) == 1 and _one_shape(members)):
                place.unlink()
                for member, content in sorted(members.items()):
                    add_upload(draft, member, content)
                draft.refused += [(left, _not_from_zip(left, name)) for left in
                                  left_in_zip(data, IN_ZIP)]  # fmt: skip
                return
    except IntakeError as error:
        draft.refused.append((name, str(error)))
        return
    if place.suffix.lower() not in BESIDE:
        draft.files.append(place)


def _not_from_zip(member: str, name: str) -> str:
    """Why a file of a zip is left there."""
    if member.lower().endswith(".pdf"):
        return (
            f"It is a PDF, left in {name}. Numbers cannot be read from it safely: ask the "
            "laboratory for CSV or XLSX, or type them here."
        )
    return f"It is left in {name}: files of this kind hold no table and no map that is read here."


def read_again(draft: Draft, sha: str) -> None:
    """Take a stored file into the draft, to be read with other words in place of what it brought.

    Raises
    ------
    FarmError
        If it is not on file, or is one of several that belong together.
    """
    with reading_store(draft.farm) as database:
        row = database.execute(
            "SELECT * FROM files WHERE sha256 = ? AND state = 'stored' AND part_of IS NULL", (sha,)
        ).fetchone()
        beside = (
            row
            and database.execute(
                "SELECT fid FROM files WHERE part_of = ?", (row["fid"],)
            ).fetchone()
        )
    if row is None or beside or "outlines" in row["kinds"].split():
        raise FarmError("This file cannot be read again here: withdraw it, then give it anew.")
    if sha not in draft.replaces:
        draft.replaces.append(sha)
        draft.season = row["season"] if draft.season is None else draft.season
        data = (draft.farm / "originals" / row["original"]).read_bytes()
        add_upload(draft, row["name"], data)


def _one_shape(members: Mapping[str, bytes]) -> bool:
    return all(PurePosixPath(m).suffix.lower() in (".shp", *BESIDE) for m in members)


def safe_name(name: str) -> str:
    """The last part of a name, without what a file system or a terminal trips over.

    Examples
    --------
    >>> safe_name("../../etc/passwd"), safe_name("lab results (1).csv"), safe_name("..")
    ('passwd', 'lab results (1).csv', 'file')
    """
    last = re.split(r"[/\\]", name)[-1]
    last = re.sub(r"[\x00-\x1f\x7f:*?\"<>|]", "_", last).strip(". ")
    stem, dot, suffix = last.rpartition(".")
    return (f"{stem[:100]}{dot}{suffix[:12]}" if dot else last[:100]) or "file"


def look(draft: Draft) -> Preview:
    """Try everything on a copy of the farm, and keep what came of it in the draft."""
    with tempfile.TemporaryDirectory(prefix="soilquilt-try-") as temporary:
        copy = Path(temporary) / "farm"
        _copy_farm(draft.farm, copy)
        draft.preview = _store_all(draft, copy)
    return draft.preview


def waits_for_year(draft: Draft, readings: Sequence[Reading]) -> bool:
    """Whether results are among what was read and nobody said of which year."""
    return draft.season is None and any(set(r.kinds) - {"outlines"} for r in readings)


def store(draft: Draft) -> Preview:
    """Store every file that can be, and carry out the answers; all of it, or nothing.

    It is done on a copy, whose records then go into the farm in one transaction.

    Raises
    ------
    FarmError
        If somebody else changed the farm meanwhile, or results are of no year; nothing is
        stored then.
    """
    if draft.preview is None:
        look(draft)
    assert draft.preview is not None
    if waits_for_year(draft, draft.preview.readings):
        raise FarmError("Say which year the soil was sampled in. Nothing was stored.")
    with _beside(draft.farm) as copy:
        counter = change_counter(draft.farm)
        _copy_farm(draft.farm, copy)
        done = _store_and_answer(draft, draft.preview, copy)
        if not (draft.farm / "farm.toml").is_file():
            if (copy / "farm.toml").is_file():
                if draft.farm.exists():
                    draft.farm.rmdir()
                os.replace(copy, draft.farm)
            return done
        for original in (copy / "originals").iterdir():
            # In place before any record speaks of them; without one they are only bytes.
            target = draft.farm / "originals" / original.name
            target.parent.mkdir(exist_ok=True)
            if not target.exists():
                os.replace(original, target)
        take_over(draft.farm, copy, counter)
    return done


@contextmanager
def _beside(farm: Path) -> Iterator[Path]:
    """Room for a copy on the farm's own disk, so that it can take the farm's place in one step."""
    farm.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=farm.parent, prefix=".storing-") as temporary:
        yield Path(temporary) / farm.name


def _store_and_answer(draft: Draft, preview: Preview, farm: Path) -> Preview:
    answered = [f for f in preview.findings if draft.answers.get(finding_id(f))]
    agreed = _agreed_rules(draft, preview.findings)
    draft.accept |= agreed
    stored = _store_all(draft, farm)
    done = [*stored.stored]
    if draft.season is not None:
        texts = _texts(stored.readings)
        brought = {finding_id(f) for reading in stored.readings for f in reading.findings}
        for finding in answered:
            if finding.rule in agreed and finding_id(finding) in brought:
                continue
            done += answer(farm, draft.season, finding, draft.answers[finding_id(finding)], texts)
    return Preview(stored.readings, stored.findings, tuple(done), stored.refused, stored.outlines)


def _agreed_rules(draft: Draft, findings: Sequence[Finding]) -> set[str]:
    """Rules all of whose questions were agreed to: storing a file carries them out at once."""
    said: dict[str, set[str]] = {}
    for finding in findings:
        if finding.severity == "open":
            said.setdefault(finding.rule, set()).add(draft.answers.get(finding_id(finding), ""))
    return {rule for rule, answers in said.items() if answers == {"agree"}}


def _texts(readings: Sequence[Reading]) -> dict[tuple[str, str], str]:
    """Cells as written, with their unit, by sample and key."""
    return {
        (r.sample_id, r.key): f"{r.text} {r.unit_read}".strip()
        for reading in readings
        for r in reading.results
    }


def _copy_farm(farm: Path, copy: Path) -> None:
    """Records and settings, without originals and what runs made; an empty folder if no farm."""
    if not (farm / "farm.toml").is_file():
        return
    (copy / "originals").mkdir(parents=True)
    copy_store(farm, copy / "farm.gpkg")
    for path in [*farm.glob("*.toml"), *farm.glob("*.csv")]:
        shutil.copy(path, copy / path.name)


def _store_all(draft: Draft, farm: Path) -> Preview:
    readings: list[Reading] = []
    stored: list[str] = []
    refused = list(draft.refused)
    findings: list[Finding] = []
    outlines: list[Outline] = []
    for sha in draft.replaces:
        withdraw_file(farm, sha, Change(draft.season or 0, "", "read again in the browser"))
    waiting = _in_order(draft, refused)
    if waiting and not (farm / "farm.toml").is_file():
        waiting = _make_farm(draft, farm, waiting, outlines, findings, stored, refused)
    for path in waiting:
        try:
            reading = _read(draft, path, farm)
            readings.append(reading)
            findings += reading.findings
            if not waits_for_year(draft, [reading]):
                stored.append(f"{path.name}: {_store_one(draft, reading, farm)}")
        except SoilquiltError as error:
            refused.append((path.name, str(error)))
    if draft.season is not None and (farm / "farm.toml").is_file():
        findings += _not_yet_asked(season_findings(farm, draft.season), findings)
    unique = {finding_id(f): f for f in findings}
    ordered = sorted(unique.values(), key=lambda f: ORDER.index(f.severity))
    outlines += [o for reading in readings for o in reading.outlines]
    return Preview(tuple(readings), tuple(ordered), tuple(stored), tuple(refused), tuple(outlines))


def _not_yet_asked(later: Sequence[Finding], asked: Sequence[Finding]) -> list[Finding]:
    """Without the places that one question about their file, or about many, is about."""
    waiting = {
        sample
        for finding in asked
        if finding.severity == "open" and finding.rule in ABOUT_THE_FILE
        for sample in finding.sample_ids
    }
    named = [(finding.rule, frozenset(finding.sample_ids)) for finding in asked]
    return [
        f
        for f in later
        if not said_with(f, named)
        and (f.rule != "outside_block" or not waiting.issuperset(f.sample_ids))
    ]


def _in_order(draft: Draft, refused: list[tuple[str, str]]) -> list[Path]:
    """Files in the order in which they help each other; those that cannot be read left out."""
    found = []
    before = layouts(draft.farm) if (draft.farm / "farm.toml").is_file() else ()
    for path in tuple(draft.files):
        try:
            kinds = read_file(
                path, season=draft.season, crs=draft.crs, columns=_columns_of(draft, path),
                accept=sorted(draft.accept), profiles=() if path.name in draft.anew else before,
            ).kinds  # fmt: skip
        except UnreadableError as error:
            # Not tried again at every answer: it may take a minute each time.
            draft.files.remove(path)
            draft.refused.append((path.name, str(error)))
            refused.append((path.name, str(error)))
            continue
        except SoilquiltError as error:
            refused.append((path.name, str(error)))
            continue
        found.append((KINDS.index(kinds[0]) if kinds and kinds[0] in KINDS else 9, path))
    return [path for _, path in sorted(found, key=lambda one: one[0])]


def _columns_of(draft: Draft, path: Path) -> dict[str, str]:
    """What was said of this file's columns."""
    prefix = f"{path.name}\0"
    return {k[len(prefix) :]: v for k, v in draft.columns.items() if k.startswith(prefix)}


def _make_farm(
    draft: Draft,
    farm: Path,
    waiting: list[Path],
    outlines: list[Outline],
    findings: list[Finding],
    stored: list[str],
    refused: list[tuple[str, str]],
) -> list[Path]:
    """A farm from the outlines among the files; the files that are left."""
    used: list[Path] = []
    for path in waiting:
        try:
            if "outlines" not in read_file(path, crs=draft.crs, accept=sorted(draft.accept)).kinds:
                continue
            more, found = outlines_of_file(
                path, crs=draft.crs, beside=[o.lonlat for o in outlines],
                accept=sorted(draft.accept),
            )  # fmt: skip
        except SoilquiltError as error:
            refused.append((path.name, str(error)))
            continue
        outlines.extend(more)
        findings += found
        used.append(path)
    asked = [f for f in findings if f.severity in ("refused", "open")]
    if not outlines or asked:
        words = asked[0].message if asked else "An outline must come first, from any file."
        refused += [(path.name, f"{words} Nothing is stored yet.") for path in waiting[:1]]
        return []
    blocks = create_farm(farm, outlines, files=used)
    stored += [f"{b.name}: a block of {b.area_ha:.2f} ha" for b in blocks]
    return [path for path in waiting if path not in used]


def _read(draft: Draft, path: Path, farm: Path) -> Reading:
    return read_file(
        path,
        season=draft.season,
        blocks=read_blocks(farm),
        known_points=known_points(farm, draft.season),
        known_ids=ids_without_place(farm, draft.season),
        planned=planned_places(farm, draft.season),
        crs=draft.crs,
        columns=_columns_of(draft, path),
        units=draft.units,
        accept=sorted(draft.accept),
        profiles=() if path.name in draft.anew else layouts(farm),
    )


def _store_one(draft: Draft, reading: Reading, farm: Path) -> str:
    if any(f.severity == "refused" for f in reading.findings):
        return "waits for your answer"
    stored = store_reading(farm, reading, draft.season, sorted(draft.accept))
    return stored.what if stored.already else contents(reading)
