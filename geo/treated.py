"""Ground by what the spreading records say it got, check strips on their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.crs import to_metric
from geo.intake.reading import Application

#: A part narrower than this and three times as long is a strip. [m]
STRIP_M = 30.0


@dataclass(frozen=True)
class TreatedArea:
    """Ground that was treated alike, or left untreated on purpose. [m]"""

    name: str
    shape: BaseGeometry
    check: bool


def treated_areas(applications: Sequence[Application], crs: str) -> tuple[TreatedArea, ...]:
    """Areas of the spreading records that say where they lie; check strips on their own."""
    areas: dict[str, TreatedArea] = {}
    for one in applications:
        if not one.where_lonlat:
            continue
        shape = to_metric(shapely.from_wkt(one.where_lonlat), crs)
        untreated = one.rate_kg_ha == 0.0
        said = "check" in f"{one.zone} {one.note}".lower()
        strips = [p for p in shapely.get_parts(shape) if untreated and (said or _is_strip(p))]
        strips = [p for p in strips if _is_strip(p)] or strips
        for part in strips:
            areas[part.wkt] = TreatedArea("check strip", part, True)
        rest = [p for p in shapely.get_parts(shape) if p not in strips]
        if rest:
            name = "not treated" if untreated else one.zone or one.product
            whole = shapely.union_all(rest)
            areas[whole.wkt] = TreatedArea(name, whole, False)
    return tuple(areas.values())


def _is_strip(shape: BaseGeometry) -> bool:
    if shape.geom_type != "Polygon" or not shape.area:
        return False
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    sides = np.hypot(*np.diff(box[:3], axis=0).T)
    return bool(sides.min() < STRIP_M and sides.max() > 3.0 * sides.min())
