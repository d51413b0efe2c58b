"""ZoneMaps + Requirements + materials -> Prescription: rates, order, conflicts, totals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geo.blocks import Block
from geo.grids import Array
from geo.lookup import Tables
from geo.materials import (
    ELEMENT_OF,
    Material,
    caution_texts,
    choose_material,
    general_cautions,
    named_material,
)
from geo.prescribing.asked import Asked, Cells, product_chain, soil_chain
from geo.prescribing.blending import ZoneCells, blend_of, chloride_safe, zones_of
from geo.prescribing.operations import conflicts, order_of_work
from geo.prescribing.prescribed import (
    Held,
    Prescription,
    Rate,
    Uniform,
    bought_kg,
    cost_of,
    totals_of,
)
from geo.reasons import About, Reason, reasons_about
from geo.requirements.draws import Requirement
from geo.requirements.shared import figure
from geo.settings import Settings
from geo.zones import ZoneMap
from geo.zoning.machine import LEAST_RATE_KG_HA

__all__ = [
    "Held",
    "Prescription",
    "Rate",
    "Uniform",
    "bought_kg",
    "cost_of",
    "material_for",
    "prescribe",
    "rate_step_kg_ha",
    "round_rate",
    "totals_of",
]


#: Steps worth telling apart on a spreader, in kg/ha of product (common practice). [kg/ha]
PRODUCT_STEP_KG_HA: Mapping[str, float] = {"lime": 500.0, "gypsum": 500.0}
FERTILISER_STEP_KG_HA = 25.0
#: Trace elements go out with water or a carrier, in small steps. [kg/ha]
TRACE_STEP_KG_HA = 0.5
TRACE = ("zinc", "boron", "manganese", "copper", "iron")

#: Share of a full pass below which what is left is not driven out for. [1]
LEAST_PASS_SHARE = 0.01

#: Amendments whose remainder may follow in later passes, after a new test.
STAGED = ("lime", "gypsum", "sulfur")


#: From here up rates are whole numbers, below they have two decimals.
WHOLE_FROM_KG_HA = 20.0
#: Steps a rate is rounded to, by the least rate each serves. [kg/ha]
RATE_STEPS_KG_HA = ((500.0, 10.0), (100.0, 5.0), (WHOLE_FROM_KG_HA, 1.0), (0.0, 0.01))


def prescribe(
    zone_maps: Sequence[ZoneMap],
    requirements: Sequence[Requirement],
    block: Block,
    settings: Settings,
    tables: Tables | None = None,
) -> Prescription:
    """Rates of every zone, what is held, what it costs, what must not meet.

    A zone's rate is the quantile of the requirement inside it, over places and draws together, that
    the costs of too little and too much ask for; then the cap, then the product, then rounding.
    `tables` are those in use on the farm.
    """
    maps = {zones.amendment: zones for zones in zone_maps}
    rates: list[Rate] = []
    uniform: dict[str, Uniform] = {}
    chosen: dict[str, Material] = {}
    costs: dict[str, float | None] = {}
    supplied: dict[str, Array] = {}
    relief: dict[str, float] = {}
    held = [
        Held(
            r.amendment,
            " ".join(
                [r.held or r.none_needed or "", *reasons_about(r.reasons, About.SPREAD_SINCE)]
            ),
            r.kind,
            r.sources,
            soil_chain(r, _means_of(maps.get(r.amendment), 1), None),
        )
        for r in requirements
        if r.kind != "rate"
    ]
    blended = blend_of(requirements, maps, block, settings, tables)
    for requirement in requirements:
        if requirement.kind != "rate":
            continue
        name = requirement.amendment
        named = bool(block.site.product.get(name))
        material = None if named else blended.get(name)
        material = material or material_for(requirement, block, settings, tables)
        if material is None:
            held.append(_no_material(requirement, settings))
            continue
        if named:
            said = f"The product is your choice: {material.name}, as farm.toml says."
            requirement = replace(requirement, reasons=(said, *requirement.reasons))
        asked = Asked(requirement, material, _credited(requirement, supplied))
        zones = zones_of(name, maps, requirement, block)
        own = [
            _zone_rate(asked, zone, cells, _means_of(maps.get(name), zone[0]))
            for zone, cells in zones
        ]
        by_zones = _loss_of_zones(asked, own, zones)
        one = _uniform(asked, own, zones, block, settings, by_zones)
        if one.rate_kg_ha <= 0 and all(rate.rate_kg_ha <= 0 for rate in own):
            held.append(_nothing_to_spread(asked, one, own, chosen.values()))
            continue
        rates += own
        uniform[name] = one
        chosen[name] = material
        costs[name] = cost_of(own, material, block, settings)
        relief[name] = _relief(asked, by_zones)
        _add_supply(supplied, material, own, zones)
    spread = [rate.amendment for rate in rates if rate.rate_kg_ha > 0]
    used = [chosen[name] for name in dict.fromkeys(spread)]
    return Prescription(
        block=block.name,
        rates=tuple(rates),
        uniform=uniform,
        held=tuple(held),
        totals_kg=totals_of(rates),
        costs=costs,
        conflicts=conflicts(spread, used),
        order=order_of_work(spread),
        cautions=_cautions(used, settings),
        relief=relief,
    )


def repriced(
    plan: Prescription, amendment: str, material: Material, block: Block, settings: Settings
) -> Prescription:
    """The plan of one amendment at another price of its product: rates stay, money follows."""
    rates = tuple(rate for rate in plan.rates if rate.amendment == amendment)
    one = plan.uniform[amendment]
    whole = replace(rates[0], rate_kg_ha=one.rate_kg_ha, area_ha=block.area_ha)
    return replace(
        plan,
        rates=rates,
        uniform={amendment: replace(one, cost=cost_of([whole], material, block, settings))},
        totals_kg=totals_of(rates),
        costs={amendment: cost_of(rates, material, block, settings)},
    )


def _nothing_to_spread(
    asked: Asked, one: Uniform, own: Sequence[Rate], chosen: Iterable[Material]
) -> Held:
    """An amendment that some places may need, but no zone enough for a pass."""
    requirement = asked.requirement
    element = ELEMENT_OF.get(requirement.amendment, "")
    bringing = [m.name for m in chosen if m.analysis.get(element, 0.0) > 0]
    head = f"No {requirement.amendment} this season"
    if bringing and requirement.draws.sum() > asked.draws.sum():
        why = f"{head}: the {' and '.join(bringing)} of this plan brings what is asked for."
    else:
        why = (
            f"{head}: nowhere is enough asked for, likely enough, for a pass to be worth it (0 to "
            f"{one.high_kg_ha:g} kg/ha of product, two times in three)."
        )
    said = reasons_about(requirement.reasons, About.CREDIT, About.RESPONSE)
    chain = own[0].chain if own else ()
    reason = " ".join([why, *said])
    return Held(requirement.amendment, reason, "none_needed", requirement.sources, chain)


def rate_step_kg_ha(amendment: str, material: Material | None) -> float:
    """Smallest change of rate worth making, in the unit of the requirement's draws. [kg/ha]

    Half a tonne of lime or gypsum, 25 kg of a fertiliser, half a kilogram of a trace element, each
    as product, times what one kg of the product counts.
    """
    step = PRODUCT_STEP_KG_HA.get(amendment, FERTILISER_STEP_KG_HA)
    if amendment in TRACE:
        step = TRACE_STEP_KG_HA
    return step * (material.content(amendment) if material is not None else 1.0)


def material_for(
    requirement: Requirement, block: Block, settings: Settings, tables: Tables | None = None
) -> Material | None:
    """The product for a requirement: the grower's, what agronomy decides, else the cheapest."""
    own = block.site.product.get(requirement.amendment)
    if own:
        safe = chloride_safe(block, tables)
        return named_material(own, requirement.amendment, settings, no_chloride=not safe)
    wanted = requirement.inputs.get("product")
    return choose_material(
        requirement.amendment,
        settings,
        wanted=str(wanted[0]) if wanted else None,
        no_chloride=not chloride_safe(block, tables),
    )


