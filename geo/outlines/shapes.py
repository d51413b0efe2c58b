"""Outline files -> shapes with their attributes and their coordinate system, nothing judged yet."""

from __future__ import annotations

import json
import math
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

from geo.errors import IntakeError
from geo.fence import read_apart
from geo.outlines.gdal_layers import SHAPEFILE_PARTS, Layer, read_geopackage, read_shapefile
from geo.received import MOST_BLOCKS, MOST_VERTICES, Received, parse_xml, read_zip

WGS84 = "EPSG:4326"


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
        raise IntakeError(
            f"{name} holds more than {MOST_BLOCKS} shapes, the most we take. Cut it to this farm."
        )
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
    """Parsed JSON of a file.

    Raises
    ------
    IntakeError
        If it is no JSON, or nested too deep.
    """
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
    """Shapes of a KML or a GPX file; both are WGS84 by their standards.

    Raises
    ------
    IntakeError
        If it is XML of another kind, damaged, or hostile.
    """
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


# Zip, shapefile, GeoPackage


def _read_archive(file: Received) -> tuple[Shapes, ...]:
    kinds = (*SHAPEFILE_PARTS, ".kml", ".gpx", ".geojson", ".json")
    members = read_zip(file.data, file.name, kinds)
    shapefiles = sorted(name for name in members if name.lower().endswith(".shp"))
    layers = [_shapefile(_siblings(members, shp), file.name) for shp in shapefiles]
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
    if not parts[".shp"].startswith(b"\x00\x00\x27\x0a"):
        raise IntakeError(f"{name}: the .shp in it is not a shapefile.")
    if ".shx" not in parts:
        raise IntakeError(f"{name} lacks its .shx file. Give .shp, .shx, .dbf and .prj together.")
    wanted = {suffix: data for suffix, data in parts.items() if suffix in SHAPEFILE_PARTS}
    return _shapes_of(read_apart(read_shapefile, wanted, name, name=name))


def _read_geopackage(file: Received) -> tuple[Shapes, ...]:
    layers = read_apart(read_geopackage, file.data, file.name, name=file.name)
    if not layers:
        raise IntakeError(f"{file.name} holds no layer of outlines.")
    return tuple(_shapes_of(layer) for layer in layers)


def _shapes_of(layer: Layer) -> Shapes:
    shapes = (
        Shape(shapely.from_wkb(wkb), _texts(attributes)) for wkb, attributes in layer.features
    )
    return Shapes(tuple(s for s in shapes if not s.geometry.is_empty), layer.crs)
