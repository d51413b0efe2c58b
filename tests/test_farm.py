"""The farm folder: every change as a whole or not at all, nothing lost, open to any GIS."""

import json
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
import shapely
from shapely import Polygon

from geo.blocks import Outline
from geo.errors import FarmError, IntakeError, UsageError
from geo.farm import (
    create_farm,
    known_points,
    read_blocks,
    read_records,
    settings_of_no_block,
    store_reading,
)
from geo.findings import Finding
from geo.intake.reading import Application, LoggedRate, Point, Reading, Result, TissueTest
from geo.store.corrections import Change, exclude_sample, set_value
from geo.store.database import blob, changing, geometry
from geo.upkeep import (
    backup_farm,
    check_farm,
    fingerprint,
    rename_block,
    restore_farm,
    retire_block,
    withdraw_file,
)

HERE = (20.0, -33.97)
SIDE = 0.002  # about 185 m east, 222 m north


def square(east: float = 0.0) -> Polygon:
    west, south = HERE[0] + east, HERE[1]
    return shapely.box(west, south, west + SIDE, south + SIDE)


OUTLINES = (
    Outline("Poel", square(), "outlines.geojson", 0, "WGS84"),
    Outline("Knieë", square(0.003), "outlines.geojson", 1, "WGS84"),
)
CHANGE = Change(2024, "Anna", "bag label read again")


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    folder = tmp_path / "farm"
    create_farm(folder, OUTLINES)
    return folder


def point(sample_id: str, east: float, north: float = 0.001) -> Point:
    return Point(sample_id, sample_id, HERE[0] + east, HERE[1] + north)


def result(sample_id: str, key: str, value: float | None, row: int = 2, **more: object) -> Result:
    parts = {
        "text": "n.a." if value is None else str(value),
        "qualifier": "missing" if value is None else "",
        "method": "nh4oac",
        "unit_read": "mg/kg",
        "column": key.upper(),
        "depth_cm": (0.0, 15.0),
        "sampled_on": date(2024, 5, 14),
    }
    return Result(sample_id, sample_id, key, value=value, row=row, **(parts | more))


def reading(folder: Path, name: str = "lab.csv", **parts: object) -> Reading:
    path = folder / name
    path.write_text(f"the bytes of {name}", encoding="utf-8")
    kinds = tuple(
        k for k in ("points", "results", "tissue", "applications", "logged") if k in parts
    )
    return Reading(str(path), "", kinds, **parts)


def stored(farm: Path, tmp_path: Path, **more: object) -> None:
    parts = {
        "points": (point("P-01", 0.001), point("P-02", 0.0015), point("2-01", 0.004)),
        "results": (
            result("P-01", "k", 95.0, 2),
            result("P-02", "k", 780.0, 3),
            result("2-01", "k", 60.0, 4),
        ),
    }
    store_reading(farm, reading(tmp_path, **(parts | more)), 2024)


