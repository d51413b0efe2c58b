"""Phosphorus: build-up to a vine norm of the same extractant over four years, and removal."""

from __future__ import annotations

from geo.grids import Array
from geo.lookup import Tables
from geo.requirements.nutrients import Norm, build_up_kg_ha, build_up_years, with_removal_kg_ha
from geo.requirements.shared import Layer


def phosphorus_kg_ha(
    p_mg_kg: Array,
    norm: Norm,
    layer: Layer,
    *,
    removal_kg_ha: float,
    treated_share: float = 1.0,
    tables: Tables | None = None,
) -> Array:
    """Phosphorus for a year, per block hectare. [kg/ha P]"""
    build_up = build_up_kg_ha(p_mg_kg, norm.norm, layer, build_up_years("p", tables))
    return with_removal_kg_ha(build_up, p_mg_kg, norm.norm, removal_kg_ha, treated_share)


def no_norm_reason(method: str) -> str:
    """Why an extractant without a vine norm makes no rate."""
    return (
        f"no vine norm is published for phosphorus by {method or 'an extractant not named'}: "
        "a field-crop table may rate it, it never makes a rate"
    )
