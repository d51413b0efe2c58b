"""Season: one block in one year; `run_season` is the whole flow as one short function."""

from __future__ import annotations

from dataclasses import dataclass

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.prescription import Prescription
from geo.ratings import Ratings
from geo.requirements.draws import Requirement
from geo.settings import Settings
from geo.surfaces import Surfaces
from geo.zones import ZoneMap


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
