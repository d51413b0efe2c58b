"""Keep a farm in order: withdraw files, rename, redraw, retire blocks, verify, back up, restore."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import shapely
from shapely import MultiPolygon

from geo.crs import BESIDE_M, to_metric
from geo.errors import FarmError, UsageError
from geo.farm import find_block
from geo.outlines.polygons import Area, geodesic_area_ha, pieces, whole
from geo.settings import read_settings
from geo.store.corrections import Change
from geo.store.database import (
    blob,
    changing,
    copy_store,
    geometry,
    insert,
    now,
    reading,
    store_faults,
)
from geo.store.originals import digest
from geo.store.rows import fold

#: Tables whose rows belong to a file.
FILED = ("blocks", "points", "results", "tissue", "applications", "logged", "findings", "profiles")

SETTINGS = "farm.toml"

#: The most that is unpacked; a zip may promise more than a disk holds.
MOST_BYTES = 20_000_000_000
MOST_FILES = 200_000


@dataclass(frozen=True)
class Fault:
    """Something `check` found: where, and what it means."""

    where: str
    message: str


@dataclass(frozen=True)
class EarlierOutline:
    """An outline a block had [deg], and who gave it another one when and why."""

    lonlat: Area
    who: str
    at: str
    why: str


def withdraw_file(folder: Path, name: str, change: Change) -> str:
    """Take back everything one file brought; its original stays.

    Parameters
    ----------
    folder : Path
        The farm folder.
    name : str
        The file's name as it was added, the start of its SHA-256 (eight digits or more), or a path
        to the same file.

    Returns
    -------
    str
        What was taken back, in a sentence.
    """
    with changing(folder, f"withdrawing {name}") as database:
        row = _find_file(database, name)
        counts = {}
        for table in FILED:
            cursor = database.execute(f'DELETE FROM "{table}" WHERE file = ?', (row["fid"],))
            counts[table] = cursor.rowcount
        what = _taken_back(row["name"], counts)
        database.execute(
            "UPDATE files SET state = 'withdrawn', what = ? WHERE fid = ? OR part_of = ?",
            (f"{what} ({now()}, {change.who}: {change.why})", row["fid"], row["fid"]),
        )
    return what


def _find_file(database: sqlite3.Connection, name: str) -> sqlite3.Row:
    rows = database.execute(
        "SELECT * FROM files WHERE state = 'stored' AND part_of IS NULL ORDER BY fid"
    ).fetchall()
    by_hash = digest(Path(name)) if Path(name).is_file() else name.lower()
    found = [
        row
        for row in rows
        if row["name"] == Path(name).name
        or (len(by_hash) >= 8 and row["sha256"].startswith(by_hash))
    ]
    exact: list[sqlite3.Row] = [row for row in found if row["sha256"] == by_hash]
    if len(exact or found) > 1:
        hashes = ", ".join(row["sha256"][:12] for row in found)
        raise UsageError(f"{len(found)} files are called {name}. Give one of: {hashes}.")
    if not found:
        listed = ", ".join(row["name"] for row in rows) or "none"
        raise FarmError(f"There is no file {name!r} in this farm. Stored: {listed}.")
    chosen: sqlite3.Row = (exact or found)[0]
    return chosen


def _taken_back(name: str, counts: Mapping[str, int]) -> str:
    words = {
        "blocks": "blocks",
        "results": "values",
        "points": "places",
        "tissue": "tissue tests",
        "applications": "applications",
        "logged": "logged points",
    }
    parts = [f"{counts[table]} {word}" for table, word in words.items() if counts[table]]
    listed = ", ".join(parts) or "nothing was left of it"
    return f"{name} is withdrawn: {listed}. The original stays."


def rename_block(folder: Path, block: str, new_name: str, change: Change) -> str:
    """Give a block another name; files and settings with the old name still find it.

    Raises
    ------
    UsageError
        If the name is empty or too long.
    FarmError
        If another block has it.
    """
    old = find_block(folder, block)
    new_name = new_name.strip()
    if not new_name or len(new_name) > 200:
        raise UsageError("A block's name has between 1 and 200 characters.")
    with changing(folder, f"renaming {block}") as database:
        rows = database.execute("SELECT * FROM blocks").fetchall()
        if any(fold(row["name"]) == fold(new_name) != fold(old.name) for row in rows):
            raise FarmError(f"There is already a block {new_name!r}.")
        row = next(row for row in rows if row["name"] == old.name and not row["retired"])
        database.execute("UPDATE blocks SET name = ? WHERE fid = ?", (new_name, row["fid"]))
        _note_block(database, row["fid"], "name", old.name, new_name, change)
    return f"{old.name} is now called {new_name}. Its folder stays {old.slug}."


def redraw_block(folder: Path, block: str, area: Area, change: Change) -> str:
    """Give a block another outline; the old one is kept, and the metric CRS stays.

    Parameters
    ----------
    folder : Path
        The farm folder.
    block : str
        The block's name.
    area : polygon
        The new outline in WGS84. [deg]

    Raises
    ------
    UsageError
        If nothing changed, no reason is given, or the outline lies at another place.
    """
    old = find_block(folder, block)
    if not change.why.strip():
        raise UsageError(f"Say why the outline of {old.name} is another one now.")
    if shapely.equals(area, old.lonlat):
        raise UsageError(f"The outline of {old.name} is the same as before. Nothing was changed.")
    if to_metric(area, old.crs).distance(old.outline) > BESIDE_M:
        raise UsageError(
            f"This outline lies more than {BESIDE_M / 1000:g} km from {old.name}. Draw it as a "
            f"block of its own and retire {old.name}."
        )
    area_ha = geodesic_area_ha(area)
    with changing(folder, f"redrawing {block}") as database:
        row = database.execute(
            "SELECT * FROM blocks WHERE name = ? AND retired = 0", (old.name,)
        ).fetchone()
        database.execute(
            "UPDATE blocks SET geom = ?, area_ha = ? WHERE fid = ?",
            (blob(MultiPolygon(pieces(area))), area_ha, row["fid"]),
        )
        before = geometry(row["geom"])
        _note_block(database, row["fid"], "geom", before.wkt if before else "", area.wkt, change)
    return (
        f"{old.name} has a new outline: {area_ha:.2f} ha, before {old.area_ha:.2f} ha. "
        "The old one is kept."
    )


def earlier_outlines(folder: Path, block: str) -> tuple[EarlierOutline, ...]:
    """Outlines a block had before, the latest first."""
    present = find_block(folder, block)
    with reading(folder) as database:
        rows = database.execute(
            "SELECT corrections.* FROM corrections JOIN blocks ON record_id = blocks.fid"
            " WHERE record = 'blocks' AND \"column\" = 'geom' AND slug = ?"
            " ORDER BY corrections.fid DESC",
            (present.slug,),
        ).fetchall()
    found = [(row, shapely.from_wkt(row["old"])) for row in rows if row["old"]]
    return tuple(
        EarlierOutline(whole(pieces(shape)), row["who"], row["at"], row["why"])
        for row, shape in found
    )


def retire_block(folder: Path, block: str, change: Change) -> str:
    """Take a block out of all later runs; its records stay."""
    old = find_block(folder, block)
    with changing(folder, f"retiring {block}") as database:
        row = database.execute(
            "SELECT * FROM blocks WHERE name = ? AND retired = 0", (old.name,)
        ).fetchone()
        database.execute("UPDATE blocks SET retired = 1 WHERE fid = ?", (row["fid"],))
        _note_block(database, row["fid"], "retired", "0", "1", change)
    return f"{old.name} is retired. Its records stay."


def use_block_again(folder: Path, block: str, change: Change) -> str:
    """Take a retired block into runs again, unless another block has its name by now.

    Raises
    ------
    FarmError
        If no such block is retired, or another block has its name.
    """
    with changing(folder, f"using {block} again") as database:
        row = database.execute(
            "SELECT * FROM blocks WHERE name = ? AND retired = 1 ORDER BY fid DESC", (block,)
        ).fetchone()
        if row is None:
            raise FarmError(f"No block {block!r} of this farm is retired.")
        for used in database.execute("SELECT name FROM blocks WHERE retired = 0"):
            if fold(used["name"]) == fold(block):
                raise FarmError(f"Another block is called {block!r} now. Rename that one first.")
        database.execute("UPDATE blocks SET retired = 0 WHERE fid = ?", (row["fid"],))
        _note_block(database, row["fid"], "retired", "1", "0", change)
    return f"{block} is in use again."


def _note_block(
    database: sqlite3.Connection, fid: int, column: str, old: str, new: str, change: Change
) -> None:
    insert(
        database, "corrections", record="blocks", record_id=fid, sample_id="", column=column,
        old=old, new=new, who=change.who, at=now(), why=change.why,
    )  # fmt: skip


def check_farm(folder: Path) -> tuple[Fault, ...]:
    """Verify settings, records and originals; an empty answer means that all is well."""
    read_settings(folder / "farm.toml")
    faults = [Fault("farm.gpkg", message) for message in store_faults(folder)]
    with reading(folder) as database:
        files = database.execute("SELECT * FROM files ORDER BY fid").fetchall()
        for table in FILED:
            orphans = database.execute(
                f'SELECT count(*) FROM "{table}" WHERE file IS NOT NULL'
                " AND file NOT IN (SELECT fid FROM files)"
            ).fetchone()[0]
            if orphans:
                faults.append(Fault("farm.gpkg", f"{orphans} rows of {table} name no file."))
    for row in files:
        original = folder / "originals" / row["original"]
        if not original.is_file():
            faults.append(Fault(f"originals/{row['original']}", f"{row['name']} is missing."))
        elif digest(original) != row["sha256"]:
            faults.append(
                Fault(f"originals/{row['original']}", f"{row['name']} is not as it was received.")
            )
    known = {row["original"] for row in files}
    for path in sorted((folder / "originals").glob("*")):
        if path.name not in known:
            faults.append(
                Fault(
                    f"originals/{path.name}",
                    "no record speaks of this file; it may be left from an interrupted change. "
                    "It does no harm.",
                )
            )
    return tuple(faults)


def backup_farm(folder: Path, target: Path) -> int:
    """Write a consistent copy of the farm as one zip, also while it is in use; count its files.

    What runs made is in it too; unfinished folders are not.

    Raises
    ------
    FarmError
        If the target exists.
    """
    if target.exists():
        raise FarmError(f"{target} exists already. Choose another name for the backup.")
    read_settings(folder / "farm.toml")
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".backup-") as temporary:
        # The records first: whatever they speak of lies in originals/ already.
        store = Path(temporary) / "farm.gpkg"
        copy_store(folder, store)
        partial = Path(temporary) / "farm.zip"
        count = 1
        with zipfile.ZipFile(partial, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.write(store, "farm.gpkg")
            for path in _files_of(folder, target):
                archive.write(path, path.relative_to(folder).as_posix())
                count += 1
        os.replace(partial, target)
    return count


def _files_of(folder: Path, target: Path) -> Sequence[Path]:
    return [
        path
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and not path.name.startswith("farm.gpkg")
        and path.resolve() != target.resolve()
    ]


def restore_farm(archive_path: Path, folder: Path) -> tuple[Fault, ...]:
    """Make a farm folder from a backup; it appears as a whole or not at all. What `check` says.

    Raises
    ------
    FarmError
        If the folder is not empty, or the backup is missing, damaged or cannot be trusted.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FarmError(f"{folder} exists and is not empty. Choose another folder.")
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".restore-") as temporary:
        farm = Path(temporary) / "farm"
        farm.mkdir()
        try:
            with zipfile.ZipFile(archive_path) as archive:
                _unpack(archive, archive_path, farm)
        except FileNotFoundError:
            raise FarmError(f"There is no file {archive_path}.") from None
        except zipfile.BadZipFile:
            raise FarmError(f"{archive_path.name} is not a whole zip file.") from None
        faults = check_farm(farm)
        grave = [fault for fault in faults if fault.where == "farm.gpkg"]
        if grave:
            raise FarmError(f"{archive_path.name} cannot be trusted: {grave[0].message}")
        if folder.exists():
            folder.rmdir()
        os.replace(farm, folder)
    return faults


