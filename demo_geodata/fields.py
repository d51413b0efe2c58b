"""The invented soil: outlines, hidden fields and the true surfaces of both seasons.

Positions are local metres, x east and y north of 20 E, 33.97 S. Random numbers come from
`RandomState`, whose stream NumPy has frozen (NEP 19); each field has a seed of its own, so that
another analyte never disturbs the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from numpy.random import RandomState
from shapely import contains_xy
from shapely.geometry import Polygon

Floats = npt.NDArray[np.float64]

BASE = 20311
WAVES = 600
LOCAL = "+proj=tmerc +lat_0=-33.97 +lon_0=20 +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m +no_defs"
NAMES = {"A": "Poel", "B": "Knieë", "C": "Werfie"}
NUMBER = {"A": 0, "B": 1, "C": 2}
ROW_AZIMUTH_DEG = 25.0
STRIP_HALF_WIDTH_M = 7.2

# fmt: off
POND = [
    (-180.6, 73.9), (-184.8, 79.7), (-192.1, 83.3), (-201.4, 84.0), (-211.2, 81.9), (-220.0, 77.2),
    (-226.6, 70.7), (-229.9, 63.2), (-229.4, 56.1), (-225.2, 50.3), (-217.9, 46.7), (-208.6, 46.0),
    (-198.8, 48.1), (-190.0, 52.8), (-183.4, 59.3), (-180.1, 66.8),
]
OUTLINE = {
    "A": Polygon([(-362, -38), (-331, 152), (-214, 216), (-68, 204), (-41, 62), (-64, -72),
                  (-208, -97)], [POND]),
    "B": Polygon([(-20, -205), (246, -211), (244, -124), (57, -118), (55, 34), (-22, 30)]),
    "C": Polygon([(121, 18), (192, 24), (189, 81), (117, 76)]),
}
# fmt: on


@dataclass(frozen=True)
class Analyte:
    """How one analyte varies; `centre` and `sigma` hold one number for each of the blocks A, B, C.

    `load_t`, `load_e`, `load_q` are its shares of texture, elevation and acidity, `nugget` the
    share of micro-scale noise and `noise` the laboratory's sd (pH) or coefficient of variation.
    """

    scale: str
    centre: tuple[float, float, float]
    sigma: tuple[float, float, float]
    load_t: float
    load_e: float
    load_q: float
    model: str
    range_m: float
    nugget: float
    noise: float


# fmt: off
ANALYTES = {
    "ph_w": Analyte("id", (5.55, 6.55, 7.75), (.42, .38, .22), .35, -.30, 0, "exp", 150, .12, .06),
    "oc": Analyte("log", (.95, 1.05, 2.1), (.28, .25, .22), .45, -.35, 0, "exp", 110, .15, .06),
    "p": Analyte("log", (16, 38, 125), (.45, .40, .40), -.10, -.15, 0, "exp", 75, .35, .08),
    "k": Analyte("log", (95, 78, 310), (.35, .38, .30), .60, -.10, 0, "exp", 120, .20, .05),
    "ca": Analyte("log", (620, 980, 2600), (.32, .28, .20), .50, -.20, .45, "mat", 150, .10, .05),
    "mg": Analyte("log", (62, 185, 260), (.35, .30, .22), .55, -.25, .20, "mat", 150, .12, .05),
    "na": Analyte("log", (28, 165, 60), (.40, .45, .25), .30, -.60, 0, "exp", 130, .15, .06),
    "s": Analyte("log", (9, 24, 20), (.40, .40, .35), .20, -.30, 0, "exp", 60, .45, .12),
    "zn": Analyte("log", (.75, 1.3, 7.5), (.50, .45, .40), 0, 0, -.30, "exp", 60, .40, .10),
    "b": Analyte("log", (.32, .62, .95), (.32, .30, .25), .50, -.10, 0, "exp", 120, .20, .10),
    "fe": Analyte("log", (48, 26, 9), (.35, .35, .30), .05, -.20, -.55, "exp", 90, .30, .09),
    "mn": Analyte("log", (21, 12, 4.5), (.45, .42, .35), -.10, 0, -.60, "mat", 120, .20, .08),
    "cu": Analyte("log", (1.1, 2.4, 3.2), (.60, .55, .50), 0, 0, 0, "exp", 30, .90, .08),
}
# fmt: on
INDEX = {name: i for i, name in enumerate(ANALYTES)}


def lattice(polygon: Polygon, step_m: float = 5.0) -> Floats:
    """Cell centres at ..., -2.5, 2.5, 7.5, ... that fall inside an outline."""
    x0, y0, x1, y1 = polygon.bounds
    xs = np.arange(math.floor(x0 / step_m) * step_m + step_m / 2, x1, step_m)
    ys = np.arange(math.floor(y0 / step_m) * step_m + step_m / 2, y1, step_m)
    x, y = (a.ravel() for a in np.meshgrid(xs, ys))
    inside = contains_xy(polygon, x, y)
    return np.asarray(np.c_[x[inside], y[inside]])


class Field:
    """A unit-variance Gaussian field by random Fourier features (Rahimi & Recht 2007).

    It is centred in each block and scaled over the farm; `ratio` shortens the range across `az`.
    """

    def __init__(
        self, seed: int, model: str, range_m: float, ratio: float = 1.0, az: float = 0.0
    ) -> None:
        draws = RandomState(seed)
        u, angle = draws.random_sample(WAVES), 2 * math.pi * draws.random_sample(WAVES)
        self._phase = 2 * math.pi * draws.random_sample(WAVES)
        if model == "exp":  # exp(-3 h / range)
            k = np.sqrt((1 - u) ** -2 - 1) / (range_m / 3.0)
        else:  # Matern 3/2
            k = math.sqrt(3) / (range_m / 2.74) * np.sqrt((1 - u) ** (-2 / 3) - 1)
        k = np.minimum(k, 2 * math.pi)  # no wavelength under 1 m
        self._kx, self._ky = k * np.cos(angle), k * np.sin(angle)
        self._ratio, self._az = ratio, math.radians(az)
        raw = {b: self._raw(lattice(p)) for b, p in OUTLINE.items()}
        self._mean = {b: values.mean() for b, values in raw.items()}
        self._sd = np.concatenate([values - self._mean[b] for b, values in raw.items()]).std()

    def _raw(self, xy: Floats) -> Floats:
        x, y = xy[:, 0], xy[:, 1]
        along = x * math.sin(self._az) + y * math.cos(self._az)
        across = (x * math.cos(self._az) - y * math.sin(self._az)) * self._ratio
        waves = np.cos(np.outer(along, self._kx) + np.outer(across, self._ky) + self._phase)
        return np.asarray(math.sqrt(2.0 / WAVES) * waves.sum(1))

    def __call__(self, xy: Floats, block: str) -> Floats:
        """Values at points of a block."""
        return np.asarray((self._raw(xy) - self._mean[block]) / self._sd)


def elevation_m(xy: Floats) -> Floats:
    """Metres above sea level: a slope, a knoll in the north-west, a hollow in the south-east."""
    x, y = xy[:, 0], xy[:, 1]
    knoll = 5.0 * np.exp(-((x + 300) ** 2 + (y - 130) ** 2) / (2 * 70.0**2))
    hollow = 3.0 * np.exp(-((x + 60) ** 2 + (y + 90) ** 2) / (2 * 80.0**2))
    return np.asarray(214 + 0.030 * y - 0.018 * x + knoll - hollow)


def lime_rate_t_ha(xy: Floats) -> Floats:
    """Lime of 2024 in block A as really spread: three bands and a check strip along the rows."""
    x, y = xy[:, 0], xy[:, 1]
    rate = np.where(x < -230, 3.2, np.where(x < -130, 1.6, 0.0))
    az = math.radians(ROW_AZIMUTH_DEG)
    off = np.abs((x + 285) * math.cos(az) - (y - 60) * math.sin(az))
    return np.where(off < STRIP_HALF_WIDTH_M, 0.0, rate)


class Soil:
    """The true soil of the farm."""

    def __init__(self) -> None:
        self.texture = Field(BASE + 1, "mat", 200.0, 1.8, 70.0)
        self.own = {
            n: Field(BASE + 100 + INDEX[n], a.model, a.range_m) for n, a in ANALYTES.items()
        }
        self.drift = {n: Field(BASE + 300 + i, "exp", 60.0) for n, i in INDEX.items()}

    @cached_property
    def _elevation(self) -> tuple[dict[str, float], float]:
        heights = {b: elevation_m(lattice(p)) for b, p in OUTLINE.items()}
        means = {b: float(h.mean()) for b, h in heights.items()}
        return means, float(np.concatenate([h - means[b] for b, h in heights.items()]).std())

    def elevation(self, xy: Floats, block: str) -> Floats:
        """Standardised elevation."""
        means, sd = self._elevation
        return (elevation_m(xy) - means[block]) / sd

    def clay_pct(self, xy: Floats, block: str) -> Floats:
        """Clay. [%]"""
        return np.clip(17 + 6 * self.texture(xy, block), 5, 45)

    def truth(self, name: str, xy: Floats, block: str, year: int) -> Floats:
        """The surface without noise, in natural units; year 1 is 2024, year 2 is 2025."""
        a, number = ANALYTES[name], NUMBER[block]
        own = math.sqrt(max(0, 1 - a.load_t**2 - a.load_e**2 - a.load_q**2 - a.nugget))
        score = a.sigma[number] * (
            a.load_t * self.texture(xy, block)
            + a.load_e * self.elevation(xy, block)
            + a.load_q * self.own["ph_w"](xy, block)
            + own * self.own[name](xy, block)
        )
        if year == 2:
            score = score + 0.12 * a.sigma[number] * self.drift[name](xy, block)
        centre = a.centre[number]
        z = centre + score if a.scale == "id" else centre * np.exp(score)
        return self._treated(name, z, xy, block) if year == 2 else z

    def _treated(self, name: str, z: Floats, xy: Floats, block: str) -> Floats:
        """What the amendments of 2024 and the season did."""
        foot = xy[:, 0] > 57
        if block == "A" and name == "ph_w":
            z = z + 0.24 * lime_rate_t_ha(xy) * (1 - 0.012 * (self.clay_pct(xy, block) - 15))
        if block == "A" and name == "ca":
            z = z + 129.5 * lime_rate_t_ha(xy)
        if block == "B" and name == "na":
            z = z * np.where(foot, 0.76, 1.0)
        gains: dict[tuple[str, str], Floats | float] = {
            ("B", "ca"): np.where(foot, 219.0, 0.0),
            ("B", "s"): np.where(foot, 60.0, 8.0),
            ("B", "k"): np.where(foot, 0.0, 34.6),
            ("C", "ph_w"): -0.30,
            ("C", "s"): 95.0,
        }
        z = z + gains.get((block, name), 0.0)
        if name == "ph_w":
            z = z - 0.08  # drier autumn
        return z * 0.97 if name == "k" else z  # crop removal

    def noises(self, name: str, count: int, block: str, year: int) -> tuple[Floats, Floats]:
        """Micro-scale and laboratory noise, standard normal."""
        draws = RandomState(BASE + 1000 * year + 10 * INDEX[name] + NUMBER[block])
        return draws.standard_normal(count), draws.standard_normal(count)

    def in_bag(self, name: str, xy: Floats, block: str, year: int) -> Floats:
        """What the samples hold: the surface with micro-scale noise."""
        a = ANALYTES[name]
        micro, _ = self.noises(name, len(xy), block, year)
        e = math.sqrt(a.nugget) * a.sigma[NUMBER[block]] * micro
        z = self.truth(name, xy, block, year)
        return z + e if a.scale == "id" else np.asarray(z * np.exp(e))

    def measure(self, name: str, xy: Floats, block: str, year: int) -> Floats:
        """What the laboratory finds, unrounded."""
        _, lab = self.noises(name, len(xy), block, year)
        return with_lab_noise(name, self.in_bag(name, xy, block, year), lab)


def with_lab_noise(name: str, value: Floats, normal: Floats) -> Floats:
    """Laboratory noise on a value: additive for pH, multiplicative for the rest."""
    a = ANALYTES[name]
    return value + a.noise * normal if a.scale == "id" else value * (1 + a.noise * normal)


@lru_cache(maxsize=1)
def soil() -> Soil:
    """The one soil of the farm; building its fields takes a second or two."""
    return Soil()
