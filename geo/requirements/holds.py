"""Soil says, plant confirms: what is held until a leaf or petiole test agrees."""

from __future__ import annotations

from dataclasses import dataclass

from geo.chain import Link
from geo.rating.schemes import Rating
from geo.requirements.case import Case
from geo.tissue import pick_tissue, tissue_decision, told


@dataclass(frozen=True)
class Hold:
    """Why a rate waits (None if it is released), what is said either way, and the sources.

    `links` are the tissue tests on file and the decision, for the chain.
    """

    reason: str | None
    said: tuple[str, ...]
    sources: tuple[str, ...]
    links: tuple[Link, ...] = ()


def tissue_hold(case: Case, key: str, amendment: str) -> Hold:
    """Whether a nutrient that the soil finds low somewhere waits for the plant.

    Before planting the soil alone decides. Standing vines: only a test that reads short against a
    published table releases; a table from memory, or none, releases nothing. Where the block's mean
    is above the limit of the excess watch, none is applied, whatever else is known.
    """
    found = pick_tissue(key, case.tissue, case.ratings.tissue)
    rated = case.ratings.block.get(key)
    decision = tissue_decision(
        key,
        rated if rated is not None and rated.excess else "low",
        found,
        established=case.established,
        crop_key=case.block.site.crop,
        method=case.method(key),
        ph_kcl=case.mean("ph_kcl"),
        tables=case.tables,
    )
    tests = [rating for rating in case.ratings.tissue if rating.key == key]
    beside = [f"Beside it, {told(rating)}" for rating in tests if rating is not found]
    links = (
        *(_test_link(rating) for rating in tests),
        Link(
            "decision",
            f"{decision.kind}: {decision.reason} {decision.releases}".strip(),
            sources=decision.sources,
        ),
    )
    if not decision.held:
        return Hold(None, (decision.reason, *beside), decision.sources, links)
    verb = "is not to be applied" if decision.kind == "stop" else "is held"
    words = f"{amendment.capitalize()} {verb}. {decision.reason} {decision.releases}".strip()
    return Hold(words, tuple(beside), decision.sources, links)


def _test_link(rating: Rating) -> Link:
    """A tissue test with the class of its table."""
    limits = ""
    if rating.rated:
        low = "" if rating.low is None else f" from {rating.low:g}"
        high = "" if rating.high is None else f" below {rating.high:g}"
        limits = f" Class{low}{high} {rating.unit}."
    sources = tuple(rating.source.split("+")) if rating.source else ()
    return Link(
        "tissue test",
        f"{told(rating)}{limits} {rating.why}".strip(),
        rating.value,
        rating.unit,
        sources,
        rating.from_memory,
    )