def round_rate(kg_ha: float, cap_kg_ha: float | None = None) -> float:
    """A rate that a person can set: to 10 from 500 up, to 5 from 100, whole from 20, under the cap.

    Finer steps than these are lost in any spreader's own error (common practice, no source).

    Examples
    --------
    >>> round_rate(2019.2), round_rate(247.4), round_rate(47.5), round_rate(5.365)
    (2020.0, 245.0, 48.0, 5.37)
    >>> round_rate(2588.24, cap_kg_ha=2588.24)
    2588.0
    """
    step = next(step for least, step in RATE_STEPS_KG_HA if kg_ha >= least)
    rounded = round(math.floor(kg_ha / step + 0.5 + 1e-9) * step, 2)
    if cap_kg_ha is not None and rounded > cap_kg_ha:
        fine = 1.0 if cap_kg_ha >= WHOLE_FROM_KG_HA else 0.01
        rounded = round(math.floor(cap_kg_ha / fine + 1e-9) * fine, 2)
        if rounded > cap_kg_ha:
            rounded = round(rounded - fine, 2)
    return rounded


def _credited(requirement: Requirement, supplied: Mapping[str, Array]) -> NDArray[np.float32]:
    """Draws less what the products chosen before bring of the element, place by place."""
    element = ELEMENT_OF.get(requirement.amendment)
    if not element or requirement.amendment == "sulfur" or element not in supplied:
        return requirement.draws
    return np.asarray(np.maximum(requirement.draws - supplied[element], 0.0), dtype=np.float32)


