"""Wishes on the spots page through the in-memory client: planned in the background, or refused."""

import html
import json
import re
import shlex
import shutil

import pytest
import shapely
from starlette.testclient import TestClient

from geo.blocks import Outline
from geo.farm import create_farm, read_blocks
from maps.app import create_app
from maps.cli import main

BASE = "http://127.0.0.1:8000"


@pytest.fixture
def client(demo_farm, tmp_path):
    """The demo farm, not yet planned; the first survey is all it has."""
    folder = tmp_path / "ombervale"
    ignored = shutil.ignore_patterns("changes", "seasons", "plans")
    shutil.copytree(demo_farm, folder, ignore=ignored)
    client = TestClient(create_app(folder), base_url=BASE, headers={"origin": BASE})
    client.farm = folder
    return client


@pytest.fixture
def werfie(client):
    return next(block for block in read_blocks(client.farm) if block.name == "Werfie")


def plan_again(client, **wish):
    """What was answered, once nothing is worked on any more."""
    answer = client.post("/2025/werfie/spots/plan", json=wish, headers={"x-soilquilt": "1"})
    client.get("/run/events")  # ends with the run
    return answer


def plan_on_file(client):
    path = client.farm / "plans/2025/plan.json"
    return json.loads(path.read_text(encoding="utf-8"))["plans"][0] if path.is_file() else None


def inside(block, share):
    """A place within the block, as the page sends it: latitude, longitude."""
    west, south, east, north = block.lonlat.bounds
    return [south + share * (north - south), west + share * (east - west)]


def test_what_is_insisted_on_is_planned(client, werfie):
    assert "No spots are planned for 2025 yet" in client.get("/2024/werfie/spots").text
    spot, gate = inside(werfie, 0.5), inside(werfie, 0.1)
    lat, lon = inside(werfie, 0.7)
    yard = [[lat, lon], [lat, lon + 1e-4], [lat + 1e-4, lon + 1e-4], [lat + 1e-4, lon]]
    sent = {"spots": "8", "fixed": [spot], "areas": [[yard]], "gate": gate, "along_rows": True}
    assert plan_again(client, **sent).status_code == 200
    made = plan_on_file(client)
    (fixed,) = [one for one in made["spots"] if one["kind"] == "fixed"]
    assert [fixed["lat"], fixed["lon"]] == pytest.approx(spot, abs=1e-7)
    assert len(made["spots"]) == 8
    assert made["along_rows"]
    assert len(made["no_go"]) == 1
    assert made["gate_m"]
    page = client.get("/2024/werfie/spots").text
    data = json.loads(page.partition('id="page-data">')[2].partition("</script>")[0])
    shown = data["wishes"]["sent"]  # what the next plan would be asked
    assert shown["fixed"][0] == pytest.approx(spot, abs=1e-7)
    assert len(shown["areas"][0][0]) == 4
    assert shown["gate"] == pytest.approx(gate, abs=1e-7)
    assert data["way"].startswith("M")  # round the ends of the rows
    told = re.search(r'<p class="command">soilquilt (plan .*?)</p>', page)[1].split()
    told = [word for word in told if word not in ("--avoid", "AREAS.geojson")]
    told[1] = str(client.farm)
    assert main(told) == 0  # the command on the page asks for the same, but for the drawn area
    again = plan_on_file(client)
    assert again["gate_m"] == pytest.approx(made["gate_m"], abs=0.02)
    assert again["along_rows"]
    assert [one["kind"] for one in again["spots"]].count("fixed") == 1


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        ({"spots": "9", "budget": "900"}, "not both"),
        ({"spots": "many"}, "is a number, not &#39;many&#39;"),
        ({"spots": "2"}, "ask for 3 to 300"),
        ({"budget": "-5"}, "above 0"),
        ({"doubt": "100"}, "below 100"),
        ({"fixed": [[-33.0, 19.0]]}, "outside Werfie"),
        ({"fixed": [["x", 1]]}, "latitude and a longitude"),
        ({"areas": [[[[0, 0], [0, 1]]]]}, "fewer than three corners"),
        ({"areas": [[[[0, 0], [1, 1], [0, 1], [1, 0]]]]}, "crosses itself"),
    ],
)
def test_a_wish_that_cannot_be_met_is_refused_at_once(client, wish, says):
    answer = plan_again(client, **wish)
    assert answer.status_code == 409
    assert says.replace("&#39;", "'") in answer.json()["error"]
    assert plan_on_file(client) is None


def test_the_plan_on_file_stays_if_the_new_one_fails(client):
    assert plan_again(client, spots="5").status_code == 200
    before = plan_on_file(client)
    answer = plan_again(client, doubt="1", keep="<b>W01</b>")
    assert answer.status_code == 200  # only the curve can tell that no number of spots will do
    assert plan_on_file(client) == before
    page = client.get("/2024/werfie/spots").text
    assert "Not planned, nothing on file was changed." in page
    assert "&lt;b&gt;W01&lt;/b&gt;" in page  # what was asked is still there, as text
    assert "<b>W01" not in page


def test_a_block_without_a_sample_is_planned_evenly(tmp_path):
    """Eight spots a hectare, from 12 to 40 (ours, no source), where nothing else is asked."""
    folder = tmp_path / "farm"
    land = shapely.box(20.01, -33.972, 20.012, -33.97)
    create_farm(folder, [Outline("<i>Nuut</i>", land, "x.kml", 1, "WGS84")])
    client = TestClient(create_app(folder), base_url=BASE, headers={"origin": BASE})
    (block,) = read_blocks(folder)
    assert f"/{block.slug}/spots" in client.get("/step/spots").text  # the way there
    page = client.get(f"/2025/{block.slug}/spots").text
    assert "No sample of &lt;i&gt;Nuut&lt;/i&gt; is on file yet" in page
    expected = round(8 * block.area_ha)
    assert f'placeholder="{expected}, by its size"' in page
    command = html.unescape(re.search(r'<p class="command">(.*?)</p>', page)[1])
    assert shlex.split(command)[-1] == block.name  # a shell takes it for one word
    path = f"/2026/{block.slug}/spots/plan"
    assert client.post(path, json={}, headers={"x-soilquilt": "1"}).status_code == 200
    client.get("/run/events")
    (made,) = json.loads((folder / "plans/2026/plan.json").read_text("utf-8"))["plans"]
    assert len(made["spots"]) == expected
    assert "<i>Nuut" not in client.get(f"/2026/{block.slug}/spots").text


def test_another_site_cannot_plan(client):
    headers = {"origin": "http://evil.example"}
    answer = client.post("/2025/werfie/spots/plan", json={"spots": 5}, headers=headers)
    assert answer.status_code == 403


def test_what_was_asked_stays_when_all_blocks_are_planned(client, werfie):
    spot = inside(werfie, 0.5)
    assert plan_again(client, spots="5", fixed=[spot]).status_code == 200
    said = {"spots": "6", "back": "/2024/werfie/spots"}
    assert client.post("/2025/plan", data=said).status_code == 200
    client.get("/run/events")
    plans = json.loads((client.farm / "plans/2025/plan.json").read_text("utf-8"))["plans"]
    assert [len(plan["spots"]) for plan in plans] == [6, 6, 6]
    (own,) = [plan for plan in plans if plan["block"] == "Werfie"]
    (fixed,) = [one for one in own["spots"] if one["kind"] == "fixed"]
    place = shapely.Point(fixed["lon"], fixed["lat"])
    assert place.distance(shapely.Point(spot[1], spot[0])) < 1e-7
