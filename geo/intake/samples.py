"""SampleSet: one survey layer of one block, in house units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from geo.findings import Finding
from geo.intake.reading import Result


@dataclass(frozen=True)
class SampleSet:
    """The samples of one block, season and depth layer, one row a sample.

    Attributes
    ----------
    block : str
        Block name.
    season : int
        Calendar year of the soil sampling.
    sampled_on : date or None
        First day of sampling.
    laboratory : str
    depth_cm : (float, float)
        Top and bottom of the layer. [cm]
    methods : mapping
        Property key -> extractant or pH method as the laboratory reported it.
    table : DataFrame
        Index: sample id. Columns: `x_m`, `y_m` in the block's metric CRS (NaN: no place), `lon`,
        `lat`, and one column a property key in the house unit; NaN where there is no number.
        Censored cells hold their limit here; `censored` says which.
    cells : mapping
        (sample id, key) -> the Result it came from; the raw text is in it.
    not_analysed : tuple of str
        Keys whose column exists but holds no single result.
    composites : DataFrame
        Rows that carry the block's name and no place, same columns.
    findings : tuple of Finding
        What intake found and what is still open, corrections applied.
    repeats : mapping
        (sample id, key) -> every Result, where there is more than one; `cells` and `table` hold the
        first of them.
    answered : set of (sample id, key)
        Values a person has looked at and decided on: no check opens them again. The key "" stands
        for the sample as a whole (its place, depth and name), not for its single values.
    """

    block: str
    season: int
    sampled_on: date | None
    laboratory: str
    depth_cm: tuple[float, float]
    methods: Mapping[str, str]
    table: pd.DataFrame
    cells: Mapping[tuple[str, str], Result]
    not_analysed: tuple[str, ...]
    composites: pd.DataFrame
    findings: tuple[Finding, ...]
    repeats: Mapping[tuple[str, str], tuple[Result, ...]] = field(default_factory=dict)
    answered: frozenset[tuple[str, str]] = frozenset()
