"""The true surfaces as GeoTIFFs, for tests alone."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from shapely import contains_xy

from demo_geodata.fields import ANALYTES, LOCAL, NAMES, OUTLINE, soil

UTM = "EPSG:32734"
CELL_M = 5.0


def write_truth(folder: Path) -> None:
    """One GeoTIFF a block and year, a band an analyte; NaN outside the block."""
    folder.mkdir(parents=True, exist_ok=True)
    for block in NAMES:
        for year in (1, 2):
            _write_block(folder, block, year)


def _write_block(folder: Path, block: str, year: int) -> None:
    import rasterio
    from pyproj import Transformer
    from rasterio import Affine

    to_utm = Transformer.from_crs(LOCAL, UTM, always_xy=True)
    corners = np.array(OUTLINE[block].exterior.coords)
    e, n = to_utm.transform(corners[:, 0], corners[:, 1])
    west, south = (math.floor(v.min() / CELL_M) * CELL_M for v in (e, n))
    east, north = (math.ceil(v.max() / CELL_M) * CELL_M for v in (e, n))
    eastings = np.arange(west + CELL_M / 2, east, CELL_M)
    northings = np.arange(north - CELL_M / 2, south, -CELL_M)
    grid = np.meshgrid(eastings, northings)
    x, y = to_utm.transform(grid[0].ravel(), grid[1].ravel(), direction="INVERSE")
    inside = contains_xy(OUTLINE[block], x, y)
    xy = np.column_stack([x, y])[inside]
    bands = np.full((len(ANALYTES), len(x)), np.nan, dtype=np.float32)
    for i, name in enumerate(ANALYTES):
        bands[i, inside] = soil().truth(name, xy, block, year)
    height, width = grid[0].shape
    path = folder / f"{('poel', 'kniee', 'werfie')['ABC'.index(block)]}_{2023 + year}.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=height, count=len(bands), dtype="float32",
        crs=UTM, transform=Affine(CELL_M, 0.0, west, 0.0, -CELL_M, north), nodata=np.nan,
        compress="deflate", predictor=3,
    ) as file:  # fmt: skip
        file.write(bands.reshape(-1, height, width))
        file.descriptions = tuple(ANALYTES)
