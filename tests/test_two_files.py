"""Results of one sample that come in two files, two sheets or two layers: laws, no outside source.

A number is never an average of two papers that contradict each other, and layers never mix.
"""

from pathlib import Path

import openpyxl
import pytest

from geo.blocks import read_outlines
from geo.checks import check_samples
from geo.farm import create_farm, read_records
from maps.cli import main

OUTLINE = """{"type": "Feature", "properties": {"name": "North"}, "geometry": {"type": "Polygon",
"coordinates": [[[10, 45], [10.002, 45], [10.002, 45.001], [10, 45.001], [10, 45]]]}}"""
HEAD = "sample,lat,lon,pH (H2O),K NH4OAc mg/kg\n"
FIRST = (
    HEAD + "A1,45.0002,10.0003,5.1,120\nA2,45.0004,10.0008,5.4,140\nA3,45.0006,10.0012,5.9,150\n"
)


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    outline = tmp_path / "north.geojson"
    outline.write_text(OUTLINE, encoding="utf-8")
    create_farm(tmp_path / "farm", read_outlines(outline)[0], files=[outline])
    return tmp_path / "farm"


def add(farm: Path, name: str, text: str, *more: str) -> int:
    path = farm.parent / name
    path.write_text(text, encoding="utf-8")
    return main(["add", str(farm), str(path), "--season", "2025", *more])


def checked(farm: Path):
    records = read_records(farm, 2025, "North")
    return [check_samples(layer, records.block) for layer in records.layers]


def test_two_files_that_differ_are_asked_about_and_never_averaged(farm: Path):
    assert add(farm, "lab.csv", FIRST) == 0
    assert add(farm, "corrected.csv", FIRST.replace("120", "160").replace("5.9", "6.0")) == 0
    (layer,) = checked(farm)
    asked = [f for f in layer.findings if f.rule == "two_values"]
    assert {(f.keys, f.sample_ids) for f in asked} == {
        (("k",), ("A01",)), (("ph_water",), ("A03",))
    }  # fmt: skip
    assert set(layer.open) == {("A01", "k"), ("A03", "ph_water")}
    assert layer.usable["k"].isna().tolist() == [True, False, False]
    assert "lab.csv and corrected.csv" in asked[0].message
    # What stands in both is used once, and is no repeat that would tell of a small noise.
    assert layer.repeats == {}
    assert any(f.rule == "given_twice" for f in layer.findings)
    assert main(["withdraw", str(farm), "lab.csv"]) == 0
    assert [one.open for one in checked(farm)] == [()]
    assert checked(farm)[0].usable["k"].tolist() == [160.0, 140.0, 150.0]


def test_saying_the_value_answers_the_question(farm: Path):
    add(farm, "lab.csv", FIRST)
    add(farm, "corrected.csv", FIRST.replace("120", "160"))
    words = ["--season", "2025", "--sample", "A01", "--key", "k", "--value", "160"]
    assert main(["set", str(farm), *words, "--reason", "asked the laboratory"]) == 0
    (layer,) = checked(farm)
    assert layer.open == ()
    assert layer.usable.loc["A01", "k"] == 160.0


def test_a_file_that_contradicts_what_was_typed_is_asked_about(farm: Path):
    add(farm, "lab.csv", "sample,lat,lon,pH (H2O)\nA1,45.0002,10.0003,5.1\n")
    words = ["--season", "2025", "--sample", "A01", "--key", "mg", "--value", "90"]
    assert main(["set", str(farm), *words, "--reason", "read to me on the telephone"]) == 0
    add(farm, "late.csv", "sample,Mg NH4OAc mg/kg\nA1,60\n")
    (asked,) = (f for f in checked(farm)[0].findings if f.rule == "two_values")
    assert "what was typed by hand and late.csv" in asked.message
    assert "two places" not in asked.message


def test_not_analysed_in_one_file_and_a_value_in_the_next_is_no_question(farm: Path):
    add(farm, "lab.csv", FIRST.replace("120", "n.a."))
    add(farm, "late.csv", "sample,K NH4OAc mg/kg\nA1,121\n")
    (layer,) = checked(farm)
    assert layer.open == ()
    assert layer.usable.loc["A01", "k"] == 121.0


def test_repeats_marked_by_the_laboratory_are_still_averaged(farm: Path):
    add(farm, "lab.csv", FIRST + "A1 dup,45.0002,10.0003,5.3,130\n")
    (layer,) = checked(farm)
    assert layer.usable.loc["A01", "k"] == 125.0
    assert layer.repeats["A01", "k"] == (120.0, 130.0)


def workbook(farm: Path) -> Path:
    """Elements on two sheets that write ids each in its way, and the subsoil on a third."""
    book = openpyxl.Workbook()
    sheets = {
        "Read me": [["Report 123"], ["Please note"]],
        "Macro": [["Sample", "lat", "lon", "pH (H2O)"],
                  ["A1", 45.0002, 10.0003, 5.1], ["A2", 45.0004, 10.0008, 5.4]],
        "Micro": [["Sample", "Zn DTPA mg/kg"], ["A-01", 0.8], ["A-02", "<0.2"]],
        "Subsoil": [["Sample", "Depth cm", "pH (H2O)"], ["A1", "30-60", 6.1], ["A2", "30-60", 6.4]],
    }  # fmt: skip
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.remove(book.worksheets[0])
    path = farm.parent / "lab.xlsx"
    book.save(path)
    return path


def test_sheets_of_one_workbook_join_by_id_and_layers_do_not_mix(farm: Path):
    assert main(["add", str(farm), str(workbook(farm)), "--season", "2025"]) == 0
    top, below = checked(farm)
    assert (top.samples.depth_cm, below.samples.depth_cm) == ((0.0, 15.0), (30.0, 60.0))
    assert top.usable["ph_water"].tolist() == [5.1, 5.4]
    assert top.usable["zn"].tolist() == [0.8, 0.1]  # half the limit
    assert below.usable["ph_water"].tolist() == [6.1, 6.4]
    assert top.repeats == {}


def test_a_mapped_column_of_one_sheet_need_not_stand_on_the_others(farm: Path):
    path = workbook(farm)
    words = ["add", str(farm), str(path), "--season", "2025", "--map-column"]
    assert main([*words, "Zn DTPA mg/kg=zn"]) == 0
    assert main([*words, "Nowhere=zn"]) == 2


def test_a_season_that_the_dates_contradict_is_said(farm: Path, capsys):
    text = "sample,date,pH (H2O)\nA1,2024-06-03,5.1\nA2,2024-06-03,5.4\n"
    assert add(farm, "lab.csv", text) == 0
    assert "2 of 2 samples of lab.csv were taken in 2024" in capsys.readouterr().out


def test_a_season_is_a_year(farm: Path, capsys):
    for year in ("24", "20244", "2O25"):
        with pytest.raises(SystemExit) as end:
            main(["add", str(farm), "lab.csv", "--season", year])
        assert end.value.code == 2
        assert "is not a year" in capsys.readouterr().err


def test_headings_without_a_value_are_refused(farm: Path, capsys):
    assert add(farm, "lab.csv", HEAD) == 3
    assert "a line of headings and none with values" in capsys.readouterr().err
