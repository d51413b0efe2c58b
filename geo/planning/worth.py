"""What a plan is worth, told before anything is measured."""

from __future__ import annotations

import numpy as np

from geo.grids import Array
from geo.planning.quality import (
    believed_variance,
    closest_pair_m,
    kriging_variance,
    largest_gap_m,
)
from geo.planning.records import PlanQuality
from geo.planning.signals import signals_of_belief
from geo.planning.site import Site
from geo.planning.stakes import worth_of_plan

#: Designs at random that a plan is compared with.
RANDOM_PLANS = 40


def quality_of(site: Site, xy: Array, repeats: Array, rng: np.random.Generator) -> PlanQuality:
    """Doubt before and after, gaps, and how much of what is at stake a plan catches.

    Parameters
    ----------
    xy, repeats : array (n, 2), (k, 2)
        All spots of the plan, and those among them that return to old stations. [m]
    """
    ground, lead = site.ground, site.lead
    known = np.vstack([site.old, xy])
    mean = float(kriging_variance(ground.signal, known, ground.nodes).mean())
    before, after, unit = _doubts(site, xy)
    return PlanQuality(
        key=lead.key if lead is not None else "",
        unit=unit,
        doubt_before=before,
        doubt_after=after,
        against_random=mean / _random_variance(site, repeats, len(xy) - len(repeats), rng),
        gap_m=largest_gap_m(known, ground.nodes),
        closest_m=closest_pair_m(xy),
        worth_share=_worth_share(site, xy),
    )


def _doubts(site: Site, xy: Array) -> tuple[float, float, str]:
    """Doubt before and after, over all models of the belief."""
    ground, lead = site.ground, site.lead
    if lead is None or lead.belief is None:
        spread = float(np.mean(ground.signal.own(ground.nodes))) + ground.signal.error
        variance = kriging_variance(ground.signal, np.vstack([site.old, xy]), ground.nodes)
        return float("nan"), float(np.sqrt(variance.mean() / spread)), "of the spread"
    models = signals_of_belief(lead.belief)
    old = lead.belief.xy
    before, after = (
        float(np.sqrt(believed_variance(models, spots, ground.nodes).mean()))
        for spots in (old, np.vstack([old, xy]))
    )
    return before, after, "of the value" if lead.logs else lead.unit


def _random_variance(site: Site, repeats: Array, count: int, rng: np.random.Generator) -> float:
    """Mean variance of plans with the same repeats and as many new spots anywhere. [unit2]"""
    ground = site.ground
    total = 0.0
    for _ in range(RANDOM_PLANS):
        chosen = rng.choice(len(ground.nodes), min(count, len(ground.nodes)), replace=False)
        spots = np.vstack([site.old, repeats, ground.nodes[chosen]])
        total += float(kriging_variance(ground.signal, spots, ground.nodes).mean())
    return total / RANDOM_PLANS


def _worth_share(site: Site, xy: Array) -> float:
    everything = float(sum(stake.worth_of_all.mean() for stake in site.stakes))
    if not everything > 0.0:
        return float("nan")
    return worth_of_plan(site.stakes, xy, site.ground.nodes) / everything
