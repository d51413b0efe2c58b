"""What all rules share: figures with their sources, the layer that is amended, texture by clay."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from geo.errors import TableError
from geo.lookup import Row, Tables, read_table
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


def figures(table: str, tables: Tables | None = None) -> Mapping[str, Figure]:
    """The numbers of a table of constants by name; rows of words are left out.

    `tables` are those in use on a farm, whose own rows go first; None takes ours alone.
    """
    if tables is None or not tables.changes(table):
        return _our_figures(table)
    return _figures_of(tables.rows(table))


@cache
def _our_figures(table: str) -> Mapping[str, Figure]:
    return _figures_of(read_table(table))


def _figures_of(rows: Iterable[Row]) -> Mapping[str, Figure]:
    """Numbers by name; of two rows of one name the first holds."""
    found: dict[str, Figure] = {}
    for row in rows:
        if is_number(row["value"]):
            name, value = row["name"], float(row["value"])
            own = Figure(name, value, row["unit"], row["source"], row["verified"], row["note"])
            found.setdefault(name, own)
    return found


def figure(table: str, name: str, tables: Tables | None = None) -> Figure:
    """One number of a table of constants, the farm's own before ours.

    Raises
    ------
    TableError
        If the table does not hold it.
    """
    found = figures(table, tables).get(name)
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


def sulfur_texture(clay_pct: float | None, tables: Tables | None = None) -> str:
    """Sand, loam or clay, as the sulfur tables group soils; unknown texture counts as sand."""
    sand_below, clay_from = (
        figure("sulfur_limits", name, tables).value
        for name in ("texture_sand_below", "texture_clay_from")
    )
    if clay_pct is None or clay_pct < sand_below:
        return "sand"
    return "loam" if clay_pct < clay_from else "clay"
