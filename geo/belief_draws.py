"""Belief -> draws of the whole surface at once, for everything that depends on places jointly.

Each draw picks a model by its weight, a sill, and a field that honours the samples. Draws are
spread evenly (models and sills by strata, fields in pairs of opposite sign), so a few hundred do
the work of a thousand independent ones. LU simulation: Davis (1987), Mathematical Geology 19, 91-98
(from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.belief import Belief, Factors, Fits
from geo.grids import Array
from geo.nodes import correlations
from geo.prediction import predict

#: Most places whose joint covariance is factorised; more are interpolated from a coarse grid.
MOST_PLACES = 400
#: Added to the diagonal, so that a covariance of low rank can be factorised. [share of the sill]
JITTER = 1e-8


def draw(belief: Belief, places: Array, count: int, rng: np.random.Generator) -> Array:
    """Draws of the surface (nugget left out) on the mapped scale.

    Beyond `MOST_PLACES` places the draws are made on a coarse grid and their departure from the
    mean is carried over by bilinear interpolation; the mean itself is exact everywhere. Between the
    nodes interpolation is too smooth: what variance it loses is given back as independent noise, so
    that the share of draws below a limit is the chance the map shows, at every place.

    Parameters
    ----------
    places : array (m, 2)
        In the metric CRS. [m]
    count : int
        Number of draws; an even number keeps every pair whole.

    Returns
    -------
    array (count, m)
    """
    places = np.asarray(places, dtype=float)
    if len(places) <= MOST_PLACES:
        return _draw_at(belief, places, count, rng)
    coarse = _coarse_grid(places)
    everywhere = np.concatenate([places, coarse.nodes])
    found = predict({"": belief}, everywhere, least_weight=0.0)[""]
    mean, sd = found.mean[: len(places)], found.sd[: len(places)]
    draws = coarse.interpolate(
        _draw_at(belief, coarse.nodes, count, rng) - found.mean[len(places) :]
    )
    # Student's t is wider than its scale.
    wanted = sd**2 * found.degrees / (found.degrees - 2)
    lost = np.sqrt(np.maximum(wanted - draws.var(axis=0), 0.0))
    for one in draws:
        one += mean + lost * rng.standard_normal(len(places))
    return draws


def _draw_at(belief: Belief, places: Array, count: int, rng: np.random.Generator) -> Array:
    model = _models(belief.weights, count, rng)
    degrees = belief.n - 1
    chances = (rng.permutation(count) + rng.random(count)) / count
    noise = _opposite_pairs(count, len(places), rng)
    fits = belief.fits
    root_sill = np.sqrt(fits.sill[model] * degrees / _chi2_quantile(chances, degrees))
    draws = np.empty((count, len(places)))
    there, samples = belief.frame.centred(places), belief.frame.centred(belief.xy)
    both = np.concatenate([samples, there])
    for structure, rho in enumerate(correlations(belief.nodes, belief.frame, there, both)):
        cross, own = rho[:, : belief.n], rho[:, belief.n :]
        for k in np.unique(model[belief.nodes.structure[model] == structure]):
            mean, root = _conditional(belief.factors, fits, int(k), cross, own)
            mine = model == k
            draws[mine] = mean + root_sill[mine, None] * (noise[mine] @ root.T)
    return draws


def _models(weights: Array, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Model of each draw, by systematic sampling of the weights with one random start."""
    points = (np.arange(count) + rng.random()) / count
    cumulative = np.cumsum(weights)
    return np.searchsorted(cumulative / cumulative[-1], points, side="right").astype(np.int64)


def _opposite_pairs(count: int, places: int, rng: np.random.Generator) -> Array:
    """Standard normal numbers in pairs of opposite sign, one row a draw."""
    half = rng.standard_normal(((count + 1) // 2, places))
    pairs = np.empty((2 * len(half), places))
    pairs[0::2], pairs[1::2] = half, -half
    return pairs[:count]


def _chi2_quantile(chances: Array, degrees: int) -> Array:
    from scipy.special import chdtri

    quantile: Array = np.asarray(chdtri(degrees, 1.0 - chances), dtype=float)
    return quantile


def _conditional(
    factors: Factors, fits: Fits, k: int, cross: Array, own: Array
) -> tuple[Array, Array]:
    """Mean of the surface under one model, and a root of its covariance over the sill."""
    share = 1.0 - float(factors.nodes.nugget_share[k])
    values = factors.values[k]
    y = share * (cross @ factors.vectors[factors.nodes.structure[k]])
    mean = fits.mean[k] + y @ (fits.scores[k] / values)
    drift = (1.0 - y @ (factors.ones[k] / values)) / math.sqrt(factors.precision[k])
    covariance = share * own - (y / values) @ y.T + np.outer(drift, drift)
    covariance[np.diag_indices(len(covariance))] += JITTER
    return mean, np.linalg.cholesky(covariance)


@dataclass(frozen=True)
class _CoarseGrid:
    """Nodes of a coarse grid around places, and how each place is interpolated from four."""

    nodes: Array
    corners: NDArray[np.int64]  # (places, 4) index of a node
    shares: Array  # (places, 4)

    def interpolate(self, values: Array) -> Array:
        """Values at the nodes (draws, nodes) carried over to the places, (draws, places)."""
        result = np.empty((len(values), len(self.corners)))
        # One draw at a time, so that nothing as large as the result is made on the way.
        for draw_index, nodes in enumerate(values):
            result[draw_index] = np.sum(nodes[self.corners] * self.shares, axis=1)
        return result


def _coarse_grid(places: Array) -> _CoarseGrid:
    """Finest square grid that needs no more than `MOST_PLACES` nodes around the places."""
    low, high = places.min(axis=0), places.max(axis=0)
    spacing = max(float(np.max(high - low)) / MOST_PLACES, 1e-6)
    while True:
        grid = _grid_of(places, low, spacing)
        if len(grid.nodes) <= MOST_PLACES:
            return grid
        spacing *= max(1.02, math.sqrt(len(grid.nodes) / MOST_PLACES) * 0.98)


def _grid_of(places: Array, low: Array, spacing: float) -> _CoarseGrid:
    steps = (places - low) / spacing
    base = np.floor(steps).astype(np.int64)
    right, up = (steps - base).T
    columns = int(base[:, 0].max()) + 2
    offsets = np.array([0, 1, columns, columns + 1])
    codes = (base[:, 1] * columns + base[:, 0])[:, None] + offsets
    used, corners = np.unique(codes, return_inverse=True)
    shares = np.stack(
        [(1 - right) * (1 - up), right * (1 - up), (1 - right) * up, right * up], axis=1
    )
    nodes = low + spacing * np.stack([used % columns, used // columns], axis=1)
    return _CoarseGrid(nodes, corners.reshape(codes.shape), shares)
