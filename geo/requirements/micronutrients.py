"""Zinc, manganese, copper, iron and boron: what a soil application can and cannot do on vines."""

from __future__ import annotations

import numpy as np

from geo.grids import Array
from geo.lookup import Tables
from geo.requirements.nutrients import Norm
from geo.requirements.shared import figure
from geo.units import kg_ha_from_lb_ac

#: Key -> (amendment, why the soil route is closed and what is done instead, sources).
NO_SOIL_ROUTE = {
    "zn": (
        "zinc",
        "No zinc on the soil: most of it is lost to vines. Leaf sprays or painted pruning wounds "
        "once a leaf test shows it short; a band only for young vines on sand.",
        ("OWAB89",),
    ),
    "fe": (
        "iron",
        "No iron on the soil: its salts fail where there is lime, and a soil test says little. "
        "Chelate, drainage and a rootstock that stands lime.",
        ("PRACT", "WSU_EM119"),
    ),
    "cu": (
        "copper",
        "No copper from a soil test: it cannot be taken back. A leaf deficiency and an adviser "
        "come first.",
        ("SAWINE",),
    ),
}


def boron_kg_ha(
    b_mg_kg: Array, norm: Norm, *, established: bool, tables: Tables | None = None
) -> Array:
    """Boron per treated hectare where the test is low, never above the ceiling. [kg/ha B]"""
    name = "b_established" if established else "b_before_planting"
    rate = min(
        kg_ha_from_lb_ac(figure("nutrient_rates", name, tables).value), boron_cap_kg_ha(tables)
    )
    return np.where(np.asarray(b_mg_kg, dtype=float) < norm.norm, rate, 0.0)


def boron_cap_kg_ha(tables: Tables | None = None) -> float:
    """Most boron in one application per treated hectare; retest before a second. [kg/ha B]"""
    return figure("nutrient_rates", "cap_b", tables).value


def manganese_kg_ha(mn_mg_kg: Array, norm: Norm, tables: Tables | None = None) -> Array:
    """Manganese per treated hectare where the test is low: one dose, no aim at a level. [kg/ha]"""
    product, content = (
        figure("nutrient_rates", name, tables).value for name in ("mn_sulfate_row", "mn_sulfate_mn")
    )
    dose = product * content / 100
    return np.where(np.asarray(mn_mg_kg, dtype=float) < norm.norm, dose, 0.0)
