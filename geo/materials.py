"""Nutrient or lime -> product to spread: its analysis, caps, cautions and price."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from geo.errors import FarmError, TableError
from geo.lookup import Row, Tables, read_table
from geo.requirements.lime import neutralizing_pct
from geo.settings import Settings
from geo.settings_words import MATERIAL_KEYS, check_known

ELEMENTS = ("n", "p", "k", "ca", "mg", "s", "cl", "zn", "mn", "fe", "cu", "b")

#: Amendment -> the element its draws count; lime and gypsum count a pure substance.
ELEMENT_OF = {
    "sulfur": "s",
    "phosphorus": "p",
    "potassium": "k",
    "magnesium": "mg",
    "nitrogen": "n",
    "zinc": "zn",
    "boron": "b",
    "manganese": "mn",
    "copper": "cu",
    "iron": "fe",
}

#: Money and tonnage apart, each further product in the spreader costs this much. [currency]
PASS_TIE = 1e-3


@dataclass(frozen=True)
class Material:
    """A product one can buy.

    `analysis` is element -> % by mass ("k", "s", "ca", "mg", "p", "zn" ...), `effective_pct` the
    effective neutralizing value of a liming material (pure and fine = 100) or the purity of gypsum,
    `moisture_pct` on a wet basis, `price_per_t` in the farm's currency or None, `bag_kg` None for
    bulk, `organic` "yes", "no" or "ask" (the certifier), `yours` whether farm.toml changed it.
    """

    key: str
    name: str
    amendment: str
    analysis: Mapping[str, float]
    effective_pct: float | None
    moisture_pct: float
    bulk_density_kg_l: float | None
    price_per_t: float | None
    bag_kg: float | None
    cautions: tuple[str, ...]
    source: str
    from_memory: bool
    organic: str = "ask"
    truck_t: float | None = None
    yours: bool = False

    def content(self, amendment: str) -> float:
        """What one kg of product counts in the unit of an amendment's draws. [kg/kg]"""
        dry = 1 - self.moisture_pct / 100
        if amendment in ("lime", "gypsum"):
            return (self.effective_pct or 0.0) / 100 * dry
        # An analysis is printed for the product as sold, except of moist ones.
        return self.analysis.get(ELEMENT_OF[amendment], 0.0) / 100 * dry


@cache
def table_materials() -> Mapping[str, Material]:
    """The materials of materials.csv by key."""
    rows: dict[str, dict[str, Mapping[str, str]]] = {}
    for row in read_table("materials"):
        rows.setdefault(row["key"], {})[row["quantity"]] = row
    return {key: _from_rows(key, found) for key, found in rows.items()}


def with_own_materials(settings: Settings, tables: Tables) -> Settings:
    """Settings with the materials of the farm's own table; farm.toml itself goes before it.

    Raises
    ------
    TableError
        If the table is to replace ours: prices and cautions hang on our keys.
    """
    if "materials" in tables.replaced:
        raise TableError("farm.toml, [tables.replace]: materials can be added to, not replaced.")
    own: dict[str, dict[str, Any]] = {}
    for row in tables.added.get("materials", ()):
        _add_cell(own.setdefault(row["key"], {}), row)
    keys = dict.fromkeys((*own, *settings.materials))
    merged = {key: {**own.get(key, {}), **settings.materials.get(key, {})} for key in keys}
    return replace(settings, materials=merged)


def _add_cell(found: dict[str, Any], row: Row) -> None:
    """One cell of a material's table, under the name that [materials.KEY] gives it."""
    quantity, value = row["quantity"], row["value"]
    names = {
        "effective": "effective_pct", "purity": "effective_pct", "moisture": "moisture_pct",
        "bulk_density": "bulk_density_kg_l",
    }  # fmt: skip
    if quantity in ELEMENTS:
        found.setdefault("analysis", {})[quantity] = float(value)
    elif quantity == "cautions":
        found["cautions"] = tuple(value.split(";"))
    elif quantity in ("name", "amendment", "organic"):
        found[quantity] = value
    else:
        found[names.get(quantity, quantity)] = float(value)


