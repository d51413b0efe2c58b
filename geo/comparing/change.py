"""Change of one property over one area, paired by station, with its verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.comparing.comparable import shift_sd
from geo.comparing.detect import (
    ALPHA,
    between,
    chance_beyond,
    detectable_mean,
    detectable_single,
    discovery_limit,
    mean_of,
)
from geo.comparing.pairs import Pairs
from geo.comparing.scale import Paired
from geo.comparing.treatments import AIMS, Spread
from geo.grids import Mask
from geo.lookup import properties
from geo.response import Response

SHOWN, NOT_SHOWN, REFUSED = "shown", "not_shown", "refused"
#: Stations needed on either side before treated ground is set against untreated.
FEWEST_STATIONS = 3
#: Keys that are a soil's own pH, not a buffer's.
PH_TESTS = ("ph_water", "ph_cacl2", "ph_kcl")
#: Smallest difference worth acting on, sampling and analysis together (Collins and Budden,
#: International Fertiliser Society; abstract seen). [pH]
WORTH_PH = 0.2
LABORATORIES = "the stations agree, but two laboratories alone may stand as far apart"


@dataclass(frozen=True)
class Effect:
    """Change less that of ground where nothing was spread that moves the property. [as Change]

    `expected` is what the published response makes of what was planned, where there is one. [unit]
    `worth` is the smallest difference worth acting on where one is published [unit], and
    `chance_worth` the chance that the effect is larger than that, either way. [1]
    """

    against: str
    n: int
    difference: float
    low: float
    high: float
    p: float
    verdict: str
    expected: float | None = None
    worth: float | None = None
    chance_worth: float | None = None


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
    laboratories : float or None
        How far two laboratories may stand apart, once in twenty exceeded, where both years are
        not of one; counted in `low`, `high`, `detectable` and `p`. [unit, 1 with factor]
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
    laboratories: float | None = None


@dataclass(frozen=True)
class Area:
    """Ground told of by itself: its stations, and which zone or treatment it is."""

    name: str
    stations: Mask
    zone_id: int | None = None
    treatment: int | None = None


def areas_of(
    spread: Spread, pairs: Pairs, zones: Mapping[tuple[str, int], BaseGeometry]
) -> list[Area]:
    """The block, what got the same, the check strip, and the zones of a run."""
    areas = [Area("block", np.ones(len(pairs.ids), dtype=bool))]
    if spread.applications and len(spread.treatments) > 0:
        areas += [
            Area(one.name, one.stations, treatment=i) for i, one in enumerate(spread.treatments)
        ]
    if spread.check.any():
        areas.append(Area("check strip", spread.check & ~np.isin(pairs.ids, spread.border)))
    for (amendment, number), outline in zones.items():
        inside = shapely.contains_xy(outline, *pairs.xy.T) if len(pairs.ids) else np.zeros(0, bool)
        areas.append(Area(f"{amendment}, zone {number}", np.asarray(inside), number))
    return areas


def change_over(paired: Paired, area: Area, spread: Spread, shifted: bool) -> Change:
    """Paired change of one property over one area; its verdict waits for all the others."""
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
        laboratories=_shown(detectable_single(shift), paired.logs) if shifted else None,
    )


def _shown(value: float, logs: bool) -> float:
    """A change as people read it: a factor where it was compared on logs."""
    if not logs:
        return value
    return math.inf if value > 700.0 else math.exp(value)


def _effect(paired: Paired, area: Area, spread: Spread) -> Effect | None:
    """Treated ground set against ground that got nothing which moves this property."""
    if area.treatment is None:
        return None
    mine = spread.treatments[area.treatment]
    if not mine.moves(paired.key, spread.applications):
        return None
    against, control = control_of(paired, spread)
    treated, untreated = paired.there & mine.stations, paired.there & control
    if min(treated.sum(), untreated.sum()) < FEWEST_STATIONS:
        return None
    found = between(paired.change[treated], paired.change[untreated])
    low, high = found.interval()
    worth = WORTH_PH if paired.key in PH_TESTS and not paired.logs else None
    beyond = None
    if worth is not None and found.se > 0.0:
        beyond = float(chance_beyond(np.array(found.mean), np.array(found.se), worth))
    return Effect(
        against,
        int(untreated.sum()),
        _shown(found.mean, paired.logs),
        _shown(low, paired.logs),
        _shown(high, paired.logs),
        found.p,
        NOT_SHOWN,
        worth=worth,
        chance_worth=beyond,
    )


def with_expected(change: Change, spread: Spread, responses: Sequence[Response]) -> Change:
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


def control_of(paired: Paired, spread: Spread) -> tuple[str, Mask]:
    """Ground that got nothing which moves the property, while other ground did."""
    control = np.zeros(len(paired.first), dtype=bool)
    others = [one for one in spread.treatments if not one.moves(paired.key, spread.applications)]
    if len(others) == len(spread.treatments):
        return "", control
    for one in others:
        control |= one.stations
    return " and ".join(one.name for one in others), control & paired.there


def refused_change(key: str, why: str) -> Change:
    """A property that may not be compared, and why."""
    nan = math.nan
    return Change(
        key, properties()[key].unit, "block", None, 0, nan, nan, nan, nan, nan, nan, None, nan, nan,
        nan, REFUSED, why,
    )  # fmt: skip


def with_verdicts(changes: Sequence[Change]) -> list[Change]:
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
