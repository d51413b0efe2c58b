"""`soilquilt compare` as a person runs it."""

import base64
import csv
import hashlib
import json
import re
from collections import Counter

import pytest

import demo_geodata
from geo.export.changes import read_changes
from maps.cli import main


@pytest.fixture(scope="module")
def compared(demo_farm):
    """The folder after comparing all blocks, and what stood in it."""
    assert main(["compare", str(demo_farm), "2024", "2025"]) == 0
    return demo_farm / "changes" / "2024-2025"


def rows_of(folder):
    with (folder / "changes.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_promised_files_are_left(compared):
    # Design: a comparison leaves changes/<year>-<year>/ with changes.csv and map.html.
    assert (compared / "changes.csv").is_file()
    assert (compared / "map.html").is_file()
    assert {row["block"] for row in rows_of(compared)} == {"Poel", "Knieë", "Werfie"}
    boron = [row for row in rows_of(compared) if row["property"] == "b"]
    assert {row["verdict"] for row in boron} == {"refused"}


def test_the_page_asks_nothing_of_the_network(compared):
    page = (compared / "map.html").read_text(encoding="utf-8")
    links = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert links
    # Pictures lie in the page itself; "#" leads to a block of the same page.
    assert all(link.startswith(("data:", "#")) for link in links)
    script = re.search(r"<script>(.*?)</script>", page, flags=re.S)[1]
    assert page.count("<script") == 1
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in page
    for word in (
        "Poel",
        "Knieë",
        "Werfie",
        "Change shown, beyond doubt",
        "One more year is needed",
    ):
        assert word in page


def test_the_same_farm_gives_the_same_bytes(compared, demo_farm):
    before = {path.name: path.read_bytes() for path in compared.iterdir()}
    assert main(["compare", str(demo_farm), "2024", "2025"]) == 0
    assert {path.name: path.read_bytes() for path in compared.iterdir()} == before


def test_one_block_leaves_the_others_in_place(compared, demo_farm, capsys):
    before = rows_of(compared)
    arguments = ["compare", str(demo_farm), "2024", "2025", "--block", "Werfie", "--json"]
    assert main(arguments) == 0
    document = json.loads(capsys.readouterr().out)
    assert [block["block"] for block in document["blocks"]] == ["Werfie"]
    assert rows_of(compared) == before
    assert not [path for path in compared.parent.iterdir() if path.name.startswith(".")]


def test_a_season_without_samples_is_said(demo_farm, capsys):
    assert main(["compare", str(demo_farm), "2023", "2025"]) == 3
    assert "no soil samples" in capsys.readouterr().err


def test_years_the_wrong_way_round_are_wrong_use(demo_farm, capsys):
    assert main(["compare", str(demo_farm), "2025", "2024"]) == 2
    assert "earlier season" in capsys.readouterr().err


def test_a_comparison_by_an_older_program_is_made_anew(compared, demo_farm):
    """Its document lacks what pages now tell: it counts as not compared, and is replaced."""
    path = compared / "changes.json"
    now = path.read_text(encoding="utf-8")
    old = json.loads(now) | {"schema": 1}
    path.write_text(json.dumps(old), encoding="utf-8")
    assert read_changes(compared) == []
    assert main(["compare", str(demo_farm), "2024", "2025"]) == 0
    assert path.read_text(encoding="utf-8") == now


def test_pairs_are_the_laboratory_s_own_figures(compared):
    """Second year read by hand from lab_2025.csv: its stations end in R, its pH is column 7."""
    with (compared / "pairs.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["property"] == "ph_water"]
    with (demo_geodata.files() / "lab_2025.csv").open(encoding="utf-8-sig", newline="") as file:
        again = {row["Sample"]: row["pH H2O 1:2.5"] for row in csv.DictReader(file)}
    lime = {row["station"]: row for row in rows if row["block"] == "Poel"}
    for station in ("P-02", "P-04", "P-25"):
        after = float(again[station.replace("-", "") + "R"])
        assert float(lime[station]["after"]) == after
        change = after - float(lime[station]["before"])
        assert float(lime[station]["difference"]) == pytest.approx(change, abs=1e-3)
    # Demo scenario: 24, 16 and 8 stations were sampled again; W10's bag of 2024 is in question.
    counts = Counter(row["block"] for row in rows)
    assert counts == {"Poel": 24, "Knieë": 16, "Werfie": 7}
    # Those by a border name no group; the others are the 7, 7 and 7 that the groups count.
    got = Counter(row["got"] for row in lime.values())
    assert sorted(got.values()) == [3, 7, 7, 7]
    assert got[""] == 3
