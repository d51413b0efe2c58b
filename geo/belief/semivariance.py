"""Belief -> how unlike two places are by their distance: what samples show, what models expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geo.belief.belief import Belief
from geo.belief.nodes import STRETCH, Structure
from geo.geostatistics.correlation import correlation
from geo.grids import Array
from geo.variogram import EmpiricalVariogram, empirical_variogram

#: Pairs are looked at up to half the largest distance, in so many classes (common practice: beyond
#: that the pairs all join the same two edges of the block).
REACH, CLASSES = 0.5, 8
#: Directions over which an anisotropic model is averaged.
DIRECTIONS = 36


@dataclass(frozen=True)
class SemivarianceBand:
    """What the weighted models expect of pairs at some distances, on the mapped scale.

    Attributes
    ----------
    distance_m : array
        [m]
    middle : array
        Mean over the models by weight. [unit²]
    low, high : array
        10 and 90 % points over the models by weight. [unit²]
    """

    distance_m: Array
    middle: Array
    low: Array
    high: Array


def pairs_by_distance(belief: Belief) -> EmpiricalVariogram:
    """Half the mean squared difference of the samples' pairs, up to half the largest distance."""
    apart = np.hypot(*(belief.xy[:, None] - belief.xy[None]).transpose(2, 0, 1))
    cutoff = REACH * float(apart.max())
    return empirical_variogram(belief.xy, belief.values, width_m=cutoff / CLASSES, cutoff_m=cutoff)


def semivariance_band(belief: Belief, distance_m: Array) -> SemivarianceBand:
    """Semivariance under the weighted models, short-range noise included.

    Parameters
    ----------
    belief : Belief
    distance_m : array
        At 0 the limit from above is meant, which is the nugget. [m]

    Notes
    -----
    A model with sill c, nugget share s and correlation rho expects
    gamma(h) = c [s + (1 - s) (1 - rho(h))]. A linear trend with random slope has no correlation of
    distance alone, but a semivariance: 6 (h / D)^2 of its share, D the scale of the block. Models
    with a direction are averaged over all directions.
    """
    distance = np.asarray(distance_m, dtype=float)
    nodes, weights = belief.nodes, belief.weights
    rise = np.stack([_rise(one, distance, belief.frame.scale_m) for one in nodes.structures])
    share = nodes.nugget_share[:, None]
    curves = belief.fits.sill[:, None] * (share + (1.0 - share) * rise[nodes.structure])
    low, high = _quantiles(curves, weights, (0.1, 0.9))
    return SemivarianceBand(distance, weights @ curves, low, high)


def _rise(structure: Structure, distance: Array, scale_m: float) -> Array:
    """1 - correlation of one structure, averaged over directions. [1]"""
    trend = 6.0 * (distance / scale_m) ** 2
    if not structure.shape:
        return trend
    unlike = 1.0 - _mean_correlation(structure, distance)
    risen: Array = (1.0 - structure.trend_share) * unlike + structure.trend_share * trend
    return risen


def _mean_correlation(structure: Structure, distance: Array) -> Array:
    # An exponential structure's range is where it has fallen to 5 %, about e^-3.
    parameter_m = structure.range_m / (3.0 if structure.shape == "exponential" else 1.0)
    if structure.azimuth_deg is None:
        return correlation(structure.shape, distance / parameter_m)
    turn = np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    stretch = np.sqrt(np.cos(turn) ** 2 / STRETCH + np.sin(turn) ** 2 * STRETCH)
    rho = correlation(structure.shape, stretch[:, None] * distance / parameter_m)
    return np.asarray(rho.mean(axis=0))


def _quantiles(curves: Array, weights: Array, chances: tuple[float, ...]) -> list[Array]:
    """At each distance the smallest curve at which the weight of those below reaches a chance."""
    order = np.argsort(curves, axis=0, kind="stable")
    ranked = np.take_along_axis(curves, order, axis=0)
    reached = np.cumsum(weights[order], axis=0)
    found = []
    for chance in chances:
        place = np.argmax(reached >= chance * (1.0 - 1e-12), axis=0)
        found.append(np.take_along_axis(ranked, place[None], axis=0)[0])
    return found
