"""The browser app through its in-memory client: the whole story, and what must never happen."""

import hashlib
import io
import json
import re
import shutil
import time
import zipfile
from pathlib import Path

import js_lib_leaflet
import pytest
from starlette.testclient import TestClient

import demo_geodata
from geo.farm import create_farm, read_blocks, read_records
from maps.app import create_app
from maps.serving.units_of_work import units_of

BASE = "http://127.0.0.1:8000"
ORIGIN = {"origin": BASE}
HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "{{ 7 * 191 }}",
    "{% bad",
    "${alert(1)}`",
    "\u05d0\u05d1\u05d2 \u202e abc",
    "</script><script>alert(2)</script>",
)


def client_of(folder: Path) -> TestClient:
    return TestClient(create_app(folder), base_url=BASE, headers=ORIGIN)


def demo_files(*names: str):
    folder = demo_geodata.files()
    return [("files", (name, (folder / name).read_bytes())) for name in names]


def snapshot(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.endswith(("-wal", "-shm"))
    }


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """The smallest block of the demo, stored and run through the browser app alone."""
    folder = tmp_path_factory.mktemp("farms") / "ombervale"
    client = client_of(folder)
    client.post("/lab/files", files=demo_files("outline_werfie.kml"))
    assert not folder.exists(), "nothing may be stored before it is asked for"
    client.post("/lab/store")
    client.post(
        "/lab/files",
        files=demo_files("gps_2024.csv", "lab_2024.csv"),
        data={"season": "2024"},
    )
    client.post("/lab/store")
    client.post("/run", data={"season": "2024"})
    wait_for_run(client)
    return folder


def wait_for_run(client: TestClient) -> dict:
    for _ in range(600):
        text = client.get("/run/events").text
        told = json.loads(text.strip().splitlines()[-1].removeprefix("data: "))
        if not told["busy"]:
            return told
        time.sleep(0.1)
    raise AssertionError("the run did not end")


def test_from_an_empty_folder_to_a_shapefile(farm):
    client = client_of(farm)
    page = client.get("/2024/werfie/spread")
    assert page.status_code == 200
    answer = client.get("/2024/werfie/all.zip")
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert {"map.html", "season.json", "surfaces.tif", "rates.csv"} <= set(names)


@pytest.mark.parametrize(
    "path",
    ["/", "/lab", "/2024/lab", "/2024/buy", "/words", "/settings", "/2024/werfie/soil",
     "/2024/werfie/zones", "/2024/werfie/spread", "/2024/werfie/leaf", "/2024/werfie/spots",
     "/2024/werfie/walk", "/2024/werfie/change", "/step/spots", "/2024/werfie/strip.png",
     "/2024/werfie/picture/ph_water/found.webp", "/2024/werfie/charts/ph_water"],
)  # fmt: skip
def test_every_page_opens_and_changes_nothing(farm, path):
    client = client_of(farm)
    before = snapshot(farm)
    answer = client.get(path)
    assert answer.status_code == 200
    assert snapshot(farm) == before


def test_a_farm_moved_away_while_open_is_said_and_not_begun_anew(farm, tmp_path):
    moved = Path(shutil.copytree(farm, tmp_path / "farm"))
    client = client_of(moved)
    assert client.get("/").status_code == 200
    client.post("/lab/files", files=demo_files("tissue_2024_25.csv"), data={"season": "2024"})
    moved.rename(tmp_path / "elsewhere")
    for answer in (client.get("/"), client.get("/lab"), client.post("/lab/store")):
        assert answer.status_code == 409
        assert "moved, renamed" in answer.text
    assert not moved.exists()
    (tmp_path / "elsewhere").rename(moved)
    assert client.get("/").status_code == 200
    assert "tissue_2024_25.csv" in client.get("/lab").text


@pytest.mark.parametrize(
    "path", ["/lab/files", "/lab/say", "/lab/store", "/lab/away", "/run", "/run/stop", "/settings"]
)
def test_what_changes_something_is_never_a_get(farm, path):
    before = snapshot(farm)
    answer = client_of(farm).get(path)
    assert answer.status_code in (200, 404, 405)  # /settings shows the form
    assert snapshot(farm) == before


