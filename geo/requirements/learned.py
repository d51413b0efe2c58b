"""A requirement by the table, corrected by what the block itself has shown; both stay visible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from geo.chain import Link, Steps, kg_words
from geo.grids import Mask
from geo.reasons import About, Reason, reasons_about
from geo.requirements.draws import Requirement
from geo.response import MOST_CHANGE, Response


def with_responses(
    requirements: Sequence[Requirement], responses: Sequence[Response]
) -> tuple[Requirement, ...]:
    """Every requirement, corrected where the block is better known than the table.

    A block that answers less than the table says needs more, by prior over own response and within
    30 %; the table's figure stays among the alternatives. Where the table still stands, the reason
    says that one more year is needed.
    """
    found = {one.amendment: one for one in responses}
    return tuple(
        _with_response(one, found[one.amendment]) if one.amendment in found else one
        for one in requirements
    )


def _with_response(requirement: Requirement, response: Response) -> Requirement:
    if requirement.kind != "rate" or not requirement.draws.size:
        return requirement
    table, own = f"{_figure(response.prior)} {response.unit}", _figure(response.value)
    span = f"{_figure(response.low)} to {_figure(response.high)}, 19 in 20"
    if not response.used:
        why = (
            f"One more year is needed to know this block's own response, {own} so far ({span}); "
            f"the table's {table} stays."
        )
        return replace(requirement, reasons=(*requirement.reasons, Reason(why, About.RESPONSE)))
    factor = response.rate_factor
    why = (
        f"This block is better known than the table: {own} {response.unit} "
        f"({span}) in place of {table}, so the "
        f"table's rate is taken x {factor:.2f} (at most {MOST_CHANGE:.0%} either way)."
    )
    told = " ".join([why, *reasons_about(response.notes, About.EARLY)])
    return replace(
        requirement,
        draws=(requirement.draws * np.float32(factor)).astype(np.float32),
        reasons=(*requirement.reasons, Reason(told, About.RESPONSE)),
        inputs={
            **requirement.inputs,
            "own response": (response.value, response.unit, "laboratory"),
            "table's response": (response.prior, response.unit, response.source),
        },
        alternatives={
            **requirement.alternatives,
            "table's response, not this block's": float(requirement.draws.mean()),
        },
        steps=_steps(requirement, why.rstrip("."), factor),
    )


def _figure(value: float) -> str:
    """Two digits, the last nought too, with a real minus."""
    return f"{value:#.2g}".replace("-", "\u2212")


def _steps(requirement: Requirement, why: str, factor: float) -> Steps | None:
    """The table's chain, then what the block's own response makes of it."""
    table = requirement.steps
    if table is None:
        return None

    def steps(means: Mapping[str, float], cells: Mask | None) -> tuple[Link, ...]:
        links = table(means, cells)
        kg_ha = next((link.value for link in reversed(links) if link.step == "requirement"), None)
        if kg_ha is None:
            return links
        said = f"{why}: {kg_words(kg_ha * factor)} {requirement.unit}"
        return (*links, Link("requirement", said, kg_ha * factor, requirement.unit, ("PRACT",)))

    return steps
