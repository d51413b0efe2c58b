"""Money of a comparison in sentences: what was spent, what it moved, what one rate had cost."""

from __future__ import annotations

from typing import Any

from geo.lookup import properties
from maps.changefigures import Row, figure, unit_of
from maps.wording import amount_words, money, rate_words

Document = dict[str, Any]

#: Amounts this near are the same [1]: the whole block got one rate.
SAME_AMOUNT = 0.02


def money_sentences(document: Document) -> list[str]:
    """What was spent, what it moved, and what one rate for the whole block would have cost."""
    currency = document["money"]["currency"]
    found = []
    for spent in document["money"]["spent"]:
        found.append(_spent_sentence(spent, currency))
        found += _moved_sentence(document, spent["amendment"])
        found.append(_saved_sentence(spent, currency))
    return found


def _spent_sentence(spent: Row, currency: str) -> str:
    said = f"Spread: {amount_words(spent['product_kg'])} of {spent['product']}"
    bill = spent["bill"]
    if bill is None:
        return said + "; no price of it is on file."
    parts = [f"{money(bill['product'], currency)} the product"]
    parts += [
        f"{money(bill[part], currency)} {part}" for part in ("delivery", "spreading") if bill[part]
    ]
    if len(parts) == 1:
        return f"{said}, {money(spent['cost'], currency)}."
    return f"{said}, {money(spent['cost'], currency)} ({', '.join(parts)}), at the farm's prices."


def _moved_sentence(document: Document, amendment: str) -> list[str]:
    """What the money moved: the property it was spread for, by rate."""
    rates = {
        one["name"]: one["rates_kg_ha"][amendment]
        for one in document["treatments"]
        if amendment in one["rates_kg_ha"]
    }
    rows = [row for row in document["changes"] if row["aim"] and row["area"] in rates]
    rows = [row for row in rows if row["key"] == rows[0]["key"]]
    if not rows:
        return []
    effects = [row["effect"] for row in rows]
    against = effects[0]["against"] if effects[0] else ""
    parts = [f"{_moved_by(row)} with {rate_words(rates[row['area']])}" for row in rows]
    beside = f", against {against}" if against else ", with no untreated ground to set it against"
    return [f"What it moved: {properties()[rows[0]['key']].name} {' and '.join(parts)}{beside}."]


def _moved_by(row: Row) -> str:
    effect = row["effect"] or row
    if row["factor"] is not None:
        ratio = effect["difference"] if row["effect"] else row["factor"]
        said = f"by a factor of {ratio:.2f}"
    else:
        said = f"{figure(effect['difference'], row)}{unit_of(row)}"
    return said if effect["verdict"] == "shown" else f"{said} (not beyond doubt)"


def _saved_sentence(spent: Row, currency: str) -> str:
    """Against one rate that gives no place less."""
    if spent["uniform_kg"] <= (1.0 + SAME_AMOUNT) * spent["product_kg"]:
        return "The whole block got one rate, so nothing was saved or lost against one."
    said = (
        "One rate for the whole block that gives no place less would have taken "
        f"{amount_words(spent['uniform_kg'])}"
    )
    if spent["saved"] is None:
        return said + "."
    word = "more" if spent["saved"] >= 0 else "less"
    return f"{said} and cost {money(abs(spent['saved']), currency)} {word}."
