"""surfaces.tif: each mapped property with its doubt, float32, in the block's metric CRS."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from geo.surfaces import Surface, Surfaces

NODATA = -9999.0
#: Side of a tile, a multiple of 16: of a small block no more than it needs.
LARGEST_TILE, TILE_STEP = 256, 16
TILED = {"driver": "GTiff", "predictor": 3, "tiled": True, "interleave": "band"}
#: Predictor 3 is for floating point.
CLOUD = {"driver": "COG", "predictor": "FLOATING_POINT", "blocksize": 256}


def write_surfaces(surfaces: Surfaces, path: Path, season: int, *, cloud: bool = False) -> None:
    """Write `<key>`, `<key>_sd` and, where a critical level is published, the chance beyond it.

    The chance band is `<key>_p_low` where too little is the trouble, else `<key>_p_high`.

    Same surfaces, same bytes: no time stamp goes into the file. `cloud` lays it out as a
    cloud-optimised GeoTIFF, for a farm's files on a web server; the values are the same.
    """
    import rasterio
    from rasterio import Affine

    bands = [band for surface in surfaces.values() for band in _bands(surface)]
    if not bands:
        return
    grid = next(iter(surfaces.values())).grid
    profile = {
        "dtype": "float32",
        "count": len(bands),
        "height": grid.shape[0],
        "width": grid.shape[1],
        "crs": grid.crs,
        "transform": Affine(
            grid.spacing_m, 0.0, grid.origin_m[0], 0.0, -grid.spacing_m, grid.origin_m[1]
        ),
        "nodata": NODATA,
        "compress": "deflate",
    }
    profile |= CLOUD if cloud else TILED | _tile(grid.shape)
    with rasterio.open(path, "w", **profile) as file:
        file.update_tags(SEASON=str(season), METHOD="kriging, averaged over models")
        for index, (name, unit, surface, values) in enumerate(bands, start=1):
            file.write(np.where(np.isfinite(values), values, NODATA).astype("float32"), index)
            file.set_band_description(index, name)
            file.set_band_unit(index, unit)
            file.update_tags(index, PROPERTY=surface.key, VERDICT=surface.verdict, N=str(surface.n))


def _tile(shape: tuple[int, int]) -> dict[str, int]:
    rows, columns = (min(LARGEST_TILE, math.ceil(cells / TILE_STEP) * TILE_STEP) for cells in shape)
    return {"blockysize": rows, "blockxsize": columns}


def _bands(surface: Surface) -> list[tuple[str, str, Surface, np.ndarray]]:
    """(description, unit, surface, values) of one property's bands."""
    bands = [
        (surface.key, surface.unit, surface, surface.estimate),
        (f"{surface.key}_sd", surface.unit, surface, surface.kriging_sd),
    ]
    if surface.chance_wrong_side is not None:
        side = "low" if surface.side == "below" else "high"
        bands.append((f"{surface.key}_p_{side}", "1", surface, surface.chance_wrong_side))
    return bands
