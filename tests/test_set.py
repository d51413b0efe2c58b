"""Corrections as a grower types them: signs, names and ids in everyday spelling, and taken back."""

from pathlib import Path

import pytest

from demo_geodata import OUTLINES, files
from geo.farm import read_records
from maps.cli import main

WHY = ["--reason", "looked again"]


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    folder = tmp_path / "farm"
    assert main(["new", str(folder), "--outlines", *(str(files() / o) for o in OUTLINES)]) == 0
    names = ("gps_2024.csv", "lab_2024.csv")
    assert main(["add", str(folder), *(str(files() / n) for n in names), "--season", "2024"]) == 0
    return folder


def change(farm, *words):
    return main(["set", str(farm), "--season", "2024", *words, *WHY])


def layer(farm, block="Poel"):
    return read_records(farm, 2024, block).layer()


def test_a_place_in_the_south_needs_no_tricks(farm):
    where = ["--key", "place", "--value", "-33.9702,19.9990"]
    assert change(farm, "--sample", "2-12", *where) == 0
    # that place lies nearer to Poel, and so the sample belongs to it
    here = layer(farm, "Poel").table.loc["2-12", ["lat", "lon"]].tolist()
    assert here == pytest.approx([-33.9702, 19.9990])


@pytest.mark.parametrize("key", ["zn", "Zn", "zinc"])
@pytest.mark.parametrize("sample", ["P-21", "p21", "P 21"])
def test_samples_and_properties_are_known_by_everyday_spelling(farm, sample, key):
    assert change(farm, "--sample", sample, "--key", key, "--value", "<0.3") == 0
    cell = layer(farm).cells["P-21", "zn"]
    assert (cell.qualifier, cell.value) == ("<", 0.3)


def test_a_sample_left_out_may_be_taken_in_again(farm, capsys):
    assert change(farm, "--sample", "P-20", "--exclude") == 0
    assert change(farm, "--sample", "P-20", "--exclude") == 0
    assert "before" in capsys.readouterr().out
    assert "P-20" not in layer(farm).table.index
    assert change(farm, "--sample", "P-20", "--key", "excluded", "--value", "no") == 0
    assert "P-20" in layer(farm).table.index


def test_two_determinations_are_both_corrected_and_said(farm, capsys):
    assert change(farm, "--sample", "P-17", "--key", "ph_water", "--value", "5.2") == 0
    assert "5,2 and 5,1 are all 2 now 5.2" in capsys.readouterr().out
    assert [r.value for r in layer(farm).repeats["P-17", "ph_water"]] == [5.2, 5.2]


def test_a_retired_block_is_said_to_be_retired(farm, capsys):
    assert main(["set", str(farm), "--block", "Werfie", "--retire", *WHY]) == 0
    assert main(["run", str(farm), "--season", "2024", "--block", "Werfie"]) == 3
    assert "Werfie is retired" in capsys.readouterr().err


def test_a_refused_file_says_why_and_nothing_else(farm, tmp_path, capsys):
    (tmp_path / "no.csv").write_text("nothing,here\n1,2\n", "utf-8")
    capsys.readouterr()
    assert main(["add", str(farm), str(tmp_path / "no.csv"), "--season", "2024"]) == 3
    said = capsys.readouterr()
    assert said.out == "no.csv: nothing of it was stored.\n"
    assert said.err.count("\n") == 1


def test_a_file_that_comes_again_asks_nothing_that_was_answered(farm, capsys):
    rename = ["--sample", "W09", "--key", "sample", "--value", "W10"]
    assert change(farm, *rename) == 0
    capsys.readouterr()
    assert main(["add", str(farm), str(files() / "lab_2024.csv"), "--season", "2024"]) == 0
    said = capsys.readouterr().out
    assert "already here" in said
    assert "Two bags" not in [line for line in said.splitlines() if line.startswith("  asks")]
