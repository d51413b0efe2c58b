"""A grower's own picture of the ground: a GeoTIFF -> colours in the projection that pages draw in.

Files come from outside: GDAL is held to its GeoTIFF driver and to a child process, the file must
say where it lies, and what is read of it is thinned to what a screen shows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geo import gdal_guard as gdal_guard  # before rasterio is loaded
from geo.blocks import Block
from geo.crs import Place
from geo.errors import IntakeError
from geo.fence import read_apart
from geo.received import true_kind

#: Most bytes of a file, and most pixels in it.
MOST_BYTES = 60_000_000
MOST_PIXELS = 400_000_000

#: Longest side of the picture, and of what is read to make it. [px]
LONGEST_PX, READ_PX = 2048, 3000

#: Ground shown around the blocks. [m]
MARGIN_M = 200.0

#: Shares of the values of a picture that is not in bytes, which become black and white. [1]
DARKEST, LIGHTEST = 0.02, 0.98

#: The projection that maps in a browser are drawn in: Web Mercator.
PAGE_CRS = "EPSG:3857"


@dataclass(frozen=True)
class GroundPicture:
    """Colours with transparency, rows from the north.

    Attributes
    ----------
    rgba : array of uint8, shape (rows, columns, 4)
        Regular in Web Mercator.
    south_west, north_east : (lon, lat)
        Its corners. [deg]
    pixel_m : float
        Side of a pixel on the ground. [m]
    """

    rgba: NDArray[np.uint8]
    south_west: Place
    north_east: Place
    pixel_m: float


def read_ground(path: Path, blocks: Sequence[Block] = ()) -> GroundPicture:
    """Picture of the ground around the blocks, or of all the file where there is no block yet.

    Raises
    ------
    IntakeError
        If it is no GeoTIFF, too large, does not say where it lies, or lies elsewhere.
    """
    _small_enough(path)
    return read_apart(read_geotiff, path, tuple(blocks), name=path.name)


def read_geotiff(path: Path, blocks: Sequence[Block]) -> GroundPicture:
    """The picture, as GDAL reads it; `read_ground` runs it in a child process.

    Raises
    ------
    IntakeError
        If it is damaged, too large, does not say where it lies, or lies elsewhere.
    """
    import rasterio
    from rasterio.errors import RasterioError, RasterioIOError

    try:
        with rasterio.open(path, driver="GTiff") as file:
            _usable(file, path.name)
            return _picture(file, path.name, blocks)
    except RasterioIOError:
        raise IntakeError(f"{path.name} is damaged. Export it again as a GeoTIFF.") from None
    except RasterioError as error:
        raise IntakeError(f"{path.name} cannot be laid on the map: {error}.") from None


def _small_enough(path: Path) -> None:
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise IntakeError(
            f"{path.name} is {size / 1e6:.0f} MB; {MOST_BYTES / 1e6:.0f} is the most. Cut it to "
            "the farm, or export it with coarser pixels or JPEG compression."
        )
    with path.open("rb") as stream:
        kind = true_kind(stream.read(512))
    if kind != "tiff":
        raise IntakeError(f"{path.name} is not a GeoTIFF. Export the picture as a GeoTIFF (.tif).")


def _usable(file: Any, name: str) -> None:
    from rasterio.transform import Affine

    if file.width * file.height > MOST_PIXELS:
        raise IntakeError(
            f"{name} has {file.width} x {file.height} pixels; {MOST_PIXELS / 1e6:.0f} million are "
            "the most. Export it with coarser pixels."
        )
    if file.crs is None or file.transform == Affine.identity():
        raise IntakeError(
            f"{name} does not say where on earth it lies. Export it as a GeoTIFF with its "
            "coordinate system."
        )
    if np.dtype(file.dtypes[0]).kind not in "uif":
        raise IntakeError(f"{name} holds no colours.")


def _picture(file: Any, name: str, blocks: Sequence[Block]) -> GroundPicture:
    from rasterio.transform import Affine
    from rasterio.warp import Resampling, reproject, transform_bounds

    box = _wanted(transform_bounds(file.crs, PAGE_CRS, *file.bounds), name, blocks)
    window, shape = _window(file, box)
    values = file.read(_bands(file), window=window, out_shape=(len(_bands(file)), *shape))
    seen = file.dataset_mask(window=window, out_shape=shape)
    here = _part(file.transform, window, shape)
    # Never finer than what was read.
    side = max(box[2] - box[0], box[3] - box[1]) / min(LONGEST_PX, max(shape))
    columns = max(1, min(LONGEST_PX, round((box[2] - box[0]) / side)))
    rows = max(1, min(LONGEST_PX, round((box[3] - box[1]) / side)))
    there = Affine((box[2] - box[0]) / columns, 0, box[0], 0, -(box[3] - box[1]) / rows, box[3])
    rgba = np.zeros((4, rows, columns), np.uint8)
    frame = {"src_transform": here, "src_crs": file.crs, "dst_transform": there,
             "dst_crs": PAGE_CRS}  # fmt: skip
    for band, colour in enumerate(_colours(file, values, seen)):
        reproject(colour, rgba[band], resampling=Resampling.bilinear, **frame)
    reproject(seen, rgba[3], resampling=Resampling.nearest, **frame)
    west, south, east, north = transform_bounds(PAGE_CRS, "EPSG:4326", *box)
    pixel_m = (box[3] - box[1]) / rows * math.cos(math.radians((south + north) / 2))
    return GroundPicture(np.moveaxis(rgba, 0, -1), (west, south), (east, north), pixel_m)


Box = tuple[float, float, float, float]


def _wanted(whole: Box, name: str, blocks: Sequence[Block]) -> Box:
    """The part of a picture that lies around the blocks, in Web Mercator."""
    from rasterio.warp import transform_bounds

    if not all(math.isfinite(side) for side in whole):
        raise IntakeError(f"{name} lies where no map reaches. Check its coordinate system.")
    if not blocks:
        return whole
    bounds = shapely.union_all([block.lonlat for block in blocks]).bounds
    around = transform_bounds("EPSG:4326", PAGE_CRS, *bounds)
    margin = MARGIN_M / math.cos(math.radians((bounds[1] + bounds[3]) / 2))
    box = (
        max(whole[0], around[0] - margin),
        max(whole[1], around[1] - margin),
        min(whole[2], around[2] + margin),
        min(whole[3], around[3] + margin),
    )
    if box[0] >= box[2] or box[1] >= box[3]:
        raise IntakeError(
            f"{name} does not show any of your blocks: it lies elsewhere. Check its coordinate "
            "system, or choose another picture."
        )
    return box


def _window(file: Any, box: Box) -> tuple[Any, tuple[int, int]]:
    """Rows and columns of the file that a box needs, and how many are read of them."""
    from rasterio.warp import transform_bounds
    from rasterio.windows import Window

    a, b, c, d, e, f = tuple(file.transform)[:6]
    if b or d:  # turned: what a box needs is no simple window
        across, down = (0.0, float(file.width)), (0.0, float(file.height))
    else:
        left, low, right, high = transform_bounds(PAGE_CRS, file.crs, *box)
        across = _in_order((left - c) / a, (right - c) / a)
        down = _in_order((low - f) / e, (high - f) / e)
    first_row, first_column = max(0, math.floor(down[0]) - 1), max(0, math.floor(across[0]) - 1)
    height = min(file.height, math.ceil(down[1]) + 1) - first_row
    width = min(file.width, math.ceil(across[1]) + 1) - first_column
    window = Window(first_column, first_row, max(1, width), max(1, height))
    thinner = max(1.0, max(window.width, window.height) / READ_PX)
    return window, (
        max(1, round(window.height / thinner)),
        max(1, round(window.width / thinner)),
    )


def _in_order(one: float, other: float) -> tuple[float, float]:
    return min(one, other), max(one, other)


def _part(transform: Any, window: Any, shape: tuple[int, int]) -> Any:
    """Transform of a window that was read in fewer cells."""
    from rasterio.transform import Affine

    # The affine package retires "*", and rasterio's own window_transform with it.
    a, b, c, d, e, f = tuple(transform)[:6]
    wide, high = window.width / shape[1], window.height / shape[0]
    row, column = window.row_off, window.col_off
    return Affine(
        a * wide, b * high, c + a * column + b * row, d * wide, e * high, f + d * column + e * row
    )


def _bands(file: Any) -> list[int]:
    """Red, green and blue where there are three; else the first band alone."""
    from rasterio.enums import ColorInterp

    named = {kind: i for i, kind in enumerate(file.colorinterp, start=1)}
    wanted = [named.get(kind) for kind in (ColorInterp.red, ColorInterp.green, ColorInterp.blue)]
    if all(wanted):
        return [band for band in wanted if band]
    return [1, 2, 3] if file.count >= 3 else [1]


def _colours(file: Any, values: NDArray[Any], seen: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """Three arrays of bytes, from colours, a palette, greys or measured numbers."""
    from rasterio.enums import ColorInterp

    if len(values) == 1 and file.colorinterp[0] == ColorInterp.palette:
        table = np.zeros((256, 3), np.uint8)
        for index, colour in file.colormap(1).items():
            if 0 <= index < 256:
                table[index] = colour[:3]
        return [table[:, band][np.clip(values[0], 0, 255).astype(np.uint8)] for band in range(3)]
    if values.dtype == np.uint8:
        return [values[i if len(values) == 3 else 0] for i in range(3)]
    numbers = values.astype(np.float64)
    sound = np.isfinite(numbers) & (seen > 0)
    if not sound.any():
        return [np.zeros(seen.shape, np.uint8)] * 3
    low, high = np.quantile(numbers[sound], [DARKEST, LIGHTEST])
    bytes_ = np.clip((np.where(sound, numbers, low) - low) / max(high - low, 1e-12), 0, 1) * 255
    return [bytes_[i if len(values) == 3 else 0].astype(np.uint8) for i in range(3)]
