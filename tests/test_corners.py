"""Outlines typed as a table of corners; areas against the ellipsoid (pyproj's Geod, WGS84)."""

from pathlib import Path

import pytest
from pyproj import Geod
from starlette.testclient import TestClient

from geo.farm import read_blocks
from geo.intake.files import read_file
from maps.app import create_app
from maps.cli import main

CORNERS = """\
Block,Corner,Latitude,Longitude
Home Ranch,NW,"38°30'10.80""N","122°27'54.00""W"
,NE,"38°30'10.80""N","122°27'43.20""W"
,SE,"38°30'02.88""N","122°27'42.48""W"
,SW,"38°30'02.16""N","122°27'54.36""W"
Creek,1,38.4990,-122.4640
Creek,2,38.4990,-122.4620
Creek,3,38.4975,-122.4630
"""
HOME = [(-122.465, 38.503), (-122.462, 38.503), (-122.4618, 38.5008), (-122.4651, 38.5006)]
CREEK = [(-122.464, 38.499), (-122.462, 38.499), (-122.463, 38.4975)]


def file_of(folder: Path, text: str, name: str = "corners.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def hectares(corners: list[tuple[float, float]]) -> float:
    area_m2, _ = Geod(ellps="WGS84").polygon_area_perimeter(*zip(*corners, strict=True))
    return abs(area_m2) / 1e4


def test_typed_corners_make_a_farm(tmp_path):
    path = file_of(tmp_path, CORNERS)
    assert main(["new", str(tmp_path / "farm"), "--outlines", str(path)]) == 0
    areas = {block.name: block.area_ha for block in read_blocks(tmp_path / "farm")}
    assert areas == {
        "Home Ranch": pytest.approx(hectares(HOME), rel=1e-6),
        "Creek": pytest.approx(hectares(CREEK), rel=1e-6),
    }
    assert main(["check", str(tmp_path / "farm")]) == 0
    later = file_of(
        tmp_path, CORNERS.replace("Home Ranch", "Hill").replace("Creek", "Dell"), "l.csv"
    )
    assert main(["add", str(tmp_path / "farm"), str(later)]) == 0
    assert len(read_blocks(tmp_path / "farm")) == 4


def test_corners_dropped_in_the_browser_make_a_farm(tmp_path):
    base = "http://127.0.0.1:8000"
    client = TestClient(create_app(tmp_path / "farm"), base_url=base, headers={"origin": base})
    path = file_of(tmp_path, CORNERS)
    client.post("/lab/files", files=[("files", (path.name, path.read_bytes()))])
    client.post("/lab/store")
    assert [block.name for block in read_blocks(tmp_path / "farm")] == ["Home Ranch", "Creek"]


def test_a_table_of_places_is_an_outline_only_where_it_is_said_to_be(tmp_path):
    text = CORNERS.replace("Corner", "Sample")
    assert read_file(file_of(tmp_path, text)).kinds == ("points",)
    assert read_file(file_of(tmp_path, CORNERS, "c.csv")).kinds == ("outlines",)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (CORNERS.replace("38°30'02.88", "38°61'02.88"), "row 4"),
        ("Block,Corner,Latitude,Longitude\nA,1,38.5,-122.4\nA,2,38.6,-122.4\n", "2 corner(s)"),
        ("Block,Corner,pH (H2O)\nA,1,5\n", "is a table without corners"),
    ],
)
def test_corners_that_make_no_outline_are_refused(tmp_path, capsys, text, words):
    path = file_of(tmp_path, text)
    assert main(["new", str(tmp_path / "farm"), "--outlines", str(path)]) == 3
    assert words in capsys.readouterr().err
    assert not (tmp_path / "farm").exists()


def test_corners_out_of_order_are_asked_about(tmp_path, capsys):
    rows = CORNERS.splitlines()[:5]
    path = file_of(tmp_path, "\n".join([rows[0], rows[1], rows[3], rows[2], rows[4]]))
    assert main(["new", str(tmp_path / "farm"), "--outlines", str(path)]) == 3
    assert "Are its corners in walking order?" in capsys.readouterr().err
