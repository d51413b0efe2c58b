"""Season -> SamplePlan for next year: where to take samples, in what order, and what each is for.

A block without data gets even cover and a few close pairs. A block with data is revisited at half
to two thirds of the spots, and new ones go where the widest doubt is or where a decision could
turn.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely

from geo.blocks import Block
from geo.crs import to_lonlat, to_metric
from geo.errors import KrigingError
from geo.grids import Array
from geo.planning.asking import (
    FEWEST,
    MOST,
    share_budget,
    spending_note,
    spots_asked,
    usual_spots,
    wide_curve,
)
from geo.planning.constraints import NO_GO_MARGIN_M, rows_of
from geo.planning.drafts import Draft, first_survey, following_survey
from geo.planning.ids import next_ids
from geo.planning.quality import nearest_m
from geo.planning.records import (
    COMPANION_RING_M,
    RING_M,
    Known,
    PlanQuality,
    SamplePlan,
    Spot,
    Wishes,
)
from geo.planning.rowwalk import walls_of
from geo.planning.search import Found, at_stake
from geo.planning.site import Site, as_pair, as_places, metric_place, site_of
from geo.planning.size import SizePoint, cost_of, hours_of, size_curve, sizes_around
from geo.planning.tissue import TissueAsk, tissue_asks
from geo.planning.walk import days_of, walked_m
from geo.planning.wished import check_wishes, place_words, way_of_wishes, wishes_of
from geo.planning.worth import quality_of
from geo.season import Season
from geo.settings import Settings

__all__ = [
    "Known",
    "PlanQuality",
    "SamplePlan",
    "SizePoint",
    "Spot",
    "TissueAsk",
    "Wishes",
    "check_wishes",
    "move_spots",
    "place_words",
    "plan_block",
    "share_budget",
    "spots_asked",
    "too_near",
    "usual_spots",
    "walls_of",
    "wide_curve",
    "wishes_of",
]

#: Said between how far a person has moved a spot and what it is for.
PLANNED_AS = " by hand; planned as: "
#: Depth where neither an earlier survey nor farm.toml names one; common practice, no source. [cm]
USUAL_DEPTH_CM = (0.0, 15.0)


def plan_block(
    block: Block, season: int, wishes: Wishes, known: Known, settings: Settings,
    rng: np.random.Generator,
) -> SamplePlan:  # fmt: skip
    """The sampling plan of one block.

    Parameters
    ----------
    block : Block
    season : int
        The season that is planned.
    wishes : Wishes
    known : Known
        Nothing for a first survey.
    settings : Settings
        Costs are used.
    rng : Generator

    Raises
    ------
    KrigingError
        If the field has no room for what is asked.
    """
    _check(wishes, known, block)
    check_wishes(wishes, block)
    site = site_of(block, wishes, known)
    if known.stations:
        drafts, found = following_survey(site, wishes, rng)
    else:
        drafts, found = first_survey(site, wishes, rng), Found(np.empty((0, 2)), False)
    spots, way_m, gate = _walked(drafts, block, wishes, known)
    xy = np.array([[spot.x_m, spot.y_m] for spot in spots])
    depth, methods = _as_last_time(block, known.last)
    cost = cost_of(len(spots), way_m, settings.costs)
    spending = spending_note(cost, known.last, settings.currency)
    notes = _notes(site, found, known, len(spots), wishes)
    return SamplePlan(
        block=block,
        season=season,
        after=known.last.season if known.last else None,
        spots=spots,
        depth_cm=depth,
        methods=methods,
        gate_m=gate,
        walked_m=way_m,
        hours=hours_of(len(spots), way_m, settings.costs),
        cost=cost,
        currency=settings.currency,
        quality=quality_of(site, xy, _repeats(spots), rng),
        curve=size_curve(
            site.ground.signal, site.ground.nodes, site.old, sizes_around(wishes.spots),
            settings.costs, way_of_wishes(block, wishes), rng,
        ),
        tissue=tissue_asks(known.last, [(s.sample_id, s.x_m, s.y_m) for s in spots]),
        notes=(spending, *notes) if spending else notes,
        no_go=tuple(to_metric(shape, block.crs) for shape in wishes.no_go),
        strips=tuple(
            area.shape.intersection(block.outline) for area in site.treated if area.check
        ),
        along_rows=wishes.along_rows,
    )  # fmt: skip


def move_spots(
    plan: SamplePlan, places: Mapping[str, tuple[float, float]], site: Site, settings: Settings,
    rng: np.random.Generator,
) -> SamplePlan:  # fmt: skip
    """The plan with some of its new spots elsewhere, in the same order of walking.

    Parameters
    ----------
    places : mapping
        Sample id -> new place in the block's metric CRS. [m]
    site : Site
        The block as the plan saw it.

    Raises
    ------
    KrigingError
        If a spot is not of the plan, is a station to repeat, or would leave its ground.
    """
    by_id = {spot.sample_id: spot for spot in plan.spots}
    for name, place in places.items():
        _check_move(by_id.get(name), name, place, plan, site)
    spots = _with_rings(
        [_moved(spot, places.get(spot.sample_id), plan.block) for spot in plan.spots]
    )
    xy = as_places([(spot.x_m, spot.y_m) for spot in spots])
    numbers = np.array([spot.day for spot in spots])
    days = [np.flatnonzero(numbers == day).tolist() for day in np.unique(numbers)]
    gate = None if plan.gate_m is None else np.array(plan.gate_m)
    way_m = walked_m(xy, days, gate, walls_of(plan.block) if plan.along_rows else None)
    return replace(
        plan,
        spots=spots,
        walked_m=way_m,
        hours=hours_of(len(spots), way_m, settings.costs),
        cost=cost_of(len(spots), way_m, settings.costs),
        quality=quality_of(site, xy, _repeats(spots), rng),
    )


def too_near(plan: SamplePlan, moved: Collection[str], spacing_m: float) -> tuple[str, ...]:
    """What is to be said of spots moved so near to another that both tell nearly the same."""
    said = []
    xy = as_places([(spot.x_m, spot.y_m) for spot in plan.spots])
    for index, spot in enumerate(plan.spots):
        if spot.sample_id not in moved or spot.kind == "pair":
            continue
        away = np.hypot(*(xy - xy[index]).T)
        away[index] = np.inf
        nearest = int(away.argmin())
        if away[nearest] < spacing_m:
            said.append(
                f"{spot.sample_id} stands {away[nearest]:.0f} m from "
                f"{plan.spots[nearest].sample_id}: so near, two bags tell little more of the map "
                f"than one. The plan keeps {spacing_m:.0f} m. Keep it so only as a close pair, to "
                "see how much the soil changes within steps."
            )
    return tuple(said)


def _check_move(
    spot: Spot | None, name: str, place: tuple[float, float], plan: SamplePlan, site: Site
) -> None:
    if spot is None:
        raise KrigingError(f"The plan has no spot {name!r}. Load the page again.")
    if spot.kind == "repeat":
        raise KrigingError(
            f"{name} is repeated so that change can be seen; elsewhere it would not be."
        )
    if any(shape.distance(shapely.Point(place)) < NO_GO_MARGIN_M for shape in plan.no_go):
        raise KrigingError(
            f"{name} would stand in, or within {NO_GO_MARGIN_M:g} m of, an area that this plan "
            "keeps off. Move it out."
        )
    if not site.area.covers(shapely.Point(place)):
        raise KrigingError(
            f"{name} would stand outside {site.block.name} or too near its edge. Move it inward."
        )


def _moved(spot: Spot, place: tuple[float, float] | None, block: Block) -> Spot:
    if place is None:
        return spot
    lonlat = to_lonlat(shapely.Point(place), block.crs)
    planned = spot.planned_m or (spot.x_m, spot.y_m)
    away_m = math.dist(planned, place)
    far = "less than 1 m" if away_m < 1.0 else f"{away_m:.0f} m"
    return replace(
        spot, x_m=place[0], y_m=place[1], lon=lonlat.x, lat=lonlat.y, planned_m=planned,
        reason=f"Moved {far}{PLANNED_AS}{spot.reason.rpartition(PLANNED_AS)[2]}",
    )  # fmt: skip


def _check(wishes: Wishes, known: Known, block: Block) -> None:
    if wishes.spots < FEWEST:
        raise KrigingError(f"{wishes.spots} spots map nothing: ask for {FEWEST} or more.")
    if wishes.spots > MOST:
        raise KrigingError(
            f"{wishes.spots} spots in one block are more than one plan holds: ask for {MOST} or "
            "fewer spots, or split the block."
        )
    if len(wishes.fixed_lonlat) > wishes.spots:
        raise KrigingError(
            f"{len(wishes.fixed_lonlat)} spots are asked for by their place, more than the "
            f"{wishes.spots} of the plan. Raise the number, or take some out."
        )
    strange = [name for name in wishes.keep if name not in known.stations]
    if strange:
        raise KrigingError(
            f"{block.name} has had no station {strange[0]!r}, so it cannot be repeated. A new "
            "place can be asked for by its longitude and latitude."
        )


def _walked(
    drafts: Sequence[Draft], block: Block, wishes: Wishes, known: Known
) -> tuple[tuple[Spot, ...], float, tuple[float, float] | None]:
    """Spots numbered in walking order, with ids that carry on the block's own."""
    xy = as_places([draft.xy for draft in drafts])
    gate = (
        None
        if wishes.gate_lonlat is None
        else as_places([metric_place(wishes.gate_lonlat, block)])[0]
    )
    walls = walls_of(block) if wishes.along_rows else None
    days = days_of(xy, gate, wishes.most_a_day, walls)
    fresh = sum(not draft.sample_id for draft in drafts)
    names = iter(next_ids(fresh, list(known.stations), known.taken, block.slug))
    spots: list[Spot] = []
    for day, order in enumerate(days, start=1):
        for index in order:
            draft = drafts[index]
            lonlat = to_lonlat(shapely.Point(draft.xy), block.crs)
            spot = Spot(
                number=len(spots) + 1,
                sample_id=draft.sample_id or next(names),
                x_m=draft.xy[0],
                y_m=draft.xy[1],
                lon=lonlat.x,
                lat=lonlat.y,
                kind=draft.kind,
                reason=draft.reason,
                day=day,
            )
            spots.append(spot)
    return (
        _with_rings(spots),
        walked_m(xy, days, gate, walls),
        None if gate is None else as_pair(gate),
    )


