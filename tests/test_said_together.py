"""What several samples share is asked once, and each of them can still be answered by itself."""

import json

import pytest
from shapely import box

from geo.blocks import Outline
from geo.checks import check_samples
from geo.farm import create_farm, read_records
from maps.cli import main
from maps.commands.intake import season_findings
from maps.serving.answers import choices
from maps.serving.drafts import Draft, look

#: The only block of the farm; twelve of the samples lie in another, 52 m east of it and more.
LAND = box(20.0, -34.0, 20.002, -33.998)


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "farm"
    create_farm(folder, [Outline("Land", LAND, "x.kml", 1, "WGS84")])
    return folder


def results(folder, places):
    rows = [f"{name},{lat},{lon},6.{n % 10}" for n, (name, lon, lat) in enumerate(places)]
    path = folder.parent / "lab.csv"
    path.write_text("\n".join(["sample,lat,lon,pH (water)", *rows]) + "\n")
    return path


def missing_block():
    """Eight samples in the block, twelve where no block is."""
    inside = [(f"L-{n:02d}", 20.0002 + 2e-4 * n, -33.999) for n in range(8)]
    return inside + [(f"W-{n:02d}", 20.0026 + 1e-4 * n, -33.9991) for n in range(12)]


def asked(found, rule):
    return [f for f in found if f["rule"] == rule]


def test_a_block_that_is_missing_is_asked_about_once(farm, capsys):
    path = results(farm, missing_block())
    assert main(["add", str(farm), str(path), "--season", "2026", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = [f for file in document["files"] for f in file["findings"]] + document["checks"]
    (one,) = asked(found, "outside_block")
    assert one["samples"] == [f"W-{n:02d}" for n in range(12)]
    assert one["message"].startswith("12 samples lie ")
    assert "W-00, W-01, W-02, W-03, W-04, W-05, ..." in one["message"]
    assert "add its outline" in one["message"]


def test_what_an_earlier_file_left_outside_stays_a_question_of_its_own(farm, capsys):
    first = [("E-01", 20.0010, -33.999), ("E-02", 20.0023, -33.999)]
    assert main(["add", str(farm), str(results(farm, first)), "--season", "2026"]) == 0
    capsys.readouterr()
    later = results(farm, missing_block()).rename(farm.parent / "later.csv")
    assert main(["add", str(farm), str(later), "--season", "2026", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = [f for file in document["files"] for f in file["findings"]] + document["checks"]
    samples = sorted(len(one["samples"]) for one in asked(found, "outside_block"))
    assert samples == [1, 12]


def test_it_is_one_question_with_one_answer_on_the_page(farm, tmp_path):
    folder = tmp_path / "draft"
    folder.mkdir()
    draft = Draft(farm, 2026, folder, [results(farm, missing_block())])
    (one,) = [f for f in look(draft).findings if f.rule == "outside_block"]
    assert ("leave", "Leave all 12 out") in choices(one)


def test_one_of_them_is_moved_and_the_others_stay_asked_about(farm):
    path = results(farm, missing_block())
    assert main(["add", str(farm), str(path), "--season", "2026"]) == 0
    words = ["--sample", "W-03", "--key", "place", "--value", "-33.9985, 20.0010"]
    assert main(["set", str(farm), "--season", "2026", *words, "--reason", "slip"]) == 0
    (one,) = [f for f in season_findings(farm, 2026) if f.rule == "outside_block"]
    assert one.sample_ids == tuple(f"W-{n:02d}" for n in range(12) if n != 3)
    records = read_records(farm, 2026, "Land")
    checked = check_samples(records.layer(), records.block)
    assert len(checked.left_out) == 11
    assert checked.usable["ph_water"].notna().sum() == 9
    assert {sample for sample, _ in checked.open} == set(one.sample_ids)


def test_pairs_at_one_place_are_one_warning(farm, capsys):
    inside = missing_block()[:8]
    doubled = [(name, *inside[n - n % 2][1:]) for n, (name, *_) in enumerate(inside)]
    assert main(["add", str(farm), str(results(farm, doubled)), "--season", "2026", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = [f for file in document["files"] for f in file["findings"]] + document["checks"]
    (one,) = asked(found, "same_place")
    assert one["samples"] == [f"L-{n:02d}" for n in range(8)]
    assert "8 samples" in one["message"]
    assert "L-00 and L-01; L-02 and L-03" in one["message"]
    words = ["--sample", "L-00", "--key", "place", "--value", "-33.9985, 20.0010"]
    assert main(["set", str(farm), "--season", "2026", *words, "--reason", "slip"]) == 0
    (left,) = [f for f in season_findings(farm, 2026) if f.rule == "same_place"]
    assert left.sample_ids == tuple(f"L-{n:02d}" for n in range(2, 8))
