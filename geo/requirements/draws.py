"""Draws of the surfaces put through the rules, and what is held until tissue agrees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.grids import Grid


@dataclass(frozen=True)
class Requirement:
    """What the rules make of the soil for one amendment, place by place and draw by draw.

    Attributes
    ----------
    amendment : str
        "lime", "sulfur", "gypsum", "potassium", "phosphorus", "magnesium", "nitrogen", "zinc",
        "boron", "manganese", "copper", "iron".
    unit : str
        What `draws` count, in words: "kg/ha pure fine calcium carbonate", "kg/ha K" ...
    grid : Grid
        Turned along the rows.
    draws : float32 array (draws, inside cells)
        Requirement at each inside cell of `grid`, per block hectare, before caps. [kg/ha]
    cost_too_little, cost_too_much : float
        Loss per kg/ha short and over, as a ratio; the rate is the quantile
        cost_too_little / (cost_too_little + cost_too_much).
    verdict : str
        The weakest verdict of the properties behind it: "useful", "weak" or "none".
    held : str or None
        Why no rate is released, and what would release it; None if it is released.
    none_needed : str or None
        Why nothing is asked for anywhere ("No lime here: ..."); None otherwise.
    reasons : tuple of str
        How it was worked out, in sentences.
    sources : tuple of str
        Keys in sources.toml.
    from_memory : bool
        A figure behind it is from memory.
    cap_kg_ha : float or None
        Most that one pass may carry, in the unit of `draws`, per treated hectare.
    treated_share : float
        Treated area over block area: 1 for full width, band width over row spacing for a band.
    inputs : mapping
        Name -> (value, unit, source key) of every figure that entered, for `why`.
    alternatives : mapping
        Other published methods on the same samples: name -> block mean. [kg/ha]
    """

    amendment: str
    unit: str
    grid: Grid
    draws: NDArray[np.float32]
    cost_too_little: float
    cost_too_much: float
    verdict: str
    held: str | None
    none_needed: str | None
    reasons: tuple[str, ...]
    sources: tuple[str, ...]
    from_memory: bool
    cap_kg_ha: float | None
    treated_share: float
    inputs: Mapping[str, tuple[float | str, str, str]]
    alternatives: Mapping[str, float]

    @property
    def quantile(self) -> float:
        """The quantile of the requirement that makes the expected loss least."""
        return self.cost_too_little / (self.cost_too_little + self.cost_too_much)
