"""Season document -> the plain sentences a person reads first.

Works on the data of season.json, so that a run in another process and a file from last year are
told in the same words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from geo.lookup import properties
from maps.paper.measures import Measures
from maps.wording import (
    AMENDMENT_WORDS,
    MAP_VERDICT_WORDS,
    money,
    sentence,
)

Document = Mapping[str, Any]


def season_sentences(document: Document) -> list[str]:
    """What was found in one block: samples, maps, rates, what waits, what is open."""
    block = document["block"]
    samples = document["samples"]
    top, bottom = document["layer_cm"]
    measures = _measures(document)
    lines = [
        f"{block['name']} {document['season']}: {measures.area_words(block['area_ha'])}, "
        f"{samples['stations']} samples from {_layer_words(top, bottom, measures)}."
    ]
    lines += _map_lines(document["surfaces"])
    if samples["not_analysed"]:
        names = _names(samples["not_analysed"])
        lines.append(f"Not analysed: {names}. No rating, no map, no rate; it does not count as 0.")
    lines += _rate_lines(document)
    lines += _purchase_lines(document)
    lines += [measures.said(sentence(line)) for line in document["conflicts"]]
    lines += [measures.said(line) for line in _held_lines(document["held"])]
    lines += _open_lines(document)
    return lines


def _layer_words(top_cm: float, bottom_cm: float, measures: Measures) -> str:
    """The layer sampled, in inches on a US farm."""
    return measures.layer((top_cm, bottom_cm)).replace(" to ", "-")


def _measures(document: Document) -> Measures:
    return Measures(document["settings"].get("units") == "us")


def _map_lines(surfaces: Mapping[str, Mapping[str, Any]]) -> list[str]:
    lines = []
    for verdict, words in MAP_VERDICT_WORDS.items():
        keys = [key for key, surface in surfaces.items() if surface["verdict"] == verdict]
        if keys:
            lines.append(f"{words}: {_names(keys)}.")
    return lines


def _names(keys: Iterable[str]) -> str:
    known = properties()
    return ", ".join(known[key].name if key in known else key for key in keys)


def _rate_lines(document: Document) -> list[str]:
    """A sentence for each amendment with a rate: every zone, the total and the money."""
    currency, measures = document["settings"]["currency"], _measures(document)
    lines = []
    amendments = dict.fromkeys(rate["amendment"] for rate in document["rates"])
    for amendment in amendments:
        rates = [rate for rate in document["rates"] if rate["amendment"] == amendment]
        material = rates[0]["material"].replace("_", " ")
        total_kg = sum(rate["rate_kg_ha"] * rate["area_ha"] for rate in rates)
        parts = [_rate_part(rate, len(rates), measures) for rate in rates]
        cost = document["costs"].get(amendment)
        named = _word(amendment) + (f", {material}" if material != amendment else "")
        line = f"{named}: {'; '.join(parts)}. In all {measures.amount(total_kg)}"
        line += f", {money(cost, currency)}." if cost is not None else "."
        if any(rate["from_memory"] for rate in rates):
            line += " A figure behind it is from memory: please check."
        lines.append(line)
    return lines


def _purchase_lines(document: Document) -> list[str]:
    """What to buy, and what first if only part of the money is there."""
    currency, measures = document["settings"]["currency"], _measures(document)
    buy = [
        f"{measures.amount(line['bought_kg'])} {line['name']} ({line['packing']}"
        + (f", {money(line['cost'], currency)}" if line["cost"] is not None else "")
        + ")"
        for line in document.get("purchase", ())
    ]
    lines = [f"Buy: {'; '.join(buy)}."] if buy else []
    first = [one["amendment"] for one in document.get("spend_first", ())]
    if len(first) > 1:
        lines.append(f"If money is short, first {', then '.join(first)}.")
    return lines


def _rate_part(rate: Mapping[str, Any], zones: int, measures: Measures) -> str:
    where = f"zone {rate['zone_id']}" if zones > 1 else "one rate"
    doubt = measures.span(rate["low_kg_ha"], rate["high_kg_ha"])
    if not rate["range_known"]:
        doubt += " by laboratory noise alone, real range not known"
    shown = measures.rate(rate["rate_kg_ha"])
    part = f"{where}, {measures.area_words(rate['area_ha'])}, {shown} ({doubt})"
    if len(rate["passes"]) > 1:
        part += f" in {len(rate['passes'])} passes"
    return part


def _held_lines(held: Iterable[Mapping[str, Any]]) -> list[str]:
    lines = []
    for one in held:
        word, said = _word(one["amendment"]), _short(sentence(one["reason"]))
        # Most reasons name what they speak of; the word before them is then said once.
        lines.append(said if one["amendment"] in said.lower().split(".")[0] else f"{word}: {said}")
    return lines


def _short(text: str) -> str:
    """The first sentence, and the next one where the first only says that something is held.

    The whole reason stands in map.html and season.json.

    Examples
    --------
    >>> _short("Zinc is held. Leaves decide. Take petioles."), _short("No lime here. Ask again.")
    ('Zinc is held. Leaves decide.', 'No lime here.')
    """
    parts = re.split(r"(?<=[.!?]) (?=[A-Z])", text)
    return " ".join(parts[: 2 if parts[0].endswith(("is held.", "is not to be applied.")) else 1])


def _word(amendment: str) -> str:
    return AMENDMENT_WORDS.get(amendment, amendment).capitalize()


def _open_lines(document: Document) -> list[str]:
    waiting = len(document["samples"]["open"])
    if not waiting:
        return []
    values = "1 value waits" if waiting == 1 else f"{waiting} values wait"
    rules = dict.fromkeys(f["rule"] for f in document["findings"] if f["severity"] == "open")
    about = f" ({', '.join(rule.replace('_', ' ') for rule in rules)})" if rules else ""
    return [f"{values} for an answer{about}: stored, in no map."]
