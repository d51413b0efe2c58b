"""Simulated soil surveys whose truth is known.

Blocks of 2, 3 and 4 ha, k-means designs with 5 m jitter, six properties correlated 0.3 through a
common factor, total variance 1; ranges vary by 0.2 (log sd) and nugget shares by 0.08 from one
property to the next. A survey has one direction: its slope, its step and its long range follow the
lie of the land, whatever is measured. Cells of 12.5 m carry the surface without its nugget.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.cluster.vq import kmeans2

from geo.geostatistics.correlation import correlation, lag_m

SIDES = ((100.0, 200.0), (150.0, 200.0), (200.0, 200.0))
#: Of every two properties.
CORRELATION = 0.3
#: Distance at which 5 % of the correlation is left, over the range parameter. [1]
REACH = {"spherical": 1.0, "exponential": 3.0, "matern32": 4.744}


@dataclass(frozen=True)
class Kind:
    """How one property varies.

    `nugget` and `slope` are shares of a variance of 1, `step` is a height; the rest is a random
    field of the given shape and range (geometric mean of the long and the short one).
    """

    nugget: float
    range_m: float = 90.0
    shape: str = "spherical"
    slope: float = 0.0
    step: float = 0.0
    stretch: float = 1.0

    @property
    def flat(self) -> bool:
        """Whether there is no pattern at all."""
        return self.nugget == 1.0

    @property
    def random_share(self) -> float:
        """Variance of the random field; a step cuts the block in about half: step^2 / 4."""
        return max(0.0, 1.0 - self.nugget - self.slope - self.step**2 / 4)

    def random_field(self, places: np.ndarray, azimuth_deg: float, mix: np.ndarray) -> np.ndarray:
        """A field of this shape from standard normal numbers, one a place."""
        if self.random_share < 1e-3:
            return np.zeros(len(places))
        reach = lag_m(places, places, azimuth_deg, 1.0 / self.stretch)
        reach *= REACH[self.shape] / (self.range_m * math.sqrt(self.stretch))
        together = self.random_share * correlation(self.shape, reach)
        return np.linalg.cholesky(together + 1e-8 * np.eye(len(places))) @ mix

    def ordered(self, along_m: np.ndarray, side: tuple[float, float]) -> np.ndarray:
        """Slope and step by the distance along the survey's direction from the middle. [m]"""
        sd_m = math.sqrt((side[0] ** 2 + side[1] ** 2) / 24.0)
        return math.sqrt(self.slope) * along_m / sd_m + self.step * (along_m > 0)


def vary(kind: Kind, rng: np.random.Generator) -> Kind:
    """The same kind for one property: its own range and nugget."""
    nugget, range_m = kind.nugget, kind.range_m * math.exp(0.2 * rng.standard_normal())
    if not (kind.flat or kind.slope or kind.step):
        nugget = float(np.clip(nugget + 0.08 * rng.standard_normal(), 0.02, 0.95))
    return replace(kind, nugget=nugget, range_m=range_m)


Family = Callable[[np.random.Generator], list[Kind]]
NUGGET = Kind(1.0)


def structured(rng: np.random.Generator) -> list[Kind]:
    """Six alike: spherical 60, 90 or 120 m, nugget share 0.2, 0.4 or 0.6."""
    return [Kind(float(rng.choice([0.2, 0.4, 0.6])), float(rng.choice([60, 90, 120])))] * 6


def mixed(patterned: int) -> Family:
    """So many of six structured, the others noise."""

    def family(rng: np.random.Generator) -> list[Kind]:
        one = Kind(float(rng.choice([0.2, 0.4])), float(rng.choice([60, 90, 120])))
        return [one] * patterned + [NUGGET] * (6 - patterned)

    return family


def anisotropic(rng: np.random.Generator) -> list[Kind]:
    """Spherical 80 m, three times as long one way as the other."""
    return [Kind(float(rng.choice([0.2, 0.4])), 80.0, stretch=3.0)] * 6


def always(*kinds: Kind) -> Family:
    """A family without choice: one kind for all six properties, or one for each."""
    return lambda _: list(kinds) * (6 // len(kinds))


FAMILIES: dict[str, Family] = {
    "structured": structured,
    "rough": always(Kind(0.3, 120.0, "exponential")),
    "smooth": always(Kind(0.3, 120.0, "matern32")),
    "unequal ranges": always(*(Kind(0.4, a) for a in (25.0, 40.0, 60.0, 90.0, 150.0, 300.0))),
    "mixed 3 of 6": mixed(3),
    "one nugget of six": mixed(5),
    "one structured of six": mixed(1),
    "trend + residual": always(Kind(0.30, 60.0, slope=0.45)),
    "pure trend": always(Kind(0.4, slope=0.6)),
    "step": always(Kind(0.45, step=1.34)),
    "anisotropic": anisotropic,
    "short": always(Kind(0.4, 25.0)),
    "pure nugget": always(NUGGET),
}


@dataclass(frozen=True)
class Survey:
    """One survey: samples, cells, values and truths by property."""

    side: tuple[float, float]
    xy: np.ndarray
    cells: np.ndarray
    samples: np.ndarray
    truth: np.ndarray
    kinds: list[Kind]


def design(side: tuple[float, float], n: int, rng: np.random.Generator) -> np.ndarray:
    """Spread samples: centres of n compact parts of the block, moved by 5 m."""
    grid = cells_of(side, 10.0)
    start = grid[rng.choice(len(grid), n, replace=False)]
    centres, _ = kmeans2(grid, start, iter=15, minit="matrix", missing="warn")
    return np.clip(centres + 5.0 * rng.standard_normal((n, 2)), 0.5, np.array(side) - 0.5)


def cells_of(side: tuple[float, float], spacing: float) -> np.ndarray:
    """Centres of the cells of a block."""
    axes = [np.arange(spacing / 2, length, spacing) for length in side]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


def surveys(family: Family, n: int, count: int, seed: int) -> Iterator[Survey]:
    """Surveys of a family; each has its own design, block, direction and fields."""
    for index in range(count):
        rng = np.random.default_rng([seed, n, index])
        side = SIDES[index % len(SIDES)]
        xy, cells = design(side, n, rng), cells_of(side, 12.5)
        both = np.concatenate([xy, cells])
        azimuth_deg = rng.uniform(0.0, 360.0)
        turn = math.radians(azimuth_deg)
        along = (both - np.array(side) / 2) @ np.array([math.sin(turn), math.cos(turn)])
        kinds = [vary(kind, rng) for kind in family(rng)]
        common, noise = rng.standard_normal(len(both)), rng.standard_normal(n)
        samples, truth = [], []
        for kind in kinds:
            field = kind.random_field(both, azimuth_deg, _share(common, rng))
            field = field + kind.ordered(along, side)
            # Of pure nugget nothing is left once the nugget is out.
            samples.append(field[:n] + math.sqrt(kind.nugget) * _share(noise, rng))
            truth.append(field[n:])
        yield Survey(side, xy, cells, np.array(samples), np.array(truth), kinds)


def _share(common: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Standard normal numbers correlated with those of the other properties."""
    own = rng.standard_normal(len(common))
    return math.sqrt(CORRELATION) * common + math.sqrt(1 - CORRELATION) * own
