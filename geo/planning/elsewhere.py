"""What the farm's other blocks tell a block without data: their models, kept from their runs.

Working a survey out takes seconds, and dozens of blocks take minutes; their models are in
season.json, with a mark of all they were made from, so that only a stale one is worked out again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geo.belief.frame import Frame, frame_of
from geo.belief.nodes import Nodes, standard_nodes
from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.grids import Array
from geo.season import Season
from geo.surfacing.columns import arrange


@dataclass(frozen=True)
class Models:
    """Models of one property of a block with their weights."""

    nodes: Nodes
    weights: Array


@dataclass(frozen=True)
class Elsewhere:
    """Another block's name, and the models of its last survey, property by property."""

    block: str
    models: tuple[Models, ...]


def elsewhere_of(season: Season) -> Elsewhere:
    """From a season that was just worked out."""
    beliefs = (surface.belief for surface in season.surfaces.values())
    return Elsewhere(
        season.block.name,
        tuple(Models(one.nodes, one.weights) for one in beliefs if one is not None),
    )


def models_document(season: Season, versions: Mapping[str, str]) -> dict[str, Any]:
    """What season.json keeps: weights by property, and the mark of what they were made from."""
    return {
        "made_from": mark_of(season.checked, season.block, versions),
        "weights": {
            key: surface.belief.weights
            for key, surface in season.surfaces.items()
            if surface.belief is not None
        },
    }


def elsewhere_from(
    document: Mapping[str, Any], checked: CheckedSamples, block: Block, versions: Mapping[str, str]
) -> Elsewhere | None:
    """From season.json; None if it keeps no models, or they were made from something else."""
    kept = document.get("models")
    if not kept or kept.get("made_from") != mark_of(checked, block, versions):
        return None
    nodes = standard_nodes(_frame(block))
    weights = (np.array(one, dtype=float) for one in kept["weights"].values())
    return Elsewhere(block.name, tuple(Models(nodes, one) for one in weights))


def mark_of(checked: CheckedSamples, block: Block, versions: Mapping[str, str]) -> str:
    """SHA-256 over all that the models of a survey follow from: places, values, block, program."""
    survey, total = arrange(checked), hashlib.sha256()
    total.update(repr((_frame(block), sorted(versions.items()))).encode())
    total.update(np.ascontiguousarray(survey.xy).tobytes())
    for key, column in survey.columns.items():
        total.update(repr((key, column.method, column.logs, column.hopeless)).encode())
        total.update(np.ascontiguousarray(column.mapped).tobytes())
    return total.hexdigest()


def _frame(block: Block) -> Frame:
    return frame_of(block.outline, block.site.row_azimuth_deg)
