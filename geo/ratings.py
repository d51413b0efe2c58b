"""CheckedSamples -> Ratings against published sufficiency ranges; tissue tests likewise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.findings import Finding
from geo.grids import Array
from geo.intake.reading import TissueTest
from geo.lookup import Crop, Tables, crop, properties
from geo.rating.choice import Chosen, Refusal, Soil, choose_scheme, critical_in_house
from geo.rating.conditions import block_soil, interactions, sample_soil, water_notes, with_ratios
from geo.rating.schemes import (
    LEVELS,
    Rating,
    Scheme,
    critical_index,
    rating_of,
    soil_schemes,
    unrated,
)
from geo.rating.tissue import rate_tissue

__all__ = [
    "CriticalLevel",
    "Rating",
    "Ratings",
    "class_chances",
    "level_words",
    "rate_samples",
]

#: The classes of a scheme in house units: (level, low, high, target), from low to high.
Classes = tuple[tuple[str, float | None, float | None, bool], ...]


@dataclass(frozen=True)
class CriticalLevel:
    """Where a property turns from trouble to none: value in house unit, and which side is trouble.

    `side` is "below" (needs, and hazards where low is the danger) or "above" (hazards); `fallback`
    says that the table is that of another crop group.
    """

    key: str
    value: float
    unit: str
    side: str
    source: str
    from_memory: bool
    why: str
    fallback: bool = False


@dataclass(frozen=True)
class Ratings:
    """All ratings of a block: soil by sample, the block's mean, and the tissue tests on file.

    Attributes
    ----------
    soil : tuple of Rating
        One for each sample and property.
    block : mapping
        Property key -> Rating of the block mean (sample_id "block").
    critical : mapping
        Property key -> CriticalLevel of the scheme in use, where one is published.
    classes : mapping
        Property key -> the classes of the scheme in use, from low to high, as
        (level, low, high, target).
    tissue : tuple of Rating
        sample_id is the tissue sample's.
    notes : tuple of Finding
        What one property does to the rating or the uptake of others.
    """

    soil: tuple[Rating, ...]
    block: Mapping[str, Rating]
    critical: Mapping[str, CriticalLevel]
    classes: Mapping[str, Classes]
    tissue: tuple[Rating, ...]
    notes: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class _Case:
    """What every rating of one survey needs."""

    checked: CheckedSamples
    frame: pd.DataFrame
    grown: Crop
    schemes: tuple[Scheme, ...]
    tables: Tables
    block_soil: Soil

    def choose(self, sample_id: str, key: str, soil: Soil) -> Chosen | Refusal:
        """The scheme for one value, by its method and the unit it was printed in."""
        method = self.checked.samples.methods.get(key, "")
        unit = self.unit_read(sample_id, key)
        return choose_scheme(key, method, unit, self.grown, soil, self.schemes, self.tables)

    def unit_read(self, sample_id: str, key: str) -> str:
        """The unit a cell was printed in; for the block that of its first cell."""
        cells = self.checked.samples.cells
        cell = cells.get((sample_id, key))
        if cell is None:
            cell = next((c for (_, k), c in cells.items() if k == key), None)
        return cell.unit_read if cell is not None else ""


def rate_samples(
    checked: CheckedSamples,
    tissue: Sequence[TissueTest],
    block: Block,
    tables: Tables | None = None,
) -> Ratings:
    """Every value of a survey, the block means and the tissue tests against their tables.

    Parameters
    ----------
    checked : CheckedSamples
    tissue : sequence of TissueTest
    block : Block
        Its crop selects the tables; its clay stands in where no sample has one.
    tables : Tables, optional
        From `geo.lookup.farm_tables`: the user's own tables and choices.

    Returns
    -------
    Ratings
        "not_analysed", "no_table" and "ask" are answers of their own.
    """
    tables = tables or Tables()
    frame = with_ratios(checked)
    case = _Case(
        checked=checked,
        frame=frame,
        grown=crop(block.site.crop),
        schemes=soil_schemes(tables),
        tables=tables,
        block_soil=block_soil(frame, block),
    )
    chosen = {key: case.choose("block", key, case.block_soil) for key in _keys(case)}
    in_use = {key: c for key, c in chosen.items() if isinstance(c, Chosen)}
    critical = {key: _critical(key, c) for key, c in in_use.items()}
    return Ratings(
        soil=tuple(_sample_ratings(case)),
        block={key: _block_rating(case, key, c) for key, c in chosen.items()} | _missing(case),
        critical={key: level for key, level in critical.items() if level is not None},
        classes={key: _classes(c) for key, c in in_use.items()},
        tissue=rate_tissue(tissue, block.site.crop, tables),
        notes=(*interactions(frame, checked, tables), *water_notes(block)),
    )


def _keys(case: _Case) -> list[str]:
    """Properties of the survey that some table of the pack rates."""
    ratable = {scheme.key for scheme in case.schemes} | {"oc", "ecec"}
    return [key for key in properties() if key in case.frame and key in ratable]


def _sample_ratings(case: _Case) -> list[Rating]:
    """One rating for each sample and property; samples left out are not rated."""
    left_out = {sample_id for sample_id, _ in case.checked.left_out}
    keys = _keys(case)
    ratings = []
    for sample_id, row in case.frame.iterrows():
        if str(sample_id) in left_out:
            continue
        soil = sample_soil(case.block_soil, row)
        ratings += [_sample_rating(case, str(sample_id), key, row[key], soil) for key in keys]
    return [rating for rating in ratings if rating is not None]


def _sample_rating(
    case: _Case, sample_id: str, key: str, value: float, soil: Soil
) -> Rating | None:
    if (sample_id, key) in case.checked.open:
        return _answer(sample_id, key, "ask", "The value has an open question.")
    if pd.isna(value):
        # What is computed here was not "not analysed" by anyone.
        printed = key in case.checked.samples.table
        return _answer(sample_id, key, "not_analysed", "No result.") if printed else None
    rating = _rate(sample_id, key, float(value), case.choose(sample_id, key, soil), case.tables)
    censored = case.checked.censored.get((sample_id, key))
    if censored is None:
        return rating
    sign, limit = censored
    as_what = "half the limit" if sign == "<" else "the limit"
    return replace(rating, why=f"{rating.why} Reported as {sign}{limit:g}, rated as {as_what}.")


def _block_rating(case: _Case, key: str, chosen: Chosen | Refusal) -> Rating:
    values = case.frame[key].dropna()
    if values.empty:
        return _answer("block", key, "not_analysed", "No single usable result in this survey.")
    return _rate("block", key, float(values.mean()), chosen, case.tables)


def _missing(case: _Case) -> dict[str, Rating]:
    """Usual tests that this survey does not hold: said, so that nobody takes them for fine."""
    samples = case.checked.samples
    has_om = "om" in case.frame or "oc" in case.frame
    wanted = [k for k, prop in properties().items() if prop.standard and k not in case.frame]
    absent = [key for key in wanted if not (key == "oc" and has_om)]
    why = "Not analysed: no rating, no rate."
    keys = dict.fromkeys([*samples.not_analysed, *absent])
    return {key: _answer("block", key, "not_analysed", why) for key in keys}


def _answer(sample_id: str, key: str, level: str, why: str, value: float | None = None) -> Rating:
    """A rating that says why there is none."""
    return unrated(sample_id, key, value, properties()[key].unit, level, why)


def _rate(
    sample_id: str, key: str, value: float, chosen: Chosen | Refusal, tables: Tables
) -> Rating:
    """A value in house units against the chosen scheme."""
    if isinstance(chosen, Refusal):
        return _answer(sample_id, key, chosen.level, chosen.why, value)
    scheme = chosen.scheme
    in_table = value * chosen.per_house
    rating = rating_of(scheme, sample_id, key, in_table, chosen.why, fallback=chosen.fallback)
    return _watched(rating, value, chosen, tables)


def _watched(rating: Rating, value: float, chosen: Chosen, tables: Tables) -> Rating:
    """Excess watch: a second look-up where the table has no class above the target."""
    if not chosen.scheme.open_above:
        return rating
    for row in tables.rows("excess_watch"):
        if row["key"] != rating.key or row["extractant"] not in ("", chosen.scheme.method):
            continue
        critical = critical_in_house(chosen)
        limit = float(row["limit_mg_kg"] or 0) or float(row["times_critical"]) * (critical or 1e99)
        if value > limit:
            why = f"Above {limit:g} mg/kg, the limit of the excess watch ({row['note']})."
            return replace(
                rating,
                level=row["level"],
                low=limit * chosen.per_house,
                high=None,
                target=False,
                source=row["source"],
                from_memory=row["verified"] == "memory",
                why=f"{rating.why} {why}",
                finding="high",
                excess=True,
            )
    return rating


def _critical(key: str, chosen: Chosen) -> CriticalLevel | None:
    value = critical_in_house(chosen)
    place = critical_index(chosen.scheme)
    if value is None or place is None:
        return None
    return CriticalLevel(
        key=key,
        value=value,
        unit=properties()[key].unit,
        side="above" if chosen.scheme.sense == "hazard_high" else "below",
        source=chosen.scheme.source,
        from_memory=chosen.scheme.classes[place].from_memory,
        why=chosen.why,
        fallback=chosen.fallback,
    )


def _classes(chosen: Chosen) -> Classes:
    def house(limit: float | None) -> float | None:
        return None if limit is None else limit / chosen.per_house

    return tuple(
        (limits.level, house(limits.lower), house(limits.upper), limits.target)
        for limits in chosen.scheme.classes
    )


def class_chances(
    classes: Classes, mean: float | Array, sd: float | Array, dof: float, logs: bool
) -> dict[str, Array]:
    """Chance of each class, for a value known as a Student t.

    Parameters
    ----------
    classes : sequence of (level, low, high, target)
        In house units, as `Ratings.classes` holds them.
    mean, sd : float or array
        Of the value; of its natural logarithm if `logs`.
    dof : float
        Degrees of freedom. [1]
    logs : bool
        Whether mean and sd are those of the logarithm.

    Returns
    -------
    dict
        Level -> chance, shaped like the mean; they add up to 1. [1]
    """
    from scipy.special import stdtr

    def below(limit: float) -> Array:
        if logs and limit <= 0:
            return np.zeros(np.shape(mean))
        at = np.log(limit) if logs else limit
        return np.asarray(stdtr(dof, (at - np.asarray(mean)) / np.asarray(sd)), dtype=float)

    zero, one = np.zeros(np.shape(mean)), np.ones(np.shape(mean))
    return {
        level: (one if high is None else below(high)) - (zero if low is None else below(low))
        for level, low, high, _ in classes
    }


def level_words(rating: Rating) -> str:
    """The level in words; a hazard is never called deficient, a label never good or bad."""
    answers = {
        "not_analysed": "not analysed",
        "no_table": "no table for this method",
        "ask": "not rated: ask",
    }
    if rating.level not in LEVELS:
        return answers[rating.level]
    words = rating.level.replace("_", " ")
    if rating.finding == "safe":
        return "no hazard"
    if rating.finding == "hazard":
        return f"hazard, {words}"
    return f"{words}, sufficient" if rating.target else words
