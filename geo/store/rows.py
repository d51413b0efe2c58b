"""Records <-> rows of the store, one pair of functions a record."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import shapely

from geo.blocks import Block
from geo.crs import lonlat_to_xy
from geo.findings import Finding
from geo.intake.reading import Application, LoggedRate, Point, Reading, Result, TissueTest
from geo.store.database import blob, geometry, insert, point_places

#: A machine's log may start on the headland: points this near belong to the block. [m]
LOG_REACH_M = 30.0

#: Tissue tests as old as this at the sampling still speak of the same vines and soil. [d]
TISSUE_REACH_D = 366


def fold(name: str) -> str:
    """A name without the accidents of typing.

    Examples
    --------
    >>> fold("  Upper  Block ") == fold("upper block")
    True
    """
    return " ".join(name.split()).casefold()


def metric_places(lonlat: Sequence[tuple[float, float]], crs: str) -> list[tuple[float, float]]:
    """Places in a metric CRS; one without coordinates stays without. [m]"""
    known = [place for place in lonlat if not any(map(math.isnan, place))]
    lon, lat = (np.array([place[axis] for place in known], dtype=float) for axis in (0, 1))
    metres = iter(lonlat_to_xy(lon, lat, crs).tolist()) if known else iter(())
    return [
        (math.nan, math.nan) if any(map(math.isnan, place)) else tuple(next(metres))
        for place in lonlat
    ]


def insert_point(database: sqlite3.Connection, point: Point, file: int, season: int | None) -> None:
    """Store a place."""
    insert(
        database, "points", geom=blob(shapely.Point(point.lon, point.lat)), file=file,
        season=season, sample_id=point.sample_id, typed_id=point.typed_id, hdop=point.hdop,
        time=point.time, note=point.note, row=point.row,
    )  # fmt: skip


def insert_result(
    database: sqlite3.Connection, result: Result, file: int, season: int | None
) -> None:
    """Store one cell of a laboratory's file."""
    top, bottom = result.depth_cm or (None, None)
    insert(
        database, "results", file=file, season=season, sample_id=result.sample_id,
        typed_id=result.typed_id, key=result.key, text=result.text, value=result.value,
        qualifier=result.qualifier, method=result.method, unit_read=result.unit_read,
        row=result.row, column=result.column, depth_top_cm=top, depth_bottom_cm=bottom,
        sampled_on=_iso(result.sampled_on), repeat=result.repeat, note=result.note,
    )  # fmt: skip


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def insert_tissue(
    database: sqlite3.Connection, test: TissueTest, file: int, season: int | None
) -> None:
    """Store a tissue test."""
    insert(
        database, "tissue", file=file, season=season, sample_id=test.sample_id, block=test.block,
        part=test.part, stage=test.stage, organ=test.organ, sampled_on=_iso(test.sampled_on),
        values=json.dumps({key: list(value) for key, value in test.values.items()}), row=test.row,
    )  # fmt: skip


def insert_application(
    database: sqlite3.Connection, application: Application, file: int, season: int | None
) -> None:
    """Store what was spread."""
    place = shapely.from_wkt(application.where_lonlat) if application.where_lonlat else None
    insert(
        database, "applications", geom=blob(place), file=file, season=season,
        applied_on=_iso(application.applied_on), block=application.block, zone=application.zone,
        product=application.product, amendment=application.amendment,
        analysis=application.analysis, rate_kg_ha=application.rate_kg_ha,
        area_ha=application.area_ha, placement=application.placement, note=application.note,
        row=application.row,
    )  # fmt: skip


def insert_logged(
    database: sqlite3.Connection, logged: LoggedRate, file: int, season: int | None
) -> None:
    """Store one point of a machine's log."""
    insert(
        database, "logged", geom=blob(shapely.Point(logged.lon, logged.lat)), file=file,
        season=season, time=logged.time, target_kg_ha=logged.target_kg_ha,
        actual_kg_ha=logged.actual_kg_ha, row=logged.row,
    )  # fmt: skip


