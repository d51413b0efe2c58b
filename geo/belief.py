"""The one belief about a property of a block: many models, weighted."""

from __future__ import annotations

from dataclasses import dataclass

from geo.grids import Array


@dataclass(frozen=True)
class Belief:
    """Models of one property of a survey with their weights."""

    xy: Array
    values: Array
    weights: Array
