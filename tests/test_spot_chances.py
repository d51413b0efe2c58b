"""Which chances lie under the spots: those in doubt, the plan's own property first."""

from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from rasterio import Affine

from maps.drawing import drawings
from maps.pages.spotchances import chances, in_doubt
from maps.serving.workspace import Workspace

BANDS = {
    "ph_water": [6, 6, 6, 6],
    "ph_water_p_low": [0.5, 0.99, 0.0, -9999],  # open in one cell of three
    "k_p_low": [0.2, 0.5, 0.95, -9999],  # in two of three
    "esp_p_high": [0.01, 0.05, 1.0, -9999],  # decided everywhere
    "unheard_of_p_low": [0.5, 0.5, 0.5, -9999],
}


@pytest.fixture
def tif(tmp_path):
    path = tmp_path / "surfaces.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=2, height=2, count=len(BANDS), dtype="float32",
        crs="EPSG:32734", transform=Affine(1, 0, 407_000, 0, -1, 6_240_002), nodata=-9999,
    ) as file:  # fmt: skip
        for band, (name, values) in enumerate(BANDS.items(), start=1):
            file.write(np.array(values, dtype="float32").reshape(2, 2), band)
            file.set_band_description(band, name)
    return path


def test_what_is_open_is_offered_the_widest_first(tif):
    """Open: between 10 and 90 in 100; shares of the cells by hand."""
    assert in_doubt(tif) == ["k", "ph_water"]


def test_the_plans_own_property_comes_first_with_its_limit(poel, tmp_path):
    from geo.export.folder import write_season

    write_season(poel, tmp_path / "seasons" / "2024" / "poel")
    plan = SimpleNamespace(after=2024, block=poel.block, quality=SimpleNamespace(key="k"))
    paper = drawings.paper_for(poel.block.outline, 600.0, 600.0)
    work = Workspace(tmp_path)
    shown = chances(work, plan, paper)["shown"]
    assert shown[0]["key"] == "k"
    assert len({one["key"] for one in shown}) == len(shown) > 1
    critical = poel.surfaces["k"].critical
    assert shown[0]["words"] == f"Chance that potassium is below {critical:g} mg/kg, after 2024"
    assert all(one["picture"].startswith("<image ") for one in shown)


def test_nothing_is_offered_before_a_survey(poel, tmp_path):
    plan = SimpleNamespace(after=None, block=poel.block, quality=SimpleNamespace(key=""))
    assert chances(Workspace(tmp_path), plan, None) is None
