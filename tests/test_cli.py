"""The command line: what is printed where, which exit code, and a farm unchanged by wrong input."""

import csv
import hashlib
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

import demo_geodata
from geo.farm import read_records
from maps.cli import build_parser, main
from maps.serving.units_of_work import Unit, share
from maps.summary import season_sentences

ROOT = Path(__file__).parent.parent
DEMO = demo_geodata.files()


@pytest.fixture(scope="module")
def stored_once(tmp_path_factory) -> Path:
    """The demo farm with the files of 2024, nothing run."""
    folder = tmp_path_factory.mktemp("cli") / "ombervale"
    outlines = [str(DEMO / name) for name in demo_geodata.OUTLINES]
    assert main(["new", str(folder), "--outlines", *outlines]) == 0
    for name in ("farm.toml", "prices.toml"):
        shutil.copy(DEMO / name, folder / name)
    files = [str(DEMO / name) for name in demo_geodata.SEASON_FILES[2024]]
    assert main(["add", str(folder), *files, "--season", "2024"]) == 0
    return folder


@pytest.fixture
def farm(stored_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(stored_once, tmp_path / "farm"))


@pytest.fixture(scope="module")
def ran(stored_once: Path) -> Path:
    assert main(["run", str(stored_once), "--season", "2024", "--block", "Werfie"]) == 0
    return stored_once / "seasons" / "2024" / "werfie"


def state(farm: Path) -> str:
    """One hash over every row of the store and every original."""
    total = hashlib.sha256()
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        for line in database.iterdump():
            total.update(line.encode())
    for path in sorted((farm / "originals").iterdir()):
        total.update(path.name.encode())
    return total.hexdigest()


def soilquilt(*words: str, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "maps.cli", *words],
        capture_output=True, text=True, cwd=ROOT, **more,
    )  # fmt: skip


# Words


def test_help_lists_what_works_and_nothing_else(capsys):
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    assert end.value.code == 0
    listed = capsys.readouterr().out
    for name in ("demo", "new", "template", "add", "set", "withdraw", "run", "why", "check"):
        assert f"\n    {name} " in listed


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from maps.cli import build_parser; build_parser().format_help();"
        "print([m for m in ('numpy', 'pandas', 'shapely', 'rasterio') if m in sys.modules])"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert said.stdout == "[]\n"


def test_every_command_names_a_function_that_exists():
    import importlib

    (commands,) = (a for a in build_parser()._actions if hasattr(a, "choices") and a.choices)
    for command in commands.choices.values():
        module = importlib.import_module(f"maps.commands.{command.get_default('module')}")
        assert callable(getattr(module, command.get_default("function")))


@pytest.mark.parametrize(
    "words",
    [
        ["run", "{farm}"],
        ["run", "{farm}", "--season", "soon"],
        ["add", "{farm}"],
        ["add", "{farm}", "{farm}/farm.toml", "--unit", "k"],
        ["nonsense"],
        [],
    ],
)
def test_wrong_words_end_with_2(farm: Path, words: list[str]):
    said = soilquilt(*(word.format(farm=farm) for word in words))
    assert said.returncode == 2
    assert said.stdout == ""
    assert "usage: soilquilt" in said.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["set", "--reason", "r"], "Say which sample"),
        (["set", "--season", "2024", "--sample", "P-01", "--reason", "r"], "Say what to set"),
        (["set", "--block", "Poel", "--reason", "r"], "--rename NEW, --retire, --use-again"),
        (["run", "--season", "2024", "--layer", "15"], "not a depth layer"),
        (["run", "--season", "2024", "--shard", "4/3"], "should read I/N"),
    ],
)
def test_words_that_do_not_fit_together_end_with_2(farm: Path, capsys, words, says):
    before = state(farm)
    assert main([words[0], str(farm), *words[1:]]) == 2
    assert says in capsys.readouterr().err
    assert state(farm) == before


@pytest.mark.parametrize("option", ["--json", "--debug"])
def test_options_for_all_may_stand_before_or_behind_the_command(option: str):
    words = ["check", "farm"]
    for said in ([option, *words], [*words, option], [option, *words, option]):
        assert getattr(build_parser().parse_args(said), option[2:]) is True
    assert getattr(build_parser().parse_args(words), option[2:]) is False


