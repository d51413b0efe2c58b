"""Outlines drawn on the map: what is refused, what is stored, and what is kept of the old one."""

import hashlib
import json
import re

import pytest
import shapely
import shapely.affinity
from pyproj import Geod
from shapely import Polygon
from shapely.geometry import mapping
from starlette.testclient import TestClient

import demo_geodata
from geo.blocks import read_outlines
from geo.errors import UsageError
from geo.farm import create_farm, read_blocks
from geo.outlines.drawn import Drawing, DrawingError, drawing_of, drawn_area, overlaps_ha
from geo.outlines.polygons import geodesic_area_ha
from geo.store.corrections import Change
from geo.upkeep import check_farm, earlier_outlines, fingerprint, redraw_block, rename_block
from maps.app import create_app
from maps.commands.intake import store_file
from maps.pages.outline import asked_of, place_of
from maps.serving.units_of_work import run_unit, units_of
from maps.serving.workspace import Workspace

BASE = "http://127.0.0.1:8000"
ORIGIN = {"origin": BASE}

#: A field of about 200 x 220 m by 34 degrees south. [deg]
FIELD = ((20.0, -33.97), (20.0022, -33.97), (20.0022, -33.972), (20.0, -33.972))
DAM = ((20.0008, -33.9708), (20.0012, -33.9708), (20.0012, -33.9712), (20.0008, -33.9712))
HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "{{ 7 * 191 }}",
    "{% bad",
    "${alert(1)}`",
    "</script><script>alert(2)</script>",
    "\u05d0\u05d1\u05d2 \u202e abc",
    'a"b\\c',
)


def sent(**more):
    return {"pieces": [list(FIELD)], "holes": [], "crop": "wine_grape", "who": "Anna", **more}


def client_of(folder):
    return TestClient(create_app(folder), base_url=BASE, headers=ORIGIN)


def snapshot(folder):
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "ombervale"
    outlines = [
        outline
        for name in ("outline_poel.shp", "outline_werfie.kml")
        for outline in read_outlines(demo_geodata.files() / name)[0]
    ]
    create_farm(folder, outlines)
    return folder


# What is an outline


def test_a_hole_is_taken_off():
    # Each ring alone by pyproj's Geod (Karney 2013), which knows no holes.
    geod = Geod(ellps="WGS84")
    alone = [abs(geod.polygon_area_perimeter(*zip(*r, strict=True))[0]) / 1e4 for r in (FIELD, DAM)]
    area = drawn_area(Drawing((FIELD,), (DAM,)))
    assert geodesic_area_ha(area) == pytest.approx(alone[0] - alone[1], rel=1e-9)
    assert len(area.interiors) == 1


def test_a_crossing_is_refused_where_it_is():
    # The diagonals of a rectangle cross in its middle.
    bow = (FIELD[0], FIELD[2], FIELD[1], FIELD[3])
    with pytest.raises(DrawingError, match="crosses itself") as refused:
        drawn_area(Drawing((bow,)))
    assert refused.value.place == pytest.approx((20.0011, -33.971), abs=1e-9)


@pytest.mark.parametrize(
    ("drawing", "words"),
    [
        (Drawing(()), "no corner yet"),
        (Drawing((FIELD[:2],)), "2 of at least three"),
        (Drawing(((FIELD[0], FIELD[1], FIELD[0], FIELD[1]),)), "2 of at least three"),
        (Drawing((((20.0, -33.0), (20.1, -33.0), (20.2, -33.0)),)), "on one line"),
        (Drawing((((20.0, -33.0), (20.00005, -33.0), (20.00005, -33.00005)),)), "at least 50 m2"),
        (Drawing((((20.0, -33.0), (20.9, -33.0), (20.9, -33.9)),)), "at most 5,000 ha"),
        (Drawing((((20.0, -33.0), (22.0, -33.0), (22.0, -33.9)),)), "more than a degree"),
        (Drawing((((20.0, -33.0), (220.0, -33.0), (22.0, -33.9)),)), "no place on earth"),
        (Drawing((((20.0, float("nan")), *FIELD),)), "no place on earth"),
        (Drawing((FIELD,), (((20.1, -33.97), (20.2, -33.97), (20.2, -33.98)),)), "inside"),
        (Drawing((FIELD,), (DAM, DAM)), "lie over each other"),
        (Drawing((FIELD, DAM)), "lie over each other"),
        (Drawing((tuple((20 + i * 1e-6, -33.0) for i in range(20_001)),)), "at most 20000 corners"),
    ],
)
def test_what_is_no_outline_is_said_in_a_sentence(drawing, words):
    with pytest.raises(DrawingError, match=words):
        drawn_area(drawing)


