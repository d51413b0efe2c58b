"""ISO 11783-10 task data: one task a material and pass, by treatment zones or by grid.

Elements, attributes and codes follow the published schema files 3.3 (2013-03-25) and 4.3
(2018-06-04); rates are setpoints of mass per area (DDI 6), whole mg/m2, of product as spread.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path

import shapely
from shapely import MultiPolygon, Polygon

from geo.errors import ExportError
from geo.export.layers import SpreadLayer, lonlat_parts, to_lonlat
from geo.export.taskcheck import check_task_data
from geo.export.taskgrid import (
    TaskGrid,
    geodesic_m2,
    grid_bytes,
    grid_kg,
    rate_mg_m2,
    task_grid,
)

#: Versions of the format that are written, major.minor.
VERSIONS = ("3.3", "4.3")
#: Setpoint of mass per area; content of a product by mass.
SETPOINT = "0006"
CONTENT_MASS = "004B"
#: Longest designator. [characters]
LONGEST = 32


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


def _polygons(shape: Polygon | MultiPolygon) -> list[Polygon]:
    return list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]
