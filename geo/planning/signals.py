"""What planning has to know of the soil: how alike places are, and how far one sample may be off.

Kriging variances depend on places alone, so a plan can be judged before anything is measured. The
variance meant is that of the soil itself, the nugget taken as the error of a sample ("filtered").
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from geo.belief.belief import Belief, factorise, fit
from geo.belief.frame import Frame
from geo.belief.nodes import Nodes, correlations, own_correlation, standard_nodes
from geo.grids import Array
from geo.variogram import VariogramModel

#: Models that weigh less than this are left out of plans.
LEAST_WEIGHT = 1e-3


@dataclass(frozen=True)
class Signal:
    """The soil as planning sees it.

    Attributes
    ----------
    covariance : callable
        Places (m, 2), places (n, 2) -> their covariance (m, n). [unit2]
    own : callable
        Places (m, 2) -> the variance at each (m,). [unit2]
    error : float
        Variance of one new sample about the soil it stands for: nugget and laboratory. [unit2]
    """

    covariance: Callable[[Array, Array], Array]
    own: Callable[[Array], Array]
    error: float


def signal_of_model(model: VariogramModel) -> Signal:
    """Signal of one variogram; its nugget and noise are the error of a sample."""
    sill = model.structured_sill

    def own(places: Array) -> Array:
        return np.full(len(places), sill)

    return Signal(model.structured, own, model.sill - sill + model.noise)


def signals_of_belief(belief: Belief) -> list[tuple[float, Signal]]:
    """Each model of a belief with its weight, in squared units of the mapped scale."""
    sill = fit(factorise(belief.nodes, belief.frame, belief.xy), belief.values).sill
    return _signals(belief.nodes, belief.frame, belief.weights, sill)


def mean_signal(belief: Belief | None, frame: Frame) -> Signal:
    """The average of all models: one covariance to search with.

    The sum of covariances is a covariance, so the search needs one matrix; what the plan is worth
    is worked out over the models one by one (`geo.planning.quality.believed_variance`).
    """
    if belief is None:
        nodes = standard_nodes(frame)
        return _summed(nodes, frame, nodes.prior)
    sill = fit(factorise(belief.nodes, belief.frame, belief.xy), belief.values).sill
    return _summed(belief.nodes, belief.frame, belief.weights * sill)


class Weighed(Protocol):
    """Models with their weights, such as a belief."""

    @property
    def nodes(self) -> Nodes: ...  # noqa: D102

    @property
    def weights(self) -> Array: ...  # noqa: D102


def pooled_signal(elsewhere: Sequence[Sequence[Weighed]], frame: Frame) -> Signal:
    """Signal of a block without data, from what is believed of the farm's other blocks.

    Each block counts once, its properties in equal parts, and what is usual anywhere counts as one
    block more: a farm of one other block must not be sure of the next. The whole variance is 1.
    A borrowed variogram: Kerry, Oliver and Frogbrook (2010), in Geostatistical Applications for
    Precision Agriculture, chapter 2 (abstract).

    Parameters
    ----------
    elsewhere : sequence of sequence of Weighed
        Block by block, property by property; ranges and directions are taken as they are [m, deg].
    frame : Frame
        Of the block without data.
    """
    told = [beliefs for beliefs in elsewhere if beliefs]
    parts = [(mean_signal(None, frame), 1.0 / (len(told) + 1))]
    for beliefs in told:
        share = 1.0 / (len(told) + 1) / len(beliefs)
        parts += [(_summed(one.nodes, frame, one.weights), share) for one in beliefs]

    def covariance(a: Array, b: Array) -> Array:
        return np.asarray(sum(share * signal.covariance(a, b) for signal, share in parts))

    def own(places: Array) -> Array:
        return np.asarray(sum(share * signal.own(places) for signal, share in parts))

    return Signal(covariance, own, sum(share * signal.error for signal, share in parts))


def _summed(nodes: Nodes, frame: Frame, part: Array) -> Signal:
    """The sum of all models, each with its variance. [unit2]"""
    by_structure = np.bincount(
        nodes.structure, part * (1.0 - nodes.nugget_share), len(nodes.structures)
    )

    def covariance(a: Array, b: Array) -> Array:
        total = np.zeros((len(a), len(b)))
        rhos = correlations(nodes, frame, frame.centred(a), frame.centred(b))
        for share, rho in zip(by_structure, rhos, strict=True):
            if share > 0.0:
                total += share * rho
        return total

    def own(places: Array) -> Array:
        return np.asarray(by_structure @ own_correlation(nodes, frame, frame.centred(places)))

    return Signal(covariance, own, float(part @ nodes.nugget_share))


def _signals(nodes: Nodes, frame: Frame, weights: Array, sill: Array) -> list[tuple[float, Signal]]:
    kept = np.flatnonzero(weights >= LEAST_WEIGHT)
    total = float(weights[kept].sum())
    return [
        (float(weights[k]) / total, _signal_of_node(nodes, frame, int(k), float(sill[k])))
        for k in kept
    ]


def _signal_of_node(nodes: Nodes, frame: Frame, k: int, sill: float) -> Signal:
    node = nodes.nodes[k]
    alone = Nodes((nodes.structures[node.structure],), ())
    size = sill * (1.0 - node.nugget_share)

    def covariance(a: Array, b: Array) -> Array:
        rho = next(correlations(alone, frame, frame.centred(a), frame.centred(b)))
        return np.asarray(size * rho)

    def own(places: Array) -> Array:
        return np.asarray(size * own_correlation(alone, frame, frame.centred(places))[0])

    return Signal(covariance, own, sill * node.nugget_share)
