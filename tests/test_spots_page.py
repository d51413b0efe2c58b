"""The spots page through the in-memory client: what it shows, what moving a spot answers."""

import json
import math
import re
import shutil

import pytest
from starlette.testclient import TestClient

from maps.app import create_app
from maps.cli import main

BASE = "http://127.0.0.1:8000"


@pytest.fixture(scope="module")
def client(demo_farm, tmp_path_factory):
    """The demo farm after a person planned 2026 with nine spots a block."""
    folder = tmp_path_factory.mktemp("spots") / "ombervale"
    ignored = shutil.ignore_patterns("changes", "seasons", "plans")
    shutil.copytree(demo_farm, folder, ignore=ignored)
    client = TestClient(create_app(folder), base_url=BASE, headers={"origin": BASE})
    client.farm = folder
    said = {"spots": "9", "back": "/2025/werfie/spots"}
    answer = client.post("/2026/plan", data=said)
    assert answer.status_code == 200
    client.get("/run/events")  # ends once the blocks are planned
    return client


def werfie(client):
    document = json.loads((client.farm / "plans/2026/plan.json").read_text(encoding="utf-8"))
    return next(plan for plan in document["plans"] if plan["block"] == "Werfie")


def test_the_page_shows_every_spot_reason_and_file(client):
    text = client.get("/2025/werfie/spots").text
    plan = werfie(client)
    assert re.findall(r'<g class="spot \w+".*?data-id="([^"]+)"', text) == [
        spot["sample_id"] for spot in plan["spots"]
    ]
    # ui/README.md, section 7: repeat = numbered disc, new = numbered diamond; only new ones move.
    fresh = sum(spot["kind"] != "repeat" for spot in plan["spots"])
    assert fresh
    assert text.count("Arrow keys move it.") == fresh
    for name in ("spots.gpx", "spots.csv", "spots.geojson", "spots.kml", "field.html",
                 "field-sheet.pdf"):  # fmt: skip
        assert f"/made/plans/2026/{name}" in text
    assert "Would more spots help?" in text


def places(spot, east_m=0.0):
    return {"places": {spot["sample_id"]: [spot["x_m"] + east_m, spot["y_m"]]}}


def ask(client, what, body):
    return client.post(f"/2026/werfie/spots/{what}", json=body, headers={"x-soilquilt": "1"})


def test_a_spot_beside_another_tells_less(client):
    """A law of kriging: a sample beside another adds next to nothing, so the doubt grows."""
    spots = werfie(client)["spots"]
    new = next(s for s in spots if s["kind"] == "new")
    middle = [sum(s[axis] for s in spots) / len(spots) for axis in ("x_m", "y_m")]
    repeats = [s for s in spots if s["kind"] == "repeat"]
    old = min(repeats, key=lambda s: math.dist(middle, (s["x_m"], s["y_m"])))  # far from the edge
    beside = {"places": {new["sample_id"]: [old["x_m"] + 0.5, old["y_m"]]}}
    here = ask(client, "try", places(new)).json()
    there = ask(client, "try", beside).json()

    def doubt(answer):
        return float(re.search(r"±([\d.]+)", answer["worth"][-1])[1])

    assert doubt(there) > doubt(here)


@pytest.mark.parametrize(
    ("kind", "east_m", "says"), [("repeat", 1.0, "repeated"), ("new", 5000.0, "outside Werfie")]
)
def test_what_may_not_move_is_said(client, kind, east_m, says):
    spot = next(s for s in werfie(client)["spots"] if s["kind"] == kind)
    answer = ask(client, "try", places(spot, east_m))
    assert says in answer.json()["error"]


@pytest.mark.parametrize("body", [{}, {"places": {"W1": ["x", 2]}}, {"places": {"W1": [1]}}])
def test_nonsense_is_refused(client, body):
    assert ask(client, "try", body).status_code == 409


def test_another_site_cannot_move_spots(client):
    answer = client.post(
        "/2026/werfie/spots/keep", json={"places": {}}, headers={"origin": "http://evil.example"}
    )
    assert answer.status_code == 403


def test_kept_places_are_in_the_files(client):
    spot = next(s for s in werfie(client)["spots"] if s["kind"] == "new")
    others = [s for s in werfie(client)["spots"] if s["sample_id"] != spot["sample_id"]]
    east = 0.5 if ask(client, "try", places(spot, 0.5)).status_code == 200 else -0.5
    body = places(spot, east)
    assert ask(client, "keep", body).status_code == 200
    now = next(s for s in werfie(client)["spots"] if s["sample_id"] == spot["sample_id"])
    assert now["x_m"] == pytest.approx(spot["x_m"] + east, abs=0.02)
    assert now["reason"].startswith("Moved less than 1 m by hand; planned as: ")
    assert [s for s in werfie(client)["spots"] if s["sample_id"] != spot["sample_id"]] == others


def test_a_moved_spot_keeps_what_it_is_for(client):
    new = next(s for s in werfie(client)["spots"] if s["kind"] == "new")
    assert "said" in ask(client, "keep", places(new, 1.0)).json()
    after = next(s for s in werfie(client)["spots"] if s["sample_id"] == new["sample_id"])
    said = " by hand; planned as: "
    assert after["reason"].partition(said)[2] == new["reason"].rpartition(said)[2]
    ask(client, "keep", places(after, 3.0))
    again = next(s for s in werfie(client)["spots"] if s["sample_id"] == new["sample_id"])
    planned = new["planned_m"] or [new["x_m"], new["y_m"]]
    far = math.dist(planned, (new["x_m"] + 4.0, new["y_m"]))  # counted from the plan's own place
    assert again["reason"].startswith(f"Moved {far:.0f} m by hand")


def test_areas_kept_off_hold_for_a_spot_moved_by_hand(client, tmp_path):
    """B: a no-go area is kept off by 3 m more than it is drawn (common practice, no source)."""
    plan = werfie(client)
    old = next(s for s in plan["spots"] if s["kind"] == "repeat")
    half = 2e-5
    ring = [[old["lon"] + dx * half, old["lat"] + dy * half]
            for dx, dy in [(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]]  # fmt: skip
    yard = tmp_path / "yard.geojson"
    area = {"type": "Polygon", "coordinates": [ring]}
    named = {"type": "Feature", "properties": {"name": "Yard"}, "geometry": area}
    yard.write_text(json.dumps(named))
    words = ["plan", str(client.farm), "--season", "2026", "--block", "Werfie", "--spots", "9"]
    assert main([*words, "--avoid", str(yard)]) == 0
    new = next(s for s in werfie(client)["spots"] if s["kind"] == "new")
    answer = ask(client, "try", {"places": {new["sample_id"]: [old["x_m"], old["y_m"]]}}).json()
    assert "an area that this plan keeps off" in answer["error"]
    page = client.get("/2025/werfie/spots").text
    assert 'class="keepoff"' in page
    assert "kept off" in page
