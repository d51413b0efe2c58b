"""Number + unit -> words people read; rounding lives here and in export."""

from __future__ import annotations

import math
from datetime import date

from geo.lookup import properties
from geo.money import MINUS, THIN
from geo.money import money as money

LEVEL_WORDS = {
    "very_low": "very low",
    "low": "low",
    "medium": "medium",
    "high": "high",
    "very_high": "very high",
    "not_analysed": "not analysed",
    "no_table": "no table for this method",
    "ask": "not rated",
}
HAZARD_WORDS = {"very_low": "low", "low": "low", "medium": "watch", "high": "high"}
MAP_VERDICT_WORDS = {
    "useful": "Useful map",
    "weak": "Hardly better than the average",
    "none": "No map, one value",
}
ZONE_VERDICT_WORDS = {
    "shown": "Zones shown",
    "likely": "Zones likely",
    "too_few": "Too few samples to tell",
    "one_rate": "One rate",
    "own": "Your own border",
}
AMENDMENT_WORDS = {
    "lime": "lime",
    "sulfur": "sulfur",
    "gypsum": "gypsum",
    "potassium": "potassium",
    "phosphorus": "phosphorus",
    "magnesium": "magnesium",
    "nitrogen": "nitrogen",
    "zinc": "zinc",
    "boron": "boron",
    "manganese": "manganese",
    "copper": "copper",
    "iron": "iron",
    "all": "all materials",
}
CROP_WORDS = {
    "wine_grape": "wine grapes",
    "table_grape": "table grapes",
    "orchard": "orchard",
    "field_crop": "field crop",
}
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def level_words(level: str, sense: str) -> str:
    """The class word; hazards have words of their own and are never called deficient.

    Examples
    --------
    >>> level_words("medium", "hazard_high"), level_words("very_low", "need")
    ('watch', 'very low')
    """
    if sense.startswith("hazard"):
        return HAZARD_WORDS.get(level, LEVEL_WORDS.get(level, level))
    return LEVEL_WORDS.get(level, level)


def number(value: float, key: str = "") -> str:
    r"""A mapped value with the digits it deserves: pH one decimal, the rest two significant.

    Examples
    --------
    >>> number(5.27, "ph_water"), number(0.873), number(18.4), number(1290)
    ('5.3', '0.87', '18', '1\u202f290')
    """
    if not math.isfinite(value):
        return "not known"
    known = properties().get(key)
    if known is not None and known.unit == "pH":
        return signed(f"{value:.1f}")
    if value == 0:
        return "0"
    if abs(value) >= 100:
        return signed(thousands(round(value)))
    digits = max(0, 1 - math.floor(math.log10(abs(value))))
    return signed(f"{value:.{digits}f}")


def with_unit(value: float, key: str) -> str:
    """A mapped value and its unit."""
    unit = properties()[key].unit
    return number(value, key) + ("" if unit in {"pH", "1"} else f" {unit}")


def signed(text: str) -> str:
    """A number's text with a real minus."""
    return text.replace("-", MINUS)


def thousands(value: float) -> str:
    r"""A whole number in groups of three.

    Examples
    --------
    >>> thousands(15405)
    '15\u202f405'
    """
    return f"{value:,.0f}".replace(",", THIN)


def rate_words(kg_ha: float, unit: bool = True) -> str:
    """A rate as the files carry it, never rounded again: whole kg/ha from 20 up, else two decimals.

    From a tonne up it is the same figure in t/ha.

    Examples
    --------
    >>> rate_words(4400), rate_words(2588), rate_words(73), rate_words(0), rate_words(3.25)
    ('4.4 t/ha', '2.588 t/ha', '73 kg/ha', 'none', '3.25 kg/ha')
    """
    if kg_ha == 0:
        return "none" if unit else "0"
    if kg_ha >= 1000:
        text = f"{kg_ha / 1000:.3f}".rstrip("0")
        return text + ("0" if text.endswith(".") else "") + (" t/ha" if unit else "")
    text = f"{kg_ha:.0f}" if kg_ha >= 20 else f"{kg_ha:.2f}".rstrip("0").rstrip(".")
    return text + (" kg/ha" if unit else "")


def amount_words(kg: float) -> str:
    """A mass to buy: tonnes to 0.1 from a tonne up, else kilograms.

    Examples
    --------
    >>> amount_words(11730), amount_words(123.4)
    ('11.7 t', '123 kg')
    """
    return f"{kg / 1000:.1f} t" if kg >= 1000 else f"{kg:.0f} kg"


def range_words(low_kg_ha: float, high_kg_ha: float) -> str:
    """Low to high in one unit, that of the upper end: t/ha to 0.1, kg/ha to 5; below 20 as it is.

    Examples
    --------
    >>> range_words(200, 3300), range_words(0, 80)
    ('0.2 to 3.3 t/ha', '0 to 80 kg/ha')
    """
    if high_kg_ha >= 1000:
        return f"{low_kg_ha / 1000:.1f} to {high_kg_ha / 1000:.1f} t/ha"
    low, high = (f"{5 * round(x / 5)}" if x >= 20 else f"{x:.2g}" for x in (low_kg_ha, high_kg_ha))
    return f"{low} to {high} kg/ha" if high_kg_ha else "none"


def date_words(day: date) -> str:
    """A day as it is said.

    Examples
    --------
    >>> date_words(date(2024, 5, 14))
    '14 May 2024'
    """
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def crop_words(crop: str) -> str:
    """The crop group in words."""
    return CROP_WORDS.get(crop, crop.replace("_", " "))


def capital(name: str) -> str:
    """A property's name at the start of a line; pH stays pH, and (H), (EC) as they are.

    Examples
    --------
    >>> capital("salinity (EC)"), capital("pH (water)")
    ('Salinity (EC)', 'pH (water)')
    """
    return name if name.startswith("pH") else name[:1].upper() + name[1:]


def sentence(text: str) -> str:
    """Text with a capital first letter and a full stop.

    Examples
    --------
    >>> sentence("no table for this method")
    'No table for this method.'
    """
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")