def test_debug_before_the_command_shows_the_traceback(tmp_path: Path):
    said = soilquilt("--debug", "check", str(tmp_path))
    assert said.returncode == 1
    assert "Traceback" in said.stderr
    assert soilquilt("--json", "check", str(tmp_path)).stdout.startswith('{"schema": 1')


# Wrong input


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("empty.csv", b"", "empty"),
        ("report.pdf", b"%PDF-1.4 whatever", "PDF"),
        ("program.csv", b"\x7fELF" + bytes(200), "program.csv"),
        ("bomb.kml", b"<!DOCTYPE k [<!ENTITY a 'a'>]><kml>&a;</kml>", "bomb.kml"),
        ("broken.geojson", b'{"type": "FeatureCollection", "features": [', "damaged"),
    ],
)
def test_wrong_input_gets_one_sentence_and_changes_nothing(
    farm: Path, tmp_path: Path, capsys, name: str, content: bytes, says: str
):
    (tmp_path / name).write_bytes(content)
    before = state(farm)
    assert main(["add", str(farm), str(tmp_path / name), "--season", "2024"]) == 3
    said = capsys.readouterr().err
    assert says in said
    assert "Traceback" not in said
    assert state(farm) == before


def test_a_file_that_is_not_there_is_named(farm: Path, capsys):
    assert main(["add", str(farm), "nowhere.csv", "--season", "2024"]) == 3
    assert "no file nowhere.csv" in capsys.readouterr().err


def test_a_refused_file_leaves_the_others_alone(farm: Path, tmp_path: Path):
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"")
    tissue = DEMO / "tissue_2024_25.csv"
    assert main(["add", str(farm), str(bad), str(tissue), "--season", "2025"]) == 3
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        assert database.execute("SELECT count(*) FROM tissue").fetchone() == (10,)


def test_no_farm_is_made_from_what_cannot_be_read(tmp_path: Path, capsys):
    bad = tmp_path / "outline.geojson"
    bad.write_text("{}", encoding="utf-8")
    assert main(["new", str(tmp_path / "farm"), "--outlines", str(bad)]) == 3
    assert "outline.geojson" in capsys.readouterr().err
    assert not (tmp_path / "farm").exists()


def test_a_folder_that_is_no_farm_is_answered(tmp_path: Path, capsys):
    for words in (["run", "--season", "2024"], ["check"], ["template"]):
        assert main([words[0], str(tmp_path), *words[1:]]) == 3
        assert "soilquilt new" in capsys.readouterr().err


def test_a_bug_is_called_ours_and_traced_only_on_request(farm: Path, capsys, monkeypatch):
    import maps.commands.keep

    def broken(_folder):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(maps.commands.keep, "check_farm", broken)
    assert main(["check", str(farm)]) == 1
    said = capsys.readouterr().err
    assert "our mistake" in said
    assert "Traceback" not in said
    with pytest.raises(ZeroDivisionError):
        main(["check", str(farm), "--debug"])


# Adding


