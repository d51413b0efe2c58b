"""The change page through the in-memory client: what it says, what it asks, what it leaves."""

import csv
import hashlib
import io
import json
import re
import shutil

import pytest
from starlette.testclient import TestClient

from geo.farm import find_block, read_records
from maps.app import create_app
from maps.changes import headline, property_state
from maps.drawing.changepictures import paper_of
from maps.serving.units_of_work import run_unit, units_of

BASE = "http://127.0.0.1:8000"


def client_of(folder):
    return TestClient(create_app(folder), base_url=BASE, headers={"origin": BASE})


@pytest.fixture(scope="module")
def farm(demo_farm, tmp_path_factory):
    """The demo farm with both seasons stored, and the smallest block mapped in both."""
    folder = tmp_path_factory.mktemp("change") / "ombervale"
    shutil.copytree(demo_farm, folder, ignore=shutil.ignore_patterns("changes", "seasons"))
    for year in (2024, 2025):
        for unit in units_of(folder, year, "Werfie", None):
            assert run_unit(unit, False).state == "done"
    return folder


@pytest.fixture(scope="module")
def compared(farm):
    """The same after a person pressed the button."""
    client = client_of(farm)
    before = client.get("/2024-2025/poel/change")
    assert before.status_code == 200
    assert "Compare 2024 with 2025" in before.text
    said = {"first": "2024", "back": "/2024-2025/poel/change"}
    answer = client.post("/2025/compare", data=said, follow_redirects=False)
    assert answer.headers["location"] == "/2024-2025/poel/change"
    done(client)
    return client


def done(client):
    """What is told of the comparison, from its first word to its last."""
    return [json.loads(line[6:]) for line in client.get("/run/events").text.split("\n\n") if line]


