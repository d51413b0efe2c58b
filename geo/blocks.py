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
from geo.outline_systems import areas_of, axes_of, system_of
from geo.polygons import Area, as_polygon, geodesic_area_ha, oriented, pieces, whole
from geo.received import MOST_NAME_CHARACTERS, receive
from geo.settings import BlockSettings
from geo.shapes import Shapes, read_shapes

#: Areas a block may have; outside it the file or its system is wrong. [m2], [ha]
LEAST_BLOCK_M2 = 50.0
MOST_BLOCK_HA = 5000.0

#: A block wider than this does not fit one metric system. [deg]
WIDEST_DEG = 1.0

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
    outlines: list[Outline] = []
    findings: list[Finding] = []
    for layer in read_shapes(file):
        system, asked = system_of(layer, file.name, crs, beside, known_points, accept)
        findings += asked
        if system:
            layer, asked = axes_of(layer, file.name, system, beside, accept)
            findings += asked
            more, odd = _layer_outlines(layer, file.path, system, accept)
            outlines += more
            findings += odd
    outlines, found = _ponds(outlines, accept)
    findings += found
    findings += _off_the_points(outlines, file.name, known_points)
    return tuple(outlines), tuple(findings)


# Where an outline lies


def _off_the_points(
    outlines: Sequence[Outline], name: str, known_points: Sequence[Place]
) -> list[Finding]:
    """An outline that misses the stations known to lie in it by an old datum's shift."""
    findings = []
    for outline in outlines:
        near = [p for p in known_points if outline.lonlat.distance(shapely.Point(p)) < 0.005]
        if len(near) < 3:
            continue
        xy = np.array(near)
        share = float(shapely.contains_xy(outline.lonlat, xy[:, 0], xy[:, 1]).mean())
        shift = _shift_that_fits(outline.lonlat, xy) if share < 0.5 else None
        if shift:
            east_m, north_m, share_then = shift
            findings.append(
                Finding(
                    "outline_shifted",
                    "open",
                    f"Of {len(near)} known stations near {outline.name}, {share:.0%} lie inside "
                    f"it; moved {math.hypot(east_m, north_m):.0f} m, {share_then:.0%} would. "
                    "An older datum, or the wrong system?",
                    "Give the right system with --crs EPSG:CODE, or keep the outline as it is.",
                    "Kept as it came.",
                    file=name,
                    row=outline.feature,
                    repair={"east_m": f"{east_m:.1f}", "north_m": f"{north_m:.1f}"},
                )
            )
    return findings


def _shift_that_fits(lonlat: Area, xy: Array) -> tuple[float, float, float] | None:
    """East and north shift [m] that lays an outline over the points, and the share inside then."""
    east_m = math.cos(math.radians(lonlat.centroid.y)) * 111_320.0
    shift = xy.mean(axis=0) - np.array(lonlat.centroid.coords[0])
    moved = xy - shift
    share = float(shapely.contains_xy(lonlat, moved[:, 0], moved[:, 1]).mean())
    metres = (float(shift[0]) * east_m, float(shift[1]) * 110_900.0)
    if share < 0.8 or not 30.0 < math.hypot(*metres) < 1000.0:
        return None
    return *metres, share


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
