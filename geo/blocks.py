"""Outline file -> Block: a polygon in metres, its hectares, and what farm.toml says of the site."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo.crs import (
    Place,
    crs_name,
    to_metric,
    utm_of,
)
from geo.errors import IntakeError
from geo.findings import Finding
from geo.grids import Array
from geo.outlines.polygons import Area, as_polygon, geodesic_area_ha, oriented, pieces, whole
from geo.outlines.shapes import Shapes, read_shapes
from geo.outlines.systems import areas_of, axes_of, system_of
from geo.received import MOST_NAME_CHARACTERS, receive
from geo.settings import BlockSettings

#: Areas a block may have; outside it the file or its system is wrong. [m2], [ha]
LEAST_BLOCK_M2 = 50.0
MOST_BLOCK_HA = 5000.0

#: A block wider than this does not fit one metric system. [deg]
WIDEST_DEG = 1.0

#: Shifts of an older datum that are looked for, and the step between those tried. [m]
LEAST_SHIFT_M, MOST_SHIFT_M, SHIFT_STEP_M = 30.0, 1000.0, 20.0

#: Stations that must lie in a shifted outline before it is asked about, and that are looked at.
FEWEST_STATIONS, MOST_SHIFT_POINTS = 3, 300

#: A shift that holds this share of what the best one holds is as good. [1]
GOOD_SHARE = 0.9

_NAME_FIELDS = ("name", "block", "block_name", "naam", "nom", "nombre", "nome", "id", "label")
_RESERVED = {"con", "prn", "aux", "nul"} | {f"{p}{n}" for p in ("com", "lpt") for n in range(1, 10)}


@dataclass(frozen=True)
class Outline:
    """A block's outline as a file gives it.

    Attributes
    ----------
    name : str
        As written in the file; the file's stem where it holds none.
    lonlat : polygon
        WGS84, x = longitude, y = latitude. [deg]
    file, feature : str, int
        Where it was read.
    crs_read : str
        The system it came in, in words.
    """

    name: str
    lonlat: Polygon | MultiPolygon
    file: str
    feature: int
    crs_read: str


@dataclass(frozen=True)
class Block:
    """A block: outline in metres, with the metric CRS it is computed in, fixed when it was made.

    Attributes
    ----------
    name, slug : str
        The real name, and the safe ASCII folder name made from it.
    outline : polygon
        In `crs`; holes are holes. [m]
    lonlat : polygon
        The same in WGS84. [deg]
    crs : str
        UTM zone of the block's own representative point, as "EPSG:code".
    area_ha : float
        Geodesic area; this is the one used for buying. [ha]
    site : BlockSettings
        Crop, rows, soil and placement from farm.toml.
    """

    name: str
    slug: str
    outline: Polygon | MultiPolygon
    lonlat: Polygon | MultiPolygon
    crs: str
    area_ha: float
    site: BlockSettings = field(default_factory=BlockSettings)


def make_block(outline: Outline, site: BlockSettings) -> Block:
    """Block from its outline, in the UTM zone of its own representative point.

    Raises
    ------
    IntakeError
        If the outline is wider than a degree, or its area is no block's.
    """
    west, south, east, north = outline.lonlat.bounds
    if east - west > 180.0:
        raise IntakeError(
            f"{outline.file}: {outline.name!r} lies on both sides of the 180th meridian. Split it "
            "there into two blocks, with a name each. Nothing of it was stored."
        )
    if east - west > WIDEST_DEG or north - south > WIDEST_DEG:
        raise IntakeError(
            f"{outline.file}: {outline.name!r} is more than a degree wide. "
            "Check its coordinate system, or split it."
        )
    area_ha = geodesic_area_ha(outline.lonlat)
    if not LEAST_BLOCK_M2 / 1e4 <= area_ha <= MOST_BLOCK_HA:
        raise IntakeError(
            f"{outline.file}: {outline.name!r} would be {area_ha:.4g} ha; a block has between "
            f"{LEAST_BLOCK_M2:g} m2 and {MOST_BLOCK_HA:g} ha. Check its coordinate system."
        )
    inside = outline.lonlat.representative_point()
    crs = utm_of(inside.x, inside.y)
    return Block(
        name=outline.name,
        slug=slug(outline.name),
        outline=to_metric(outline.lonlat, crs),
        lonlat=outline.lonlat,
        crs=crs,
        area_ha=area_ha,
        site=site,
    )


def slug(name: str) -> str:
    """Safe ASCII folder name made from a block's name; not unique by itself.

    Examples
    --------
    >>> slug("Knieë"), slug("Block 7 / north"), slug("../../etc"), slug("CON"), slug("北")
    ('kniee', 'block-7-north', 'etc', 'block-con', 'block')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    safe = re.sub(r"[^a-z0-9_]+", "-", plain.lower()).strip("-_")[:40].strip("-_")
    if not safe or safe in _RESERVED:
        return f"block-{safe}".strip("-")
    return safe


