"""Which vines to take leaves from, when, and which organ: what releases the rates that are held."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry.base import BaseGeometry

from geo.season import Season
from geo.tissue import release_tests
from geo.zones import ZoneMap

#: Amendment -> key of the plant test that releases it.
RELEASED_BY = {
    "potassium": "k",
    "magnesium": "mg",
    "phosphorus": "p",
    "zinc": "zn",
    "boron": "b",
    "manganese": "mn",
}
#: Spots named as landmarks for one sample of leaves.
MOST_LANDMARKS = 6

Place = tuple[str, float, float]


@dataclass(frozen=True)
class TissueAsk:
    """One plant sample to take.

    Attributes
    ----------
    part : str
        "all of the block" or "zone 2".
    organ, stage : str
        Those of the published limits that can release the rate.
    amendments : tuple of str
        What waits for it.
    beside : tuple of str
        Ids of the spots whose vines stand for this part; empty where no spot lies in it.
    """

    part: str
    organ: str
    stage: str
    amendments: tuple[str, ...]
    beside: tuple[str, ...]


def tissue_asks(last: Season | None, spots: Sequence[Place]) -> tuple[TissueAsk, ...]:
    """Plant samples that would release what is held, the fewest that do, by zone.

    Parameters
    ----------
    last : Season or None
        The last survey, run.
    spots : sequence of (sample id, x, y)
        Spots of the plan. [m]
    """
    if last is None:
        return ()
    waiting = {
        r.amendment: release_tests(RELEASED_BY[r.amendment], last.block.site.crop)
        for r in last.requirements
        if r.kind == "held" and r.amendment in RELEASED_BY and len(r.draws)
    }
    waiting = {amendment: tests for amendment, tests in waiting.items() if tests}
    asks: list[TissueAsk] = []
    while waiting:
        counts = Counter(test for tests in waiting.values() for test in tests)
        test = max(counts, key=lambda one: (counts[one], -_rank(waiting, one)))
        served = tuple(a for a, tests in waiting.items() if test in tests)
        organ, _, stage = test.partition(", ")
        for part, beside in _parts(last, served, spots):
            asks.append(TissueAsk(part, organ, stage, served, beside))
        waiting = {a: tests for a, tests in waiting.items() if a not in served}
    return tuple(asks)


def _rank(waiting: dict[str, tuple[str, ...]], test: str) -> int:
    return min(tests.index(test) for tests in waiting.values() if test in tests)


def _parts(
    last: Season, amendments: Sequence[str], spots: Sequence[Place]
) -> list[tuple[str, tuple[str, ...]]]:
    """Parts of the block that would get different rates, with the spots in each."""
    maps = [m for m in last.zone_maps if m.amendment in amendments and len(m.zones) > 1]
    if not maps:
        return [("all of the block", tuple(name for name, _, _ in spots[:MOST_LANDMARKS]))]
    chosen: ZoneMap = max(maps, key=lambda zone_map: len(zone_map.zones))
    return [(f"zone {zone.zone_id}", _inside(zone.outline, spots)) for zone in chosen.zones]


def _inside(outline: BaseGeometry, spots: Sequence[Place]) -> tuple[str, ...]:
    inside = [name for name, x, y in spots if outline.covers(shapely.Point(x, y))]
    return tuple(inside[:MOST_LANDMARKS])
