"""Pictures for paper and phone: the zones of a material, the block alone, a property with doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.asapplied import AsApplied
from geo.blocks import Block
from geo.crs import lonlat_to_xy
from geo.grids import Grid
from geo.prescription import Rate
from geo.season import Season
from geo.surfaces import Surface
from geo.zones import ZoneMap
from maps import colors
from maps.drawing import drawings, pictures
from maps.wording import number, rate_words

Array = NDArray[np.float64]
#: Largest side of the picture of a property. [pt]
SMALL = 132.0
#: Picture cells per grid cell on paper.
FINER = 2
#: A sample this far outside still stands on the map, as the place it was said to be. [m]
NEAR_M = 50.0


@dataclass(frozen=True)
class Box:
    """One entry of a legend: fill, words above it, limit at its left edge, whether it is target."""

    color: str
    words: str
    limit: str
    target: bool


def zone_picture(
    block: Block,
    zone_map: ZoneMap,
    rates: Sequence[Rate],
    width: float = 300.0,
    height: float = 330.0,
    *,
    hits: bool = False,
) -> str:
    """The zones of one material: fills, stitches, numbers, rows at the edge, scale, north.

    `hits` adds an unseen shape for each zone, by which a page can tell where somebody stands.
    """
    paper = drawings.paper_for(block.outline, width, height)
    given = {rate.zone_id: rate.rate_kg_ha for rate in rates}
    outlines = [zone.outline for zone in zone_map.zones]
    amounts = [given.get(zone.zone_id, 0.0) for zone in zone_map.zones]
    azimuth = block.site.row_azimuth_deg or 0.0
    parts = [
        *drawings.zones(outlines, amounts, paper, azimuth),
        *frame_parts(block, paper),
        drawings.zone_numbers([z.zone_id for z in zone_map.zones], outlines, paper),
    ]
    if hits:
        parts += [
            f'<path class="hit" data-zone="{zone.zone_id}" fill="none" fill-rule="evenodd" '
            f'd="{drawings.path_of(zone.outline, paper)}"/>'
            for zone in zone_map.zones
        ]
    return drawings.svg(paper, parts, below=18)


def block_picture(season: Season, width: float = 300.0, height: float = 330.0) -> str:
    """The block alone with its samples, where there is nothing to spread."""
    block = season.block
    paper = drawings.paper_for(block.outline, width, height)
    parts = [
        drawings.area(block.outline, paper, colors.ZONE_FILLS[0]),
        *frame_parts(block, paper),
        drawings.samples(sample_places(season), paper),
    ]
    return drawings.svg(paper, parts, below=18)


def frame_parts(block: Block, paper: drawings.Paper) -> list[str]:
    """Outline, ponds, row numbers, scale bar, north."""
    site = block.site
    return [
        drawings.holes(block.outline, paper),
        drawings.area(block.outline, paper, "none", drawings.INK, 1.7),
        drawings.row_numbers(block.outline, paper, site.row_azimuth_deg, site.row_spacing_m),
        drawings.scale_bar(paper, 6, paper.height + 10),
        drawings.north(paper.width - 9, 10),
    ]


def sample_places(season: Season) -> Array:
    """Sampled places in the block's metric CRS, one row a sample. [m]"""
    return _places_and(season, "lon")[0]


def numbered_places(season: Season) -> list[tuple[str, tuple[float, float]]]:
    """Id and place of each sample in and near the block, in order of id. [m]"""
    table = season.checked.usable.dropna(subset=["lon", "lat"])
    xy = lonlat_to_xy(table["lon"].to_numpy(float), table["lat"].to_numpy(float), season.block.crs)
    found = [
        (str(name), (x, y))
        for name, (x, y) in zip(table.index, xy.tolist(), strict=True)
        if season.block.outline.distance(shapely.Point(x, y)) <= NEAR_M
    ]
    return sorted(found)


def _places_and(season: Season, key: str) -> tuple[Array, Array]:
    """Places of the samples in and near the block that have a value, and the values."""
    table = season.checked.usable[list(dict.fromkeys(["lon", "lat", key]))].dropna()
    xy = lonlat_to_xy(table["lon"].to_numpy(float), table["lat"].to_numpy(float), season.block.crs)
    near = shapely.dwithin(season.block.outline, shapely.points(xy), NEAR_M)
    return np.asarray(xy[near]), table[key].to_numpy(dtype=float)[near]


