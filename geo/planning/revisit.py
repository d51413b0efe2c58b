"""Which stations to return to, so that change can be told from place to place.

Returning to the same spots sees change better than fresh ones (Lark, 2009, European Journal of
Soil Science 60, 748); half to two thirds of a survey is the usual share here.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geo.grids import Array
from geo.planning.constraints import within
from geo.planning.exchange import Problem, choose_all_there_is
from geo.planning.signals import Signal
from geo.treated import TreatedArea

#: Share of a plan's spots that return to old stations. [1]
REPEAT_SHARE = 2.0 / 3.0
#: Stations nearer than this were close pairs, of which one is enough. [m]
PAIR_APART_M = 10.0
#: Stations to return to in every treated area and check strip.
EACH_AREA = 2


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