def insert_findings(
    database: sqlite3.Connection, reading: Reading, file: int, accept: frozenset[str]
) -> Mapping[int | None, Finding]:
    """Store every finding; those agreed to, by their row."""
    agreed: dict[int | None, Finding] = {}
    for finding in reading.findings:
        fid = insert(
            database, "findings", file=file, rule=finding.rule, severity=finding.severity,
            message=finding.message, proposal=finding.proposal,
            what_was_done=finding.what_was_done, row=finding.row, column=finding.column,
            sample_ids=json.dumps(finding.sample_ids), keys=json.dumps(finding.keys),
            repair=json.dumps(dict(finding.repair)),
        )  # fmt: skip
        # What was carried out while reading is a note by now.
        if finding.rule in accept and finding.repair and finding.severity == "open":
            agreed[fid] = finding
    return agreed


def read_findings(database: sqlite3.Connection, season: int) -> tuple[Finding, ...]:
    """Findings of the season's files; one that was answered is a note with what was done."""
    rows = database.execute(
        "SELECT findings.*, files.name FROM findings JOIN files ON findings.file = files.fid"
        " WHERE files.season = ? AND files.state = 'stored' ORDER BY findings.fid",
        (season,),
    )
    findings = []
    for row in rows:
        finding = finding_of(row, row["name"])
        if row["answer"]:
            finding = replace(finding, severity="note", what_was_done=row["answer"], proposal="")
        findings.append(finding)
    return tuple(findings)


def finding_of(row: sqlite3.Row, file: str) -> Finding:
    """A finding as stored."""
    return Finding(
        rule=row["rule"],
        severity=row["severity"],
        message=row["message"],
        proposal=row["proposal"],
        what_was_done=row["what_was_done"],
        file=file,
        row=row["row"],
        column=row["column"],
        sample_ids=tuple(json.loads(row["sample_ids"])),
        keys=tuple(json.loads(row["keys"])),
        repair=json.loads(row["repair"]),
    )


def read_results(database: sqlite3.Connection, season: int) -> tuple[Result, ...]:
    """Every cell of the season's laboratory files, in the order it came in."""
    rows = database.execute(
        "SELECT results.*, files.name AS file_name FROM results"
        " LEFT JOIN files ON results.file = files.fid WHERE results.season = ?"
        " ORDER BY results.fid",
        (season,),
    )
    return tuple(
        Result(
            sample_id=row["sample_id"],
            typed_id=row["typed_id"],
            key=row["key"],
            text=row["text"],
            value=row["value"],
            qualifier=row["qualifier"],
            method=row["method"],
            unit_read=row["unit_read"],
            row=row["row"],
            column=row["column"],
            depth_cm=_depth(row),
            sampled_on=date.fromisoformat(row["sampled_on"]) if row["sampled_on"] else None,
            repeat=row["repeat"],
            note=row["note"] or "",
            file=row["file_name"] or "",
        )
        for row in rows
    )


def _depth(row: sqlite3.Row) -> tuple[float, float] | None:
    if row["depth_top_cm"] is None or row["depth_bottom_cm"] is None:
        return None
    return float(row["depth_top_cm"]), float(row["depth_bottom_cm"])


def read_places(
    database: sqlite3.Connection, which: str, season: int
) -> Mapping[str, tuple[float, float]]:
    """Longitude and latitude by sample id, the latest season first. [deg]"""
    places: dict[str, tuple[float, float]] = {}
    rows = database.execute(
        f"SELECT sample_id, geom FROM points WHERE {which} ORDER BY season DESC, fid", (season,)
    )
    for row in rows:
        place = geometry(row["geom"])
        if isinstance(place, shapely.Point):
            places.setdefault(row["sample_id"], (place.x, place.y))
    return places


