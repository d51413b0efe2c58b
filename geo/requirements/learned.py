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

    Lime that has not reacted is credited by the rule itself, and is one reason why a block seems to
    answer less than the table says: the two would count it once down and once up. So no rate is
    raised while a credit stands; a block that answers more still lowers it.
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
    if factor > 1.0 and reasons_about(requirement.reasons, About.CREDIT):
        return _not_raised(requirement, response, f"{own} {response.unit} ({span})", table)
    why = (
        f"This block is better known than the table: {own} {response.unit} "
        f"({span}) in place of {table}, so the "
        f"table's rate is taken x {factor:.2f} (at most {100 * MOST_CHANGE:.0f} % either way)."
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


def _not_raised(requirement: Requirement, response: Response, own: str, table: str) -> Requirement:
    """The table's rate, with the block's own lower response beside it."""
    why = (
        f"This block's own response, {own}, is weaker than the table's {table}. Lime that has not "
        "reacted yet can be the cause and is credited already, so the rate is not raised as well; "
        "another season tells."
    )
    return replace(
        requirement,
        reasons=(*requirement.reasons, Reason(why, About.RESPONSE)),
        alternatives={
            **requirement.alternatives,
            "this block's response, not the table's": float(
                requirement.draws.mean() * response.rate_factor
            ),
        },
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
