"""Figures of a comparison in words: a change, its doubt, its verdict, each with its unit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from geo.lookup import properties
from geo.money import MINUS
from maps.wording import number, signed

Row = Mapping[str, Any]

VERDICT_WORDS = {
    "shown": "Change shown, beyond doubt.",
    "not_shown": "No change shown",
    "refused": "Not compared",
}
#: Fewer stations do not tell between which changes two in three lie (common practice, no source).
FEWEST_FOR_SCATTER = 3


def name_of(key: str) -> str:
    """The word people read, with its first letter large."""
    name = str(properties()[key].name)
    return name if name.startswith("pH") else name[:1].upper() + name[1:]


def unit_of(row: Row) -> str:
    """The unit after a figure; pH and shares have none."""
    return "" if row["unit"] in {"pH", "1"} else f" {row['unit']}"


def figure(value: float | None, row: Row) -> str:
    """A difference with its sign: pH to 0.01, the rest two digits."""
    if value is None or not math.isfinite(value):
        return "not known"
    text = f"{abs(value):.2f}" if row["unit"] == "pH" else number(abs(value))
    return (MINUS if value < 0 else "+") + text


def plain_figure(value: float | None, row: Row) -> str:
    """The same without a sign."""
    return figure(value, row).lstrip("+" + MINUS)


def seen_words(value: float | None, row: Row) -> str:
    """A change that could be seen: an amount, or a factor where logs are compared."""
    if value is None or not math.isfinite(value):
        return "no change at all"
    if row["factor"] is not None:
        return f"a factor of {value:.2f}"
    return f"{plain_figure(value, row)}{unit_of(row)}"


def noise_words(row: Row) -> str:
    """What one station may show by noise alone."""
    noise = seen_words(row["detectable_single"], row)
    return noise if row["factor"] is not None else f"a change of {noise}"


def scatter_words(row: Row) -> str:
    """Between which two changes two in three of the stations lie; empty with few."""
    if row["sd"] is None or row["n"] < FEWEST_FOR_SCATTER:
        return ""
    ends = [figure(row["difference"] + side * row["sd"], row) for side in (-1.0, 1.0)]
    return f"two in three stations {ends[0]} to {ends[1]}"


def area_words(row: Row, year: int) -> str:
    """Ground as a table names it; zones are those of the first year's run."""
    if row["zone_id"] is not None:
        return f"{zone_words(row)} of {year}"
    return "whole block" if row["area"] == "block" else str(row["area"])


def found_words(row: Row) -> str:
    """The mean change, with its unit, and its factor where that is what is compared."""
    said = f"{figure(row['difference'], row)}{unit_of(row)}"
    return said if row["factor"] is None else f"{said}, a factor of {row['factor']:.2f}"


def verdict_words(row: Row) -> str:
    """The verdict, with what two laboratories may do where the years are not of one."""
    words = VERDICT_WORDS[row["verdict"]].rstrip(".")
    apart = row.get("laboratories")
    if row["why"] and apart is not None:
        return f"{words}: {row['why']} ({seen_words(apart, row)}, 19 in 20)"
    if row["verdict"] == "shown" and apart is not None:
        return (
            f"{words}: more than two laboratories stand apart ({seen_words(apart, row)}, 19 in 20)"
        )
    return f"{words}: {row['why']}" if row["why"] else words


def effect_words(row: Row) -> str:
    """How far treated ground moved against untreated, 19 in 20."""
    effect = row["effect"]
    if row["factor"] is None:
        middle = f"{figure(effect['difference'], row)}{unit_of(row)}"
        ends = f"{figure(effect['low'], row)} to {figure(effect['high'], row)}"
    else:
        middle = f"a factor of {effect['difference']:.2f}"
        ends = f"{effect['low']:.2f} to {effect['high']:.2f}"
    return f"{middle} ({ends}, 19 in 20)"


def signed_figure(value: float | None) -> str:
    """A response with its sign, two digits or three."""
    if value is None:
        return "not known"
    digits = 2 if abs(value) >= 0.1 else 3
    return signed(f"{value:.{digits}f}")


def stations_words(row: Row) -> str:
    """How many stations."""
    return f"{row['n']} station{'' if row['n'] == 1 else 's'}"


def zone_words(row: Row) -> str:
    """A zone and the material it was cut for."""
    material = str(row["area"]).rpartition(", zone ")[0].replace("_", " ")
    return f"zone {row['zone_id']} ({material})"


def chance_words(chance: float) -> str:
    """A chance as so many in 100; never certain.

    Examples
    --------
    >>> chance_words(0.873), chance_words(0.9999)
    ('87 of 100', 'more than 99 of 100')
    """
    if chance > 0.995:
        return "more than 99 of 100"
    return "fewer than 1 of 100" if chance < 0.005 else f"{100 * chance:.0f} of 100"