def read_outlines(
    path: Path,
    *,
    crs: str | None = None,
    beside: Sequence[BaseGeometry] = (),
    known_points: Sequence[Place] = (),
    accept: Sequence[str] = (),
) -> tuple[tuple[Outline, ...], tuple[Finding, ...]]:
    """Outlines of a GeoJSON, KML, KMZ, GPX, GeoPackage or shapefile, with what is odd in them.

    Parameters
    ----------
    crs : str, optional
        The coordinate system, where the file does not say ("EPSG:2048").
    beside : sequence of polygons
        Outlines of the farm's other blocks in WGS84; they tell which system a file without one
        is in. [deg]
    known_points : sequence of (lon, lat)
        Places known to lie in the blocks, such as stations of an earlier season. [deg]
    accept : sequence of str
        Rules whose proposals are agreed to.

    Returns
    -------
    outlines, findings
        An outline with an open question that concerns its shape is not among the outlines.

    Raises
    ------
    IntakeError
        If the file is no outline file, hostile or damaged.
    """
    file = receive(path)
    return outlines_of(file.path, read_shapes(file), crs, beside, known_points, accept)


def outlines_of(
    path: Path,
    layers: Sequence[Shapes],
    crs: str | None = None,
    beside: Sequence[BaseGeometry] = (),
    known_points: Sequence[Place] = (),
    accept: Sequence[str] = (),
) -> tuple[tuple[Outline, ...], tuple[Finding, ...]]:
    """`read_outlines` for a file whose layers are read already."""
    outlines: list[Outline] = []
    findings: list[Finding] = []
    for layer in layers:
        system, asked = system_of(layer, path.name, crs, beside, known_points, accept)
        findings += asked
        if system:
            layer, asked = axes_of(layer, path.name, system, beside, known_points, accept)
            findings += asked
            more, odd = _layer_outlines(layer, path, system, accept)
            outlines += more
            findings += odd
    outlines, found = _ponds(outlines, accept)
    findings += found
    findings += _off_the_points(outlines, path.name, beside, known_points)
    findings += _points_beside(layers, path.name)
    return tuple(outlines), tuple(findings)


def _points_beside(layers: Sequence[Shapes], name: str) -> list[Finding]:
    """Single places in a file of outlines: no outlines, and not lost without a word."""
    single = [s for layer in layers for s in layer.shapes if s.geometry.geom_type == "Point"]
    if not single:
        return []
    count = "1 single place" if len(single) == 1 else f"{len(single)} single places"
    return [
        Finding(
            "points_beside_outlines",
            "warning",
            f"{name} holds {count} beside its outlines.",
            "If they are sampling places, save them as a file of their own and add that.",
            "Only the outlines were read.",
            file=name,
        )
    ]


# Where an outline lies


def _off_the_points(
    outlines: Sequence[Outline],
    name: str,
    beside: Sequence[BaseGeometry],
    known_points: Sequence[Place],
) -> list[Finding]:
    """An outline that misses the stations known to lie in it by an old datum's shift."""
    findings = []
    for outline in outlines:
        others = [*beside, *(other.lonlat for other in outlines if other is not outline)]
        shift = _shift_that_fits(outline.lonlat, _free_points(known_points, others))
        if shift:
            east_m, north_m, now, then = shift
            findings.append(
                Finding(
                    "outline_shifted",
                    "open",
                    f"Of the known stations, {now} lie inside {outline.name}; moved about "
                    f"{abs(east_m):.0f} m {'east' if east_m > 0 else 'west'} and {abs(north_m):.0f}"
                    f" m {'north' if north_m > 0 else 'south'}, {then} would. An older datum, or "
                    "the wrong system?",
                    "Give the right system with --crs EPSG:CODE, or keep the outline as it is.",
                    "Kept as it came.",
                    file=name,
                    row=outline.feature,
                )
            )
    return findings


def _free_points(known_points: Sequence[Place], others: Sequence[BaseGeometry]) -> Array:
    """Stations that no other block holds. [deg]"""
    xy = np.array(known_points, dtype=float).reshape(-1, 2)
    for other in others:
        xy = xy[~shapely.contains_xy(other, xy[:, 0], xy[:, 1])]
    return xy


