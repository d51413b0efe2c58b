"""Season: one block in one year; `run_season` is the whole flow as one short function."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from numpy.random import default_rng

from geo.blocks import Block
from geo.checks import CheckedSamples, check_samples
from geo.compare import responses_before
from geo.errors import FarmError
from geo.farm import read_records
from geo.lookup import Tables, farm_tables
from geo.materials import with_own_materials
from geo.prescribing.chances import with_chances
from geo.prescription import Prescription, material_for, prescribe, rate_step_kg_ha
from geo.progress import Progress, silent
from geo.ratings import Ratings, rate_samples
from geo.requirements.draws import Requirement, find_requirements
from geo.requirements.learned import with_responses
from geo.settings import Settings
from geo.surfaces import Surfaces, krige_surfaces
from geo.zones import Zone, ZoneMap, delineate_zones, whole_zone
from geo.zoning.heldout import held_out_reductions


@dataclass(frozen=True)
class Season:
    """Everything a run makes of one block in one year."""

    block: Block
    season: int
    settings: Settings
    checked: CheckedSamples
    ratings: Ratings
    surfaces: Surfaces
    requirements: tuple[Requirement, ...]
    zone_maps: tuple[ZoneMap, ...]
    prescription: Prescription


def run_season(
    farm: Path,
    season: int,
    block: str | None = None,
    *,
    layer_cm: tuple[float, float] | None = None,
    test_zones: bool = True,
    progress: Progress = silent,
) -> Season:
    """Everything of one block in one year, from the records of a farm folder.

    Parameters
    ----------
    farm : Path
        The farm folder.
    season : int
        Calendar year of the soil sampling.
    block : str or None
        Name of the block; None takes the farm's only one.
    layer_cm : (float, float) or None
        Top and bottom of the depth layer; None takes the top layer. [cm]
    test_zones : bool
        Whether zones are tested on samples they were made without; it decides nothing.
    progress : Progress
        Told each property and each stage as its turn comes; it may raise to end the run.

    Raises
    ------
    FarmError
        If there is no such farm, block, or soil sample.
    """
    records = read_records(farm, season, block)
    tables = farm_tables(Path(farm), records.settings.tables)
    settings, place = with_own_materials(records.settings, tables), records.block
    checked = check_samples(records.layer(layer_cm), place, records.planned)
    ratings = rate_samples(checked, records.tissue, place, tables)
    surfaces = krige_surfaces(checked, ratings, place, settings.grid, progress=progress)
    ratings = with_chances(ratings, surfaces)
    progress("what it asks for", 0, 0)
    requirements = find_requirements(
        surfaces, ratings, checked, place, settings, season, records.tissue, records.applications,
        default_rng(settings.grid.seed), tables=tables,
    )  # fmt: skip
    if layer_cm is None:
        requirements = with_responses(requirements, responses_before(farm, season, place.name))
    progress("zones", 0, 0)
    zone_maps = zones_of_all(requirements, surfaces, place, settings)
    if test_zones:
        zone_maps = with_held_out(
            zone_maps, requirements, checked, ratings, place, settings, season, tables
        )
    prescription = prescribe(zone_maps, requirements, place, settings, tables)
    return Season(
        place, season, settings, checked, ratings, surfaces, requirements, zone_maps, prescription
    )


def zones_of_all(
    requirements: Sequence[Requirement], surfaces: Surfaces, block: Block, settings: Settings
) -> tuple[ZoneMap, ...]:
    """Zones of every amendment; those that do not split the block share its one zone."""
    whole = whole_zone(surfaces, requirements[0].grid, block, settings)
    return tuple(zones_of_one(asked, surfaces, block, settings, whole) for asked in requirements)


def zones_of_one(
    asked: Requirement,
    surfaces: Surfaces,
    block: Block,
    settings: Settings,
    whole: Zone | None = None,
) -> ZoneMap:
    """Zones of one amendment, along the grower's own border where farm.toml holds one.

    `whole` is the block as one zone, for amendments that do not split it.

    Raises
    ------
    FarmError
        If that border cannot be driven, with where it stands.
    """
    step = step_kg_ha(asked, block, settings)
    own = (block.site.boundaries or {}).get(asked.amendment, "")
    try:
        return delineate_zones(asked, surfaces, block, settings, step, boundary=own, whole=whole)
    except FarmError as error:
        raise FarmError(
            f'farm.toml, [blocks."{block.name}".boundaries], {asked.amendment}: {error}'
        ) from None


def with_held_out(
    zone_maps: Sequence[ZoneMap],
    requirements: Sequence[Requirement],
    checked: CheckedSamples,
    ratings: Ratings,
    block: Block,
    settings: Settings,
    season: int,
    tables: Tables,
) -> tuple[ZoneMap, ...]:
    """Zone maps with what their zones say of soil that had no part in them, in their indices."""
    split = [
        one
        for one, drawn in zip(requirements, zone_maps, strict=True)
        if len(drawn.zones) > 1 and drawn.verdict != "own"
    ]
    steps = {one.amendment: step_kg_ha(one, block, settings) for one in split}
    found = held_out_reductions(split, checked, ratings, block, settings, season, steps, tables)
    return tuple(
        replace(one, indices={**one.indices, "variance_reduction_cv": found[one.amendment]})
        if one.amendment in found
        else one
        for one in zone_maps
    )


def step_kg_ha(requirement: Requirement, block: Block, settings: Settings) -> float:
    """Smallest change of rate worth driving for, in the unit of the requirement. [kg/ha]"""
    material = material_for(requirement, block, settings)
    return rate_step_kg_ha(requirement.amendment, material)
