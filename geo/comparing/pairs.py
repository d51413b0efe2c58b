"""Stations sampled in both years: the same spot, as well as GPS and a walk can find it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.checks import CheckedSamples
from geo.grids import Array

#: A station found again farther away than this is not the same spot, common practice. [m]
SAME_SPOT_M = 10.0


@dataclass(frozen=True)
class Pairs:
    """Stations of both years.

    Attributes
    ----------
    ids : tuple of str
        The same in both years.
    first_xy, second_xy : array (pairs, 2)
        Where each year's position lies. [m]
    moved : tuple of (sample id, metres)
        Called the same in both years, but too far apart to be compared.
    only_first, only_second : tuple of str
        Placed stations of one year.
    """

    ids: tuple[str, ...]
    first_xy: Array
    second_xy: Array
    moved: tuple[tuple[str, float], ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]

    @property
    def xy(self) -> Array:
        """The mean of both positions: its error is the smaller. [m]"""
        return (self.first_xy + self.second_xy) / 2.0

    @property
    def relocation_m(self) -> float:
        """Median distance between the positions of the two years. [m]"""
        if not self.ids:
            return float("nan")
        return float(np.median(np.hypot(*(self.first_xy - self.second_xy).T)))


def pair_stations(first: CheckedSamples, second: CheckedSamples) -> Pairs:
    """Pair by sample id, if the positions agree within 10 m."""
    one, two = _placed(first.usable), _placed(second.usable)
    both = [str(name) for name in one.index if name in two.index]
    a = one.loc[both, ["x_m", "y_m"]].to_numpy(dtype=float).reshape(-1, 2)
    b = two.loc[both, ["x_m", "y_m"]].to_numpy(dtype=float).reshape(-1, 2)
    apart = np.hypot(*(a - b).T)
    near = apart <= SAME_SPOT_M
    return Pairs(
        ids=tuple(name for name, kept in zip(both, near, strict=True) if kept),
        first_xy=a[near],
        second_xy=b[near],
        moved=tuple(
            (name, float(d)) for name, d, kept in zip(both, apart, near, strict=True) if not kept
        ),
        only_first=tuple(str(name) for name in one.index if name not in two.index),
        only_second=tuple(str(name) for name in two.index if name not in one.index),
    )


def _placed(table: pd.DataFrame) -> pd.DataFrame:
    there = np.isfinite(table["x_m"]) & np.isfinite(table["y_m"])
    placed: pd.DataFrame = table.loc[there]
    return placed