def _shift_that_fits(lonlat: Area, xy: Array) -> tuple[float, float, int, int] | None:
    """East and north shift [m] that lays an outline over most points, with those inside now, then.

    Stations of blocks that are not on file may stand around: so every shift is tried, and the one
    asked about holds at least twice as many points as the outline does where it lies.
    """
    degree_m = np.array([math.cos(math.radians(lonlat.centroid.y)) * 111_320.0, 110_900.0])
    west, south, east, north = lonlat.bounds
    reach = MOST_SHIFT_M / degree_m
    low, high = np.array([west, south]) - reach, np.array([east, north]) + reach
    near = np.all((xy >= low) & (xy <= high), axis=1)
    xy = xy[near][:MOST_SHIFT_POINTS]
    steps_m = np.arange(-MOST_SHIFT_M, MOST_SHIFT_M + 1, SHIFT_STEP_M)
    shifts_m = np.stack(np.meshgrid(steps_m, steps_m), axis=-1).reshape(-1, 2)
    moved = xy[None, :, :] - (shifts_m / degree_m)[:, None, :]
    inside = shapely.contains_xy(lonlat, moved[..., 0], moved[..., 1]).sum(axis=1)
    now = int(shapely.contains_xy(lonlat, xy[:, 0], xy[:, 1]).sum())
    # Stations of two blocks may fill it as well as its own do: the least shift is the likeliest.
    good = shifts_m[inside >= GOOD_SHARE * inside.max()]
    least = good[np.argmin(np.hypot(*good.T))]
    shift_m = good[np.hypot(*(good - least).T) < 5 * SHIFT_STEP_M].mean(axis=0)
    then = int(shapely.contains_xy(lonlat, *(xy - shift_m / degree_m).T).sum())
    if then < FEWEST_STATIONS or 2 * now > then or np.hypot(*shift_m) < LEAST_SHIFT_M:
        return None
    return float(shift_m[0]), float(shift_m[1]), now, then


# From shapes to outlines


def _layer_outlines(
    layer: Shapes, path: Path, system: str, accept: Sequence[str]
) -> tuple[list[Outline], list[Finding]]:
    outlines: list[Outline] = []
    findings: list[Finding] = []
    shapes = areas_of(layer)
    for feature, shape in enumerate(shapes, start=1):
        name = _name_of(shape.attributes, path.stem, feature, len(shapes))
        polygon, odd = as_polygon(shape.geometry, name, (path.name, feature), system, accept)
        findings += odd
        if polygon is not None:
            outlines.append(Outline(name, polygon, path.name, feature, crs_name(system)))
    return outlines, findings


def _name_of(attributes: Mapping[str, str], stem: str, feature: int, count: int) -> str:
    lower = {key.lower(): value for key, value in attributes.items()}
    for key in _NAME_FIELDS:
        name = unicodedata.normalize("NFC", lower.get(key, "")).strip()
        if name:
            return name[:MOST_NAME_CHARACTERS]
    return stem if count == 1 else f"{stem} {feature}"


def _ponds(
    outlines: Sequence[Outline], accept: Sequence[str]
) -> tuple[list[Outline], list[Finding]]:
    """Outlines drawn inside another one: a hole if agreed, kept out of both until then."""
    kept = list(outlines)
    findings: list[Finding] = []
    for inner in outlines:
        outer = next((o for o in kept if o is not inner and o.lonlat.contains(inner.lonlat)), None)
        if outer is None or inner not in kept:
            continue
        kept.remove(inner)
        agreed = "outline_inside" in accept
        area = geodesic_area_ha(inner.lonlat)
        findings.append(
            Finding(
                "outline_inside",
                "note" if agreed else "open",
                f"{inner.name} ({area:.3f} ha) is drawn as its own piece inside {outer.name}.",
                "" if agreed else f"Make it a hole in {outer.name}.",
                "Made a hole, as agreed."
                if agreed
                else f"Not a block of its own; {outer.name} is kept without a hole.",
                file=inner.file,
                row=inner.feature,
                repair={"outline": outer.name, "hole": inner.lonlat.wkt},
            )
        )
        if agreed:
            pierced = replace(
                outer, lonlat=oriented(whole(pieces(outer.lonlat.difference(inner.lonlat))))
            )
            kept[kept.index(outer)] = pierced
    return kept, findings
