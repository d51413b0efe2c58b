"""The GeoPackage of a farm, through Python's sqlite3 alone: geometries, views, transactions.

GDAL must never open this file in the same process: each library has its own SQLite, POSIX locks do
not bind within a process, and a write through both destroys the file. So records are read and
written here with sqlite3, and geometries with shapely's WKB.
"""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geo.errors import FarmError
from geo.store.schema import APPLICATION_ID, LAYERS, SCHEMA, WGS84

#: How long a change waits for another process that holds the farm. [s]
WAIT_S = 15.0


def blob(geometry: BaseGeometry | None) -> bytes | None:
    """GeoPackage binary of a WGS84 geometry: header without envelope, then little-endian WKB."""
    if geometry is None:
        return None
    flags = 0b00010001 if geometry.is_empty else 0b00000001
    header = struct.pack("<2sBBi", b"GP", 0, flags, WGS84)
    return header + shapely.to_wkb(geometry, byte_order=1, output_dimension=2)


def geometry(data: bytes | None) -> BaseGeometry | None:
    """Geometry of a GeoPackage binary, whichever envelope a GIS may have given it."""
    return None if data is None else shapely.from_wkb(_well_known(data))


def point_places(blobs: Iterable[bytes | None]) -> NDArray[np.float64]:
    """Longitude and latitude of many points at once, (0, 0) where there is none. [deg]"""
    points = shapely.from_wkb([None if one is None else _well_known(one) for one in blobs])
    lonlat = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
    return np.nan_to_num(lonlat)


def _well_known(data: bytes) -> bytes:
    """The WKB within a GeoPackage binary."""
    if data[:2] != b"GP":
        raise FarmError("farm.gpkg holds a geometry that is not in GeoPackage form.")
    envelope_bytes = (0, 32, 48, 48, 64)[(data[3] >> 1) & 0b111]
    return data[8 + envelope_bytes :]


@contextmanager
def reading(folder: Path, wait_s: float = WAIT_S) -> Iterator[sqlite3.Connection]:
    """The store for reading: one unchanging view, whatever others store meanwhile.

    Raises
    ------
    FarmError
        If there is no farm.gpkg, it is damaged, or it cannot be read.
    """
    database = _connect(folder, wait_s)
    with closing(database):
        try:
            database.execute("BEGIN")
            yield database
            database.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            raise _trouble(folder, error) from error


@contextmanager
def changing(folder: Path, doing: str, wait_s: float = WAIT_S) -> Iterator[sqlite3.Connection]:
    """The store for one change, which happens as a whole or not at all.

    Parameters
    ----------
    folder : Path
        The farm folder.
    doing : str
        What is being done, for whoever has to wait meanwhile.
    wait_s : float
        How long to wait for another process that holds the farm. [s]

    Raises
    ------
    FarmError
        If another process holds the farm for longer than that; the message names it.
    """
    database = _connect(folder, wait_s)
    with closing(database):
        try:
            database.execute("BEGIN IMMEDIATE")
        except sqlite3.DatabaseError as error:
            raise _trouble(folder, error) from error
        try:
            _say_who_holds(folder, doing)
            yield database
            _refresh_contents(database)
            database.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            _roll_back(database)
            raise _trouble(folder, error) from error
        except BaseException:
            _roll_back(database)
            raise
        finally:
            _holder_path(folder).unlink(missing_ok=True)


def _connect(folder: Path, wait_s: float) -> sqlite3.Connection:
    path = folder / "farm.gpkg"
    if not path.is_file():
        raise FarmError(
            f"{folder} has no farm.gpkg, so it is not a farm folder. "
            "Make one with 'soilquilt new FOLDER --outlines FILE'."
        )
    database = sqlite3.connect(path, timeout=wait_s, isolation_level=None)
    try:
        database.row_factory = sqlite3.Row
        database.execute("PRAGMA trusted_schema = OFF")
        database.execute("PRAGMA synchronous = FULL")
        # Pages stay in memory until the commit, so that others can read during a long change.
        database.execute("PRAGMA cache_spill = OFF")
        _check_version(folder, database)
    except sqlite3.DatabaseError as error:
        database.close()
        raise _trouble(folder, error) from error
    except FarmError:
        database.close()
        raise
    return database


