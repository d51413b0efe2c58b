"""Soil says, plant confirms: what is held until a leaf or petiole test agrees."""

from __future__ import annotations

from dataclasses import dataclass

from geo.requirements.case import Case
from geo.tissue import pick_tissue, tissue_decision


@dataclass(frozen=True)
class Hold:
    """Why a rate waits (None if it is released), what is said either way, and the sources."""

    reason: str | None
    said: tuple[str, ...]
    sources: tuple[str, ...]


def tissue_hold(case: Case, key: str, amendment: str) -> Hold:
    """Whether a nutrient that the soil finds low somewhere waits for the plant.

    Before planting the soil alone decides. Standing vines: only a test that reads short against a
    published table releases; a table from memory, or none, releases nothing.
    """
    found = pick_tissue(key, case.tissue, case.ratings.tissue)
    decision = tissue_decision(
        key,
        "low",
        found,
        established=case.established,
        crop_key=case.block.site.crop,
        method=case.method(key),
        ph_kcl=case.mean("ph_kcl"),
    )
    if not decision.held:
        return Hold(None, (decision.reason,), decision.sources)
    words = f"{amendment.capitalize()} is held. {decision.reason} {decision.releases}".strip()
    return Hold(words, (), decision.sources)
