"""Columns worked out from a sample's own values: exchange capacity and what depends on it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from geo.grids import Array
from geo.units import cmol_of

#: Extractants that give what a soil holds on its exchange sites.
EXCHANGEABLE = ("NH4OAc pH 7", "exchangeable")


def with_derived(table: pd.DataFrame, methods: Mapping[str, str]) -> pd.DataFrame:
    """A table with `ecec`, `esp`, `base_saturation` and `ca_mg` beside the measured columns.

    Effective cation exchange capacity is the sum of exchangeable Ca, Mg, K, Na and acidity; sodium
    and bases are shares of the capacity, measured (`cec`) where there is one; Ca:Mg is a ratio of
    charges. A column that the laboratory reports itself stays as it is. Cations of an extractant
    that does not give exchangeable amounts lead to no capacity.

    Parameters
    ----------
    table : DataFrame
        Columns by property key, in house units.
    methods : mapping
        Property key -> extractant.
    """
    made: dict[str, Array] = {}
    if {"ca", "mg"} <= set(table):
        made["ca_mg"] = _over(_charge(table, "ca"), _charge(table, "mg"))
    if _exchangeable(table, methods):
        bases = sum((_charge(table, key) for key in ("ca", "mg", "k")), start=np.zeros(len(table)))
        if "na" in table:
            bases = bases + _charge(table, "na")
        acidity = _column(table, "exch_acidity") if "exch_acidity" in table else 0.0
        made["ecec"] = bases + acidity
        capacity = _column(table, "cec") if "cec" in table else made["ecec"]
        made["base_saturation"] = 100.0 * _over(bases, capacity)
        if "na" in table:
            made["esp"] = 100.0 * _over(_charge(table, "na"), capacity)
    more = {key: values for key, values in made.items() if key not in table}
    return table.assign(**more)


def _exchangeable(table: pd.DataFrame, methods: Mapping[str, str]) -> bool:
    keys = [key for key in ("ca", "mg", "k", "na") if key in table]
    return {"ca", "mg", "k"} <= set(keys) and all(
        methods.get(key, "").startswith(EXCHANGEABLE) for key in keys
    )


def _column(table: pd.DataFrame, key: str) -> Array:
    return table[key].to_numpy(dtype=float)


def _charge(table: pd.DataFrame, key: str) -> Array:
    return np.asarray(cmol_of(key, _column(table, key)), dtype=float)


def _over(part: Array, whole: Array) -> Array:
    ratio: Array = np.divide(part, whole, out=np.full(len(part), np.nan), where=whole > 0)
    return ratio
