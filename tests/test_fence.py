"""Files that would hang, fill or break whoever reads them cost themselves alone.

The files are real ones: SQLite lets a stranger's database define a table as a query without end
(its documentation, "WITH RECURSIVE"), and a workbook may name as many styles as its bytes hold
(ECMA-376, part 1, 18.8.10). Limits are made small here so that nobody waits for them.
"""

import io
import json
import os
import pickle
import sqlite3
import sys
import time
import zipfile
from pathlib import Path

import openpyxl
import pytest
from starlette.testclient import TestClient

import geo.fence
from demo_geodata import files
from geo.blocks import read_outlines
from geo.errors import IntakeError, UnreadableError
from geo.farm import create_farm
from geo.fence import read_apart
from geo.intake.files import read_file
from maps.app import create_app
from maps.cli import main

BASE = "http://127.0.0.1:8000"
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="other kernels refuse no memory")


def endless_geopackage(path: Path, rows: str = "WHERE n < 0") -> Path:
    """Its list of layers is a query that finds nothing for ever; or, without `rows`, ever more."""
    database = sqlite3.connect(path)
    database.execute("PRAGMA application_id = 0x47504B47")
    database.execute(
        "CREATE VIEW gpkg_geometry_columns AS WITH RECURSIVE c(n) AS "
        "(SELECT 1 UNION ALL SELECT n + 1 FROM c) "
        f"SELECT 'layer' || n AS table_name FROM c {rows}"
    )
    database.close()
    return path


def workbook_of_styles(path: Path, count: int) -> Path:
    """A workbook of one empty sheet and very many styles."""
    plain = io.BytesIO()
    openpyxl.Workbook().save(plain)
    styles = "".join(f'<xf numFmtId="0" fillId="{n * 7919 % 9973}"/>' for n in range(count))
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            if name == "xl/styles.xml":
                part = part.replace(b"</cellXfs>", styles.encode() + b"</cellXfs>")
            new.writestr(name, part)
    return path


@pytest.fixture
def hasty(monkeypatch):
    monkeypatch.setattr(geo.fence, "MOST_SECONDS", 1)


@pytest.fixture
def narrow(monkeypatch):
    """Little memory, but all the time a busy machine may take to fill it."""
    monkeypatch.setattr(geo.fence, "MOST_MEMORY_BYTES", 400_000_000)
    monkeypatch.setattr(geo.fence, "MOST_SECONDS", 600)


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "farms" / "small"
    folder.parent.mkdir()
    create_farm(folder, read_outlines(files() / "outline_werfie.kml")[0])
    return folder


def state(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.endswith(("-wal", "-shm"))
    }


# Files


@pytest.mark.usefixtures("hasty")
def test_a_geopackage_without_end_is_refused_in_words(tmp_path):
    with pytest.raises(UnreadableError, match=r"evil\.gpkg has no end: .* after 1 s"):
        read_file(endless_geopackage(tmp_path / "evil.gpkg"))


@on_linux
@pytest.mark.usefixtures("narrow")
def test_a_geopackage_that_fills_the_memory_is_refused_in_words(tmp_path):
    with pytest.raises(UnreadableError, match=r"evil\.gpkg wants more than 0\.4 GB of memory"):
        read_file(endless_geopackage(tmp_path / "evil.gpkg", rows=""))


@on_linux
@pytest.mark.usefixtures("narrow")
def test_a_workbook_that_fills_the_memory_is_refused_in_words(tmp_path):
    path = workbook_of_styles(tmp_path / "evil.xlsx", 900_000)
    assert path.stat().st_size < 5_000_000
    with pytest.raises(UnreadableError, match=r"evil\.xlsx wants more than 0\.4 GB of memory"):
        read_file(path)