def _with_rings(spots: Sequence[Spot]) -> tuple[Spot, ...]:
    """Rings drawn in where two spots stand so near that their cores would mix."""
    xy = np.array([[spot.x_m, spot.y_m] for spot in spots])
    ringed = []
    for index, spot in enumerate(spots):
        others = np.delete(xy, index, axis=0)
        near = float(nearest_m(others, xy[index : index + 1])[0]) if len(others) else np.inf
        ringed.append(replace(spot, ring_m=RING_M if near > 2.0 * RING_M else COMPANION_RING_M))
    return tuple(ringed)


def _repeats(spots: Sequence[Spot]) -> Array:
    return as_places([(spot.x_m, spot.y_m) for spot in spots if spot.kind == "repeat"])


def _as_last_time(
    block: Block, last: Season | None
) -> tuple[tuple[float, float], Mapping[str, str]]:
    if last is not None:
        samples = last.checked.samples
        return samples.depth_cm, dict(samples.methods)
    depth = block.site.amended_depth_cm
    return ((0.0, depth) if depth else USUAL_DEPTH_CM), {}


def _borrowed_note(known: Known) -> str:
    """Which variogram a first survey is planned with."""
    names = [other.block for other in known.elsewhere if other.models]
    if not names:
        return (
            "How fast the soil changes is taken from what is usual in blocks of this size: the "
            "farm has no other block with a survey."
        )
    blocks = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    return (
        f"How fast the soil changes is taken from the farm's own {blocks} in equal parts, and "
        "from what is usual as one part more."
    )


