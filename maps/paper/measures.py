"""The farm's own units on paper and phone: metric, or pounds, acres and feet."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geo.export.driving import kg_per_100_m
from geo.export.layers import written_rate
from geo.settings import Settings
from geo.units import (
    KG_PER_LB,
    M_PER_FT,
    acres_from_ha,
    lb_ac_from_kg_ha,
    ton_ac_from_t_ha,
)
from maps.wording import amount_words, range_words, rate_words

LB_PER_TON = 2000.0
_FIGURE = r"\d[\d,\u202f]*(?:\.\d+)?"
#: Measures inside sentences that geo makes in house units: a figure or two, and the unit.
METRIC = re.compile(
    rf"(?P<one>{_FIGURE})(?:(?P<word> to | and | x |-)(?P<two>{_FIGURE}))? "
    r"(?P<unit>kg N/ha|kg/ha|t/ha|ha|kg|t|km|m|cm)\b(?![/²])(?! per mg)"
)
#: Metres from here up are said as whole feet.
WHOLE_FEET_FROM_M = 3.0
M_PER_MILE, CM_PER_INCH = 5280 * M_PER_FT, 2.54
#: Text between the tags of a drawing.
BETWEEN_TAGS = re.compile(r">([^<>]+)<")


@dataclass(frozen=True)
class Measures:
    """Words for rates, masses, areas and lengths in one system of units."""

    us: bool

    @property
    def words(self) -> dict[str, str]:
        """What stands over columns."""
        if self.us:
            return {"area": "ac", "mass": "lb", "length": "ft", "stretch": "100 ft"}
        return {"area": "ha", "mass": "kg", "length": "m", "stretch": "100 m"}

    def rate(self, kg_ha: float) -> str:
        """A rate.

        Examples
        --------
        >>> Measures(us=False).rate(2020.0), Measures(us=True).rate(2020.0)
        ('2.02 t/ha', '1802 lb/ac')
        """
        if not self.us or kg_ha == 0:
            return rate_words(kg_ha)
        return f"{written_rate(kg_ha, 'lb/ac'):g} lb/ac"

    def span(self, low_kg_ha: float, high_kg_ha: float) -> str:
        """Low to high."""
        if not self.us:
            return range_words(low_kg_ha, high_kg_ha)
        low, high = (float(lb_ac_from_kg_ha(kg_ha)) for kg_ha in (low_kg_ha, high_kg_ha))
        near = (f"{5 * round(lb / 5)}" if lb >= 20 else f"{lb:.2g}" for lb in (low, high))
        return " to ".join(near) + " lb/ac"

    def spans(self, low_high_kg_ha: Sequence[tuple[float, float]]) -> list[str]:
        """Several ranges in one unit, so that they can be compared at a glance.

        Examples
        --------
        >>> Measures(us=False).spans([(0.0, 1300.0), (0.0, 910.0)])
        ['0.0 to 1.3 t/ha', '0.0 to 0.9 t/ha']
        """
        if self.us or max((high for _, high in low_high_kg_ha), default=0.0) < 1000:
            return [self.span(low, high) for low, high in low_high_kg_ha]
        return [f"{low / 1000:.1f} to {high / 1000:.1f} t/ha" for low, high in low_high_kg_ha]

    def measured_rate(self, kg_ha: float) -> str:
        """A rate that was measured or averaged, which deserves three figures and no more.

        Examples
        --------
        >>> Measures(us=False).measured_rate(2037.4), Measures(us=True).measured_rate(2037.4)
        ('2.04 t/ha', '1820 lb/ac')
        """
        shown = kg_ha if not self.us else float(lb_ac_from_kg_ha(kg_ha))
        if shown == 0:
            return self.rate(0.0)
        rounded = round(shown, 2 - math.floor(math.log10(abs(shown))))
        return f"{rounded:g} lb/ac" if self.us else rate_words(rounded)

    def said(self, text: str) -> str:
        """A sentence made in house units, with its measures in these, to three figures.

        Examples
        --------
        >>> Measures(us=True).said("2 zones of 1.5 ha; one pass may carry 500 to 1000 kg/ha.")
        '2 zones of 3.71 ac; one pass may carry 446 to 892 lb/ac.'
        >>> Measures(us=True).said("4.1 t, 1.4 km, 9.7 m, 0 to 15 cm, 3 mg/kg")
        '4.5 tons, 0.87 mi, 32 ft, 0 to 5.9 in, 3 mg/kg'
        """
        return METRIC.sub(_in_pounds_and_acres, text) if self.us else text

    def layer(self, depth_cm: tuple[float, float]) -> str:
        """Top and bottom of a layer, as deep as a spade can tell.

        Examples
        --------
        >>> Measures(us=False).layer((0.0, 20.32)), Measures(us=True).layer((0.0, 20.32))
        ('0 to 20 cm', '0 to 8 in')
        >>> Measures(us=False).layer((0.0, 7.5))
        '0 to 7.5 cm'
        """
        top, bottom = (one / CM_PER_INCH if self.us else one for one in depth_cm)
        figures = [f"{one:.0f}" if one >= 10 else f"{one:.2g}" for one in (top, bottom)]
        return f"{' to '.join(figures)} {'in' if self.us else 'cm'}"

    def everywhere(self, value: Any) -> Any:
        """All sentences of a page's data in these units, the text of its drawings with them."""
        if not self.us:
            return value
        if isinstance(value, Mapping):
            return {key: self.everywhere(one) for key, one in value.items()}
        if isinstance(value, list | tuple):
            return [self.everywhere(one) for one in value]
        if not isinstance(value, str):
            return value
        if value.lstrip().startswith("<"):
            between = BETWEEN_TAGS.sub(lambda found: f">{self.said(found[1])}<", value)
            return type(value)(between)
        return type(value)(self.said(value))

    def amount(self, kg: float) -> str:
        """A mass to buy or to load.

        Examples
        --------
        >>> Measures(us=False).amount(12736.0), Measures(us=True).amount(12736.0)
        ('12.7 t', '14.0 tons')
        """
        return _pounds(kg / KG_PER_LB) if self.us else amount_words(kg)

    def priced(self, kg: float, price_per_t: float) -> tuple[str, float, str]:
        """A loose mass as it is paid, its price by weight, and the weight that price is for.

        Two decimals: mass times price then gives the sum that stands beside them.

        Examples
        --------
        >>> Measures(us=False).priced(12459.1, 1010.0)
        ('12.46 t', 1010.0, 'tonne')
        >>> mass, price, each = Measures(us=True).priced(12459.1, 1010.0)
        >>> mass, round(price, 2), each
        ('13.73 tons', 916.26, 'ton')
        """
        if not self.us:
            return (f"{kg / 1000:.2f} t" if kg >= 1000 else f"{kg:.0f} kg"), price_per_t, "tonne"
        lb, each = kg / KG_PER_LB, price_per_t * LB_PER_TON * KG_PER_LB / 1000
        return (f"{lb / LB_PER_TON:.2f} tons" if lb >= LB_PER_TON else _pounds(lb)), each, "ton"

    def area(self, hectares: float) -> str:
        """An area without its unit."""
        return f"{float(acres_from_ha(hectares)) if self.us else hectares:.2f}"

    def area_words(self, hectares: float) -> str:
        """An area with its unit."""
        return f"{self.area(hectares)} {self.words['area']}"

    def length(self, metres: float) -> str:
        """A length with its unit."""
        return f"{metres / M_PER_FT:.1f} ft" if self.us else f"{metres:g} m"

    def length_words(self, metres: float) -> str:
        """A distance over ground, whole, with its unit."""
        return f"{self.of_row(metres)} {self.words['length']}"

    def of_row(self, metres: float) -> str:
        """How much of a row, whole, without its unit."""
        return f"{metres / M_PER_FT if self.us else metres:.0f}"

    def along(self, kg_ha: float, width_m: float) -> str:
        """Product on a stretch of 100 m or 100 ft, without its unit."""
        kg = kg_per_100_m(kg_ha, width_m)
        return digits(kg * M_PER_FT / KG_PER_LB if self.us else kg)

    def mass(self, kg: float) -> str:
        """A mass for a scale, without its unit."""
        return digits(kg / KG_PER_LB if self.us else kg)


