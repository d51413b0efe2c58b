"""Compost and manure on file: what they bring of an element counts toward this year's need."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from geo.chain import kg_words
from geo.grids import Array
from geo.intake.reading import Application
from geo.requirements.case import Case

SYMBOLS: Mapping[str, str] = {"n": "N", "p": "P", "k": "K", "mg": "Mg"}


def organic_credit(case: Case, key: str) -> tuple[Array, list[str]]:
    """Element in organic dressings that the soil test has not seen, place by place. [kg/ha]

    Those spread within a year after the sampling; what lay there before is in the soil test. All
    of it counts, so that less is given, not more. The lot's own analysis goes first, then that of
    farm.toml, then the table's.
    """
    credit, said = np.zeros(1), []
    for record in case.applications:
        days = (record.applied_on - case.sampled_on).days if record.applied_on else -1
        if record.amendment != "organic" or not record.rate_kg_ha or not 0 <= days <= 366:
            continue
        found = _percent(case, record, key)
        if found is None:
            said.append(
                f"{record.product} of {record.applied_on}: no analysis for {SYMBOLS[key]}, so it "
                "is not counted. Enter the lot's own."
            )
            continue
        percent, moisture_pct, whose = found
        brought = record.rate_kg_ha * (1 - moisture_pct / 100) * percent / 100
        if record.where_lonlat:
            credit = credit + brought * case.covered(record.where_lonlat)
        else:
            part = (record.area_ha or case.block.area_ha) / case.block.area_ha
            credit = credit + brought * min(1.0, part)
        said.append(
            f"{record.product} of {record.applied_on}, {record.rate_kg_ha:g} kg/ha, brings "
            f"{kg_words(brought)} kg {SYMBOLS[key]}/ha by {whose}: taken off."
        )
    return credit, said


def _percent(case: Case, record: Application, key: str) -> tuple[float, float, str] | None:
    """Share of an element in dry matter [%], water [%], and whose analysis that is."""
    material, table = _material(case, record.product)
    own = case.settings.materials.get(material, {})
    moisture = _stated(record.analysis, "water|moisture")
    if moisture is None:
        moisture = float(own.get("moisture_pct", table.get("moisture", 0.0)))
    symbol = SYMBOLS[key]
    stated = _stated(record.analysis, symbol)
    if stated is not None:
        return stated, moisture, "the lot's own analysis"
    if key in own.get("analysis", {}):
        return float(own["analysis"][key]), moisture, "the analysis in farm.toml"
    return (table[key], moisture, "our table (SAWINE)") if key in table else None


def _stated(analysis: str, words: str) -> float | None:
    """A percentage that a record's analysis states: "K 0.9 %" or "0.9 % K"."""
    number = r"(\d+(?:[.,]\d+)?)"
    found = re.search(rf"\b(?:{words})\s*[:=]?\s*{number}\s*%", analysis) or re.search(
        rf"{number}\s*%\s*(?:{words})\b", analysis
    )
    return float(found.group(1).replace(",", ".")) if found else None


def _material(case: Case, product: str) -> tuple[str, Mapping[str, float]]:
    """Key and figures of the organic material that a product's name speaks of."""
    rows = case.tables.rows("materials")
    organic = {row["key"] for row in rows if row["value"] == "organic"}
    words = set(re.findall(r"[a-z]+", product.lower()))
    fits = [key for key in sorted(organic) if words & set(key.split("_")) - {"grape"}]
    # Plain "manure" is read as the weakest of them that fits: cattle's.
    key = next((k for k in fits if set(k.split("_")) <= words), fits[0] if fits else "")
    return key, {
        row["quantity"]: float(row["value"])
        for row in rows
        if row["key"] == key and row["quantity"] in ("moisture", *SYMBOLS)
    }
