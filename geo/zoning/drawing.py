"""A split of the cells -> zones with outlines that meet every criterion, or fewer of them."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from geo.blocks import Block
from geo.errors import FarmError, KrigingError
from geo.grids import Array, Grid
from geo.settings import Settings
from geo.surfaces import Surfaces
from geo.zoning.byhand import (
    labels_of,
    lines_of,
    parts_of,
    refuse_undrivable,
    say_failed,
    say_own,
    weigh,
)
from geo.zoning.choice import Choice, Product, Split
from geo.zoning.criteria import HECTARE_M2, Judged, judge
from geo.zoning.drivable import Footprint, spread
from geo.zoning.machine import footprint_of, smallest_piece_ha
from geo.zoning.outlines import line_between_rows, zone_outlines
from geo.zoning.wording import number_word, say_verdict

#: Simplification tried in this order until all criteria are met. [cells]
TOLERANCES = (1.5, 1.0, 2.0, 0.75, 0.5, 0.0)

#: Said of a border that was laid between rows.
MOVED = " It runs midway between the rows nearest to your line."

#: With so many samples a block may have one zone more.
MANY_SAMPLES = 100


@dataclass(frozen=True)
class Canvas:
    """What zones are drawn on: a block, its grid and surfaces, and the machine that drives it."""

    grid: Grid
    surfaces: Surfaces
    block: Block
    settings: Settings

    @property
    def width_m(self) -> float:
        """Working width of the block's spreader. [m]"""
        return self.settings.spreader_of(self.block.name).width_m

    @property
    def smallest_m2(self) -> float:
        """Smallest piece that gets a rate of its own. [m2]"""
        return smallest_piece_ha(self.settings.spreader_of(self.block.name)) * HECTARE_M2

    @property
    def footprint(self) -> Footprint:
        """The machine in cells of the grid."""
        return footprint_of(self.block, self.settings, self.grid.spacing_m)

    @property
    def row_m(self) -> float | None:
        """Between two planting rows, where it is known how they run. [m]"""
        site = self.block.site
        return None if site.row_azimuth_deg is None else site.row_spacing_m

    @property
    def most_samples(self) -> int:
        """Samples behind the surface that has most."""
        return max((surface.n for surface in self.surfaces.values()), default=0)

    @property
    def most_zones(self) -> int:
        """Most zones the block may have."""
        most = self.settings.spreader_of(self.block.name).most_zones
        return most + 1 if self.most_samples >= MANY_SAMPLES else most

    @property
    def sample_places(self) -> Array:
        """Places of the samples behind the surfaces. [m]"""
        beliefs = [s.belief for s in self.surfaces.values() if s.belief is not None]
        return np.vstack([b.xy for b in beliefs]) if beliefs else np.empty((0, 2))

    @property
    def whole(self) -> MultiPolygon:
        """The outline of the block as that of its only zone."""
        outline = self.block.outline
        return outline if isinstance(outline, MultiPolygon) else MultiPolygon([outline])


@dataclass(frozen=True)
class Drawn:
    """Zones with their outlines, numbered from 0 in order of falling rate, and what is said."""

    cells: NDArray[np.int64]
    outlines: tuple[MultiPolygon, ...]
    verdict: str
    why: str
    saving_pct: float
    chance: float


def draw(choice: Choice, products: Sequence[Product], verdict: str, canvas: Canvas) -> Drawn:
    """The largest accepted number of zones whose outlines meet every criterion.

    Raises
    ------
    KrigingError
        If not even the whole block meets them.
    """
    faults = ""
    for split in reversed(choice.accepted):
        ordered = _by_falling_rate(split, products)
        outlines, found = _outlines(ordered, canvas)
        if outlines:
            said, why = say_verdict(choice, split, verdict, canvas.most_samples)
            return Drawn(ordered, outlines, said, why + faults, split.saving_pct, split.chance)
        faults = (
            f" {number_word(split.count)} zones could not be drawn for this spreader ({found})."
        )
    raise KrigingError(
        f"{canvas.block.name}: not even one zone meets the criteria:{faults} Check the outline."
    )


