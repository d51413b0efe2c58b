"""Nitrogen: leaf and growth decide, never a soil test; the tool only knows the ceiling."""

from __future__ import annotations

from geo.lookup import Tables
from geo.requirements.shared import figure
from geo.units import kg_ha_from_lb_ac


def nitrogen_ceiling_kg_ha(yield_t_ha: float, tables: Tables | None = None) -> float:
    """Most nitrogen in a year under integrated production (IOBC). [kg/ha N]

    Examples
    --------
    >>> nitrogen_ceiling_kg_ha(8.0)
    40.0
    """
    return figure("nutrient_rates", "n_ceiling", tables).value * yield_t_ha


def water_nitrogen_kg_ha(
    nitrate_n_mg_l: float, water_mm: float, tables: Tables | None = None
) -> float:
    """Nitrogen that irrigation water brings: 2.72 lb/ac per acre-foot and ppm NO3-N. [kg/ha N]

    Examples
    --------
    >>> round(water_nitrogen_kg_ha(10, water_mm=304.8), 1)
    30.5
    """
    per_acre_foot = figure("nutrient_rates", "n_water", tables).value * nitrate_n_mg_l
    return kg_ha_from_lb_ac(per_acre_foot) * water_mm / 304.8


def nitrogen_reason(
    yield_t_ha: float | None, tables: Tables | None = None, water_kg_ha: float | None = None
) -> str:
    """Why there is no nitrogen rate here, what bounds one, and what the water brings of it."""
    ceiling = figure("nutrient_rates", "n_ceiling", tables)
    bound = f"{ceiling.value:g} kg N per tonne of grapes a year"
    if yield_t_ha is not None:
        bound += f", {nitrogen_ceiling_kg_ha(yield_t_ha, tables):g} kg N/ha at {yield_t_ha:g} t/ha"
    water = f". The irrigation water brings {water_kg_ha:.0f} kg N/ha" if water_kg_ha else ""
    return (
        "Nitrogen is not read from soil here: leaf and growth decide, in three or more splits. "
        f"The ceiling is {bound}; count nitrate of the water, legumes and compost in{water}"
    )