def test_a_form_from_elsewhere_changes_nothing(farm):
    before = snapshot(farm)
    foreign = TestClient(create_app(farm), base_url=BASE, headers={"origin": "http://evil.example"})
    silent = TestClient(create_app(farm), base_url=BASE)
    text = {"text": "[farm]\nname = 'taken'\n"}
    assert foreign.post("/settings", data=text).status_code == 403
    assert silent.post("/settings", data=text).status_code == 403
    assert snapshot(farm) == before


def test_values_at_a_place_are_those_of_the_grid(farm):
    """Against rasterio reading surfaces.tif at the same place."""
    import rasterio
    from pyproj import Transformer

    block = read_blocks(farm)[0]
    point = block.lonlat.representative_point()
    answer = client_of(farm).get(f"/2024/werfie/value?lat={point.y}&lon={point.x}").json()
    x, y = Transformer.from_crs(4326, block.crs, always_xy=True).transform(point.x, point.y)
    with rasterio.open(farm / "seasons/2024/werfie/surfaces.tif") as tif:
        bands = [str(d).split(" ")[0] for d in tif.descriptions]
        expected = float(next(tif.sample([(x, y)]))[bands.index("ph_water")])
    row = next(r for r in answer["rows"] if r["key"] == "ph_water")
    assert row["value"] == f"{expected:.1f}"
    assert client_of(farm).get("/2024/werfie/value?lat=0&lon=0").json()["inside"] is False


def test_files_outside_a_run_are_not_given(farm):
    client = client_of(farm)
    for path in ("../../../farm.toml", "..%2f..%2f..%2ffarm.toml", "%2e%2e/%2e%2e/farm.gpkg"):
        answer = client.get(f"/2024/werfie/file/{path}")
        assert answer.status_code == 404
    assert client.get("/made/farm.toml").status_code == 404
    assert client.get("/made/plans/../farm.gpkg").status_code == 404


def test_settings_that_cannot_be_read_are_not_taken(farm):
    client = client_of(farm)
    before = (farm / "farm.toml").read_text()
    answer = client.post("/settings", data={"text": "[farm]\nnmae = 'x'\n"})
    assert "nmae" in answer.text
    assert (farm / "farm.toml").read_text() == before


def test_settings_are_taken_and_taken_back(farm):
    client = client_of(farm)
    before = (farm / "farm.toml").read_text()
    client.post("/settings", data={"text": before + "\n# a word of mine\n"})
    assert (farm / "farm.toml").read_text().endswith("# a word of mine\n")
    client.post("/settings/back")
    assert (farm / "farm.toml").read_text() == before


def test_a_pdf_is_answered_with_what_to_do(farm):
    client = client_of(farm)
    page = client.post("/lab/files", files=[("files", ("results.pdf", b"%PDF-1.7 ..."))])
    assert "ask the laboratory for" in page.text
    client.post("/lab/away")


def test_a_pasted_table_is_read_and_not_stored(farm):
    client = client_of(farm)
    before = snapshot(farm)
    table = "sample\tpH (H2O)\tK mg/kg\nW01\t6.5\t120\nW02\t6.4\t133\n"
    page = client.post("/lab/files", data={"table": table, "season": "2024"})
    assert "2 soil samples" in page.text
    assert snapshot(farm) == before
    client.post("/lab/away")
    assert snapshot(farm) == before


def test_a_zip_of_any_mix_is_taken_apart(tmp_path):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in ("outline_werfie.kml", "gps_2024.csv"):
            archive.write(demo_geodata.files() / name, f"mail/{name}")
    client = client_of(tmp_path / "new")
    page = client.post(
        "/lab/files", files=[("files", ("all.zip", out.getvalue()))], data={"season": "2024"}
    )
    assert "2 files read" in page.text
    assert "81 places" in page.text
    client.post("/lab/away")


