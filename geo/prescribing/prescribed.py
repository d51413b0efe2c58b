"""A prescription as a record: rates, what is held, and the money they make."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from geo.blocks import Block
from geo.chain import Link
from geo.materials import Material
from geo.settings import Settings


@dataclass(frozen=True)
class Rate:
    """What goes on one zone.

    Rates are mass of product as spread, per block hectare, rounded as the spreader file carries
    them; `low_kg_ha` and `high_kg_ha` are the two-in-three range of what the zone asks for,
    as product; `range_known` is false where only the laboratory's noise stands behind it. `passes`
    splits it where one pass may not carry it all; `chain` follows the rate from the soil test on.
    """

    zone_id: int
    amendment: str
    material: str
    rate_kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    area_ha: float
    passes: tuple[float, ...]
    reasons: tuple[str, ...]
    sources: tuple[str, ...]
    from_memory: bool
    range_known: bool = True
    chain: tuple[Link, ...] = ()


@dataclass(frozen=True)
class Uniform:
    """The same amendment at one rate over the whole block, with what it costs and loses."""

    amendment: str
    material: str
    rate_kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    total_kg: float
    cost: float | None
    expected_loss_ratio: float


@dataclass(frozen=True)
class Held:
    """An amendment without a rate: why, what would release it, and the chain that led there."""

    amendment: str
    reason: str
    kind: str
    sources: tuple[str, ...]
    chain: tuple[Link, ...] = ()


@dataclass(frozen=True)
class Prescription:
    """All rates of a block.

    `totals_kg` is product by material (sum of rate times area), `costs` money by amendment with
    delivery and spreading (None without prices), `held` amendments without a rate (kind "held",
    "none_needed", "no_data" or "not_worthwhile"), `conflicts` what must not meet, `order` the
    operations of the year in words, `relief` by amendment the share of the loss of spreading none
    that the rates take away.
    """

    block: str
    rates: tuple[Rate, ...]
    uniform: Mapping[str, Uniform]
    held: tuple[Held, ...]
    totals_kg: Mapping[str, float]
    costs: Mapping[str, float | None]
    conflicts: tuple[str, ...]
    order: tuple[str, ...]
    cautions: tuple[str, ...]
    relief: Mapping[str, float] = field(default_factory=dict)


def totals_of(rates: Iterable[Rate]) -> dict[str, float]:
    """Product by material: sum of rate times area, with the rates as spread. [kg]"""
    totals: dict[str, float] = {}
    for rate in rates:
        totals[rate.material] = totals.get(rate.material, 0.0) + rate.rate_kg_ha * rate.area_ha
    return totals


def cost_of(
    rates: Sequence[Rate], material: Material, block: Block, settings: Settings
) -> float | None:
    """Product, delivery and spreading of one amendment; None where the product has no price.

    Loose product is charged for the least load, bags for what they weigh; a uniform rate is spread
    at the price of uniform spreading. [currency]
    """
    total_kg = sum(rate.rate_kg_ha * rate.area_ha for rate in rates)
    if total_kg <= 0:
        return 0.0
    if material.price_per_t is None:
        return None
    bought_t = bought_kg(total_kg, material) / 1000
    costs = settings.costs
    loose = material.bag_kg is None
    delivered_t = max(bought_t, costs.delivery_minimum_t) if loose else bought_t
    per_ha = costs.spreading_zones_per_ha
    if len({rate.rate_kg_ha for rate in rates}) == 1:
        per_ha = costs.spreading_uniform_per_ha
    money = bought_t * material.price_per_t + delivered_t * costs.delivery_per_t
    return money + per_ha * block.area_ha


def bought_kg(total_kg: float, material: Material) -> float:
    """Product to buy: whole bags, or loose by the kilogram. [kg]"""
    if material.bag_kg is None:
        return total_kg
    return math.ceil(total_kg / material.bag_kg - 1e-9) * material.bag_kg