def _from_rows(key: str, rows: Mapping[str, Mapping[str, str]]) -> Material:
    def number(quantity: str) -> float | None:
        return float(rows[quantity]["value"]) if quantity in rows else None

    amendment = rows["amendment"]["value"]
    main = "effective" if amendment == "lime" else "purity" if amendment == "gypsum" else ""
    main = main or ELEMENT_OF.get(amendment, "n")
    behind = rows.get(main, rows["name"])
    cautions = rows["cautions"]["value"].split(";") if "cautions" in rows else []
    return Material(
        key=key,
        name=rows["name"]["value"],
        amendment=amendment,
        analysis={e: float(rows[e]["value"]) for e in ELEMENTS if e in rows},
        effective_pct=number("effective") if amendment == "lime" else number("purity"),
        moisture_pct=number("moisture") or 0.0,
        bulk_density_kg_l=number("bulk_density"),
        price_per_t=None,
        bag_kg=None,
        cautions=tuple(cautions),
        source=behind["source"],
        from_memory=behind["verified"] == "memory",
        organic=rows["organic"]["value"],
    )


def materials_of(settings: Settings) -> Mapping[str, Material]:
    """The table's materials with the farm's own figures and prices over them.

    Raises
    ------
    FarmError
        If a material of farm.toml has an unknown key, or is new and names no amendment.
    """
    found = dict(table_materials())
    for key, own in settings.materials.items():
        found[key] = _with_own(key, found.get(key), own)
    return found


def _with_own(key: str, base: Material | None, own: Mapping[str, Any]) -> Material:
    check_known(own, MATERIAL_KEYS, f"[materials.{key}]", "key")
    if base is None:
        if "amendment" not in own:
            raise FarmError(f"[materials.{key}] is new: say what it is for with amendment = ...")
        base = Material(key, key, "", {}, None, 0.0, None, None, None, (), "yours", False)
    plain = {k: own[k] for k in own if k not in ("cce_pct", "passing_pct", "fineness_scheme")}
    if "cautions" in plain:
        plain["cautions"] = tuple(plain["cautions"])
    if "analysis" in plain:
        plain["analysis"] = {**base.analysis, **plain["analysis"]}
    if "passing_pct" in own:
        passing = {int(mesh): float(share) for mesh, share in own["passing_pct"].items()}
        scheme = str(own.get("fineness_scheme", "new_york"))
        plain["effective_pct"] = neutralizing_pct(float(own["cce_pct"]), passing, scheme)
    figures = {"analysis", "effective_pct", "moisture_pct"} & set(plain)
    changes: dict[str, Any] = {**plain, "yours": bool(figures)}
    if figures:
        changes |= {"source": "yours", "from_memory": False}
    return replace(base, **changes)


def candidates(
    amendment: str, settings: Settings, *, no_chloride: bool = False
) -> tuple[Material, ...]:
    """Materials for an amendment, those a certifier may allow where the farm is organic."""
    found = []
    for material in materials_of(settings).values():
        if material.amendment != amendment or material.content(amendment) <= 0:
            continue
        if settings.organic and material.organic == "no":
            continue
        if no_chloride and material.analysis.get("cl", 0.0) > 0:
            continue
        found.append(material)
    return tuple(found)


def choose_material(
    amendment: str,
    settings: Settings,
    *,
    wanted: str | None = None,
    no_chloride: bool = False,
) -> Material | None:
    """The cheapest material for an amendment by what one kg of it counts.

    `wanted` is a key that agronomy decides (dolomite or calcite). Without any price the first of
    the table is taken: the one preferred on vines.
    """
    offered = candidates(amendment, settings, no_chloride=no_chloride)
    if wanted is not None:
        offered = tuple(m for m in offered if m.key == wanted) or offered
    priced = [m for m in offered if m.price_per_t is not None]
    if not priced:
        return offered[0] if offered else None
    return min(priced, key=lambda m: (m.price_per_t or 0.0) / m.content(amendment))


def named_material(
    key: str, amendment: str, settings: Settings, *, no_chloride: bool = False
) -> Material:
    """The material a grower names for an amendment.

    Raises
    ------
    FarmError
        If it is none of those that can meet the amendment here.
    """
    offered = candidates(amendment, settings, no_chloride=no_chloride)
    found = next((m for m in offered if m.key == key), None)
    if found is None:
        barred = {m.key for m in candidates(amendment, settings)} if no_chloride else set()
        why = "it holds chloride, and the water or drainage here rule that out"
        raise FarmError(
            f"Product {key!r} cannot be used for {amendment}"
            + (f": {why}. " if key in barred else " here. ")
            + f"Choose one of: {', '.join(m.key for m in offered) or 'none in the tables'}."
        )
    return found


