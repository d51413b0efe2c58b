"""What is known of the soil of each zone: joint means with their doubt, hectares, planting rows."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from geo.errors import KrigingError
from geo.grids import Array, Grid
from geo.surfaces import Surface
from geo.zoning.criteria import AREA_TOLERANCE, HECTARE_M2, zone_of
from geo.zoning.outlines import from_block

#: Places in each zone, and draws, behind the sd of a zone mean. [calc] 40 places leave the sd of a
#: mean within some 5 %.
PLACES, DRAWS = 30, 100


def areas_ha(outlines: Sequence[BaseGeometry], crs: str, block_area_ha: float) -> list[float]:
    """Geodesic areas of the zones, which must add up to the block's. [ha]

    Raises
    ------
    KrigingError
        If they do not, to one in a million.
    """
    import pyproj

    geod = pyproj.Geod(ellps="WGS84")
    to_lonlat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform
    areas = []
    for outline in outlines:
        lonlat = shapely.transform(outline, lambda xy: np.column_stack(to_lonlat(*xy.T)))
        areas.append(abs(geod.geometry_area_perimeter(lonlat)[0]) / HECTARE_M2)
    if abs(sum(areas) - block_area_ha) > AREA_TOLERANCE * block_area_ha:
        raise KrigingError(
            f"The zones hold {sum(areas):.6f} ha and the block {block_area_ha:.6f} ha (Z1). "
            "Read the outline again: its hectares and its corners do not belong together."
        )
    return areas


def planting_rows(
    zone: MultiPolygon, block: BaseGeometry, grid: Grid, spacing_m: float | None
) -> tuple[tuple[int, int], ...]:
    """Runs of planting rows with more than a metre in the zone, counted from the block's left edge.

    Left is seen along the rows of the grid. Row 1 stands half a row spacing from the edge.
    """
    if not spacing_m:
        return ()
    left, bottom, right, top = _turned(block, grid).bounds
    count = max(1, math.floor((top - bottom) / spacing_m))
    across = top - (np.arange(count) + 0.5) * spacing_m
    ends = np.array([[[left, y], [right, y]] for y in across])
    length = shapely.length(shapely.intersection(shapely.linestrings(ends), _turned(zone, grid)))
    touched = np.concatenate([[0], length > 1.0, [0]]).astype(np.int8)
    first = np.flatnonzero(np.diff(touched) == 1) + 1
    last = np.flatnonzero(np.diff(touched) == -1)
    return tuple((int(a), int(b)) for a, b in zip(first, last, strict=True))


def _turned(shape: BaseGeometry, grid: Grid) -> BaseGeometry:
    return shapely.transform(shape, lambda xy: from_block(grid, xy))


def zone_means(
    surface: Surface, outlines: Sequence[MultiPolygon], rng: np.random.Generator
) -> list[tuple[float, float]]:
    """Mean of a property over each zone, and the sd of that mean, from draws of the whole surface.

    Neighbouring places err together, so the sd of a mean is not that of its places; all zones are
    read on the same draws. Without a belief the sd is half the two-in-three range of the block.
    """
    xy = surface.grid.cells()
    values = surface.estimate[surface.grid.inside]
    zone = zone_of(outlines, xy)
    known = np.isfinite(values)
    means = [
        float(values[known & (zone == z)].mean()) if (known & (zone == z)).any() else surface.mean
        for z in range(len(outlines))
    ]
    if surface.belief is None:
        return [(mean, (surface.mean_high - surface.mean_low) / 2) for mean in means]
    from geo.surfaces import draw_surface

    places = [_places(xy[known & (zone == z)], outline) for z, outline in enumerate(outlines)]
    draws = draw_surface(surface, np.vstack(places), DRAWS, rng)
    stops = np.cumsum([len(p) for p in places])[:-1]
    sds = [part.mean(axis=1).std(ddof=1) for part in np.split(draws, stops, axis=1)]
    return [(mean, float(sd)) for mean, sd in zip(means, sds, strict=True)]


def _places(xy: Array, outline: MultiPolygon) -> NDArray[np.float64]:
    """Cells spread evenly over a zone: every so many along its list, row by row."""
    if len(xy) == 0:
        return np.array(shapely.point_on_surface(outline).coords)
    every = np.linspace(0, len(xy) - 1, min(PLACES, len(xy))).round().astype(int)
    return np.asarray(xy[every])