def test_an_outline_taken_apart_and_drawn_again_is_the_same(farm):
    for block in read_blocks(farm):
        again = drawn_area(drawing_of(block.lonlat))
        assert shapely.equals(again, block.lonlat)
        assert geodesic_area_ha(again) == pytest.approx(block.area_ha, rel=1e-12)


def test_land_shared_with_another_block_is_told(farm):
    poel = read_blocks(farm)[0]
    west, south, east, north = poel.lonlat.bounds
    half = shapely.box(west, south, (west + east) / 2, north)
    shared = overlaps_ha(half, [poel])
    assert shared["Poel"] == pytest.approx(geodesic_area_ha(poel.lonlat & half), rel=1e-9)
    assert overlaps_ha(shapely.affinity.translate(Polygon(FIELD), 1.0), [poel]) == {}


def test_typed_places_are_read_as_the_files_are():
    assert place_of("-33.9697, 19.9964") == {"lon": 19.9964, "lat": -33.9697}
    assert place_of("33°58'10.92\"S 19°59'47.04\"E") == pytest.approx(
        {"lon": 19.9964, "lat": -33.9697}
    )
    for bad in ("", "here", "12", "95.0, 12.0", "<b>1</b>"):
        assert "error" in place_of(bad)


@pytest.mark.parametrize(
    "bad",
    [
        {},
        {"pieces": 3},
        {"pieces": [[[1]]]},
        {"pieces": [[["a", "b"]]]},
        {"pieces": [], "azimuth": "north"},
        {"pieces": [], "azimuth": "400"},
        {"pieces": [], "azimuth": "nan"},
        [],
        None,
    ],
)
def test_nonsense_is_refused(bad):
    with pytest.raises(UsageError):
        asked_of(bad)


# A farm from nothing


def test_a_farm_begins_with_a_drawing(tmp_path):
    folder = tmp_path / "leeg"
    client = client_of(folder)
    assert "/outline" in client.get("/").text
    assert client.get("/outline").status_code == 200
    told = client.post("/outline/check", json=sent(name="Noord")).json()
    assert (told["refused"], told["lacks"]) == ("", "")
    assert not folder.exists(), "nothing may be stored before it is asked for"

    answer = client.post("/outline/store", json=sent(name="Noord", azimuth="12.5", crop="apple"))
    assert answer.json()["said"].startswith("Noord is stored")
    (block,) = read_blocks(folder)
    assert block.name == "Noord"
    assert block.area_ha == pytest.approx(told["ha"], rel=1e-12)
    assert (block.site.crop, block.site.row_azimuth_deg) == ("apple", 12.5)
    assert check_farm(folder) == ()
    (original,) = (folder / "originals").iterdir()
    kept = json.loads(original.read_text("utf-8"))["features"][0]
    assert kept["properties"]["drawn_by"] == "Anna"
    assert "Noord" in client.get("/").text


def test_a_farm_may_be_begun_without_the_name_of_its_first_block_twice(tmp_path):
    client = client_of(tmp_path / "leeg")
    client.post("/outline/store", json=sent(name="Noord"))
    refused = client.post("/outline/store", json=sent(name="noord"), headers={"x-soilquilt": "1"})
    assert refused.status_code == 409
    assert "already" in refused.json()["error"]
    assert len(read_blocks(tmp_path / "leeg")) == 1


