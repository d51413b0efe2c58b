"""Rules of task data that no schema states: references, rings, areas, totals, places, the cap."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import shapely
from shapely import Polygon

from geo.errors import ExportError
from geo.export.layers import SpreadLayer
from geo.export.taskgrid import TaskGrid, rate_mg_m2

#: Highest zone code.
MOST_ZONES = 254
#: A coordinate further than this from the block is a slip. [deg], about 1 km
NEAR_DEG = 0.012


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