def test_results_of_no_year_wait_for_it_and_keep_the_outline_with_them(tmp_path):
    """Storing the outline alone would put the results away unread."""
    client = client_of(tmp_path / "new")
    names = ("outline_werfie.kml", "gps_2024.csv", "lab_2024.csv")
    page = client.post("/lab/files", files=demo_files(*names))
    assert "3 files read" in page.text
    assert "Say which year the soil was sampled in." in page.text
    assert "was not read" not in page.text
    assert re.search(r'class="go" disabled>Store all 3 files', page.text)
    assert client.post("/lab/store").status_code == 409
    assert not (tmp_path / "new").exists()
    client.post("/lab/say", data={"season": "2024"})
    assert not re.search(r'class="go" disabled', client.get("/lab").text)
    client.post("/lab/store")
    assert len(read_records(tmp_path / "new", 2024, "Werfie").layers[0].table) >= 10


def test_a_farm_of_outlines_alone_asks_for_no_year(tmp_path):
    client = client_of(tmp_path / "new")
    page = client.post("/lab/files", files=demo_files("outline_werfie.kml"))
    assert "Year the soil was sampled" not in page.text
    client.post("/lab/store")
    words = client.get("/").text
    assert "None" not in words
    assert "One block, no samples yet." in words


def test_a_leaf_test_settles_elements_and_a_word_settles_the_rest(farm):
    """Werfie's sulfur waits for its free lime to be measured, which no leaf tells."""
    text = re.sub(r"\s+", " ", client_of(farm).get("/?season=2024").text)
    leaf = re.search(r"<b>Leaf test\.</b> It settles ([^<]*)", text)[1]
    assert "zinc" in leaf
    assert "sulfur" not in leaf
    assert "It settles sulfur in Werfie." in text


def test_a_zip_that_reaches_outside_is_refused(tmp_path):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("../evil.csv", "sample,pH\n1,6\n")
    client = client_of(tmp_path / "new")
    page = client.post("/lab/files", files=[("files", ("outlines.zip", out.getvalue()))])
    assert "would land outside its own folder" in page.text
    assert not (tmp_path / "evil.csv").exists()
    client.post("/lab/away")


def test_one_click_answers_a_question(tmp_path):
    """The slipped decimal of the demo (2.04 for 0.204 cmol(+)/kg): agreed to before storing."""
    client = client_of(tmp_path / "farm")
    names = ("outline_poel.shp", "outline_poel.dbf", "outline_poel.shx", "outline_poel.prj")
    client.post("/lab/files", files=demo_files(*names))
    client.post("/lab/store")
    page = client.post(
        "/lab/files", files=demo_files("gps_2024.csv", "lab_2024.csv"), data={"season": "2024"}
    )
    article = next(a for a in page.text.split("<article") if "about ten times" in a)
    name = re.search(r'name="finding" value="([0-9a-f]+)"', article)[1]
    client.post("/lab/say", data={"finding": name, "choice": "agree"})
    client.post("/lab/store")
    samples = read_records(tmp_path / "farm", 2024, "Poel").layers[0]
    # 0.204 cmol(+)/kg of K, 391 mg/kg a cmol(+)/kg (atomic mass 39.10)
    assert samples.table.loc["P-24", "k"] == pytest.approx(0.204 * 391, rel=1e-3)


def test_leaflet_is_the_known_release():
    """SHA-256 of Leaflet 1.9.4 as its PyPI package carries it."""
    folder = Path(js_lib_leaflet.__file__).parent / "static" / "js_lib_leaflet"
    found = {n: hashlib.sha256((folder / n).read_bytes()).hexdigest() for n in
             ("leaflet.js", "leaflet.css")}  # fmt: skip
    assert found == {
        "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
        "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
    }


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_only_a_name(tmp_path, name):
    from shapely import box

    from geo.blocks import Outline

    folder = tmp_path / "farm"
    create_farm(folder, [Outline(name, box(20.0, -34.0, 20.002, -33.998), "x.kml", 1, "WGS84")])
    text = client_of(folder).get("/").text
    assert "onerror=alert" not in text.replace("&lt;img src=x onerror=alert(1)&gt;", "").replace(
        "\\u003cimg src=x onerror=alert(1)\\u003e", ""
    )
    assert "1337" not in text
    assert "<script>alert(2)" not in text


def test_a_folder_of_farms_lists_those_that_need_attention_first(tmp_path):
    from shapely import box

    from geo.blocks import Outline

    for name in ("able", "baker"):
        outline = Outline("A", box(20.0, -34.0, 20.002, -33.998), "x.kml", 1, "WGS84")
        create_farm(tmp_path / name, [outline])
    (tmp_path / "baker" / "farm.toml").write_text("not toml [")
    text = client_of(tmp_path).get("/").text
    assert text.index("baker") < text.index("able")
    assert client_of(tmp_path).get("/farm/0/").status_code == 200