def test_a_farm_in_acres_is_drawn_in_acres(tmp_path):
    folder, client = tmp_path / "leeg", client_of(tmp_path / "leeg")
    client.post("/outline/store", json=sent(name="Noord"))
    drawing = {"pieces": [list(FIELD)], "holes": [list(DAM)], "slug": "noord"}
    metric = client.post("/outline/check", json=drawing).json()
    path = folder / "farm.toml"
    path.write_text(path.read_text("utf-8").replace('units = "metric"', 'units = "us"'), "utf-8")
    us = client.post("/outline/check", json=drawing).json()

    def first_number(words):
        return float(re.search(r"\d[\d\u202f.]*", words)[0].replace("\u202f", ""))

    # 1 ac = 0.40468564224 ha and 1 ft = 0.3048 m by the international yard of 1959.
    assert "ac less than on file" in us["notes"][0]
    hectares = first_number(metric["notes"][0])
    assert first_number(us["notes"][0]) == pytest.approx(hectares / 0.40468564224, abs=0.02)
    metres, feet = (first_number(told["facts"].split(", ")[1]) for told in (metric, us))
    assert us["facts"].endswith(" ft around")
    assert feet == pytest.approx(metres / 0.3048, abs=2)
    assert '"area": "ac"' in client.get("/outline").text


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_is_stored_letter_for_letter(farm, name):
    client = client_of(farm)
    answer = client.post("/outline/store", json=sent(name=name, azimuth="3"))
    assert answer.status_code == 200, answer.text
    block = read_blocks(farm)[-1]
    assert block.name == name
    assert block.site.row_azimuth_deg == 3
    page = client.get("/outline").text
    assert client.get(f"/outline/{block.slug}").status_code == 200
    for script in ("<img src=x", "<script>alert", "1337"):
        assert script not in page


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"name": ""}, "name"),
        ({"name": "x" * 201}, "200 letters"),
        ({"name": "Poel"}, "already"),
        ({"name": "New", "crop": "bananas"}, "crop"),
        ({"name": "New", "pieces": [[FIELD[0], FIELD[2], FIELD[1], FIELD[3]]]}, "crosses"),
        ({"slug": "poel"}, "why"),
        ({"slug": "nobody", "why": "x"}, "no block"),
    ],
)
def test_what_cannot_be_stored_changes_nothing(farm, more, words):
    client, before = client_of(farm), snapshot(farm)
    answer = client.post("/outline/store", json=sent(**more), headers={"x-soilquilt": "1"})
    assert answer.status_code == 409
    assert words in answer.json()["error"]
    assert snapshot(farm) == before


@pytest.mark.parametrize("path", ["/outline/store", "/outline/check", "/outline/place"])
def test_another_page_cannot_draw(farm, path):
    # The Fetch standard's Origin and Sec-Fetch-Site, and RFC 9110's Host, as in test_guard.py.
    stranger = TestClient(create_app(farm), base_url=BASE)
    before = snapshot(farm)
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"},
                    {"origin": BASE, "sec-fetch-site": "cross-site"}):  # fmt: skip
        assert stranger.post(path, json=sent(name="X"), headers=headers).status_code == 403
    forged = ORIGIN | {"host": "evil.example"}
    assert stranger.post(path, json=sent(name="X"), headers=forged).status_code == 400
    assert stranger.get("/outline/store").status_code != 200
    assert snapshot(farm) == before


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'"x"', b"\xff\xfe"])
def test_a_damaged_request_is_answered_in_words(farm, body):
    for path in ("/outline/store", "/outline/check", "/outline/place"):
        answer = client_of(farm).post(path, content=body, headers={"x-soilquilt": "1"})
        assert answer.status_code == 409
        assert "cannot be read" in answer.json()["error"]


# Another outline


def smaller(block):
    """The block without a strip at its eastern edge. [deg]"""
    west, south, east, north = block.lonlat.bounds
    return block.lonlat & shapely.box(west, south, east - (east - west) / 10, north)


def test_the_old_outline_is_kept_with_who_when_and_why(farm):
    before = read_blocks(farm)[0]
    new = smaller(before)
    prints = fingerprint(farm, 2024)
    drawing = mapping(new)["coordinates"]
    client = client_of(farm)
    asked = {"pieces": [drawing[0][:-1]], "holes": [r[:-1] for r in drawing[1:]], "slug": "poel"}
    told = client.post("/outline/check", json=asked).json()
    assert told["lacks"].startswith("Say why")
    assert any("less than on file" in note for note in told["notes"])
    answer = client.post("/outline/store", json=asked | {"why": "road widened", "who": "Anna"})
    assert answer.status_code == 200, answer.text

    after = read_blocks(farm)[0]
    assert shapely.equals(after.lonlat, new)
    assert after.area_ha == pytest.approx(geodesic_area_ha(new), rel=1e-12)
    assert (after.crs, after.slug, after.name) == (before.crs, before.slug, before.name)
    (old,) = earlier_outlines(farm, "Poel")
    assert old.lonlat.equals_exact(before.lonlat, 0)
    assert (old.who, old.why) == ("Anna", "road widened")
    assert old.at[:2] == "20"
    assert fingerprint(farm, 2024) != prints
    assert check_farm(farm) == ()
    page = client.get("/outline/poel").text
    assert "road widened" in page


