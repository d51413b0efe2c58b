"""Two seasons of one block -> Changes: what moved beyond doubt, by what was spread, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.checks import CheckedSamples, check_samples
from geo.comparing.change import (
    FEWEST_STATIONS,
    Change,
    areas_of,
    change_over,
    control_of,
    refused_change,
    with_expected,
    with_verdicts,
)
from geo.comparing.comparable import about_survey, comparables, other_laboratory, shift_sd
from geo.comparing.detect import mean_of
from geo.comparing.lessons import learn_responses
from geo.comparing.maps import Baseline, ChangeMap, cokrige_map, map_changes
from geo.comparing.pairs import Pairs, pair_stations
from geo.comparing.scale import Paired, pair_values
from geo.comparing.treatments import Spread, spread_between
from geo.comparing.worth import Worth, money_spent
from geo.errors import SoilquiltError, UsageError
from geo.farm import Records, read_records
from geo.grids import Array
from geo.noise import laboratory_sd
from geo.response import Response

#: A survey older than this teaches nothing of what was spread since. [years]
YEARS_BACK = 10


@dataclass(frozen=True)
class Changes:
    """Everything two seasons say of one block.

    Attributes
    ----------
    block : Block
    years : (int, int)
    pairs : Pairs
    spread : Spread
    warnings : tuple of str
        That hold for every property.
    changes : tuple of Change
        Property by property; the block first, then by what was spread, then zones.
    maps : mapping
        Key -> ChangeMap.
    responses : tuple of Response
    worth : Worth
    paired : mapping
        Key -> Paired, the values behind.
    waiting : tuple of (season, text)
        Open questions of either year; the values they concern are not compared.
    """

    block: Block
    years: tuple[int, int]
    pairs: Pairs
    spread: Spread
    warnings: tuple[str, ...]
    changes: tuple[Change, ...]
    maps: Mapping[str, ChangeMap]
    responses: tuple[Response, ...]
    worth: Worth
    paired: Mapping[str, Paired]
    waiting: tuple[tuple[int, str], ...] = ()

    def of(self, key: str, area: str = "block") -> Change:
        """The change of a property over an area."""
        return next(one for one in self.changes if (one.key, one.area) == (key, area))


def compare(farm: Path, first: int, second: int, block: str | None = None) -> Changes:
    """Compare two seasons of one block of a farm.

    Parameters
    ----------
    farm : Path
        The farm folder.
    first, second : int
        Seasons, the earlier one first.
    block : str or None
        Name of the block; None takes the farm's only one.

    Raises
    ------
    UsageError
        If the years are not in order.
    FarmError
        If there is no such farm or block, or a season has no soil samples.
    """
    if first >= second:
        raise UsageError(f"Compare an earlier season with a later one, not {first} with {second}.")
    return compare_records(read_records(farm, first, block), read_records(farm, second, block))


def responses_before(farm: Path, season: int, block: str | None = None) -> tuple[Response, ...]:
    """What a block has taught up to a season, from its two latest surveys; empty with fewer.

    For the rates of that season: those that are `used` replace the table's response.
    """
    records = read_records(farm, season, block)
    if not records.applications:
        return ()
    for earlier in range(season - 1, season - 1 - YEARS_BACK, -1):
        first = read_records(farm, earlier, records.block.name)
        if first.layers and records.layers:
            try:
                return compare_records(first, records, maps=False).responses
            except SoilquiltError:
                # Years that cannot be compared teach nothing; the season itself can still be run.
                continue
    return ()


def compare_records(
    first: Records,
    second: Records,
    zones: Mapping[tuple[str, int], BaseGeometry] | None = None,
    *,
    maps: bool = True,
) -> Changes:
    """Compare two seasons of one block from their records.

    Parameters
    ----------
    first, second : Records
    zones : mapping, optional
        (amendment, zone number) -> outline in the block's metric CRS. [m]
    maps : bool
        Krige the changes too.

    Raises
    ------
    UsageError
        If the two seasons have no depth layer in common.
    """
    one, two = _checked(first, second)
    block, pairs = second.block, pair_stations(one, two)
    spread = spread_between(second, one.samples.sampled_on, two.samples.sampled_on, pairs)
    terms = comparables(one, two)
    groups = [treatment.stations for treatment in spread.treatments]
    paired = pair_values(one, two, terms, pairs, block, groups)
    areas = areas_of(spread, pairs, zones or {})
    shifted = bool(other_laboratory(one.samples, two.samples))
    changes = [
        change_over(paired[key], area, spread, shifted)
        for key in paired
        for area in areas
        if (paired[key].there & area.stations).any()
    ]
    changes += [refused_change(key, term.refused) for key, term in terms.items() if term.refused]
    responses = learn_responses(paired, pairs, spread, one, two, block, second.settings)
    changes = [with_expected(change, spread, responses) for change in changes]
    order = list(terms)
    stands = sorted(with_verdicts(changes), key=lambda change: order.index(change.key))
    return Changes(
        block,
        (first.season, second.season),
        pairs,
        spread,
        about_survey(one.samples, two.samples),
        tuple(stands),
        _maps(paired, pairs, (one, two), second, spread, shifted) if maps else {},
        responses,
        money_spent(spread, block, second.settings),
        paired,
        tuple(
            (checked.samples.season, finding.message)
            for checked in (one, two)
            for finding in checked.findings
            if finding.severity == "open"
        ),
    )


def _checked(first: Records, second: Records) -> tuple[CheckedSamples, CheckedSamples]:
    """Both seasons' samples of the topmost layer they share."""
    shared = [one.depth_cm for one in first.layers]
    depth = next((two.depth_cm for two in second.layers if two.depth_cm in shared), None)
    if depth is None and first.layers and second.layers:
        raise UsageError(
            f"{second.block.name}: {first.season} was sampled to other depths than {second.season} "
            f"({first.layers[0].depth_cm[1]:g} and {second.layers[0].depth_cm[1]:g} cm). Different "
            "depths are not compared."
        )
    return (
        check_samples(first.layer(depth), first.block, first.planned),
        check_samples(second.layer(depth), second.block, second.planned),
    )


