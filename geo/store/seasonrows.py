"""What the store holds of the soil samples of one season, as it was stored."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from geo.findings import Finding
from geo.intake.reading import Result
from geo.intake.when import days_of_times
from geo.store.rows import read_findings, read_places, read_results, read_times


@dataclass(frozen=True)
class SeasonRows:
    """What the store holds of the soil samples of one season.

    `places` are longitude and latitude [deg] by sample id, `earlier` those of the last earlier
    season that has one; `days` are those on which a receiver recorded the places.
    """

    season: int
    results: tuple[Result, ...]
    places: Mapping[str, tuple[float, float]]
    earlier: Mapping[str, tuple[float, float]]
    laboratories: tuple[str, ...]
    findings: tuple[Finding, ...]
    answered: frozenset[tuple[str, str]]
    left_out: Mapping[str, str]
    days: Mapping[str, date]


def read_season_rows(database: sqlite3.Connection, season: int) -> SeasonRows:
    """Everything stored of the soil samples of a season."""
    return SeasonRows(
        season=season,
        results=read_results(database, season),
        places=read_places(database, "season = ?", season),
        earlier=read_places(database, "season < ?", season),
        laboratories=tuple(
            row[0]
            for row in database.execute(
                "SELECT DISTINCT laboratory FROM files WHERE season = ? AND state = 'stored'"
                " AND laboratory <> '' ORDER BY fid",
                (season,),
            )
        ),
        findings=read_findings(database, season),
        answered=frozenset(
            (row["sample_id"], row["key"])
            for row in database.execute("SELECT * FROM answers WHERE season = ?", (season,))
        ),
        left_out={
            row["sample_id"]: row["why"]
            for row in database.execute("SELECT * FROM left_out WHERE season = ?", (season,))
        },
        days=days_of_times(read_times(database, season), season),
    )
