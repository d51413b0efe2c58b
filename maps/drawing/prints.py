"""Pictures for paper and phone: the zones of a material, the block alone, a property with doubt."""

from __future__ import annotations

from collections.abc import Collection, Sequence
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
from maps.drawing import classlines, drawings, pictures
from maps.wording import level_words, number, rate_words

Array = NDArray[np.float64]
#: Largest side of the picture of a property. [pt]
SMALL = 132.0
#: Picture cells per grid cell on paper.
FINER = 2
#: Class names on the picture of a property. [pt]
NAME_PT = 7.5
#: Fewest points a class line is long: shorter ones are specks.
SPECK_PT = 6.0
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
    feet: bool = False,
) -> str:
    """The zones of one material: fills, stitches, numbers, rows at the edge, scale, north.

    `hits` adds an unseen shape for each zone, by which a page can tell where somebody stands;
    `feet` is for the scale bar.
    """
    paper = drawings.paper_for(block.outline, width, height)
    given = {rate.zone_id: rate.rate_kg_ha for rate in rates}
    outlines = [zone.outline for zone in zone_map.zones]
    amounts = [given.get(zone.zone_id, 0.0) for zone in zone_map.zones]
    azimuth = block.site.row_azimuth_deg or 0.0
    parts = [
        *drawings.zones(outlines, amounts, paper, azimuth),
        *frame_parts(block, paper, feet=feet),
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
        *frame_parts(block, paper, feet=season.settings.units == "us"),
        drawings.samples(sample_places(season), paper),
    ]
    return drawings.svg(paper, parts, below=18)


