"""What a person is told beside a surface: the verdict in a sentence, and what to know about it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from shapely.geometry.base import BaseGeometry

from geo.belief.belief import Character
from geo.belief.frame import Frame
from geo.belief.verdicts import (
    FEW,
    FEWEST,
    LONE_WRONG_PCT,
    MANY,
    USEFUL,
    WEAK,
    describe_error_rates,
)
from geo.crossvalidation import CrossValidation
from geo.grids import Array
from geo.surfacing.columns import Column

#: A sample this many doubts away from what its neighbours say is flagged, never dropped.
FAR_OUT = 3.0
#: Samples spread less than this share of the block across their line lie on one line.
ONE_LINE = 0.05
#: Mean distance to the nearest sample over that of a random pattern, below which samples stand in
#: clusters; the ratio is that of Clark and Evans (1954), Ecology 35, 445-453 (from memory), the
#: limit engineering judgement.
CLUSTERED = 0.6


def amount(value: float, unit: str, digits: int = 3) -> str:
    """A value with so many significant digits and its unit; pH with one decimal.

    Examples
    --------
    >>> amount(95.42, "mg/kg"), amount(1234.5, "mg/kg"), amount(0.02, "%"), amount(7.21, "pH")
    ('95.4 mg/kg', '1234 mg/kg', '0.02 %', 'pH 7.2')
    """
    if unit == "pH":
        return f"pH {figure(value, decimals=1)}"
    return with_unit(figure(value, digits), unit)


def with_unit(number: str, unit: str) -> str:
    """A number already written, with its unit."""
    return number if unit in ("1", "") else f"{number} {unit}"


def figure(value: float, digits: int = 3, decimals: int | None = None) -> str:
    """A number with so many significant digits or decimals, never in powers of ten."""
    if not math.isfinite(value):
        return "unknown"
    if decimals is None:
        decimals = _decimals(value, digits)
    number = f"{value:.{decimals}f}"
    if abs(value) < 0.1 and "." in number:
        number = number.rstrip("0").rstrip(".")
    return number.replace("-", "\N{MINUS SIGN}")


def _decimals(value: float, digits: int) -> int:
    """Decimals that show so many significant digits of a value."""
    if value == 0.0:
        return 0
    return max(0, digits - 1 - math.floor(math.log10(abs(value))))


def plain_sentence(
    column: Column,
    block: str,
    verdict: str,
    mean: tuple[float, float, float],
    misses: tuple[float, float] | None,
) -> str:
    """The verdict with its numbers.

    Parameters
    ----------
    mean : (value, low, high)
        Block mean and its two-in-three range. [unit]
    misses : (of the map, of one value) or None
        Root mean square leave-one-out errors. [unit]
    """
    unit, n = column.prop.unit, len(column.present)
    digits = 2 if abs(mean[0]) < 100 else 3
    value = amount(mean[0], unit, digits)
    if verdict == USEFUL and misses is not None:
        return (
            "Useful map. Tested by leaving each sample out in turn: the map misses by "
            f"{with_unit(figure(misses[0], 2), unit)}, one value for the block by "
            f"{with_unit(figure(misses[1], 2), unit)}."
        )
    if verdict == WEAK:
        decimals = 1 if unit == "pH" else _decimals(mean[0], digits)
        low, high = (figure(limit, decimals=decimals) for limit in mean[1:])
        return (
            "Hardly better than the average. You may look at the map; the rate uses one value, "
            f"{value} ({low} to {high}, two in three)."
        )
    if column.hopeless == "equal":
        if n == 1:
            return f"One sample reads {value}. That is one value, not a map."
        return f"Every sample reads {value}. That is one value, not a map."
    name = column.prop.name
    if name[1:2].islower():  # "zinc", not "pH (water)"
        name = name[:1].upper() + name[1:]
    lead = f"{name} in {block}: no map, one value. "
    take = f" Take {value} for the whole block."
    if column.hopeless == "few":
        return f"{lead}{n} samples are too few for a map; {FEWEST} are the least.{take}"
    if column.hopeless == "censored":
        beyond = len(column.below) + len(column.above)
        return f"{lead}{beyond} of {n} values lie beyond what the laboratory can measure.{take}"
    return f"{lead}It changes from step to step, and {n} samples cannot say where.{take}"


def remarks_on_column(column: Column, verdict: str) -> list[str]:
    """Notes that need no belief: few samples, censored values, logs."""
    n = len(column.present)
    notes = []
    if FEWEST <= n <= FEW and not column.hopeless:
        hint = " Read this map as a hint." if verdict in (USEFUL, WEAK) else ""
        notes.append(f"{n} samples are few.{hint}")
    if not column.hopeless:
        notes.append(describe_error_rates(n))
    if verdict == USEFUL:
        low, high = LONE_WRONG_PCT
        notes.append(
            "A property without any pattern, measured beside others that have one, is still given "
            f"a map in {low:.0f} to {high:.0f} of 100 cases."
        )
    if column.above:
        notes.append(
            f"{_samples(sorted(column.above))}: above the laboratory's upper limit. The limit "
            "stands in, so the soil holds more than the map says there."
        )
    if column.logs:
        notes.append(
            "Mapped on the log scale: the map shows the typical value of a place, and its doubt "
            "reaches farther up than down."
        )
    return notes


def remark_on_censored(
    column: Column,
    now: tuple[float, float],
    quarter: tuple[float, float],
    full: tuple[float, float],
) -> str:
    """How much hangs on what a value below the limit is read as.

    Parameters
    ----------
    now, quarter, full : (block mean, skill)
        With half the limit, a quarter of it, and the whole limit. [unit], [1]
    """
    unit = column.prop.unit
    return (
        f"{_samples(sorted(column.below))}: below what the laboratory can measure. Half the limit "
        f"stands in. With a quarter of it the block mean goes from {figure(now[0])} to "
        f"{amount(quarter[0], unit)} and the skill from {figure(now[1], decimals=2)} to "
        f"{figure(quarter[1], decimals=2)}; with the whole limit to {amount(full[0], unit)} and "
        f"{figure(full[1], decimals=2)}."
    )


def remarks_on_belief(character: Character, n: int) -> list[str]:
    """Range, trend and short-range share in words; never a fitted figure as a finding below 50."""
    notes = []
    if character.trend_likely:
        notes.append("A trend across the block is likely.")
    if math.isfinite(character.range_m):
        known = ", weakly known" if n < MANY else ""
        notes.append(
            f"Places are alike up to about {character.range_m:.0f} m "
            f"({character.range_low_m:.0f} to {character.range_high_m:.0f} m{known})."
        )
    return notes


def outliers(crossvalidation: CrossValidation) -> Array:
    """Errors of leaving each sample out, over their doubt. [1]"""
    departure: Array = -crossvalidation.error / np.sqrt(crossvalidation.variance)
    return departure


def remarks_on_outliers(ids: Sequence[tuple[str, ...]], departures: Array) -> list[str]:
    """Samples far from what the others say; they stay in the map."""
    return [
        f"{_samples(names)} lies {abs(z):.1f} times the doubt {'above' if z > 0 else 'below'} what "
        "the other samples say there. It is kept; check the bag and the entry."
        for names, z in zip(ids, departures, strict=True)
        if abs(z) > FAR_OUT
    ]


def remarks_on_places(
    ids: Sequence[tuple[str, ...]], xy: Array, outline: BaseGeometry, frame: Frame
) -> list[str]:
    """Same place twice, one line, clusters, a block in parts."""
    notes = [
        f"{_samples(names)} carry the same position and are mapped as one spot, with the mean of "
        "their values."
        for names in ids
        if len(names) > 1
    ]
    parts = len(getattr(outline, "geoms", (outline,)))
    if parts > 1:
        notes.append(
            f"The block lies in {parts} parts. Distance is measured straight across the gap, as if "
            "the soil went on there."
        )
    if len(xy) >= 3:
        across = float(np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)[-1])
        if across / math.sqrt(len(xy)) < ONE_LINE * frame.scale_m:
            notes.append(
                "The samples lie on one line: across it the map rests on assumption alone."
            )
        elif _clark_evans(xy, frame.area_m2) < CLUSTERED:
            notes.append(
                "The samples stand in clusters: between them the map rests on few of them."
            )
    return notes


def _clark_evans(xy: Array, area_m2: float) -> float:
    """Mean distance to the nearest neighbour over that of a random pattern. [1]"""
    distance = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(distance, np.inf)
    return float(distance.min(axis=1).mean() / (0.5 * math.sqrt(area_m2 / len(xy))))


def _samples(names: Sequence[str]) -> str:
    if len(names) == 1:
        return names[0]
    return f"{', '.join(names[:-1])} and {names[-1]}"
