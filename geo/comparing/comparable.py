"""What two seasons' laboratories allow to be compared: method, laboratory, depth and month."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from geo.checks import CheckedSamples
from geo.intake.samples import SampleSet
from geo.lookup import properties
from geo.noise import laboratory_sd
from geo.rating.methods import match_method
from geo.surfacing.columns import DERIVED
from geo.units import OM_PER_OC, om_from_oc

#: Sampling days this far apart in the year make the season part of the change, common practice.
FAR_APART_DAYS = 60
#: A change of laboratory or layout doubles the doubt of one result (common practice, no source).
OTHER_LABORATORY = 2.0
#: Keys that a derived column is worked out from.
PARTS = ("ca", "mg", "k", "na", "exch_acidity")


@dataclass(frozen=True)
class Comparable:
    """Whether one property may be compared, and on what terms.

    Attributes
    ----------
    key : str
    refused : str
        Why not; empty if it may.
    warnings : tuple of str
        What to know beside the figures.
    factor_first, factor_second : float
        What each year's column is multiplied by, such as 1.724 for carbon beside organic matter.
    column_first, column_second : str
        Column each year's values stand in.
    """

    key: str
    refused: str
    warnings: tuple[str, ...]
    column_first: str
    column_second: str
    factor_first: float = 1.0
    factor_second: float = 1.0

    def first(self, table: pd.DataFrame) -> pd.Series[float]:
        """Values of the first year on common terms."""
        return table[self.column_first].astype(float) * self.factor_first

    def second(self, table: pd.DataFrame) -> pd.Series[float]:
        """Values of the second year on common terms."""
        return table[self.column_second].astype(float) * self.factor_second


def other_laboratory(first: SampleSet, second: SampleSet) -> str:
    """What makes it likely that the laboratory changed; empty if nothing does."""
    if first.laboratory and second.laboratory:
        if first.laboratory == second.laboratory:
            return ""
        return f"{second.season} comes from {second.laboratory}, {first.season} from another."
    if _headings(first) == _headings(second):
        return ""
    return (
        f"{second.season} seems to come from another laboratory: its columns are headed otherwise "
        f"than before, and {_nameless(first, second)}."
    )


def _nameless(first: SampleSet, second: SampleSet) -> str:
    """Which file does not name its laboratory."""
    silent = [one.season for one in (first, second) if not one.laboratory]
    if len(silent) == 2:
        return "neither file names its laboratory"
    return f"the file of {silent[0]} does not name its laboratory"


def _headings(samples: SampleSet) -> frozenset[str]:
    return frozenset(cell.column for cell in samples.cells.values())


def shift_sd(key: str, value: float, *, logs: bool) -> float:
    """How far two laboratories may stand apart on every result alike. [unit, or 1 with logs]

    What another laboratory adds to the doubt of one result, in both years:
    sqrt(2 (2^2 - 1)) times the noise of one laboratory.
    """
    own = laboratory_sd(key, value, logs=logs)
    return own * math.sqrt(2.0 * (OTHER_LABORATORY**2 - 1.0))


def about_survey(first: SampleSet, second: SampleSet) -> tuple[str, ...]:
    """Warnings that hold for every property."""
    said = []
    if other := other_laboratory(first, second):
        said.append(
            other + " Another laboratory may shift all results alike. Against untreated ground "
            "such a shift falls out; elsewhere each property bears the doubt between two "
            "laboratories, double that of one."
        )
    elif not (first.laboratory and second.laboratory):
        said.append(
            f"One laboratory is taken for both years: the columns are headed alike, but "
            f"{_nameless(first, second)}."
        )
    if first.sampled_on and second.sampled_on:
        apart = abs(first.sampled_on.timetuple().tm_yday - second.sampled_on.timetuple().tm_yday)
        apart = min(apart, 365 - apart)
        if apart > FAR_APART_DAYS:
            said.append(
                f"Sampled on {first.sampled_on} and {second.sampled_on}: {apart} days apart in the "
                "year, so part of the change may be the time of year."
            )
    else:
        said.append("A sampling date is missing: the time of year may be part of the change.")
    return tuple(said)


def comparables(first: CheckedSamples, second: CheckedSamples) -> dict[str, Comparable]:
    """Every property of either year, refused or comparable, in reading order."""
    found: dict[str, Comparable] = {}
    for key in properties():
        one = _measured(first, key)
        two = _measured(second, key)
        known = key in first.samples.table or key in second.samples.table or one or two
        if not known or key == "ca_mg":
            continue
        if key in DERIVED:
            continue
        if not (one and two) and key in ("om", "oc"):
            continue
        found[key] = _compare(key, first, second, one, two)
    if "om" not in found and "oc" not in found:
        found |= _organic(first, second)
    for key in DERIVED:
        if _measured(first, key) and _measured(second, key):
            found[key] = _derived(key, found)
    order = list(properties())
    return {key: found[key] for key in sorted(found, key=order.index)}


def _measured(checked: CheckedSamples, key: str) -> bool:
    return key in checked.usable and bool(checked.usable[key].notna().any())


def _compare(
    key: str, first: CheckedSamples, second: CheckedSamples, one: bool, two: bool
) -> Comparable:
    missing = [c.samples.season for c, there in ((first, one), (second, two)) if not there]
    if missing:
        years = " and ".join(str(year) for year in missing)
        return Comparable(key, f"no analysis in {years}", (), key, key)
    refused, warnings = _methods(key, first.samples, second.samples)
    return Comparable(key, refused, warnings, key, key)


def _methods(key: str, first: SampleSet, second: SampleSet) -> tuple[str, tuple[str, ...]]:
    """Why two methods may not be compared, or what to say if they may."""
    words = [samples.methods.get(key, "").strip() for samples in (first, second)]
    if key in ("clay", "silt", "sand"):
        return "", ()
    if not any(words):
        return "", ("Neither year names its method; compared as if it were the same.",)
    if not all(words):
        silent = (first, second)[words.index("")].season
        return f"{silent} does not name its method", ()
    names = [_name(key, text) for text in words]
    if names[0] != names[1]:
        return (
            f"{words[0]} in {first.season}, {words[1]} in {second.season}: two methods are not "
            "converted into each other"
        ), ()
    return "", ()


def _name(key: str, text: str) -> str:
    found = match_method(key, text)
    return found.method if found else text.lower()


def _organic(first: CheckedSamples, second: CheckedSamples) -> Mapping[str, Comparable]:
    """Organic matter of one year beside organic carbon of the other, through 1.724."""
    has = [
        next((key for key in ("om", "oc") if _measured(checked, key)), "")
        for checked in (first, second)
    ]
    if not any(has):
        return {}
    if not all(has):
        silent = (first, second)[has.index("")].samples.season
        return {"om": Comparable("om", f"no analysis in {silent}", (), "om", "om")}
    carbon = (first, second)[has.index("oc")].samples.season
    warning = (
        f"{carbon} reports organic carbon: compared as organic matter through {OM_PER_OC:g}, a "
        "convention (true factors run from 1.7 to 2)."
    )
    factors = [om_from_oc(1.0) if key == "oc" else 1.0 for key in has]
    return {"om": Comparable("om", "", (warning,), has[0], has[1], factors[0], factors[1])}


def _derived(key: str, found: Mapping[str, Comparable]) -> Comparable:
    """A column worked out from others stands only if all of them may be compared."""
    for part in PARTS:
        if part in found and found[part].refused:
            name = properties()[part].name
            return Comparable(key, f"{name} is part of it and is not compared", (), key, key)
    return Comparable(key, "", (), key, key)
