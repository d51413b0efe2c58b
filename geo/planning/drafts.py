"""Spots before they have a number: even cover, repeats, infill, and what each is for in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geo.grids import Array
from geo.planning.constraints import rows_of, too_close, within
from geo.planning.design import companions, pair_count
from geo.planning.quality import nearest_m
from geo.planning.records import Wishes
from geo.planning.revisit import REPEAT_SHARE, panel
from geo.planning.search import Found, cover, new_spots, with_known
from geo.planning.site import Site, as_pair, as_places, as_point
from geo.planning.stakes import limit_words

#: Chance that leaves a decision open. [1]
OPEN = (0.1, 0.9)


@dataclass(frozen=True)
class Draft:
    """A spot before it has a number."""

    xy: tuple[float, float]
    kind: str
    reason: str
    sample_id: str = ""


def first_survey(site: Site, wishes: Wishes, rng: np.random.Generator) -> list[Draft]:
    """Even cover, and a few close companions that show how soil changes within steps."""
    ground = site.ground
    asked = [Draft(as_pair(xy), "fixed", "Asked for.") for xy in site.fixed]
    pairs = min(pair_count(wishes.spots), max(0, wishes.spots - len(asked) - 1))
    even = cover(ground, wishes.spots - len(asked) - pairs, rng)
    drafts = [*asked, *(Draft(as_pair(xy), "new", _gap_reason(xy, even)) for xy in even)]
    hosts = as_places([draft.xy for draft in drafts])
    fine = _near(hosts, site)
    chosen = fine[companions(hosts, pairs, within(site.area, fine), fine, rows_of(site.block))]
    reason = "Close companion: shows how much the soil changes within a few steps."
    drafts += [Draft(as_pair(xy), "pair", reason) for xy in chosen]
    missing = wishes.spots - len(drafts)
    if missing > 0:  # Too narrow for companions: even cover takes their place.
        more = cover(with_known(ground, as_places([draft.xy for draft in drafts])), missing, rng)
        drafts += [Draft(as_pair(xy), "new", _gap_reason(xy, more)) for xy in more]
    return drafts


def _near(hosts: Array, site: Site) -> Array:
    """Fine candidates around spots: along the row by vines, or on a small lattice. [m]"""
    rows = rows_of(site.block)
    if rows is not None:
        vine = rows.vine_m or 1.0
        steps = [k * vine for k in range(-5, 6) if k]
        return np.vstack([hosts + step * rows.along for step in steps])
    turns = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    around = 3.5 * np.column_stack([np.cos(turns), np.sin(turns)])
    return np.vstack([hosts + step for step in around])


def following_survey(
    site: Site, wishes: Wishes, rng: np.random.Generator
) -> tuple[list[Draft], Found]:
    """A panel of old stations, spots asked for, a second spot in a check strip, and infill."""
    ids = [i for i, xy in site.stations.items() if site.block.outline.covers(as_point(xy))]
    places = as_places([site.stations[i] for i in ids])
    count = wishes.repeats if wishes.repeats is not None else round(REPEAT_SHARE * wishes.spots)
    count = max(0, min(count, wishes.spots - len(site.fixed)))
    must = [ids.index(name) for name in wishes.keep if name in ids]
    again = panel(places, count, site.treated, site.ground.signal, site.ground.nodes, must)
    drafts = [
        Draft(as_pair(places[i]), "repeat", _repeat_reason(places[i], site), ids[i]) for i in again
    ]
    drafts += [Draft(as_pair(xy), "fixed", "Asked for.") for xy in site.fixed]
    settled = with_known(site.ground, places[again])
    strips = _strip_spots(site, drafts, wishes.spots - len(drafts))
    drafts += [Draft(as_pair(xy), "new", "Second spot in the check strip, for the season.")
               for xy in strips]  # fmt: skip
    settled = with_known(settled, strips)
    sure = as_places([draft.xy for draft in drafts])
    found = new_spots(settled, wishes.spots - len(drafts), site.stakes, rng, sure)
    reasons = _new_reasons(found, site)
    drafts += [
        Draft(as_pair(xy), "new", reason) for xy, reason in zip(found.spots, reasons, strict=True)
    ]
    return drafts, found


def _strip_spots(site: Site, drafts: Sequence[Draft], room: int) -> Array:
    """One more spot in every check strip that holds only one station. [m]"""
    ground = site.ground
    chosen: list[Array] = []
    spots = as_places([draft.xy for draft in drafts])
    for area in (area for area in site.treated if area.check):
        inside = int(within(area.shape, spots).sum()) if len(spots) else 0
        if inside >= 2 or len(chosen) >= room:
            continue
        free = within(area.shape, ground.places)
        free &= ~too_close(ground.places, ground.keep_off, ground.spacing_m)
        if free.any():
            gap = nearest_m(spots, ground.places)
            chosen.append(ground.places[int(np.argmax(np.where(free, gap, -1.0)))])
    return as_places(chosen)


def _repeat_reason(xy: Array, site: Site) -> str:
    for area in sorted(site.treated, key=lambda area: not area.check):
        if area.shape.covers(as_point(xy)):
            if area.check:
                return "Repeat in the check strip: shows what the season did by itself."
            if area.name == "not treated":
                return "Repeat where nothing was spread, to compare with."
            if area.name != "all" and not set(area.name) & set("<>="):
                return f"Repeat, so that change can be seen where it was spread: {area.name}."
            return "Repeat, so that change can be seen where it was spread."
    return "Repeat, so that change can be seen."


def _new_reasons(found: Found, site: Site) -> list[str]:
    """What each new spot is for, in words."""
    if not len(found.spots):
        return []
    gaps = nearest_m(site.old, found.spots)
    widest = int(np.argmax(gaps))
    reasons = []
    for index, xy in enumerate(found.spots):
        limit = _limit_reason(xy, site)
        start = "Widest gap" if index == widest else "Gap"
        gap = f"{start}: {gaps[index]:.0f} m to the nearest sample."
        reasons.append(limit if limit and found.by_stake else f"{gap} {limit}".strip())
    return reasons


def _limit_reason(xy: Array, site: Site) -> str:
    """The decision a spot could turn; empty where none is open there."""
    node = int(np.argmin(np.hypot(*(site.ground.nodes - xy).T)))
    open_here = [s for s in site.stakes if OPEN[0] <= s.chance[node] <= OPEN[1]]
    if not open_here:
        return ""
    stake = max(open_here, key=lambda s: float(s.worth_of_all[node]))
    below = round(100 * float(stake.chance[node]))
    name = stake.name if stake.name.startswith("pH") else stake.name[:1].upper() + stake.name[1:]
    limit = limit_words(stake.key, stake.limit)
    return f"{name} could be either side of {limit}: {below} in 100 below."


def _gap_reason(xy: Array, spots: Array) -> str:
    others = spots[np.hypot(*(spots - xy).T) > 0.0]
    if not len(others):
        return "Even cover."
    return f"Even cover: {float(nearest_m(others, xy[None, :])[0]):.0f} m to the next spot."
