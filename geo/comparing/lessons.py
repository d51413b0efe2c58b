"""What a block teaches about lime, sulfur, potassium and phosphorus: its own response."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.comparing.comparable import FAR_APART_DAYS, other_laboratory
from geo.comparing.pairs import Pairs
from geo.comparing.scale import Paired
from geo.comparing.treatments import Spread, moves
from geo.grids import Array, Mask
from geo.intake.reading import Application
from geo.lookup import properties
from geo.noise import laboratory_sd
from geo.reasons import About, Reason
from geo.requirements.case import neutralizing_of
from geo.requirements.lime import lime_texture, texture_figures
from geo.requirements.shared import Layer
from geo.response import (
    PRIOR_LOG_SD,
    Prior,
    Response,
    learn,
    lime_response,
    measure,
    sulfur_response,
)
from geo.settings import Settings

#: Months after which lime is taken as reacted, and those enough for fine lime; common practice.
REACTED_MONTHS, FINE_MONTHS = 12.0, 9.0
#: Share of a lime under 250 um from which on it counts as fine, common practice. [%]
FINE_PCT = 90.0
#: Doubt of the published response on logs where free lime, texture or fixation is not known. [1]
WIDE_LOG_SD = 1.0
DAYS_A_MONTH = 30.4375


@dataclass(frozen=True)
class _Subject:
    """One amendment: the property it moves, its sign, unit, and product that counts as 1."""

    amendment: str
    keys: tuple[str, ...]
    sign: int
    unit: str
    per_kg: float


SUBJECTS = (
    _Subject("lime", ("ph_water", "ph_kcl", "ph_cacl2"), 1, "pH per t/ha", 1000.0),
    _Subject("sulfur", ("ph_water", "ph_kcl", "ph_cacl2"), -1, "pH per 100 kg/ha", 100.0),
    _Subject("potassium", ("k",), 1, "mg/kg per kg/ha K", 1.0),
    _Subject("phosphorus", ("p",), 1, "mg/kg per kg/ha P", 1.0),
)


def learn_responses(
    paired: Mapping[str, Paired],
    pairs: Pairs,
    spread: Spread,
    first: CheckedSamples,
    second: CheckedSamples,
    block: Block,
    settings: Settings,
) -> tuple[Response, ...]:
    """The block's response to each amendment that was spread between the samplings."""
    found = []
    for subject in SUBJECTS:
        key = next((key for key in subject.keys if key in paired), None)
        if key is None or subject.amendment not in spread.done_kg_ha:
            continue
        lesson = _Lesson(subject, paired[key], pairs, spread, first, second, block, settings)
        if lesson.response is not None:
            found.append(lesson.response)
    return tuple(found)


