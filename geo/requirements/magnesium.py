"""Magnesium: with the lime where lime is due, else the correction to the minimum, slowly."""

from __future__ import annotations

from geo.grids import Array
from geo.lookup import Tables
from geo.requirements.nutrients import Norm, build_up_kg_ha, build_up_years, with_removal_kg_ha
from geo.requirements.shared import Layer, figure
from geo.units import kg_ha_from_lb_ac


def magnesium_kg_ha(
    mg_mg_kg: Array,
    norm: Norm,
    layer: Layer,
    *,
    removal_kg_ha: float,
    treated_share: float = 1.0,
    tables: Tables | None = None,
) -> Array:
    """Magnesium for a year, per block hectare, before the cap. [kg/ha Mg]"""
    build_up = build_up_kg_ha(mg_mg_kg, norm.norm, layer, build_up_years("mg", tables))
    return with_removal_kg_ha(build_up, mg_mg_kg, norm.norm, removal_kg_ha, treated_share)


def magnesium_cap_kg_ha(tables: Tables | None = None) -> float:
    """Most magnesium in a year from a product other than lime (UGAWGP). [kg/ha Mg]"""
    return kg_ha_from_lb_ac(figure("nutrient_rates", "mg_without_lime", tables).value)
