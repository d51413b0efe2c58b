"""CheckedSamples + Block -> Surfaces: kriged, clipped, each with its doubt, its verdict and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geo.belief import Belief
from geo.crossvalidation import CrossValidation
from geo.grids import Array, Grid


@dataclass(frozen=True)
class Surface:
    """What is believed of one property over one block.

    Attributes
    ----------
    key, unit, method : str
    grid : Grid
        North-up.
    estimate, kriging_sd : array (rows, columns)
        In the house unit; for a property mapped on logs the estimate is exp(mean) (the median) and
        the sd is that of the logs times the estimate. NaN outside the block. [unit]
    low, high : array (rows, columns)
        Two in three. [unit]
    chance_wrong_side : array (rows, columns) or None
        Chance of lying on the wrong side of the critical level; None where none is published.
    critical, side : float or None, str
        The critical level and which side of it is trouble ("below" or "above").
    logs : bool
        Mapped on the log scale.
    belief : Belief or None
        Models with their weights; None where there was nothing to believe (all equal, under 10).
    crossvalidation : CrossValidation or None
    verdict : str
        "useful", "weak" or "none".
    why : str
        The verdict in a plain sentence with its numbers.
    n : int
        Samples used.
    mean, mean_low, mean_high : float
        The block's mean value and its two-in-three range. [unit]
    notes : tuple of str
        Censored cells, averaged duplicates, outliers, trends, small numbers.
    """

    key: str
    unit: str
    method: str
    grid: Grid
    estimate: Array
    kriging_sd: Array
    low: Array
    high: Array
    chance_wrong_side: Array | None
    critical: float | None
    side: str
    logs: bool
    belief: Belief | None
    crossvalidation: CrossValidation | None
    verdict: str
    why: str
    n: int
    mean: float
    mean_low: float
    mean_high: float
    notes: tuple[str, ...]


Surfaces = Mapping[str, Surface]