def frame_parts(block: Block, paper: drawings.Paper, *, feet: bool = False) -> list[str]:
    """Outline, ponds, row numbers, scale bar, north."""
    site = block.site
    return [
        drawings.holes(block.outline, paper),
        drawings.area(block.outline, paper, "none", drawings.INK, 1.7),
        drawings.row_numbers(block.outline, paper, site.row_azimuth_deg, site.row_spacing_m),
        drawings.scale_bar(paper, 6, paper.height + 10, feet=feet),
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


def mapped_places(season: Season) -> Array:
    """Places of the samples that the maps are made of, one row a sample. [m]"""
    return _mapped_places(season, "lon")[0]


def _mapped_places(season: Season, key: str) -> tuple[Array, Array]:
    """Places of the samples that stand in the maps and have a value, and the values."""
    return _places_and(season, key, {sample_id for sample_id, _ in season.checked.left_out})


def _places_and(season: Season, key: str, without: Collection[str] = ()) -> tuple[Array, Array]:
    """Places of the samples in and near the block that have a value, and the values."""
    table = season.checked.usable[list(dict.fromkeys(["lon", "lat", key]))].dropna()
    table = table[~table.index.astype(str).isin(without)]
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
    flat = surface.verdict == "none"
    places, measured = _mapped_places(season, surface.key)
    inside = np.isfinite(surface.estimate)
    estimate = np.where(inside, surface.mean if flat else surface.estimate, np.nan)
    shown = measured if flat and len(measured) else estimate
    low, high = float(np.nanmin(shown)), float(np.nanmax(shown))
    ramp, legend = _ramp_and_legend(surface.key, classes, sense, low, high)
    limits = [hi for _, _, hi, _ in classes if hi is not None]
    if not flat:
        marked = drawings.samples(spots, _paper(season.block), 1.5)
        named = _class_parts(surface, season.block, classes, sense, spots)
        return _raster_svg(estimate, ramp, surface.grid, season.block, named, marked), legend
    fills = ["#{:02x}{:02x}{:02x}".format(*ramp.colors[i - 1]) for i in ramp.index(measured)]
    found = [classes[i][0] if classes else "" for i in np.digitize(measured, limits)]
    marked = drawings.class_marks(places, _paper(season.block), found, fills)
    return _raster_svg(estimate, ramp, surface.grid, season.block, [], marked), legend


def _ramp_and_legend(
    key: str, classes: Sequence[colors.Class], sense: str, low: float, high: float
) -> tuple[colors.Ramp, list[Box]]:
    """Colours from the lowest to the highest value shown, and what they mean."""
    if classes:
        legend = [
            Box(
                colors.class_color(level, sense),
                level,
                "" if lo is None else number(lo, key),
                target,
            )
            for level, lo, _, target in classes
        ]
        return colors.class_ramp(classes, sense, low, high), legend
    if high <= low:
        middle = colors.AMOUNT[len(colors.AMOUNT) // 2]
        return colors.even((middle,), low, high), [Box(middle, "", number(low, key), False)]
    return colors.even(colors.AMOUNT, low, high), _ends(colors.AMOUNT, low, high, key)


def _class_parts(
    surface: Surface, block: Block, classes: Sequence[colors.Class], sense: str, spots: Array
) -> list[str]:
    """The lines between classes, and the name of each class where it has room."""
    limits = [high for _, _, high, _ in classes if high is not None]
    if not classes:
        return []
    paper, values = _paper(block), pictures.grown(surface.estimate)
    drawn = [
        line
        for limit in limits
        for line in classlines.class_lines(values, surface.grid, limit)
        if line.length * paper.scale >= SPECK_PT
    ]
    words = [level_words(level, sense) for level, _, _, _ in classes]
    names = classlines.class_names(
        np.where(surface.grid.inside, surface.estimate, np.nan), surface.grid,
        words, limits, NAME_PT / paper.scale, spots,
    )  # fmt: skip
    return [
        f'<path d="{drawings.path_of(drawn, paper)}" fill="none" stroke="{drawings.INK}" '
        'stroke-width="0.8" stroke-linejoin="round"/>',
        *(
            drawings.tag(x, y, name.words, NAME_PT)
            for name in names
            for x, y in paper.points((name.x_m, name.y_m)).tolist()
        ),
    ]


def sure_picture(surface: Surface, block: Block, spots: Array) -> tuple[str, list[Box]]:
    """How sure the map is: half the two-in-three range, light where it is small."""
    half = (surface.high - surface.low) / 2
    high = max(float(np.nanmax(half)), 1e-9)
    ramp = colors.even(colors.SURE, 0.0, high)
    legend = _ends(colors.SURE[::2], 0.0, high, surface.key, "± ")
    marked = drawings.samples(spots, _paper(block), 1.5)
    return _raster_svg(half, ramp, surface.grid, block, [], marked), legend


def applied_pictures(season: Season, applied: AsApplied) -> tuple[str, str, list[Box]]:
    """Planned and done of one amendment on one scale, with its legend."""
    block = season.block
    most = max(float(np.nanmax(applied.planned_kg_ha)), float(np.nanmax(applied.done_kg_ha)), 1.0)
    ramp = colors.blend(
        [(most * k / 4, color) for k, color in enumerate(colors.ZONE_FILLS)], 0.0, most
    )
    drawn = [
        _raster_svg(values, ramp, applied.grid, block, [], "", finer=1)
        for values in (applied.planned_kg_ha, applied.done_kg_ha)
    ]
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


def _paper(block: Block) -> drawings.Paper:
    """The paper of the picture of a property."""
    return drawings.paper_for(block.outline, SMALL, SMALL, margin=4.0)


def _raster_svg(
    values: Array,
    ramp: colors.Ramp,
    grid: Grid,
    block: Block,
    over: Sequence[str],
    marks: str,
    finer: int = FINER,
) -> str:
    """Values as colours and what lies over them, cut along the outline; marks on top of all."""
    paper = _paper(block)
    wide = block.outline.buffer(2 * grid.spacing_m)
    png = pictures.picture(pictures.enlarged(values, grid, wide, finer), ramp)
    parts = [
        drawings.cut_along(block.outline, paper, [raster_image(png, grid, paper), *over]),
        drawings.holes(block.outline, paper),
        drawings.area(block.outline, paper, "none", drawings.INK, 1.2),
        marks,
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
