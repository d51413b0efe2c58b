"""Money: what was spent between two samplings, and what one rate for the block would have cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geo.blocks import Block
from geo.comparing.treatments import Spread
from geo.intake.reading import Application
from geo.materials import Material, materials_of
from geo.prescribing.prescribed import bought_kg
from geo.settings import CostSettings, Settings


@dataclass(frozen=True)
class Bill:
    """What one product cost at the farm's prices: itself, to the farm, and on the ground.

    Attributes
    ----------
    product, delivery, spreading : float
        [currency]
    """

    product: float
    delivery: float
    spreading: float

    @property
    def total(self) -> float:
        """All three. [currency]"""
        return self.product + self.delivery + self.spreading


@dataclass(frozen=True)
class Spent:
    """One product of one amendment.

    Attributes
    ----------
    amendment, product : str
    product_kg : float
        As the records say, rate times area. [kg]
    uniform_kg : float
        One rate for the whole block that gives no place less than the highest it got. [kg]
    bill, uniform_bill : Bill or None
        Of both; None where the farm names no price.
    """

    amendment: str
    product: str
    product_kg: float
    uniform_kg: float
    bill: Bill | None
    uniform_bill: Bill | None

    @property
    def cost(self) -> float | None:
        """Product, delivery and spreading. [currency]"""
        return None if self.bill is None else self.bill.total

    @property
    def saved(self) -> float | None:
        """What one rate everywhere would have cost more; less than 0 if it had cost less."""
        if self.bill is None or self.uniform_bill is None:
            return None
        return self.uniform_bill.total - self.bill.total


@dataclass(frozen=True)
class Worth:
    """Money of a comparison; `currency` is the farm's."""

    spent: tuple[Spent, ...]
    currency: str

    @property
    def cost(self) -> float | None:
        """All products; None where one has no price. [currency]"""
        return _total([one.cost for one in self.spent])

    @property
    def saved(self) -> float | None:
        """Against one rate everywhere; None where a product has no price. [currency]"""
        return _total([one.saved for one in self.spent])


def _total(parts: Sequence[float | None]) -> float | None:
    known = [part for part in parts if part is not None]
    return sum(known) if known and len(known) == len(parts) else None


def money_spent(spread: Spread, block: Block, settings: Settings) -> Worth:
    """What the records between two samplings cost, at the farm's prices."""
    found = []
    for amendment in spread.done_kg_ha:
        mine = [a for a in spread.applications if a.amendment == amendment and a.rate_kg_ha]
        found.append(_spent(amendment, mine, block, settings))
    return Worth(tuple(found), settings.currency)


def _spent(
    amendment: str, records: Sequence[Application], block: Block, settings: Settings
) -> Spent:
    kg = sum((one.rate_kg_ha or 0.0) * _area_ha(one, block) for one in records)
    # Passes on different days add up; zones of one day do not.
    days: dict[object, list[Application]] = {}
    for one in records:
        days.setdefault(one.applied_on, []).append(one)
    highest = sum(max(one.rate_kg_ha or 0.0 for one in day) for day in days.values())
    uniform_kg = highest * block.area_ha
    material, costs = _material(records[0], settings), settings.costs
    if material is None:
        return Spent(amendment, records[0].product, kg, uniform_kg, None, None)
    spreading = sum(_spreading(day, block, costs) for day in days.values())
    uniform = len(days) * costs.spreading_uniform_per_ha * block.area_ha
    return Spent(
        amendment, records[0].product, kg, uniform_kg,
        _bill(kg, spreading, material, costs), _bill(uniform_kg, uniform, material, costs),
    )  # fmt: skip


def _bill(kg: float, spreading: float, material: Material, costs: CostSettings) -> Bill:
    """Bags are bought whole; loose product is delivered at the price of the least load."""
    bought_t = bought_kg(kg, material) / 1000.0
    loose = material.bag_kg is None
    delivered_t = max(bought_t, costs.delivery_minimum_t) if loose else bought_t
    return Bill(
        bought_t * (material.price_per_t or 0.0), delivered_t * costs.delivery_per_t, spreading
    )


def _spreading(day: Sequence[Application], block: Block, costs: CostSettings) -> float:
    """One pass over the ground that got some, dearer where the rate changes on the way."""
    rates = {one.rate_kg_ha for one in day}
    per_ha = costs.spreading_uniform_per_ha if len(rates) == 1 else costs.spreading_zones_per_ha
    return per_ha * sum(_area_ha(one, block) for one in day)


def _area_ha(record: Application, block: Block) -> float:
    return record.area_ha if record.area_ha is not None else block.area_ha


def _material(record: Application, settings: Settings) -> Material | None:
    """The farm's priced material whose name shares most words with the record."""
    words = set(record.product.lower().replace(",", " ").split())

    def alike(material: Material) -> int:
        return len(words & set(material.key.split("_")))

    offered = [
        material
        for material in materials_of(settings).values()
        if material.amendment == record.amendment and material.price_per_t is not None
    ]
    best = max(offered, key=alike, default=None)
    return best if best and alike(best) else None
