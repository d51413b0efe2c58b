"""Bytes of a shapefile or a GeoPackage -> layers as GDAL reads them; runs in a child process.

Called through `geo.fence` alone: what comes back is bytes and texts, nothing of GDAL's.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geo import gdal_guard as gdal_guard  # before pyogrio is loaded
from geo.errors import IntakeError
from geo.received import MOST_BLOCKS

SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
GPKG_ID = 0x47504B47


@dataclass(frozen=True)
class Layer:
    """One layer of a map.

    Attributes
    ----------
    crs : str
        Anything pyproj reads; "" if the file does not say.
    features : tuple of (bytes, dict)
        Geometry as well-known binary in the file's own coordinates, and the attributes.
    """

    crs: str
    features: tuple[tuple[bytes, dict[str, Any]], ...]


def read_shapefile(parts: Mapping[str, bytes], name: str) -> Layer:
    """A shapefile from the bytes of its parts, copied under names of our own.

    Parameters
    ----------
    parts : mapping
        Suffix, one of `SHAPEFILE_PARTS` -> bytes.
    name : str
        What people call it.

    Raises
    ------
    IntakeError
        If it is damaged.
    """
    with tempfile.TemporaryDirectory() as folder:
        for suffix, data in parts.items():
            (Path(folder) / f"outline{suffix}").write_bytes(data)
        return _read(Path(folder) / "outline.shp", name, _code_page(parts))


def _code_page(parts: Mapping[str, bytes]) -> str | None:
    """Encoding of the attributes: what .cpg says, else UTF-8 if it is that, else cp1252."""
    if ".cpg" in parts:
        return None
    try:
        parts.get(".dbf", b"")[32:].decode("utf-8")
    except UnicodeDecodeError:
        return "CP1252"
    return "UTF-8"


def read_geopackage(data: bytes, name: str) -> tuple[Layer, ...]:
    """Every feature layer of a GeoPackage.

    Raises
    ------
    IntakeError
        If it is damaged, or a database of another kind.
    """
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "outline.gpkg"
        copy.write_bytes(data)
        return tuple(_read(copy, name, None, table) for table in _feature_tables(copy, name))


def _feature_tables(path: Path, name: str) -> list[str]:
    """Feature layers of a stranger's GeoPackage, looked up without trusting its schema."""
    connection = sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        connection.execute("PRAGMA trusted_schema=OFF")
        if connection.execute("PRAGMA quick_check").fetchone()[0] != "ok":
            raise IntakeError(f"{name} is damaged. Export it again.")
        if connection.execute("PRAGMA application_id").fetchone()[0] != GPKG_ID:
            raise IntakeError(f"{name} is a database, but not a GeoPackage.")
        rows = connection.execute("SELECT table_name FROM gpkg_geometry_columns").fetchall()
    except sqlite3.DatabaseError as error:
        raise IntakeError(f"{name} is damaged: {error}. Export it again.") from None
    finally:
        connection.close()
    return [str(row[0]) for row in rows]


def _read(path: Path, name: str, encoding: str | None, layer: str | None = None) -> Layer:
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyogrio.raw import read

    try:
        # One more than may be: that one is enough to refuse the file.
        meta, _, blobs, columns = read(
            path, layer=layer, encoding=encoding, force_2d=True, max_features=MOST_BLOCKS + 1
        )
    except (DataSourceError, DataLayerError, ValueError, RuntimeError) as error:
        raise IntakeError(f"{name} is damaged: {error}. Export it again.") from None
    names = [str(field) for field in meta["fields"]]
    features = (
        (bytes(wkb), {field: columns[i][row] for i, field in enumerate(names)})
        for row, wkb in enumerate(blobs)
        if wkb is not None
    )
    return Layer(str(meta["crs"] or ""), tuple(features))
