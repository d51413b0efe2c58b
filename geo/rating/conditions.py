"""What tables ask of a soil beside the value: texture, pH(KCl), ratios; and what to watch for."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.findings import Finding
from geo.lookup import Row, Tables, properties
from geo.rating.choice import Soil
from geo.rating.methods import match_method
from geo.units import cmol_of
from geo.water import SALT_SOURCES, salt_words


def with_ratios(checked: CheckedSamples) -> pd.DataFrame:
    """The usable values and the composites, with the ratios that only ratings need.

    Mg:K on equivalents, where both come from one extract; aluminium as a share of the ECEC.
    """
    composites = checked.samples.composites
    parts = [checked.usable] if composites.empty else [checked.usable, composites]
    frame = pd.concat(parts) if len(parts) > 1 else checked.usable.copy()
    methods = checked.samples.methods
    if {"mg", "k"} <= set(frame) and methods.get("mg") == methods.get("k"):
        found = match_method("k", methods.get("k", ""))
        if found is not None and found.method == "NH4OAc pH 7":
            frame["mg_k"] = _charge(frame, "mg") / _charge(frame, "k").where(lambda k: k > 0)
    if {"al", "ecec"} <= set(frame):
        frame["al_saturation"] = 100 * _charge(frame, "al") / frame["ecec"]
    return frame


def _charge(frame: pd.DataFrame, key: str) -> pd.Series:
    return frame[key] * cmol_of(key, 1.0)


def block_soil(frame: pd.DataFrame, block: Block) -> Soil:
    """Texture and pH(KCl) of the block: medians of its samples, else what farm.toml says."""
    clay, clay_from = _median(frame, "clay"), "median of the block"
    if clay is None:
        clay, clay_from = block.site.clay_pct, "farm.toml"
    return Soil(clay, clay_from, _median(frame, "ph_kcl"), "median of the block")


def _median(frame: pd.DataFrame, key: str) -> float | None:
    values = frame[key].dropna() if key in frame else pd.Series(dtype=float)
    return float(values.median()) if len(values) else None


def sample_soil(block: Soil, row: pd.Series) -> Soil:
    """Texture and pH(KCl) of a sample: its own figures before the block's."""
    soil = block
    clay, ph_kcl = row.get("clay"), row.get("ph_kcl")
    if clay is not None and pd.notna(clay):
        soil = replace(soil, clay_pct=float(clay), clay_from="the sample's own")
    if ph_kcl is not None and pd.notna(ph_kcl):
        soil = replace(soil, ph_kcl=float(ph_kcl), ph_kcl_from="the sample's own")
    return soil


def interactions(frame: pd.DataFrame, checked: CheckedSamples, tables: Tables) -> list[Finding]:
    """What one property does to the rating or the uptake of others, where the soil shows it."""
    found = (_interaction(frame, checked, row) for row in tables.rows("interactions"))
    return [finding for finding in found if finding is not None]


def water_notes(block: Block) -> list[Finding]:
    """What the irrigation water does to salinity."""
    said = salt_words(block.site)
    if said is None:
        return []
    message = f"{said} [{', '.join(SALT_SOURCES)}]."
    return [Finding(rule="irrigation_salt", severity="note", message=message, keys=("ec",))]


def _interaction(frame: pd.DataFrame, checked: CheckedSamples, row: Row) -> Finding | None:
    key, limit = row["key"], float(row["limit"])
    if key not in frame or not _method_concerned(checked, row):
        return None
    above = row["side"] == "above"
    concerned = frame.index[frame[key] > limit if above else frame[key] < limit]
    if concerned.empty:
        return None
    prop = properties()[key]
    unit = "" if prop.unit in ("1", "pH") else f" {prop.unit}"
    word = "above" if above else "below"
    memory = " (from memory)" if row["verified"] == "memory" else ""
    return Finding(
        rule=row["rule"],
        severity="note",
        message=(
            f"{prop.name} is {word} {limit:g}{unit} at {len(concerned)} of {len(frame)} samples: "
            f"{row['say']} [{row['source']}]{memory}."
        ),
        sample_ids=tuple(str(sample_id) for sample_id in concerned),
        keys=(key,),
    )


def _method_concerned(checked: CheckedSamples, row: Row) -> bool:
    """Whether the method that an interaction is about was used; "" is about any."""
    if not row["methods"]:
        return True
    key = {"Bray-1": "p"}.get(row["methods"], row["key"])
    found = match_method(key, checked.samples.methods.get(key, ""))
    return found is not None and found.method == row["methods"]
