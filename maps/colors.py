"""Classes and ramps with their legends: the five ramps of the tool, and the fills of the zones.

Distances between neighbours were measured in CAM02-UCS for full and missing colour vision when the
ramps were chosen; a word stands beside every colour, so that none carries meaning alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rgb = tuple[int, int, int]

RATING = {
    "very_low": "#6b3922",
    "low": "#ce8945",
    "medium": "#f7f0d2",
    "high": "#98c9f7",
    "very_high": "#686ca6",
}
HAZARD = {
    "very_low": "#f7f0d2",
    "low": "#f7f0d2",
    "medium": "#98c9f7",
    "high": "#686ca6",
    "very_high": "#35355f",
}
CHANCE = (
    (0.0, "#f4f1e6"),
    (0.1, "#cfe0da"),
    (0.3, "#9cc5c0"),
    (0.5, "#5c9ea0"),
    (0.75, "#2c7378"),
    (1.0, "#0d474e"),
)
#: ColorBrewer Purples (Brewer and Harrower), light is sure.
SURE = ("#fcfbfd", "#efedf5", "#dadaeb", "#bcbddc", "#9e9ac8", "#807dba", "#6a51a3", "#54278f")
#: Amounts without a rating table (viridis, Smith and van der Walt, matplotlib).
AMOUNT = ("#440154", "#3b528b", "#21918c", "#5ec962", "#fde725")
#: Zone fills from "none" upward; the stitches say more than the colour.
ZONE_FILLS = ("#f4ecdd", "#e5d27a", "#8fb8e3", "#5fac97", "#8f6f8e")
INK = (20, 38, 43)

#: Palette places: 0 is clear, the last is the class line, the ramp lies between.
STEPS = 62
CLEAR, LINE = 0, 63

Class = tuple[str, float | None, float | None, bool]


@dataclass(frozen=True)
class Ramp:
    """Colours over a range of values, `STEPS` of them from `low` to `high`."""

    low: float
    high: float
    colors: tuple[Rgb, ...]

    def index(self, values: Array) -> NDArray[np.uint8]:
        """Palette place of each value; 0 where there is none."""
        width = max(self.high - self.low, 1e-12)
        place = np.clip((values - self.low) / width * STEPS, 0, STEPS - 1)
        return np.where(np.isfinite(values), np.nan_to_num(place) + 1, CLEAR).astype(np.uint8)

    def palette(self) -> bytes:
        """The 64 colours as a PNG palette holds them."""
        flat = [(0, 0, 0), *self.colors, INK]
        return bytes(channel for color in flat for channel in color)


def rgb(color: str) -> Rgb:
    """The channels of a hex colour.

    Examples
    --------
    >>> rgb("#6b3922")
    (107, 57, 34)
    """
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


def blend(anchors: Sequence[tuple[float, str]], low: float, high: float) -> Ramp:
    """Ramp that passes through the anchor colours at their values, straight between them."""
    places = np.array([place for place, _ in anchors])
    channels = np.array([rgb(color) for _, color in anchors], dtype=float)
    values = low + (np.arange(STEPS) + 0.5) / STEPS * (high - low)
    mixed = np.column_stack([np.interp(values, places, channels[:, c]) for c in range(3)])
    return Ramp(low, high, tuple((int(r), int(g), int(b)) for r, g, b in mixed.round()))


def even(colors: Sequence[str], low: float, high: float) -> Ramp:
    """Ramp with its colours evenly spaced."""
    places = np.linspace(low, high, len(colors))
    return blend(list(zip(places.tolist(), colors, strict=True)), low, high)


def class_ramp(classes: Sequence[Class], sense: str, low: float, high: float) -> Ramp:
    """Rating ramp: the colour of a class at its middle, smooth between the middles."""
    colors = HAZARD if sense.startswith("hazard") else RATING
    if sense == "hazard_low":
        colors = dict(zip(RATING, reversed(list(HAZARD.values())), strict=True))
    anchors = [(_middle(one, classes), colors[one[0]]) for one in classes]
    return blend(sorted(anchors), low, high)


def classes_of_steps(ramp: Ramp, classes: Sequence[Class]) -> tuple[int, ...]:
    """Which class the middle of each step of a ramp lies in, counted from the lowest."""
    middles = ramp.low + (np.arange(STEPS) + 0.5) / STEPS * (ramp.high - ramp.low)
    limits = [high for _, _, high, _ in classes if high is not None]
    return tuple(int(place) for place in np.digitize(middles, limits))


def class_color(level: str, sense: str) -> str:
    """Colour of a class."""
    return (HAZARD if sense.startswith("hazard") else RATING)[level]


def _middle(one: Class, classes: Sequence[Class]) -> float:
    """Middle of a class; an open end is taken as wide as its neighbour is."""
    _, low, high, _ = one
    widths = [hi - lo for _, lo, hi, _ in classes if lo is not None and hi is not None]
    if low is not None and high is not None:
        return (low + high) / 2
    if low is None and high is None:
        return 0.0
    limit = high if low is None else low
    assert limit is not None
    half = (min(widths) if widths else abs(limit) / 2 or 1.0) / 2
    return limit - half if low is None else limit + half
