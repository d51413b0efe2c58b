"""`soilquilt demo`, once, as a person runs it; what it says is held to the demo scenario."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The printed JSON document and the farm folder."""
    folder = tmp_path_factory.mktemp("demo") / "ombervale"
    said = subprocess.run(
        [sys.executable, "-m", "maps.cli", "demo", str(folder), "--json"],
        capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    return json.loads(said.stdout), folder


def test_both_seasons_of_three_blocks_are_run(demo):
    document, folder = demo
    assert [(b["block"], b["season"], b["state"]) for b in document["blocks"]] == [
        (block, season, "done") for season in (2024, 2025) for block in ("Poel", "Knieë", "Werfie")
    ]
    for block in document["blocks"]:
        assert (Path(block["folder"]) / "map.html").is_file()
    assert folder.joinpath("farm.toml").is_file()


def test_no_question_is_answered_by_the_demo(demo):
    # Demo scenario, section 6: defects 2, 4, 6 and 7 stay open.
    document, _ = demo
    told = {b["block"]: " ".join(b["sentences"]) for b in document["blocks"][:3]}
    assert "ten times" in told["Poel"]
    assert "impossible pair" in told["Poel"]
    assert "outside block" in told["Knieë"]
    assert "same bag twice" in told["Werfie"]


def test_totals_are_the_sum_of_rate_times_area(demo):
    # Demo scenario, section 9: within 0.5 %.
    document, _ = demo
    for block in document["blocks"]:
        season = json.loads((Path(block["folder"]) / "season.json").read_text(encoding="utf-8"))
        for material, total_kg in season["totals_kg"].items():
            rates = [r for r in season["rates"] if r["material"] == material]
            summed = sum(r["rate_kg_ha"] * r["area_ha"] for r in rates)
            assert summed == pytest.approx(total_kg, rel=0.005)


def test_the_two_seasons_are_compared(demo):
    # Demo scenario, sections 5 and 9: lime moved Poel by 0.24 pH a tonne; boron is not compared.
    document, folder = demo
    assert [one["block"] for one in document["changes"]] == ["Poel", "Knieë", "Werfie"]
    made = Path(document["changes_folder"])
    assert made == folder / "changes" / "2024-2025"
    assert "both years" in (made / "map.html").read_text(encoding="utf-8")
    (lime,) = document["changes"][0]["responses"]
    assert lime["low"] < 0.24 < lime["high"]
    boron = [row for row in document["changes"][0]["changes"] if row["key"] == "b"]
    assert [row["verdict"] for row in boron] == ["refused"]


def test_the_third_year_is_planned(demo):
    # Issue 7: the demo ends by planning the third year.
    document, _ = demo
    assert Path(document["plan_folder"]).name == "2026"
    assert (Path(document["plan_folder"]) / "spots.gpx").is_file()


def test_the_farm_is_in_order_afterwards(demo):
    from maps.cli import main

    assert main(["check", str(demo[1])]) == 0
