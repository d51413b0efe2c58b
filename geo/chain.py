"""The chain behind a rate: one link a step, from the soil test to what leaves the spreader."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from geo.lookup import Row


@dataclass(frozen=True)
class Link:
    """One step of a chain.

    Attributes
    ----------
    step : str
        "soil test", "rating", "tissue test", "decision", "method", "table row", "rule",
        "requirement", "credit", "treated strip", "quantile", "product", "cap", "least",
        "rounding", "passes" or "why".
    says : str
        What was done, with its figures, in a sentence without its full stop.
    value, unit : float or None, str
        What the step comes to.
    sources : tuple of str
        Keys in sources.toml; "yours" for the farm's own table, "farm" for farm.toml.
    from_memory : bool
        A figure of the step is from memory.
    """

    step: str
    says: str
    value: float | None = None
    unit: str = ""
    sources: tuple[str, ...] = ()
    from_memory: bool = False


#: Mean of each property in a place [house units], and which cells of the grid it is -> links.
Steps = Callable[[Mapping[str, float], Any], tuple[Link, ...]]


def row_words(table: str, row: Row, *columns: str) -> str:
    """A row of a table as it can be found again: the file, and the cells that make it fit.

    Examples
    --------
    >>> row_words("nutrient_norms", {"key": "k", "crop": "wine_grape", "norm": "90"}, "key", "norm")
    'nutrient_norms.csv: key k, norm 90'
    """
    cells = [f"{c.replace('_', ' ')} {row[c]}" for c in columns if row.get(c)]
    return f"{table}.csv: {', '.join(cells)}"


def kg_words(kg_ha: float) -> str:
    """A rate inside a chain, with digits to follow it.

    Examples
    --------
    >>> kg_words(2019.23), kg_words(36.04), kg_words(1.12)
    ('2,019', '36', '1.12')
    """
    return f"{kg_ha:,.0f}" if kg_ha >= 100 else f"{kg_ha:.3g}"


def all_sources(links: Iterable[Link]) -> tuple[str, ...]:
    """Source keys of a chain, each once, in order."""
    return tuple(
        dict.fromkeys(part for link in links for s in link.sources for part in s.split("+"))
    )
