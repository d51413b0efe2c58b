"""Surfaces as pictures in the map's projection, clipped to the outline, with class lines."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from geo.grids import Grid
from maps.colors import CLEAR, INK, LINE, Ramp, Rgb

Array = NDArray[np.float64]

#: Fewest picture cells per grid cell, so that class lines stay thin, and most.
FINER, FINEST = 3, 12
#: A small block's picture is made finer up to this side, so that its edge stays sharp. [px]
SHARP = 450
#: How much a class line covers what lies under it; no other cell has this opacity. [1 of 255]
LINE_ALPHA = 190
#: Longest side of a picture, about that of the map on a laptop; a page with 42 stays small. [px]
LONGEST = 450


@dataclass(frozen=True)
class Frame:
    """Where a picture lies: Web Mercator shape and transform, and its bounds in WGS84.

    `bounds` is ((south, west), (north, east)) as Leaflet wants it. [deg]
    """

    shape: tuple[int, int]
    transform: tuple[float, ...]
    bounds: tuple[tuple[float, float], tuple[float, float]]
    mask: NDArray[np.bool_]


def frame_for(grid: Grid, outline_lonlat: Polygon | MultiPolygon, most_px: int = LONGEST) -> Frame:
    """Picture frame for a grid: finer than the grid, masked by the outline."""
    import rasterio.warp
    from rasterio.features import geometry_mask
    from rasterio.transform import Affine, array_bounds

    rows, columns = grid.shape
    source = north_up(grid)
    bounds = array_bounds(rows, columns, source)
    # rasterio's own default frame needs GDAL's VRT driver, which `geo.gdal_guard` leaves out.
    left, bottom, right, top = rasterio.warp.transform_bounds(grid.crs, "EPSG:3857", *bounds)
    side = grid.spacing_m / math.cos(math.radians(outline_lonlat.centroid.y))
    width, height = math.ceil((right - left) / side), math.ceil((top - bottom) / side)
    longest = max(width, height)
    finer = min(FINEST, max(FINER, SHARP / longest), most_px / longest)
    width, height = int(width * finer), int(height * finer)
    transform = Affine(side / finer, 0.0, left, 0.0, -side / finer, top)
    shape = rasterio.warp.transform_geom("EPSG:4326", "EPSG:3857", outline_lonlat.__geo_interface__)
    mask = geometry_mask([shape], (height, width), transform, invert=True)
    west, south, east, north = rasterio.warp.transform_bounds(
        "EPSG:3857", "EPSG:4326", *array_bounds(height, width, transform)
    )
    return Frame((height, width), tuple(transform)[:6], ((south, west), (north, east)), mask)


def north_up(grid: Grid, finer: float = 1) -> Any:
    """Affine transform of a north-up grid, or of cells `finer` times smaller, to metres."""
    from rasterio.transform import Affine

    # rasterio's own from_origin warns of its end with newer affine packages.
    side = grid.spacing_m / finer
    return Affine(side, 0.0, grid.origin_m[0], 0.0, -side, grid.origin_m[1])


def warp(values: Array, grid: Grid, frame: Frame) -> Array:
    """Values of a north-up grid on the picture's cells; NaN outside the outline."""
    from rasterio.transform import Affine
    from rasterio.warp import Resampling, reproject

    out = np.full(frame.shape, np.nan)
    reproject(
        grown(values),
        out,
        src_transform=north_up(grid),
        src_crs=grid.crs,
        dst_transform=Affine(*frame.transform),
        dst_crs="EPSG:3857",
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
    )
    return np.where(frame.mask, out, np.nan)


def enlarged(values: Array, grid: Grid, outline_m: Polygon | MultiPolygon, finer: int) -> Array:
    """Values of a north-up grid on cells `finer` times smaller, in its own CRS, for paper.

    NaN outside the outline as given: whoever cuts the picture along it gives a wider one.
    """
    from rasterio.features import geometry_mask
    from rasterio.warp import Resampling, reproject

    rows, columns = grid.shape
    shape = (rows * finer, columns * finer)
    out = np.full(shape, np.nan)
    transform = north_up(grid, finer)
    reproject(
        grown(values),
        out,
        src_transform=north_up(grid),
        src_crs=grid.crs,
        dst_transform=transform,
        dst_crs=grid.crs,
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
    )
    mask = geometry_mask([outline_m.__geo_interface__], shape, transform, invert=True)
    return np.where(mask, out, np.nan)