def _unpack(archive: zipfile.ZipFile, path: Path, farm: Path) -> None:
    members = archive.infolist()
    size = sum(member.file_size for member in members)
    if len(members) > MOST_FILES or size > MOST_BYTES:
        raise FarmError(f"{path.name} holds {len(members)} files of {size / 1e9:.1f} GB: too much.")
    for member in members:
        parts = PurePosixPath(member.filename.replace("\\", "/"))
        inside = not parts.is_absolute() and ".." not in parts.parts and ":" not in member.filename
        link = (member.external_attr >> 16) & 0o170000 == 0o120000
        if not inside or link:
            raise FarmError(
                f"{path.name} holds {member.filename!r}, which would land outside the farm. "
                "Nothing of it was unpacked."
            )
        if not member.is_dir():
            target = farm / parts
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(archive.read(member))


def _computed_with(settings: bytes) -> bytes:
    """farm.toml without [ground], which only pages show."""
    kept: list[bytes] = []
    skipping = found = False
    for line in settings.splitlines(keepends=True):
        if line.lstrip().startswith(b"["):
            skipping = line.strip().startswith(b"[ground]")
            found = found or skipping
        if not skipping:
            kept.append(line)
    return b"".join(kept).rstrip() + b"\n" if found else settings


def fingerprint(folder: Path, season: int) -> str:
    """SHA-256 over everything a run of that season reads: records, settings, own tables."""
    total = hashlib.sha256()
    with reading(folder) as database:
        for table in (*FILED, "answers", "left_out"):
            columns = [row[1] for row in database.execute(f'PRAGMA table_info("{table}")')]
            # A later season does not change an earlier run, and clock times never do.
            until = " WHERE season <= ?" if "season" in columns else ""
            rows = database.execute(
                f'SELECT * FROM "{table}"{until} ORDER BY fid', (season,) if until else ()
            )
            for row in rows:
                kept = [row[name] for name in columns if name not in ("fid", "at", "who")]
                total.update(repr((table, kept)).encode())
    for path in sorted(folder.glob("*.toml")) + sorted(folder.glob("*.csv")):
        data = path.read_bytes()
        total.update(path.name.encode() + (_computed_with(data) if path.name == SETTINGS else data))
    return total.hexdigest()
