"""What the farm knows before a file comes: samples on file, and how the last laboratory writes."""

from __future__ import annotations

import json
from pathlib import Path

from geo.intake.known import Profile
from geo.intake.reading import Column
from geo.lookup import properties
from geo.store.database import reading as reading_store


def ids_without_place(folder: Path, season: int | None) -> tuple[str, ...]:
    """Samples on file for the season that have results and no place yet."""
    with reading_store(folder) as database:
        rows = database.execute(
            "SELECT DISTINCT sample_id FROM results WHERE season = ? AND sample_id NOT IN"
            " (SELECT sample_id FROM points WHERE season = ?) ORDER BY fid",
            (season, season),
        ).fetchall()
    return tuple(row["sample_id"] for row in rows)


def laboratory_columns(folder: Path) -> list[tuple[str, str]]:
    """Headings and units of the properties in the last laboratory's file, in its order."""
    with reading_store(folder) as database:
        row = database.execute("SELECT columns FROM profiles ORDER BY fid DESC").fetchone()
    columns = json.loads(row["columns"]) if row else []
    return [(heading, unit) for heading, key, unit, _ in columns if key in properties()]


def layouts(folder: Path) -> tuple[Profile, ...]:
    """Every layout of results on file, the latest first; those of withdrawn files too."""
    with reading_store(folder) as database:
        rows = database.execute(
            "SELECT profiles.laboratory, profiles.columns, files.name, files.season"
            " FROM profiles JOIN files ON profiles.file = files.fid ORDER BY profiles.fid DESC"
        ).fetchall()
    return tuple(
        Profile(
            row["laboratory"],
            row["name"],
            row["season"],
            tuple(Column(*map(str, one)) for one in json.loads(row["columns"])),
        )
        for row in rows
    )


def laboratories(folder: Path) -> list[dict[str, str | int]]:
    """Each layout of a laboratory's file on file, the latest first: name, file, day, columns."""
    with reading_store(folder) as database:
        rows = database.execute(
            "SELECT profiles.laboratory, profiles.columns, files.name, files.stored_at"
            " FROM profiles JOIN files ON profiles.file = files.fid ORDER BY profiles.fid DESC"
        ).fetchall()
    found: dict[str, dict[str, str | int]] = {}
    for row in rows:
        keys = [key for _, key, _, _ in json.loads(row["columns"]) if key in properties()]
        found.setdefault(
            row["columns"],
            {
                "laboratory": row["laboratory"],
                "file": row["name"],
                "day": row["stored_at"][:10],
                "properties": len(keys),
            },
        )
    return list(found.values())


def sampled_ids(folder: Path) -> frozenset[str]:
    """Every sample that ever had a result."""
    with reading_store(folder) as database:
        rows = database.execute("SELECT DISTINCT sample_id FROM results").fetchall()
    return frozenset(row["sample_id"] for row in rows)