def words_of(answer):
    """What a person reads, without the pictures."""
    assert answer.status_code == 200
    text = re.sub(r"<(script|style|svg).*?</\1>", " ", answer.text, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def words_even_of_a_refusal(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


def test_the_step_leads_to_the_two_years(compared):
    for season in (2024, 2025):
        answer = compared.get(f"/{season}/poel/change", follow_redirects=False)
        assert answer.headers["location"] == "/2024-2025/poel/change"


def test_a_look_changes_nothing(compared, farm):
    def snapshot():
        return {
            path: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in farm.rglob("*")
            if path.is_file() and not path.name.endswith(("-wal", "-shm"))
        }

    before = snapshot()
    words_of(compared.get("/2024-2025/werfie/change?show=ph_water&lens=doubt"))
    assert snapshot() == before


def test_the_planted_lime_is_told_beside_the_table(compared):
    """The demo farm's generator moves pH by 0.24 a t/ha of lime (its own truth)."""
    words = words_of(compared.get("/2024-2025/poel/change?show=ph_water"))
    assert "Change shown, beyond doubt" in words
    own = re.search(r"with what it showed ([\d.]+) ([\d.]+) to ([\d.]+)", words)
    assert float(own[2]) < 0.24 < float(own[3])
    assert "published table" in words
    assert "better known than the table" in words
    assert "nothing spread" in words
    assert "could be seen" in words


def test_what_cannot_be_compared_is_said(compared):
    """Demo scenario: boron was not analysed in 2024; organic matter goes through 1.724."""
    words = words_of(compared.get("/2024-2025/poel/change?show=b"))
    assert "Boron is not compared: no analysis in 2024." in words
    assert "1.724" in words


def test_a_year_without_maps_offers_to_make_them(compared):
    words = words_of(compared.get("/2024-2025/poel/change?show=ph_water"))
    assert "No maps of 2024 yet. Make the maps of 2024" in words
    assert "No maps of 2025 yet. Make the maps of 2025" in words


def test_both_years_lie_on_one_paper(compared, farm):
    """The outline's corners, through pyproj by hand, are where the two pictures' corners say."""
    from pyproj import Transformer

    text = compared.get("/2024-2025/werfie/change?show=ph_water").text
    block = find_block(farm, "Werfie")
    paper = paper_of(block)
    west, _, _, north = block.lonlat.bounds
    x, y = Transformer.from_crs(4326, block.crs, always_xy=True).transform(west, north)
    corner = paper.points([[x, y]])[0]
    matrices = re.findall(r'transform="matrix\(([^)]*)\)"', text)
    assert len(matrices) == 2
    for matrix in matrices:
        a, b, c, d, e, f = map(float, matrix.split())
        # A picture begins at most a few cells outside the outline; 2 m cells, a margin of 8 m.
        assert abs(e - corner[0]) < 8 * paper.scale
        assert abs(f - corner[1]) < 8 * paper.scale
        assert abs(a * d - b * c) > 0.9 * (paper.width - 8) * (paper.height - 8)


def test_files_can_be_fetched(compared):
    page = compared.get("/2024-2025/werfie/change")
    links = re.findall(r'href="(/made/changes/[^"]*)"', page.text)
    names = {"map.html", "changes.csv", "pairs.csv", "changes.json"}
    assert {link.rsplit("/", 1)[1] for link in links} == names
    table = compared.get(next(link for link in links if link.endswith(".csv"))).text
    assert {row["block"] for row in csv.DictReader(io.StringIO(table))} >= {"Poel", "Werfie"}


def test_a_comparison_is_told_as_it_goes(compared):
    """The page answers at once; the block it shows goes first, and every block is done."""
    said = {"first": "2024", "block": "werfie", "back": "/2024-2025/werfie/change"}
    assert compared.post("/2025/compare", data=said).status_code == 200
    told = done(compared)
    assert [one["block"] for one in told[0]["blocks"]] == ["Werfie", "Poel", "Knieë"]
    assert {one["state"] for one in told[-1]["blocks"]} == {"done"}
    assert told[-1]["word"] == "Comparing"
    assert not told[-1]["busy"]


def test_seasons_that_share_no_block_are_refused(compared):
    answer = compared.post("/2025/compare", data={"first": "2019", "back": "/"})
    assert answer.status_code >= 400
    assert "No block has soil samples of both 2019 and 2025." in words_even_of_a_refusal(answer)


@pytest.mark.parametrize("path", ["/2025-2024/poel/change", "/2019-2025/poel/change"])
def test_years_that_are_not_there_have_no_page(compared, path):
    assert compared.get(path).status_code == 404


def test_an_unknown_property_or_lens_shows_what_tells_most(compared):
    words = words_of(compared.get("/2024-2025/poel/change?show=%3Cb%3E&lens=%3Ci%3E"))
    assert "pH (water)" in words


def row(area, difference, verdict, effect=None, factor=None):
    return {
        "key": "k", "unit": "mg/kg", "area": area, "zone_id": None, "difference": difference,
        "factor": factor, "verdict": verdict, "detectable": 12.0, "why": "", "aim": False,
        "effect": effect and {"against": "nothing spread", "verdict": effect},
    }  # fmt: skip


def test_a_fall_and_a_rise_are_told_as_such():
    rows = [
        row("block", 4.0, "not_shown"),
        row("nothing spread", -3.0, "not_shown"),
        row("compost, 5 t/ha", 21.0, "not_shown", "shown"),
    ]
    said = headline(rows)
    assert "potassium rose by 21 mg/kg" in said
    assert "with nothing spread it fell by 3" in said
    assert property_state(rows) == "shown"


def test_two_passes_over_one_ground_add_up(compared):
    """Demo scenario: Werfie got 300 kg/ha of sulfur twice, in two months."""
    text = compared.get("/2024-2025/werfie/change?show=ph_water").text
    assert re.findall(r"<text class=\"rate\"[^>]*>([^<]*)<", text) == ["600 kg/ha"]


def test_no_change_names_what_could_have_been_seen_first():
    said = headline([row("block", 4.0, "not_shown")])
    assert said == "Potassium: no change shown; 12 mg/kg over the block could have been seen."


def test_logs_are_told_as_a_factor():
    assert "factor of 1.50" in headline([row("block", 4.0, "shown", factor=1.5)])


def test_a_corrected_value_makes_the_comparison_old(compared, farm):
    """What was compared before a correction says so, and a new comparison says so no more."""
    old = "Records or settings changed since the two years were compared."
    path = "/2024-2025/werfie/change?show=ph_water"
    assert old not in compared.get(path).text
    sample = read_records(farm, 2025, "Werfie").layers[0].table.index[0]
    said = {"sample": str(sample), "key": "ph_water", "value": "7.1", "reason": "read again"}
    assert compared.post("/2025/correct", data=said).status_code == 200
    assert old in compared.get(path).text
    compared.post("/2025/compare", data={"first": "2024", "back": "/"})
    done(compared)
    assert old not in compared.get(path).text
