"""Elemental sulfur: free lime first, then the soil's own buffering by published tables.

The published tables disagree by up to 3.3 times: the lowest for the texture and pH is used, the
span is shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache

import numpy as np

from geo.grids import Array
from geo.lookup import Row, Tables, read_table
from geo.requirements.shared import Layer, figure, sulfur_texture
from geo.units import kg_ha_from_lb_1000ft2, kg_ha_from_lb_ac

LIMITS = "sulfur_limits"

#: pH rising, kg/ha, target pH or None (per pH unit), depth of the table [cm].
Column = tuple[Array, Array, float | None, float]


def free_lime_sulfur_kg_ha(
    free_lime_pct: Array, layer: Layer, tables: Tables | None = None
) -> Array:
    """Sulfur that the free lime of a layer uses up: 0.320 kg S per kg CaCO3 (CHEM). [kg/ha]

    Examples
    --------
    >>> round(float(free_lime_sulfur_kg_ha(1.0, Layer(15, 1.3))))
    6246
    """
    per_kg = figure(LIMITS, "s_per_caco3", tables).value
    return np.asarray(
        np.asarray(free_lime_pct, float) / 100 * layer.fine_earth_t_ha * 1000 * per_kg
    )


def table_sulfur_kg_ha(
    ph: Array, texture: str, target_ph: float, layer: Layer, tables: Tables | None = None
) -> Mapping[str, Array]:
    """Sulfur by each published table for a carbonate-free soil. [kg/ha]

    Parameters
    ----------
    ph : array
        pH in water.
    texture : str
        "sand", "loam" or "clay".
    target_ph : float
    layer : Layer
        What is amended; tables are scaled to it by depth and stones.
    tables : Tables, optional
        Those in use on the farm.

    Returns
    -------
    mapping
        Table name -> sulfur; NaN where that table has no row for the pH, texture or target.
    """
    ph = np.asarray(ph, dtype=float)
    found = {}
    for name, columns in sulfur_tables(tables).items():
        column = columns.get(texture)
        if column is None:
            continue
        rows, amounts, own_target, depth_cm = column
        if own_target is None:
            lime_free = np.maximum(ph - target_ph, 0.0) * amounts[0]
        elif own_target == target_ph:
            lime_free = np.interp(ph, rows, amounts, left=np.nan, right=np.nan)
        else:
            continue
        found[name] = np.asarray(lime_free * layer.ratio_to(depth_cm))
    return found


def sulfur_tables(tables: Tables | None = None) -> Mapping[str, Mapping[str, Column]]:
    """Default tables by name and texture: (pH rising, kg/ha, target pH or None, depth in cm)."""
    if tables is None or not tables.changes("sulfur_requirement"):
        return _our_sulfur_tables()
    return _sulfur_tables_of(tables.rows("sulfur_requirement"))


@cache
def _our_sulfur_tables() -> Mapping[str, Mapping[str, Column]]:
    return _sulfur_tables_of(read_table("sulfur_requirement"))


def _sulfur_tables_of(all_rows: Iterable[Row]) -> Mapping[str, Mapping[str, Column]]:
    found: dict[str, dict[str, Column]] = {}
    chosen = [row for row in all_rows if row["is_default"] == "1"]
    for name, texture in dict.fromkeys((row["table"], row["texture"]) for row in chosen):
        rows = sorted(
            (float(row["ph"] or "nan"), _kg_ha(row["amount"], row["unit"]), row["target_ph"])
            for row in chosen
            if (row["table"], row["texture"]) == (name, texture)
        )
        depth_cm = next(float(r["depth_in"]) for r in chosen if r["table"] == name) * 2.54
        target = float(rows[0][2]) if rows[0][2] else None
        columns = (np.array([r[0] for r in rows]), np.array([r[1] for r in rows]))
        found.setdefault(name, {})[texture] = (*columns, target, depth_cm)
    return found


def _kg_ha(amount: str, unit: str) -> float:
    convert = {"lb/1000 ft2": kg_ha_from_lb_1000ft2, "lb/ac": kg_ha_from_lb_ac}.get(unit)
    return convert(float(amount)) if convert else float(amount)


def buffer_sulfur_kg_ha(
    ph: Array, texture: str, target_ph: float, layer: Layer, tables: Tables | None = None
) -> tuple[Array, Array]:
    """Lowest and highest sulfur that the published tables ask of a carbonate-free soil. [kg/ha]

    Nothing at or below the action level; between there and the first row of a table the other
    tables answer.
    """
    asked = list(table_sulfur_kg_ha(ph, texture, target_ph, layer, tables).values())
    due = np.asarray(ph, dtype=float) > figure(LIMITS, "action_ph_water", tables).value
    low, high = np.fmin.reduce(asked), np.fmax.reduce(asked)
    return np.where(due, low, 0.0), np.where(due, high, 0.0)


def free_lime_gate(
    sample_ph: Array,
    free_lime_pct: float | None,
    years_since_lime: Sequence[float],
    tables: Tables | None = None,
) -> str | None:
    """Why a CaCO3 test must come before any sulfur rate of the block; None if it need not.

    One gate a block: pH(water) 7.3 or more at any sample, or lime on file in the last 10 years.
    """
    if free_lime_pct is not None:
        return None
    gate = figure(LIMITS, "gate_ph_water", tables).value
    highest = float(np.nanmax(sample_ph)) if np.size(sample_ph) else float("nan")
    if highest >= gate:
        return (
            f"a sample reads pH {highest:.1f}, {gate:g} or more, and no CaCO3 test is on file: "
            "free lime would use up the sulfur first"
        )
    years = figure(LIMITS, "gate_lime_years", tables).value
    if any(since <= years for since in years_since_lime):
        return f"lime was spread within {years:g} years and no CaCO3 test is on file"
    return None


def pass_cap_kg_ha(clay_pct: float | None, tables: Tables | None = None) -> float:
    """Most sulfur in one pass, per treated hectare. [kg/ha]"""
    sandy = sulfur_texture(clay_pct, tables) == "sand"
    return figure(LIMITS, "cap_sandy" if sandy else "cap", tables).value


def not_worthwhile(free_lime_kg_ha: float, tables: Tables | None = None) -> bool:
    """Whether free lime alone would take more sulfur than is worth spreading."""
    return free_lime_kg_ha > figure(LIMITS, "not_worthwhile", tables).value
