"""Fixtures that several tests share."""

import pytest
from shapely import MultiPolygon, box

from geo.blocks import Block
from geo.export.layers import SpreadLayer, to_lonlat
from geo.zones import Zone

#: South-west corner of the invented test block. [m]
E, N = 407_000.0, 6_240_000.0
CRS = "EPSG:32734"


def geodesic_ha(shape):
    from pyproj import Geod

    return abs(Geod(ellps="WGS84").geometry_area_perimeter(to_lonlat(shape, CRS))[0]) / 1e4


@pytest.fixture
def layer():
    """Two zones of a 200 x 100 m block with a pond, the first in two parts."""
    outline = box(E, N, E + 200, N + 100) - box(E + 20, N + 20, E + 40, N + 40)
    east = box(E + 100, N, E + 150, N + 100)
    rest = outline - east
    shapes = [MultiPolygon(list(rest.geoms)), MultiPolygon([east])]
    areas = [sum(geodesic_ha(p) for p in s.geoms) for s in shapes]
    zones = tuple(
        Zone(i + 1, s, a, {}, ()) for i, (s, a) in enumerate(zip(shapes, areas, strict=True))
    )
    block = Block("Noordkamp", "noordkamp", outline, to_lonlat(outline, CRS), CRS, sum(areas))
    return SpreadLayer(
        block, 2024, "lime", "calcitic_lime", 1, 1, zones, (2500.0, 1200.0), ("because",)
    )


@pytest.fixture(scope="session")
def demo_farm(tmp_path_factory):
    """The demo farm with both seasons read in."""
    from maps.answer import Answer
    from maps.commands.demo import add_season, make_demo_farm

    folder = tmp_path_factory.mktemp("demo") / "ombervale"
    answer = Answer(document={"findings": []})
    make_demo_farm(folder, answer)
    for year in (2024, 2025):
        add_season(folder, year, answer)
    return folder


@pytest.fixture(scope="session")
def poel(demo_farm):
    """Poel in 2024: lime in zones, a pond in the middle."""
    from geo.season import run_season

    return run_season(demo_farm, 2024, "Poel")


@pytest.fixture(scope="session")
def kniee(demo_farm):
    """Knieë in 2025: an L, two materials, a name that is not ASCII."""
    from geo.season import run_season

    return run_season(demo_farm, 2025, "Knieë")


@pytest.fixture(scope="session")
def chromium():
    """A real browser to which no name but this machine's resolves; tests without one are skipped.

    In CI a missing browser fails instead. `CHROMIUM` names another program.
    """
    import os
    import shutil

    from playwright.sync_api import sync_playwright

    program = os.environ.get("CHROMIUM") or shutil.which("chromium") or ""
    if not program:
        (pytest.fail if os.environ.get("CI") else pytest.skip)("chromium is not installed")
    flags = [
        "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
    ]  # fmt: skip
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=flags)
        yield browser
        browser.close()
