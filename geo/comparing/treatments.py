"""What was really spread at each station between two samplings, from records and machine logs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import shapely

from geo.asapplied import as_applied
from geo.blocks import Block
from geo.comparing.pairs import Pairs
from geo.farm import Records
from geo.grids import Array, Mask, grid_over
from geo.intake.reading import Application, LoggedRate
from geo.treated import treated_areas

#: A position from a hand-held receiver is this good, common practice. [m]
GPS_M = 3.0
#: A mean rate within reach of a position that lies farther from every planned rate than this share
#: of the step between them leaves open which of them the station got. [1]
MIXED = 0.25
#: Side of the cells on which rates are laid out. [m]
CELL_M = 1.5

PH = ("ph_water", "ph_cacl2", "ph_kcl", "buffer_ph", "exch_acidity")
#: Amendment -> properties that it moves.
MOVES = {
    "lime": (*PH, "ca", "mg", "ecec", "base_saturation", "esp"),
    "sulfur": (*PH, "s", "ec", "p", "mn", "fe", "zn", "base_saturation"),
    "gypsum": ("ca", "na", "s", "ec", "mg", "esp", "ecec", "base_saturation"),
    "potassium": ("k", "ecec", "base_saturation", "esp"),
    "phosphorus": ("p",),
    "magnesium": ("mg", "ecec", "base_saturation"),
    "nitrogen": ("no3_n", *PH),
    "zinc": ("zn",),
    "boron": ("b",),
    "manganese": ("mn",),
    "copper": ("cu",),
    "iron": ("fe",),
}

#: Amendment -> properties that it is spread for.
AIMS = {
    "lime": ("ph_water", "ph_cacl2", "ph_kcl"),
    "sulfur": ("ph_water", "ph_cacl2", "ph_kcl"),
    "gypsum": ("na", "esp"),
    "potassium": ("k",),
    "phosphorus": ("p",),
    "magnesium": ("mg",),
    "zinc": ("zn",),
    "boron": ("b",),
    "manganese": ("mn",),
}


@dataclass(frozen=True)
class Treatment:
    """Stations that got the same.

    Attributes
    ----------
    name : str
        Such as "calcitic lime, fine, 1600 kg/ha", or "nothing spread".
    rates_kg_ha : tuple of (amendment, product in kg/ha as planned)
        Empty where nothing was spread.
    stations : array of bool (pairs,)
    """

    name: str
    rates_kg_ha: tuple[tuple[str, float], ...]
    stations: Mask

    def moves(self, key: str, records: Sequence[Application]) -> bool:
        """Whether something in it moves a property."""
        got = {amendment for amendment, _ in self.rates_kg_ha}
        return any(moves(one, key) for one in records if one.amendment in got)


@dataclass(frozen=True)
class Spread:
    """What lies between two samplings of a block.

    Attributes
    ----------
    applications : tuple of Application
        With a rate, between the samplings, each once.
    done_kg_ha : mapping amendment -> array (pairs,)
        What the station got: of the log where there is one, else of the record. [kg/ha]
    treatments : tuple of Treatment
        The untreated first, then by rate.
    border : tuple of str
        Stations so near a border that their position leaves open what they got.
    check : array of bool (pairs,)
        Stations in a check strip.
    logged : tuple of str
        Amendments whose log was used.
    unplaced : tuple of Application
        Records of a part of the block that do not say which.
    """

    applications: tuple[Application, ...]
    done_kg_ha: dict[str, Array]
    treatments: tuple[Treatment, ...]
    border: tuple[str, ...]
    check: Mask
    logged: tuple[str, ...]
    unplaced: tuple[Application, ...]


def moves(one: Application, key: str) -> bool:
    """Whether an application moves a property: by what it is, or by what its analysis names.

    Examples
    --------
    >>> sop = Application(None, "B", "", "", "potassium", "41.5 % K; 18 % S", 250.0, None, "")
    >>> moves(sop, "k"), moves(sop, "s"), moves(sop, "ph_water")
    (True, True, False)
    """
    named = {match.lower() for match in re.findall(r"%\s*([A-Z][a-z]?)\b(?!O|C)", one.analysis)}
    return key in MOVES.get(one.amendment, ()) or key in named


def spread_between(
    records: Records, first: date | None, second: date | None, pairs: Pairs
) -> Spread:
    """Applications between two samplings, laid on the stations.

    Parameters
    ----------
    records : Records
        Of the second season: they hold the applications and logs of earlier ones.
    first, second : date or None
        Days of the samplings.
    pairs : Pairs
    """
    chosen = applications_between(records.applications, first, second)
    amendments = list(dict.fromkeys(one.amendment for one in chosen if one.rate_kg_ha))
    amendments = [name for name in amendments if name in MOVES]
    count = len(pairs.ids)
    border = np.zeros(count, dtype=bool)
    done: dict[str, Array] = {}
    planned: dict[str, Array] = {}
    logged: list[str] = []
    unplaced: list[Application] = []
    swath = records.settings.spreader_of(records.block.name).width_m
    for name in amendments:
        mine = [one for one in chosen if one.amendment == name]
        got = _at_stations(name, mine, records.logged, records.block, swath, pairs)
        done[name], planned[name] = got.done, got.planned
        border |= got.mixed
        unplaced += got.unplaced
        if got.logged_share > 0.0:
            logged.append(name)
    return Spread(
        applications=tuple(chosen),
        done_kg_ha=done,
        treatments=_group(done, planned, chosen, border),
        border=tuple(name for name, on in zip(pairs.ids, border, strict=True) if on),
        check=_in_check_strip(chosen, records.block, pairs),
        logged=tuple(logged),
        unplaced=tuple(unplaced),
    )


def applications_between(
    applications: Iterable[Application], first: date | None, second: date | None
) -> list[Application]:
    """Records with a rate, zero included, between two samplings, each once."""
    chosen = [one for one in applications if _between(one.applied_on, first, second)]
    return _once([one for one in chosen if one.rate_kg_ha is not None])


def _between(day: date | None, first: date | None, second: date | None) -> bool:
    if day is None:
        return False
    return (first is None or day >= first) and (second is None or day < second)


def _once(records: Iterable[Application]) -> list[Application]:
    """A record with an outline stands for those of its day and amendment without one."""
    records = list(records)
    placed = {(one.applied_on, one.amendment) for one in records if one.where_lonlat}
    return [
        one for one in records if one.where_lonlat or (one.applied_on, one.amendment) not in placed
    ]


@dataclass(frozen=True)
class _AtStations:
    done: Array
    planned: Array
    mixed: Mask
    logged_share: float
    unplaced: tuple[Application, ...]


def _at_stations(
    amendment: str,
    records: Sequence[Application],
    logged: Sequence[LoggedRate],
    block: Block,
    swath_m: float,
    pairs: Pairs,
) -> _AtStations:
    """Rate within reach of both positions; mixed where they disagree or a border runs near."""
    grid = grid_over(block.outline, block.crs, CELL_M)
    spread = as_applied(amendment, records, logged, block, grid, swath_m)
    cells = grid.cells()
    done, planned = spread.done_kg_ha[grid.inside], spread.planned_kg_ha[grid.inside]
    count = len(pairs.ids)
    levels = np.unique(np.append(planned, 0.0))
    at, plan, mixed = np.zeros(count), np.zeros(count), np.zeros(count, dtype=bool)
    for i in range(count):
        means, nearest = [], []
        for xy in (pairs.first_xy[i], pairs.second_xy[i]):
            apart = np.hypot(*(cells - xy).T)
            near = apart <= max(GPS_M, apart.min() + CELL_M)
            means.append(float(done[near].mean()))
            nearest.append(float(levels[np.argmin(np.abs(levels - means[-1]))]))
        step = float(np.diff(levels).min()) if len(levels) > 1 else 0.0
        off = max(abs(mean - level) for mean, level in zip(means, nearest, strict=True))
        at[i], plan[i] = float(np.mean(means)), nearest[0]
        mixed[i] = nearest[0] != nearest[1] or off > MIXED * step
    return _AtStations(at, plan, mixed, spread.logged_share, spread.unplaced)


def _group(
    done: dict[str, Array], planned: dict[str, Array], records: Sequence[Application], border: Mask
) -> tuple[Treatment, ...]:
    """Stations by the planned rate nearest to what they got; borders left out."""
    classes: dict[tuple[tuple[str, float], ...], list[int]] = {}
    rates = {name: np.unique(np.append(planned[name], 0.0)) for name in done}
    for i in np.flatnonzero(~border):
        got = tuple(
            (name, float(nearest))
            for name in done
            if (nearest := rates[name][np.argmin(np.abs(rates[name] - done[name][i]))]) > 0.0
        )
        classes.setdefault(got, []).append(int(i))
    order = sorted(classes, key=lambda got: (len(got), [name for name, _ in got], got))
    return tuple(
        Treatment(_name(got, records), got, np.isin(np.arange(len(border)), classes[got]))
        for got in order
    )


def _name(got: tuple[tuple[str, float], ...], records: Sequence[Application]) -> str:
    if not got:
        return "nothing spread"
    words = []
    for amendment, rate in got:
        product = next(
            one.product for one in records if one.amendment == amendment and one.rate_kg_ha
        )
        amount = f"{rate / 1000:g} t/ha" if rate >= 1000 else f"{rate:g} kg/ha"
        words.append(f"{product}, {amount}")
    return " and ".join(words)


def _in_check_strip(records: Sequence[Application], block: Block, pairs: Pairs) -> Mask:
    found = np.zeros(len(pairs.ids), dtype=bool)
    for area in treated_areas(records, block.crs):
        if area.check and len(pairs.ids):
            found |= shapely.contains_xy(area.shape, *pairs.first_xy.T)
    return found