@pytest.mark.usefixtures("hasty")
def test_the_command_line_refuses_it_with_3_and_takes_the_others(farm, tmp_path, capsys):
    evil = endless_geopackage(tmp_path / "evil.gpkg")
    before = state(farm)
    assert main(["add", str(farm), str(evil), "--season", "2024", "--json"]) == 3
    said = capsys.readouterr()
    assert state(farm) == before
    assert "evil.gpkg has no end" in said.err
    assert "Traceback" not in said.err
    assert json.loads(said.out)["files"][0]["state"] == "refused"
    both = [str(evil), str(files() / "gps_2024.csv")]
    assert main(["add", str(farm), *both, "--season", "2024", "--json"]) == 3
    told = json.loads(capsys.readouterr().out)["files"]
    assert [file["state"] for file in told] == ["refused", "stored"]


@pytest.mark.usefixtures("hasty")
def test_the_app_says_it_once_and_stays_alive(farm, tmp_path):
    client = TestClient(create_app(farm), base_url=BASE, headers={"origin": BASE})
    evil = endless_geopackage(tmp_path / "evil.gpkg").read_bytes()
    good = (files() / "gps_2024.csv").read_bytes()
    before = state(farm)
    page = client.post(
        "/lab/files",
        files=[("files", ("evil.gpkg", evil)), ("files", ("gps_2024.csv", good))],
        data={"season": "2024"},
    )
    assert page.status_code == 200
    assert page.text.count("evil.gpkg has no end: it was still") == 1
    assert state(farm) == before
    again = client.post("/lab/say", data={"season": "2025"})
    assert again.text.count("evil.gpkg has no end: it was still") == 1
    client.post("/lab/store")
    assert state(farm) != before
    assert client.get("/").status_code == 200


# What stands between


@on_linux
def test_the_child_has_the_limits_of_the_format_reference():
    """2 GB of memory, 60 s, 100 MB a file, no dump of the memory if it breaks."""
    import resource

    wanted = (
        (resource.RLIMIT_AS, 2_000_000_000),
        (resource.RLIMIT_CPU, 60),
        (resource.RLIMIT_FSIZE, 100_000_000),
        (resource.RLIMIT_CORE, 0),
    )
    for limit, most in wanted:
        assert read_apart(resource.getrlimit, limit, name="limits")[0] == most
        assert resource.getrlimit(limit)[0] != most or most == 0


def test_a_reader_that_dies_is_said_to_have_died():
    with pytest.raises(UnreadableError, match=r"x\.shp broke the program that reads it"):
        read_apart(os.abort, name="x.shp")


@pytest.mark.usefixtures("hasty")
def test_a_reader_that_waits_is_ended():
    with pytest.raises(UnreadableError, match=r"x\.shp has no end: .* after 1 s"):
        read_apart(time.sleep, 100, name="x.shp")


def test_an_answer_too_large_for_the_one_who_asked_does_not_come_back():
    with pytest.raises(UnreadableError, match="wants more than 2 GB"):
        read_apart(bytes, geo.fence.MOST_ANSWER_BYTES + 1, name="x.tif")


def test_a_refusal_of_the_reader_comes_back_as_it_was_raised(tmp_path):
    path = tmp_path / "lab.xlsx"
    path.write_bytes(b"PK\x03\x04" + bytes(100))
    with pytest.raises(IntakeError, match=r"^lab\.xlsx .*damaged"):
        read_file(path)


def test_a_mistake_of_ours_comes_back_as_a_mistake_with_its_traceback():
    with pytest.raises(RuntimeError, match="invalid literal for int") as raised:
        read_apart(int, "x", name="lab.xlsx")
    assert "Traceback" in str(raised.value)


def test_what_a_library_prints_is_not_taken_for_the_answer():
    assert read_apart(print, "\x80 noise", name="x.shp") is None


def test_nothing_is_imported_from_the_folder_one_stands_in(tmp_path, monkeypatch):
    (tmp_path / "json.py").write_text("raise SystemExit(9)")
    monkeypatch.chdir(tmp_path)
    assert read_apart(json.loads, "[1]", name="x.json") == [1]


def test_refusals_survive_the_way_back():
    error = pickle.loads(pickle.dumps(UnreadableError("x.shp was not read.")))
    assert (type(error), str(error)) == (UnreadableError, "x.shp was not read.")
