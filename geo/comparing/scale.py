"""Scale and noise of a comparison: logs or plain values, and how far one result may be trusted."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.belief.belief import believe, characterise
from geo.belief.frame import frame_of
from geo.belief.verdicts import FEWEST
from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.comparing.comparable import Comparable
from geo.comparing.pairs import Pairs
from geo.geostatistics.covariance import in_place
from geo.grids import Array, Mask
from geo.lookup import properties
from geo.noise import laboratory_sd
from geo.surfacing.columns import skewness

#: Fewer degrees of freedom than this do not tell a scatter (common practice, no source).
FEWEST_DEGREES = 6


@dataclass(frozen=True)
class Paired:
    """One property at the stations of both years.

    Attributes
    ----------
    key : str
    terms : Comparable
    first, second : array (pairs,)
        In the house unit, NaN where either year has no usable value.
    logs : bool
        Compared as a factor.
    noise_sd : float
        Of one result: laboratory and what changes within a step. [unit, 1 with logs]
    pair_sd : float
        Of one difference: as stations that got the same scatter among themselves, which holds the
        walk back to the spot too; from `noise_sd` where they are few. [unit, 1 with logs]
    """

    key: str
    terms: Comparable
    first: Array
    second: Array
    logs: bool
    noise_sd: float
    pair_sd: float

    @property
    def there(self) -> Mask:
        """Pairs with both values."""
        return np.isfinite(self.first) & np.isfinite(self.second)

    @property
    def change(self) -> Array:
        """Second less first, of the logs where it is compared as a factor."""
        if self.logs:
            return np.asarray(np.log(self.second / self.first))
        return self.second - self.first


def pair_values(
    first: CheckedSamples,
    second: CheckedSamples,
    terms: Mapping[str, Comparable],
    pairs: Pairs,
    block: Block,
    groups: Sequence[Mask],
) -> dict[str, Paired]:
    """Every comparable property at the stations of both years, with its noise.

    Parameters
    ----------
    groups : sequence of array of bool (pairs,)
        Stations that got the same.
    """
    ids = list(pairs.ids)
    found = {}
    scales = {key: _logs(key, one, first, second) for key, one in terms.items() if not one.refused}
    # Of the first year: what was spread since roughens the second.
    noise = _noise(first, {key: _column(terms[key], first, 0) for key in scales}, scales, block)
    for key, logs in scales.items():
        a = _at(terms[key].first(first.usable), ids)
        b = _at(terms[key].second(second.usable), ids)
        both = np.isfinite(a) & np.isfinite(b)
        a[~both], b[~both] = np.nan, np.nan
        change = np.log(b / a) if logs else b - a
        scatter = _scatter(change, groups)
        pair_sd = math.sqrt(2.0) * (noise[key] if scatter is None else 0.0)
        own = laboratory_sd(key, float(np.nanmedian(a)), logs=logs) if both.any() else noise[key]
        pair_sd = max(pair_sd, scatter or 0.0, math.sqrt(2.0) * own)
        found[key] = Paired(key, terms[key], a, b, logs, noise[key], pair_sd)
    return found


def _at(values: pd.Series[float], ids: list[str]) -> Array:
    return np.array(values.reindex(ids), dtype=np.float64)


def _scatter(change: Array, groups: Sequence[Mask]) -> float | None:
    """Standard deviation of single differences about the mean of those that got the same."""
    inside = [change[group][np.isfinite(change[group])] for group in groups]
    degrees = sum(len(d) - 1 for d in inside if len(d) > 1)
    if degrees < FEWEST_DEGREES:
        return None
    return math.sqrt(sum(float(np.sum((d - d.mean()) ** 2)) for d in inside if len(d)) / degrees)


def _column(one: Comparable, checked: CheckedSamples, year: int) -> Array:
    values = one.first(checked.usable) if year == 0 else one.second(checked.usable)
    return np.asarray(values.to_numpy(dtype=float))


def _logs(key: str, one: Comparable, first: CheckedSamples, second: CheckedSamples) -> bool:
    """As a factor where the property is mapped on logs, in either year."""
    prop = properties()[key]
    values = np.concatenate([_column(one, first, 0), _column(one, second, 1)])
    values = values[np.isfinite(values)]
    if prop.never_logs or not np.all(values > 0.0):
        return False
    return prop.logs or skewness(values) > 1.0


def _noise(
    checked: CheckedSamples, columns: Mapping[str, Array], logs: Mapping[str, bool], block: Block
) -> dict[str, float]:
    """Nugget of each property by the belief about its survey, at least the laboratory's noise."""
    table = checked.usable
    xy = table[["x_m", "y_m"]].to_numpy(dtype=float)
    placed = np.isfinite(xy).all(axis=1)
    for group in in_place(np.where(placed[:, None], xy, np.arange(len(xy))[:, None])):
        placed[group[1:]] = False
    mapped = {key: np.log(z) if logs[key] else z for key, z in columns.items()}
    ready = {
        key: z[placed]
        for key, z in mapped.items()
        if np.isfinite(z[placed]).sum() >= FEWEST and np.nanstd(z[placed]) > 0.0
    }
    frame = frame_of(block.outline, block.site.row_azimuth_deg)
    beliefs = believe(xy[placed], ready, frame) if ready else {}
    found = {}
    for key, values in columns.items():
        own = laboratory_sd(key, float(np.nanmedian(values)), logs=logs[key])
        nugget = characterise(beliefs[key]).nugget_variance if key in beliefs else 0.0
        found[key] = max(own, math.sqrt(nugget))
    return found
