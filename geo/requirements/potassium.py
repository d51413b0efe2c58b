"""Potassium: the correction to the sufficiency level over two years, and what the crop removes."""

from __future__ import annotations

from geo.grids import Array
from geo.lookup import Tables
from geo.requirements.nutrients import Norm, build_up_kg_ha, build_up_years, with_removal_kg_ha
from geo.requirements.shared import Layer, figure


def potassium_kg_ha(
    k_mg_kg: Array,
    norm: Norm,
    layer: Layer,
    *,
    removal_kg_ha: float,
    treated_share: float = 1.0,
    tables: Tables | None = None,
) -> Array:
    """Potassium for a year, per block hectare, before the cap. [kg/ha K]

    Parameters
    ----------
    k_mg_kg : array
        Exchangeable potassium. [mg/kg]
    norm : Norm
        Sufficiency level for the texture.
    layer : Layer
        The sampled layer.
    removal_kg_ha : float
        Removal times yield, per block hectare. [kg/ha]
    treated_share : float
        Treated area over block area. [1]
    tables : Tables, optional
        Those in use on the farm.
    """
    build_up = build_up_kg_ha(k_mg_kg, norm.norm, layer, build_up_years("k", tables))
    return with_removal_kg_ha(build_up, k_mg_kg, norm.norm, removal_kg_ha, treated_share)


def potassium_cap_kg_ha(tables: Tables | None = None) -> float:
    """Most potassium in a year per treated hectare; above it an adviser is asked. [kg/ha K]"""
    return figure("nutrient_rates", "cap_k", tables).value