def content(farm: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table."""
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        names = [
            r[0] for r in database.execute("SELECT name FROM sqlite_master WHERE type='table'")
        ]
        return {name: list(database.execute(f'SELECT * FROM "{name}"')) for name in sorted(names)}


def rows(farm: Path, sql: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        return list(database.execute(sql))


# Making a farm


def test_a_new_farm_keeps_names_outlines_and_crs(farm: Path):
    poel, kniee = read_blocks(farm)
    assert (poel.name, poel.slug, kniee.slug) == ("Poel", "poel", "kniee")
    assert poel.crs == "EPSG:32734"  # UTM zone 34 south holds 18 to 24 E
    assert poel.lonlat.equals_exact(OUTLINES[0].lonlat, 1e-12)
    assert poel.area_ha == pytest.approx(poel.outline.area / 1e4, rel=2e-3)


def test_a_folder_in_use_is_not_overwritten(farm: Path):
    before = content(farm)
    with pytest.raises(FarmError, match="not empty"):
        create_farm(farm, OUTLINES)
    assert content(farm) == before


def test_two_blocks_of_one_name_leave_no_folder_behind(tmp_path: Path):
    with pytest.raises(FarmError, match="already a block"):
        create_farm(tmp_path / "farm", (OUTLINES[0], OUTLINES[0]))
    assert list(tmp_path.iterdir()) == []


def test_names_of_one_folder_name_get_folders_of_their_own(tmp_path: Path):
    twins = (
        Outline("Hill/1", square(), "a", 0, ""),
        Outline("Hill 1", square(0.003), "a", 1, ""),
    )
    assert len({block.slug for block in create_farm(tmp_path / "farm", twins)}) == 2


def test_a_folder_without_a_farm_says_how_to_make_one(tmp_path: Path):
    with pytest.raises(FarmError, match="soilquilt new"):
        read_blocks(tmp_path)


# What others can read


def test_the_geometry_header_is_that_of_the_standard():
    # OGC 12-128r17, 2.1.3: "GP", version 0, flags (little-endian), SRS id, then WKB.
    data = blob(shapely.Point(20.0, -34.0))
    assert data is not None
    assert data[:8] == bytes.fromhex("4750 0001 e6100000")
    assert shapely.from_wkb(data[8:]) == shapely.Point(20.0, -34.0)


@pytest.mark.parametrize(("code", "size"), [(0, 0), (1, 32), (2, 48), (3, 48), (4, 64)])
def test_an_envelope_another_program_wrote_is_skipped(code: int, size: int):
    # Envelope codes and sizes: OGC 12-128r17, table 6.
    plain = blob(shapely.Point(1.0, 2.0))
    assert plain is not None
    data = plain[:3] + bytes([1 | code << 1]) + plain[4:8] + bytes(size) + plain[8:]
    assert geometry(data) == shapely.Point(1.0, 2.0)


def test_the_file_is_marked_as_geopackage_1_3(farm: Path):
    # OGC 12-128r17, requirement 2: application_id "GPKG", user_version 10300.
    assert rows(farm, "PRAGMA application_id") == [(0x47504B47,)]
    assert rows(farm, "PRAGMA user_version") == [(10300,)]
    assert rows(farm, "PRAGMA foreign_key_check") == []
    assert {r[0] for r in rows(farm, "SELECT srs_id FROM gpkg_spatial_ref_sys")} == {-1, 0, 4326}


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's tools are not installed")
def test_gdal_lists_every_layer_and_finds_the_places(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    said = subprocess.run(
        ["ogrinfo", "-ro", "-al", str(farm / "farm.gpkg")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "Warning" not in said.stderr
    assert "Layer name: results" in said.stdout
    assert "MULTIPOLYGON (((20.002 -33.97" in said.stdout
    assert "POINT (20.001 -33.969)" in said.stdout
    assert 'ID["EPSG",4326]' in said.stdout
    assert "name (String) = Knieë" in said.stdout


def test_pyogrio_reads_a_copy(farm: Path, tmp_path: Path):
    # In a child process: GDAL and sqlite3 must never meet on one file in one process.
    stored(farm, tmp_path)
    copy = tmp_path / "copy.gpkg"
    shutil.copy(farm / "farm.gpkg", copy)
    script = """
        import sys, geopandas
        points = geopandas.read_file(sys.argv[1], layer="points")
        results = geopandas.read_file(sys.argv[1], layer="results")
        print(points.crs.to_epsg(), *points.sample_id, *points.geometry.x.round(6), *results.value)
    """
    said = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), str(copy)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert said.stdout.split() == [
        "4326", "P-01", "P-02", "2-01", "20.001", "20.0015", "20.004", "95.0", "780.0", "60.0",
    ]  # fmt: skip


# Storing files


def test_what_goes_in_comes_out(farm: Path, tmp_path: Path):
    test = TissueTest("T1", "poel", "west", "bloom", "petiole", date(2024, 1, 2), {"k": (1.8, "%")})
    spread = Application(
        date(2024, 7, 9), "Poel", "west", "lime", "lime", "85 %", 3200.0, 2.4, "full width",
        "POLYGON ((20 -33.97, 20.001 -33.97, 20.001 -33.969, 20 -33.97))",
    )  # fmt: skip
    log = (LoggedRate("t", *_at(0.001), None, 3000.0), LoggedRate("t", *_at(0.05), 1.0, 2.0))
    cell = result("P-01", "zn", 0.3, 7, qualifier="<", note="low")
    stored(farm, tmp_path, tissue=(test,), applications=(spread,), logged=log, results=(cell,))
    records = read_records(farm, 2024, "Poel")
    assert records.layer().cells["P-01", "zn"] == replace(cell, file="lab.csv")
    assert records.tissue == (test,)
    assert records.applications == (spread,)
    assert records.logged == log[:1]


def test_a_list_and_a_map_of_the_same_work_count_once(farm: Path, tmp_path: Path):
    day, place = date(2024, 7, 9), "POLYGON ((20 -33.97, 20.001 -33.97, 20.001 -33.969, 20 -33.97))"

    def spread(where: str, rate: float = 3200.0) -> Application:
        parts = ("Poel", "west", "lime", "lime", "", rate, 2.4, "", where)
        return Application(day, *parts, row=None if where else 2)

    stored(farm, tmp_path, applications=(spread(""), spread("", 1600.0)))
    store_reading(farm, reading(tmp_path, "map.geojson", applications=(spread(place),)), 2024)
    kept = read_records(farm, 2024, "Poel").applications
    assert [(a.rate_kg_ha, a.where_lonlat, a.row) for a in kept] == [
        (3200.0, place, 2),
        (1600.0, "", 2),
    ]


def _at(east: float) -> tuple[float, float]:
    return HERE[0] + east, HERE[1] + 0.001


def test_the_original_is_kept_byte_for_byte_under_its_hash(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    name = rows(farm, "SELECT original FROM files WHERE name = 'lab.csv'")[0][0]
    kept = farm / "originals" / str(name)
    assert kept.read_bytes() == b"the bytes of lab.csv"
    # SHA-256 by another program than ours.
    said = subprocess.run(["sha256sum", str(kept)], capture_output=True, text=True, check=True)
    assert said.stdout.split()[0] == kept.stem


def test_the_same_file_twice_is_stored_once(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    before = content(farm)
    again = store_reading(farm, reading(tmp_path, results=(result("P-01", "k", 95.0),)), 2024)
    assert again.already
    assert "already here" in again.what
    assert content(farm)["results"] == before["results"]


def test_a_refused_file_leaves_nothing(farm: Path, tmp_path: Path):
    before = content(farm)
    bad = reading(tmp_path, results=(result("P-01", "k", 1.0),)).with_findings(
        Finding("not_a_table", "refused", "lab.csv is a program, not a table.")
    )
    with pytest.raises(IntakeError, match=r"program.*Nothing of it was stored"):
        store_reading(farm, bad, 2024)
    assert content(farm) == before
    assert list((farm / "originals").iterdir()) == []


def test_soil_results_need_a_season(farm: Path, tmp_path: Path):
    with pytest.raises(IntakeError, match="--season"):
        store_reading(farm, reading(tmp_path, results=(result("P-01", "k", 1.0),)), None)


# One change, one transaction


IN_THE_MIDDLE = """
    import sys
    from pathlib import Path
    from geo.store.database import changing, insert
    with changing(Path(sys.argv[1]), "a long change") as database:
        for n in range(20000):
            insert(database, "points", sample_id=str(n), note="x" * 400)
        print("ready", flush=True)
        sys.stdin.read()
"""

# A cache this small makes SQLite write into the file before the commit, as a power cut during the
# commit itself would leave it.
IN_THE_MIDDLE_OF_WRITING = """
    import sqlite3, sys
    database = sqlite3.connect(sys.argv[1] + "/farm.gpkg", isolation_level=None)
    database.execute("PRAGMA cache_size = 10")
    database.execute("BEGIN IMMEDIATE")
    database.execute("DELETE FROM results")
    for n in range(20000):
        database.execute("INSERT INTO points (sample_id, note) VALUES (?, ?)", (n, "x" * 400))
    print("ready", flush=True)
    sys.stdin.read()
"""


def held_farm(farm: Path, script: str = IN_THE_MIDDLE) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script), str(farm)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        cwd=Path(__file__).parent.parent,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def test_a_process_killed_in_the_middle_leaves_the_farm_as_before(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    before = content(farm)
    with held_farm(farm) as process:
        process.send_signal(signal.SIGKILL)
    assert content(farm) == before
    assert check_farm(farm) == ()
    set_value(farm, CHANGE, "P-02", "k", "78")  # and the next change goes through


def test_a_file_half_written_when_the_power_goes_is_as_before(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    before = content(farm)
    size = (farm / "farm.gpkg").stat().st_size
    with held_farm(farm, IN_THE_MIDDLE_OF_WRITING) as process:
        process.send_signal(signal.SIGKILL)
    assert (farm / "farm.gpkg").stat().st_size > 10 * size
    assert len(read_records(farm, 2024, "Poel").layer().table) == 2
    assert content(farm) == before


def test_whoever_has_to_wait_is_told_who_holds_the_farm(farm: Path):
    with held_farm(farm) as process:
        with (
            pytest.raises(FarmError, match=rf"Process {process.pid} .*a long change.*try again"),
            changing(farm, "another change", wait_s=0.1),
        ):
            pass
        process.kill()


def test_the_second_waits_for_the_first(farm: Path):
    with held_farm(farm) as process:
        assert process.stdin is not None
        process.stdin.close()  # the first may end now
        with changing(farm, "the second", wait_s=30) as database:
            count = database.execute("SELECT count(*) FROM points").fetchone()[0]
    assert count == 20000


def test_a_change_that_fails_is_undone_with_its_original(farm: Path, tmp_path: Path):
    before = content(farm)
    wrong = Finding("odd", "open", "?", sample_ids=("P-99",), keys=("k",), repair={"what": "ever"})
    with pytest.raises(UsageError, match="no repair"):
        store_reading(
            farm, reading(tmp_path, points=(point("P-01", 0.001),)).with_findings(wrong), 2024,
            accept=["odd"],
        )  # fmt: skip
    assert content(farm) == before
    assert list((farm / "originals").iterdir()) == []


# Corrections


def test_a_corrected_value_keeps_the_old_one_and_who_and_why(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    set_value(farm, CHANGE, "p-02", "k", "78,0")
    assert read_records(farm, 2024, "Poel").layer().table.loc["P-02", "k"] == 78.0
    kept = rows(farm, 'SELECT sample_id, "column", old, new, who, why FROM corrections')
    assert ("P-02", "value", "780.0", "78.0", "Anna", "bag label read again") in kept
    assert ("P-02", "text", "780.0", "78,0", "Anna", "bag label read again") in kept
    assert ("P-02", "k") in read_records(farm, 2024, "Poel").layer().answered


def test_a_value_may_be_typed_in_another_unit(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    set_value(farm, CHANGE, "P-02", "k", "0.2 cmol(+)/kg")
    # 391 mg of K hold 1 cmol(+): atomic weight over charge (RL2011_A4).
    assert read_records(farm, 2024, "Poel").layer().table.loc["P-02", "k"] == pytest.approx(78.2)


@pytest.mark.parametrize(
    ("sample", "key", "text", "says"),
    [
        ("P-77", "k", "1", "no sample 'P-77' in 2024"),
        ("P-01", "kk", "1", "not a property"),
        ("P-01", "k", "plenty", "not a value"),
        ("P-01", "k", "3 spoons", "not a unit"),
        ("P-01", "place", "here", "not a place"),
        ("P-01", "depth", "15-0", "not a depth"),
    ],
)
def test_a_wrong_correction_changes_nothing(
    farm: Path, tmp_path: Path, sample: str, key: str, text: str, says: str
):
    stored(farm, tmp_path)
    before = content(farm)
    with pytest.raises((FarmError, UsageError), match=says):
        set_value(farm, CHANGE, sample, key, text)
    assert content(farm) == before


def test_a_moved_sample_changes_block(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    set_value(farm, CHANGE, "P-02", "place", f"{HERE[1] + 0.001}, {HERE[0] + 0.004}")
    assert "P-02" in read_records(farm, 2024, "Knieë").layer().table.index


def test_a_sample_of_another_depth_is_a_layer_of_its_own(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    set_value(farm, CHANGE, "P-02", "depth", "0-30")
    layers = read_records(farm, 2024, "Poel").layers
    assert [(s.depth_cm, list(s.table.index)) for s in layers] == [
        ((0.0, 15.0), ["P-01"]),
        ((0.0, 30.0), ["P-02"]),
    ]


def test_a_sample_left_out_is_gone_and_named(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    exclude_sample(farm, CHANGE, "P-02")
    samples = read_records(farm, 2024, "Poel").layer()
    assert list(samples.table.index) == ["P-01"]
    assert [f.sample_ids for f in samples.findings if f.rule == "left_out"] == [("P-02",)]


def same_bag(farm: Path, tmp_path: Path, accept: tuple[str, ...]) -> None:
    """W09 stands twice in the file; by bag order the second is W10 (demo farm, defect 6)."""
    question = Finding(
        "same_bag_twice", "open", "Two bags are called W09 and none W10.",
        proposal="Second is W10.", row=3, sample_ids=("W09",), repair={"sample": "W10"},
    )  # fmt: skip
    file = reading(
        tmp_path,
        points=(point("W09", 0.001), point("W10", 0.0015)),
        results=(result("W09", "k", 10.0, 2), result("W09", "k", 20.0, 3)),
    ).with_findings(question)
    store_reading(farm, file, 2024, accept=accept)


def test_a_question_stays_open_until_it_is_answered(farm: Path, tmp_path: Path):
    same_bag(farm, tmp_path, accept=())
    samples = read_records(farm, 2024, "Poel").layer()
    assert [r.value for r in samples.repeats["W09", "k"]] == [10.0, 20.0]
    assert [f.severity for f in samples.findings if f.rule == "same_bag_twice"] == ["open"]
    set_value(farm, CHANGE, "W09", "sample", "W10")
    samples = read_records(farm, 2024, "Poel").layer()
    assert samples.table["k"].to_dict() == {"W09": 10.0, "W10": 20.0}
    assert [f.severity for f in samples.findings if f.rule == "same_bag_twice"] == ["note"]


def test_an_accepted_proposal_is_carried_out(farm: Path, tmp_path: Path):
    same_bag(farm, tmp_path, accept=("same_bag_twice",))
    samples = read_records(farm, 2024, "Poel").layer()
    assert samples.table["k"].to_dict() == {"W09": 10.0, "W10": 20.0}
    assert rows(farm, "SELECT old, new FROM corrections") == [("W09", "W10")]


def test_a_proposal_may_be_accepted_when_the_file_comes_again(farm: Path, tmp_path: Path):
    same_bag(farm, tmp_path, accept=())
    same_bag(farm, tmp_path, accept=("same_bag_twice",))
    samples = read_records(farm, 2024, "Poel").layer()
    assert samples.table["k"].to_dict() == {"W09": 10.0, "W10": 20.0}


def test_a_swap_changes_the_cells_and_not_the_methods(farm: Path, tmp_path: Path):
    pair = Finding(
        "impossible_pair", "open", "pH in water is lower than in KCl.", sample_ids=("P-01",),
        keys=("ph_water", "ph_kcl"), repair={"swap": "ph_water ph_kcl"},
    )  # fmt: skip
    cells = (
        result("P-01", "ph_water", 4.4, method="water"),
        result("P-01", "ph_kcl", 5.3, method="kcl"),
    )
    file = reading(tmp_path, points=(point("P-01", 0.001),), results=cells).with_findings(pair)
    store_reading(farm, file, 2024, accept=["impossible_pair"])
    samples = read_records(farm, 2024, "Poel").layer()
    assert samples.table.loc["P-01", ["ph_water", "ph_kcl"]].tolist() == [5.3, 4.4]
    assert samples.methods == {"ph_water": "water", "ph_kcl": "kcl"}


@pytest.mark.parametrize("name", ["value", "each_value"])
def test_a_proposal_about_several_samples_is_carried_out_for_all(
    farm: Path, tmp_path: Path, name: str
):
    zeros = Finding(
        "zero_cells", "open", "Zn: 2 cells with 0.", sample_ids=("P-01", "P-02"), keys=("zn",),
        repair={name: "<0.3"},
    )  # fmt: skip
    places = (point("P-01", 0.001), point("P-02", 0.0015))
    cells = (result("P-01", "zn", 0.0), result("P-02", "zn", 0.0, 3))
    file = reading(tmp_path, points=places, results=cells).with_findings(zeros)
    store_reading(farm, file, 2024, accept=["zero_cells"])
    samples = read_records(farm, 2024, "Poel").layer()
    found = {s: (cell.qualifier, cell.value) for (s, _), cell in samples.cells.items()}
    assert found == {"P-01": ("<", 0.3), "P-02": ("<", 0.3)}


def test_a_unit_may_be_agreed_to_when_the_file_comes_again(farm: Path, tmp_path: Path):
    question = Finding(
        "unit_missing", "open", "K has no unit.", sample_ids=("P-01", "P-02"), keys=("k",),
        repair={"unit": "cmol(+)/kg"},
    )  # fmt: skip
    places = (point("P-01", 0.001), point("P-02", 0.0015))
    cells = tuple(result(s, "k", 0.2, unit_read="") for s in ("P-01", "P-02"))
    file = reading(tmp_path, points=places, results=cells).with_findings(question)
    store_reading(farm, file, 2024)
    store_reading(farm, file, 2024, accept=["unit_missing"])
    samples = read_records(farm, 2024, "Poel").layer()
    # 1 cmol(+)/kg of potassium is 391 mg/kg (atomic weight 39.1, charge 1)
    assert samples.table["k"].to_dict() == pytest.approx({"P-01": 78.2, "P-02": 78.2})
    assert {f.severity for f in samples.findings if f.rule == "unit_missing"} == {"note"}


# Taking back


def test_withdrawing_takes_back_everything_and_keeps_the_original(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    said = withdraw_file(farm, "lab.csv", CHANGE)
    assert "3 values, 3 places" in said
    assert read_records(farm, 2024, "Poel").layers == ()
    assert len(list((farm / "originals").iterdir())) == 1
    assert check_farm(farm) == ()
    stored(farm, tmp_path)  # and it may come again
    assert len(read_records(farm, 2024, "Poel").layer().table) == 2


def test_an_unknown_file_cannot_be_withdrawn(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    with pytest.raises(FarmError, match=r"no file 'other.csv'.*lab.csv"):
        withdraw_file(farm, "other.csv", CHANGE)


def test_a_renamed_block_still_answers_to_its_old_name(farm: Path, tmp_path: Path):
    stored(farm, tmp_path, tissue=(TissueTest("T1", "Poel", "", "", "", date(2024, 1, 2), {}),))
    rename_block(farm, "Poel", "Lower block", CHANGE)
    records = read_records(farm, 2024, "Poel")
    assert records.block.name == "Lower block"
    assert len(records.tissue) == 1
    assert records.block.slug == "poel"


def test_samples_of_a_retired_block_do_not_fall_to_its_neighbour(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    retire_block(farm, "Poel", CHANGE)
    assert [block.name for block in read_blocks(farm)] == ["Knieë"]
    assert list(read_records(farm, 2024, "Knieë").layer().table.index) == ["2-01"]


# Joining samples with places and blocks


def test_a_composite_carries_the_name_of_its_block(farm: Path, tmp_path: Path):
    stored(farm, tmp_path, results=(result("KNIEË", "k", 70.0), result("2-01", "k", 60.0, 3)))
    samples = read_records(farm, 2024, "Knieë").layer()
    assert samples.composites["k"].to_dict() == {"KNIEË": 70.0}
    assert list(samples.table.index) == ["2-01"]


def test_a_place_of_an_earlier_season_is_proposed_and_not_taken(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    file = reading(tmp_path, "lab_2025.csv", results=(result("P-01", "k", 99.0),))
    store_reading(farm, file, 2025)
    samples = read_records(farm, 2025, "Poel").layer()
    (finding,) = (f for f in samples.findings if f.rule == "place_of_earlier_season")
    assert samples.table["x_m"].isna().all()
    assert finding.severity == "open"
    assert float(finding.repair["lon"]) == pytest.approx(20.001)


def test_a_sample_outside_is_kept_with_the_nearest_block(farm: Path, tmp_path: Path):
    stored(farm, tmp_path, points=(point("P-01", -0.0004), point("2-01", 0.004)))
    assert "P-01" in read_records(farm, 2024, "Poel").layer().table.index


def test_not_analysed_is_not_zero(farm: Path, tmp_path: Path):
    stored(farm, tmp_path, results=(result("P-01", "b", None), result("P-01", "k", 5.0)))
    samples = read_records(farm, 2024, "Poel").layer()
    assert samples.not_analysed == ("b",)
    assert samples.table["b"].isna().all()


def test_a_second_method_is_asked_about(farm: Path, tmp_path: Path):
    cells = (
        result("P-01", "p", 9.0, 2, method="mehlich3"),
        result("P-02", "p", 8.0, 3, method="mehlich3"),
        result("P-02", "p", 4.0, 9, method="olsen"),
    )
    stored(farm, tmp_path, results=cells)
    samples = read_records(farm, 2024, "Poel").layer()
    assert samples.methods["p"] == "mehlich3"
    assert [(f.severity, f.sample_ids) for f in samples.findings if f.rule == "two_methods"] == [
        ("open", ("P-02",))
    ]


def test_tissue_counts_for_twelve_months(farm: Path, tmp_path: Path):
    tests = tuple(
        TissueTest(name, "Poel", "", "bloom", "petiole", day, {})
        for name, day in [
            ("old", date(2023, 5, 1)),
            ("in time", date(2023, 11, 12)),
            ("later", date(2024, 11, 12)),
        ]
    )
    stored(farm, tmp_path, tissue=tests)
    assert [t.sample_id for t in read_records(farm, 2024, "Poel").tissue] == ["in time"]


def test_an_unknown_block_is_answered_with_those_there_are(farm: Path):
    with pytest.raises(FarmError, match=r"no block 'Hill'.*Poel, Knieë"):
        read_records(farm, 2024, "Hill")


def test_places_on_file_come_with_the_season_asked_for_first(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    later = reading(tmp_path, "gps25.csv", points=(point("P-01", 0.0011),))
    store_reading(farm, later, 2025)
    first = {season: known_points(farm, season)[0].lon for season in (2024, 2025)}
    assert first == {2024: pytest.approx(20.001), 2025: pytest.approx(20.0011)}


# Verifying and copying


def test_a_changed_or_lost_original_is_found(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    assert check_farm(farm) == ()
    (original,) = (farm / "originals").iterdir()
    original.write_text("tampered", encoding="utf-8")
    assert ["not as it was received" in f.message for f in check_farm(farm)] == [True]
    original.unlink()
    assert ["is missing" in f.message for f in check_farm(farm)] == [True]


def test_a_damaged_store_is_named(farm: Path):
    (farm / "farm.gpkg").write_bytes(b"not a database at all" * 100)
    with pytest.raises(FarmError, match=r"damaged.*restore"):
        read_blocks(farm)


def test_a_backup_restores_the_same_farm(farm: Path, tmp_path: Path):
    stored(farm, tmp_path)
    backup_farm(farm, tmp_path / "backup.zip")
    faults = restore_farm(tmp_path / "backup.zip", tmp_path / "again")
    assert faults == ()
    assert content(tmp_path / "again") == content(farm)
    assert (
        read_records(tmp_path / "again", 2024, "Poel")
        .layer()
        .table.equals(read_records(farm, 2024, "Poel").layer().table)
    )


def test_a_backup_while_in_use_holds_the_state_before(farm: Path, tmp_path: Path):
    before = content(farm)
    with held_farm(farm) as process:
        backup_farm(farm, tmp_path / "backup.zip")
        process.kill()
    restore_farm(tmp_path / "backup.zip", tmp_path / "again")
    assert content(tmp_path / "again") == before


def test_a_hostile_backup_lands_nowhere(tmp_path: Path):
    import zipfile

    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr("../../escaped.txt", "x")
    with pytest.raises(FarmError, match="outside the farm"):
        restore_farm(tmp_path / "bad.zip", tmp_path / "again")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.zip"]


def test_a_store_with_a_trigger_of_its_own_is_not_trusted(farm: Path, tmp_path: Path):
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        database.execute("CREATE TRIGGER sly AFTER INSERT ON points BEGIN DELETE FROM results; END")
        database.commit()
    backup_farm(farm, tmp_path / "backup.zip")
    with pytest.raises(FarmError, match=r"cannot be trusted.*sly"):
        restore_farm(tmp_path / "backup.zip", tmp_path / "again")


def test_the_fingerprint_changes_with_the_input_and_not_with_later_seasons(
    farm: Path, tmp_path: Path
):
    stored(farm, tmp_path)
    first = fingerprint(farm, 2024)
    later = reading(tmp_path, "lab_2025.csv", results=(result("P-01", "k", 99.0),))
    store_reading(farm, later, 2025)
    assert fingerprint(farm, 2024) == first
    set_value(farm, CHANGE, "P-02", "k", "78")
    assert fingerprint(farm, 2024) != first


def test_profiles_remember_how_a_laboratory_writes(farm: Path, tmp_path: Path):
    from geo.intake.reading import Column

    column = Column("K NH4OAc ppm", "k", "mg/kg", "nh4oac")
    file = reading(tmp_path, results=(result("P-01", "k", 5.0),), laboratory="lab two")
    from dataclasses import replace

    store_reading(farm, replace(file, columns=(column,)), 2024)
    kept = rows(farm, "SELECT laboratory, columns FROM profiles")
    assert kept[0][0] == "lab two"
    assert json.loads(str(kept[0][1])) == [["K NH4OAc ppm", "k", "mg/kg", "nh4oac"]]


def test_settings_of_a_block_that_is_not_there_are_said_with_the_nearest_name(farm: Path):
    path = farm / "farm.toml"
    assert settings_of_no_block(farm) == ()
    name = read_blocks(farm)[0].name
    path.write_text(path.read_text("utf-8") + f'\n[blocks."{name}e"]\ntarget_ph = 6.2\n', "utf-8")
    (said,) = settings_of_no_block(farm)
    assert f'[blocks."{name}e"]: this farm has no such block' in said
    assert said.endswith(f"Is {name} meant?")