def test_every_planted_defect_of_2024_is_named(farm: Path, capsys):
    # Demo scenario, section 6, defects 1 to 7.
    lab, gps = str(DEMO / "lab_2024.csv"), str(DEMO / "gps_2024.csv")
    assert main(["add", str(farm), lab, gps, "--season", "2024", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = [f for file in document["files"] for f in file["findings"]] + document["checks"]
    named = {sample for finding in found for sample in finding["samples"]}
    assert {"P-17", "P-24", "2-13", "2-12", "P-34", "P-35", "W09", "P-05"} <= named
    assert {f["rule"] for f in found if f["severity"] == "open"} == {
        "ten_times", "outside_block", "same_bag_twice", "impossible_pair",
    }  # fmt: skip
    assert [file["state"] for file in document["files"]] == ["already here", "already here"]


def test_agreeing_carries_out_the_proposals(farm: Path):
    words = ["--accept", "same_bag_twice", "--accept", "ten_times", "--accept", "impossible_pair"]
    assert main(["add", str(farm), str(DEMO / "lab_2024.csv"), "--season", "2024", *words]) == 0
    werfie = read_records(farm, 2024, "Werfie").layer().table
    poel = read_records(farm, 2024, "Poel").layer().table
    assert {"W09", "W10"} <= set(werfie.index)
    # P-24 came ten times too high; its neighbours lie between 53 and 180 mg/kg.
    assert 53 <= poel.loc["P-24", "k"] <= 180
    assert poel.loc["P-05", "ph_water"] > poel.loc["P-05", "ph_kcl"]


def test_set_answers_a_question_for_good(farm: Path, capsys):
    words = ["--season", "2024", "--sample", "P-24", "--key", "k", "--value", "0,20"]
    assert main(["set", str(farm), *words, "--reason", "asked the laboratory"]) == 0
    capsys.readouterr()
    main(["add", str(farm), str(DEMO / "lab_2024.csv"), "--season", "2024", "--json"])
    asked = json.loads(capsys.readouterr().out)["checks"]
    assert "ten_times" not in {finding["rule"] for finding in asked}


def test_withdraw_takes_a_file_back(farm: Path, capsys):
    assert main(["withdraw", str(farm), "lab_2024.csv", "--json"]) == 0
    assert "lab_2024.csv is withdrawn" in json.loads(capsys.readouterr().out)["done"][0]
    assert main(["run", str(farm), "--season", "2024"]) == 3
    assert "no soil samples of 2024" in capsys.readouterr().err


# Running


def test_a_run_leaves_the_files_of_the_contract(ran: Path):
    for name in ("surfaces.tif", "zones.gpkg", "zones.geojson", "rates.csv", "season.json"):
        assert (ran / name).is_file(), name
    assert (ran / "map.html").is_file()
    assert json.loads((ran / "done.json").read_text(encoding="utf-8"))["schema"] == 1
    assert [p.name for p in ran.parent.iterdir()] == ["werfie"]


def test_a_run_says_what_it_found(ran: Path):
    document = json.loads((ran / "season.json").read_text(encoding="utf-8"))
    told = season_sentences(document)
    assert told[0] == "Werfie 2024: 0.41 ha, 14 samples from 0-15 cm."
    # Demo scenario, section 6: boron of 2024 is never 0, never fine, never a map.
    assert any(line.startswith("Not analysed:") and "boron" in line for line in told)
    assert any("No lime here" in line for line in told)
    assert any("wait for an answer (same bag twice)" in line for line in told)
    us = document | {"settings": document["settings"] | {"units": "us"}}
    # 0.41 ha are 1.02 ac and 15 cm are 5.9 in (definitions of acre and inch); 0.412 ha here.
    assert season_sentences(us)[0].startswith("Werfie 2024: 1.02 ac, 14 samples from 0-5.9 in.")
    assert not any(re.search(r"\d (kg/ha|t/ha|ha|t)\b", line) for line in season_sentences(us))


def test_json_is_one_document_and_progress_goes_to_stderr(ran: Path):
    farm = ran.parent.parent.parent
    words = ["run", str(farm), "--season", "2024", "--block", "Werfie", "--resume", "--json"]
    said = soilquilt(*words)
    assert said.returncode == 0
    document = json.loads(said.stdout)
    assert [block["state"] for block in document["blocks"]] == ["skipped"]
    assert "1 of 1 blocks: Werfie 2024, skipped" in said.stderr


def test_a_block_that_fails_keeps_its_old_files_and_is_run_again_alone(
    ran: Path, tmp_path: Path, capsys
):
    farm = Path(shutil.copytree(ran.parent.parent.parent, tmp_path / "farm"))
    old = (farm / "seasons/2024/werfie/season.json").read_bytes()
    words = ["run", str(farm), "--season", "2024", "--block", "Werfie"]
    assert main([*words, "--layer", "30-60"]) == 3
    assert "no soil samples of 2024 from 30-60 cm" in capsys.readouterr().err
    assert (farm / "seasons/2024/werfie/season.json").read_bytes() == old
    assert main(["run", str(farm), "--season", "2024", "--only-failed"]) == 0
    assert not (farm / "seasons/2024/werfie.failed.json").exists()
    assert (farm / "seasons/2024/werfie/season.json").read_bytes() == old  # same input, same bytes


def test_shares_cover_every_block_once():
    units = [Unit(Path(f"farm{n}"), f"Block {n}", f"block-{n}", 2024) for n in range(50)]
    shares = [share(units, f"{i}/3") for i in (1, 2, 3)]
    assert sorted(u.slug for part in shares for u in part) == sorted(u.slug for u in units)


def test_why_follows_what_has_no_rate_to_its_reason(ran: Path, capsys):
    farm = str(ran.parent.parent.parent)
    words = ["why", farm, "--season", "2024", "--block", "Werfie", "--zone", "1"]
    assert main([*words, "--material", "lime"]) == 0
    told = capsys.readouterr().out
    assert "No lime here" in told
    assert "1. Soil test: pH (water)" in told
    assert main([*words, "--material", "guano"]) == 3
    assert "There is no rate of guano" in capsys.readouterr().err


def test_why_shows_the_chain_down_to_the_source(ran: Path, tmp_path: Path, capsys):
    """On a hand-written season.json, so that the words are checked and not a rate."""
    farm = Path(shutil.copytree(ran.parent.parent.parent, tmp_path / "farm"))
    path = farm / "seasons/2024/werfie/season.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["rates"] = [
        {
            "zone_id": 1, "amendment": "gypsum", "material": "gypsum", "rate_kg_ha": 2500.0,
            "low_kg_ha": 1000.0, "high_kg_ha": 4000.0, "area_ha": 0.4, "passes": [2500.0],
            "reasons": ["ESP is above 10"], "sources": ["RL2011_A4"], "from_memory": False,
        }
    ]  # fmt: skip
    path.write_text(json.dumps(document), encoding="utf-8")
    words = ["why", str(farm), "--season", "2024", "--block", "werfie", "--zone", "1"]
    assert main([*words, "--material", "gypsum"]) == 0
    told = capsys.readouterr().out
    assert "zone 1: 2.5 t/ha gypsum (1.0 to 4.0 t/ha, two in three)" in told
    assert "ESP is above 10." in told
    assert "[RL2011_A4]" in told


# Template, check, backup


def test_the_template_holds_every_station_and_is_read_back(farm: Path, tmp_path: Path, capsys):
    assert main(["template", str(farm)]) == 0
    with (farm / "template.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.reader(stream))
    from openpyxl import load_workbook

    sheet = load_workbook(farm / "template.xlsx").active
    assert sheet is not None
    workbook = [[cell or "" for cell in row] for row in sheet.iter_rows(values_only=True)]
    assert [row[0] for row in rows] == [row[0] for row in workbook]
    stations = {row[0] for row in rows}
    assert {"P-01", "2-01", "W15"} <= stations
    assert not {"GATE", "P-99"} & stations
    potassium = next(i for i, heading in enumerate(rows[0]) if heading.split()[0] == "K")
    filled = [rows[0], *([*row[:potassium], "0.5", *row[potassium + 1 :]] for row in rows[1:4])]
    with (tmp_path / "typed.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(filled)
    capsys.readouterr()
    assert main(["add", str(farm), str(tmp_path / "typed.csv"), "--season", "2025"]) == 0
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        values = database.execute("SELECT value FROM results WHERE season = 2025 AND key = 'k'")
        # cmol(+)/kg in the laboratory's file, 391 mg/kg each (RL2011_A4).
        assert [row[0] for row in values if row[0]] == pytest.approx([195.5] * 3)


def test_check_ends_with_3_when_something_is_wrong(farm: Path, capsys):
    assert main(["check", str(farm)]) == 0
    next((farm / "originals").iterdir()).write_bytes(b"changed")
    assert main(["check", str(farm)]) == 3
    assert "not as it was received" in capsys.readouterr().out


def test_backup_and_restore_give_the_same_farm(farm: Path, tmp_path: Path):
    assert main(["backup", str(farm), str(tmp_path / "farm.zip")]) == 0
    assert main(["restore", str(tmp_path / "farm.zip"), str(tmp_path / "again")]) == 0
    assert state(tmp_path / "again") == state(farm)
    assert main(["check", str(tmp_path / "again")]) == 0


def test_a_reader_that_goes_away_is_no_bug(farm: Path):
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as gone:
        said = subprocess.run(
            [sys.executable, "-m", "maps.cli", "check", str(farm)],
            stdout=gone, stderr=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip
    assert "Traceback" not in said.stderr
    assert "mistake" not in said.stderr
