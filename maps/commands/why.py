"""`why`: the chain behind one rate, from what the run left in season.json."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from typing import Any

from geo.errors import FarmError
from geo.farm import find_block
from geo.lookup import properties, sources
from maps.answer import Answer
from maps.wording import range_words, rate_words, sentence, with_unit


def why(arguments: argparse.Namespace) -> Answer:
    """Values, method, table row, source, formula behind the rate of one zone."""
    block = find_block(arguments.folder, arguments.block)
    path = arguments.folder / "seasons" / str(arguments.season) / block.slug / "season.json"
    if not path.is_file():
        raise FarmError(
            f"{block.name} was not run for {arguments.season} yet: "
            f"'soilquilt run {arguments.folder} --season {arguments.season}'."
        )
    document = json.loads(path.read_text(encoding="utf-8"))
    rate = _rate(document, arguments.material, arguments.zone)
    amendment = rate["amendment"]
    requirement = _one(document["requirements"], amendment)
    zone_map = _one(document["zones"], amendment)
    zones: list[dict[str, Any]] = zone_map.get("zones", [])
    zone = next((z for z in zones if z["zone"] == rate["zone_id"]), {})
    chain = [
        f"{block.name} {arguments.season}, zone {rate['zone_id']}: "
        f"{rate_words(rate['rate_kg_ha'])} {rate['material'].replace('_', ' ')} "
        f"({range_words(rate['low_kg_ha'], rate['high_kg_ha'])}, two in three"
        + ("" if rate["range_known"] else ", by laboratory noise alone; real range not known")
        + ").",
        *(f"  {sentence(reason)}" for reason in rate["reasons"]),
        *_means(zone.get("means", {}), document["samples"]["methods"]),
        *(f"  {sentence(reason)}" for reason in requirement.get("reasons", ())),
        *_inputs(requirement.get("inputs", {})),
        f"  Zones: {zone_map.get('why', '')}",
        *_sources([*rate["sources"], *requirement.get("sources", ())]),
    ]
    return Answer(
        lines=list(dict.fromkeys(chain)),
        document={"rate": rate, "requirement": requirement, "zone": zone},
    )


def _rate(document: Mapping[str, Any], material: str, zone: int) -> Mapping[str, Any]:
    wanted = material.strip().lower().replace(" ", "_")
    found: Mapping[str, Any]
    for found in document["rates"]:
        if wanted in (found["material"], found["amendment"]) and found["zone_id"] == zone:
            return found
    for held in document["held"]:
        if held["amendment"] == wanted:
            raise FarmError(f"There is no rate for {material}: {held['reason']}")
    known = ", ".join(f"{r['material']} zone {r['zone_id']}" for r in document["rates"]) or "none"
    raise FarmError(f"There is no rate of {material} in zone {zone}. Rates here: {known}.")


def _one(records: list[dict[str, Any]], amendment: str) -> dict[str, Any]:
    return next((record for record in records if record["amendment"] == amendment), {})


def _means(means: Mapping[str, Any], methods: Mapping[str, str]) -> list[str]:
    return [
        f"  {properties()[key].name}: {with_unit(mean['value'], key)}"
        + (f", sd {mean['sd']:.2g}" if mean["sd"] is not None else "")
        + (f", by {methods[key]}" if methods.get(key) else "")
        for key, mean in means.items()
        if mean["value"] is not None
    ]


def _inputs(inputs: Mapping[str, Any]) -> list[str]:
    return [
        f"  {name}: {_figure(value)} {unit}".rstrip() + (f" [{source}]" if source else "")
        for name, (value, unit, source) in inputs.items()
    ]


def _figure(value: float | str) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _sources(keys: list[str]) -> list[str]:
    known = sources()
    return [
        f"  [{key}] {known[key].title}" if key in known else f"  [{key}]"
        for key in dict.fromkeys(part for key in keys for part in key.split("+"))
    ]
