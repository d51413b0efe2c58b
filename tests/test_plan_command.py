"""`soilquilt plan`: the files of the contract, other blocks kept, and results that join by ids."""

import csv
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Transformer

from geo.farm import read_blocks, read_records
from maps.answer import Answer
from maps.cli import main
from maps.commands.demo import add_season, make_demo_farm

CONTRACT = ("spots.gpx", "spots.csv", "spots.geojson", "field.html", "field-sheet.pdf")


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan") / "ombervale"
    make_demo_farm(folder, Answer(document={"findings": []}))
    add_season(folder, 2024, Answer(document={"findings": []}))
    return folder


@pytest.fixture(scope="module")
def planned(farm):
    """Werfie planned for 2025; then Knieë, so that a second call must keep the first."""
    words = ["plan", str(farm), "--season", "2025", "--spots", "12", "--block"]
    assert main([*words, "Werfie", "--gate", "19.9995,-33.9703"]) == 0
    assert main([*words, "Knieë"]) == 0
    return farm / "plans" / "2025"


def spots(planned: Path) -> list[dict[str, str]]:
    with (planned / "spots.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_plan_leaves_the_files_of_the_contract(planned):
    for name in (*CONTRACT, "spots.kml", "lab-order.csv", "plan.json"):
        assert (planned / name).stat().st_size > 0
    assert [p.name for p in planned.parent.iterdir()] == ["2025"]


def test_one_block_planned_anew_keeps_the_others(planned):
    rows = spots(planned)
    assert [row["block"] for row in rows] == ["Knieë"] * 12 + ["Werfie"] * 12
    assert len({row["sample_id"] for row in rows}) == 24


def test_most_stations_are_repeated_and_new_ids_carry_on(planned):
    # Demo scenario, section 2: Werfie had W01 to W15 in 2024; section 9: repeat most stations.
    rows = [row for row in spots(planned) if row["block"] == "Werfie"]
    again = {row["sample_id"] for row in rows if row["kind"] == "repeat"}
    fresh = [row["sample_id"] for row in rows if row["kind"] == "new"]
    assert len(again) > 6
    assert again <= {f"W{n:02d}" for n in range(1, 16)}
    assert fresh == [f"W{n:02d}" for n in range(16, 16 + len(fresh))]
    assert all(row["reason"] for row in rows)


def test_the_phone_page_asks_nothing_of_the_network(planned):
    page = (planned / "field.html").read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    assert "<script" not in page
    for row in spots(planned):
        assert f"<b>{row['sample_id']}</b>" in page


def test_paper_and_phone_tell_the_row_of_each_spot(planned):
    """Rows counted by hand: from the left edge along the azimuth, half a spacing in (pyproj)."""
    page = (planned / "field.html").read_text(encoding="utf-8")
    block = next(b for b in read_blocks(planned.parent.parent) if b.name == "Werfie")
    turn, spacing = math.radians(block.site.row_azimuth_deg), block.site.row_spacing_m
    left = np.array([-math.cos(turn), math.sin(turn)])
    edge = (shapely.get_coordinates(block.outline) @ left).max()
    forward = Transformer.from_crs("EPSG:4326", block.crs, always_xy=True).transform
    mine = [row for row in spots(planned) if row["block"] == block.name]
    assert mine
    for row in mine:
        xy = np.array(forward(float(row["lon"]), float(row["lat"])))
        counted = round(float(edge - xy @ left) / spacing + 0.5)
        item = page.partition(f"<b>{row['sample_id']}</b>")[2]
        said = int(re.search(r"Row (\d+)\.", item).group(1))
        assert abs(said - counted) <= 1  # a spot may stand between two rows


def test_the_sheet_is_a_tagged_pdf(planned):
    content = (planned / "field-sheet.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert b"/MarkInfo" in content


def test_same_input_same_bytes(planned, farm):
    before = {name: (planned / name).read_bytes() for name in CONTRACT}
    assert main(["plan", str(farm), "--season", "2025", "--spots", "12", "--block", "Knieë"]) == 0
    assert {name: (planned / name).read_bytes() for name in CONTRACT} == before


def test_results_join_by_the_ids_of_the_plan(planned, farm, tmp_path):
    rows = [row for row in spots(planned) if row["block"] == "Werfie"]
    results = tmp_path / "lab_2025.csv"
    lines = ["Sample ID,pH (water)", *(f"{row['sample_id']},7.{n % 10}" for n, row in
                                       enumerate(rows))]  # fmt: skip
    results.write_text("\n".join(lines) + "\n", encoding="utf-8")
    words = ["add", str(farm), str(planned / "spots.gpx"), str(results), "--season", "2025"]
    assert main(words) == 0
    (samples,) = read_records(farm, 2025, "Werfie").layers
    assert list(samples.table.index) == [row["sample_id"] for row in rows]
    for row in rows:
        found = samples.table.loc[row["sample_id"]]
        assert found["lon"] == pytest.approx(float(row["lon"]), abs=1e-6)
    asked = [f for f in samples.findings if f.severity == "open"]
    assert not [f for f in asked if "place" in f.rule]


def test_json_is_one_document(planned, farm, capsys):
    capsys.readouterr()
    words = ["plan", str(farm), "--season", "2025", "--spots", "12", "--block", "Werfie", "--json"]
    assert main(words) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["plans"][0]["block"] == "Werfie"
    assert len(document["plans"][0]["spots"]) == 12
    assert Path(document["folder"]) == planned


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--spots", "2"], "ask for 3 or more"),
        (["--spots", "500"], "fewer spots"),
        (["--spots", "12", "--keep", "X-01"], "no station 'X-01'"),
        (["--spots", "12", "--a-day", "0"], "1 or more"),
        (["--spots", "12", "--block", "Nowhere"], "no block 'Nowhere'"),
    ],
)
def test_what_cannot_be_planned_is_said_in_a_sentence(farm, capsys, more, says):
    block = [] if "--block" in more else ["--block", "Werfie"]
    assert main(["plan", str(farm), "--season", "2031", *block, *more]) in (2, 3)
    assert says in capsys.readouterr().err
    assert not (farm / "plans" / "2031").exists()
