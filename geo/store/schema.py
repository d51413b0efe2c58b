"""Tables of a farm's GeoPackage: what each holds, and how an empty file is made.

OGC GeoPackage 1.3 (12-128r17) is followed as far as a GIS needs to open the file: no spatial index,
because its triggers call functions that plain SQLite does not have.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

#: "GPKG" in ASCII, and version 1.3 of the standard.
APPLICATION_ID = 0x47504B47
USER_VERSION = 10300

#: Version of the tables below.
SCHEMA = 1

WGS84 = 4326


@dataclass(frozen=True)
class Layer:
    """A table of records: what it holds, its columns in SQL, and its kind of geometry."""

    description: str
    columns: str
    geometry: str = ""


#: Record tables. `file` is the id in `files` of the file that brought the row.
LAYERS: Mapping[str, Layer] = {
    "blocks": Layer(
        "Outlines of the blocks",
        "name TEXT NOT NULL, slug TEXT NOT NULL UNIQUE, crs TEXT NOT NULL, area_ha REAL NOT NULL,"
        " file INTEGER, feature INTEGER, retired INTEGER NOT NULL DEFAULT 0",
        "MULTIPOLYGON",
    ),
    "points": Layer(
        "Places where samples were taken",
        "file INTEGER, season INTEGER, sample_id TEXT NOT NULL, typed_id TEXT, hdop REAL,"
        " time TEXT, note TEXT, row INTEGER",
        "POINT",
    ),
    "logged": Layer(
        "Rates as a machine logged them",
        "file INTEGER, season INTEGER, time TEXT, target_kg_ha REAL, actual_kg_ha REAL,"
        " row INTEGER",
        "POINT",
    ),
    "applications": Layer(
        "What was spread",
        "file INTEGER, season INTEGER, applied_on TEXT, block TEXT, zone TEXT, product TEXT,"
        " amendment TEXT, analysis TEXT, rate_kg_ha REAL, area_ha REAL, placement TEXT, note TEXT,"
        " row INTEGER",
        "GEOMETRY",
    ),
    "files": Layer(
        "Each file received and what became of it",
        "sha256 TEXT NOT NULL, name TEXT NOT NULL, original TEXT NOT NULL, kinds TEXT,"
        " season INTEGER, laboratory TEXT, stored_at TEXT, state TEXT NOT NULL, what TEXT,"
        " part_of INTEGER",
    ),
    "results": Layer(
        "Each cell of the laboratories' files, as text and as read",
        "file INTEGER, season INTEGER, sample_id TEXT NOT NULL, typed_id TEXT, key TEXT NOT NULL,"
        " text TEXT, value REAL, qualifier TEXT, method TEXT, unit_read TEXT, row INTEGER,"
        ' "column" TEXT, depth_top_cm REAL, depth_bottom_cm REAL, sampled_on TEXT,'
        " repeat INTEGER, note TEXT",
    ),
    "tissue": Layer(
        "Tests of petioles and leaves",
        "file INTEGER, season INTEGER, sample_id TEXT NOT NULL, block TEXT, part TEXT, stage TEXT,"
        ' organ TEXT, sampled_on TEXT, "values" TEXT, row INTEGER',
    ),
    "findings": Layer(
        "What was found in each file, and what was decided",
        "file INTEGER, rule TEXT, severity TEXT, message TEXT, proposal TEXT, what_was_done TEXT,"
        ' row INTEGER, "column" TEXT, sample_ids TEXT, keys TEXT, repair TEXT,'
        " answer TEXT NOT NULL DEFAULT ''",
    ),
    "answers": Layer(
        "Questions a person has decided",
        "season INTEGER, sample_id TEXT, key TEXT, rule TEXT, answer TEXT, who TEXT, at TEXT,"
        " why TEXT",
    ),
    "left_out": Layer(
        "Samples a person has left out",
        "season INTEGER, sample_id TEXT, who TEXT, at TEXT, why TEXT",
    ),
    "corrections": Layer(
        "Every change of a stored value, with the value it had before",
        'record TEXT, record_id INTEGER, season INTEGER, sample_id TEXT, "column" TEXT,'
        " old TEXT, new TEXT, who TEXT, at TEXT, why TEXT",
    ),
    "profiles": Layer(
        "How each laboratory lays out its files",
        "laboratory TEXT NOT NULL, columns TEXT, file INTEGER",
    ),
    "soilquilt": Layer("Version of these tables", "schema INTEGER NOT NULL"),
}

_STANDARD_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""


def create_store(path: Path) -> None:
    """Write an empty farm.gpkg."""
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute(f"PRAGMA user_version = {USER_VERSION}")
        database.executescript("BEGIN;" + _STANDARD_TABLES)
        database.executemany(
            "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _reference_systems()
        )
        for name, layer in LAYERS.items():
            _create_layer(database, name, layer)
        database.execute("INSERT INTO soilquilt (schema) VALUES (?)", (SCHEMA,))
        database.execute("COMMIT")


def _create_layer(database: sqlite3.Connection, name: str, layer: Layer) -> None:
    place = f", geom {layer.geometry}" if layer.geometry else ""
    database.execute(
        f'CREATE TABLE "{name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT{place}, {layer.columns})'
    )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)"
        " VALUES (?, ?, ?, ?, ?)",
        (
            name,
            "features" if place else "attributes",
            name,
            layer.description,
            WGS84 if place else None,
        ),
    )
    if place:
        database.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)",
            (name, layer.geometry, WGS84),
        )


def _reference_systems() -> list[tuple[object, ...]]:
    from pyproj import CRS

    wgs84 = CRS.from_epsg(WGS84).to_wkt("WKT1_GDAL")
    return [
        ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined", "undefined Cartesian"),
        ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic"),
        ("WGS 84 geodetic", WGS84, "EPSG", WGS84, wgs84, "longitude/latitude in degrees"),
    ]
