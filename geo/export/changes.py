"""changes.csv by property and area, pairs.csv by station, changes.json with both and lessons."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.compare import Changes
from geo.crs import to_metric
from geo.export.seasonfile import plain
from geo.export.tables import csv_text

COLUMNS = (
    "block",
    "from",
    "to",
    "property",
    "unit",
    "area",
    "stations",
    "before",
    "after",
    "difference",
    "sd",
    "factor",
    "low_95",
    "high_95",
    "detectable",
    "detectable_one_station",
    "p",
    "laboratories_95",
    "verdict",
    "against",
    "effect",
    "effect_low_95",
    "effect_high_95",
    "effect_expected",
    "effect_worth_acting",
    "effect_chance_worth",
    "effect_verdict",
    "why",
)
PAIR_COLUMNS = (
    "block",
    "station",
    "got",
    "apart_m",
    "property",
    "unit",
    "before",
    "after",
    "difference",
)
Document = dict[str, Any]
#: Of changes.json; raised when what a document holds changes, so that an older one is made anew.
SCHEMA = 3


def changes_document(changes: Changes) -> Document:
    """Everything of a comparison that is not a map, as plain data."""
    one = changes
    document: Document = plain(
        {
            "block": one.block.name,
            "years": list(one.years),
            "stations": list(one.pairs.ids),
            "got": _got(one),
            "apart_m": np.hypot(*(one.pairs.first_xy - one.pairs.second_xy).T).round(1).tolist(),
            "values": {
                key: {"before": paired.first.tolist(), "after": paired.second.tolist()}
                for key, paired in one.paired.items()
            },
            "relocation_m": one.pairs.relocation_m,
            "moved": [list(pair) for pair in one.pairs.moved],
            "only_second": list(one.pairs.only_second),
            "waiting": [list(question) for question in one.waiting],
            "border": list(one.spread.border),
            "treatments": [
                {
                    "name": t.name,
                    "stations": int(t.stations.sum()),
                    "rates_kg_ha": dict(t.rates_kg_ha),
                }
                for t in one.spread.treatments
            ],
            "ground": _ground(one),
            "warnings": list(one.warnings),
            "changes": one.changes,
            "responses": [_response(response) for response in one.responses],
            "money": {
                "currency": one.worth.currency,
                "cost": one.worth.cost,
                "saved": one.worth.saved,
                "spent": [
                    plain(spent) | {"cost": spent.cost, "saved": spent.saved}
                    for spent in one.worth.spent
                ],
            },
        }
    )
    return document


def _got(changes: Changes) -> list[str]:
    """What each station got, by the name of its group; empty by a border between two rates."""
    names = [""] * len(changes.pairs.ids)
    for treatment in changes.spread.treatments:
        for i in np.flatnonzero(treatment.stations):
            names[i] = treatment.name
    return names


def _ground(changes: Changes) -> list[Document]:
    """Outlines that something was spread on, in WGS84, with kg/ha by product; passes add up."""
    passes: dict[str, dict[str, float]] = {}
    for one in changes.spread.applications:
        if one.where_lonlat:
            got = passes.setdefault(one.where_lonlat, {})
            got[one.product] = got.get(one.product, 0.0) + (one.rate_kg_ha or 0.0)
    return [{"where": where, "rates_kg_ha": rates} for where, rates in passes.items()]


def _response(response: Any) -> Document:
    found: Document = plain(response)
    return found | {"rate_factor": response.rate_factor}


def change_rows(document: Document) -> list[Document]:
    """Rows of changes.csv from a document."""
    return [_row(document, change) for change in document["changes"]]


def _row(document: Document, change: Mapping[str, Any]) -> Document:
    effect = change["effect"] or {}
    row = {
        "block": document["block"],
        "from": document["years"][0],
        "to": document["years"][1],
        "property": change["key"],
        "unit": change["unit"],
        "area": change["area"],
        "stations": change["n"],
        "before": _figure(change["before"]),
        "after": _figure(change["after"]),
        "difference": _figure(change["difference"]),
        "sd": _figure(change["sd"]),
        "factor": _figure(change["factor"]),
        "low_95": _figure(change["low"]),
        "high_95": _figure(change["high"]),
        "detectable": _figure(change["detectable"]),
        "detectable_one_station": _figure(change["detectable_single"]),
        "p": _figure(change["p"]),
        "laboratories_95": _figure(change["laboratories"]),
        "verdict": change["verdict"],
        "why": " ".join([change["why"], *change["warnings"]]).strip(),
    }
    if effect:
        row |= {
            "against": effect["against"],
            "effect": _figure(effect["difference"]),
            "effect_low_95": _figure(effect["low"]),
            "effect_high_95": _figure(effect["high"]),
            "effect_expected": _figure(effect["expected"]),
            "effect_worth_acting": _figure(effect["worth"]),
            "effect_chance_worth": _figure(effect["chance_worth"]),
            "effect_verdict": effect["verdict"],
        }
    return row


def pair_rows(document: Document) -> list[Document]:
    """Rows of pairs.csv: each station of both years, property by property."""
    stations = list(zip(document["stations"], document["got"], document["apart_m"], strict=True))
    units = {change["key"]: change["unit"] for change in document["changes"]}
    return [
        {
            "block": document["block"],
            "station": station,
            "got": got,
            "apart_m": apart_m,
            "property": key,
            "unit": units[key],
            "before": _figure(before),
            "after": _figure(after),
            "difference": _figure(after - before),
        }
        for key, both in document["values"].items()
        for (station, got, apart_m), before, after in zip(
            stations, both["before"], both["after"], strict=True
        )
        if before is not None and after is not None
    ]


def _figure(value: float | None) -> float | None:
    """Four significant digits: more would claim what no laboratory gives."""
    return None if value is None else float(f"{value:.4g}")


def write_changes(documents: Iterable[Document], folder: Path) -> None:
    """Write changes.csv, pairs.csv, and changes.json with the same and the lessons."""
    documents = list(documents)
    folder.mkdir(parents=True, exist_ok=True)
    rows = [row for document in documents for row in change_rows(document)]
    (folder / "changes.csv").write_text(csv_text(COLUMNS, rows), encoding="utf-8", newline="")
    pairs = [row for document in documents for row in pair_rows(document)]
    (folder / "pairs.csv").write_text(csv_text(PAIR_COLUMNS, pairs), encoding="utf-8", newline="")
    text = json.dumps({"schema": SCHEMA, "blocks": documents}, ensure_ascii=False, indent=1)
    (folder / "changes.json").write_text(text + "\n", encoding="utf-8")


def read_changes(folder: Path) -> list[Document]:
    """The documents of an earlier comparison; none if there was none, or by an older program."""
    path = folder / "changes.json"
    if not path.is_file():
        return []
    found = json.loads(path.read_text(encoding="utf-8"))
    if found.get("schema") != SCHEMA:
        return []
    blocks: list[Document] = found["blocks"]
    return blocks


def read_zones(path: Path, block: Block) -> dict[tuple[str, int], BaseGeometry]:
    """(material, zone number) -> outline in metres, from the zones.geojson of a run, if there.

    A material with one zone is the block itself and is left out.
    """
    if not path.is_file():
        return {}
    found: dict[tuple[str, int], BaseGeometry] = {}
    for feature in json.loads(path.read_text(encoding="utf-8"))["features"]:
        layer, zone = feature["properties"]["layer"], int(feature["properties"]["zone"])
        if layer != "all":
            shape = shapely.from_geojson(json.dumps(feature["geometry"]))
            found[layer, zone] = to_metric(shape, block.crs)
    several = {layer for layer, zone in found if zone > 1}
    return {key: shape for key, shape in found.items() if key[0] in several}
