"""Nutrient or lime -> product to spread: its analysis, caps, cautions and price."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Material:
    """A product one can buy.

    `analysis` is element -> % by mass ("k", "s", "ca", "mg", "p", "zn" ...), `effective_pct` the
    effective neutralizing value of a liming material (pure and fine = 100), `moisture_pct` on a wet
    basis, `price_per_t` in the farm's currency or None, `bag_kg` None for bulk.
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
