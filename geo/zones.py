"""Requirement -> ZoneMap: split where the rate should differ, made drivable, drawn as outlines."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon

from geo.blocks import Block
from geo.errors import KrigingError
from geo.grids import Array, Grid
from geo.requirements.draws import Requirement
from geo.settings import Settings
from geo.surfaces import Surfaces
from geo.zoning.choice import Choice, Product, choose_split
from geo.zoning.clusters import weighted_kmeans
from geo.zoning.criteria import zone_of
from geo.zoning.drawing import Canvas, Drawn, draw, draw_own
from geo.zoning.indices import indices_of
from geo.zoning.machine import product_of, smallest_piece_ha
from geo.zoning.means import areas_ha, planting_rows, zone_means
from geo.zoning.wording import say_too_small


@dataclass(frozen=True)
class Estimate:
    """A number with its doubt."""

    value: float
    sd: float
    unit: str


@dataclass(frozen=True)
class Zone:
    """A part of the block that gets one rate.

    `outline` is in the block's metric CRS [m]; `area_ha` is geodesic; `rows` the planting rows it
    touches, counted from the left edge looking along the row azimuth, as (first, last) runs;
    `means` the property means over it, in house units.
    """

    zone_id: int
    outline: MultiPolygon
    area_ha: float
    means: Mapping[str, Estimate]
    rows: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class ZoneMap:
    """Zones of one amendment; together they are the block, without gap or overlap.

    Attributes
    ----------
    amendment : str
        Or "all" for the common map.
    zones : tuple of Zone
        Numbered from 1, from the highest rate to the lowest.
    grid : Grid
        The grid of the requirement.
    labels : int array (rows, columns)
        Zone number of each cell, 0 outside.
    verdict : str
        "shown", "likely", "too_few" (samples to tell), "one_rate", or "own": a border drawn by
        the grower.
    why : str
        The verdict in a sentence with its numbers.
    saving_pct, chance : float
        Expected saving in loss against one rate [%], and the chance that there is any.
    indices : mapping
        Reported, never deciding: "fpi", "nce", "variance_reduction_cv" ... where worked out.
    """

    amendment: str
    zones: tuple[Zone, ...]
    grid: Grid
    labels: NDArray[np.int16]
    verdict: str
    why: str
    saving_pct: float
    chance: float
    indices: Mapping[str, float]


def delineate_zones(
    requirement: Requirement,
    surfaces: Surfaces,
    block: Block,
    settings: Settings,
    step_kg_ha: float,
    *,
    minimum_kg_ha: float | None = None,
    redraw: Callable[[int], Requirement] | None = None,
    boundary: str = "",
    whole: Zone | None = None,
) -> ZoneMap:
    """Zones of one amendment: as few as serve, each wide and large enough to be driven.

    The classes of least expected loss are found on the rates of the cells, made drivable in the
    raster along the rows, and kept while they save enough of the loss of one rate (5 %, in 6 of 10
    draws). Their outlines meet criteria Z1 to Z11, or a smaller number of zones is taken.

    Parameters
    ----------
    requirement : Requirement
        Its grid is turned along the rows.
    surfaces : mapping of Surface
        For the means of the zones.
    block : Block
    settings : Settings
    step_kg_ha : float
        Smallest change of rate, in the unit of the draws. [kg/ha]
    minimum_kg_ha : float, optional
        Least the spreader throws evenly, in the unit of the draws; by default
        `machine.LEAST_RATE_KG_HA`. A rate is zero or at least this. [kg/ha]
    redraw : callable, optional
        Gives the requirement with so many draws. Asked for 2,000 where the decision is close.
    boundary : str
        The grower's own border instead: lines as WKT in longitude and latitude, parted by
        semicolons. It is left aside where nothing is asked for.
    whole : Zone, optional
        `whole_zone` of the same surfaces and grid, where several amendments share it.

    Raises
    ------
    FarmError
        If the boundary is not a line, cuts nothing, or leaves a part that cannot be driven.
    KrigingError
        If the block's hectares do not belong to its outline, or no outline meets the criteria.
    """
    reason = requirement.held or requirement.none_needed
    smallest_ha = smallest_piece_ha(settings.spreader_of(block.name))
    if reason is None and block.area_ha < 2 * smallest_ha:
        reason = say_too_small(block.area_ha, smallest_ha)
    if reason is None and not requirement.draws.any():
        reason = "One rate: nothing is asked for anywhere in the block."
    canvas = Canvas(requirement.grid, surfaces, block, settings)
    if reason is not None:
        cells = np.zeros(int(requirement.grid.inside.sum()), dtype=np.int64)
        drawn = Drawn(cells, (canvas.whole,), "one_rate", reason, 0.0, 0.0)
        return _zone_map(requirement.amendment, drawn, {}, canvas, whole)
    choice, product = _choose(requirement, canvas, step_kg_ha, minimum_kg_ha)
    if choice.close and redraw is not None and requirement.verdict != "none":
        requirement = redraw(2000)
        choice, product = _choose(requirement, canvas, step_kg_ha, minimum_kg_ha)
    if boundary:
        drawn = draw_own(boundary, choice, product, canvas)
    else:
        drawn = draw(choice, [product], requirement.verdict, canvas)
    indices = indices_of(
        product.curves.rates[product.curves.best_of_cells()],
        requirement.draws.mean(axis=0),
        requirement.draws.var(axis=0),
        drawn.cells,
    )
    return _zone_map(requirement.amendment, drawn, indices, canvas, whole)


def common_zones(
    requirements: Sequence[Requirement],
    surfaces: Surfaces,
    block: Block,
    settings: Settings,
    steps_kg_ha: Mapping[str, float],
    *,
    worth_per_kg: Mapping[str, float] | None = None,
) -> ZoneMap:
    """One map for all materials, named "all": k-means of the cells on rates scaled by their cost.

    The distance of two cells is about the loss of giving one the rates of the other. Amendments
    without a rate or without a map are left out.

    Parameters
    ----------
    requirements : sequence of Requirement
        All on one grid.
    steps_kg_ha : mapping
        Amendment -> smallest change of rate. [kg/ha]
    worth_per_kg : mapping, optional
        Amendment -> money per unit of its cost ratio; without it each amendment counts alike, its
        loss being measured against that of its own single rate.

    Raises
    ------
    KrigingError
        If no amendment has a rate that may differ from place to place.
    """
    serving = [
        r
        for r in requirements
        if not (r.held or r.none_needed) and r.verdict != "none" and r.draws.any()
    ]
    if not serving:
        raise KrigingError(
            f"{block.name}: no amendment has a rate that differs from place to place, so there "
            "is nothing one map could serve. Take the zones of each material."
        )
    canvas = Canvas(serving[0].grid, surfaces, block, settings)
    products = [_scaled(r, steps_kg_ha[r.amendment], worth_per_kg) for r in serving]
    rng = np.random.default_rng(settings.grid.seed)
    x = np.column_stack([_cost_scaled(product) for product in products])

    def clusters(most: int) -> list[NDArray[np.int64]]:
        places, group, counts = np.unique(x, axis=0, return_inverse=True, return_counts=True)
        weights = counts.astype(float)
        most = min(most, len(places))
        return [
            weighted_kmeans(places, k, weights, rng)[0][group.ravel()] for k in range(1, most + 1)
        ]

    choice = choose_split(
        products, canvas.grid.inside, canvas.footprint, canvas.most_zones, breaks=clusters
    )
    weakest = "useful" if all(r.verdict == "useful" for r in serving) else "weak"
    drawn = draw(choice, products, weakest, canvas)
    return _zone_map("all", drawn, {}, canvas)


def _choose(
    requirement: Requirement, canvas: Canvas, step_kg_ha: float, minimum_kg_ha: float | None
) -> tuple[Choice, Product]:
    product = product_of(requirement, step_kg_ha, minimum_kg_ha)
    choice = choose_split(
        [product],
        canvas.grid.inside,
        canvas.footprint,
        canvas.most_zones,
        believed=requirement.verdict in ("useful", "weak"),
    )
    return choice, product


def whole_zone(surfaces: Surfaces, grid: Grid, block: Block, settings: Settings) -> Zone:
    """The zone of a block that is not split: the same for every amendment on one grid."""
    canvas = Canvas(grid, surfaces, block, settings)
    return _zones((canvas.whole,), canvas)[0]


def _zones(outlines: Sequence[MultiPolygon], canvas: Canvas) -> tuple[Zone, ...]:
    """Zones with their hectares, rows and means."""
    block, surfaces = canvas.block, canvas.surfaces
    rng = np.random.default_rng(canvas.settings.grid.seed)
    areas = areas_ha(outlines, block.crs, block.area_ha)
    means = {
        key: [Estimate(mean, sd, surfaces[key].unit) for mean, sd in found]
        for key, found in zone_means(surfaces, outlines, rng).items()
    }
    spacing_m = block.site.row_spacing_m
    return tuple(
        Zone(
            zone_id=index + 1,
            outline=outline,
            area_ha=areas[index],
            means={key: found[index] for key, found in means.items()},
            rows=planting_rows(outline, block.outline, canvas.grid, spacing_m),
        )
        for index, outline in enumerate(outlines)
    )


def _zone_map(
    amendment: str,
    drawn: Drawn,
    indices: Mapping[str, float],
    canvas: Canvas,
    whole: Zone | None = None,
) -> ZoneMap:
    """The record: zones, and the raster read back from their outlines."""
    grid = canvas.grid
    labels = np.zeros(grid.shape, dtype=np.int16)
    if len(drawn.outlines) == 1:
        zones = (whole,) if whole is not None else _zones(drawn.outlines, canvas)
        labels[grid.inside] = 1
    else:
        zones = _zones(drawn.outlines, canvas)
        again = zone_of(drawn.outlines, grid.cells())
        labels[grid.inside] = np.where(again < 0, drawn.cells, again) + 1
    return ZoneMap(
        amendment=amendment,
        zones=zones,
        grid=grid,
        labels=labels,
        verdict=drawn.verdict,
        why=drawn.why,
        saving_pct=drawn.saving_pct,
        chance=drawn.chance,
        indices=indices,
    )


def _scaled(
    requirement: Requirement, step_kg_ha: float, worth_per_kg: Mapping[str, float] | None
) -> Product:
    product = product_of(requirement, step_kg_ha)
    if worth_per_kg is not None:
        return replace(product, worth=worth_per_kg[requirement.amendment])
    uniform = float(product.curves.loss.mean(axis=0, dtype=float).min())
    return replace(product, worth=1 / uniform if uniform > 0 else 0.0)


def _cost_scaled(product: Product) -> Array:
    rate = product.curves.rates[product.curves.best_of_cells()]
    return rate * product.worth * (product.cost_too_little + product.cost_too_much) / 2
