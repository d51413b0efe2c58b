"""surfaces.tif read by rasterio and by GDAL's own tool of another version."""

import json
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import shapely

from geo.export.folder import write_season
from geo.export.geotiff import NODATA, write_surfaces


@pytest.fixture(scope="module")
def tif(poel, tmp_path_factory):
    path = tmp_path_factory.mktemp("tif") / "surfaces.tif"
    write_surfaces(poel.surfaces, path, 2024)
    return path


def cells(data):
    import rasterio

    rows, columns = np.mgrid[: data.height, : data.width]
    x, y = rasterio.transform.xy(data.transform, rows.ravel(), columns.ravel())
    return np.asarray(x), np.asarray(y)


def test_bands_are_named_as_the_contract_says(poel, tif):
    """design.md section 4: <key>, <key>_sd, and <key>_p_low or <key>_p_high where it can be."""
    import rasterio

    with rasterio.open(tif) as data:
        names = list(data.descriptions)
        assert data.nodata == NODATA
        assert set(data.dtypes) == {"float32"}
        assert data.crs.to_string() == poel.block.crs
        assert data.tags()["AREA_OR_POINT"] == "Area"
    for key, surface in poel.surfaces.items():
        assert {key, f"{key}_sd"} <= set(names)
        sides = {f"{key}_p_low", f"{key}_p_high"} & set(names)
        assert len(sides) == (surface.chance_wrong_side is not None)
    assert "mg_p_low" in names  # magnesium is a need: too little is the trouble
    assert "esp_p_high" in names  # sodium on the clay is a hazard


def test_nothing_stands_outside_the_outline_or_in_the_pond(poel, tif):
    import rasterio

    with rasterio.open(tif) as data:
        x, y = cells(data)
        values = data.read(1).ravel()
    written = values != NODATA
    inside = shapely.contains_xy(poel.block.outline, x, y)
    assert (written == inside).all()
    pond = shapely.Polygon(poel.block.outline.interiors[0])
    assert shapely.contains_xy(pond, x, y).sum() > 50
    assert not written[shapely.contains_xy(pond, x, y)].any()


def test_values_lie_at_cell_centres_as_kriged(poel, tif):
    import rasterio

    surface = poel.surfaces["ph_water"]
    with rasterio.open(tif) as data:
        band = list(data.descriptions).index("ph_water") + 1
        for x, y in surface.grid.cells()[:: surface.grid.inside.sum() // 7]:
            (found,) = next(data.sample([(x, y)], indexes=[band]))
            row, column = (int(i[0]) for i in surface.grid.cell_of([(x, y)]))
            assert found == pytest.approx(surface.estimate[row, column], rel=1e-6)


def test_chances_are_chances_and_doubt_is_positive(tif):
    import rasterio

    with rasterio.open(tif) as data:
        for index, name in enumerate(data.descriptions, start=1):
            values = data.read(index)
            values = values[values != NODATA]
            assert np.isfinite(values).all()
            if "_p_" in name:
                assert (values.min() >= 0) & (values.max() <= 1)
            if name.endswith("_sd"):
                assert values.min() >= 0


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="GDAL's own tools are not installed")
def test_gdal_itself_reads_the_same(poel, tif):
    """gdalinfo of the system (3.6 where this was written), not the library that wrote the file."""
    said = subprocess.run(["gdalinfo", "-json", tif], capture_output=True, check=True).stdout
    info = json.loads(said)
    grid = poel.surfaces["ph_water"].grid
    assert info["size"] == [grid.shape[1], grid.shape[0]]
    assert info["geoTransform"] == pytest.approx(
        [grid.origin_m[0], grid.spacing_m, 0, grid.origin_m[1], 0, -grid.spacing_m]
    )
    assert {band["noDataValue"] for band in info["bands"]} == {NODATA}
    assert [band["description"] for band in info["bands"]][:2] == ["ph_water", "ph_water_sd"]
    assert info["bands"][0]["metadata"][""]["VERDICT"] == poel.surfaces["ph_water"].verdict
    assert "32734" in info["coordinateSystem"]["wkt"]
    assert not tif.with_name("surfaces.tif.aux.xml").exists()


def test_same_surfaces_same_bytes(poel, tif, tmp_path):
    write_surfaces(poel.surfaces, tmp_path / "again.tif", 2024)
    assert (tmp_path / "again.tif").read_bytes() == tif.read_bytes()


def test_cloud_layout_holds_the_same_values(poel, tif, tmp_path):
    import rasterio

    write_surfaces(poel.surfaces, tmp_path / "cloud.tif", 2024, cloud=True)
    with rasterio.open(tmp_path / "cloud.tif") as cloud, rasterio.open(tif) as plain:
        assert cloud.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert cloud.descriptions == plain.descriptions
        assert (cloud.read() == plain.read()).all()


def test_farm_toml_may_ask_for_the_cloud_layout(poel, tmp_path):
    """COG driver of GDAL, read back by its tag LAYOUT (OGC 21-026)."""
    import rasterio

    grid = replace(poel.settings.grid, cloud=True)
    season = replace(poel, settings=replace(poel.settings, grid=grid))
    write_season(season, tmp_path / "poel")
    with rasterio.open(tmp_path / "poel" / "surfaces.tif") as file:
        assert file.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
