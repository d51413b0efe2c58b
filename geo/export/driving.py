"""Figures for whoever drives or walks: planting rows, kilograms a row, grams a vine."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

#: Less of a row than this inside a zone is not worth a figure. [m]
SHORTEST_M = 1.0


@dataclass(frozen=True)
class RowShare:
    """What one planting row gets inside one zone: metres of row, kilograms of product."""

    row: int
    metres: float
    kg: float


def row_lines(
    outline: BaseGeometry, azimuth_deg: float, spacing_m: float
) -> list[tuple[int, LineString]]:
    """Planting rows with their numbers, each across the whole width of the outline, along azimuth.

    Row 1 stands half a spacing from the left edge, seen along the rows: as zones count them.
    """
    turn = math.radians(azimuth_deg)
    forward = np.array([math.sin(turn), math.cos(turn)])
    left = np.array([-math.cos(turn), math.sin(turn)])
    corners = shapely.get_coordinates(outline)
    along, across = corners @ forward, corners @ left
    count = max(1, math.floor((across.max() - across.min()) / spacing_m))
    places = across.max() - (np.arange(count) + 0.5) * spacing_m
    return [
        (
            number,
            LineString(
                [along.min() * forward + place * left, along.max() * forward + place * left]
            ),
        )
        for number, place in enumerate(places, start=1)
    ]


def rows_at(
    outline: BaseGeometry, azimuth_deg: float | None, spacing_m: float | None, xy: Any
) -> list[int | None]:
    """Number of the planting row nearest to each place; None where rows are not known.

    Examples
    --------
    >>> block = shapely.box(0.0, 0.0, 10.0, 100.0)
    >>> rows_at(block, 0.0, 2.0, [(0.4, 50.0), (9.9, 3.0)])
    [1, 5]
    """
    if azimuth_deg is None or not spacing_m:
        return [None] * len(xy)
    rows = row_lines(outline, azimuth_deg, spacing_m)
    points = shapely.points(np.asarray(xy, dtype=float).reshape(-1, 2))
    away = shapely.distance(np.array([line for _, line in rows])[:, None], points)
    return [rows[i][0] for i in np.argmin(away, axis=0)]


def kg_per_100_m(rate_kg_ha: float, width_m: float) -> float:
    """Product on 100 m of driving or of row, at a swath or row width. [kg]

    Examples
    --------
    >>> kg_per_100_m(2500.0, 6.0)
    150.0
    """
    return rate_kg_ha * width_m * 100 / 10_000


def grams_per_vine(rate_kg_ha: float, row_spacing_m: float, vine_spacing_m: float) -> float:
    """Product for one plant, the rate being per hectare of block. [g]

    Examples
    --------
    >>> grams_per_vine(300.0, 2.0, 1.0)
    60.0
    """
    return rate_kg_ha * row_spacing_m * vine_spacing_m / 10


def kg_by_row(
    zone: BaseGeometry,
    block: BaseGeometry,
    rate_kg_ha: float,
    azimuth_deg: float,
    spacing_m: float,
) -> tuple[RowShare, ...]:
    """What each planting row of a zone gets, for spreading by hand.

    Rows stand `spacing_m` apart and share the area between them, so the rows together get the
    zone's product but for the edges.
    """
    lines = row_lines(block, azimuth_deg, spacing_m)
    metres = shapely.length(shapely.intersection([line for _, line in lines], zone))
    return tuple(
        RowShare(number, float(length), float(length) * spacing_m * rate_kg_ha / 10_000)
        for (number, _), length in zip(lines, metres, strict=True)
        if length > SHORTEST_M
    )
