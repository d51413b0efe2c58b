"""Every conversion of units, elements and oxides; nothing is converted anywhere else.

House units: mg/kg of the element, cmol(+)/kg, %, dS/m, kg/ha, t/ha, metres. Values are converted
once coming in (`to_house_unit`) and once going out (`from_house_unit`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from geo.errors import TableError
from geo.lookup import properties, read_toml

Number = TypeVar("Number", float, NDArray[np.float64])

# Exact by definition: the international pound, foot, acre and US gallon.
KG_PER_LB = 0.45359237
M_PER_FT = 0.3048
HA_PER_ACRE = 0.40468564224
L_PER_US_GALLON = 3.785411784
KG_PER_US_TON = 2000 * KG_PER_LB
KG_HA_PER_LB_AC = KG_PER_LB / HA_PER_ACRE

#: Soil of an acre slice of 6 2/3 inch, in lb; the convention behind "ppm x 2" (AGBMPS, PSU_CONV).
LB_SOIL_PER_ACRE_SLICE = 2_000_000
ACRE_SLICE_IN = 20 / 3

#: Organic carbon to organic matter: a convention, true factor 1.7 to 2.0 (RL2011_T6.1).
OM_PER_OC = 1.724

#: Standard atomic weights (IUPAC, abridged). [g/mol]
ATOMIC_WEIGHT = {
    "H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.990, "Mg": 24.305, "Al": 26.982,
    "P": 30.974, "S": 32.06, "Cl": 35.45, "K": 39.098, "Ca": 40.078, "Mn": 54.938, "Fe": 55.845,
    "Cu": 63.546, "Zn": 65.38, "B": 10.81,
}  # fmt: skip

#: Compound -> (element, its atoms, formula as counts).
COMPOUNDS = {
    "P2O5": ("P", 2, {"P": 2, "O": 5}),
    "PO4": ("P", 1, {"P": 1, "O": 4}),
    "K2O": ("K", 2, {"K": 2, "O": 1}),
    "CaO": ("Ca", 1, {"Ca": 1, "O": 1}),
    "CaCO3": ("Ca", 1, {"Ca": 1, "C": 1, "O": 3}),
    "MgO": ("Mg", 1, {"Mg": 1, "O": 1}),
    "MgCO3": ("Mg", 1, {"Mg": 1, "C": 1, "O": 3}),
    "Na2O": ("Na", 2, {"Na": 2, "O": 1}),
    "NO3": ("N", 1, {"N": 1, "O": 3}),
    "NH4": ("N", 1, {"N": 1, "H": 4}),
    "SO4": ("S", 1, {"S": 1, "O": 4}),
    "SO3": ("S", 1, {"S": 1, "O": 3}),
    "B2O3": ("B", 2, {"B": 2, "O": 3}),
}


def element_share(compound: str) -> float:
    """Mass of the element in one unit mass of an oxide, carbonate or ion. [1]

    Raises
    ------
    TableError
        If the compound is not known.

    Examples
    --------
    >>> round(element_share("P2O5"), 3), round(element_share("K2O"), 3)
    (0.436, 0.83)
    """
    if compound not in COMPOUNDS:
        raise TableError(f"{compound!r} is not a known compound; use one of {sorted(COMPOUNDS)}.")
    element, atoms, formula = COMPOUNDS[compound]
    mass = sum(ATOMIC_WEIGHT[part] * count for part, count in formula.items())
    return atoms * ATOMIC_WEIGHT[element] / mass


def element_from_compound(amount: Number, compound: str) -> Number:
    """Element in an amount of a compound, such as P in P2O5; same unit as the amount."""
    return amount * element_share(compound)


def compound_from_element(amount: Number, compound: str) -> Number:
    """Compound that holds an amount of its element, such as P2O5 for P; same unit."""
    return amount / element_share(compound)


def om_from_oc(oc_pct: Number) -> Number:
    """Organic matter by the 1.724 convention. [%]"""
    return oc_pct * OM_PER_OC


def oc_from_om(om_pct: Number) -> Number:
    """Organic carbon by the 1.724 convention. [%]"""
    return om_pct / OM_PER_OC


def mg_kg_from_cmol(cmol_kg: Number, mg_per_cmol: float) -> Number:
    """Content from exchangeable charge: atomic weight over charge, times ten. [mg/kg]"""
    return cmol_kg * mg_per_cmol


def cmol_from_mg_kg(mg_kg: Number, mg_per_cmol: float) -> Number:
    """Exchangeable charge of a content. [cmol(+)/kg]"""
    return mg_kg / mg_per_cmol


def cmol_of(key: str, mg_kg: Number) -> Number:
    """Exchangeable charge of a content of calcium, magnesium, potassium, ... [cmol(+)/kg]

    Raises
    ------
    TableError
        If the property has no charge.
    """
    charge = properties()[key].charge_mg_per_cmol
    if charge is None:
        raise TableError(f"{key} has no charge in properties.toml: mg/kg cannot become cmol(+)/kg.")
    return mg_kg / charge


def mg_kg_from_percent(percent: Number) -> Number:
    """Per cent to parts per million by mass. [mg/kg]"""
    return percent * 10_000.0


def percent_from_mg_kg(mg_kg: Number) -> Number:
    """Parts per million by mass to per cent. [%]"""
    return mg_kg / 10_000.0


def mg_kg_from_extract(mg_l: float, extract_ml: float, soil_g: float, dilution: float = 1) -> float:
    """Content of a soil from the reading of its (diluted) extract. [mg/kg]

    Examples
    --------
    >>> mg_kg_from_extract(4.0, extract_ml=200, soil_g=50, dilution=25)
    400.0
    """
    return mg_l * dilution * extract_ml / soil_g


# Soil layers


def layer_mass_t_ha(depth_cm: float, bulk_density_mg_m3: float, stones_pct: float = 0.0) -> float:
    """Fine soil in a layer, the stones (by volume) taken off. [t/ha]

    Examples
    --------
    >>> round(layer_mass_t_ha(15, 1.4))
    2100
    """
    return 100 * depth_cm * bulk_density_mg_m3 * (1 - stones_pct / 100)


def kg_ha_from_mg_kg(
    mg_kg: Number, depth_cm: float, bulk_density_mg_m3: float, stones_pct: float = 0.0
) -> Number:
    """What a content amounts to in a layer. [kg/ha]"""
    return mg_kg * (layer_mass_t_ha(depth_cm, bulk_density_mg_m3, stones_pct) / 1000)


def mg_kg_from_kg_ha(
    kg_ha: Number, depth_cm: float, bulk_density_mg_m3: float, stones_pct: float = 0.0
) -> Number:
    """The rise in content when so much is mixed through a layer. [mg/kg]"""
    return kg_ha / (layer_mass_t_ha(depth_cm, bulk_density_mg_m3, stones_pct) / 1000)


def mg_kg_from_lb_ac(
    lb_ac: Number, depth_in: float = ACRE_SLICE_IN, lb_soil_per_acre_slice: float = 2_000_000
) -> Number:
    """Content from a laboratory's lb/ac of a slice, by default 6 2/3 in weighing 2 million lb.

    [mg/kg]
    """
    return lb_ac / (lb_soil_per_acre_slice / 1e6 * depth_in / ACRE_SLICE_IN)


def lb_ac_from_mg_kg(
    mg_kg: Number, depth_in: float = ACRE_SLICE_IN, lb_soil_per_acre_slice: float = 2_000_000
) -> Number:
    """A laboratory's lb/ac of a slice for a content. [lb/ac]"""
    return mg_kg * (lb_soil_per_acre_slice / 1e6 * depth_in / ACRE_SLICE_IN)


