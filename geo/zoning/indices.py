"""Indices that agronomists ask for. They are reported and never decide (they cannot return one).

u is the membership of n cells in c zones, F = mean of sum u^2, H = -mean of sum u ln u.
Conventions: FPI 0 is crisp, 1 is wholly fuzzy (Odeh et al. 1992, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array
from geo.zoning.clusters import fuzzy_memberships

Labels = NDArray[np.int64]


def fuzzy_indices(memberships: Array, weights: Array | None = None) -> dict[str, float]:
    """Partition coefficient and entropy, FPI, MPE, NCE and the mean confusion. [1]

    FPI = 1 - (cF - 1)/(c - 1); MPE = H/ln c; NCE = H/(1 - c/n); confusion = 1 - (largest - second).

    Examples
    --------
    >>> round(fuzzy_indices(np.full((6, 3), 1 / 3))["nce"], 6)
    2.197225
    """
    u = np.asarray(memberships, dtype=float)
    n, c = u.shape
    weights = np.ones(n) if weights is None else weights
    n_cells = float(weights.sum())
    logs = np.log(u, where=u > 0, out=np.zeros_like(u))
    coefficient = float(np.average((u**2).sum(axis=1), weights=weights))
    entropy = float(-np.average((u * logs).sum(axis=1), weights=weights))
    ranked = np.sort(u, axis=1)
    return {
        "pc": coefficient,
        "pe": entropy,
        "fpi": 1 - (c * coefficient - 1) / (c - 1),
        "mpe": entropy / math.log(c),
        "nce": entropy / (1 - c / n_cells),
        "confusion": float(np.average(1 - (ranked[:, -1] - ranked[:, -2]), weights=weights)),
    }


def xie_beni(x: Array, memberships: Array, centres: Array, weights: Array | None = None) -> float:
    """Compactness over separation: J_2 / (n x smallest squared distance of two centres). [1]"""
    weights = np.ones(len(x)) if weights is None else weights
    distance = ((x[:, None] - centres) ** 2).sum(axis=2)
    spread = float((weights[:, None] * memberships**2 * distance).sum())
    between = ((centres[:, None] - centres) ** 2).sum(axis=2)
    nearest = float(between[~np.eye(len(centres), dtype=bool)].min())
    return spread / (float(weights.sum()) * nearest)


def variance_reduction(
    values: Array, zones: Labels, weights: Array | None = None
) -> dict[str, float]:
    """Share of the variance between zones, with the F ratio and omega squared.

    RV = 1 - SSW/SST; F = (SSB/(K-1))/(SSW/(n-K)); omega2 = (SSB - (K-1) MSW)/(SST + MSW). On the
    samples that made the zones, F says "different" whatever the soil is: it is circular.
    """
    values = np.asarray(values, dtype=float)
    weights = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=float)
    _, group = np.unique(zones, return_inverse=True)
    count, k = len(values), int(group.max()) + 1
    mean = np.bincount(group, weights * values) / np.bincount(group, weights)
    total = float((weights * (values - np.average(values, weights=weights)) ** 2).sum())
    within = float((weights * (values - mean[group]) ** 2).sum())
    mean_within = within / (count - k)
    between = total - within
    return {
        "sst": total,
        "ssw": within,
        "ssb": between,
        "rv": 1 - within / total,
        "f": between / (k - 1) / mean_within if mean_within > 0 else math.inf,
        "rv_adj": 1 - mean_within / (total / (count - 1)),
        "omega2": (between - (k - 1) * mean_within) / (total + mean_within),
    }


def held_out_variance_reduction(
    train: Array, train_zones: Labels, test: Array, test_zones: Labels
) -> float:
    """Variance reduction on samples that had no part in the zones; may be negative. [1]

    1 - sum (z - mean of its zone in training)^2 / sum (z - mean of training)^2.
    """
    by_zone, by_mean = squared_misses(train, train_zones, test, test_zones)
    return 1 - by_zone / by_mean


def squared_misses(
    train: Array, train_zones: Labels, test: Array, test_zones: Labels
) -> tuple[float, float]:
    """Sums of squared misses on `test`: by the mean of the zone, and by the mean of all.

    A zone that holds no sample of `train` is taken at the mean of all.
    """
    train, test = np.asarray(train, dtype=float), np.asarray(test, dtype=float)
    train_zones, test_zones = np.asarray(train_zones), np.asarray(test_zones)
    overall = float(train.mean())
    mean = {zone: train[train_zones == zone].mean() for zone in np.unique(train_zones)}
    expected = np.array([mean.get(zone, overall) for zone in test_zones])
    return float(((test - expected) ** 2).sum()), float(((test - overall) ** 2).sum())


def promised_variance_reduction(
    mean: Array, variance: Array, zones: Labels, area: Array | None = None
) -> dict[str, float]:
    """What zones of a kriged surface may be expected to take off the true variance. [1]

    The surface is smoother than the soil, so the share read on it is too good: E[RV] = between /
    (sum a (mu - mean)^2 + sum a s^2), and no zoning can pass the ceiling of cell by cell.
    """
    mean = np.asarray(mean, dtype=float)
    area = np.ones(len(mean)) if area is None else np.asarray(area, dtype=float)
    seen = variance_reduction(mean, zones, area)
    true = seen["sst"] + float((area * np.asarray(variance)).sum())
    return {
        "surface": seen["rv"],
        "expected": seen["ssb"] / true,
        "ceiling": seen["sst"] / true,
    }


def indices_of(
    cell_rates: Array, mean: Array, variance: Array, zones: Labels
) -> Mapping[str, float]:
    """The indices of a zone map, for those who ask; empty where the surface is flat."""
    values, counts = np.unique(cell_rates, return_counts=True)
    count = max(2, len(np.unique(zones)))
    indices: dict[str, float] = {}
    if len(values) > count:
        weights = counts.astype(float)
        column = values[:, None]
        u, centres = fuzzy_memberships(column, count, exponent=1.5, weights=weights)
        indices |= fuzzy_indices(u, weights)
        indices["xie_beni"] = xie_beni(column, u, centres, weights)
    if len(np.unique(zones)) > 1 and mean.std() > 0:
        promised = promised_variance_reduction(mean, variance, zones)
        indices |= {f"variance_reduction_{name}": value for name, value in promised.items()}
    return indices
