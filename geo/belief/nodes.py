"""The 38 models a belief is spread over, and the correlations they imply.

A model is a correlation structure and a nugget share s: between samples R = (1 - s) rho + s I, and
the share s is error, so that the surface itself has C = (1 - s) rho. Many models share a structure
and differ in s alone; hence a block needs no more than 21 correlation matrices, from five matrices
of distances.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.belief.frame import Frame
from geo.geostatistics.correlation import correlate, lag_m
from geo.grids import Array

#: Long over short range of the anisotropic models. [1]
STRETCH = 3.0
#: Share of a linear trend in the models that hold trend and short structure. [1]
TREND_SHARE = 0.7


@dataclass(frozen=True)
class Structure:
    """A correlation between places.

    Attributes
    ----------
    shape : str
        "spherical", "exponential" or "" (nothing but the trend).
    range_m : float
        Where the correlation ends (spherical) or has fallen to 5 % (exponential); the geometric
        mean of the long and the short range if anisotropic; NaN for the trend alone. [m]
    azimuth_deg : float or None
        Direction of the long range, clockwise from north; None if isotropic. [deg]
    trend_share : float
        Share of a linear trend with random slope. [1]
    """

    shape: str
    range_m: float
    azimuth_deg: float | None = None
    trend_share: float = 0.0


@dataclass(frozen=True)
class Node:
    """One model; its family is "nugget", "isotropic", "trend" or "anisotropic"."""

    family: str
    structure: int
    nugget_share: float
    prior: float


@dataclass(frozen=True)
class Nodes:
    """All models of a block: the structures, and for each model its structure, share and prior."""

    structures: tuple[Structure, ...]
    nodes: tuple[Node, ...]

    @property
    def structure(self) -> NDArray[np.int64]:
        """Index of each model's structure."""
        return np.array([node.structure for node in self.nodes], dtype=np.int64)

    @property
    def nugget_share(self) -> Array:
        """Nugget share of each model. [1]"""
        return np.array([node.nugget_share for node in self.nodes])

    @property
    def prior(self) -> Array:
        """Prior probability of each model; they sum to one."""
        return np.array([node.prior for node in self.nodes])

    @property
    def range_m(self) -> Array:
        """Range of each model; NaN for pure nugget and for the trend alone. [m]"""
        return np.array(
            [
                math.nan if node.family == "nugget" else self.structures[node.structure].range_m
                for node in self.nodes
            ]
        )

    def family(self, name: str) -> NDArray[np.bool_]:
        """Which models belong to a family."""
        return np.array([node.family == name for node in self.nodes])


def standard_nodes(frame: Frame) -> Nodes:
    """The models of a block: pure nugget, 15 isotropic, 6 with a trend, 16 anisotropic.

    Ranges scale with the block (`Frame.scale_m`), directions with its reference azimuth.
    """
    structures: list[Structure] = []
    nodes: list[Node] = []

    def add(family: str, structure: Structure, share: float, prior: float) -> None:
        if structure not in structures:
            structures.append(structure)
        nodes.append(Node(family, structures.index(structure), share, prior))

    # With the whole variance as nugget the structure has no say; the first one stands in.
    scale = frame.scale_m
    add("nugget", Structure("spherical", 0.1 * scale), 1.0, 0.15)
    for structure, share, prior in _isotropic(scale):
        add("isotropic", structure, share, prior)
    for part in (0.2, 0.6):
        for share in (0.2, 0.5):
            structure = Structure("spherical", part * scale, trend_share=TREND_SHARE)
            add("trend", structure, share, 0.85 * 0.15 * 0.75 / 4)
    for share in (0.3, 0.6):
        add("trend", Structure("", math.nan, trend_share=1.0), share, 0.85 * 0.15 * 0.25 / 2)
    for turn in (0.0, 45.0, 90.0, 135.0):
        azimuth = (frame.azimuth_deg + turn) % 180.0
        for part in (0.25, 0.6):
            for share in (0.2, 0.5):
                structure = Structure("spherical", part * scale, azimuth)
                add("anisotropic", structure, share, 0.85 * 0.20 / 16)
    return Nodes(tuple(structures), tuple(nodes))


