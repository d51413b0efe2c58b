"""What all rules share: figures with their sources, the layer that is amended, texture by clay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from geo.errors import TableError
from geo.lookup import read_table
from geo.units import layer_mass_t_ha


@dataclass(frozen=True)
class Figure:
    """One number of a table: its value, unit, source, and how far it was verified."""

    name: str
    value: float
    unit: str
    source: str
    verified: str
    note: str

    @property
    def from_memory(self) -> bool:
        """Whether it ships only as an editable default with a flag."""
        return self.verified == "memory"


@cache
def figures(table: str) -> Mapping[str, Figure]:
    """The numbers of a table of constants by name; rows of words are left out."""
    return {
        row["name"]: Figure(
            row["name"],
            float(row["value"]),
            row["unit"],
            row["source"],
            row["verified"],
            row["note"],
        )
        for row in read_table(table)
        if is_number(row["value"])
    }


def figure(table: str, name: str) -> Figure:
    """One number of a table of constants.

    Raises
    ------
    TableError
        If the table does not hold it.
    """
    found = figures(table).get(name)
    if found is None:
        raise TableError(f"{table}.csv has no number named {name!r}.")
    return found


def is_number(text: str) -> bool:
    """Whether a cell of a table holds a number."""
    try:
        float(text)
    except ValueError:
        return False
    return True


@dataclass(frozen=True)
class Layer:
    """A layer of soil: its depth [cm], bulk density [Mg/m3] and stones by volume [%]."""

    depth_cm: float
    bulk_density_mg_m3: float
    stones_pct: float = 0.0

    @property
    def fine_earth_t_ha(self) -> float:
        """Soil without stones. [t/ha]"""
        return layer_mass_t_ha(self.depth_cm, self.bulk_density_mg_m3, self.stones_pct)

    @property
    def kg_ha_per_mg_kg(self) -> float:
        """What raises its content by 1 mg/kg if nothing is fixed. [kg/ha]"""
        return self.fine_earth_t_ha / 1000

    def ratio_to(self, depth_cm: float, bulk_density_mg_m3: float | None = None) -> float:
        """Fine earth over that of a table's layer. [1]

        A table that states no bulk density is scaled by depth and stones alone.
        """
        density = 1.0
        if bulk_density_mg_m3 is not None:
            density = self.bulk_density_mg_m3 / bulk_density_mg_m3
        return self.depth_cm / depth_cm * density * (1 - self.stones_pct / 100)


def method_is(method: str, *words: str) -> bool:
    """Whether a method as reported names one of these, whatever its spelling.

    Examples
    --------
    >>> method_is("P Bray I", "bray-1"), method_is("pH buffer (Sikora)", "sikora")
    (True, True)
    """
    plain = _plain(method)
    return any(_plain(word) in plain for word in words)


def _plain(text: str) -> str:
    """Letters and digits alone, with the spellings of one method made one."""
    plain = "".join(letter for letter in text.lower() if letter.isalnum())
    for spelling, word in (
        ("ammoniumacetate", "nh4oac"),
        ("brayii", "bray2"),
        ("brayi", "bray1"),
        ("hotwater", "hotwater"),
        ("hws", "hotwater"),
    ):
        plain = plain.replace(spelling, word)
    return plain


def within(value: float | None, lowest: str, below: str) -> bool:
    """Whether a value lies from `lowest` up to below `below`; an empty limit does not bind.

    An unknown value fits only where neither binds.
    """
    if value is None:
        return not lowest and not below
    return (not lowest or value >= float(lowest)) and (not below or value < float(below))


def sulfur_texture(clay_pct: float | None) -> str:
    """Sand, loam or clay, as the sulfur tables group soils; unknown texture counts as sand."""
    if clay_pct is None or clay_pct < figure("sulfur_limits", "texture_sand_below").value:
        return "sand"
    return "loam" if clay_pct < figure("sulfur_limits", "texture_clay_from").value else "clay"
