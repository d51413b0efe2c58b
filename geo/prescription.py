"""ZoneMaps + Requirements + materials -> Prescription: rates, order, conflicts, totals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Rate:
    """What goes on one zone.

    Rates are mass of product as spread, per block hectare, rounded as the spreader file carries
    them; `low_kg_ha` and `high_kg_ha` are the two-in-three range of what the zone asks for,
    as product. `passes` splits it where one pass may not carry it all.
    """

    zone_id: int
    amendment: str
    material: str
    rate_kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    area_ha: float
    passes: tuple[float, ...]
    reasons: tuple[str, ...]
    sources: tuple[str, ...]
    from_memory: bool


@dataclass(frozen=True)
class Uniform:
    """The same amendment at one rate over the whole block, with what it costs and loses."""

    amendment: str
    material: str
    rate_kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    total_kg: float
    cost: float | None
    expected_loss_ratio: float


@dataclass(frozen=True)
class Held:
    """An amendment without a rate: why, and what would release it."""

    amendment: str
    reason: str
    kind: str
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Prescription:
    """All rates of a block.

    `totals_kg` is product by material (sum of rate times area), `costs` money by amendment with
    delivery and spreading (None without prices), `held` amendments without a rate (kind "held",
    "none_needed", "no_data" or "not_worthwhile"), `conflicts` what must not meet, `order` the
    operations of the year in words.
    """

    block: str
    rates: tuple[Rate, ...]
    uniform: Mapping[str, Uniform]
    held: tuple[Held, ...]
    totals_kg: Mapping[str, float]
    costs: Mapping[str, float | None]
    conflicts: tuple[str, ...]
    order: tuple[str, ...]
    cautions: tuple[str, ...]