def grown(values: Array) -> Array:
    """Values carried a few cells beyond the outline, so that the picture reaches it everywhere."""
    from scipy.ndimage import distance_transform_edt

    empty = ~np.isfinite(values)
    if empty.all() or not empty.any():
        return values
    nearest = distance_transform_edt(empty, return_distances=False, return_indices=True)
    carried: Array = values[tuple(nearest)]
    return carried


def picture(values: Array, ramp: Ramp, limits: Sequence[float] = ()) -> bytes:
    """A palette PNG of warped values, with a thin dark line where a limit is crossed."""
    from PIL import Image

    index = _places(values, ramp, limits)
    rows, columns = index.shape
    image = Image.frombytes("P", (columns, rows), index.tobytes())
    image.putpalette(ramp.palette())
    out = io.BytesIO()
    alpha = bytes([0, *[255] * (LINE - 1), LINE_ALPHA])
    image.save(out, "PNG", transparency=alpha, optimize=True)
    return out.getvalue()


def page_picture(values: Array, ramp: Ramp, limits: Sequence[float] = ()) -> bytes:
    """The pixels of `picture` as lossless WebP, which takes a third less room in a page."""
    table = np.zeros((LINE + 1, 4), dtype=np.uint8)
    table[CLEAR + 1 : LINE, :3] = ramp.colors
    table[CLEAR + 1 : LINE, 3] = 255
    table[LINE] = (*INK, LINE_ALPHA)
    return _webp(table[_places(values, ramp, limits)])


def _places(values: Array, ramp: Ramp, limits: Sequence[float]) -> NDArray[np.uint8]:
    """Palette place of each cell; that of the line where a limit is crossed."""
    index = ramp.index(values)
    if limits:
        index[_crossing(values, limits)] = LINE
    return index


def _webp(rgba: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    rows, columns, _ = rgba.shape
    out = io.BytesIO()
    # More effort than this takes up to a hundred times as long for 3 % fewer bytes.
    image = Image.frombytes("RGBA", (columns, rows), rgba.tobytes())
    image.save(out, "WEBP", lossless=True, method=1, quality=50)
    return out.getvalue()


def in_sun(picture: bytes, steps: Sequence[Rgb] = (), flat: Sequence[Rgb] = ()) -> bytes:
    """A picture as it is drawn for sunlight: class lines twice as wide, one colour a class.

    `steps` are the colours of the ramp and `flat` what each turns into; without them it stays.
    """
    from PIL import Image

    rgba = np.array(Image.open(io.BytesIO(picture)).convert("RGBA"))
    line = rgba[..., 3] == LINE_ALPHA
    if steps:
        wanted, known = _as_one(rgba[..., :3]), _as_one(np.array(steps, dtype=np.uint8))
        order = np.argsort(known, kind="stable")
        place = order[np.searchsorted(known, wanted, sorter=order).clip(max=len(known) - 1)]
        found = (known[place] == wanted) & (rgba[..., 3] == 255)
        rgba[found, :3] = np.array(flat, dtype=np.uint8)[place[found]]
    line[1:] |= line[:-1]
    line[:, 1:] |= line[:, :-1]
    rgba[line & (rgba[..., 3] != 0)] = (*INK, LINE_ALPHA)
    return _webp(rgba)


def _as_one(rgb: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Colours as whole numbers, to be looked up."""
    return np.asarray(rgb.astype(np.int64) @ np.array([65_536, 256, 1]))


def _crossing(values: Array, limits: Sequence[float]) -> NDArray[np.bool_]:
    """Cells whose right or lower neighbour lies in another class."""
    known = np.isfinite(values)
    level = np.digitize(np.nan_to_num(values), sorted(limits))
    crossing = np.zeros(values.shape, bool)
    crossing[:, :-1] |= (level[:, :-1] != level[:, 1:]) & known[:, :-1] & known[:, 1:]
    crossing[:-1, :] |= (level[:-1, :] != level[1:, :]) & known[:-1, :] & known[1:, :]
    return crossing


def data_url(picture: bytes, kind: str = "png") -> str:
    """A picture as text that a page can hold."""
    return f"data:image/{kind};base64," + base64.b64encode(picture).decode("ascii")
