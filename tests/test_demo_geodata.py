"""The demo farm against the printed figures of its specification, and against its own script."""

import numpy as np
import pytest

from demo_geodata import OUTLINES, SEASON_FILES, files
from demo_geodata.fields import LOCAL, OUTLINE, lattice, lime_rate_t_ha, soil
from demo_geodata.generate import generate
from demo_geodata.laboratory import results
from demo_geodata.records import zone
from demo_geodata.stations import samples, to_lonlat

# All expected numbers: the specification of the demo farm, from a run of its reference code.


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    generate(folder)
    return folder


@pytest.mark.parametrize(
    ("block", "xy", "name", "expected"),
    [
        ("A", (-200, 0), "ph_w", (5.5876, 5.9893)),
        ("A", (-200, 0), "ca", (781.1452, 993.9474)),
        ("A", (-200, 0), "cu", (1.0858, 1.1203)),
        ("B", (0, -150), "k", (67.0192, 101.5462)),
        ("B", (0, -150), "na", (240.5957, 250.7593)),
        ("C", (150, 50), "ph_w", (7.7250, 7.3531)),
        ("C", (150, 50), "na", (64.1257, 63.9985)),
    ],
)
def test_truth_at_the_printed_places(block, xy, name, expected):
    at = np.array([xy], dtype=float)
    found = [soil().truth(name, at, block, year)[0] for year in (1, 2)]
    assert found == pytest.approx(expected, abs=6e-5)


def test_first_samples():
    assert results("A", 1)["P-01"]["k"] == pytest.approx(119.850, abs=6e-4)
    assert results("B", 1)["2-01"]["na"] == pytest.approx(63.356, abs=6e-4)
    assert results("C", 1)["W01"]["p"] == pytest.approx(185.919, abs=6e-4)
    assert results("A", 2)["P-01"]["ca"] == pytest.approx(784.998, abs=6e-4)
    first = to_lonlat(samples("A", 1).logged_xy)[0]
    assert first == pytest.approx((19.9964570, -33.9697571), abs=6e-8)


def test_areas():
    shapes = {b: p.area / 1e4 for b, p in OUTLINE.items()}
    assert shapes == pytest.approx({"A": 7.879, "B": 3.492, "C": 0.413}, abs=6e-4)
    done = [zone("A", key).area / 1e4 for key in ("west", "middle", "none")]
    assert done == pytest.approx([2.467, 2.829, 2.582], abs=2e-3)


def test_lime_total_on_a_1_m_lattice():
    at = lattice(OUTLINE["A"], 1.0)
    assert lime_rate_t_ha(at).sum() / 1e4 == pytest.approx(12.42, abs=6e-3)


def test_reporting_limits_catch_the_listed_cells():
    first, second = results("A", 1), results("A", 2)
    assert [i for i, v in first.items() if v["s"] < 5] == ["P-03", "P-06", "P-32"]
    assert [i for i, v in first.items() if v["zn"] < 0.3] == ["P-15", "P-37"]
    assert [i for i, v in second.items() if v["s"] < 5] == ["P-04", "P-16", "P-38"]
    assert [i for i, v in second.items() if v["b"] < 0.2] == ["P-28"]
    assert [i for i, v in results("C", 1).items() if v["p"] > 200] == ["W06"]


def test_the_script_makes_the_shipped_texts(made):
    for path in sorted(files().iterdir()):
        if path.suffix in (".csv", ".toml", ".kml", ".geojson"):
            assert (made / "ombervale" / path.name).read_bytes() == path.read_bytes(), path.name


def test_the_script_makes_the_shipped_rasters(made):
    import rasterio

    shipped = sorted((files().parent / "truth").glob("*.tif"))
    assert len(shipped) == 6
    for path in shipped:
        with rasterio.open(path) as old, rasterio.open(made / "truth" / path.name) as new:
            assert old.descriptions == new.descriptions
            np.testing.assert_allclose(new.read(), old.read(), rtol=1e-6)


def test_outline_of_poel_keeps_its_pond_and_place():
    import geopandas

    frame = geopandas.read_file(files() / "outline_poel.shp")
    shape = frame.geometry[0]
    assert len(shape.interiors) == 1
    assert -93_000 < shape.centroid.x < -92_000
    back = frame.to_crs(LOCAL).geometry[0]
    assert back.symmetric_difference(OUTLINE["A"]).area < 0.1


def test_planted_defects_are_there():
    lab = (files() / "lab_2024.csv").read_text(encoding="cp1252").splitlines()
    ids = [line.split(";")[0] for line in lab]
    assert (ids.count("P-17"), ids.count("W09"), ids.count("W10")) == (2, 2, 0)
    assert next(line for line in lab if line.startswith("2-13")).split(";")[1] == "0-30"
    swapped = next(line for line in lab if line.startswith("P-05")).split(";")[3:5]
    assert swapped[0] < swapped[1]


def test_every_file_of_the_seasons_is_shipped():
    names = [*OUTLINES, *SEASON_FILES[2024], *SEASON_FILES[2025], "farm.toml", "prices.toml"]
    assert [name for name in names if not (files() / name).is_file()] == []