def _maps(
    paired: Mapping[str, Paired],
    pairs: Pairs,
    years: tuple[CheckedSamples, CheckedSamples],
    records: Records,
    spread: Spread,
    shifted: bool,
) -> dict[str, ChangeMap]:
    block, spacing = records.block, records.settings.grid.spacing_m
    samples = {
        key: [_samples(one, checked, year) for year, checked in enumerate(years)]
        for key, one in paired.items()
    }
    level = {key: _level(paired[key], values[0][1]) for key, values in samples.items()}
    noise = {key: laboratory_sd(key, level[key], logs=one.logs) for key, one in paired.items()}
    bases = {key: _baseline(one, spread, level[key], shifted) for key, one in paired.items()}
    found = map_changes(paired, pairs, block, spacing, noise, bases)
    limed = "lime" in spread.done_kg_ha
    for key in paired.keys() - found.keys():
        first, second = samples[key]
        other = cokrige_map(
            paired[key], first, second, block, spacing, noise[key], bases[key], limed=limed
        )
        if other is not None:
            found[key] = other
    return {key: found[key] for key in paired if key in found}


def _level(paired: Paired, first: Array) -> float:
    """Middle of the first year's samples in the house unit."""
    middle = float(np.median(first)) if len(first) else 1.0
    return math.exp(middle) if paired.logs else middle


def _baseline(paired: Paired, spread: Spread, level: float, shifted: bool) -> Baseline:
    """Untreated ground if there is enough; else the doubt of another laboratory."""
    against, control = control_of(paired, spread)
    if control.sum() >= FEWEST_STATIONS:
        mean = mean_of(paired.change[control])
        return Baseline(mean.mean, mean.se, against)
    shift = shift_sd(paired.key, level, logs=paired.logs) if shifted else 0.0
    return Baseline(0.0, shift, "")


def _samples(paired: Paired, checked: CheckedSamples, year: int) -> tuple[Array, Array]:
    table = checked.usable
    column = paired.terms.first(table) if year == 0 else paired.terms.second(table)
    values = column.to_numpy(dtype=float)
    xy = table[["x_m", "y_m"]].to_numpy(dtype=float)
    there = np.isfinite(values) & np.isfinite(xy).all(axis=1)
    _, first = np.unique(xy[there], axis=0, return_index=True)
    keep = np.flatnonzero(there)[np.sort(first)]
    kept = np.asarray(values[keep], dtype=float)
    return xy[keep], np.asarray(np.log(kept)) if paired.logs else kept
