"""The words that farm.toml may hold, and what is said of one that it may not.

Most tables are records of `geo.settings`, whose fields are their keys. Here stand the words of the
others: amendments, what a material's table may say, and the tables of agronomy.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from typing import Any

from geo.errors import FarmError
from geo.lookup import properties, table_names

#: What may be asked for and spread.
AMENDMENTS = (
    "lime", "sulfur", "gypsum", "nitrogen", "phosphorus", "potassium", "magnesium", "zinc",
    "boron", "manganese", "copper", "iron",
)  # fmt: skip

#: How a material goes on.
PLACEMENTS = ("full width", "band", "incorporated")

#: Costs of too little and too much differ for lime by when it is spread.
COST_RATIOS = (*AMENDMENTS, "lime_before_planting", "lime_top_dressed")

#: Keys that a [materials.KEY] may set.
MATERIAL_KEYS = (
    "name", "amendment", "analysis", "effective_pct", "moisture_pct", "bulk_density_kg_l",
    "price_per_t", "bag_kg", "truck_t", "cautions", "organic", "cce_pct", "passing_pct",
    "fineness_scheme",
)  # fmt: skip


def check_known(words: Collection[str], known: Collection[str], where: str, kind: str) -> None:
    """Refuse a word that is not known, with the nearest that is.

    Parameters
    ----------
    words, known : collection of str
        What was met, and what may be.
    where : str
        File and table, as people find it.
    kind : str
        What the words are: "key", "table", "amendment" ...

    Raises
    ------
    FarmError
        If one of them is not known.

    Examples
    --------
    >>> check_known(["with_m"], ["width_m", "speed_kmh"], "farm.toml, [spreader]", "key")
    Traceback (most recent call last):
        ...
    geo.errors.FarmError: farm.toml, [spreader]: unknown key 'with_m'. Did you mean 'width_m'? \
Known: speed_kmh, width_m.
    """
    for word in words:
        if word in known:
            continue
        nearest = difflib.get_close_matches(word.lower(), sorted(known), n=1)
        meant = f" Did you mean {nearest[0]!r}?" if nearest else ""
        raise FarmError(
            f"{where}: unknown {kind} {word!r}.{meant} Known: {', '.join(sorted(known))}."
        )


def check_placement(placement: Mapping[str, Any], where: str) -> None:
    """Refuse a placement of no known amendment, or of a kind there is not."""
    check_known(placement, ("default", *AMENDMENTS), where, "amendment")
    for amendment, how in placement.items():
        check_known([str(how)], PLACEMENTS, f"{where}, {amendment}", "placement")


def check_tables(tables: Mapping[str, Any], where: str) -> None:
    """Refuse a table of the user's own that stands beside none of ours.

    Raises
    ------
    FarmError
        Naming the first that is not known, and the nearest that is.
    """
    check_known(tables, ("prices", "rate", "replace", *table_names()), where, "table")
    for name, known, kind in (
        ("replace", table_names(), "table"),
        ("rate", tuple(properties()), "property"),
    ):
        inner = tables.get(name, {})
        if not isinstance(inner, Mapping):
            raise FarmError(f"{where}, {name}: a table is wanted here, not {inner!r}.")
        check_known(inner, known, f"{where.removesuffix(']')}.{name}]", kind)
