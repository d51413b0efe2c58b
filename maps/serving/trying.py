"""What if: zones, rates and money of one amendment under a wish; what tries share is kept."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.random import default_rng
from numpy.typing import NDArray

from geo.blocks import Block
from geo.compare import responses_before
from geo.errors import FarmError
from geo.farm import Records
from geo.lookup import Tables, farm_tables
from geo.prescription import (
    Prescription,
    material_for,
    prescribe,
    rate_step_kg_ha,
    repriced,
)
from geo.requirements.draws import DRAWS, Requirement, find_requirements
from geo.requirements.learned import with_responses
from geo.response import Response
from geo.season import Season
from geo.settings import Settings, SpreaderSettings
from geo.surfaces import Surface, Surfaces
from geo.zones import ZoneMap, delineate_zones

#: Draws behind a wish that asks the rules anew; a run takes 400.
TRIED_DRAWS = 150
#: Grids whose draws, wishes whose requirements, and wishes whose zones are kept. So many draws of
#: one property on the usual grid take 9 MB.
MOST_GRIDS, MOST_ASKED, MOST_ZONE_MAPS = 1, 3, 40

#: Draws times cells up to which zones are tried with all draws: half as many again as a block of
#: the usual size has.
MOST_VALUES = 10_000_000

Made = TypeVar("Made")
HangsOn = tuple[SpreaderSettings, tuple[float, float], float, str]


@dataclass(frozen=True)
class Wish:
    """What a person tries on the zones page; None leaves it as it is."""

    most_zones: int | None = None
    target_ph: float | None = None
    price_per_t: float | None = None
    little: float | None = None
    much: float | None = None
    width_m: float | None = None
    boundary: str | None = None
    product: str | None = None


@dataclass
class Kept:
    """What was worked out for one try and serves others; the oldest goes first.

    Everything is found by all that entered it, so that a wish never meets what another made.
    """

    drawn: OrderedDict[object, dict[str, NDArray[np.float32]]] = field(default_factory=OrderedDict)
    asked: OrderedDict[object, Requirement] = field(default_factory=OrderedDict)
    zones: OrderedDict[object, ZoneMap] = field(default_factory=OrderedDict)
    responses: list[tuple[Response, ...]] = field(default_factory=list)
    #: Whether everything that can be made before a wish has been.
    ready: bool = False


@dataclass(frozen=True)
class Live:
    """A season with its grids and draws, what it was worked out from, and what tries share."""

    farm: Path
    season: Season
    records: Records
    tables: Tables
    lock: threading.Lock
    kept: Kept = field(default_factory=Kept, repr=False, compare=False)


def live_of(farm: Path, season: Season, records: Records, lock: threading.Lock) -> Live:
    """A season just worked out, for tries that go one by one."""
    return Live(farm, season, records, farm_tables(farm, records.settings.tables), lock)


def tried(live: Live, amendment: str, wish: Wish) -> Season:
    """The season as it would be with a wish about one amendment; nothing is stored.

    A price that leaves the product as it is changes money alone: the zones are those kept, since
    no money enters the loss they are chosen by (too little against too much, per kg).
    """
    found = live.season
    stored = next((r for r in found.requirements if r.amendment == amendment), None)
    if stored is None:
        raise FarmError(f"There is no {amendment} to try in {found.block.name}.")
    bought = wish.product or product_of(found, amendment)
    settings, place = wished(found.settings, found.block, amendment, wish, bought)
    with live.lock:
        asked = _asked(live, stored, wish, settings, place)
        hangs_on = _zones_hang_on(asked, settings, place, live.tables)
        zones = _stored_zones(live, stored, wish, hangs_on)
        if zones is None:
            asked = lighter(asked)
            zones = _zones_anew(live, asked, wish, hangs_on, settings, place)
    plan = _at_another_price(live, asked, wish, settings, place)
    if plan is None:
        plan = prescribe([zones], [asked], place, settings, live.tables)
    return replace(
        found, block=place, settings=settings, requirements=(asked,), zone_maps=(zones,),
        prescription=plan,
    )  # fmt: skip


def fewer_draws_words(found: Season) -> str:
    """That a try rests on fewer draws than a run takes; empty where it rests on as many."""
    count = min((len(one.draws) for one in found.requirements), default=DRAWS)
    if count >= DRAWS:
        return ""
    return (
        f"Tried on {count} draws; a run takes {DRAWS}, so a rate may still move by a rounding step."
    )


def make_ready(live: Live) -> None:
    """Draw what a wish for another target pH asks for, before anybody wishes it."""
    found = live.season
    stored = next((r for r in found.requirements if r.amendment == "lime"), None)
    if stored is not None and stored.draws.any():
        with live.lock:
            _asked_anew(live, "lime", found.settings, found.block)
    live.kept.ready = True


def _asked(
    live: Live, stored: Requirement, wish: Wish, settings: Settings, place: Block
) -> Requirement:
    """The requirement under a wish: the stored one unless target pH or grid are others."""
    asked = stored
    if wish.target_ph is not None or wish.width_m is not None:
        key = (stored.amendment, wish.target_ph, wish.width_m)
        asked = _remembered(
            live.kept.asked, key, MOST_ASKED,
            lambda: _asked_anew(live, stored.amendment, settings, place),
        )  # fmt: skip
    if wish.little is not None and wish.much is not None:
        asked = replace(asked, cost_too_little=wish.little, cost_too_much=wish.much)
    return asked


def _asked_anew(live: Live, amendment: str, settings: Settings, place: Block) -> Requirement:
    """The rules asked again, on draws of the soil kept for as long as the grid is the same."""
    found, kept = live.season, live.kept
    swath = settings.spreader_of(place.name).width_m
    drawn = _remembered(kept.drawn, swath, MOST_GRIDS, dict[str, NDArray[np.float32]])
    asked = find_requirements(
        found.surfaces, found.ratings, found.checked, place, settings, found.season,
        live.records.tissue, live.records.applications, default_rng(settings.grid.seed),
        only=[amendment], count=TRIED_DRAWS, tables=live.tables, drawn=drawn,
    )  # fmt: skip
    if not kept.responses:
        kept.responses.append(responses_before(live.farm, found.season, place.name))
    return with_responses(asked, kept.responses[0])[0]


def _stored_zones(live: Live, stored: Requirement, wish: Wish, hangs_on: HangsOn) -> ZoneMap | None:
    """The zones of the season itself, where nothing they hang on is another under the wish."""
    found = live.season
    if wish.target_ph is not None or wish.width_m is not None:
        return None
    if hangs_on != _zones_hang_on(stored, found.settings, found.block, live.tables):
        return None
    return next(z for z in found.zone_maps if z.amendment == stored.amendment)


def _at_another_price(
    live: Live, asked: Requirement, wish: Wish, settings: Settings, place: Block
) -> Prescription | None:
    """The season's own plan with other money, where the wish is a price and the product stays."""
    plan, name = live.season.prescription, asked.amendment
    if wish != Wish(price_per_t=wish.price_per_t) or name not in plan.uniform:
        return None
    material = material_for(asked, place, settings, live.tables)
    if material is None or material.key != product_of(live.season, name):
        return None
    return repriced(plan, name, material, place, settings)


