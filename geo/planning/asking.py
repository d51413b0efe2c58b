"""How many spots to ask for: as last time, as the money goes, or as the map is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from geo.blocks import Block
from geo.errors import UsageError
from geo.money import money
from geo.planning.records import Known, Wishes
from geo.planning.site import site_of
from geo.planning.size import SizePoint, size_curve, spots_for_doubt, spots_within
from geo.planning.wished import way_of_wishes
from geo.season import Season
from geo.settings import Settings

#: Fewest spots a block can be mapped from, and the most of one plan.
FEWEST, MOST = 3, 300
#: Most spots that are tried for a sum or a doubt, as a multiple of the usual number. [1]
TRIED = 4
#: A sum that was typed is repeated as it was, and what is set against it as exactly.
ONE = 1


def usual_spots(block: Block, known: Known) -> int:
    """As many spots as the last survey had; for a first one eight a hectare, from 12 to 40.

    Eight a hectare are spots some 35 m apart, half of a range of 70 m: the published ranges of
    soil properties within fields lie between 20 and 110 m (McBratney and Pringle, 1999, Precision
    Agriculture 1, 125, as cited by textbooks).
    """
    if known.last is not None:
        return min(MOST, max(FEWEST, len(known.last.checked.usable)))
    return min(40, max(12, round(8.0 * block.area_ha)))


def wide_curve(
    block: Block, wishes: Wishes, known: Known, settings: Settings, rng: np.random.Generator
) -> tuple[SizePoint, ...]:
    """Doubt and money for 3 spots and up to four times the usual number, each number once."""
    usual = usual_spots(block, known)
    site = site_of(block, replace(wishes, spots=usual), known)
    sizes = np.unique(np.geomspace(FEWEST, min(MOST, TRIED * usual), 24).round().astype(int))
    return size_curve(
        site.ground.signal, site.ground.nodes, site.old, sizes.tolist(), settings.costs,
        way_of_wishes(block, wishes), rng,
    )  # fmt: skip


def spots_asked(
    block: Block,
    curve: Sequence[SizePoint],
    currency: str,
    *,
    budget: float | None = None,
    doubt: float | None = None,
) -> int:
    """The number of spots that a sum of money pays, or that leaves no more than so much doubt.

    With both, the fewest that reach the doubt, if the money pays them.

    Parameters
    ----------
    curve : sequence of SizePoint
        From `wide_curve`.
    budget : float, optional
        Laboratory and work of this block. [currency]
    doubt : float, optional
        Share of the soil's spread that may be left. [1]

    Raises
    ------
    UsageError
        If the money pays for fewer than three spots, no number of spots reaches the doubt, or the
        two do not fit together; or if farm.toml holds no cost to reckon with.
    """
    if budget is not None and not any(point.cost > 0 for point in curve):
        raise UsageError(
            "farm.toml, [costs]: soil_sample and labour_per_h are 0, so a budget says nothing "
            "about the number of spots. Enter what a sample and an hour cost."
        )
    paid = None if budget is None else _paid(block, curve, currency, budget)
    if doubt is None:
        return paid if paid is not None else curve[-1].spots
    enough = spots_for_doubt(curve, doubt)
    if enough is None:
        best = min(curve, key=lambda point: point.doubt)
        raise UsageError(
            f"{block.name}: {best.spots} spots still leave {100 * best.doubt:.0f} % of the soil's "
            f"spread, more than the {100 * doubt:.0f} % asked for. Part of it is finer than any "
            f"walk can follow: ask for {100 * best.doubt:.0f} % or more."
        )
    if paid is not None and paid < enough:
        by_spots = {point.spots: point for point in curve}
        raise UsageError(
            f"{block.name}: {100 * doubt:.0f} % of doubt asks for {enough} spots, "
            f"{money(by_spots[enough].cost, currency, ONE)}. The budget of "
            f"{money(budget or 0.0, currency, ONE)} pays {paid}, which leave "
            f"{100 * by_spots[paid].doubt:.0f} %. Change one of the two."
        )
    return enough


def share_budget(
    budget: float, usual: Sequence[int], taken: Sequence[Sequence[SizePoint]]
) -> list[float]:
    """A sum shared among blocks as their usual numbers of spots cost.

    Examples
    --------
    >>> share_budget(100.0, [10, 30], [(), ()])
    [25.0, 75.0]
    """
    costs = [_cost_near(curve, spots) for curve, spots in zip(taken, usual, strict=True)]
    parts = costs if sum(costs) > 0 else [float(spots) for spots in usual]
    return [budget * part / sum(parts) for part in parts]


def _cost_near(curve: Sequence[SizePoint], spots: int) -> float:
    return min(curve, key=lambda point: abs(point.spots - spots)).cost if curve else 0.0


def _paid(block: Block, curve: Sequence[SizePoint], currency: str, budget: float) -> int:
    paid = spots_within(curve, budget)
    if paid is None:
        least = curve[0]
        raise UsageError(
            f"{block.name}: {money(budget, currency, ONE)} does not pay {least.spots} spots, "
            f"the fewest that map anything: they cost {money(least.cost, currency, ONE)}. "
            "Raise the budget, or take one mixed sample of the whole block."
        )
    return paid


def spending_note(cost: float, last: Season | None, currency: str) -> str:
    """The cost of the samples beside that of what the last survey asks to spread; "" unless known.

    Rates without a price are not counted, and the sentence says so.
    """
    if last is None or not cost > 0.0:
        return ""
    asked = last.prescription.costs
    priced = sum(value for value in asked.values() if value is not None)
    if None in asked.values() and not priced > 0.0:
        return ""
    without = ", products without a price left out" if None in asked.values() else ""
    steered = (
        f"what the survey of {last.season} asks to buy and spread here costs "
        f"{money(priced, currency)}{without}."
        if priced > 0.0
        else f"the survey of {last.season} asks for nothing to buy and spread here so far."
    )
    said = f"These samples cost {money(cost, currency)}; {steered}"
    if cost > priced:
        said += (
            " The samples cost more than the spreading they steer: fewer of them, or a survey "
            "every few years, may do."
        )
    return said
