"""Outline file -> Block: a polygon in metres, its hectares, and what farm.toml says of the site."""

from __future__ import annotations

from dataclasses import dataclass, field

from shapely import MultiPolygon, Polygon

from geo.settings import BlockSettings


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
