"""Season -> SamplePlan for next year: where to take samples, in what order, and what each is for.

A block without data gets even cover and a few close pairs. A block with data is revisited at half
to two thirds of the spots, and new ones go where the widest doubt is or where a decision could
turn.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.crs import lonlat_to_xy, to_lonlat, to_metric
from geo.errors import KrigingError
from geo.frame import Frame, frame_of
from geo.grids import Array
from geo.intake.reading import Application
from geo.planning.constraints import (
    allowed_area,
    candidates,
    edge_buffer_m,
    rows_of,
    too_close,
    usual_spacing_m,
    within,
)
from geo.planning.design import companions, pair_count
from geo.planning.ids import next_ids
from geo.planning.quality import (
    believed_variance,
    closest_pair_m,
    kriging_variance,
    largest_gap_m,
    nearest_m,
)
from geo.planning.revisit import REPEAT_SHARE, TreatedArea, panel, treated_areas
from geo.planning.search import Found, Ground, at_stake, cover, new_spots, with_known
from geo.planning.signals import mean_signal, signals_of_belief
from geo.planning.size import SizePoint, cost_of, hours_of, size_curve, sizes_around
from geo.planning.stakes import Stake, scaled_signal, stakes_of, worth_of_plan
from geo.planning.tissue import TissueAsk, tissue_asks
from geo.planning.walk import days_of, walked_m
from geo.season import Season
from geo.settings import Settings
from geo.surfaces import Surface

#: Candidates and nodes of a search; a block of the usual size is searched in seconds.
PLACES, NODES = 4000, 800
#: Fewest spots a block can be mapped from.
FEWEST = 3
#: Chance that leaves a decision open. [1]
OPEN = (0.1, 0.9)
#: Designs at random that a plan is compared with.
RANDOM_PLANS = 40
#: Depth where neither an earlier survey nor farm.toml names one; common practice, no source. [cm]
USUAL_DEPTH_CM = (0.0, 15.0)
#: Cores in a bag and their ring; 8 to 10 on 3 to 5 m keep the bag near the mean of its cell, a
#: companion's stay within arm's length of it. [m]
CORES, RING_M, COMPANION_RING_M = 9, 3.0, 0.8


@dataclass(frozen=True)
class Wishes:
    """What a person asks of a plan.

    Attributes
    ----------
    spots : int
    repeats : int or None
        Stations to return to; None takes about two thirds.
    gate_lonlat : (float, float) or None
        Where every day's walk begins and ends. [deg]
    no_go : tuple of polygon
        WGS84: yard, filled dam, soil known to be different. [deg]
    fixed_lonlat : tuple of (float, float)
        Spots asked for. [deg]
    keep : tuple of str
        Stations that must be among the repeats.
    most_a_day : int or None
    """

    spots: int
    repeats: int | None = None
    gate_lonlat: tuple[float, float] | None = None
    no_go: tuple[BaseGeometry, ...] = ()
    fixed_lonlat: tuple[tuple[float, float], ...] = ()
    keep: tuple[str, ...] = ()
    most_a_day: int | None = None


@dataclass(frozen=True)
class Spot:
    """One place to sample.

    Attributes
    ----------
    number : int
        In walking order, from 1.
    sample_id : str
        What is written on the bag.
    x_m, y_m, lon, lat : float
        In the block's metric CRS [m] and in WGS84 [deg].
    kind : str
        "repeat", "new", "pair" (a close companion) or "fixed" (asked for).
    reason : str
    day : int
        From 1.
    cores : int
        Cores in the bag.
    ring_m : float
        Radius of their ring. [m]
    """

    number: int
    sample_id: str
    x_m: float
    y_m: float
    lon: float
    lat: float
    kind: str
    reason: str
    day: int
    cores: int = CORES
    ring_m: float = RING_M


@dataclass(frozen=True)
class PlanQuality:
    """What a plan is worth, told before anything is measured.

    Attributes
    ----------
    key : str
        The property it is told by; empty where nothing has been measured yet.
    unit : str
        Unit of the doubts; "of the spread" without data, "of the value" on the log scale.
    doubt_before, doubt_after : float
        Kriging sd over the block, from the mean variance; NaN before a first survey.
    against_random : float
        Mean variance over that of plans with the same repeats and the rest at random. [1]
    gap_m, closest_m : float
        Largest distance to the nearest sample; the two spots nearest to each other. [m]
    worth_share : float
        Share of what knowing everything would be worth to the decisions; NaN where none is near.
    """

    key: str
    unit: str
    doubt_before: float
    doubt_after: float
    against_random: float
    gap_m: float
    closest_m: float
    worth_share: float


@dataclass(frozen=True)
class SamplePlan:
    """Where to sample a block in a season.

    Attributes
    ----------
    block : Block
    season : int
    after : int or None
        Season of the survey it builds on; None for a first survey.
    spots : tuple of Spot
        In walking order.
    depth_cm : (float, float)
    methods : mapping
        Property key -> method asked of the laboratory, as last time.
    gate_m : (float, float) or None
    walked_m, hours, cost : float
        Way [m], work [h], laboratory and work [currency].
    quality : PlanQuality
    curve : tuple of SizePoint
    tissue : tuple of TissueAsk
    notes : tuple of str
    """

    block: Block
    season: int
    after: int | None
    spots: tuple[Spot, ...]
    depth_cm: tuple[float, float]
    methods: Mapping[str, str]
    gate_m: tuple[float, float] | None
    walked_m: float
    hours: float
    cost: float
    currency: str
    quality: PlanQuality
    curve: tuple[SizePoint, ...]
    tissue: tuple[TissueAsk, ...] = ()
    notes: tuple[str, ...] = ()

    def of_kind(self, kind: str) -> tuple[Spot, ...]:
        """Spots of one kind."""
        return tuple(spot for spot in self.spots if spot.kind == kind)


@dataclass(frozen=True)
class Known:
    """What is known of a block before the season that is planned.

    Attributes
    ----------
    last : Season or None
        The last survey, run.
    stations : mapping
        Sample id -> longitude and latitude of every station the block has had. [deg]
    taken : collection of str
        Every sample id of the farm.
    applications : sequence of Application
        What was spread on the block.
    """

    last: Season | None = None
    stations: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    taken: Collection[str] = ()
    applications: Sequence[Application] = ()


@dataclass(frozen=True)
class _Draft:
    """A spot before it has a number."""

    xy: tuple[float, float]
    kind: str
    reason: str
    sample_id: str = ""


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
    if wishes.spots < FEWEST:
        raise KrigingError(f"{wishes.spots} spots map nothing: ask for {FEWEST} or more.")
    field_ = _field(block, wishes, known)
    if known.stations:
        drafts, found = _following(field_, wishes, rng)
    else:
        drafts, found = _first(field_, wishes, rng), Found(np.empty((0, 2)), False)
    spots, way_m, gate = _walked(drafts, block, wishes, known)
    xy = np.array([[spot.x_m, spot.y_m] for spot in spots])
    depth, methods = _as_last_time(block, known.last)
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
        cost=cost_of(len(spots), way_m, settings.costs),
        currency=settings.currency,
        quality=_quality(field_, xy, _repeats(spots), rng),
        curve=size_curve(
            field_.ground.signal, field_.ground.nodes, field_.old, sizes_around(wishes.spots),
            settings.costs, block.outline.area, rng,
        ),
        tissue=tissue_asks(known.last, [(s.sample_id, s.x_m, s.y_m) for s in spots]),
        notes=_notes(field_, found, known, len(spots), wishes),
    )  # fmt: skip


@dataclass(frozen=True)
class _Field:
    """The block as the search sees it."""

    block: Block
    ground: Ground
    area: BaseGeometry
    stations: Mapping[str, tuple[float, float]]
    old: Array
    fixed: Array
    treated: tuple[TreatedArea, ...]
    stakes: tuple[Stake, ...]
    lead: Surface | None


def _field(block: Block, wishes: Wishes, known: Known) -> _Field:
    area = allowed_area(
        block.outline, edge_buffer_m(block), [to_metric(s, block.crs) for s in wishes.no_go]
    )
    nodes = candidates(block.outline, None, NODES)
    stakes = stakes_of(known.last, nodes) if known.last else ()
    lead = _lead(known.last, stakes)
    scaled = scaled_signal(lead) if lead is not None else None
    signal = mean_signal(None, _frame(block)) if scaled is None else scaled[0]
    stations = _metric(known.stations, block)
    old = _array(list(stations.values()))
    ground = Ground(
        signal=signal,
        nodes=nodes,
        places=candidates(area, rows_of(block), PLACES),
        known=old,
        keep_off=old,
        spacing_m=usual_spacing_m(block.outline.area, wishes.spots + len(old)),
    )
    fixed = _array([_xy(place, block) for place in wishes.fixed_lonlat])
    treated = treated_areas(known.applications, block.crs)
    return _Field(block, with_known(ground, fixed), area, stations, old, fixed, treated, stakes,
                  lead)  # fmt: skip


def _lead(last: Season | None, stakes: Sequence[Stake]) -> Surface | None:
    """The property a plan is told by: the one most at stake, else the first with a useful map."""
    if last is None:
        return None
    believed = [surface for surface in last.surfaces.values() if surface.belief is not None]
    if at_stake(stakes):
        return last.surfaces[stakes[0].key]
    useful = [surface for surface in believed if surface.verdict == "useful"]
    return next(iter([*useful, *believed]), None)


def _first(field_: _Field, wishes: Wishes, rng: np.random.Generator) -> list[_Draft]:
    """Even cover, and a few close companions that show how soil changes within steps."""
    ground = field_.ground
    asked = [_Draft(_pair(xy), "fixed", "Asked for.") for xy in field_.fixed]
    pairs = min(pair_count(wishes.spots), max(0, wishes.spots - len(asked) - 1))
    even = cover(ground, wishes.spots - len(asked) - pairs, rng)
    drafts = [*asked, *(_Draft(_pair(xy), "new", _gap_reason(xy, even)) for xy in even)]
    hosts = _array([draft.xy for draft in drafts])
    fine = _near(hosts, field_)
    chosen = fine[companions(hosts, pairs, within(field_.area, fine), fine, rows_of(field_.block))]
    reason = "Close companion: shows how much the soil changes within a few steps."
    drafts += [_Draft(_pair(xy), "pair", reason) for xy in chosen]
    missing = wishes.spots - len(drafts)
    if missing > 0:  # Too narrow for companions: even cover takes their place.
        more = cover(with_known(ground, _array([draft.xy for draft in drafts])), missing, rng)
        drafts += [_Draft(_pair(xy), "new", _gap_reason(xy, more)) for xy in more]
    return drafts


def _near(hosts: Array, field_: _Field) -> Array:
    """Fine candidates around spots: along the row by vines, or on a small lattice. [m]"""
    rows = rows_of(field_.block)
    if rows is not None:
        vine = rows.vine_m or 1.0
        steps = [k * vine for k in range(-5, 6) if k]
        return np.vstack([hosts + step * rows.along for step in steps])
    turns = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    around = 3.5 * np.column_stack([np.cos(turns), np.sin(turns)])
    return np.vstack([hosts + step for step in around])


def _following(
    field_: _Field, wishes: Wishes, rng: np.random.Generator
) -> tuple[list[_Draft], Found]:
    """A panel of old stations, spots asked for, a second spot in a check strip, and infill."""
    ids = [i for i, xy in field_.stations.items() if field_.block.outline.covers(_point(xy))]
    places = _array([field_.stations[i] for i in ids])
    count = wishes.repeats if wishes.repeats is not None else round(REPEAT_SHARE * wishes.spots)
    count = min(count, wishes.spots - len(field_.fixed))
    must = [ids.index(name) for name in wishes.keep if name in ids]
    again = panel(places, count, field_.treated, field_.ground.signal, field_.ground.nodes, must)
    drafts = [
        _Draft(_pair(places[i]), "repeat", _repeat_reason(places[i], field_), ids[i]) for i in again
    ]
    drafts += [_Draft(_pair(xy), "fixed", "Asked for.") for xy in field_.fixed]
    settled = with_known(field_.ground, places[again])
    strips = _strip_spots(field_, drafts, wishes.spots - len(drafts))
    drafts += [_Draft(_pair(xy), "new", "Second spot in the check strip, for the season.")
               for xy in strips]  # fmt: skip
    settled = with_known(settled, strips)
    found = new_spots(settled, wishes.spots - len(drafts), field_.stakes, rng)
    reasons = _new_reasons(found, field_)
    drafts += [
        _Draft(_pair(xy), "new", reason) for xy, reason in zip(found.spots, reasons, strict=True)
    ]
    return drafts, found


def _strip_spots(field_: _Field, drafts: Sequence[_Draft], room: int) -> Array:
    """One more spot in every check strip that holds only one station. [m]"""
    ground = field_.ground
    chosen: list[Array] = []
    spots = _array([draft.xy for draft in drafts])
    for area in (area for area in field_.treated if area.check):
        inside = int(within(area.shape, spots).sum()) if len(spots) else 0
        if inside >= 2 or len(chosen) >= room:
            continue
        free = within(area.shape, ground.places)
        free &= ~too_close(ground.places, ground.keep_off, ground.spacing_m)
        if free.any():
            gap = nearest_m(spots, ground.places)
            chosen.append(ground.places[int(np.argmax(np.where(free, gap, -1.0)))])
    return _array(chosen)


def _repeat_reason(xy: Array, field_: _Field) -> str:
    for area in sorted(field_.treated, key=lambda area: not area.check):
        if area.shape.covers(_point(xy)):
            if area.check:
                return "Repeat in the check strip: shows what the season did by itself."
            if area.name == "not treated":
                return "Repeat where nothing was spread, to compare with."
            if area.name != "all":
                return f"Repeat, so that change can be seen where it was spread: {area.name}."
    return "Repeat, so that change can be seen."


def _new_reasons(found: Found, field_: _Field) -> list[str]:
    """What each new spot is for, in words."""
    if not len(found.spots):
        return []
    gaps = nearest_m(field_.old, found.spots)
    widest = int(np.argmax(gaps))
    reasons = []
    for index, xy in enumerate(found.spots):
        limit = _limit_reason(xy, field_)
        start = "Widest gap" if index == widest else "Gap"
        gap = f"{start}: {gaps[index]:.0f} m to the nearest sample."
        reasons.append(limit if limit and found.by_stake else f"{gap} {limit}".strip())
    return reasons


def _limit_reason(xy: Array, field_: _Field) -> str:
    """The decision a spot could turn; empty where none is open there."""
    node = int(np.argmin(np.hypot(*(field_.ground.nodes - xy).T)))
    open_here = [s for s in field_.stakes if OPEN[0] <= s.chance[node] <= OPEN[1]]
    if not open_here:
        return ""
    stake = max(open_here, key=lambda s: float(s.worth_of_all[node]))
    below = round(100 * float(stake.chance[node]))
    name = stake.name if stake.name.startswith("pH") else stake.name.capitalize()
    return f"{name} could be either side of {stake.limit:g}: {below} in 100 below."


def _gap_reason(xy: Array, spots: Array) -> str:
    others = spots[np.hypot(*(spots - xy).T) > 0.0]
    if not len(others):
        return "Even cover."
    return f"Even cover: {float(nearest_m(others, xy[None, :])[0]):.0f} m to the next spot."


def _walked(
    drafts: Sequence[_Draft], block: Block, wishes: Wishes, known: Known
) -> tuple[tuple[Spot, ...], float, tuple[float, float] | None]:
    """Spots numbered in walking order, with ids that carry on the block's own."""
    xy = _array([draft.xy for draft in drafts])
    gate = None if wishes.gate_lonlat is None else _array([_xy(wishes.gate_lonlat, block)])[0]
    days = days_of(xy, gate, wishes.most_a_day)
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
        walked_m(xy, days, gate),
        None if gate is None else _pair(gate),
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
    return _array([(spot.x_m, spot.y_m) for spot in spots if spot.kind == "repeat"])