# Rates


def kg_ha_from_lb_ac(lb_ac: Number) -> Number:
    """Pounds an acre to kilograms a hectare. [kg/ha]"""
    return lb_ac * KG_HA_PER_LB_AC


def lb_ac_from_kg_ha(kg_ha: Number) -> Number:
    """Kilograms a hectare to pounds an acre. [lb/ac]"""
    return kg_ha / KG_HA_PER_LB_AC


def t_ha_from_ton_ac(ton_ac: Number) -> Number:
    """US tons (2000 lb) an acre to tonnes a hectare. [t/ha]"""
    return ton_ac * (KG_PER_US_TON / 1000 / HA_PER_ACRE)


def ton_ac_from_t_ha(t_ha: Number) -> Number:
    """Tonnes a hectare to US tons (2000 lb) an acre. [ton/ac]"""
    return t_ha / (KG_PER_US_TON / 1000 / HA_PER_ACRE)


def kg_ha_from_lb_1000ft2(lb_1000ft2: Number) -> Number:
    """Pounds per 1000 square feet to kilograms a hectare. [kg/ha]"""
    return lb_1000ft2 * (KG_PER_LB / (1000 * M_PER_FT**2) * 10_000)


def kg_ha_from_g_m2(g_m2: Number) -> Number:
    """Grams a square metre to kilograms a hectare. [kg/ha]"""
    return g_m2 * 10.0


def mg_m2_from_kg_ha(kg_ha: Number) -> Number:
    """Mass per area as ISO 11783 writes it. [mg/m2]"""
    return kg_ha * 100.0


def kg_ha_from_mg_m2(mg_m2: Number) -> Number:
    """Mass per area as ISO 11783 writes it, to kilograms a hectare. [kg/ha]"""
    return mg_m2 / 100.0