def _isotropic(scale: float) -> Iterator[tuple[Structure, float, float]]:
    """Five ranges by three shares, spherical and exponential in turn like a chequered board."""
    cells = []
    for i in range(5):
        part = 0.1 * 14.0 ** (i / 4)
        for j, share in enumerate((0.15, 0.40, 0.65)):
            shape = "spherical" if (i + j) % 2 == 0 else "exponential"
            liking = math.exp(-0.5 * (math.log(part / 0.35) / 0.6) ** 2) * share * (1 - share)
            cells.append((Structure(shape, part * scale), share, liking))
    total = sum(liking for _, _, liking in cells)
    for structure, share, liking in cells:
        yield structure, share, 0.85 * 0.65 * liking / total


def correlations(nodes: Nodes, frame: Frame, a: Array, b: Array) -> Iterator[Array]:
    """Correlation of places `a` with places `b` under each structure in turn.

    Parameters
    ----------
    a, b : array (m, 2), (n, 2)
        Centred places, as `Frame.centred` gives them. [m]

    Yields
    ------
    array (m, n)
        One structure's; use it before asking for the next, which is made in the same memory.
    """
    trend = _trend(frame, a, b)
    lags: dict[float | None, Array] = {}
    rho, spare = np.empty_like(trend), np.empty_like(trend)
    for structure in nodes.structures:
        if not structure.shape:
            yield trend
            continue
        azimuth = structure.azimuth_deg
        if azimuth not in lags:
            lags[azimuth] = _lag_m(structure, a, b, spare)
        np.multiply(lags[azimuth], 1.0 / _distance_parameter_m(structure), out=rho)
        yield _with_trend(structure, correlate(structure.shape, rho, spare), trend)


def correlation_of(
    structure: Structure,
    frame: Frame,
    a: Array,
    b: Array,
    lags: dict[float | None, Array] | None = None,
) -> Array:
    """Correlation of centred places `a` with `b` under one structure, shape (m, n).

    `lags` keeps the distances by azimuth from one structure to the next of the same places.
    """
    trend = _trend(frame, a, b)
    if not structure.shape:
        return trend
    lags = {} if lags is None else lags
    if structure.azimuth_deg not in lags:
        lags[structure.azimuth_deg] = _lag_m(structure, a, b)
    reach = lags[structure.azimuth_deg] / _distance_parameter_m(structure)
    return _with_trend(structure, correlate(structure.shape, reach, np.empty_like(reach)), trend)


def _trend(frame: Frame, a: Array, b: Array) -> Array:
    """Correlation under a linear trend alone: 12 a.b / scale^2, on average 1 over the block."""
    trend: Array = (12.0 / frame.scale_m**2) * (a @ b.T)
    return trend


def _lag_m(structure: Structure, a: Array, b: Array, spare: Array | None = None) -> Array:
    """Distances as the structure counts them: along its azimuth, or the same all round. [m]"""
    if structure.azimuth_deg is None:
        return lag_m(a, b, spare=spare)
    return lag_m(a, b, structure.azimuth_deg, 1.0 / STRETCH, spare=spare)


def _distance_parameter_m(structure: Structure) -> float:
    """What distance is divided by: the exponential has fallen to e^-3 at the range. [m]"""
    along = 1.0 if structure.azimuth_deg is None else math.sqrt(STRETCH)
    return along * structure.range_m / (3.0 if structure.shape == "exponential" else 1.0)


def _with_trend(structure: Structure, rho: Array, trend: Array) -> Array:
    if structure.trend_share:
        rho *= 1.0 - structure.trend_share
        rho += structure.trend_share * trend
    return rho


def own_correlation(nodes: Nodes, frame: Frame, places: Array) -> Array:
    """Correlation of each centred place with itself by structure, shape (structures, places).

    One without a trend; with it, larger toward the edges of the block.
    """
    trend = (12.0 / frame.scale_m**2) * np.sum(places * places, axis=1)
    share = np.array([structure.trend_share for structure in nodes.structures])
    own: Array = (1.0 - share)[:, None] + share[:, None] * trend
    return own