def _quality(field_: _Field, xy: Array, repeats: Array, rng: np.random.Generator) -> PlanQuality:
    ground, lead = field_.ground, field_.lead
    known = np.vstack([field_.old, xy])
    mean = float(kriging_variance(ground.signal, known, ground.nodes).mean())
    before, after, unit = _doubts(field_, xy)
    return PlanQuality(
        key=lead.key if lead is not None else "",
        unit=unit,
        doubt_before=before,
        doubt_after=after,
        against_random=mean / _random_variance(field_, repeats, len(xy) - len(repeats), rng),
        gap_m=largest_gap_m(known, ground.nodes),
        closest_m=closest_pair_m(xy),
        worth_share=_worth_share(field_, xy),
    )


def _doubts(field_: _Field, xy: Array) -> tuple[float, float, str]:
    """Doubt before and after, over all models of the belief."""
    ground, lead = field_.ground, field_.lead
    if lead is None or lead.belief is None:
        spread = float(np.mean(ground.signal.own(ground.nodes))) + ground.signal.error
        variance = kriging_variance(ground.signal, np.vstack([field_.old, xy]), ground.nodes)
        return float("nan"), float(np.sqrt(variance.mean() / spread)), "of the spread"
    models = signals_of_belief(lead.belief)
    old = lead.belief.xy
    before, after = (
        float(np.sqrt(believed_variance(models, spots, ground.nodes).mean()))
        for spots in (old, np.vstack([old, xy]))
    )
    return before, after, "of the value" if lead.logs else lead.unit