def g_per_row_metre(kg_ha: Number, row_spacing_m: float) -> Number:
    """What one metre of row gets. [g/m]"""
    return kg_ha * (row_spacing_m / 10)


def l_ha_from_gal_ac(gal_ac: Number) -> Number:
    """US gallons an acre to litres a hectare. [L/ha]"""
    return gal_ac * (L_PER_US_GALLON / HA_PER_ACRE)


def gal_ac_from_l_ha(l_ha: Number) -> Number:
    """Litres a hectare to US gallons an acre. [gal/ac]"""
    return l_ha / (L_PER_US_GALLON / HA_PER_ACRE)


def acres_from_ha(hectares: Number) -> Number:
    """Hectares to international acres. [ac]"""
    return hectares / HA_PER_ACRE


def ha_from_acres(acres: Number) -> Number:
    """International acres to hectares. [ha]"""
    return acres * HA_PER_ACRE


def m_from_ft(feet: Number) -> Number:
    """Feet to metres. [m]"""
    return feet * M_PER_FT


def ft_from_m(metres: Number) -> Number:
    """Metres to feet. [ft]"""
    return metres / M_PER_FT


def mmol_kg_from_mg_caco3_kg(mg_caco3_kg: Number) -> Number:
    """Lime buffer capacity from mg CaCO3 to mmol of charge, per kg and pH unit. [mmol(+)/kg]"""
    mg_per_mmol_charge = (ATOMIC_WEIGHT["Ca"] + ATOMIC_WEIGHT["C"] + 3 * ATOMIC_WEIGHT["O"]) / 2
    return mg_caco3_kg / mg_per_mmol_charge


# Salinity


def salt_mg_l(ec_ds_m: Number) -> Number:
    """Dissolved salts of a water, approximately: EC x 640 (SA_IRR). [mg/L]"""
    return ec_ds_m * 640.0


def salt_kg_ha(ec_ds_m: Number, water_mm: float) -> Number:
    """Salt brought by so much water, approximately (SA_IRR). [kg/ha]

    Examples
    --------
    >>> salt_kg_ha(0.8, water_mm=25)
    128.0
    """
    return ec_ds_m * (640.0 * water_mm / 100)


def ec_from_ohm(ohm: Number) -> Number:
    """Conductivity from the resistance of a paste in the standard cup, approximately (SA_IRR).

    [dS/m]
    """
    return 250.0 / ohm


def sar_from_meq_l(na: float, ca: float, mg: float) -> float:
    """Sodium adsorption ratio from an extract or a water in meq/L. [(mmol/L)^0.5]"""
    return float(na / ((ca + mg) / 2) ** 0.5)


def esp_from_sar(sar: Number) -> Number:
    """Exchangeable sodium percentage expected at an SAR (HB60, from memory). [%]"""
    e = -0.0126 + 0.01475 * sar
    return 100 * e / (1 + e)


# Unit words of laboratories


@cache
def unit_words() -> Mapping[str, tuple[str, float]]:
    """Normalised spelling -> (kind, how many of the kind's base unit it is)."""
    return {
        spelling: (entry["kind"], entry["scale"])
        for entry in read_toml("units")["unit"]
        for spelling in entry["spellings"]
    }


_COMPOUND_WORDS = {name.lower(): name for name in COMPOUNDS}
_UNITLESS = {"pH": "ph", "1": "ratio"}


def split_unit(unit_text: str) -> tuple[str, str]:
    """A unit as written -> (its normalised spelling, the compound it is expressed as, or "").

    Examples
    --------
    >>> split_unit("mg/kg P2O5"), split_unit("cmol(+) / kg"), split_unit("µS/cm")
    (('mg/kg', 'P2O5'), ('cmol+/kg', ''), ('us/cm', ''))
    >>> split_unit("mg P2O5/100 g")
    ('mg/100g', 'P2O5')
    """
    text = unit_text.strip().lower().replace("µ", "u").replace("μ", "u").replace("₃", "3")
    for old, new in (("⁻¹", "-1"), ("⁺", "+"), ("³", "3"), ("²", "2"), (" per ", "/"), ("·", "")):
        text = text.replace(old, new)
    # "mg P2O5/100 g": the compound stands before the stroke.
    text = re.sub(rf"\b({'|'.join(_COMPOUND_WORDS)})(?=/)", r"\1 ", text)
    compound = ""
    words = []
    for word in re.split(r"[\s,;]+", text.strip("[]")):
        bare = word.strip("()").replace("-", "")
        if bare in _COMPOUND_WORDS:
            compound = _COMPOUND_WORDS[bare]
        elif bare not in ("as", "of", "soil", "dry"):
            words.append(word)
    return re.sub(r"[()\s]", "", "".join(words)), compound


