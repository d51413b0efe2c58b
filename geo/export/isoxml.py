"""ISO 11783-10 task data: one task a material and pass, by treatment zones or by grid.

Elements, attributes and codes follow the published schema files 3.3 (2013-03-25) and 4.3
(2018-06-04); rates are setpoints of mass per area (DDI 6), whole mg/m2, of product as spread.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from geo.errors import ExportError
from geo.export.layers import SpreadLayer, lonlat_parts, to_lonlat
from geo.units import mg_m2_from_kg_ha

#: Versions of the format that are written, major.minor.
VERSIONS = ("3.3", "4.3")
#: Setpoint of mass per area; content of a product by mass.
SETPOINT = "0006"
CONTENT_MASS = "004B"
#: Longest designator in characters; highest zone code; highest rate a file may carry. [kg/ha]
LONGEST = 32
MOST_ZONES = 254
MOST_KG_HA = 50_000.0
#: A coordinate further than this from the block is a slip. [deg], about 1 km
NEAR_DEG = 0.012


@dataclass(frozen=True)
class TaskGrid:
    """Rates on a grid regular in degrees, south-west cell first.

    `rates_mg_m2` has the shape (rows, columns), row 0 in the south; `codes` the zone code of each
    cell, 0 outside.
    """

    south: float
    west: float
    cell_north_deg: float
    cell_east_deg: float
    codes: NDArray[np.uint8]
    rates_mg_m2: NDArray[np.int32]


def write_task_data(
    layers: SpreadLayer | Sequence[SpreadLayer],
    folder: Path,
    farm: str,
    *,
    version: str = "3.3",
    grid_type: int | None = None,
    cell_m: float | None = None,
) -> list[float]:
    """Write `TASKDATA/TASKDATA.XML` (and `GRD0000n.BIN` for grids) into `folder`, checked.

    Several passes of one material are several tasks of one file: a terminal reads one folder
    `TASKDATA` from a stick, so a file for each pass would hide the others.

    Parameters
    ----------
    layers : SpreadLayer or sequence of SpreadLayer
        The passes of one material over one block, in order.
    folder : Path
        Gets the folder `TASKDATA`.
    farm : str
        Farm name; some terminals list tasks only under customer and farm.
    version : {"3.3", "4.3"}
    grid_type : {None, 1, 2}
        None writes zones as polygons; 1 a grid of zone codes, 2 a grid of rates.
    cell_m : float, optional
        Side of a grid cell; about one swath of the block's own spreader by default. [m]

    Returns
    -------
    list of float
        Product that the cells of each pass give; empty where zones are written. [kg]

    Raises
    ------
    ExportError
        If a rule of the format, or one of the checks after it, is broken.
    """
    if grid_type not in (None, 1, 2):
        raise ExportError(
            f"farm.toml, [controller], isoxml_grid: {grid_type!r} is not known. Write 0 for zones, "
            "1 for a grid of zone codes, 2 for a grid of rates."
        )
    place = folder / "TASKDATA"
    place.mkdir(parents=True, exist_ok=True)
    passes = [layers] if isinstance(layers, SpreadLayer) else list(layers)
    grids = [None if grid_type is None else task_grid(layer, cell_m) for layer in passes]
    root = task_document(passes, farm, version=version, grids=grids, grid_type=grid_type)
    for task, layer, grid in zip(root.iter("TSK"), passes, grids, strict=True):
        check_task_data(root, layer, grid, grid_type, task)
    ET.indent(root, " ")
    text = ET.tostring(root, encoding="unicode", short_empty_elements=True)
    header = '<?xml version="1.0" encoding="UTF-8"?>\n'
    (place / "TASKDATA.XML").write_bytes((header + text + "\n").encode())
    for number, grid in enumerate(grids, start=1):
        if grid is not None:
            (place / f"GRD{number:05d}.BIN").write_bytes(grid_bytes(grid, grid_type))
    return [grid_kg(grid) for grid in grids if grid is not None]


def task_document(
    layers: SpreadLayer | Sequence[SpreadLayer],
    farm: str,
    *,
    version: str = "3.3",
    grids: Sequence[TaskGrid | None] | None = None,
    grid_type: int | None = None,
) -> ET.Element:
    """The task data of one material, a task a pass, as an element tree.

    Raises
    ------
    ExportError
        If the version is not one of those written.
    """
    passes = [layers] if isinstance(layers, SpreadLayer) else list(layers)
    layer = passes[0]
    if version not in VERSIONS:
        raise ExportError(
            f"farm.toml, [controller], isoxml_version: {version!r} is not written. "
            f"Choose {' or '.join(VERSIONS)}."
        )
    major, minor = version.split(".")
    root = ET.Element(
        "ISO11783_TaskData",
        VersionMajor=major,
        VersionMinor=minor,
        ManagementSoftwareManufacturer="soilquilt",
        ManagementSoftwareVersion="0.1",
        DataTransferOrigin="1",
    )
    product = designator(layer.material.replace("_", " ").capitalize())
    ET.SubElement(root, "CTR", A="CTR1", B=designator(farm))
    ET.SubElement(root, "FRM", A="FRM1", B=designator(farm), I="CTR1")
    ET.SubElement(root, "VPN", A="VPN1", B="0", C="0.01", D="0", E="kg/ha")
    ET.SubElement(root, "PDT", A="PDT1", B=product, D="VPN1", E=CONTENT_MASS)
    _add_field(root, layer)
    for number, (one, grid) in enumerate(
        zip(passes, grids or [None] * len(passes), strict=True), start=1
    ):
        _add_task(root, one, product, grid, grid_type, number)
    return root


def _add_field(root: ET.Element, layer: SpreadLayer) -> None:
    area_m2 = round(layer.block.area_ha * 10_000)
    name = designator(layer.block.name)
    field = ET.SubElement(root, "PFD", A="PFD1", C=name, D=str(area_m2), E="CTR1", F="FRM1")
    for polygon in _polygons(layer.block.lonlat):
        _add_polygon(field, polygon, kind="1", area_m2=geodesic_m2(polygon), name=name)


def _add_task(
    root: ET.Element,
    layer: SpreadLayer,
    product: str,
    grid: TaskGrid | None,
    grid_type: int | None,
    number: int,
) -> None:
    name = f"{product[:14]} {layer.block.name[:10]} {layer.season}"
    if layer.passes > 1:
        name = f"{product[:10]} {layer.block.name[:9]} {layer.season} pass {layer.pass_number}"
    task = ET.SubElement(
        root,
        "TSK",
        A=f"TSK{number}",
        B=designator(name),
        C="CTR1",
        D="FRM1",
        E="PFD1",
        G="1",
        # Position lost, out of the field, or no zone: nothing is spread.
        H="0",
        I="0",
        J="0",
    )
    _add_zone(task, 0, "No application", 0, ())
    parts = lonlat_parts(layer)
    if grid_type == 2:
        _add_zone(task, 1, "Grid", 0, ())
    else:
        for code, (zone, rate) in enumerate(
            zip(layer.zones, layer.rates_kg_ha, strict=True), start=1
        ):
            shapes = () if grid_type == 1 else _zone_parts(layer, zone.outline, parts)
            _add_zone(task, code, f"Zone {zone.zone_id}", rate_mg_m2(rate), shapes)
    ET.SubElement(task, "PAN", A="PDT1")
    if grid is not None:
        rows, columns = grid.codes.shape
        element = ET.SubElement(
            task,
            "GRD",
            A=f"{grid.south:.9f}",
            B=f"{grid.west:.9f}",
            C=f"{grid.cell_north_deg:.12f}",
            D=f"{grid.cell_east_deg:.12f}",
            E=str(columns),
            F=str(rows),
            G=f"GRD{number:05d}",
            H=str(len(grid_bytes(grid, grid_type))),
            I=str(grid_type),
        )
        if grid_type == 2:
            element.set("J", "1")


def _zone_parts(
    layer: SpreadLayer, outline: MultiPolygon, parts: list[tuple[Polygon, float]]
) -> tuple[Polygon, ...]:
    """Those rounded parts of the layer that lie in this zone."""
    zone = to_lonlat(outline, layer.block.crs)
    return tuple(
        polygon for polygon, _ in parts if shapely.contains(zone, polygon.representative_point())
    )


def _add_zone(
    task: ET.Element, code: int, name: str, rate: int, shapes: tuple[Polygon, ...]
) -> None:
    zone = ET.SubElement(task, "TZN", A=str(code), B=designator(name))
    for polygon in shapes:
        _add_polygon(zone, polygon, kind="2", area_m2=geodesic_m2(polygon))
    ET.SubElement(zone, "PDV", A=SETPOINT, B=str(rate), C="PDT1", E="VPN1")


def _add_polygon(
    parent: ET.Element, polygon: Polygon, *, kind: str, area_m2: int, name: str = ""
) -> None:
    attributes = {"A": kind} | ({"B": name} if name else {}) | {"C": str(area_m2)}
    element = ET.SubElement(parent, "PLN", attributes)
    for ring, role in [(polygon.exterior, "1"), *((hole, "2") for hole in polygon.interiors)]:
        line = ET.SubElement(element, "LSG", A=role)
        for lon, lat in ring.coords:
            ET.SubElement(line, "PNT", A="2", C=f"{lat:.9f}", D=f"{lon:.9f}")


def designator(text: str) -> str:
    """A name of 1 to 32 characters, cut at the end where it is longer.

    Examples
    --------
    >>> designator("  Poel  "), designator(""), len(designator("x" * 40))
    ('Poel', 'unnamed', 32)
    """
    clean = " ".join("".join(c for c in text if c.isprintable()).split())
    return clean[:LONGEST].strip() or "unnamed"


def rate_mg_m2(rate_kg_ha: float) -> int:
    """Rate as the integer a task controller reads, rounded half to even. [mg/m2]

    Examples
    --------
    >>> rate_mg_m2(2500.0), rate_mg_m2(1.12085)
    (250000, 112)
    """
    if not math.isfinite(rate_kg_ha) or not 0 <= rate_kg_ha <= MOST_KG_HA:
        raise ExportError(f"A rate of {rate_kg_ha} kg/ha cannot stand in a task file.")
    return round(float(mg_m2_from_kg_ha(rate_kg_ha)))


def task_grid(layer: SpreadLayer, cell_m: float | None = None) -> TaskGrid:
    """Put the layer on cells regular in degrees, about one swath wide unless `cell_m` says."""
    west, south, east, north = layer.block.lonlat.bounds
    middle = math.radians((south + north) / 2)
    size = cell_m or max(2.0, layer.block.site.spreader.width_m if layer.block.site.spreader else 5)
    cell_north, cell_east = size / 111_155.0, size / (111_319.5 * math.cos(middle))
    rows = max(1, math.ceil((north - south) / cell_north))
    columns = max(1, math.ceil((east - west) / cell_east))
    lon, lat = np.meshgrid(
        west + (np.arange(columns) + 0.5) * cell_east, south + (np.arange(rows) + 0.5) * cell_north
    )
    codes = np.zeros((rows, columns), np.uint8)
    rates = np.zeros((rows, columns), np.int32)
    for code, (zone, rate) in enumerate(zip(layer.zones, layer.rates_kg_ha, strict=True), start=1):
        inside = shapely.contains_xy(to_lonlat(zone.outline, layer.block.crs), lon, lat)
        codes[inside], rates[inside] = code, rate_mg_m2(rate)
    return TaskGrid(south, west, cell_north, cell_east, codes, rates)


def grid_kg(grid: TaskGrid) -> float:
    """What whole cells give: they cannot follow a border, so it differs from the plan. [kg]"""
    west, east = grid.west, grid.west + 100 * grid.cell_east_deg
    per_row = [
        geodesic_m2(shapely.box(west, south, east, south + grid.cell_north_deg)) / 100
        for south in grid.south + np.arange(len(grid.rates_mg_m2)) * grid.cell_north_deg
    ]
    return float(grid.rates_mg_m2.sum(axis=1) @ np.array(per_row)) / 1e6


def grid_bytes(grid: TaskGrid, grid_type: int | None) -> bytes:
    """Content of GRD00001.BIN: zone codes (type 1) or little-endian int32 rates (type 2)."""
    if grid_type == 1:
        return grid.codes.tobytes()
    return grid.rates_mg_m2.astype("<i4").tobytes()


def check_task_data(
    root: ET.Element,
    layer: SpreadLayer,
    grid: TaskGrid | None,
    grid_type: int | None,
    task: ET.Element | None = None,
) -> None:
    """Rules that no schema states: references, closed rings, areas, totals, places, the cap.

    `task` is the task of this layer; the first of the document by default.

    Raises
    ------
    ExportError
        Naming the first rule that is broken.
    """
    task = root.find("TSK") if task is None else task
    if task is None:
        raise ExportError(f"{layer.block.name}, {layer.material}, TASKDATA.XML: there is no task.")
    problem = (
        _dangling(root)
        or _bad_zones(task)
        or _bad_rings(root, layer)
        or _bad_totals(root, task, layer)
        or _over_cap(task, layer, grid)
    )
    if not problem and grid is not None and grid_type == 1:
        codes = {int(zone.get("A", "-1")) for zone in task.iter("TZN")}
        if not set(np.unique(grid.codes).tolist()) <= codes:
            problem = "a grid cell names a zone that does not exist"
    if problem:
        raise ExportError(f"{layer.block.name}, {layer.material}, TASKDATA.XML: {problem}.")


def _dangling(root: ET.Element) -> str:
    ids = {e.get("A") for e in root if e.tag in {"CTR", "FRM", "VPN", "PDT", "PFD", "TSK"}}
    wanted = {
        "FRM": ("I",),
        "PDT": ("D",),
        "PFD": ("E", "F"),
        "TSK": ("C", "D", "E"),
        "PDV": ("C", "E"),
        "PAN": ("A",),
    }
    for element in root.iter():
        for name in wanted.get(element.tag, ()):
            if element.get(name) not in ids:
                return f"{element.tag} {name} points to {element.get(name)}, which is not there"
    return ""


def _over_cap(task: ET.Element, layer: SpreadLayer, grid: TaskGrid | None) -> str:
    """A rate above what one pass of this material may carry, or nothing."""
    if layer.cap_kg_ha is None:
        return ""
    highest = max((int(v.get("B", "0")) for v in task.iter("PDV")), default=0)
    if grid is not None:
        highest = max(highest, int(grid.rates_mg_m2.max(initial=0)))
    # Rates are rounded to 0.01 kg/ha on the way into the file.
    if highest > rate_mg_m2(layer.cap_kg_ha) + 1:
        return f"{highest / 100:g} kg/ha is above the cap of {layer.cap_kg_ha:.0f} kg/ha a pass"
    return ""


def _bad_zones(task: ET.Element) -> str:
    codes = [zone.get("A") for zone in task.iter("TZN")]
    if len(codes) != len(set(codes)):
        return "a zone code stands twice"
    if len(codes) > MOST_ZONES + 1:
        return f"{len(codes)} zones, and {MOST_ZONES} is the most"
    missing = [name for name in "HIJ" if task.get(name) not in codes]
    return f"TSK {missing[0]} names a zone that does not exist" if missing else ""


def _bad_rings(root: ET.Element, layer: SpreadLayer) -> str:
    west, south, east, north = layer.block.lonlat.bounds
    for line in root.iter("LSG"):
        ring = [(float(p.get("D", "nan")), float(p.get("C", "nan"))) for p in line.iter("PNT")]
        if len(ring) < 4 or ring[0] != ring[-1] or not shapely.is_valid(Polygon(ring)):
            return "a ring is open or crosses itself"
        lon, lat = np.array(ring).T
        near_lon = (west - NEAR_DEG <= lon) & (lon <= east + NEAR_DEG)
        near_lat = (south - NEAR_DEG <= lat) & (lat <= north + NEAR_DEG)
        if not (near_lon & near_lat).all():
            return "a point lies more than a kilometre from the block"
    return ""


def _bad_totals(root: ET.Element, task: ET.Element, layer: SpreadLayer) -> str:
    field = root.find("PFD")
    area_m2 = layer.block.area_ha * 10_000
    if field is None or abs(float(field.get("D", "nan")) - area_m2) > 0.005 * area_m2:
        return "the area of the field is off by more than 0.5 %"
    zones = [zone for zone in task.iter("TZN") if zone.find("PLN") is not None]
    if not zones:
        return ""
    kg = sum(
        float(p.get("C", "nan")) * float(v.get("B", "nan")) / 1e6
        for zone in zones
        for p in zone.iter("PLN")
        for v in zone.iter("PDV")
    )
    if abs(kg - layer.total_kg) > max(0.005 * layer.total_kg, 1.0):
        return f"the zones add up to {kg:.0f} kg and the plan to {layer.total_kg:.0f} kg"
    return ""


def _polygons(shape: Polygon | MultiPolygon) -> list[Polygon]:
    return list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]


def geodesic_m2(polygon: Polygon) -> int:
    """Geodesic area on WGS84, whole square metres."""
    from pyproj import Geod

    turned = shapely.orient_polygons(polygon, exterior_cw=False)
    return round(abs(Geod(ellps="WGS84").geometry_area_perimeter(turned)[0]))