def _add_supply(
    supplied: dict[str, Array],
    material: Material,
    rates: Sequence[Rate],
    zones: Sequence[ZoneCells],
) -> None:
    """Add what a product brings of each element where it is spread. [kg/ha]"""
    kg_ha = np.zeros(zones[0][1].size)
    for rate, (_, cells) in zip(rates, zones, strict=True):
        kg_ha[cells] = rate.rate_kg_ha
    for element, percent in material.analysis.items():
        supplied[element] = supplied.get(element, 0.0) + kg_ha * (percent / 100)


def _zone_rate(
    asked: Asked, zone: tuple[int, float], cells: Cells, means: Mapping[str, float]
) -> Rate:
    requirement, material = asked.requirement, asked.material
    low, need, high = asked.product_kg_ha(cells) if cells.any() else (0.0, 0.0, 0.0)
    rate, said = _spreadable(asked, cells, need)
    passes = _passes(asked, need, rate)
    chain = (
        *soil_chain(requirement, means, cells),
        *product_chain(asked, cells, need, rate, passes, said[1:]),
    )
    return Rate(
        zone_id=zone[0],
        amendment=requirement.amendment,
        material=material.key,
        rate_kg_ha=rate,
        low_kg_ha=round_rate(low),
        high_kg_ha=round_rate(high),
        area_ha=zone[1],
        passes=passes,
        reasons=(*said, *requirement.reasons),
        sources=tuple(dict.fromkeys((*requirement.sources, material.source))),
        from_memory=requirement.from_memory or material.from_memory,
        range_known=requirement.range_known,
        chain=chain,
    )


def _means_of(zone_map: ZoneMap | None, zone_id: int) -> dict[str, float]:
    """Property means of a zone; none where no map was cut."""
    zones = zone_map.zones if zone_map is not None else ()
    means = next((zone.means for zone in zones if zone.zone_id == zone_id), {})
    return {key: mean.value for key, mean in means.items()}


def _spreadable(asked: Asked, cells: Cells, need: float) -> tuple[float, list[str]]:
    """The rate of this pass: capped, not below what a spreader throws evenly, rounded."""
    cap = asked.cap_kg_ha
    said: list[str] = [_quantile_said(asked.requirement)]
    rate = need
    if cap is not None and need > cap:
        rate = cap
        said.append(_cap_said(asked, need, cap))
    least = LEAST_RATE_KG_HA.get(asked.requirement.amendment, 0.0)
    least *= asked.requirement.treated_share / asked.content
    if 0 < rate < least and (cap is None or least <= cap):
        nothing = asked.loss(cells, 0.0) <= asked.loss(cells, least)
        nearer = "none is nearer." if nothing else "that least is nearer."
        told = f"{rate:.0f} kg/ha is less than a spreader throws evenly ({least:.0f}): {nearer}"
        said.append(Reason(told, About.LEAST))
        rate = 0.0 if nothing else least
    return round_rate(rate, cap), said


