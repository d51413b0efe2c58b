"""Requirement -> ZoneMap: split where the rate should differ, made drivable, drawn as outlines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon

from geo.grids import Grid


@dataclass(frozen=True)
class Estimate:
    """A number with its doubt."""

    value: float
    sd: float
    unit: str


@dataclass(frozen=True)
class Zone:
    """A part of the block that gets one rate.

    `outline` is in the block's metric CRS [m]; `area_ha` is geodesic; `rows` the planting rows it
    touches, counted from the left edge looking along the row azimuth, as (first, last) runs;
    `means` the property means over it, in house units.
    """

    zone_id: int
    outline: MultiPolygon
    area_ha: float
    means: Mapping[str, Estimate]
    rows: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class ZoneMap:
    """Zones of one amendment; together they are the block, without gap or overlap.

    Attributes
    ----------
    amendment : str
        Or "all" for the common map.
    zones : tuple of Zone
        Numbered from 1, from the highest rate to the lowest.
    grid : Grid
        The grid of the requirement.
    labels : int array (rows, columns)
        Zone number of each cell, 0 outside.
    verdict : str
        "shown", "likely", "too_few" (samples to tell) or "one_rate".
    why : str
        The verdict in a sentence with its numbers.
    saving_pct, chance : float
        Expected saving in loss against one rate [%], and the chance that there is any.
    indices : mapping
        Reported, never deciding: "fpi", "nce", "variance_reduction_cv" ... where worked out.
    """

    amendment: str
    zones: tuple[Zone, ...]
    grid: Grid
    labels: NDArray[np.int16]
    verdict: str
    why: str
    saving_pct: float
    chance: float
    indices: Mapping[str, float]
