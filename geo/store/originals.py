"""Files received, kept byte for byte under their hash, each with its line in the store."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from geo.store.database import insert, now

#: Files that make up one shapefile.
SHAPEFILE_PARTS = (".shx", ".dbf", ".prj", ".cpg", ".qpj", ".sbn", ".sbx")


def digest(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def keep_file(
    database: sqlite3.Connection,
    folder: Path,
    path: Path,
    kinds: Sequence[str],
    season: int | None,
    laboratory: str = "",
) -> tuple[int, list[Path]]:
    """Keep a file's bytes, then its line in the store; the files beside a shapefile too."""
    new: list[Path] = []
    original = _keep_original(folder, path, new)
    file = insert(
        database, "files", sha256=digest(path), name=path.name, original=original,
        kinds=" ".join(kinds), season=season, laboratory=laboratory, stored_at=now(),
        state="stored", what="",
    )  # fmt: skip
    if path.suffix.lower() == ".shp":
        for beside in sorted(path.parent.glob(path.stem + ".*")):
            if beside.suffix.lower() in SHAPEFILE_PARTS:
                insert(
                    database, "files", sha256=digest(beside), name=beside.name,
                    original=_keep_original(folder, beside, new), kinds="part", season=season,
                    laboratory="", stored_at=now(), state="stored",
                    what=f"belongs to {path.name}", part_of=file,
                )  # fmt: skip
    return file, new


def _keep_original(folder: Path, path: Path, new: list[Path]) -> str:
    """Write the bytes under their hash, on disk before any record speaks of them."""
    data = path.read_bytes()
    suffix = path.suffix.lower()
    plain = suffix if suffix[1:].isascii() and suffix[1:].isalnum() else ""
    name = hashlib.sha256(data).hexdigest() + plain
    target = folder / "originals" / name
    if not target.exists():
        target.parent.mkdir(exist_ok=True)
        partial = target.with_name("." + name)
        try:
            with partial.open("wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(partial, target)
        except BaseException:
            partial.unlink(missing_ok=True)
            raise
        new.append(target)
    return name