def test_the_old_outline_can_be_had_again(farm):
    before = read_blocks(farm)[0]
    redraw_block(farm, "Poel", smaller(before), Change(0, "Anna", "road widened"))
    (old,) = earlier_outlines(farm, "Poel")
    redraw_block(farm, "Poel", old.lonlat, Change(0, "Anna", "it was not"))
    assert shapely.equals(read_blocks(farm)[0].lonlat, before.lonlat)
    assert len(earlier_outlines(farm, "Poel")) == 2


def test_a_new_outline_survives_a_new_name(farm):
    new = smaller(read_blocks(farm)[0])
    redraw_block(farm, "Poel", new, Change(0, "", "road widened"))
    rename_block(farm, "Poel", "Vlei", Change(0, "", "as we say"))
    assert shapely.equals(read_blocks(farm)[0].lonlat, new)
    assert len(earlier_outlines(farm, "Vlei")) == 1


@pytest.mark.parametrize(
    ("moved_deg", "why", "words"),
    [(0.0, "x", "same as before"), (0.1, "x", "more than 2 km"), (0.001, " ", "why")],
)
def test_a_new_outline_without_sense_changes_nothing(farm, moved_deg, why, words):
    block, before = read_blocks(farm)[0], snapshot(farm)
    area = shapely.affinity.translate(block.lonlat, moved_deg)
    with pytest.raises(UsageError, match=words):
        redraw_block(farm, "Poel", area, Change(0, "", why))
    assert snapshot(farm) == before


def test_a_change_that_breaks_in_the_middle_leaves_the_farm_as_it_was(farm, monkeypatch):
    block = read_blocks(farm)[0]

    def broken(*_args, **_more):
        raise RuntimeError("power lost")

    monkeypatch.setattr("geo.upkeep.insert", broken)
    with pytest.raises(RuntimeError, match="power"):
        redraw_block(farm, "Poel", smaller(block), Change(0, "", "road"))
    after = read_blocks(farm)[0]
    assert after.lonlat.equals_exact(block.lonlat, 0)
    assert after.area_ha == block.area_ha


def test_maps_say_that_they_are_older_than_the_outline(tmp_path):
    files, folder = demo_geodata.files(), tmp_path / "ombervale"
    create_farm(folder, read_outlines(files / "outline_werfie.kml")[0])
    for name in ("gps_2024.csv", "lab_2024.csv"):
        store_file(folder, files / name, 2024)
    for unit in units_of(folder, 2024, None, None):
        assert run_unit(unit, False).state == "done"
    work, client = Workspace(folder), client_of(folder)
    block = read_blocks(folder)[0]
    assert not work.redrawn(2024, block)
    assert "older than the outline" not in client.get("/").text

    redraw_block(folder, "Werfie", smaller(block), Change(0, "", "road widened"))
    assert work.redrawn(2024, read_blocks(folder)[0])
    assert work.outdated(2024, "werfie")
    assert "older than the outline" in client.get("/?season=2024").text
    assert "older than the outline" in client.get("/2024/werfie/soil").text
    assert "older than the outline" in client.get("/2024/werfie/spread").text
    for unit in units_of(folder, 2024, None, None):
        assert run_unit(unit, False).state == "done"
    assert not work.redrawn(2024, read_blocks(folder)[0])
    assert "older than the outline" not in client.get("/2024/werfie/soil").text


def test_a_farm_among_others_is_drawn_at_its_own_address(farm):
    client = client_of(farm.parent)
    page = client.get("/farm/0/outline/werfie")
    assert page.status_code == 200
    assert '"base": "/farm/0"' in page.text
    answer = client.post("/farm/0/outline/store", json=sent(name="Noord"))
    assert answer.status_code == 200
    assert read_blocks(farm)[-1].name == "Noord"
    assert client.post("/outline/store", json=sent(name="Suid")).status_code in (404, 405)
