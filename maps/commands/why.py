"""`why`: the chain behind one rate or one hold, from what the run left in season.json."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Mapping
from typing import Any

from geo.errors import FarmError
from geo.farm import find_block
from geo.lookup import properties, sources
from geo.prescribing.chances import chance_words
from geo.reasons import About
from maps.answer import Answer
from maps.paper.measures import Measures
from maps.wording import rate_words, sentence, with_unit

Record = Mapping[str, Any]


def why(arguments: argparse.Namespace) -> Answer:
    """Value, method, table row, rule, quantile, product, cap and source of one zone's rate.

    Where a material is held, the same for the hold.
    """
    block = find_block(arguments.folder, arguments.block)
    path = arguments.folder / "seasons" / str(arguments.season) / block.slug / "season.json"
    if not path.is_file():
        raise FarmError(
            f"{block.name} was not run for {arguments.season} yet: "
            f"'soilquilt run {arguments.folder} --season {arguments.season}'."
        )
    document = json.loads(path.read_text(encoding="utf-8"))
    wanted = arguments.material.strip().lower().replace(" ", "_")
    where = f"{block.name} {arguments.season}"
    rate = _rate(document, wanted, arguments.zone)
    if rate is not None:
        return _of_rate(document, rate, where)
    held = next((one for one in document["held"] if one["amendment"] == wanted), None)
    if held is not None:
        return _of_held(document, held, where)
    known = ", ".join(f"{r['material']} zone {r['zone_id']}" for r in document["rates"]) or "none"
    raise FarmError(
        f"There is no rate of {arguments.material} in zone {arguments.zone}. Rates here: {known}."
    )


def _of_rate(document: Record, rate: Record, where: str) -> Answer:
    amendment = rate["amendment"]
    requirement, zone_map = (_one(document[k], amendment) for k in ("requirements", "zones"))
    zone: Record = next((z for z in zone_map.get("zones", []) if z["zone"] == rate["zone_id"]), {})
    measures = Measures(document["settings"].get("units") == "us")
    doubt = f"{measures.span(rate['low_kg_ha'], rate['high_kg_ha'])}, two in three"
    if not rate.get("range_known", True):
        doubt += ", by laboratory noise alone; real range not known"
    memory = ["A figure behind it is from memory: please check."] if rate["from_memory"] else []
    lines = [
        f"{where}, zone {rate['zone_id']}: {measures.rate(rate['rate_kg_ha'])} "
        f"{rate['material'].replace('_', ' ')} ({doubt}).",
        *memory,
        *_chain(rate.get("chain", ())),
        *(["The steps count as their tables do: 1 kg/ha is 0.892 lb/ac."] if measures.us else []),
        "What goes with it:",
        *(f"  {measures.said(sentence(reason))}" for reason in _rest(rate)),
        f"  Zones: {measures.said(zone_map.get('why', ''))}",
        *_others(requirement),
        *_means(zone, document["samples"]["methods"]),
    ]
    keys = [
        *_chain_sources(rate.get("chain", ())),
        *rate["sources"],
        *requirement.get("sources", ()),
    ]
    return _answer(lines, keys, {"rate": rate, "requirement": requirement, "zone": zone})


def _of_held(document: Record, held: Record, where: str) -> Answer:
    requirement = _one(document["requirements"], held["amendment"])
    lines = [
        f"{where}: {held['amendment']}, no rate ({held['kind'].replace('_', ' ')}).",
        f"  {sentence(held['reason'])}",
        *_chain(held.get("chain", ())),
        *(f"  {sentence(reason)}" for reason in requirement.get("reasons", ())),
        *_others(requirement),
    ]
    keys = [
        *_chain_sources(held.get("chain", ())),
        *held["sources"],
        *requirement.get("sources", ()),
    ]
    return _answer(lines, keys, {"held": held, "requirement": requirement})


def _answer(lines: Iterable[str], keys: Iterable[str], document: dict[str, Any]) -> Answer:
    known = sources()
    cited = {key: known[key].title if key in known else key for key in _parts(keys)}
    listed = [f"  [{key}] {title}" for key, title in cited.items()]
    return Answer(
        lines=[*dict.fromkeys(lines), "Sources:", *listed],
        document=document | {"sources": cited},
    )


def _rate(document: Record, wanted: str, zone: int) -> Record | None:
    return next(
        (
            found
            for found in document["rates"]
            if wanted in (found["material"], found["amendment"]) and found["zone_id"] == zone
        ),
        None,
    )


def _one(records: list[dict[str, Any]], amendment: str) -> dict[str, Any]:
    return next((record for record in records if record["amendment"] == amendment), {})


def _chain(links: Iterable[Record]) -> list[str]:
    """The links in their order, each with its sources."""
    return [
        f"  {number}. {link['step'].capitalize()}: {link['says'].rstrip('.')}"
        + (f" [{', '.join(_parts(link['sources']))}]" if link["sources"] else "")
        + (" (from memory, please check)" if link["from_memory"] else "")
        for number, link in enumerate(links, start=1)
    ]


def _rest(rate: Record) -> list[str]:
    """Reasons that no link of the chain has told already; it tells the costs in its own words."""
    told = " ".join(link["says"] for link in rate.get("chain", ()))
    about = rate.get("reasons_about") or [""] * len(rate["reasons"])
    return [
        reason
        for reason, what in zip(rate["reasons"], about, strict=True)
        if reason.rstrip(".") not in told and what != About.COSTS.value
    ]


def _others(requirement: Record) -> list[str]:
    """What other published methods make of the same samples."""
    others = requirement.get("alternatives", {})
    unit = requirement.get("unit", "kg/ha")
    return [
        f"  By {name}, mean of the samples: {rate_words(amount)} ({unit.removeprefix('kg/ha ')})"
        for name, amount in others.items()
    ]


def _means(zone: Record, methods: Mapping[str, str]) -> list[str]:
    """Mean of each property in the zone, with its doubt and the chance of each class."""
    means, chances = zone.get("means", {}), zone.get("chances", {})
    lines = [
        f"  {properties()[key].name}: {with_unit(mean['value'], key)}"
        + (f", sd {mean['sd']:.2g}" if mean["sd"] is not None else "")
        + (f", by {methods[key]}" if methods.get(key) else "")
        + (f"; {chance_words(chances[key])}" if chances.get(key) else "")
        for key, mean in means.items()
        if mean["value"] is not None
    ]
    return ["All means of this zone:", *lines] if lines else []


def _chain_sources(links: Iterable[Record]) -> list[str]:
    return [source for link in links for source in link["sources"]]


def _parts(keys: Iterable[str]) -> list[str]:
    """Source keys, each once; "A+B" are two."""
    return list(dict.fromkeys(part for key in keys for part in key.split("+")))