def _random_variance(field_: _Field, repeats: Array, count: int, rng: np.random.Generator) -> float:
    """Mean variance of plans with the same repeats and as many new spots anywhere. [unit2]"""
    ground = field_.ground
    total = 0.0
    for _ in range(RANDOM_PLANS):
        chosen = rng.choice(len(ground.nodes), min(count, len(ground.nodes)), replace=False)
        spots = np.vstack([field_.old, repeats, ground.nodes[chosen]])
        total += float(kriging_variance(ground.signal, spots, ground.nodes).mean())
    return total / RANDOM_PLANS


def _worth_share(field_: _Field, xy: Array) -> float:
    everything = float(sum(stake.worth_of_all.mean() for stake in field_.stakes))
    if not everything > 0.0:
        return float("nan")
    return worth_of_plan(field_.stakes, xy, field_.ground.nodes) / everything


def _as_last_time(
    block: Block, last: Season | None
) -> tuple[tuple[float, float], Mapping[str, str]]:
    if last is not None:
        samples = last.checked.samples
        return samples.depth_cm, dict(samples.methods)
    depth = block.site.amended_depth_cm
    return ((0.0, depth) if depth else USUAL_DEPTH_CM), {}


def _notes(
    field_: _Field, found: Found, known: Known, spots: int, wishes: Wishes
) -> tuple[str, ...]:
    notes = []
    if not known.stations:
        notes.append(
            "First survey: nothing is known of this block yet, so the spots cover it evenly, and "
            "a few close companions show how much the soil changes within steps."
        )
    elif not found.by_stake and len(found.spots):
        notes.append(
            "No decision is near enough to a limit to bend the plan: the new spots close gaps."
        )
    if spots < wishes.spots:
        notes.append(f"{wishes.spots} spots were asked for; the field has room for {spots}.")
    if rows_of(field_.block) is None:
        notes.append(
            "farm.toml does not say which way the rows run and how wide they are, so the spots "
            "are not put on rows: take the nearest vine, always the same side of the row."
        )
    else:
        notes.append(
            "The spots keep to the direction and spacing of the rows; where the first row really "
            "stands is not on file, so take the nearest vine, always the same side of the row."
        )
    return tuple(notes)


# Small conversions


def _frame(block: Block) -> Frame:
    return frame_of(block.outline, block.site.row_azimuth_deg)


def _metric(
    lonlat: Mapping[str, tuple[float, float]], block: Block
) -> Mapping[str, tuple[float, float]]:
    if not lonlat:
        return {}
    lon, lat = np.array(list(lonlat.values())).T
    xy = lonlat_to_xy(lon, lat, block.crs)
    return {name: (float(x), float(y)) for name, (x, y) in zip(lonlat, xy, strict=True)}


def _xy(lonlat: tuple[float, float], block: Block) -> tuple[float, float]:
    return _metric({"": lonlat}, block)[""]


def _array(places: Sequence[Sequence[float]] | Sequence[Array]) -> Array:
    return np.array(places, dtype=float).reshape(-1, 2)


def _pair(xy: Array) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])


def _point(xy: Sequence[float] | Array) -> shapely.Point:
    return shapely.Point(float(xy[0]), float(xy[1]))
