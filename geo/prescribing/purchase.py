"""What to buy, in bags and truckloads, and what to buy first if money is short."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geo.materials import materials_of
from geo.prescribing.prescribed import Prescription, bought_kg
from geo.settings import Settings

#: The usual load of a truck where the material states none (common practice). [t]
TRUCK_T = 10.0

#: How delivery is counted; the references are silent, so this is an assumption, and it is said.
DELIVERY = (
    "Delivery is counted for each product and block by itself; one truck that brings several costs "
    "less."
)

#: What loses most if it waits: reaction must come first, the ceiling-bound last.
FIRST = ("lime", "gypsum", "sulfur", "potassium", "phosphorus", "magnesium", "manganese", "boron")


#: Below this share of the loss taken away, a person is asked whether the pass pays: a choice of
#: ours, no source. [1]
LITTLE_RELIEF = 0.10


@dataclass(frozen=True)
class Purchase:
    """One line of the purchase list, of one or more blocks.

    `needed_kg` is the sum of rate times area, `bought_kg` what whole bags make of it; `bags` is
    None for loose product, `trucks` None for bagged. `cost` is the product alone. [currency]
    """

    material: str
    name: str
    needed_kg: float
    bought_kg: float
    bags: int | None
    trucks: int | None
    cost: float | None

    @property
    def packing(self) -> str:
        """Bags or truckloads, in words."""
        if self.bags is not None:
            size = self.bought_kg / self.bags
            return f"{self.bags} bag{'' if self.bags == 1 else 's'} of {size:g} kg"
        if self.bought_kg < 1000:
            return "loose"
        loads = self.trucks or 1
        return f"loose, {loads} truckload{'' if loads == 1 else 's'}"


def purchase_list(plans: Sequence[Prescription], settings: Settings) -> tuple[Purchase, ...]:
    """What to buy for all blocks together, rounded up once and not block by block."""
    needed: dict[str, float] = {}
    for plan in plans:
        for key, kg in plan.totals_kg.items():
            needed[key] = needed.get(key, 0.0) + kg
    known = materials_of(settings)
    lines = []
    for key, kg in needed.items():
        if kg <= 0:
            continue
        material = known[key]
        bought = bought_kg(kg, material)
        loose = material.bag_kg is None
        price = material.price_per_t
        lines.append(
            Purchase(
                material=key,
                name=material.name,
                needed_kg=kg,
                bought_kg=bought,
                bags=None if material.bag_kg is None else round(bought / material.bag_kg),
                trucks=math.ceil(bought / 1000 / (material.truck_t or TRUCK_T)) if loose else None,
                cost=None if price is None else bought / 1000 * price,
            )
        )
    return tuple(lines)


@dataclass(frozen=True)
class Spending:
    """One amendment with what it costs, what is then spent in all, and why it stands there."""

    amendment: str
    cost: float
    so_far: float
    affordable: bool
    why: str


def trip_words(plan: Prescription, amendment: str) -> str:
    """Whether so little is worth a pass of its own; empty where a pass does more."""
    relief = plan.relief.get(amendment)
    if relief is None or relief >= LITTLE_RELIEF or not plan.costs.get(amendment):
        return ""
    return (
        f"{_relief_words(plan, amendment)}, little for a pass of its own: weigh the cost of the "
        "trip, or leave it until the next sampling."
    )


def _relief_words(plan: Prescription, amendment: str) -> str:
    return (
        f"It takes away {100 * plan.relief[amendment]:.0f} % of what going without {amendment} "
        "would lose"
    )


def spend_first(plan: Prescription, money: float = math.inf) -> tuple[Spending, ...]:
    """In what order to spend if only part of the money is there.

    By the share of an amendment's loss that a unit of money takes away; what has no price is left
    out. Ties go to what works slowest and so must start first.
    """
    worth = [
        (-plan.relief[name] / cost, FIRST.index(name) if name in FIRST else len(FIRST), name, cost)
        for name, cost in plan.costs.items()
        if cost and name in plan.relief
    ]
    lines, so_far = [], 0.0
    for _, _, name, cost in sorted(worth):
        so_far += cost
        why = trip_words(plan, name) or f"{_relief_words(plan, name)}."
        lines.append(Spending(name, cost, so_far, so_far <= money, why))
    return tuple(lines)
