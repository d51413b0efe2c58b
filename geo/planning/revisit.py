"""Which stations to return to, so that change can be told from place to place.

Returning to the same spots sees change better than fresh ones (Lark, 2009, European Journal of
Soil Science 60, 748); half to two thirds of a survey is the usual share here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.grids import Array
from geo.intake.reading import Application
from geo.planning.constraints import within
from geo.planning.exchange import Problem, choose_all_there_is
from geo.planning.signals import Signal

#: Share of a plan's spots that return to old stations. [1]
REPEAT_SHARE = 2.0 / 3.0
#: Stations nearer than this were close pairs, of which one is enough. [m]
PAIR_APART_M = 10.0
#: Stations to return to in every treated area and check strip.
EACH_AREA = 2
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
    from geo.crs import to_metric

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


def panel(
    stations: Array, count: int, areas: Sequence[TreatedArea], signal: Signal, nodes: Array,
    must: Sequence[int] = (),
) -> list[int]:  # fmt: skip
    """Stations to return to, the most telling first.

    Two in every treated area and check strip, then those that together tell most of the block;
    of a close pair only one.

    Parameters
    ----------
    stations : array (n, 2)
        [m]
    count : int
        At most so many.
    signal : Signal
    nodes : array (m, 2)
        Where the variance counts. [m]
    must : sequence of int
        Stations asked for; they come first.
    """
    if not len(stations) or count <= 0:
        return []
    seeds = _seeds(stations, areas, must)[:count]
    problem = Problem(
        signal=signal,
        nodes=nodes,
        weights=np.full(len(nodes), 1.0 / len(nodes)),
        places=stations,
        fixed=stations[seeds],
        keep_off=stations[seeds],
        spacing_m=PAIR_APART_M,
    )
    return [*seeds, *(int(i) for i in choose_all_there_is(problem, count - len(seeds)))]


def _seeds(stations: Array, areas: Sequence[TreatedArea], must: Sequence[int]) -> list[int]:
    """What is asked for, then two stations an area, check strips first, far from each other."""
    seeds: list[int] = list(must)
    for area in sorted(areas, key=lambda area: not area.check):
        here = [int(i) for i in np.flatnonzero(within(area.shape, stations)) if i not in seeds]
        middle = np.array(area.shape.centroid.coords[0])
        here.sort(key=lambda i: float(np.hypot(*(stations[i] - middle))))
        mine = [i for i in must if within(area.shape, stations[[i]])[0]]
        for one in (*here[:1], *reversed(here[1:])):
            apart = [float(np.hypot(*(stations[one] - stations[i]))) for i in (*seeds, *mine)]
            if len(mine) < EACH_AREA and min(apart, default=np.inf) >= PAIR_APART_M:
                mine.append(one)
        seeds += [i for i in mine if i not in seeds]
    return seeds
