"""Draws of the surfaces put through the rules, and what is held until tissue agrees.

Only this module knows both the grid and the rules: the rules see arrays.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.belief.draws import Stage
from geo.blocks import Block
from geo.chain import Steps, all_sources
from geo.checks import CheckedSamples
from geo.grids import Grid, Mask, grid_over
from geo.intake.reading import Application, TissueTest
from geo.lookup import Tables
from geo.ratings import Ratings
from geo.requirements import ask_nutrients
from geo.requirements.ask_gypsum import ask_gypsum
from geo.requirements.ask_lime import ask_lime
from geo.requirements.ask_sulfur import ask_sulfur
from geo.requirements.case import Answer, Case, Float32, doubt_said, share_above
from geo.requirements.soil_links import chain_of
from geo.settings import Settings
from geo.surfaces import Surfaces, draw_surface, stage_surfaces

#: Draws of each property behind a requirement.
DRAWS = 400

#: A block of the usual size stays near this many cells.
USUAL_CELLS = 15_000

#: Finer than this no spreader is steered, nor a hand. [m]
FINEST_CELL_M = 1.0

#: From the weakest on.
VERDICTS = ("none", "weak", "useful")


@dataclass(frozen=True)
class Requirement:
    """What the rules make of the soil for one amendment, place by place and draw by draw.

    Attributes
    ----------
    amendment : str
        "lime", "sulfur", "gypsum", "potassium", "phosphorus", "magnesium", "nitrogen", "zinc",
        "boron", "manganese", "copper", "iron".
    unit : str
        What `draws` count, in words: "kg/ha pure fine calcium carbonate", "kg/ha K" ...
    grid : Grid
        Turned along the rows.
    draws : float32 array (draws, inside cells)
        Requirement at each inside cell of `grid`, per block hectare, before caps. [kg/ha]
    cost_too_little, cost_too_much : float
        Loss per kg/ha short and over, as a ratio; the rate is the quantile
        cost_too_little / (cost_too_little + cost_too_much).
    verdict : str
        The weakest verdict of the properties behind it: "useful", "weak" or "none".
    held : str or None
        Why no rate is released, and what would release it; None if it is released. Where the rules
        ask for nothing that could be drawn (not analysed, no table, gate), `draws` has no rows.
    none_needed : str or None
        Why nothing is asked for anywhere ("No lime here: ..."); None otherwise.
    reasons : tuple of str
        How it was worked out, in sentences.
    sources : tuple of str
        Keys in sources.toml.
    from_memory : bool
        A figure behind it is from memory.
    cap_kg_ha : float or None
        Most that one pass may carry, in the unit of `draws`, per treated hectare.
    treated_share : float
        Treated area over block area: 1 for full width, band width over row spacing for a band.
    inputs : mapping
        Name -> (value, unit, source key) of every figure that entered, for `why`.
    alternatives : mapping
        Other published methods on the same samples: name -> block mean. [kg/ha]
    kind : str
        "rate" (released), "held", "none_needed", "no_data" or "not_worthwhile".
    range_known : bool
        False where one sample, or samples that all read the same, leave the laboratory's noise as
        the only doubt in the draws.
    cap_source, cost_source : str
        Where the cap and the costs of too little and too much come from.
    steps : callable or None
        Means of a place and its cells -> the chain from soil test to requirement.
    keys : tuple of str
        Properties behind it, the one that decides first.
    """

    amendment: str
    unit: str
    grid: Grid
    draws: NDArray[np.float32]
    cost_too_little: float
    cost_too_much: float
    verdict: str
    held: str | None
    none_needed: str | None
    reasons: tuple[str, ...]
    sources: tuple[str, ...]
    from_memory: bool
    cap_kg_ha: float | None
    treated_share: float
    inputs: Mapping[str, tuple[float | str, str, str]]
    alternatives: Mapping[str, float]
    kind: str = "rate"
    range_known: bool = True
    cap_source: str = "PRACT"
    cost_source: str = "PRACT"
    steps: Steps | None = None
    keys: tuple[str, ...] = ()

    @property
    def quantile(self) -> float:
        """The quantile of the requirement that makes the expected loss least."""
        return self.cost_too_little / (self.cost_too_little + self.cost_too_much)


#: Amendment -> what its rules ask, in the order in which people read them.
QUESTIONS: Mapping[str, Callable[[Case], Answer]] = {
    "lime": ask_lime,
    "sulfur": ask_sulfur,
    "gypsum": ask_gypsum,
    "phosphorus": lambda case: ask_nutrients.ask_major(case, "p"),
    "potassium": lambda case: ask_nutrients.ask_major(case, "k"),
    "magnesium": lambda case: ask_nutrients.ask_major(case, "mg"),
    "nitrogen": ask_nutrients.ask_nitrogen,
    "zinc": lambda case: ask_nutrients.ask_no_soil_route(case, "zn"),
    "boron": ask_nutrients.ask_boron,
    "manganese": ask_nutrients.ask_manganese,
    "copper": lambda case: ask_nutrients.ask_no_soil_route(case, "cu"),
    "iron": lambda case: ask_nutrients.ask_no_soil_route(case, "fe"),
}


def find_requirements(
    surfaces: Surfaces,
    ratings: Ratings,
    checked: CheckedSamples,
    block: Block,
    settings: Settings,
    season: int,
    tissue: Sequence[TissueTest] = (),
    applications: Sequence[Application] = (),
    rng: np.random.Generator | None = None,
    *,
    grid: Grid | None = None,
    count: int = DRAWS,
    only: Iterable[str] | None = None,
    tables: Tables | None = None,
    drawn: dict[str, Float32] | None = None,
) -> tuple[Requirement, ...]:
    """What every amendment's rules make of a block, draw by draw.

    Parameters
    ----------
    surfaces, ratings, checked, block, settings
        Of the same survey.
    season : int
    tissue, applications : sequences
        On file for the block: leaf tests, and what was spread.
    rng : Generator, optional
        Gives the seed in place of `settings.grid.seed`. Each property has a stream of its own, so
        no requirement depends on which others are asked for.
    grid : Grid, optional
        By default `requirement_grid`.
    count : int
        Draws of each property.
    only : names of amendments, optional
    tables : Tables, optional
        From `geo.lookup.farm_tables`: the user's own norms, removals and cost ratios.
    drawn : dict, optional
        Draws of the same surfaces on the same grid, as many, from an earlier call; what is drawn
        now is added.

    Returns
    -------
    tuple of Requirement
        One an amendment, also where nothing is needed, held, or not analysed.
    """
    grid = grid or requirement_grid(block, settings)
    seed = settings.grid.seed if rng is None else int(rng.integers(2**32))
    drawer = _Drawer(surfaces, block, season, grid, count, seed, dict(drawn or {}))
    case = Case(
        block=block,
        settings=settings,
        season=season,
        ratings=ratings,
        checked=checked,
        surfaces=surfaces,
        tissue=tissue,
        applications=[a for a in applications if a.block in ("", block.name)],
        draw=drawer.draw,
        covered=drawer.covered,
        tables=tables or Tables(),
    )
    asked = QUESTIONS if only is None else {name: QUESTIONS[name] for name in only}
    found = tuple(_lay_out(ask(case), case, grid) for ask in asked.values())
    if drawn is not None:
        drawn.update(drawer.drawn)
    drawer.forget()
    return found


def requirement_grid(block: Block, settings: Settings) -> Grid:
    """Grid along the planting rows with cells of a half to a third of the swath.

    The third where the block then stays near 15,000 cells, else the half.
    """
    swath = settings.spreader_of(block.name).width_m
    third, half = swath / 3, swath / 2
    cell = half if block.area_ha * 10_000 / third**2 > USUAL_CELLS else third
    cell = min(max(cell, FINEST_CELL_M), swath)
    azimuth = block.site.row_azimuth_deg
    turn = 0.0 if azimuth is None else 90.0 - azimuth
    return grid_over(block.outline, block.crs, cell, turn_deg=turn, pad_m=swath)


@dataclass(frozen=True)
class _Drawer:
    """Draws properties at the cells of a grid, each once, each from its own stream."""

    surfaces: Surfaces
    block: Block
    season: int
    grid: Grid
    count: int
    seed: int
    drawn: dict[str, Float32] = field(default_factory=dict)
    stages: list[Stage | None] = field(default_factory=list)

    def draw(self, key: str) -> Float32:
        if key not in self.drawn:
            stream = zlib.crc32(f"{self.block.name} {self.season} {key}".encode())
            rng = np.random.default_rng([self.seed, stream])
            values = draw_surface(
                self.surfaces[key], self.grid.cells(), self.count, rng, self._stage()
            )
            self.drawn[key] = values.astype(np.float32, copy=False)
        return self.drawn[key]

    def _stage(self) -> Stage | None:
        """The cells made ready for draws, once, when the first property is asked for."""
        if not self.stages:
            self.stages.append(stage_surfaces(self.surfaces, self.grid.cells()))
        return self.stages[0]

    def forget(self) -> None:
        """Let go of what is large: the chains behind the rates keep this record."""
        self.drawn.clear()
        self.stages.clear()

    def covered(self, wkt_lonlat: str) -> Mask:
        from pyproj import Transformer

        to_metres = Transformer.from_crs(4326, self.block.crs, always_xy=True)
        lonlat = shapely.from_wkt(wkt_lonlat)
        outline = shapely.transform(
            lonlat, lambda xy: np.column_stack(to_metres.transform(xy[:, 0], xy[:, 1]))
        )
        cells = self.grid.cells()
        return np.asarray(shapely.contains_xy(outline, cells[:, 0], cells[:, 1]))


def _lay_out(answer: Answer, case: Case, grid: Grid) -> Requirement:
    """An answer as a requirement on the grid, with its costs and its verdict."""
    cells = int(grid.inside.sum())
    draws = answer.draws if answer.draws is not None else np.zeros((0, cells), dtype=np.float32)
    too_little, too_much, cost_source = cost_ratio(answer.amendment, case)
    said = doubt_said(case, answer.keys) if answer.draws is not None else []
    kind, why = answer.kind, answer.why
    drawn = answer.draws is not None and kind in ("rate", "held")
    if drawn and not _asked_anywhere(draws, too_little / (too_little + too_much)):
        kind, why = "none_needed", _nowhere(answer, case)
    steps = chain_of(case, replace(answer, kind=kind, why=why))
    sources = tuple(dict.fromkeys((*answer.sources, *all_sources(steps({}, None)))))
    return Requirement(
        amendment=answer.amendment,
        unit=answer.unit,
        grid=grid,
        draws=draws,
        cost_too_little=too_little,
        cost_too_much=too_much,
        verdict=_weakest(case.surfaces, answer.keys),
        held=why if kind in ("held", "no_data", "not_worthwhile") else None,
        none_needed=why if kind == "none_needed" else None,
        reasons=(*said, *answer.reasons, *_band_said(answer, case), *_own_said(sources, case)),
        sources=sources,
        from_memory=answer.from_memory,
        cap_kg_ha=answer.cap_kg_ha,
        treated_share=answer.treated_share,
        inputs=answer.inputs,
        alternatives=answer.alternatives,
        kind=kind,
        cap_source=answer.cap_source,
        cost_source=cost_source,
        steps=steps,
        range_known=not said,
        keys=tuple(answer.keys),
    )


def _band_said(answer: Answer, case: Case) -> list[str]:
    """What is missing for a band."""
    site = case.block.site
    if case.placement(answer.amendment) != "band" or (site.band_width_m and site.row_spacing_m):
        return []
    missing = [key for key in ("band_width_m", "row_spacing_m") if not getattr(site, key)]
    return [
        f"It goes on in a band, but {' and '.join(missing)} "
        f"{'is' if len(missing) == 1 else 'are'} not in farm.toml: the rate is per full hectare, "
        "and the cap is tested as if it were spread over all of it."
    ]


def _own_said(sources: Sequence[str], case: Case) -> list[str]:
    """Whose tables were used, where the farm has its own."""
    if "yours" not in sources:
        return []
    files = ", ".join(dict.fromkeys(case.tables.files.values())) or "farm.toml"
    return [f"A figure behind it is from a table of your own ({files})."]


def _asked_anywhere(draws: NDArray[np.float32], quantile: float) -> bool:
    """Whether any place's own quantile is above nothing; if none is, no zone's can be."""
    return bool(np.any(share_above(draws, 0.0) > 1 - quantile))


def _nowhere(answer: Answer, case: Case) -> str:
    """Words for a block where something may be asked, but nowhere likely enough."""
    key = answer.keys[0]
    surface = case.surfaces[key]
    digits = 1 if key.startswith("ph") or key == "esp" else 0 if surface.mean >= 10 else 2
    name = "pH" if key.startswith("ph") else key.upper() if key == "esp" else key.capitalize()
    unit = "" if surface.unit == "pH" else f" {surface.unit}"
    side = "too high" if answer.amendment in ("sulfur", "gypsum") else "short"
    return (
        f"No {answer.amendment} here: {name} {surface.mean:.{digits}f}{unit} on average, and "
        f"nowhere is it likely enough to be {side}."
    )


def _weakest(surfaces: Surfaces, keys: Sequence[str]) -> str:
    """The weakest verdict of the surfaces behind a requirement."""
    verdicts = [surfaces[key].verdict for key in keys if key in surfaces]
    return min(verdicts, key=VERDICTS.index) if verdicts else "none"


def cost_ratio(amendment: str, case: Case) -> tuple[float, float, str]:
    """Loss of a unit too little and of a unit too much, and whose figures those are."""
    name = amendment
    if amendment == "lime":
        mixed = case.established is False
        name = "lime_before_planting" if mixed else "lime_top_dressed"
    own = case.settings.cost_ratios
    for key in (name, amendment):
        if key in own:
            return (*own[key], "farm")
    for row in case.tables.rows("cost_ratios"):
        if row["key"] == name:
            return float(row["too_little"]), float(row["too_much"]), row["source"]
    return 1.0, 1.0, "PRACT"
