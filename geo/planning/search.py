"""The search for new spots: coverage first, then by kriging variance, then by what is at stake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geo.grids import Array
from geo.planning.design import coverage, onto_candidates
from geo.planning.exchange import Problem, polish
from geo.planning.signals import Signal
from geo.planning.stakes import Stake, worth_of_plan

#: Less worth than this, in spreads of the samples, is not worth bending a plan for.
LEAST_WORTH = 0.01
#: A plan bent to a decision must be worth so much more than one of even cover. [1]
WORTH_BENDING = 1.02
#: Times the weights are worked out anew from what the plan itself would tell.
ROUNDS = 2


@dataclass(frozen=True)
class Ground:
    """What all designs of one block share.

    Attributes
    ----------
    signal : Signal
    nodes : array (m, 2)
        All of the block, evenly. [m]
    places : array (c, 2)
        Where a spot may be. [m]
    known : array (n, 2)
        Every sample that tells of the soil: earlier ones, repeats, spots asked for. [m]
    keep_off : array (k, 2)
        What new spots keep their distance from. [m]
    spacing_m : float
    """

    signal: Signal
    nodes: Array
    places: Array
    known: Array
    keep_off: Array
    spacing_m: float

    def problem(self, weights: Array) -> Problem:
        """The exchange with given weights of the nodes."""
        return Problem(
            signal=self.signal,
            nodes=self.nodes,
            weights=weights / weights.sum(),
            places=self.places,
            fixed=self.known,
            keep_off=self.keep_off,
            spacing_m=self.spacing_m,
        )


@dataclass(frozen=True)
class Found:
    """New spots [m], and whether a decision rather than even cover placed them."""

    spots: Array
    by_stake: bool


def cover(ground: Ground, count: int, rng: np.random.Generator, *, starts: int = 10) -> Array:
    """Spots that cover the block evenly around those there are, then polished. [m]"""
    if count <= 0:
        return np.empty((0, 2))
    wanted = coverage(ground.nodes, count, rng, fixed=ground.keep_off, starts=starts)
    chosen = onto_candidates(wanted, ground.places, ground.keep_off, ground.spacing_m)
    even = np.ones(len(ground.nodes))
    spots: Array = ground.places[polish(ground.problem(even), chosen)]
    return spots


def at_stake(stakes: Sequence[Stake]) -> bool:
    """Whether a decision is near enough to a limit for samples to matter to it."""
    return sum(float(stake.worth_of_all.mean()) for stake in stakes) >= LEAST_WORTH


def new_spots(
    ground: Ground, count: int, stakes: Sequence[Stake], rng: np.random.Generator
) -> Found:
    """New spots: bent to the decisions at stake where that is worth it, of even cover elsewhere."""
    even = cover(ground, count, rng)
    if count <= 0 or not at_stake(stakes):
        return Found(even, False)
    best, best_worth = even, WORTH_BENDING * _worth(ground, even, stakes)
    by_stake = False
    weights = np.sum([stake.weights for stake in stakes], axis=0)
    for _ in range(ROUNDS):
        bent = _bent(ground, even, weights)
        worth = _worth(ground, bent, stakes)
        if worth > best_worth:
            best, best_worth, by_stake = bent, worth, True
        weights = np.sum([_weights_after(stake, ground, bent) for stake in stakes], axis=0)
    return Found(best, by_stake)


def _worth(ground: Ground, spots: Array, stakes: Sequence[Stake]) -> float:
    return worth_of_plan(stakes, spots, ground.nodes)


def _bent(ground: Ground, even: Array, weights: Array) -> Array:
    # A little weight everywhere: a plan that turns its back on half the block is nobody's wish.
    floor = 0.02 * float(weights.max())
    problem = ground.problem(np.maximum(weights, floor))
    start = onto_candidates(even, ground.places, ground.keep_off, ground.spacing_m)
    spots: Array = ground.places[polish(problem, start)]
    return spots


def _weights_after(stake: Stake, ground: Ground, spots: Array) -> Array:
    """The chord weights with the moves this plan would really bring."""
    from geo.planning.quality import kriging_variance
    from geo.planning.value import value_at_limit

    later = kriging_variance(stake.signal, np.vstack([stake.samples, spots]), ground.nodes)
    moves = np.sqrt(np.maximum(stake.variance - later, 0.01 * stake.variance))
    weights: Array = value_at_limit(stake.mean, moves, stake.level) / (moves * moves)
    return weights


def with_known(ground: Ground, more: Array) -> Ground:
    """The same ground once some spots are settled."""
    if not len(more):
        return ground
    return replace(
        ground,
        known=np.vstack([ground.known, more]),
        keep_off=np.vstack([ground.keep_off, more]),
    )
