"""What a page opens with, where nobody asked for anything."""

from __future__ import annotations

import numpy as np

from geo.prescribing.purchase import FIRST
from geo.requirements.draws import Requirement
from geo.season import Season


def opens_with(season: Season) -> str:
    """The amendment that matters most, which the zones page shows first; empty if there is none.

    Of what is spread, the one on which most money goes, and where there is no price the one that
    takes away most of the loss of going without. Where nothing is spread, the one that the soil
    alone decides and that is asked for at most places and draws: the nearest to being needed.
    Ties go to the order in which money is best spent.
    """
    plan = season.prescription
    spread = {rate.amendment for rate in plan.rates if rate.rate_kg_ha > 0}
    if spread:
        return max(
            sorted(spread, key=_usual),
            key=lambda name: (plan.costs.get(name) or 0.0, plan.relief.get(name, 0.0)),
        )
    decided = [one for one in season.requirements if one.kind != "held"]
    asked = sorted(decided or season.requirements, key=lambda one: _usual(one.amendment))
    return max(asked, key=_share_asked).amendment if asked else ""


def _usual(amendment: str) -> int:
    return FIRST.index(amendment) if amendment in FIRST else len(FIRST)


def _share_asked(requirement: Requirement) -> float:
    """Share of places and draws at which anything is asked for. [1]"""
    return float(np.mean(requirement.draws > 0)) if requirement.draws.size else 0.0
