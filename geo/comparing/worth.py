"""Money: what was spent between two samplings, and what one rate for the block would have cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geo.blocks import Block
from geo.comparing.treatments import Spread
from geo.intake.reading import Application
from geo.materials import Material, materials_of
from geo.settings import Settings


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
    cost, saved : float or None
        Product only; None where the farm names no price. [currency]
    price_per_t : float or None
    """

    amendment: str
    product: str
    product_kg: float
    uniform_kg: float
    price_per_t: float | None

    @property
    def cost(self) -> float | None:
        """What the product cost. [currency]"""
        return None if self.price_per_t is None else self.product_kg / 1000.0 * self.price_per_t

    @property
    def saved(self) -> float | None:
        """What one rate everywhere would have cost more. [currency]"""
        if self.price_per_t is None:
            return None
        return (self.uniform_kg - self.product_kg) / 1000.0 * self.price_per_t


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
        kg = sum((a.rate_kg_ha or 0.0) * _area_ha(a, block) for a in mine)
        # Passes on different days add up; zones of one day do not.
        days: dict[object, float] = {}
        for a in mine:
            days[a.applied_on] = max(days.get(a.applied_on, 0.0), a.rate_kg_ha or 0.0)
        found.append(
            Spent(
                amendment,
                mine[0].product,
                kg,
                sum(days.values()) * block.area_ha,
                _price(mine[0], settings),
            )
        )
    return Worth(tuple(found), settings.currency)


def _area_ha(record: Application, block: Block) -> float:
    return record.area_ha if record.area_ha is not None else block.area_ha


def _price(record: Application, settings: Settings) -> float | None:
    """Price of the farm's material whose name shares most words with the record. [currency/t]"""
    words = set(record.product.lower().replace(",", " ").split())

    def alike(material: Material) -> int:
        return len(words & set(material.key.split("_")))

    offered = [
        material
        for material in materials_of(settings).values()
        if material.amendment == record.amendment and material.price_per_t is not None
    ]
    best = max(offered, key=alike, default=None)
    return best.price_per_t if best and alike(best) else None