def test_what_was_spread_waits_like_any_file(farm):
    """Typed on the Spread page: read by intake, stored only when it is said."""
    client = client_of(farm)
    before = snapshot(farm)
    said = {"date": "2024-07-09", "product": "gypsum", "rate-1": "1200", "done-1": "yes"}
    page = client.post("/2024/werfie/spread/record", data=said)
    assert "1 application" in page.text
    assert snapshot(farm) == before
    client.post("/lab/away")


def test_a_correction_keeps_the_old_value_and_the_reason(farm):
    import sqlite3

    client = client_of(farm)
    said = {"sample": "W05", "key": "k", "value": "210 mg/kg", "reason": "read off the sheet"}
    assert client.post("/2024/correct", data=said).status_code == 200
    samples = read_records(farm, 2024, "Werfie").layers[0]
    assert samples.table.loc["W05", "k"] == pytest.approx(210)
    database = sqlite3.connect(farm / "farm.gpkg")
    row = database.execute("SELECT old, why FROM corrections ORDER BY fid DESC").fetchone()
    database.close()
    assert row[0]
    assert row[1] == "read off the sheet"
    assert "Correct what is stored" in client.get("/2024/lab").text


def test_a_farm_travels_as_one_zip(farm, tmp_path):
    """Out of one folder, into another: the same records, byte for byte the same originals."""
    data = client_of(farm).get("/farm.zip").content
    there = client_of(tmp_path / "adviser")
    there.post("/restore", files={"farm": ("farm.zip", data)})
    assert [b.name for b in read_blocks(tmp_path / "adviser")] == [
        b.name for b in read_blocks(farm)
    ]
    originals = {name: h for name, h in snapshot(farm).items() if name.startswith("originals/")}
    assert originals.items() <= snapshot(tmp_path / "adviser").items()
    again = there.post("/restore", files={"farm": ("farm.zip", data)})
    assert "not empty" in again.text


def test_a_block_is_renamed_and_keeps_its_folder(tmp_path):
    from shapely import box

    from geo.blocks import Outline

    folder = tmp_path / "farm"
    create_farm(folder, [Outline("Old", box(20.0, -34.0, 20.002, -33.998), "x.kml", 1, "WGS84")])
    said = {"block": "old", "name": "New <b>", "reason": "sold"}
    page = client_of(folder).post("/settings/block", data=said)
    assert page.status_code == 200
    assert "New &lt;b&gt;" in page.text
    block = read_blocks(folder)[0]
    assert (block.name, block.slug) == ("New <b>", "old")


def test_spots_are_planned_and_their_files_given(farm):
    client = client_of(farm)
    client.post("/2025/plan", data={"spots": "6", "back": "/2024/werfie/spots"})
    client.get("/run/events")  # ends once the blocks are planned
    assert "plans/2025/spots.gpx" in client.get("/2024/werfie/spots").text
    answer = client.get("/made/plans/2025/spots.gpx")
    assert answer.text.count("<wpt ") == 6


def test_a_form_leads_to_no_other_site(farm):
    client = client_of(farm)
    said = {"spots": "6", "back": "//evil.example/"}
    answer = client.post("/2025/plan", data=said, follow_redirects=False)
    assert answer.headers["location"] == "/"
    client.get("/run/events")  # the farm stays until its blocks are planned


def test_a_second_press_starts_no_second_run(farm, monkeypatch):
    """The race made sure of: another run begins while the first is made ready."""
    client, started, presses = client_of(farm), [], []
    monkeypatch.setattr("maps.serving.running.Run.start", lambda run: started.append(run))

    def press_again(*asked):
        presses.append(asked)
        if len(presses) == 1:
            client.post("/run", data={"season": "2024"})
        return units_of(*asked)

    monkeypatch.setattr("maps.serving.sitechanges.units_of", press_again)
    client.post("/run", data={"season": "2024"})
    assert len(presses) == 2
    assert len(started) == 1
