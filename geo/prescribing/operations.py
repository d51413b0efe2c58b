"""What must not meet, and the order of a year's work."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from geo.materials import Material

#: Amendments that must not meet -> why, and what to do.
APART: Mapping[tuple[str, str], str] = {
    ("lime", "sulfur"): (
        "Not in one block and year: lime and sulfur undo each other. Find out which of the two the "
        "block needs first."
    ),
    ("potassium", "magnesium"): (
        "Potassium after magnesium, not with it: much potassium hinders the uptake of magnesium. "
        "Magnesium first, potassium some weeks later."
    ),
    ("lime", "phosphorus"): (
        "Not in one pass: lime ties up fresh phosphorus. Leave rain or a cultivation between them."
    ),
    ("lime", "boron"): (
        "Lime lowers the uptake of boron: let it work and test again before a second dose."
    ),
}

#: Operation -> when in the year, in words that hold in both hemispheres (common practice).
WHEN: Mapping[str, str] = {
    "lime": "after harvest, on dry firm ground, well before sulfur or ammonium; rain washes it in",
    "gypsum": "after harvest, before the rain that is to carry the sodium away",
    "sulfur": "in spring or late summer while soil is warm and moist; nothing happens in the cold",
    "phosphorus": "after harvest or in winter, worked in or banded; not before heavy rain",
    "magnesium": "from budbreak on, weeks before potassium",
    "potassium": "after harvest or in spring, in a band or by drip; split on sand",
    "nitrogen": "in splits from three weeks after budbreak, by growth and leaf",
    "boron": "once, in spring, dissolved and evenly; the ceiling holds whatever is missing",
    "manganese": "in spring, on the row",
}
SEQUENCE = tuple(WHEN)


def conflicts(amendments: Collection[str], materials: Collection[Material] = ()) -> tuple[str, ...]:
    """What must not meet among the amendments of a block that have a rate."""
    found = [why for pair, why in APART.items() if set(pair) <= set(amendments)]
    ammonium = [m.name for m in materials if "ammonium" in m.cautions]
    if "lime" in amendments and ammonium:
        found.append(
            f"Not in one pass: lime and {ammonium[0]}. Ammonium on fresh lime is lost as ammonia; "
            "leave some weeks and a rain between them."
        )
    return tuple(found)


def order_of_work(amendments: Collection[str]) -> tuple[str, ...]:
    """The year's operations in their order, each in a sentence."""
    steps = [name for name in SEQUENCE if name in amendments]
    said = [f"{name.capitalize()}: {WHEN[name]}." for name in steps]
    if said:
        said.append("Write down what was really spread, then test again before the next pass.")
    return tuple(said)