def read_times(database: sqlite3.Connection, season: int) -> Mapping[str, str]:
    """When each place of a season was recorded, as its file writes it, by sample id."""
    rows = database.execute(
        "SELECT sample_id, time FROM points WHERE season = ? AND time <> '' ORDER BY fid", (season,)
    )
    return {row["sample_id"]: row["time"] for row in rows}


def read_tissue(
    database: sqlite3.Connection,
    block: Block,
    names: Mapping[str, str],
    sampled_on: date | None,
    season: int,
) -> tuple[TissueTest, ...]:
    """Tests of the block from the 12 months before the soil sampling."""
    until = sampled_on or date(season, 12, 31)
    tests = []
    for row in database.execute("SELECT * FROM tissue ORDER BY fid"):
        taken = date.fromisoformat(row["sampled_on"]) if row["sampled_on"] else None
        # A test without a date is trusted to belong to the season it was added for.
        in_time = (
            row["season"] == season
            if taken is None
            else until - timedelta(days=TISSUE_REACH_D) <= taken <= until
        )
        if in_time and names.get(fold(row["block"] or "")) == block.name:
            values = {key: (v[0], v[1]) for key, v in json.loads(row["values"]).items()}
            tests.append(
                TissueTest(
                    row["sample_id"], row["block"], row["part"], row["stage"], row["organ"], taken,
                    values, row["row"],
                )
            )  # fmt: skip
    return tuple(tests)


def read_applications(
    database: sqlite3.Connection, block: Block, names: Mapping[str, str], season: int
) -> tuple[Application, ...]:
    """What was spread on the block up to and with a season."""
    applications = []
    for row in database.execute(
        "SELECT * FROM applications WHERE season <= ? ORDER BY applied_on, fid", (season,)
    ):
        place = geometry(row["geom"])
        by_name = names.get(fold(row["block"] or "")) == block.name
        if by_name or (not row["block"] and place is not None and place.intersects(block.lonlat)):
            applications.append(
                Application(
                    applied_on=date.fromisoformat(row["applied_on"]) if row["applied_on"] else None,
                    block=row["block"],
                    zone=row["zone"],
                    product=row["product"],
                    amendment=row["amendment"],
                    analysis=row["analysis"],
                    rate_kg_ha=row["rate_kg_ha"],
                    area_ha=row["area_ha"],
                    placement=row["placement"],
                    where_lonlat="" if place is None else shapely.to_wkt(place, -1),
                    note=row["note"] or "",
                    row=row["row"],
                )
            )
    return tuple(_once(applications))


def _once(applications: Sequence[Application]) -> list[Application]:
    """A list and a map of the same work tell one story: the map gives the list its places."""
    told: dict[tuple[object, ...], Application] = {}
    for number, one in enumerate(applications):
        same = (one.applied_on, fold(one.block), fold(one.zone), fold(one.product), one.rate_kg_ha)
        other = told.get(same)
        if other is not None and bool(other.where_lonlat) != bool(one.where_lonlat):
            place = other.where_lonlat or one.where_lonlat
            told[same] = replace(other if other.row is not None else one, where_lonlat=place)
        else:
            told[same if other is None else (*same, number)] = one
    return list(told.values())


def read_logged(database: sqlite3.Connection, block: Block, season: int) -> tuple[LoggedRate, ...]:
    """Points of machine logs on the block up to and with a season."""
    rows = database.execute(
        "SELECT * FROM logged WHERE season <= ? ORDER BY season, fid", (season,)
    ).fetchall()
    if not rows:
        return ()
    lonlat = point_places(row["geom"] for row in rows)
    xy = lonlat_to_xy(lonlat[:, 0], lonlat[:, 1], block.crs)
    near = shapely.contains_xy(block.outline.buffer(LOG_REACH_M), xy[:, 0], xy[:, 1])
    return tuple(
        LoggedRate(row["time"], lon, lat, row["target_kg_ha"], row["actual_kg_ha"], row["row"])
        for row, (lon, lat) in ((rows[i], lonlat[i].tolist()) for i in np.flatnonzero(near))
    )
