"""CheckedSamples -> columns ready for mapping: one row a place, logs taken, hopeless ones told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.belief.verdicts import FEWEST
from geo.checks import CheckedSamples
from geo.grids import Array
from geo.lookup import Property, properties

#: Made by checks from other columns: they get surfaces, and lend no evidence.
DERIVED = ("ecec", "esp", "base_saturation")
#: Ratios of columns: no surface of their own.
RATIOS = ("ca_mg", "sar")
#: More censored values than this share leave no map. [1]
MOST_CENSORED = 0.30
#: Places closer than this are one place: GPS logs do not resolve it. [m]
SAME_PLACE_M = 0.01
#: Values above this skewness are mapped on the log scale. Webster and Oliver (2007) use the same
#: limit (from memory).
SKEWED = 1.0


@dataclass(frozen=True)
class Column:
    """One property of a survey, ready for mapping.

    Attributes
    ----------
    prop, method : Property, str
    values : array (places,)
        Mean of the samples at each place, in the house unit; NaN where there is none.
    logs : bool
        Whether it is mapped on the log scale.
    below, above : mapping
        Sample id -> limit of the values below and above what the laboratory can measure.
    hopeless : str
        Why there can be no map: "few" (samples), "equal" (values), "censored" (values); or empty.
    """

    prop: Property
    method: str
    values: Array
    logs: bool
    below: Mapping[str, float]
    above: Mapping[str, float]
    hopeless: str

    @property
    def present(self) -> Array:
        """The values there are, in the house unit."""
        return self.values[np.isfinite(self.values)]

    @property
    def mapped(self) -> Array:
        """Values on the scale that is mapped; NaN where there is none."""
        return np.log(self.values) if self.logs else self.values


@dataclass(frozen=True)
class Survey:
    """Places of a survey and the columns measured there.

    Attributes
    ----------
    xy : array (places, 2)
        [m]
    ids : tuple of tuple of str
        The samples taken at each place; more than one where positions coincide.
    columns : mapping
        Property key -> Column, in the order in which people expect to read them.
    """

    xy: Array
    ids: tuple[tuple[str, ...], ...]
    columns: Mapping[str, Column]


def arrange(checked: CheckedSamples) -> Survey:
    """Columns of a survey, samples at one and the same place averaged."""
    table = checked.usable
    table = table[np.isfinite(table["x_m"]) & np.isfinite(table["y_m"])]
    ids = [str(name) for name in table.index]
    xy, place = _places(table[["x_m", "y_m"]].to_numpy(dtype=float))
    columns = {}
    for key, prop in properties().items():
        if key not in table or key in RATIOS:
            continue
        raw = table[key].to_numpy(dtype=float)
        if np.isfinite(raw).any():
            beyond = _beyond(checked, key, ids, raw)
            columns[key] = _column(
                prop, checked.samples.methods.get(key, ""), _average(raw, place, len(xy)), *beyond
            )
    members = tuple(
        tuple(ids[row] for row in np.flatnonzero(place == index)) for index in range(len(xy))
    )
    return Survey(xy, members, columns)


def lenders(survey: Survey) -> tuple[str, ...]:
    """Keys that lend evidence and count in the survey's skill: each property once.

    Parts and repeats of a property (`part_of`) count only where that property is not in the survey.
    """
    chosen: list[str] = []
    for key, column in survey.columns.items():
        whole = column.prop.part_of
        taken = {survey.columns[other].prop.part_of for other in chosen}
        counted = whole is not None and (whole in survey.columns or whole in taken)
        if key not in DERIVED and not counted:
            chosen.append(key)
    return tuple(chosen)


def reread(checked: CheckedSamples, survey: Survey, key: str, share: float) -> Array:
    """Values of a column had a value below a limit been read as this share of the limit."""
    column = survey.columns[key]
    table = checked.usable
    rows = {name: index for index, names in enumerate(survey.ids) for name in names}
    ids = list(rows)
    raw = table.loc[ids, key].to_numpy(dtype=float, copy=True)
    for index, name in enumerate(ids):
        if name in column.below:
            raw[index] = share * column.below[name]
    return _average(raw, np.array([rows[name] for name in ids]), len(survey.xy))


def _places(xy: Array) -> tuple[Array, NDArray[np.int64]]:
    """Distinct places in order of appearance, and the place of each row."""
    codes = np.round(xy / SAME_PLACE_M).astype(np.int64)
    _, first, place = np.unique(codes, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank: NDArray[np.int64] = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return xy[first[order]], rank[place.ravel()]


def _average(raw: Array, place: NDArray[np.int64], places: int) -> Array:
    there = np.isfinite(raw)
    total = np.bincount(place[there], raw[there], minlength=places)
    count = np.bincount(place[there], minlength=places)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _beyond(
    checked: CheckedSamples, key: str, ids: list[str], raw: Array
) -> tuple[dict[str, float], dict[str, float]]:
    """Limits of the censored values in use, by sample: below, above."""
    below: dict[str, float] = {}
    above: dict[str, float] = {}
    for name, value in zip(ids, raw, strict=True):
        sign, limit = checked.censored.get((name, key), ("", 0.0))
        if sign and np.isfinite(value):
            (below if sign == "<" else above)[name] = limit
    return below, above


def _column(
    prop: Property, method: str, values: Array, below: dict[str, float], above: dict[str, float]
) -> Column:
    present = values[np.isfinite(values)]
    hopeless = ""
    if len(below) + len(above) > MOST_CENSORED * len(present):
        hopeless = "censored"
    elif np.ptp(present) == 0.0:
        hopeless = "equal"
    elif len(present) < FEWEST:
        hopeless = "few"
    return Column(prop, method, values, _takes_logs(prop, present), below, above, hopeless)


def _takes_logs(prop: Property, values: Array) -> bool:
    if prop.never_logs or not np.all(values > 0.0):
        return False
    return prop.logs or skewness(values) > SKEWED


def skewness(values: Array) -> float:
    """Sample skewness m3 / m2^1.5; 0 where all values are equal."""
    departure = values - values.mean()
    second = float(np.mean(departure**2))
    return float(np.mean(departure**3)) / second**1.5 if second > 0.0 else 0.0