def _notes(site: Site, found: Found, known: Known, spots: int, wishes: Wishes) -> tuple[str, ...]:
    notes = []
    if not known.stations:
        notes.append(
            "First survey: nothing is known of this block yet, so the spots cover it evenly, and "
            "a few close companions show how much the soil changes within steps."
        )
        notes.append(_borrowed_note(known))
    elif not found.by_stake and len(found.spots):
        notes.append(
            "For the decisions at stake even cover tells as much as spots bent towards them: the "
            "new ones close gaps."
            if at_stake(site.stakes)
            else "No decision is near a limit, so the new spots close gaps."
        )
    if spots < wishes.spots:
        notes.append(f"{wishes.spots} spots were asked for; the field has room for {spots}.")
    if rows_of(site.block) is None:
        notes.append(
            "farm.toml does not say which way the rows run and how wide they are, so the spots "
            "are not put on rows: take the nearest vine, always the same side of the row."
        )
    else:
        notes.append(
            "The spots keep to the direction and spacing of the rows; where the first row really "
            "stands is not on file, so take the nearest vine, always the same side of the row."
        )
    if wishes.along_rows:
        notes.append(
            "The walk crosses no row: it goes round the row ends at the block's edge. Where an "
            "alley cuts through the rows it is shorter."
        )
    return tuple(notes)
