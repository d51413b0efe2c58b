"""SampleSet + Block -> CheckedSamples: what is outside, double, implausible, or below detection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from geo.findings import Finding
from geo.intake.samples import SampleSet


@dataclass(frozen=True)
class CheckedSamples:
    """Samples, each value usable, open, or left out, with a finding for each that is not usable.

    Attributes
    ----------
    samples : SampleSet
        As stored.
    usable : DataFrame
        Like `samples.table`, NaN where a value is open, left out or missing; censored cells hold
        the value used for mapping (half the limit below, the limit above). Repeat determinations
        are averaged; samples at one and the same place keep their own rows. Holds the derived
        columns too (`ecec`, `esp`, `base_saturation`, `ca_mg`), each from the row's own values.
    findings : tuple of Finding
        In order of consequence.
    left_out : tuple of (sample id, reason)
    open : tuple of (sample id, key)
        Values with an unanswered question.
    censored : mapping
        (sample id, key) -> ("<" or ">", limit).
    repeats : mapping
        (sample id, key) -> the single determinations behind an average.
    """

    samples: SampleSet
    usable: pd.DataFrame
    findings: tuple[Finding, ...]
    left_out: tuple[tuple[str, str], ...]
    open: tuple[tuple[str, str], ...]
    censored: Mapping[tuple[str, str], tuple[str, float]]
    repeats: Mapping[tuple[str, str], tuple[float, ...]]
