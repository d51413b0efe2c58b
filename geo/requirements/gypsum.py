"""Gypsum: calcium that pushes sodium off the clay of a sodic soil, if water can carry it away."""

from __future__ import annotations

import numpy as np

from geo.grids import Array
from geo.lookup import Tables
from geo.requirements.shared import figure
from geo.units import cmol_of

TABLE = "gypsum"


def oster_gypsum_t_ha(
    esp: Array,
    cec: Array,
    *,
    depth_m: float,
    bulk_density_mg_m3: float,
    final_esp: float,
    efficiency: float,
    purity_pct: float = 100.0,
    tables: Tables | None = None,
) -> Array:
    """Gypsum by the equation of Oster: 8.6 F D BD CEC (ESPi - ESPf)/p (OSTER). [t/ha]

    Parameters
    ----------
    esp, cec : array
        Exchangeable sodium percentage [%] and cation exchange capacity [cmol(+)/kg].
    depth_m, bulk_density_mg_m3 : float
        Layer to be reclaimed. [m, Mg/m3]
    final_esp : float
        What is aimed at. [%]
    efficiency : float
        F, 1.1 to 1.3. [1]
    purity_pct : float
        Of the product. [%]
    tables : Tables, optional
        Those in use on the farm.

    Examples
    --------
    >>> gypsum = oster_gypsum_t_ha(
    ...     15, 20, depth_m=0.30, bulk_density_mg_m3=1.4, final_esp=5, efficiency=1.1, purity_pct=90
    ... )
    >>> round(float(gypsum), 2)
    8.83
    """
    factor = figure(TABLE, "oster_factor", tables).value
    sodium = np.maximum(np.asarray(esp, float) - final_esp, 0.0) * cec
    return np.asarray(factor * efficiency * depth_m * bulk_density_mg_m3 * sodium / purity_pct)


def rule_gypsum_t_ha(sodium_cmol_kg: Array, depth_cm: float, t_ha_per_30cm: float) -> Array:
    """Gypsum by a rule of thumb for sodium to be replaced: t/ha per cmol(+)/kg in 30 cm. [t/ha]

    Examples
    --------
    >>> round(float(rule_gypsum_t_ha(22 * 0.20, 40, 3.85)), 2)
    22.59
    """
    return np.asarray(np.maximum(sodium_cmol_kg, 0.0) * t_ha_per_30cm * depth_cm / 30)


def exchangeable_sodium_cmol_kg(na_mg_kg: Array, soluble_mg_kg: float = 0.0) -> Array:
    """Sodium on the clay: extractable less soluble. [cmol(+)/kg]"""
    return cmol_of("na", np.maximum(np.asarray(na_mg_kg, dtype=float) - soluble_mg_kg, 0.0))


def gypsum_requirement_kg_ha(
    esp: Array,
    cec: Array,
    *,
    depth_cm: float,
    bulk_density_mg_m3: float,
    stones_pct: float,
    tables: Tables | None = None,
) -> Array:
    """Pure gypsum for places above the trigger; none below it. [kg/ha]

    The trigger (ESP 10) and the aim (ESP 5) leave a step at the trigger: between 6 and 10 the
    word is "watch".
    """
    tonnes = oster_gypsum_t_ha(
        esp,
        cec,
        depth_m=depth_cm / 100,
        bulk_density_mg_m3=bulk_density_mg_m3,
        final_esp=figure(TABLE, "final_esp", tables).value,
        efficiency=figure(TABLE, "efficiency", tables).value,
        tables=tables,
    )
    above = np.asarray(esp, dtype=float) > figure(TABLE, "trigger_esp", tables).value
    return np.where(above, tonnes * 1000 * (1 - stones_pct / 100), 0.0)


def drainage_question(drainage: str | None) -> str | None:
    """Why gypsum waits for drainage; None if the sodium it frees can leave."""
    if drainage == "yes":
        return None
    if drainage == "no":
        return (
            "the sodium it frees cannot wash out where water stands: drain first, or gypsum does "
            "nothing"
        )
    return (
        "one question first: does water drain away from here in winter? Gypsum only helps if the "
        "sodium it frees can wash out"
    )
