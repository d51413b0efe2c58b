"""What one block in one season gives the rules: figures of the site, arrays of soil values.

No grid here: a `Case` draws a property as an array (draws, places) and leaves open where they lie.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from geo.blocks import Block
from geo.chain import Steps
from geo.checks import CheckedSamples
from geo.grids import Array, Mask
from geo.intake.reading import Application, TissueTest
from geo.lookup import Tables, properties
from geo.ratings import Ratings
from geo.reasons import About, Reason
from geo.requirements.shared import Figure, Layer, figure
from geo.settings import Settings
from geo.surfaces import Surfaces
from geo.units import om_from_oc

Float32 = NDArray[np.float32]
Input = tuple[float | str, str, str]

#: How far past its estimate a surface may reach; beyond it a draw is one in 30 000.
REACH_SD = 4.0

#: Values that a rule is given at once.
AT_A_TIME = 30_000


@dataclass(frozen=True)
class Case:
    """One block in one season, as the rules see it.

    Attributes
    ----------
    draw : callable
        Property key -> draws of its surface, shape (draws, places), in the house unit. Each is
        drawn once; nothing may be written into it.
    covered : callable
        Outline as WKT in WGS84 -> which places lie in it.
    tables : Tables
        Norms, removals and cost ratios in use: ours, and what the farm folder says instead.
    """

    block: Block
    settings: Settings
    season: int
    ratings: Ratings
    checked: CheckedSamples
    surfaces: Surfaces
    tissue: Sequence[TissueTest]
    applications: Sequence[Application]
    draw: Callable[[str], Float32]
    covered: Callable[[str], Mask]
    tables: Tables = field(default_factory=Tables)

    def figure(self, table: str, name: str) -> Figure:
        """One number of a table of constants: the farm's own, else ours."""
        return figure(table, name, self.tables)

    @property
    def established(self) -> bool | None:
        """Whether vines or trees stand in the block; None: not known, to be asked."""
        return self.block.site.established(self.season)

    @property
    def sampled_on(self) -> date:
        """Day of the sampling; the middle of the season's year if no file says."""
        return self.checked.samples.sampled_on or date(self.season, 7, 1)

    def samples(self, key: str) -> Array:
        """Usable values of a property, one a sample, NaN where there is none."""
        table = self.checked.usable
        if key not in table.columns:
            return np.full(len(table), np.nan)
        return np.asarray(table[key].to_numpy(dtype=float))

    def measured(self, *keys: str) -> bool:
        """Whether every one of these has a surface to draw from."""
        return all(key in self.surfaces for key in keys)

    def mean(self, key: str) -> float | None:
        """Mean of the samples; None where nothing is usable."""
        values = self.samples(key)
        return float(np.nanmean(values)) if np.isfinite(values).any() else None

    def method(self, key: str) -> str:
        """Extractant or pH method as the laboratory reported it; empty if not."""
        return self.checked.samples.methods.get(key, "")

    @property
    def clay_pct(self) -> float | None:
        """Clay: of farm.toml, else the samples' mean; None if neither says. [%]"""
        stated = self.block.site.clay_pct
        return stated if stated is not None else self.mean("clay")

    @property
    def organic_matter_pct(self) -> float | None:
        """Organic matter, from carbon where only that was analysed. [%]"""
        om, oc = self.mean("om"), self.mean("oc")
        return om if om is not None else None if oc is None else om_from_oc(oc)

    @property
    def sampled_layer(self) -> Layer:
        """The layer of the samples."""
        top, bottom = self.checked.samples.depth_cm
        site = self.block.site
        return Layer(bottom - top, site.bulk_density_mg_m3, site.stones_pct)

    @property
    def amended_layer(self) -> Layer:
        """The layer that is amended: of farm.toml, else the sampled one."""
        sampled, site = self.sampled_layer, self.block.site
        depth = site.amended_depth_cm if site.amended_depth_cm else sampled.depth_cm
        return Layer(depth, site.bulk_density_mg_m3, site.stones_pct)

    def put_through(self, keys: Sequence[str], rule: Callable[..., Array]) -> Float32:
        """What a rule asks in every draw of some properties, place by place.

        Parameters
        ----------
        keys : sequence of str
        rule : callable
            Takes an array for each key, a few draws of all places, and returns the requirement.
        """
        drawn = [self.draw(key) for key in keys]
        asked = np.empty_like(drawn[0])
        # What a rule holds on the way stays in the cache, and nothing large is ever doubled.
        step = max(1, AT_A_TIME // max(1, asked.shape[1]))
        for start in range(0, len(asked), step):
            part = slice(start, start + step)
            asked[part] = rule(*(values[part].astype(np.float64) for values in drawn))
        return asked

    def placement(self, amendment: str) -> str:
        """How the amendment goes on: "full width", "band" or "incorporated"."""
        places = self.block.site.placement
        return str(places.get(amendment, places.get("default", "full width")))

    def incorporated(self, amendment: str) -> bool:
        """Whether it is mixed in: as farm.toml says, else before planting."""
        if self.placement(amendment) == "incorporated":
            return True
        return self.established is False

    def treated_share(self, amendment: str) -> float:
        """Treated area over block area: band width over row spacing, 1 for full width. [1]"""
        site = self.block.site
        if self.placement(amendment) != "band" or not (site.band_width_m and site.row_spacing_m):
            return 1.0
        return min(1.0, site.band_width_m / site.row_spacing_m)

    def removal_kg_ha(self, kg_per_t: float) -> float:
        """What the block's crop removes in a year; 0 where farm.toml names no yield. [kg/ha]"""
        return kg_per_t * (self.block.site.yield_t_ha or 0.0)

    def highest(self, key: str) -> float:
        """As far up as a surface reaches with its doubt; endless where that is not known."""
        reach = self._reach(key, REACH_SD)
        return float(np.nanmax(reach)) if np.isfinite(reach).any() else math.inf

    def lowest(self, key: str) -> float:
        """As far down as a surface reaches with its doubt; endless where that is not known."""
        reach = self._reach(key, -REACH_SD)
        return float(np.nanmin(reach)) if np.isfinite(reach).any() else -math.inf

    def _reach(self, key: str, times_sd: float) -> Array:
        surface = self.surfaces[key]
        if not surface.logs:
            return surface.estimate + times_sd * surface.kriging_sd
        # On logs the sd is that of the logs times the estimate.
        with np.errstate(invalid="ignore"):
            return surface.estimate * np.exp(times_sd * surface.kriging_sd / surface.estimate)

    def spread_before(self, amendment: str) -> list[Application]:
        """Dated applications of an amendment before the sampling, each once.

        A record that carries its outline stands for those of the same day that do not.
        """
        mine = [
            a
            for a in self.applications
            if a.amendment == amendment and a.applied_on and a.applied_on < self.sampled_on
        ]
        placed = {a.applied_on for a in mine if a.where_lonlat}
        return [a for a in mine if a.where_lonlat or a.applied_on not in placed]

    def own_decisions(self, amendment: str) -> list[Reason]:
        """What the grower spread after this sampling, each in a sentence."""
        said = []
        for a in self.applications:
            days = (a.applied_on - self.sampled_on).days if a.applied_on else -1
            if a.amendment == amendment and 0 <= days <= 366 and a.rate_kg_ha:
                where = f" (place, in its words: {a.zone})" if a.zone else ""
                said.append(
                    f"On record after this sampling, {a.applied_on}: {a.product}, "
                    f"{a.rate_kg_ha:g} kg/ha{where}. That was the grower's own decision."
                )
        return [Reason(text, About.SPREAD_SINCE) for text in dict.fromkeys(said)]


@dataclass(frozen=True)
class Answer:
    """What the rules say of one amendment before it is laid on a grid.

    `kind` is "rate", "held", "none_needed", "no_data" or "not_worthwhile"; `why` says it for all
    but "rate". `steps` follows the rule at the mean values of a place. The other fields are those
    of `Requirement`.
    """

    amendment: str
    unit: str
    kind: str
    why: str
    keys: tuple[str, ...]
    draws: Float32 | None = None
    reasons: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    from_memory: bool = False
    cap_kg_ha: float | None = None
    cap_source: str = "PRACT"
    treated_share: float = 1.0
    inputs: Mapping[str, Input] = field(default_factory=dict)
    alternatives: Mapping[str, float] = field(default_factory=dict)
    steps: Steps | None = None


def doubt_said(case: Case, keys: Sequence[str]) -> list[str]:
    """What to know of a range that only the laboratory's noise stands behind."""
    values = {properties()[key].name: _present(case.samples(key)) for key in keys}
    single = [name for name, found in values.items() if len(found) == 1]
    equal = [name for name, found in values.items() if len(found) > 1 and np.ptp(found) == 0.0]
    said = []
    if single:
        said.append(
            f"One sample ({', '.join(single)}) says nothing about the rest of the block. The range "
            "is the laboratory's noise alone; the real one is not known."
        )
    if equal:
        said.append(
            f"Every sample reads the same ({', '.join(equal)}). The range is the laboratory's "
            "noise alone."
        )
    return said


def share_above(draws: Float32, limit: float) -> Array:
    """Share of the draws above a limit, place by place."""
    above = np.zeros(draws.shape[1], dtype=np.int64)
    for draw in draws:
        above += draw > limit
    return np.asarray(above / max(1, len(draws)))


def _present(values: Array) -> Array:
    return values[np.isfinite(values)]


def neutralizing_of(application: Application, tables: Tables | None = None) -> float:
    """Calcium carbonate equivalent that a record's analysis states, else the default. [%]

    Examples
    --------
    >>> from geo.intake.reading import Application
    >>> lime = Application(None, "A", "", "lime", "lime", "85 % CaCO3-eq", 3200.0, None, "")
    >>> neutralizing_of(lime)
    85.0
    """
    stated = re.search(r"(\d+(?:[.,]\d+)?)\s*%\s*CaCO3", application.analysis)
    if stated:
        return float(stated.group(1).replace(",", "."))
    return figure("lime_limits", "default_effective", tables).value


def layer_inputs(layer: Layer) -> dict[str, Input]:
    """The layer's figures, for the chain behind a rate."""
    return {
        "depth": (layer.depth_cm, "cm", "farm"),
        "bulk density": (layer.bulk_density_mg_m3, "Mg/m3", "farm"),
        "stones": (layer.stones_pct, "% by volume", "farm"),
    }
