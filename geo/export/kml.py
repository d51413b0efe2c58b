"""zones.kml: zones for a map viewer on phone or desk (KML 2.2, OGC 07-147r2)."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import shapely
from shapely import MultiPolygon, Polygon

from geo.export.layers import to_lonlat
from geo.export.vectors import DIGITS, all_layers, multi
from geo.season import Season

NAMESPACE = "http://www.opengis.net/kml/2.2"


def write_zones_kml(season: Season, path: Path) -> None:
    """Write zones.kml: a folder a layer, a placemark a zone, values as data.

    No description is written: viewers show it as HTML, and names are typed by people.
    """
    root = ET.Element("kml", xmlns=NAMESPACE)
    document = ET.SubElement(root, "Document")
    ET.SubElement(document, "name").text = _text(f"{season.block.name} {season.season}")
    for layer, rows in all_layers(season):
        folder = ET.SubElement(document, "Folder")
        ET.SubElement(folder, "name").text = _text(layer)
        for row, shape in rows:
            _add_zone(folder, row, to_lonlat(multi(shape), season.block.crs))
    ET.indent(root, " ")
    text = ET.tostring(root, encoding="unicode")
    path.write_bytes(f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode())


def _add_zone(folder: ET.Element, row: dict[str, Any], shape: MultiPolygon) -> None:
    placemark = ET.SubElement(folder, "Placemark")
    ET.SubElement(placemark, "name").text = f"Zone {row['zone']}"
    extended = ET.SubElement(placemark, "ExtendedData")
    for name, value in row.items():
        data = ET.SubElement(extended, "Data", name=_text(name))
        ET.SubElement(data, "value").text = _text(f"{value}")
    geometry = ET.SubElement(placemark, "MultiGeometry")
    turned = shapely.orient_polygons(shape, exterior_cw=False)
    for part in turned.geoms:
        _add_polygon(geometry, part)


def _add_polygon(geometry: ET.Element, part: Polygon) -> None:
    polygon = ET.SubElement(geometry, "Polygon")
    rings = [("outerBoundaryIs", part.exterior)]
    rings += [("innerBoundaryIs", ring) for ring in part.interiors]
    for name, ring in rings:
        line = ET.SubElement(ET.SubElement(polygon, name), "LinearRing")
        ET.SubElement(line, "coordinates").text = " ".join(
            f"{lon:.{DIGITS}f},{lat:.{DIGITS}f}" for lon, lat in ring.coords
        )


def _text(words: str) -> str:
    """Words without the control characters that XML 1.0 cannot hold."""
    return "".join(c for c in words if c.isprintable())
