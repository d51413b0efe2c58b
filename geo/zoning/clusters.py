"""Weighted k-means and fuzzy c-means of cells, for zones that serve several materials at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array

Labels = NDArray[np.int64]


def weighted_kmeans(
    x: Array, count: int, weights: Array, rng: np.random.Generator, *, starts: int = 10
) -> tuple[Labels, float]:
    """Labels of least weighted sum of squared distances to the centres, and that sum.

    The best of several starts, each spread out by drawing centres with a chance that grows with
    the squared distance to those there are.
    """
    best: tuple[Labels, float] | None = None
    for _ in range(starts):
        centres = _spread_out(x, count, weights, rng)
        labels = np.full(len(x), -1)
        while True:
            distance = _squared(x, centres)
            new = np.argmin(distance, axis=1)
            if np.array_equal(new, labels):
                break
            labels = new
            for k in np.unique(labels):
                mine = labels == k
                centres[k] = np.average(x[mine], axis=0, weights=weights[mine])
        total = float((weights * distance[np.arange(len(x)), labels]).sum())
        if best is None or total < best[1]:
            best = labels, total
    assert best is not None
    return best


def fuzzy_memberships(
    x: Array,
    count: int,
    *,
    exponent: float,
    weights: Array | None = None,
    most_rounds: int = 500,
) -> tuple[Array, Array]:
    """Memberships (n, count) and centres of weighted fuzzy c-means (Bezdek 1981; from memory).

    u_ik = D_ik^(-1/(m-1)) / sum_l D_il^(-1/(m-1)), v_k = sum w u^m x / sum w u^m; started from
    places spread over the first principal axis, so the same cells give the same answer.
    """
    x = np.asarray(x, dtype=float)
    weights = np.ones(len(x)) if weights is None else weights
    centres = _along_first_axis(x, count)
    for _ in range(most_rounds):
        u = _memberships(_squared(x, centres), exponent)
        pull = weights[:, None] * u**exponent
        new = (pull.T @ x) / pull.sum(axis=0)[:, None]
        shift = float(np.abs(new - centres).max())
        centres = new
        if shift < 1e-10 * max(1.0, float(np.abs(x).max())):
            break
    return _memberships(_squared(x, centres), exponent), centres


def mahalanobis(difference: Array, covariance: Array) -> Array:
    """Squared Mahalanobis length of each row. [1]"""
    white = np.linalg.solve(np.linalg.cholesky(covariance), np.atleast_2d(difference).T)
    return np.asarray((white**2).sum(axis=0))


def _squared(x: Array, centres: Array) -> Array:
    return np.asarray(((x[:, None] - centres) ** 2).sum(axis=2))


def _memberships(distance: Array, exponent: float) -> Array:
    # Ratios to the nearest: powers of the distances themselves overflow for exponents under 2.
    nearest = distance.min(axis=1, keepdims=True)
    ratio = np.where(distance > 0, nearest / np.where(distance > 0, distance, 1.0), 1.0)
    pull = ratio ** (1 / (exponent - 1))
    return np.asarray(pull / pull.sum(axis=1, keepdims=True))


def _along_first_axis(x: Array, count: int) -> Array:
    """Starting centres: the cells at even shares of the first principal axis."""
    centred = x - x.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    order = np.argsort(centred @ axes[0], kind="stable")
    middle = ((np.arange(count) + 0.5) / count * len(x)).astype(int)
    return np.array(x[order[middle]])


def _spread_out(x: Array, count: int, weights: Array, rng: np.random.Generator) -> Array:
    chosen = [int(rng.choice(len(x), p=weights / weights.sum()))]
    for _ in range(count - 1):
        chance = weights * _squared(x, x[chosen]).min(axis=1)
        if chance.sum() == 0:
            chance = weights
        chosen.append(int(rng.choice(len(x), p=chance / chance.sum())))
    return np.array(x[chosen])