def draw_own(boundary: str, choice: Choice, product: Product, canvas: Canvas) -> Drawn:
    """The grower's own parts as zones, judged as any others are.

    `boundary` is lines as WKT in longitude and latitude, parted by semicolons. [deg]

    Raises
    ------
    FarmError
        If it is not a line, cuts nothing, or leaves a part that cannot be driven.
    """
    block, lines = canvas.block, lines_of(boundary, canvas.block.crs)
    parts = parts_of(block.outline, lines)
    row_m = canvas.row_m
    between = lines
    if row_m is not None:
        between = [line_between_rows(line, canvas.grid, block.outline, row_m) for line in lines]
    if any(one is not line for one, line in zip(between, lines, strict=True)):
        # Where that will not do the border stays as drawn, as one worked out stays as it comes.
        with suppress(FarmError):
            moved = parts_of(block.outline, between)
            if len(moved) == len(parts):
                return _own(moved, choice, product, canvas, MOVED)
    return _own(parts, choice, product, canvas)


def _own(
    parts: Sequence[Polygon], choice: Choice, product: Product, canvas: Canvas, more_said: str = ""
) -> Drawn:
    """Parts as zones, refused where a spreader cannot drive them."""
    cells = labels_of(parts, canvas.grid)
    refuse_undrivable(
        parts, canvas.block.outline, cells, canvas.grid, canvas.footprint, canvas.width_m,
        canvas.smallest_m2,
    )  # fmt: skip
    order = _rank_by_falling_rate(cells, [product])
    outlines = tuple(MultiPolygon([parts[part]]) for part in np.argsort(order))
    labels = spread(order[cells], canvas.grid.inside)
    say_failed(_judged(outlines, labels, canvas))
    saving, chance, more = weigh(product, cells, choice.chosen.labels)
    why = say_own(len(parts), saving, chance, more, choice.chosen.count) + more_said
    return Drawn(order[cells], outlines, "own", why, saving, chance)


def _judged(
    outlines: Sequence[MultiPolygon], labels: NDArray[np.int64], canvas: Canvas
) -> tuple[Judged, ...]:
    return judge(
        outlines,
        canvas.block.outline,
        width_m=canvas.width_m,
        smallest_m2=canvas.smallest_m2,
        grid=canvas.grid,
        labels=labels,
        samples_m=canvas.sample_places,
    )


def _outlines(cells: NDArray[np.int64], canvas: Canvas) -> tuple[tuple[MultiPolygon, ...], str]:
    """Outlines that meet Z1 to Z11, or none and the criteria that were not met."""
    grid = canvas.grid
    labels = np.full(grid.shape, -1, dtype=np.int64)
    labels[grid.inside] = cells
    row_m = canvas.row_m
    found = ""
    # Borders midway between rows where that meets the criteria, else as they come.
    for between_m, tolerance in [(row_m, t) for t in TOLERANCES] + [(None, t) for t in TOLERANCES]:
        if cells.max(initial=0) == 0:
            outlines = [canvas.whole]
        else:
            outlines = zone_outlines(
                labels,
                grid,
                canvas.block.outline,
                margin_m=max(canvas.width_m, 2 * grid.spacing_m),
                tolerance_m=tolerance * grid.spacing_m,
                smallest_m2=canvas.smallest_m2,
                row_m=between_m,
            )
        judged = _judged(outlines, labels, canvas)
        failed = [f"{j.name}: {j.found}" for j in judged if not j.met]
        if not failed:
            return tuple(outlines), ""
        found = ", ".join(failed)
        if len(outlines) == 1:
            break
    return (), found


def _by_falling_rate(split: Split, products: Sequence[Product]) -> NDArray[np.int64]:
    """Labels renumbered so that zone 0 gets most."""
    return _rank_by_falling_rate(split.labels, products)[split.labels]


def _rank_by_falling_rate(
    labels: NDArray[np.int64], products: Sequence[Product]
) -> NDArray[np.int64]:
    """New number of each zone, the one that gets most first (over all products, by its cost)."""
    asked = np.sum(
        [p.rates(labels) * p.worth * (p.cost_too_little + p.cost_too_much) for p in products],
        axis=0,
    )
    place = np.empty(len(asked), dtype=np.int64)
    place[np.argsort(-asked, kind="stable")] = np.arange(len(asked))
    return place
