"""Outline files -> shapes with their attributes and their coordinate system, nothing judged yet."""

from __future__ import annotations

import json
import math
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np
import shapely
import shapely.geometry
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo import gdal_guard as gdal_guard  # before pyogrio is loaded
from geo.errors import IntakeError
from geo.received import MOST_BLOCKS, MOST_VERTICES, Received, parse_xml, read_zip

WGS84 = "EPSG:4326"
SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
GPKG_ID = 0x47504B47


@dataclass(frozen=True)
class Shape:
    """One feature: its geometry in the file's own coordinates, its attributes as text."""

    geometry: BaseGeometry
    attributes: Mapping[str, str]


@dataclass(frozen=True)
class Shapes:
    """What an outline file holds; `crs` is anything pyproj reads, "" if the file does not say."""

    shapes: tuple[Shape, ...]
    crs: str


def read_shapes(file: Received) -> tuple[Shapes, ...]:
    """Every layer of an outline file, by what the file is, not by its name.

    Raises
    ------
    IntakeError
        If the file is of no kind that holds outlines, is damaged, or is too large.
    """
    readers = {
        "json": _read_geojson,
        "xml": _read_xml,
        "zip": _read_archive,
        "shapefile": _read_shapefile,
        "sqlite": _read_geopackage,
    }
    if file.kind not in readers:
        raise IntakeError(
            f"{file.name} is a {file.kind} file, not an outline. Give GeoJSON, KML, KMZ, GPX, "
            "GeoPackage or a shapefile (zipped, or with its .shx, .dbf and .prj beside it)."
        )
    layers = readers[file.kind](file)
    _check_amount(file.name, layers)
    return layers


def _check_amount(name: str, layers: Sequence[Shapes]) -> None:
    shapes = [shape for layer in layers for shape in layer.shapes]
    if len(shapes) > MOST_BLOCKS:
        raise IntakeError(f"{name} holds {len(shapes)} shapes; {MOST_BLOCKS} is the most.")
    vertices = sum(shapely.get_num_coordinates(shape.geometry) for shape in shapes)
    if vertices > MOST_VERTICES:
        raise IntakeError(f"{name} has {vertices} corners; {MOST_VERTICES} is the most.")
    for shape in shapes:
        if not np.isfinite(shapely.get_coordinates(shape.geometry)).all():
            raise IntakeError(f"{name} has corners that are not numbers. Export it again.")


# GeoJSON


def is_geojson(content: Any) -> bool:
    """Whether parsed JSON looks like GeoJSON."""
    kinds = ("FeatureCollection", "Feature", "Polygon", "MultiPolygon", "GeometryCollection",
             "Point", "MultiPoint", "LineString", "MultiLineString")  # fmt: skip
    return isinstance(content, dict) and content.get("type") in kinds


def load_json(file: Received) -> Any:
    """Parsed JSON of a file."""
    try:
        return json.loads(file.data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise IntakeError(f"{file.name} is damaged: {error}. Export it again.") from None


def _read_geojson(file: Received) -> tuple[Shapes, ...]:
    content = load_json(file)
    if not is_geojson(content):
        raise IntakeError(f"{file.name} is JSON, but not GeoJSON: it has no features.")
    shapes = []
    try:
        for feature in _geojson_features(content):
            if feature.get("geometry"):
                geometry = shapely.geometry.shape(feature["geometry"])
                shapes.append(Shape(shapely.force_2d(geometry), _texts(feature.get("properties"))))
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, shapely.GEOSException):
        raise IntakeError(f"{file.name} has a damaged geometry. Export it again.") from None
    return (Shapes(tuple(shapes), _geojson_crs(content)),)


