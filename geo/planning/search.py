"""The search for new spots: coverage first, then by kriging variance, then by what is at stake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geo.grids import Array
from geo.planning.constraints import too_close
from geo.planning.design import coverage, onto_candidates
from geo.planning.exchange import Problem, polish
from geo.planning.signals import Signal
from geo.planning.stakes import Stake, WorthTable, worth_of_plan

#: Less worth than this, in spreads of the samples, is not worth bending a plan for.
LEAST_WORTH = 0.001
#: A plan bent to a decision must be worth so much more than one of even cover. [1]
WORTH_BENDING = 1.02
#: Decisions the search looks at, the weightiest first; all are counted in the end.
MOST_STAKES = 3
#: Weight of ground where nothing is decided, over the largest. [1]
FLOOR = 0.02
#: Passes of the exchange by worth, the gain that counts [1], and the places and nodes it tries.
PASSES, LEAST_GAIN, FEW_PLACES, FEW_NODES = 3, 1e-3, 700, 400


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
    ground: Ground, count: int, stakes: Sequence[Stake], rng: np.random.Generator,
    settled: Array | None = None,
) -> Found:  # fmt: skip
    """New spots: bent to the decisions at stake where that is worth it, of even cover elsewhere.

    Parameters
    ----------
    settled : array (n, 2), optional
        Spots of the plan that are settled already, such as repeats; what they will tell counts.
        [m]
    """
    if settled is not None and len(settled):
        stakes = [replace(s, samples=np.vstack([s.samples, settled])) for s in stakes]
    even = cover(ground, count, rng)
    if count <= 0 or not at_stake(stakes):
        return Found(even, False)
    weighty = stakes[:MOST_STAKES]
    weights = np.sum([stake.weights for stake in weighty], axis=0)
    bent = _exchanged_for_worth(ground, _bent(ground, even, weights), weighty)
    better = worth_of_plan(stakes, bent, ground.nodes) > WORTH_BENDING * worth_of_plan(
        stakes, even, ground.nodes
    )
    return Found(bent, True) if better else Found(even, False)


def _bent(ground: Ground, even: Array, weights: Array) -> Array:
    """Even cover moved to where a unit of variance less is worth most."""
    # A little weight everywhere: a plan that turns its back on half the block is nobody's wish.
    floor = FLOOR * float(weights.max())
    problem = ground.problem(np.maximum(weights, floor))
    start = onto_candidates(even, ground.places, ground.keep_off, ground.spacing_m)
    spots: Array = ground.places[polish(problem, start)]
    return spots


def _exchanged_for_worth(ground: Ground, spots: Array, stakes: Sequence[Stake]) -> Array:
    """Spot after spot taken up and put where the plan is then worth most, while that helps."""
    places = np.vstack([spots, _thinned(ground.places, FEW_PLACES)])
    few = np.arange(len(ground.nodes))[:: max(1, round(len(ground.nodes) / FEW_NODES))]
    tables = [WorthTable(stake, few, ground.nodes[few], places) for stake in stakes]
    open_ = ~too_close(places, ground.keep_off, ground.spacing_m)
    chosen = np.arange(len(spots))
    for _ in range(PASSES):
        before = chosen.copy()
        for j in range(len(spots)):
            others = np.delete(chosen, j)
            free = open_ & ~too_close(places, places[others], ground.spacing_m)
            tried = np.append(chosen[j], np.flatnonzero(free))
            worth = np.sum([table.worth_of_adding(others, tried) for table in tables], axis=0)
            best = int(np.argmax(worth))
            if worth[best] > worth[0] * (1.0 + LEAST_GAIN):
                chosen[j] = tried[best]
        if (chosen == before).all():
            break
    exchanged: Array = places[chosen]
    return exchanged


def _thinned(places: Array, most: int) -> Array:
    thin: Array = places[:: max(1, round(len(places) / most))]
    return thin


def with_known(ground: Ground, more: Array) -> Ground:
    """The same ground once some spots are settled."""
    if not len(more):
        return ground
    return replace(
        ground,
        known=np.vstack([ground.known, more]),
        keep_off=np.vstack([ground.keep_off, more]),
    )
