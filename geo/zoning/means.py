"""What is known of the soil of each zone: joint means with their doubt, hectares, planting rows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from geo.belief.draws import Draws, Stage, set_stage
from geo.errors import KrigingError
from geo.grids import Array, Grid, Mask
from geo.surfaces import Surface, Surfaces, draw_surface
from geo.zoning.criteria import AREA_TOLERANCE, HECTARE_M2, zone_of
from geo.zoning.outlines import from_block

#: Places in each zone, and draws, behind the sd of a zone mean: good to about a tenth of the sd.
PLACES, DRAWS = 60, 400


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
    surfaces: Surfaces, outlines: Sequence[MultiPolygon], rng: np.random.Generator
) -> dict[str, list[tuple[float, float]]]:
    """Mean of each property over each zone, and the sd of that mean.

    Neighbouring places err together, so the sd of a mean is not that of its places: it is read on
    draws of the whole surface, the same for all zones. For the whole block, and without a belief,
    it is half the two-in-three range of the block's mean.
    """
    found: dict[str, list[tuple[float, float]]] = {}
    zone_of_cell: dict[int, NDArray[np.int64]] = {}
    drawer = _Drawer(surfaces, rng)
    for key, surface in surfaces.items():
        # The surfaces of a survey share one grid: its cells are put into zones once.
        grid = id(surface.grid)
        if grid not in zone_of_cell:
            zone_of_cell[grid] = zone_of(outlines, surface.grid.cells())
        cells = [zone_of_cell[grid] == zone for zone in range(len(outlines))]
        found[key] = _means_of(surface, cells, outlines, drawer)
    return found


@dataclass(frozen=True)
class _Drawer:
    """Draws properties at places; those with the same samples share what is made ready there."""

    surfaces: Surfaces
    rng: np.random.Generator
    stages: dict[tuple[bytes, bytes], Stage] = field(default_factory=dict)

    def draw(self, surface: Surface, places: Array) -> Draws:
        if surface.belief is None:
            return draw_surface(surface, places, DRAWS, self.rng)
        mine = surface.belief.xy.tobytes()
        at = (places.tobytes(), mine)
        if at not in self.stages:
            beliefs = {key: one.belief for key, one in self.surfaces.items() if one.belief}
            alike = {key: one for key, one in beliefs.items() if one.xy.tobytes() == mine}
            self.stages[at] = set_stage(alike, places)
        return draw_surface(surface, places, DRAWS, self.rng, self.stages[at])


def _means_of(
    surface: Surface, cells: list[Mask], outlines: Sequence[MultiPolygon], drawer: _Drawer
) -> list[tuple[float, float]]:
    values = surface.estimate[surface.grid.inside]
    cells = [mine & np.isfinite(values) for mine in cells]
    means = [float(values[mine].mean()) if mine.any() else surface.mean for mine in cells]
    if surface.belief is None or len(outlines) == 1:
        return [(mean, (surface.mean_high - surface.mean_low) / 2) for mean in means]
    centres = surface.grid.cells()
    places = [
        centres[_lattice(surface.grid, mine)]
        if mine.any()
        else np.array(shapely.point_on_surface(outline).coords)
        for mine, outline in zip(cells, outlines, strict=True)
    ]
    draws = drawer.draw(surface, np.vstack(places))
    stops = np.cumsum([len(p) for p in places])[:-1]
    sds = [part.mean(axis=1).std(ddof=1) for part in np.split(draws, stops, axis=1)]
    return [(mean, float(sd)) for mean, sd in zip(means, sds, strict=True)]


def _lattice(grid: Grid, chosen: Mask) -> NDArray[np.int64]:
    """Index of some of the chosen cells: a square lattice that covers them evenly.

    A square lattice stands for the mean over an area far better than cells taken at random.
    """
    cells = np.flatnonzero(chosen)
    place = np.argwhere(grid.inside)[cells]
    stride = max(1, math.ceil(math.sqrt(len(cells) / PLACES)))
    lattice = place[:, 0] % stride * stride + place[:, 1] % stride
    counts = np.bincount(lattice, minlength=stride**2)
    away = np.hypot(
        *(
            np.bincount(lattice, weights=steps, minlength=stride**2) / np.maximum(counts, 1)
            - steps.mean()
            for steps in place.T
        )
    )
    # Not one that misses a narrow zone; of the others the one that does not lean to an edge.
    away[counts < 0.8 * counts.max()] = np.inf
    return np.asarray(cells[lattice == np.argmin(away)])
