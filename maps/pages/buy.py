"""What to buy for a season, and what first if only part of the money is there."""

from __future__ import annotations

from typing import Any

from geo.blocks import Block
from geo.prescribing.purchase import DELIVERY
from maps.paper.measures import Measures, measures_of
from maps.serving.workspace import Workspace
from maps.wording import AMENDMENT_WORDS, capital, money

Data = dict[str, Any]


def buy(work: Workspace, season: int) -> Data:
    """Lines by material and block as the runs left them, with the order of spending."""
    made = [(block, work.document(season, block.slug)) for block in work.blocks()]
    run = [(block, document) for block, document in made if document is not None]
    if not run:
        return {"rows": [], "total": "", "first": [], "delivery": "", "onward": []}
    measures = measures_of(work.settings())
    rows = [
        _row(line, block, document, measures)
        for block, document in run
        for line in document["purchase"]
    ]
    rows.sort(key=lambda row: (str(row["material"]), str(row["block"])))
    currency = run[0][1]["settings"]["currency"]
    priced = rows and all(row["in_all"] is not None for row in rows)
    return {
        "rows": [{**row, "cost": _cost(row["in_all"], currency)} for row in rows],
        "total": money(sum(row["in_all"] for row in rows), currency) if priced else "",
        "delivery": DELIVERY
        if any(document["settings"]["costs"]["delivery_per_t"] for _, document in run)
        else "",
        "first": [part for block, document in run if (part := _spend_first(block, document))],
        "onward": [
            {"block": block.name, "slug": block.slug}
            for block, document in run
            if document["purchase"]
        ],
    }


def _row(line: Data, block: Block, document: Data, measures: Measures) -> Data:
    """One product for one block: needed, what whole bags make of it, its price and the whole."""
    rates = [rate for rate in document["rates"] if rate["material"] == line["material"]]
    costs = [
        document["costs"].get(name) for name in dict.fromkeys(rate["amendment"] for rate in rates)
    ]
    return {
        "material": line["name"],
        "block": block.name,
        "needed": measures.amount(line["needed_kg"]),
        "buy": line["packing"]
        if line["bags"] is not None
        else f"{measures.amount(line['bought_kg'])}, {line['packing']}",
        "product": _cost(line["cost"], document["settings"]["currency"]),
        "in_all": None if None in costs else sum(costs),
        "memory": any(rate["from_memory"] for rate in rates),
    }


def _spend_first(block: Block, document: Data) -> Data | None:
    """The order of spending in a block; None where there is nothing to choose between."""
    lines = document["spend_first"]
    currency = document["settings"]["currency"]
    if len(lines) < 2:
        return None
    return {
        "block": block.name,
        "lines": [
            {
                "word": capital(AMENDMENT_WORDS.get(one["amendment"], one["amendment"])),
                "cost": money(one["cost"], currency),
                "so_far": money(one["so_far"], currency),
                "why": one["why"],
            }
            for one in lines
        ],
    }


def _cost(amount: float | None, currency: str) -> str:
    return "no price yet" if amount is None else money(amount, currency)
