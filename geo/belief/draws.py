"""Belief -> draws of the whole surface at once, for everything that depends on places jointly.

Each draw picks a model by its weight, a sill, and a field that honours the samples. Draws are
spread evenly (models and sills by strata, fields in pairs of opposite sign), so a few hundred do
the work of a thousand independent ones.

A field that knows nothing of the samples is drawn at places and samples together by the Cholesky
factor of their correlation (LU simulation: Davis 1987, Mathematical Geology 19, 91-98, from
memory); what kriging misses of it is then added to the kriged map (Journel and Huijbregts 1978,
Mining Geostatistics, from memory). The factor depends on the structure alone, so all properties and
all nugget shares use the same one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geo.belief.belief import Belief
from geo.belief.nodes import correlation_of
from geo.belief.prediction import Prediction, predict
from geo.grids import Array

#: Most places whose joint covariance is factorised; more are interpolated from a coarse grid.
MOST_PLACES = 400
#: Added to the diagonal, so that a correlation of low rank can be factorised. [share of the sill]
JITTER = 1e-8
#: Cells interpolated at a time: 400 draws of them fit the cache.
TILE = 512

Draws = NDArray[np.float64] | NDArray[np.float32]


def draw(belief: Belief, places: Array, count: int, rng: np.random.Generator) -> Draws:
    """Draws of one property at places; see `Stage.draw`."""
    return set_stage({"": belief}, places).draw("", count, rng)


def set_stage(beliefs: Mapping[str, Belief], places: Array) -> Stage:
    """Prepare places for draws of the properties of one survey.

    Parameters
    ----------
    beliefs : mapping
        Key -> Belief: same frame, same models; samples may differ.
    places : array (m, 2)
        In the metric CRS. [m]
    """
    places = np.asarray(places, dtype=float)
    coarse = _coarse_grid(places) if len(places) > MOST_PLACES else None
    spots = places if coarse is None else coarse.nodes
    sites = np.unique(np.concatenate([belief.xy for belief in beliefs.values()]), axis=0)
    found = {} if coarse is None else predict(beliefs, np.concatenate([places, spots]))
    return Stage(beliefs, spots, sites, coarse, found)


@dataclass(frozen=True)
class Stage:
    """Places where any property of a survey can be drawn.

    Attributes
    ----------
    beliefs : mapping
        Key -> Belief.
    spots : array (k, 2)
        Where fields are drawn jointly: the places, or the nodes of a coarse grid. [m]
    sites : array (samples, 2)
        Sample places of all properties, each once. [m]
    coarse : _CoarseGrid or None
        How the spots are carried over to the places.
    found : mapping
        Predictions at the places and then the spots; empty without a coarse grid.
    roots, towards : dicts
        Structure -> Cholesky factor of the correlation of spots and sites, and that correlation
        between spots and sites; made when first needed.
    seen : dict
        Sample places -> their rows among the sites, and by structure y of kriging at the spots.
    lags : dict
        Azimuth -> distances between spots and sites.
    """

    beliefs: Mapping[str, Belief]
    spots: Array
    sites: Array
    coarse: _CoarseGrid | None
    found: Mapping[str, Prediction]
    roots: dict[int, Array] = field(default_factory=dict)
    towards: dict[int, Array] = field(default_factory=dict)
    seen: dict[bytes, _Seen] = field(default_factory=dict)
    lags: dict[float | None, Array] = field(default_factory=dict)

    def draw(self, key: str, count: int, rng: np.random.Generator) -> Draws:
        """Draws of a property's surface (nugget left out) on the mapped scale.

        Beyond `MOST_PLACES` places the draws are made on a coarse grid and their departure from
        the mean is carried over by bilinear interpolation; the mean itself is exact everywhere.
        Between the nodes interpolation is too smooth: what variance it loses is given back as
        independent noise, so that the share of draws below a limit is the chance the map shows, at
        every place.

        Parameters
        ----------
        key : str
        count : int
            Number of draws; an even number keeps every pair whole.

        Returns
        -------
        array (count, places)
            Single precision beyond `MOST_PLACES` places.
        """
        draws = self._at_spots(self.beliefs[key], count, rng)
        if self.coarse is None:
            return draws
        found, cells = self.found[key], len(self.coarse.corners)
        draws -= found.mean[cells:]
        # Student's t is wider than its scale.
        wanted = found.sd[:cells] ** 2 * found.degrees / (found.degrees - 2)
        return self.coarse.carry(draws, found.mean[:cells], wanted, rng)

    def _at_spots(self, belief: Belief, count: int, rng: np.random.Generator) -> Array:
        model = _models(belief.weights, count, rng)
        degrees = belief.n - 1
        chances = (rng.permutation(count) + rng.random(count)) / count
        root_sill = np.sqrt(belief.fits.sill[model] * degrees / _chi2_quantile(chances, degrees))
        noise = _opposite_pairs(count, len(self.spots) + len(self.sites) + belief.n, rng)
        draws = np.empty((count, len(self.spots)))
        # Models come in order, so the draws of one are neighbours.
        models, starts = np.unique(model, return_index=True)
        for k, start, stop in zip(models, starts, [*starts[1:], count], strict=True):
            mine = slice(start, stop)
            self._of_model(belief, int(k), root_sill[mine, None], noise[mine], draws[mine])
        return draws

    def _of_model(
        self, belief: Belief, k: int, root_sill: Array, noise: Array, draws: Array
    ) -> None:
        """Draws under one model, put into `draws`: the kriged map and what kriging misses."""
        sites, nugget = len(self.sites), float(belief.nodes.nugget_share[k])
        error = math.sqrt(nugget) * root_sill * noise[:, -belief.n :]
        if nugget == 1.0:  # no field to draw: the surface is its mean
            draws[:] = _kriged(belief, k, np.zeros((1, belief.n)), error)
            return
        index, seen = int(belief.nodes.structure[k]), self._seen(belief)
        root = self._root(belief, index)
        if index not in seen.y:
            seen.y[index] = self.towards[index][:, seen.rows] @ belief.factors.vectors[index]
        blind = noise[:, : len(root)] @ root.T
        blind *= math.sqrt(1.0 - nugget) * root_sill
        sampled = blind[:, -sites:][:, seen.rows] + error
        np.add(blind[:, :-sites], _kriged(belief, k, seen.y[index], sampled), out=draws)

    def _root(self, belief: Belief, index: int) -> Array:
        if index not in self.roots:
            both = belief.frame.centred(np.concatenate([self.spots, self.sites]))
            rho = correlation_of(
                belief.nodes.structures[index], belief.frame, both, both, self.lags
            )
            self.towards[index] = rho[: len(self.spots), len(self.spots) :].copy()
            rho[np.diag_indices(len(rho))] += JITTER
            self.roots[index] = np.asarray(np.linalg.cholesky(rho), dtype=float)
        return self.roots[index]

    def _seen(self, belief: Belief) -> _Seen:
        places = belief.xy.tobytes()
        if places not in self.seen:
            self.seen[places] = _Seen(_rows_of(self.sites, belief.xy))
        return self.seen[places]


@dataclass(frozen=True)
class _Seen:
    """Sample places that properties share: their rows among the sites, y by structure."""

    rows: NDArray[np.int64]
    y: dict[int, Array] = field(default_factory=dict)


def _kriged(belief: Belief, k: int, y: Array, sampled: Array) -> Array:
    """The samples kriged under one model, less what a blind field would give if kriged so.

    With the eigenvectors of R, y = rho'U and the scores U'z: mean + (1 - s) y (scores - mean U'1) /
    eigenvalues, for values and blind field in one product.
    """
    factors, fits = belief.factors, belief.fits
    values, ones = factors.values[k], factors.ones[k]
    scores = sampled @ factors.vectors[factors.nodes.structure[k]]
    mean = scores @ (ones / values) / factors.precision[k]
    weights = (fits.scores[k] - scores + mean[:, None] * ones) / values
    alike = 1.0 - float(factors.nodes.nugget_share[k])
    return np.asarray((fits.mean[k] - mean)[:, None] + alike * weights @ y.T, dtype=float)


def _rows_of(sites: Array, xy: Array) -> NDArray[np.int64]:
    """Row of each of `xy` in `sites`."""
    place = {tuple(site): row for row, site in enumerate(sites)}
    return np.array([place[tuple(one)] for one in xy], dtype=np.int64)


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


@dataclass(frozen=True)
class _CoarseGrid:
    """Nodes of a coarse grid around places, and how each place is interpolated from four."""

    nodes: Array
    corners: NDArray[np.int64]  # (places, 4) index of a node
    shares: Array  # (places, 4)

    def carry(
        self, draws: Array, mean: Array, variance: Array, rng: np.random.Generator
    ) -> NDArray[np.float32]:
        """Departures at the nodes (draws, nodes) carried over to the places, (draws, places).

        In single precision: its error is some 1e-7 of a value, that of a laboratory 1e-2.

        Parameters
        ----------
        mean : array (places,)
            Added to each draw.
        variance : array (places,)
            What the draws shall have: where interpolation leaves less, noise is added.
        """
        from scipy.sparse import csr_array

        places, nodes = len(self.corners), len(self.nodes)
        starts = np.arange(0, 4 * places + 1, 4)
        weights = self.shares.ravel().astype(np.float32)
        shares = csr_array((weights, self.corners.ravel(), starts), (places, nodes))
        by_node = np.ascontiguousarray(draws.T, dtype=np.float32)
        middle = mean.astype(np.float32)[:, None]
        result = np.empty((len(draws), places), dtype=np.float32)
        spare = np.empty((min(TILE, places), len(draws)), dtype=np.float32)
        for start in range(0, places, TILE):
            tile = slice(start, start + TILE)
            part = shares[tile] @ by_node
            kept = np.einsum("ij,ij->i", part, part) / len(draws) - part.mean(axis=1) ** 2
            lost = np.sqrt(np.maximum(variance[tile] - kept, 0.0))
            noise = rng.standard_normal(dtype=np.float32, out=spare[: len(part)])
            noise *= lost[:, None].astype(np.float32)
            part += noise
            part += middle[tile]
            result[:, tile] = part.T
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