def per_litre(unit_text: str) -> bool:
    """Whether a unit counts in a litre of soil or extract, as only a table in mg/L rates it."""
    kind = unit_words().get(split_unit(unit_text)[0], ("", 0.0))[0]
    return kind in ("volume", "charge in extract")


def to_house_unit(key: str, value: float, unit_text: str) -> tuple[float, str]:
    """A laboratory's value in the house unit of its property, and what had to be assumed.

    Parameters
    ----------
    key : str
        Property key of `properties.toml`.
    value : float
        As printed.
    unit_text : str
        The unit as printed, such as "meq/100 g", "lb/ac", "uS/cm" or "mg/kg P2O5".

    Returns
    -------
    value : float
        In the house unit.
    note : str
        Empty where nothing but a fixed factor was used.

    Raises
    ------
    TableError
        If the unit is unknown, missing, or cannot be turned into the house unit.

    Examples
    --------
    >>> to_house_unit("k", 0.5, "cmol(+)/kg")
    (195.5, '')
    """
    factor, note = house_factor(key, unit_text)
    return value * factor, note


def from_house_unit(key: str, value: float, unit_text: str) -> float:
    """A value in house units, in another unit that its property may be printed in."""
    return value / house_factor(key, unit_text)[0]


def house_factor(key: str, unit_text: str) -> tuple[float, str]:
    """What to multiply a printed value with to get the house unit, and what that assumes.

    Raises
    ------
    TableError
        If the unit is not stated, not known, or of another kind than the house unit.
    """
    house = properties()[key].unit
    spelling, compound = split_unit(unit_text)
    if spelling in ("", "-", "unit", "units") and house in _UNITLESS:
        return 1.0, ""
    if spelling == "":
        raise TableError(f"{key}: the unit is not stated. Give it with --unit {key}=UNIT.")
    if spelling not in unit_words():
        raise TableError(
            f"{key}: {unit_text!r} is not a unit we know; its house unit is {house}. We know "
            "mg/kg, ppm, g/kg, %, cmol(+)/kg, meq/100 g, lb/ac, dS/m, mS/m, uS/cm and the like."
        )
    kind, scale = unit_words()[spelling]
    house_kind, house_scale = unit_words()[split_unit(house)[0]]
    factor, note = _between(key, kind, house_kind, unit_text)
    return factor * scale / house_scale * _share(key, compound), note


def _share(key: str, compound: str) -> float:
    """Element in the compound a value is expressed as; refused if it is another element's."""
    if not compound or (key == "caco3" and compound == "CaCO3"):
        return 1.0
    symbol = {"no3_n": "N"}.get(key, key.capitalize())
    if COMPOUNDS[compound][0] != symbol:
        raise TableError(f"{key}: {compound} is not a way to express {symbol}.")
    return element_share(compound)


def _between(key: str, kind: str, house_kind: str, unit_text: str) -> tuple[float, str]:
    """Factor from the base unit of one kind to that of the property's own kind."""
    charge = properties()[key].charge_mg_per_cmol
    if kind == house_kind:
        return 1.0, ""
    if (kind, house_kind) == ("mass", "percent"):
        return 1e-4, ""
    if (kind, house_kind) == ("volume", "percent"):
        return 1e-4, "per volume of soil: a litre is taken as a kilogram"
    if house_kind == "mass" and charge is not None:
        if kind == "charge":
            return charge, ""
        if kind == "charge by volume":
            return charge, "per volume of soil: a litre is taken as a kilogram"
    if (kind, house_kind) == ("charge by volume", "charge"):
        return 1.0, "per volume of soil: a litre is taken as a kilogram"
    if (kind, house_kind) == ("acre slice", "mass"):
        return 1e6 / LB_SOIL_PER_ACRE_SLICE, "lb/ac of a 6 2/3 inch slice of 2 million lb: halved"
    if (kind, house_kind) == ("volume", "mass"):
        return 1.0, "mg in a litre, kept as read: only tables in mg/L rate it"
    if (kind, house_kind) == ("charge in extract", "mass") and key == "cl":
        return ATOMIC_WEIGHT["Cl"], "mg in a litre of extract: only tables for that extract rate it"
    raise TableError(_refusal(key, kind, unit_text))


def _refusal(key: str, kind: str, unit_text: str) -> str:
    """Why a unit that is known cannot be the unit of this property, and what to do."""
    house = properties()[key].unit
    if kind == "area":
        why = f"kg/ha needs the depth and density the laboratory assumed; ask it for {house}"
    elif kind == "percent":
        why = f"a percentage (of the exchange capacity, or of a total) is not a content in {house}"
    else:
        why = f"it cannot become {house}; check which column the unit belongs to"
    return f"{key}: {unit_text!r} is not taken: {why}."
