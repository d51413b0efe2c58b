"""How many spots: what more of them would tell, and what they cost."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from geo.grids import Array
from geo.planning.design import coverage
from geo.planning.quality import kriging_variance
from geo.planning.signals import Signal
from geo.settings import CostSettings

#: Walking between spots with the auger. [km/h]
WALKING_KMH = 3.0
#: Sizes on the curve, as shares of the size asked for. [1]
SHARES = (0.4, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0)


@dataclass(frozen=True)
class SizePoint:
    """One number of spots.

    Attributes
    ----------
    spots : int
    doubt : float
        Doubt left on average over the block, as a share of the spread of the soil. [1]
    cost : float
        Laboratory and work.
    """

    spots: int
    doubt: float
    cost: float


def hours_of(spots: int, walked_m: float, costs: CostSettings) -> float:
    """Work in the field. [h]"""
    return spots * costs.minutes_per_station / 60.0 + walked_m / 1000.0 / WALKING_KMH


def cost_of(spots: int, walked_m: float, costs: CostSettings) -> float:
    """Laboratory and work, in the farm's currency."""
    return spots * costs.soil_sample + hours_of(spots, walked_m, costs) * costs.labour_per_h


def usual_way_m(spots: int, area_m2: float) -> float:
    """The way between so many spots where nothing is in it (Beardwood, Halton, Hammersley, 1959).

    0.7124 sqrt(n A). [m]
    """
    return 0.7124 * math.sqrt(spots * area_m2)


def size_curve(
    signal: Signal, nodes: Array, known: Array, sizes: Sequence[int], costs: CostSettings,
    way_m: Callable[[Array], float], rng: np.random.Generator,
) -> tuple[SizePoint, ...]:  # fmt: skip
    """Doubt against the number of spots, each number laid out for even cover.

    Parameters
    ----------
    known : array (n, 2)
        Samples there are already. [m]
    sizes : sequence of int
        Spots of the plan.
    way_m : callable
        Spots (n, 2) -> how far one walks to take them all. [m]
    """
    spread = float(np.mean(signal.own(nodes))) + signal.error
    curve = []
    for size in sorted({size for size in sizes if 0 < size < len(nodes)}):
        spots = coverage(nodes, size, rng, fixed=known, starts=3)
        variance = kriging_variance(signal, np.vstack([known, spots]), nodes).mean()
        doubt = float(np.sqrt(variance / spread))
        curve.append(SizePoint(size, doubt, cost_of(size, way_m(spots), costs)))
    return tuple(curve)


def sizes_around(spots: int) -> list[int]:
    """Numbers of spots worth showing beside the one asked for."""
    return sorted({max(3, round(share * spots)) for share in SHARES})


def spots_within(curve: Sequence[SizePoint], budget: float) -> int | None:
    """The most spots on a curve that a sum of money pays; None if it pays none of them."""
    return max((point.spots for point in curve if point.cost <= budget), default=None)


def spots_for_doubt(curve: Sequence[SizePoint], doubt: float) -> int | None:
    """The fewest spots on a curve that leave no more doubt than this; None if all leave more."""
    return min((point.spots for point in curve if point.doubt <= doubt), default=None)