def lighter(asked: Requirement) -> Requirement:
    """The requirement of a block beyond the usual size with fewer of its draws.

    Draws come in the order of their models, in pairs of opposite sign: whole pairs are taken,
    evenly from first to last.
    """
    draws = asked.draws
    if draws.size <= MOST_VALUES or len(draws) <= TRIED_DRAWS:
        return asked
    wanted = TRIED_DRAWS // 2
    pairs = (np.arange(wanted) + 0.5) * (len(draws) // 2) // wanted
    first = 2 * pairs.astype(np.int64)
    return replace(asked, draws=draws[np.column_stack([first, first + 1]).ravel()])


def _zones_anew(
    live: Live, asked: Requirement, wish: Wish, hangs_on: HangsOn, settings: Settings, place: Block
) -> ZoneMap:
    _, _, step, own = hangs_on
    shown = _few_surfaces(live.season.surfaces)
    return _remembered(
        live.kept.zones, (asked.amendment, wish.target_ph, hangs_on), MOST_ZONE_MAPS,
        lambda: delineate_zones(asked, shown, place, settings, step, boundary=own),
    )  # fmt: skip


def _zones_hang_on(asked: Requirement, settings: Settings, place: Block, tables: Tables) -> HangsOn:
    """What zones come from beside the draws: machine, costs, step of the rate, own border."""
    step = rate_step_kg_ha(asked.amendment, material_for(asked, place, settings, tables))
    return (
        settings.spreader_of(place.name),
        (asked.cost_too_little, asked.cost_too_much),
        step,
        (place.site.boundaries or {}).get(asked.amendment, ""),
    )


def _remembered(
    kept: OrderedDict[object, Made], key: object, most: int, make: Callable[[], Made]
) -> Made:
    """What is kept under a key, made if it is not; the longest unused makes room."""
    if key not in kept:
        while len(kept) >= most:
            kept.popitem(last=False)
        kept[key] = make()
    kept.move_to_end(key)
    return kept[key]


def _few_surfaces(surfaces: Surfaces) -> dict[str, Surface]:
    """Enough to judge zones by: the places of the samples. Means of all properties take longer."""
    most = max(surface.n for surface in surfaces.values())
    key = next(key for key, surface in surfaces.items() if surface.n == most)
    return {key: surfaces[key]}


def product_of(season: Season, amendment: str) -> str:
    """Key of the product that a season's plan buys for an amendment; empty if none."""
    rates = season.prescription.rates
    return next((rate.material for rate in rates if rate.amendment == amendment), "")


def wished(
    settings: Settings, block: Block, amendment: str, wish: Wish, bought: str
) -> tuple[Settings, Block]:
    """Settings and block with a wish in them; a price is that of the product bought."""
    machine = settings.spreader_of(block.name)
    if wish.most_zones is not None:
        if not 1 <= wish.most_zones <= 6:
            raise FarmError("Between one and six zones.")
        machine = replace(machine, most_zones=wish.most_zones)
    if wish.width_m is not None:
        if not 0.5 <= wish.width_m <= 60:
            raise FarmError("A swath between 0.5 and 60 m.")
        machine = replace(machine, width_m=wish.width_m)
    site = replace(block.site, spreader=machine)
    if wish.boundary is not None:
        site = replace(site, boundaries={amendment: wish.boundary})
    if wish.target_ph is not None:
        if not 4.5 <= wish.target_ph <= 7.5:
            raise FarmError("A target pH between 4.5 and 7.5.")
        site = replace(site, target_ph=wish.target_ph)
    materials = dict(settings.materials)
    if wish.price_per_t is not None:
        if not 0 <= wish.price_per_t <= 1e7:
            raise FarmError("A price from 0 up.")
        if not bought:
            raise FarmError("Choose a product first, then say its price.")
        materials[bought] = {**materials.get(bought, {}), "price_per_t": wish.price_per_t}
    if wish.product is not None:
        site = replace(site, product={**site.product, amendment: wish.product})
    changed = replace(settings, blocks={**settings.blocks, block.name: site}, materials=materials)
    return changed, replace(block, site=site)
