"""CheckedSamples -> Ratings against published sufficiency ranges; tissue tests likewise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Rating:
    """One value against one table.

    Attributes
    ----------
    sample_id, key : str
    value, unit : float, str
        As rated.
    level : str
        "very_low" ... "very_high", or one of the answers of their own: "not_analysed" and
        "no_table" (no table for this method), "ask" (method or texture not known).
    low, high : float or None
        Limits of the class, in `unit`.
    sense : str
        "need", "hazard_high", "hazard_low" or "descriptive".
    target : bool
        The class the source treats as sufficient.
    source : str
        Key in sources.toml.
    from_memory : bool
        The row behind it is from memory: shown with a flag, never releases a held rate.
    why : str
        Method match, fallback, texture, unit conversions, in one sentence.
    """

    sample_id: str
    key: str
    value: float | None
    unit: str
    level: str
    low: float | None
    high: float | None
    sense: str
    target: bool
    source: str
    from_memory: bool
    why: str


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