def _quantile_said(requirement: Requirement) -> Reason:
    short, over = requirement.cost_too_little, requirement.cost_too_much
    return Reason(
        f"Too little costs {short:g}, too much {over:g}: so the rate is one that "
        f"{100 * (1 - requirement.quantile):.0f} % of the places and draws would exceed.",
        About.COSTS,
    )


def _cap_said(asked: Asked, need: float, cap: float) -> str:
    if asked.requirement.amendment in STAGED:
        return (
            f"{need:.0f} kg/ha is more than one pass may carry ({cap:.0f}): that much now, the "
            "rest after a new test."
        )
    return f"{need:.0f} kg/ha is above the cap of {cap:.0f}: for more ask an adviser."


def _passes(asked: Asked, need: float, rate: float) -> tuple[float, ...]:
    """The pass of this season, and those that may follow after a new test."""
    cap = asked.cap_kg_ha
    if rate <= 0:
        return ()
    if cap is None or need <= cap or asked.requirement.amendment not in STAGED:
        return (rate,)
    if asked.requirement.amendment == "gypsum":
        need = min(need, figure("gypsum", "cap_total").value / asked.content)
    passes, left = [rate], need - rate
    # What rounding of the passes leaves over is no pass of its own.
    while left > max(0.5, LEAST_PASS_SHARE * cap):
        passes.append(round_rate(min(left, cap), cap))
        left -= passes[-1]
    return tuple(passes)


def _uniform(
    asked: Asked,
    rates: Sequence[Rate],
    zones: Sequence[ZoneCells],
    block: Block,
    settings: Settings,
    by_zones: float,
) -> Uniform:
    """One rate over the block: its quantile, its money, its loss over that of the zones."""
    everywhere = np.ones(asked.draws.shape[1], dtype=bool)
    # A zone that is the whole block has this rate already.
    whole = len(zones) == 1 and bool(zones[0][1].all())
    one = rates[0] if whole else _zone_rate(asked, (1, block.area_ha), everywhere, {})
    alone = asked.loss(everywhere, one.rate_kg_ha)
    return Uniform(
        amendment=one.amendment,
        material=one.material,
        rate_kg_ha=one.rate_kg_ha,
        low_kg_ha=one.low_kg_ha,
        high_kg_ha=one.high_kg_ha,
        total_kg=one.rate_kg_ha * block.area_ha,
        cost=cost_of([one], asked.material, block, settings),
        expected_loss_ratio=alone / by_zones if by_zones > 0 else 1.0,
    )


def _loss_of_zones(asked: Asked, rates: Sequence[Rate], zones: Sequence[ZoneCells]) -> float:
    return sum(
        asked.loss(cells, rate.rate_kg_ha)
        for rate, (_, cells) in zip(rates, zones, strict=True)
        if cells.any()
    )


def _relief(asked: Asked, by_zones: float) -> float:
    """Share of the loss of spreading none that the rates take away. [1]"""
    none = asked.loss(np.ones(asked.draws.shape[1], dtype=bool), 0.0)
    return 1 - by_zones / none if none > 0 else 0.0


def _no_material(requirement: Requirement, settings: Settings) -> Held:
    why = f"No material for {requirement.amendment} in our tables."
    if settings.organic:
        why = (
            f"No material for {requirement.amendment} that is usually allowed to organic growers: "
            "ask your certifier."
        )
    return Held(requirement.amendment, why, "held", requirement.sources)


def _cautions(used: Sequence[Material], settings: Settings) -> tuple[str, ...]:
    keys = [key for material in used for key in material.cautions]
    general = general_cautions(organic=settings.organic) if used else ()
    return (*caution_texts(keys), *general)
