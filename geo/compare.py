"""Two seasons of one block -> Changes: what moved beyond doubt, by what was spread, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.checks import CheckedSamples, check_samples
from geo.comparing.comparable import about_survey, comparables, other_laboratory, shift_sd
from geo.comparing.detect import (
    ALPHA,
    between,
    detectable_mean,
    detectable_single,
    discovery_limit,
    mean_of,
)
from geo.comparing.lessons import learn_responses
from geo.comparing.maps import Baseline, ChangeMap, cokrige_map, map_changes
from geo.comparing.pairs import Pairs, pair_stations
from geo.comparing.scale import Paired, pair_values
from geo.comparing.treatments import AIMS, Spread, spread_between
from geo.comparing.worth import Worth, money_spent
from geo.errors import UsageError
from geo.farm import Records, read_records
from geo.grids import Array, Mask
from geo.lookup import properties
from geo.noise import laboratory_sd
from geo.response import Response

SHOWN, NOT_SHOWN, REFUSED = "shown", "not_shown", "refused"
#: Stations needed on either side before treated ground is set against untreated.
FEWEST_STATIONS = 3
#: A survey older than this teaches nothing of what was spread since. [years]
YEARS_BACK = 10
LABORATORIES = "the stations agree, but two laboratories alone may stand as far apart"


@dataclass(frozen=True)
class Effect:
    """Change less that of ground where nothing was spread that moves the property. [as Change]

    `expected` is what the published response makes of what was planned, where there is one. [unit]
    """

    against: str
    n: int
    difference: float
    low: float
    high: float
    p: float
    verdict: str
    expected: float | None = None


@dataclass(frozen=True)
class Change:
    """Change of one property over one area, paired by station.

    Attributes
    ----------
    key, unit : str
    area : str
        "block", the name of a treatment, "check strip", or a zone such as "lime, zone 2".
    zone_id : int or None
    n : int
        Stations sampled in both years.
    before, after : float
        Means at those stations. [unit]
    difference, sd : float
        Mean and standard deviation of the single differences. [unit]
    low, high : float
        19 in 20 for the mean change; with `factor` of the factor. [unit, 1 with factor]
    factor : float or None
        Geometric mean of after over before, where the property is compared on logs. [1]
    detectable : float
        Mean change that these stations would show four times in five, from the noise of both
        years alone, found before looking; with `factor` the factor above 1. [unit, 1 with factor]
    detectable_single : float
        The same for one station, once in twenty exceeded by noise. [unit, 1 with factor]
    p : float
    verdict : str
        "shown", "not_shown" or "refused".
    why : str
        Why it is refused, or why a change that the stations agree on is not shown; else empty.
    warnings : tuple of str
    effect : Effect or None
        Set against untreated ground.
    aim : bool
        Whether what was spread there was meant to move this property.
    """

    key: str
    unit: str
    area: str
    zone_id: int | None
    n: int
    before: float
    after: float
    difference: float
    sd: float
    low: float
    high: float
    factor: float | None
    detectable: float
    detectable_single: float
    p: float
    verdict: str
    why: str = ""
    warnings: tuple[str, ...] = ()
    effect: Effect | None = None
    aim: bool = False


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
    for earlier in range(season - 1, season - 1 - YEARS_BACK, -1):
        first = read_records(farm, earlier, records.block.name)
        if first.layers and records.layers:
            try:
                return compare_records(first, records, maps=False).responses
            except UsageError:
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
    areas = _areas(spread, pairs, zones or {})
    shifted = bool(other_laboratory(one.samples, two.samples))
    changes = [
        _change(paired[key], area, spread, shifted)
        for key in paired
        for area in areas
        if (paired[key].there & area.stations).any()
    ]
    changes += [_refused(key, term.refused) for key, term in terms.items() if term.refused]
    responses = learn_responses(paired, pairs, spread, one, two, block, second.settings)
    changes = [_with_expected(change, spread, responses) for change in changes]
    order = list(terms)
    stands = sorted(_control_false(changes), key=lambda change: order.index(change.key))
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


@dataclass(frozen=True)
class _Area:
    name: str
    stations: Mask
    zone_id: int | None = None
    treatment: int | None = None


def _areas(
    spread: Spread, pairs: Pairs, zones: Mapping[tuple[str, int], BaseGeometry]
) -> list[_Area]:
    areas = [_Area("block", np.ones(len(pairs.ids), dtype=bool))]
    if spread.applications and len(spread.treatments) > 0:
        areas += [
            _Area(one.name, one.stations, treatment=i) for i, one in enumerate(spread.treatments)
        ]
    if spread.check.any():
        areas.append(_Area("check strip", spread.check & ~np.isin(pairs.ids, spread.border)))
    for (amendment, number), outline in zones.items():
        inside = shapely.contains_xy(outline, *pairs.xy.T) if len(pairs.ids) else np.zeros(0, bool)
        areas.append(_Area(f"{amendment}, zone {number}", np.asarray(inside), number))
    return areas


def _change(paired: Paired, area: _Area, spread: Spread, shifted: bool) -> Change:
    use = paired.there & area.stations
    d = paired.change[use]
    level = float(np.median(paired.first[use]))
    shift = shift_sd(paired.key, level, logs=paired.logs) if shifted else 0.0
    mean = mean_of(d, shift_sd=shift)
    plain = paired.second[use] - paired.first[use]
    detectable = math.hypot(detectable_mean(paired.pair_sd, len(d)), detectable_single(shift))
    low, high = mean.interval()
    return Change(
        key=paired.key,
        unit=properties()[paired.key].unit,
        area=area.name,
        zone_id=area.zone_id,
        n=len(d),
        before=float(np.mean(paired.first[use])),
        after=float(np.mean(paired.second[use])),
        difference=float(np.mean(plain)),
        sd=float(np.std(plain, ddof=1)) if len(plain) > 1 else math.nan,
        low=_shown(low, paired.logs),
        high=_shown(high, paired.logs),
        factor=math.exp(mean.mean) if paired.logs else None,
        detectable=_shown(detectable, paired.logs),
        detectable_single=_shown(detectable_single(paired.pair_sd), paired.logs),
        p=mean.p,
        verdict=NOT_SHOWN,
        why=LABORATORIES if mean_of(d).p <= ALPHA < mean.p else "",
        warnings=paired.terms.warnings,
        effect=_effect(paired, area, spread),
        aim=area.treatment is not None
        and any(
            paired.key in AIMS.get(amendment, ())
            for amendment, _ in spread.treatments[area.treatment].rates_kg_ha
        ),
    )


def _shown(value: float, logs: bool) -> float:
    """A change as people read it: a factor where it was compared on logs."""
    if not logs:
        return value
    return math.inf if value > 700.0 else math.exp(value)


def _effect(paired: Paired, area: _Area, spread: Spread) -> Effect | None:
    """Treated ground set against ground that got nothing which moves this property."""
    if area.treatment is None:
        return None
    mine = spread.treatments[area.treatment]
    if not mine.moves(paired.key, spread.applications):
        return None
    against, control = _control(paired, spread)
    treated, untreated = paired.there & mine.stations, paired.there & control
    if min(treated.sum(), untreated.sum()) < FEWEST_STATIONS:
        return None
    found = between(paired.change[treated], paired.change[untreated])
    low, high = found.interval()
    return Effect(
        against,
        int(untreated.sum()),
        _shown(found.mean, paired.logs),
        _shown(low, paired.logs),
        _shown(high, paired.logs),
        found.p,
        NOT_SHOWN,
    )


def _with_expected(change: Change, spread: Spread, responses: Sequence[Response]) -> Change:
    """What the table would have expected of the treatment, beside what was measured."""
    mine = next((one for one in spread.treatments if one.name == change.area), None)
    if mine is None or change.effect is None:
        return change
    rates = dict(mine.rates_kg_ha)
    for one in responses:
        if one.key == change.key and one.amendment in rates:
            expected = one.expected(rates[one.amendment])
            return replace(change, effect=replace(change.effect, expected=expected))
    return change


def _control(paired: Paired, spread: Spread) -> tuple[str, Mask]:
    """Ground that got nothing which moves the property, while other ground did."""
    control = np.zeros(len(paired.first), dtype=bool)
    others = [one for one in spread.treatments if not one.moves(paired.key, spread.applications)]
    if len(others) == len(spread.treatments):
        return "", control
    for one in others:
        control |= one.stations
    return " and ".join(one.name for one in others), control & paired.there


def _refused(key: str, why: str) -> Change:
    nan = math.nan
    return Change(
        key, properties()[key].unit, "block", None, 0, nan, nan, nan, nan, nan, nan, None, nan, nan,
        nan, REFUSED, why,
    )  # fmt: skip


def _control_false(changes: Sequence[Change]) -> list[Change]:
    """Verdicts: 19 in 20 each, and at most one in ten of those called is false.

    What was to be expected from what was spread is a family of its own, and so are the block, the
    treatments and the zones: the many tests where nothing was expected must not hide the few.
    """
    effects = np.array([one.effect.p for one in changes if one.effect])
    effect_limit = min(discovery_limit(effects), ALPHA)
    families = {_family(one) for one in changes}
    limits = {
        family: min(
            discovery_limit(np.array([one.p for one in changes if _family(one) == family])), ALPHA
        )
        for family in families
    }
    found = []
    for one in changes:
        stands, effect = one, one.effect
        if one.verdict != REFUSED and one.p <= limits[_family(one)]:
            stands = replace(stands, verdict=SHOWN)
        if effect and effect.p <= effect_limit:
            stands = replace(stands, effect=replace(effect, verdict=SHOWN))
        found.append(stands)
    return found


def _family(change: Change) -> str:
    if change.area == "block":
        return "block"
    return "treatments" if change.zone_id is None else "zones"


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
    against, control = _control(paired, spread)
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
