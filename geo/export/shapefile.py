"""Spreader files: one shapefile a material and pass, in the shape rate controllers read.

The rules (polygon type 5, 8.3 names, one numeric field, ring order, `.prj` in ESRI's spelling, no
null, no gap, no overlap) follow the ESRI Shapefile Technical Description (1998) and two published
operator manuals of rate-controlled machines.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import shapely
from shapely.geometry import mapping

from geo.errors import ExportError
from geo.export.fitting import Part, merge_least, simplified
from geo.export.layers import SpreadLayer, lonlat_parts, written_rate
from geo.settings import ControllerSettings

#: WGS84 as ESRI spells it; some controllers read nothing else.
PRJ = (
    'GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],'
    'PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]'
)
#: The date in a DBF header makes files differ from day to day; this one stands for "no date".
NO_DATE = date(2000, 1, 1)
SUFFIXES = (".shp", ".shx", ".dbf", ".prj", ".cpg")


@dataclass(frozen=True)
class ShapefileReport:
    """What was written, measured on the files, and what was given up to fit the controller.

    Attributes
    ----------
    name : str
        Without suffix.
    polygons : int
    kilobytes : float
        All files of the set. [kB]
    rates : tuple of float
        In the controller's unit, highest first.
    simplified_m : float
        Tolerance by which outlines were simplified; 0 for none. [m]
    joined_parts : int
        Parts that took the rate of a neighbour.
    moved_kg : float
        Product that so goes elsewhere than planned. [kg]
    """

    name: str
    polygons: int
    kilobytes: float
    rates: tuple[float, ...]
    simplified_m: float
    joined_parts: int = 0
    moved_kg: float = 0.0


def write_shapefile(
    layer: SpreadLayer, folder: Path, name: str, controller: ControllerSettings
) -> ShapefileReport:
    """Write one layer as a shapefile that meets the controller's limits, and read it back.

    Where the controller reads fewer polygons, parts take the rate of a neighbour, those first that
    move the least product. Where the file would be too large its outlines are simplified, all
    together, by the smallest tolerance that helps, and then parts are joined too. The report says
    what was given up.

    Raises
    ------
    ExportError
        If the limits cannot be met, or what was read back is not what was meant.
    """
    parts: Sequence[Part] = lonlat_parts(layer)
    joined, moved_kg = 0, 0.0
    while True:
        tolerance_m = None
        if len(parts) <= controller.max_polygons:
            tolerance_m = _write_within(parts, folder / name, controller)
        if tolerance_m is not None:
            break
        merged = merge_least(parts)
        if merged is None:
            raise ExportError(_cannot(layer, len(parts), folder / name, controller))
        parts, joined, moved_kg = merged.parts, joined + 1, moved_kg + merged.moved_kg
    written = simplified(parts, tolerance_m)
    verify_shapefile(folder / name, written, controller)
    rates = tuple(sorted({written_rate(r, controller.rate_unit) for _, r in parts}, reverse=True))
    kilobytes = _kilobytes(folder / name)
    return ShapefileReport(name, len(written), kilobytes, rates, tolerance_m, joined, moved_kg)


def _write_within(
    parts: Sequence[Part], stem: Path, controller: ControllerSettings
) -> float | None:
    """Write with the smallest simplification that fits the controller; None if none does. [m]"""
    for tolerance_m in (0.0, 0.1, 0.25, 0.5, 1.0, 2.0):
        _write(simplified(parts, tolerance_m), stem, controller)
        if _kilobytes(stem) <= controller.max_kb:
            return tolerance_m
    return None


def _kilobytes(stem: Path) -> float:
    return sum(stem.with_suffix(suffix).stat().st_size for suffix in SUFFIXES) / 1000


def _cannot(layer: SpreadLayer, polygons: int, stem: Path, controller: ControllerSettings) -> str:
    where = f"{layer.block.name}, {layer.material}"
    if polygons > controller.max_polygons:
        return (
            f"{where}: {polygons} polygons that do not touch, and the controller reads "
            f"{controller.max_polygons}. Split the block into outlines of their own."
        )
    return (
        f"{where}: {_kilobytes(stem):.1f} kB with a single rate, and the controller reads "
        f"{controller.max_kb:g} kB. Draw the outline with fewer corners."
    )


def _write(parts: Sequence[Part], stem: Path, controller: ControllerSettings) -> None:
    import shapefile

    rates = [written_rate(rate, controller.rate_unit) for _, rate in parts]
    decimals = 0 if all(rate == 0 or rate >= 20 for rate in rates) else 2
    with shapefile.Writer(str(stem), shapeType=shapefile.POLYGON, encoding="utf-8") as writer:
        writer.field(controller.rate_field, "N", 9 if decimals == 0 else 10, decimals)
        for (polygon, _), rate in zip(parts, rates, strict=True):
            if not math.isfinite(rate) or rate < 0:
                raise ExportError(f"{stem.name}: {rate} is not a rate.")
            # Outer rings clockwise, holes counter-clockwise: `shape` turns them, `poly` would not.
            writer.shape(mapping(polygon))
            writer.record(int(rate) if decimals == 0 else rate)
    stem.with_suffix(".prj").write_text(PRJ, encoding="ascii")
    stem.with_suffix(".cpg").write_text("UTF-8", encoding="ascii")
    with stem.with_suffix(".dbf").open("r+b") as table:
        table.seek(1)
        table.write(bytes((NO_DATE.year - 1900, NO_DATE.month, NO_DATE.day)))


def verify_shapefile(stem: Path, parts: Sequence[Part], controller: ControllerSettings) -> None:
    """Read the written files back, byte by byte and through GDAL, and compare with what was meant.

    Raises
    ------
    ExportError
        Naming the first thing that is not right.
    """
    problem = _wrong_bytes(stem) or _wrong_content(stem, parts, controller)
    if problem:
        raise ExportError(f"{stem.name}.shp did not pass its check after writing: {problem}.")


def _wrong_bytes(stem: Path) -> str:
    """What is wrong with headers and lengths (ESRI white paper, 1998), or nothing."""
    for suffix in (".shp", ".shx"):
        content = stem.with_suffix(suffix).read_bytes()
        code, words = struct.unpack(">i20xi", content[:28])
        version, kind = struct.unpack("<ii", content[28:36])
        if (code, version, kind) != (9994, 1000, 5):
            return f"{suffix} header holds {code}, {version}, {kind}"
        if 2 * words != len(content):
            return f"{suffix} says {2 * words} bytes and has {len(content)}"
    records = struct.unpack("<I", stem.with_suffix(".dbf").read_bytes()[4:8])[0]
    if (len(stem.with_suffix(".shx").read_bytes()) - 100) // 8 != records:
        return "shapes and records differ in number"
    return ""


def _wrong_content(stem: Path, parts: Sequence[Part], controller: ControllerSettings) -> str:
    """What is wrong with rings, rates or areas as another program reads them, or nothing."""
    import pyogrio

    meta, _, geometry, fields = pyogrio.raw.read(stem.with_suffix(".shp"))
    if list(meta["fields"]) != [controller.rate_field]:
        return f"fields are {list(meta['fields'])}"
    shapes = shapely.from_wkb(geometry)
    if not shapely.is_valid(shapes).all() or set(shapely.get_type_id(shapes)) != {3}:
        return "a shape is not a valid single polygon"
    wanted = [written_rate(rate, controller.rate_unit) for _, rate in parts]
    if [float(value) for value in fields[0]] != wanted:
        return "a rate came back different"
    union = shapely.union_all(shapes).area
    total = float(shapely.area(shapes).sum())
    if abs(total - union) > 1e-6 * union:
        return "polygons overlap"
    meant = sum(polygon.area for polygon, _ in parts)
    if abs(total - meant) > 1e-6 * meant:
        return "the area came back different"
    return ""