def measures_of(settings: Settings) -> Measures:
    """Measures by the farm's units."""
    return Measures(settings.units == "us")


def _pounds(lb: float) -> str:
    """Pounds, or tons of 2000 pounds from one up."""
    if lb >= LB_PER_TON:
        return f"{lb / LB_PER_TON:.1f} tons"
    return f"{lb:.0f} lb" if lb >= 20 else f"{lb:.2g} lb"


def _in_pounds_and_acres(found: re.Match[str]) -> str:
    """A figure or two of a sentence in the units of a US farm."""
    given = [float(re.sub(r"[,\u202f]", "", found[one])) for one in ("one", "two") if found[one]]
    figures, unit = _in_us_units(given, found["unit"])
    return f"{(found['word'] or '').join(figures)} {unit}"


def _in_us_units(given: list[float], unit: str) -> tuple[list[str], str]:
    """Figures of one unit in another, and that unit: masses and lengths by their size."""
    if unit in ("kg", "t"):
        pounds = [one / KG_PER_LB * (1000 if unit == "t" else 1) for one in given]
        if max(pounds) >= LB_PER_TON:
            return [f"{one / LB_PER_TON:.1f}" for one in pounds], "tons"
        return [_figures(one, 3 if one < 1000 else 4) for one in pounds], "lb"
    if unit == "m":
        whole = max(given) >= WHOLE_FEET_FROM_M
        return [f"{one / M_PER_FT:.{0 if whole else 1}f}" for one in given], "ft"
    if unit in ("km", "cm"):
        factor, said = (1000 / M_PER_MILE, "mi") if unit == "km" else (1 / CM_PER_INCH, "in")
        return [_figures(one * factor, 2) for one in given], said
    factor, said = {
        "kg/ha": (float(lb_ac_from_kg_ha(1.0)), "lb/ac"),
        "kg N/ha": (float(lb_ac_from_kg_ha(1.0)), "lb N/ac"),
        "t/ha": (float(ton_ac_from_t_ha(1.0)), "ton/ac"),
        "ha": (float(acres_from_ha(1.0)), "ac"),
    }[unit]
    return [_figures(one * factor, 3) for one in given], said


def _figures(value: float, count: int) -> str:
    """A value to so many figures, none invented behind the point.

    Examples
    --------
    >>> _figures(0.0, 3), _figures(892.18, 3), _figures(5.9055, 2)
    ('0', '892', '5.9')
    """
    if value == 0:
        return "0"
    return f"{round(value, count - 1 - math.floor(math.log10(abs(value)))):g}"


def digits(amount: float) -> str:
    """An amount for a scale: whole from 20 up, one decimal from 2, else two.

    Examples
    --------
    >>> digits(96.9), digits(7.25), digits(0.36), digits(0.0)
    ('97', '7.2', '0.36', '0')
    """
    if amount == 0:
        return "0"
    return f"{amount:.0f}" if amount >= 20 else f"{amount:.1f}" if amount >= 2 else f"{amount:.2f}"