def _geojson_features(content: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    if content["type"] == "FeatureCollection":
        yield from content["features"]
    elif content["type"] == "Feature":
        yield content
    else:
        yield {"geometry": content, "properties": {}}


def _geojson_crs(content: Mapping[str, Any]) -> str:
    """WGS84 by the standard; the member `crs` of older files is taken at its word."""
    old = content.get("crs")
    if isinstance(old, Mapping):
        name = (old.get("properties") or {}).get("name")
        return str(name) if name else WGS84
    return WGS84


def _texts(properties: Any) -> dict[str, str]:
    if not isinstance(properties, Mapping):
        return {}
    return {str(k): str(v).strip() for k, v in properties.items() if v is not None}


# KML, KMZ, GPX


def _tag(element: Element) -> str:
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def _children(element: Element, tag: str) -> list[Element]:
    return [child for child in element.iter() if _tag(child) == tag]


def _child_text(element: Element, tag: str) -> str:
    for child in element:
        if _tag(child) == tag:
            return (child.text or "").strip()
    return ""


def _read_xml(file: Received) -> tuple[Shapes, ...]:
    return (xml_shapes(file.data, file.name),)


def xml_shapes(data: bytes, name: str) -> Shapes:
    """Shapes of a KML or a GPX file; both are WGS84 by their standards."""
    root = parse_xml(data, name)
    readers = {"kml": _kml_shapes, "gpx": _gpx_shapes}
    if _tag(root) not in readers:
        raise IntakeError(f"{name} is XML, but neither KML nor GPX.")
    try:
        return Shapes(tuple(readers[_tag(root)](root)), WGS84)
    except (ValueError, IndexError, shapely.GEOSException):
        raise IntakeError(f"{name} has a damaged geometry. Export it again.") from None


def _kml_shapes(root: Element) -> Iterator[Shape]:
    for placemark in _children(root, "Placemark"):
        attributes = {"name": _child_text(placemark, "name")}
        for data in _children(placemark, "Data"):
            attributes[data.get("name", "")] = _child_text(data, "value")
        polygons = [_kml_polygon(polygon) for polygon in _children(placemark, "Polygon")]
        if polygons:
            whole = polygons[0] if len(polygons) == 1 else MultiPolygon(polygons)
            yield Shape(whole, attributes)
            continue
        for kind, build in (("LineString", shapely.LineString), ("Point", shapely.Point)):
            for element in _children(placemark, kind):
                places = _kml_places(element)
                yield Shape(build(places if kind == "LineString" else places[0]), attributes)


def _kml_polygon(polygon: Element) -> Polygon:
    outer = _children(polygon, "outerBoundaryIs")
    inner = _children(polygon, "innerBoundaryIs")
    return Polygon(_kml_places(outer[0]), [_kml_places(ring) for ring in inner])


def _kml_places(element: Element) -> list[tuple[float, float]]:
    """`lon,lat[,alt]` triplets parted by white space."""
    text = " ".join((child.text or "") for child in _children(element, "coordinates"))
    numbers = [[float(part) for part in word.split(",")] for word in text.split()]
    return [(number[0], number[1]) for number in numbers]


def _gpx_shapes(root: Element) -> Iterator[Shape]:
    for line, point in (("trk", "trkpt"), ("rte", "rtept")):
        for element in _children(root, line):
            places = [_gpx_place(p) for p in _children(element, point)]
            if len(places) >= 3:
                yield Shape(shapely.LineString(places), {"name": _child_text(element, "name")})
    for element in _children(root, "wpt"):
        words = ("name", "time", "hdop", "cmt", "desc")
        yield Shape(
            shapely.Point(_gpx_place(element)), {word: _child_text(element, word) for word in words}
        )


def _gpx_place(element: Element) -> tuple[float, float]:
    place = (float(element.get("lon", "nan")), float(element.get("lat", "nan")))
    if not all(math.isfinite(number) for number in place):
        raise ValueError("a point without lat or lon")
    return place


# Shapefile, zip, GeoPackage


def _read_archive(file: Received) -> tuple[Shapes, ...]:
    kinds = (*SHAPEFILE_PARTS, ".kml", ".gpx", ".geojson", ".json")
    members = read_zip(file.data, file.name, kinds)
    shapefiles = sorted(name for name in members if name.lower().endswith(".shp"))
    layers: list[Shapes] = []
    for shp in shapefiles:
        layers.append(_shapefile(_siblings(members, shp), file.name))
    for name, data in sorted(members.items()):
        if name.lower().endswith((".kml", ".gpx")):
            layers.append(xml_shapes(data, f"{file.name}, {name}"))
        if name.lower().endswith((".geojson", ".json")):
            layers += _read_geojson(Received(Path(name), data, "json"))
    if not layers:
        raise IntakeError(f"{file.name} holds no outline (.shp, .kml, .gpx or .geojson).")
    return tuple(layers)


def _siblings(members: Mapping[str, bytes], shp: str) -> dict[str, bytes]:
    stem = PurePosixPath(shp).stem.lower()
    paths = {PurePosixPath(name): data for name, data in members.items()}
    return {p.suffix.lower(): data for p, data in paths.items() if p.stem.lower() == stem}


def _read_shapefile(file: Received) -> tuple[Shapes, ...]:
    beside = {
        path.name: path.read_bytes()
        for path in file.path.parent.iterdir()
        if path.stem.lower() == file.path.stem.lower() and path.suffix.lower() in SHAPEFILE_PARTS
    }
    parts = _siblings(beside, file.path.name) | {".shp": file.data}
    return (_shapefile(parts, file.name),)


def _shapefile(parts: Mapping[str, bytes], name: str) -> Shapes:
    """A shapefile from the bytes of its parts, copied under names of our own."""
    if not parts[".shp"].startswith(b"\x00\x00\x27\x0a"):
        raise IntakeError(f"{name}: the .shp in it is not a shapefile.")
    if ".shx" not in parts:
        raise IntakeError(f"{name} lacks its .shx file. Give .shp, .shx, .dbf and .prj together.")
    with tempfile.TemporaryDirectory() as folder:
        for suffix, data in parts.items():
            if suffix in SHAPEFILE_PARTS:
                (Path(folder) / f"outline{suffix}").write_bytes(data)
        crs, shapes = _through_gdal(Path(folder) / "outline.shp", name, _code_page(parts))
    return Shapes(shapes, crs)


def _code_page(parts: Mapping[str, bytes]) -> str | None:
    """Encoding of the attributes: what .cpg says, else UTF-8 if it is that, else cp1252."""
    if ".cpg" in parts:
        return None
    try:
        parts.get(".dbf", b"")[32:].decode("utf-8")
    except UnicodeDecodeError:
        return "CP1252"
    return "UTF-8"


def _through_gdal(
    path: Path, name: str, encoding: str | None, layer: str | None = None
) -> tuple[str, tuple[Shape, ...]]:
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyogrio.raw import read

    try:
        meta, _, blobs, columns = read(path, layer=layer, encoding=encoding, force_2d=True)
    except (DataSourceError, DataLayerError, ValueError, RuntimeError) as error:
        raise IntakeError(f"{name} is damaged: {error}. Export it again.") from None
    names = [str(field) for field in meta["fields"]]
    geometries = shapely.from_wkb(blobs)
    shapes = [
        Shape(geometry, _texts({field: columns[i][row] for i, field in enumerate(names)}))
        for row, geometry in enumerate(geometries)
        if geometry is not None and not geometry.is_empty
    ]
    return str(meta["crs"] or ""), tuple(shapes)


def _read_geopackage(file: Received) -> tuple[Shapes, ...]:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "outline.gpkg"
        copy.write_bytes(file.data)
        layers = []
        for table in _feature_tables(copy, file.name):
            crs, shapes = _through_gdal(copy, file.name, None, table)
            layers.append(Shapes(shapes, crs))
    if not layers:
        raise IntakeError(f"{file.name} holds no layer of outlines.")
    return tuple(layers)


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
