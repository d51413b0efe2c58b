"""Do zones hold for soil that had no part in them? Kriging and zoning redone without each fold."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.errors import SoilquiltError
from geo.grids import Array, Grid, grid_over
from geo.lookup import Tables
from geo.ratings import Ratings
from geo.requirements.draws import Requirement, find_requirements
from geo.settings import Settings
from geo.surfaces import krige_surfaces
from geo.surfacing.columns import Survey, arrange
from geo.zoning.choice import choose_split
from geo.zoning.indices import Labels, squared_misses
from geo.zoning.machine import footprint_of, product_of

#: Below so many places each is left out by itself, else a tenth at a time.
FEW_PLACES = 25
TENTHS = 10

#: Cells and draws of the zones that are made again: coarse, for they are only asked for a label.
USUAL_CELLS = 120
DRAWS = 60


def held_out_reductions(
    split: Sequence[Requirement],
    checked: CheckedSamples,
    ratings: Ratings,
    block: Block,
    settings: Settings,
    season: int,
    steps_kg_ha: Mapping[str, float],
    tables: Tables | None = None,
) -> dict[str, float]:
    """Variance reduction of the zones of each amendment on samples they were made without. [1]

    1 - sum (z - mean of its zone in training)^2 / sum (z - mean of training)^2 over all folds, z
    being the first property behind the requirement on the scale it is mapped; single places are
    left out below 25, else tenths. Negative where zones say less than the mean. Reported, never
    deciding.

    Parameters
    ----------
    split : sequence of Requirement
        Those whose block was split; their rules are asked again in each fold.
    checked, ratings, block, settings, season
        Of the same survey.
    steps_kg_ha : mapping
        Amendment -> smallest change of rate. [kg/ha]
    tables : Tables, optional
        The farm's own tables.

    Returns
    -------
    dict
        Amendment -> variance reduction; without those whose property has no spread.
    """
    if not split:
        return {}
    survey = arrange(checked)
    grid = _coarse(block, settings)
    misses = {one.amendment: np.zeros(2) for one in split if one.keys}
    for rows in folds(len(survey.xy), np.random.default_rng(settings.grid.seed)):
        kept = _without(checked, survey, rows)
        try:
            surfaces = krige_surfaces(
                kept, ratings, block, replace(settings.grid, spacing_m=2 * grid.spacing_m)
            )
            again = find_requirements(
                surfaces, ratings, kept, block, settings, season,
                grid=grid, count=DRAWS, only=misses, tables=tables,
            )  # fmt: skip
        except SoilquiltError:
            continue  # too few samples are left in this fold to say anything
        for one in again:
            column = survey.columns[next(s for s in split if s.amendment == one.amendment).keys[0]]
            zones = _zones_of(one, survey.xy, block, settings, steps_kg_ha[one.amendment])
            misses[one.amendment] += _misses(column.mapped, zones, rows)
    return {name: float(1 - by_zone / by_mean) for name, (by_zone, by_mean) in misses.items()
            if by_mean > 0}  # fmt: skip


def folds(count: int, rng: np.random.Generator) -> Iterator[Labels]:
    """Rows left out together: each by itself below 25, else a tenth at a time.

    Examples
    --------
    >>> [len(rows) for rows in folds(32, np.random.default_rng(1))]
    [4, 4, 3, 3, 3, 3, 3, 3, 3, 3]
    """
    parts = count if count < FEW_PLACES else TENTHS
    yield from np.array_split(rng.permutation(count), parts)


def _coarse(block: Block, settings: Settings) -> Grid:
    """A grid along the rows with about a hundred cells, none smaller than half a swath."""
    swath = settings.spreader_of(block.name).width_m
    cell = max(math.sqrt(block.area_ha * 10_000 / USUAL_CELLS), swath / 2)
    azimuth = block.site.row_azimuth_deg
    turn = 0.0 if azimuth is None else 90.0 - azimuth
    return grid_over(block.outline, block.crs, cell, turn_deg=turn, pad_m=swath)


def _without(checked: CheckedSamples, survey: Survey, rows: Labels) -> CheckedSamples:
    """The survey as if nobody had been at these places."""
    gone = [name for row in rows for name in survey.ids[row]]
    table = checked.samples.table.drop(index=gone, errors="ignore")
    censored = {cell: limit for cell, limit in checked.censored.items() if cell[0] not in gone}
    return replace(
        checked,
        samples=replace(checked.samples, table=table),
        usable=checked.usable.drop(index=gone),
        censored=censored,
    )


def _zones_of(
    requirement: Requirement, xy: Array, block: Block, settings: Settings, step_kg_ha: float
) -> Labels:
    """Zone, from 0, of the cell next to each place; one zone where no split is accepted."""
    grid = requirement.grid
    if not requirement.draws.any() or requirement.verdict == "none":
        return np.zeros(len(xy), dtype=np.int64)
    choice = choose_split(
        [product_of(requirement, step_kg_ha)],
        grid.inside,
        footprint_of(block, settings, grid.spacing_m),
        settings.spreader_of(block.name).most_zones,
    )
    distance = ((xy[:, None] - grid.cells()[None]) ** 2).sum(axis=2)
    labels: Labels = choice.chosen.labels[distance.argmin(axis=1)]
    return labels


def _misses(values: Array, zones: Labels, rows: Labels) -> Array:
    """Squared misses on the rows left out: by the mean of the zone, by the mean of all."""
    out = np.zeros(len(values), dtype=bool)
    out[rows] = True
    known = np.isfinite(values)
    train, test = known & ~out, known & out
    if not train.any() or not test.any():
        return np.zeros(2)
    return np.array(squared_misses(values[train], zones[train], values[test], zones[test]))