def _check_version(folder: Path, database: sqlite3.Connection) -> None:
    if database.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise FarmError(f"{folder / 'farm.gpkg'} is not a GeoPackage made by soilquilt.")
    schema = database.execute("SELECT schema FROM soilquilt").fetchone()[0]
    if schema != SCHEMA:
        raise FarmError(
            f"{folder / 'farm.gpkg'} has tables of version {schema}; this program knows version "
            f"{SCHEMA}. Open it with the program that made it, or a newer one."
        )


def _roll_back(database: sqlite3.Connection) -> None:
    if database.in_transaction:
        database.execute("ROLLBACK")


def _refresh_contents(database: sqlite3.Connection) -> None:
    """Bring the extents that a GIS zooms to up to date."""
    for name in (name for name, layer in LAYERS.items() if layer.geometry):
        found = [geometry(row[0]) for row in database.execute(f'SELECT geom FROM "{name}"')]
        places = [place for place in found if place is not None]
        extent = shapely.total_bounds(places).tolist() if places else [None] * 4
        database.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ?,"
            " last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') WHERE table_name = ?",
            (*extent, name),
        )


def _holder_path(folder: Path) -> Path:
    return folder / ".farm-in-use"


def _say_who_holds(folder: Path, doing: str) -> None:
    # The file only names the holder; the lock itself is SQLite's, and falls with the process.
    holder = {
        "process": os.getpid(),
        "machine": socket.gethostname(),
        "since": datetime.now().strftime("%H:%M"),
        "doing": doing,
    }
    _holder_path(folder).write_text(json.dumps(holder), encoding="utf-8")


def _holder(folder: Path) -> str:
    try:
        holder = json.loads(_holder_path(folder).read_text(encoding="utf-8"))
        return (
            f"Process {holder['process']} on {holder['machine']} has this farm open since "
            f"{holder['since']} ({holder['doing']})."
        )
    except (OSError, ValueError, KeyError):
        return "Another program has farm.gpkg open for writing."


def _trouble(folder: Path, error: sqlite3.DatabaseError) -> FarmError:
    """What an error of SQLite means to the person, and what to do."""
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return FarmError(f"{_holder(folder)} Nothing was changed; try again when it is done.")
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN")):
        return FarmError(f"{folder / 'farm.gpkg'} cannot be written. Check the folder's rights.")
    if name.startswith("SQLITE_FULL"):
        return FarmError(f"The disk of {folder} is full. The farm is as it was before.")
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or "no such table" in str(error):
        return FarmError(
            f"{folder / 'farm.gpkg'} is damaged ({error}). Restore a backup: "
            "'soilquilt restore FILE FOLDER'."
        )
    raise error


def insert(database: sqlite3.Connection, table: str, **values: Any) -> int:
    """Add one row and return its id; table and columns are named by the code, never by a file."""
    names = ", ".join(f'"{name}"' for name in values)
    marks = ", ".join("?" for _ in values)
    cursor = database.execute(
        f'INSERT INTO "{table}" ({names}) VALUES ({marks})', tuple(values.values())
    )
    return int(cursor.lastrowid or 0)


def now() -> str:
    """Local time for the farm's own records; never for what a run writes."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def copy_store(folder: Path, target: Path) -> None:
    """A consistent copy of farm.gpkg, also while others change it."""
    with closing(_connect(folder, WAIT_S)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)


def store_faults(folder: Path) -> tuple[str, ...]:
    """What SQLite finds wrong with the file, and anything in it that is not data."""
    with reading(folder) as database:
        answer = [row[0] for row in database.execute("PRAGMA quick_check")]
        alien = [
            row[0]
            for row in database.execute(
                "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view')"
                # A GIS adds these to count rows or to index places; they are part of the standard.
                " AND name NOT LIKE 'trigger\\_%\\_feature\\_count\\_%' ESCAPE '\\'"
                " AND name NOT LIKE 'rtree\\_%' ESCAPE '\\'"
            )
        ]
    faults = [f"farm.gpkg: {line}" for line in answer if line != "ok"]
    return tuple(faults + [f"farm.gpkg holds a trigger or view {name!r}." for name in alien])