def found_picture(
    season: Season,
    surface: Surface,
    classes: Sequence[colors.Class],
    sense: str,
    spots: Array,
) -> tuple[str, list[Box]]:
    """What was found of a property, with its legend.

    Where the samples carry no map the block has one colour and each sample its own.
    """
    block, flat = season.block, surface.verdict == "none"
    measured = _places_and(season, surface.key)[1] if flat else np.empty(0)
    estimate = np.where(np.isfinite(surface.estimate), surface.mean if flat else surface.estimate,
                        np.nan)  # fmt: skip
    values = pictures.enlarged(estimate, surface.grid, block.outline, FINER)
    shown = measured if len(measured) else values
    low, high = float(np.nanmin(shown)), float(np.nanmax(shown))
    if classes:
        ramp = colors.class_ramp(classes, sense, low, high)
        limits = [hi for _, _, hi, _ in classes if hi is not None]
        legend = [
            Box(
                colors.class_color(level, sense),
                level,
                "" if lo is None else number(lo, surface.key),
                target,
            )
            for level, lo, _, target in classes
        ]
    else:
        ramp, limits = colors.even(colors.AMOUNT, low, high), []
        legend = _ends(colors.AMOUNT, low, high, surface.key)
    if not flat:
        return _raster_svg(values, ramp, limits, surface.grid, block, spots), legend
    places, found = _places_and(season, surface.key)
    fills = ["#{:02x}{:02x}{:02x}".format(*ramp.colors[i - 1]) for i in ramp.index(found)]
    return _raster_svg(values, ramp, [], surface.grid, block, places, fills), legend


def sure_picture(surface: Surface, block: Block, spots: Array) -> tuple[str, list[Box]]:
    """How sure the map is: half the two-in-three range, light where it is small."""
    half = pictures.enlarged((surface.high - surface.low) / 2, surface.grid, block.outline, FINER)
    high = max(float(np.nanmax(half)), 1e-9)
    ramp = colors.even(colors.SURE, 0.0, high)
    legend = _ends(colors.SURE[::2], 0.0, high, surface.key, "± ")
    return _raster_svg(half, ramp, [], surface.grid, block, spots), legend


def applied_pictures(season: Season, applied: AsApplied) -> tuple[str, str, list[Box]]:
    """Planned and done of one amendment on one scale, with its legend."""
    block = season.block
    most = max(float(np.nanmax(applied.planned_kg_ha)), float(np.nanmax(applied.done_kg_ha)), 1.0)
    ramp = colors.blend(
        [(most * k / 4, color) for k, color in enumerate(colors.ZONE_FILLS)], 0.0, most
    )
    drawn = [
        _raster_svg(
            pictures.enlarged(values, applied.grid, block.outline, 1),
            ramp, [], applied.grid, block, np.empty((0, 2)),
        )
        for values in (applied.planned_kg_ha, applied.done_kg_ha)
    ]  # fmt: skip
    legend = [
        Box(color, "", "0" if k == 0 else rate_words(most) if k == 4 else "", False)
        for k, color in enumerate(colors.ZONE_FILLS)
    ]
    return drawn[0], drawn[1], legend


def _ends(ramp: Sequence[str], low: float, high: float, key: str, sign: str = "") -> list[Box]:
    """A ramp with its two ends named."""
    last = len(ramp) - 1
    ends = {0: low, last: high}
    return [
        Box(color, "", sign + number(ends[i], key) if i in ends else "", False)
        for i, color in enumerate(ramp)
    ]


def _raster_svg(
    values: Array,
    ramp: colors.Ramp,
    limits: Sequence[float],
    grid: Grid,
    block: Block,
    spots: Array,
    fills: Sequence[str] = (),
) -> str:
    paper = drawings.paper_for(block.outline, SMALL, SMALL, margin=4.0)
    parts = [
        raster_image(pictures.picture(values, ramp, limits), grid, paper),
        drawings.holes(block.outline, paper),
        drawings.area(block.outline, paper, "none", drawings.INK, 1.2),
        drawings.samples(spots, paper, 2.6 if fills else 1.5, fills),
    ]
    return drawings.svg(paper, parts)


def chance_layer(tif: Path, key: str, block: Block, paper: drawings.Paper) -> tuple[str, str]:
    """The chance past the limit of a property, from surfaces.tif, as an image on a map's paper.

    Returns
    -------
    (str, str)
        The SVG, and "below" or "above"; both empty where the file has no such band.
    """
    import rasterio

    with rasterio.open(tif, driver="GTiff") as file:
        bands = dict(zip(file.descriptions, file.indexes, strict=True))
        side = next((s for s in ("low", "high") if f"{key}_p_{s}" in bands), None)
        if side is None:
            return "", ""
        chance = file.read(bands[f"{key}_p_{side}"]).astype(float)
        chance[chance == file.nodata] = np.nan
        west, top, spacing_m = file.transform.c, file.transform.f, file.transform.a
        grid = Grid((west, top), spacing_m, chance.shape, file.crs.to_string(), chance == chance)
    values = pictures.enlarged(chance, grid, block.outline, FINER)
    ramp = colors.blend(colors.CHANCE, 0.0, 1.0)
    return (
        raster_image(pictures.picture(values, ramp, (0.5,)), grid, paper),
        "below" if side == "low" else "above",
    )


def raster_image(png: bytes, grid: Grid, paper: drawings.Paper) -> str:
    """A picture of a north-up grid laid on a map's paper."""
    rows, columns = grid.shape
    x, y = paper.points([grid.origin_m])[0]
    side = grid.spacing_m * paper.scale
    return (
        f'<image x="{x:.2f}" y="{y:.2f}" width="{columns * side:.2f}" '
        f'height="{rows * side:.2f}" preserveAspectRatio="none" href="{pictures.data_url(png)}"/>'
    )
