"""Which products meet the needs of a block's zones together, at least cost and within caps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from geo.blocks import Block
from geo.lookup import Tables
from geo.materials import ELEMENT_OF, Material, candidates, least_cost_blend
from geo.prescribing.asked import Cells
from geo.requirements.case import share_above
from geo.requirements.draws import Requirement
from geo.requirements.shared import figure
from geo.settings import Settings
from geo.zones import ZoneMap
from geo.zoning.loss import quantiles_of

#: (zone number, hectares) and the zone's cells.
ZoneCells = tuple[tuple[int, float], Cells]

#: Fertilisers that one product may serve together.
BLENDED = ("phosphorus", "potassium", "magnesium")


def blend_of(
    requirements: Sequence[Requirement],
    maps: Mapping[str, ZoneMap],
    block: Block,
    settings: Settings,
    tables: Tables | None = None,
) -> dict[str, Material]:
    """Where several elements are due, the product of each amendment that costs least together.

    The least-cost blend is found in every piece in which the needs are one (the zones of the
    amendments laid over each other), within their caps and, unless water and drainage allow it,
    without chloride. One pass spreads one product, so each amendment takes the product that brings
    most of it over all pieces. Without a price for the products in question, or with one element
    due, each amendment chooses for itself.
    """
    due = [r for r in requirements if r.kind == "rate" and r.amendment in BLENDED]
    due = [r for r in due if _asked_anywhere(r)]
    if len(due) < 2:
        return {}
    safe = chloride_safe(block, tables)
    offered = [
        material
        for requirement in due
        for material in candidates(requirement.amendment, settings, no_chloride=not safe)
        if material.price_per_t is not None
        and material.key == block.site.product.get(requirement.amendment, material.key)
    ]
    if not offered:
        return {}
    brought: dict[str, float] = {}
    for cells in _pieces(due, maps, block):
        needs = _needs(due, cells)
        blend = least_cost_blend(needs, offered, most=_caps(due, needs)) if needs else None
        for key, kg_ha in (blend.rates_kg_ha if blend else {}).items():
            brought[key] = brought.get(key, 0.0) + kg_ha * float(cells.sum())
    bought = [material for material in offered if material.key in brought]
    names = [r.amendment for r in due]
    return {
        name: max(bought, key=lambda m: brought[m.key] * m.content(name))
        for name in names
        if any(m.content(name) > 0 for m in bought)
    }


def _asked_anywhere(requirement: Requirement) -> bool:
    """Whether the quantile of any one place is above nothing."""
    count = len(requirement.draws)
    rank = math.ceil(requirement.quantile * (count - 1))
    # Half a draw allows for the rounding of a share.
    return bool(np.any(share_above(requirement.draws, 0.0) * count > count - rank - 0.5))


def _pieces(
    due: Sequence[Requirement], maps: Mapping[str, ZoneMap], block: Block
) -> Iterator[Cells]:
    """Cells of each overlap of the amendments' zones."""
    pieces = [np.ones(due[0].draws.shape[1], dtype=bool)]
    for requirement in due:
        zones = zones_of(requirement.amendment, maps, requirement, block)
        pieces = [piece & cells for piece in pieces for _, cells in zones if (piece & cells).any()]
    yield from pieces


def _needs(due: Sequence[Requirement], cells: Cells) -> dict[str, float]:
    """Element -> what its quantile asks for in a piece, at most its cap. [kg/ha]"""
    needs = {}
    for requirement in due:
        need = float(quantiles_of(requirement.draws[:, cells], [requirement.quantile])[0])
        cap = requirement.cap_kg_ha
        if cap is not None:
            need = min(need, cap * requirement.treated_share)
        if need > 0:
            needs[ELEMENT_OF[requirement.amendment]] = need
    return needs


def _caps(due: Sequence[Requirement], needs: Mapping[str, float]) -> dict[str, float]:
    """Element -> most of it in a pass, for those that have a cap and are needed. [kg/ha]"""
    return {
        ELEMENT_OF[r.amendment]: r.cap_kg_ha * r.treated_share
        for r in due
        if r.cap_kg_ha is not None and ELEMENT_OF[r.amendment] in needs
    }


def chloride_safe(block: Block, tables: Tables | None = None) -> bool:
    """Whether potassium chloride may be used: water low in salt, and known to drain."""
    most_ec = figure("nutrient_rates", "chloride_most_water_ec", tables).value
    water = block.site.irrigation_ec_ds_m
    return block.site.drainage == "yes" and water is not None and water < most_ec


def zones_of(
    name: str, maps: Mapping[str, ZoneMap], requirement: Requirement, block: Block
) -> list[ZoneCells]:
    """(zone number, hectares) with its cells; the whole block where no map was cut."""
    zone_map = maps.get(name) or maps.get("all")
    inside = requirement.grid.inside
    if zone_map is None:
        return [((1, block.area_ha), np.ones(int(inside.sum()), dtype=bool))]
    labels = zone_map.labels[inside]
    return [((z.zone_id, z.area_ha), labels == z.zone_id) for z in zone_map.zones]