@dataclass(frozen=True)
class _Lesson:
    """One amendment on one block, with all that the answer needs."""

    subject: _Subject
    paired: Paired
    pairs: Pairs
    spread: Spread
    first: CheckedSamples
    second: CheckedSamples
    block: Block
    settings: Settings

    @property
    def records(self) -> list[Application]:
        """Its records between the samplings."""
        name = self.subject.amendment
        return [a for a in self.spread.applications if a.amendment == name and a.rate_kg_ha]

    @property
    def stations(self) -> Mask:
        """Stations told apart from borders, where nothing else moved the property."""
        key, use = self.paired.key, self.paired.there.copy()
        use &= ~np.isin(self.pairs.ids, self.spread.border)
        for one in self.spread.treatments:
            others = {name for name, _ in one.rates_kg_ha} - {self.subject.amendment}
            if any(moves(a, key) for a in self.spread.applications if a.amendment in others):
                use &= ~one.stations
        return use

    @property
    def response(self) -> Response | None:
        """What was learnt; None where no station was treated."""
        use, got = self.stations, self.spread.done_kg_ha[self.subject.amendment]
        if not (got[use] > 0.0).any():
            return None
        rates = self._levelled(got[use]) * self._content() / self.subject.per_kg
        change = (self.paired.second - self.paired.first)[use]
        level = float(np.median(self.paired.first[use]))
        own = laboratory_sd(self.paired.key, level)
        measured = measure(rates, change, 2.0**0.5 * own, season_sd=2.0 * own)
        prior, notes = self._prior()
        return learn(
            self.subject.amendment, self.paired.key, self.subject.unit, self._material(), prior,
            measured, self.subject.sign, self._against(measured.untreated),
            (*notes, *self._notes()), self.subject.per_kg / self._content(),
        )  # fmt: skip

    def _levelled(self, got: Array) -> Array:
        """Ground that got next to nothing by drift of the log counts as untreated."""
        return np.where(got < 0.1 * float(got.max()), 0.0, got)

    def _content(self) -> float:
        """What one kg of the product counts: the product itself for lime and sulfur. [kg/kg]"""
        if self.subject.amendment in ("lime", "sulfur"):
            return 1.0
        symbol = properties()[self.subject.keys[0]].symbol
        stated = [_stated(a, symbol) for a in self.records]
        known = [value for value in stated if value is not None]
        return known[0] / 100.0 if known else 1.0

    def _material(self) -> str:
        return " and ".join(dict.fromkeys(a.product for a in self.records))

    @property
    def _layer(self) -> Layer:
        top, bottom = self.second.samples.depth_cm
        site = self.block.site
        return Layer(bottom - top, site.bulk_density_mg_m3, site.stones_pct)

    def _prior(self) -> tuple[Prior, list[str]]:
        """The published response, its doubt widened where what it rests on is not known."""
        name, notes, log_sd = self.subject.amendment, [], PRIOR_LOG_SD
        mass = self._layer.fine_earth_t_ha
        if name in ("potassium", "phosphorus"):
            if name == "phosphorus":
                log_sd = WIDE_LOG_SD
                notes.append("Soils fix phosphorus: mass balance is an upper limit.")
            return Prior(1000.0 / mass, log_sd, "mass balance"), notes
        clay = self._clay_pct()
        if clay is None:
            log_sd = WIDE_LOG_SD
            notes.append("Clay is not known: the table's sandy loam is taken, with wide doubt.")
        texture = lime_texture(clay) if clay is not None else "sandy loam"
        if name == "lime":
            capacity = texture_figures("buffer_capacity_lime")[texture]
            value = lime_response(capacity, mass, neutralizing_of(self.records[0]))
            return Prior(value, log_sd, "SFS"), notes
        if self.block.site.free_lime_pct is None:
            log_sd = WIDE_LOG_SD
            notes.append("Free lime is not known and would use up sulfur first.")
        capacity = texture_figures("buffer_capacity_sulfur")[texture]
        sulfur = _stated(self.records[0], "S") or 100.0
        return Prior(sulfur_response(capacity, mass, sulfur), log_sd, "KSTATE"), notes

    def _clay_pct(self) -> float | None:
        if self.block.site.clay_pct is not None:
            return self.block.site.clay_pct
        for checked in (self.second, self.first):
            if "clay" in checked.usable and checked.usable["clay"].notna().any():
                return float(checked.usable["clay"].mean())
        return None

    def _against(self, untreated: int) -> list[str]:
        """What keeps the table in use, each a sentence."""
        said = []
        if untreated < 2:
            said.append(
                "No ground was left untreated, so the season's own part is not known. Leave a "
                "check strip."
            )
            if other_laboratory(self.first.samples, self.second.samples):
                said.append("The laboratory seems to have changed too.")
        if any("band" in a.placement.lower() for a in self.records):
            said.append("It was spread in bands, and samples may lie beside them.")
        if self.subject.amendment == "sulfur" and self.block.site.free_lime_pct is None:
            said.append("No CaCO3 test is on file.")
        months = self._months()
        enough = FINE_MONTHS if self._fine() else REACTED_MONTHS
        if self.subject.amendment in ("lime", "sulfur") and months < enough:
            said.append(f"Only {months:.0f} months have passed; {enough:g} are needed.")
        days = [c.samples.sampled_on for c in (self.first, self.second)]
        if days[0] and days[1]:
            apart = abs(days[0].timetuple().tm_yday - days[1].timetuple().tm_yday)
            if min(apart, 365 - apart) > FAR_APART_DAYS:
                said.append("The two samplings lie in different seasons of the year.")
        return said

    def _notes(self) -> list[str]:
        said: list[str] = []
        if self.subject.amendment == "lime" and self._months() < REACTED_MONTHS:
            told = "Under 12 months: not fully reacted, so the block's own figure may still grow."
            said.append(Reason(told, About.EARLY))
        said += self._levelling()
        if self.subject.amendment in self.spread.logged:
            said.append("Rates are those the machine logged.")
        if self.spread.border:
            said.append(
                f"Left out, for a border between two rates runs too near: "
                f"{', '.join(self.spread.border)}."
            )
        return said

    def _levelling(self) -> list[str]:
        """Ground chosen because it read low rises by chance alone (regression to the mean)."""
        use, got = self.stations, self.spread.done_kg_ha[self.subject.amendment]
        treated = use & (self._levelled(got) > 0.0)
        untreated = use & ~treated
        if min(treated.sum(), untreated.sum()) < 2:
            return []
        before = [float(np.mean(self.paired.first[rows])) for rows in (treated, untreated)]
        apart = self.subject.sign * (before[1] - before[0])
        if not apart > self.paired.pair_sd * (before[0] if self.paired.logs else 1.0):
            return []
        prop = properties()[self.paired.key]
        unit = "" if prop.unit in ("pH", "1") else f" {prop.unit}"
        return [
            f"Treated ground began at {prop.name} {before[0]:.3g}{unit}, untreated at "
            f"{before[1]:.3g}{unit}: a part of the difference may be chance readings evening out."
        ]

    def _months(self) -> float:
        last = max((a.applied_on for a in self.records if a.applied_on), default=None)
        sampled = self.second.samples.sampled_on
        return (sampled - last).days / DAYS_A_MONTH if last and sampled else 0.0

    def _fine(self) -> bool:
        for record in self.records:
            stated = re.search(r"(\d+(?:[.,]\d+)?)\s*% under 250", record.analysis)
            if not stated or float(stated.group(1).replace(",", ".")) < FINE_PCT:
                return False
        return self.subject.amendment == "lime"


def _stated(record: Application, symbol: str) -> float | None:
    """Share of an element in a record's analysis. [%]"""
    stated = re.search(rf"(\d+(?:[.,]\d+)?)\s*%\s*{symbol}\b", record.analysis)
    return float(stated.group(1).replace(",", ".")) if stated else None