def nutrients_brought(material: Material, rate_kg_ha: float) -> dict[str, float]:
    """Elements that a dressing brings, such as of compost or manure, by its analysis. [kg/ha]

    The lot's own analysis, set in farm.toml, goes before the table's; a printed analysis of a moist
    material is taken on dry matter.
    """
    dry_kg_ha = rate_kg_ha * (1 - material.moisture_pct / 100)
    return {e: dry_kg_ha * percent / 100 for e, percent in material.analysis.items()}


@dataclass(frozen=True)
class Blend:
    """Products that meet several needs of a zone together. [kg/ha], cost in currency per ha."""

    rates_kg_ha: Mapping[str, float]
    cost_per_ha: float
    supplied: Mapping[str, float]


def least_cost_blend(
    needs: Mapping[str, float],
    offered: Sequence[Material],
    *,
    most: Mapping[str, float] | None = None,
    salt_most: float | None = None,
    salt_index: Mapping[str, float] | None = None,
) -> Blend | None:
    """Least cost of products that meet every need within caps; ties go to fewer passes.

    A small mixed-integer programme (HiGHS): product rates, and whether each product is spread.

    Parameters
    ----------
    needs : mapping
        Element -> least supply. [kg/ha]
    offered : sequence of Material
        Each with a price.
    most : mapping, optional
        Element -> greatest supply, such as chloride or a cap. [kg/ha]
    salt_most, salt_index : float, mapping, optional
        Most salt, as kg/ha of sodium nitrate, and each product's salt index (NaNO3 = 100).

    Returns
    -------
    Blend or None
        None where no mixture meets the needs within the caps.

    Raises
    ------
    TableError
        If a material has no price.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    if any(m.price_per_t is None for m in offered):
        raise TableError("Every material of a blend needs a price_per_t in farm.toml.")
    n = len(offered)
    price = np.array([m.price_per_t or 0.0 for m in offered]) / 1000
    ceiling = sum(needs.values()) * 100 + 1.0
    elements = list(dict.fromkeys([*needs, *(most or {})]))
    shares = np.array([[m.analysis.get(e, 0.0) / 100 for m in offered] for e in elements])
    least = [needs.get(e, 0.0) for e in elements]
    highest = [(most or {}).get(e, np.inf) for e in elements]
    nothing = np.zeros_like(shares)
    rules = [
        LinearConstraint(np.hstack([shares, nothing]), least, highest),
        LinearConstraint(np.hstack([np.eye(n), -ceiling * np.eye(n)]), -np.inf, 0.0),
    ]
    if salt_most is not None:
        salt = np.array([(salt_index or {}).get(m.key, 0.0) / 100 for m in offered])
        rules.append(LinearConstraint(np.hstack([salt, np.zeros(n)]), -np.inf, salt_most))
    found = milp(
        np.concatenate([price, np.full(n, PASS_TIE)]),
        constraints=rules,
        integrality=np.concatenate([np.zeros(n), np.ones(n)]),
        bounds=Bounds(0.0, np.concatenate([np.full(n, ceiling), np.ones(n)])),
        options={"mip_rel_gap": 0.0},  # the usual gap is wider than the tie of passes
    )
    if found.x is None:
        return None
    rates = {m.key: float(x) for m, x in zip(offered, found.x[:n], strict=True) if x > 1e-6}
    supply = dict(zip(elements, (shares @ found.x[:n]).tolist(), strict=True))
    return Blend(rates, float(price @ found.x[:n]), supply)


def caution_texts(keys: Sequence[str]) -> tuple[str, ...]:
    """Cautions in words by their keys, in the table's order."""
    return tuple(row["text"] for row in read_table("cautions") if row["key"] in keys)


def general_cautions(*, organic: bool) -> tuple[str, ...]:
    """What holds for every material."""
    rows = [row for row in read_table("cautions") if row["amendment"] == "all"]
    return tuple(row["text"] for row in rows if organic or row["key"] != "organic")
