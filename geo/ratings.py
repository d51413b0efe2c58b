"""CheckedSamples -> Ratings against published sufficiency ranges; tissue tests likewise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geo.schemes import Rating

__all__ = ["CriticalLevel", "Rating", "Ratings"]


@dataclass(frozen=True)
class CriticalLevel:
    """Where a property turns from trouble to none: value in house unit, and which side is trouble.

    `side` is "below" (needs, and hazards where low is the danger) or "above" (hazards).
    """

    key: str
    value: float
    unit: str
    side: str
    source: str
    from_memory: bool
    why: str


@dataclass(frozen=True)
class Ratings:
    """All ratings of a block: soil by sample, the block's mean, and the tissue tests on file.

    Attributes
    ----------
    soil : tuple of Rating
        One for each sample and property.
    block : mapping
        Property key -> Rating of the block mean (sample_id "block").
    critical : mapping
        Property key -> CriticalLevel of the scheme in use, where one is published.
    classes : mapping
        Property key -> the classes of the scheme in use, from low to high, as
        (level, low, high, target).
    tissue : tuple of Rating
        sample_id is the tissue sample's.
    """

    soil: tuple[Rating, ...]
    block: Mapping[str, Rating]
    critical: Mapping[str, CriticalLevel]
    classes: Mapping[str, tuple[tuple[str, float | None, float | None, bool], ...]]
    tissue: tuple[Rating, ...]
