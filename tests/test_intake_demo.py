"""The demo farm's files, both seasons: what is in them and what is planted in them.

Expected values are those of the demo's written specification (demo_geodata/README.md), worked out
before this reader was written.
"""

from importlib.resources import files
from pathlib import Path

import pytest

from geo.blocks import BlockSettings, make_block, read_outlines
from geo.intake.files import read_file

DEMO = Path(str(files("demo_geodata"))) / "ombervale"


@pytest.fixture(scope="module")
def blocks():
    names = ("outline_poel.shp", "outline_kniee.geojson", "outline_werfie.kml")
    return [make_block(read_outlines(DEMO / n)[0][0], BlockSettings()) for n in names]


@pytest.fixture(scope="module")
def gps(blocks):
    return read_file(DEMO / "gps_2024.csv", season=2024, blocks=blocks)


@pytest.fixture(scope="module")
def lab_2024(blocks, gps):
    return read_file(DEMO / "lab_2024.csv", season=2024, blocks=blocks, known_points=gps.points)


@pytest.fixture(scope="module")
def lab_2025(blocks, gps):
    return read_file(DEMO / "lab_2025.csv", season=2025, blocks=blocks, known_points=gps.points)


def rules(reading):
    return [finding.rule for finding in reading.findings]


def finding(reading, rule):
    return next(f for f in reading.findings if f.rule == rule)


def cells(reading, sample_id, key):
    return [r for r in reading.results if (r.sample_id, r.key) == (sample_id, key)]


def test_the_blocks_have_the_hectares_of_the_specification(blocks):
    assert [b.name for b in blocks] == ["Poel", "Knieë", "Werfie"]
    assert {b.crs for b in blocks} == {"EPSG:32734"}
    assert [b.area_ha for b in blocks] == pytest.approx([7.879, 3.492, 0.413], abs=6e-4)
    assert [b.outline.area / 1e4 for b in blocks] == pytest.approx([7.875, 3.490, 0.413], abs=6e-4)
    assert len(blocks[0].outline.interiors) == 1


def test_every_gps_row_is_a_place_under_one_way_of_writing(gps):
    assert gps.kinds == ("points",)
    assert len(gps.points) == 81  # 79 stations, the gate, and P-99
    ids = {p.sample_id for p in gps.points}
    assert {"P-01", "P-02", "2-01", "W01", "GATE", "P-99"} <= ids
    first = gps.points[1]
    assert (first.typed_id, first.sample_id) == ("P-1", "P-01")
    assert (first.lon, first.lat) == (19.9964570, -33.9697571)


def test_defect_4_a_place_outside_names_file_row_and_distance(gps):
    found = finding(gps, "outside_block")
    assert found.sample_ids == ("2-12",)
    assert found.severity == "open"
    assert "9.7 m outside Knieë" in found.message
    assert (found.file, found.row, found.column) == ("gps_2024.csv", 53, "lat, lon")
    assert rules(gps).count("outside_block") == 1


def test_defect_5_one_position_for_two_stations(gps):
    found = finding(gps, "same_place")
    assert found.sample_ids == ("P-34", "P-35")
    assert (found.file, found.row) == ("gps_2024.csv", 36)
    assert rules(gps).count("same_place") == 1


def test_a_lost_bag_is_kept_as_a_place(gps):
    found = finding(gps, "no_partner")
    assert found.sample_ids == ("P-99",)
    assert "bag lost" in found.message


def test_the_2024_results_are_complete_in_house_units(lab_2024):
    assert lab_2024.kinds == ("results",)
    assert len({r.row for r in lab_2024.results}) == 80
    assert len({r.sample_id for r in lab_2024.results}) == 78  # W09 twice, no W10, P-17 twice
    (k,) = cells(lab_2024, "P-01", "k")
    assert (k.text, k.unit_read, k.method) == ("0,31", "cmol(+)/kg", "NH4OAc pH 7")
    assert k.value == pytest.approx(0.31 * 391.0)
    (p,) = cells(lab_2024, "W06", "p")
    assert (p.value, p.qualifier, p.method) == (200.0, ">", "Mehlich-3")
    assert {r.qualifier for r in lab_2024.results if r.key == "b"} == {"missing"}
    assert {r.depth_cm for r in lab_2024.results} == {(0.0, 15.0), (0.0, 30.0)}


@pytest.mark.parametrize(
    ("season", "key", "qualifier", "limit", "samples"),
    [
        (2024, "s", "<", 5, {"P-03", "P-06", "P-32"}),
        (2025, "s", "<", 5, {"P-04", "P-16", "P-38"}),
        (2024, "zn", "<", 0.3, {"P-15", "P-37"}),
        (2025, "zn", "<", 0.3, {"P-18", "P-43"}),
        (2025, "b", "<", 0.2, {"P-28"}),
        (2024, "cu", "<", 0.3, set()),
        (2024, "p", ">", 200, {"W06"}),
        (2025, "p", ">", 200, {"W10", "W14"}),
    ],
)
def test_reporting_limits_catch_the_cells_of_the_specification(
    lab_2024, lab_2025, season, key, qualifier, limit, samples
):
    results = (lab_2024 if season == 2024 else lab_2025).results
    caught = [r for r in results if r.key == key and r.qualifier == qualifier]
    assert {r.sample_id for r in caught} == samples
    assert {r.value for r in caught} <= {limit}


def test_methods_come_from_the_line_below_the_table(lab_2024):
    methods = {r.key: r.method for r in lab_2024.results}
    assert methods["ph_water"] == "water 1:2.5"
    assert methods["oc"] == "Walkley-Black"
    assert methods["buffer_ph"] == "SMP"
    assert {methods[key] for key in ("zn", "fe", "mn", "cu")} == {"DTPA"}
    assert (methods["s"], methods["ec"]) == ("Ca-phosphate", "saturation extract")


def test_defect_1_a_repeat_is_marked_and_shown(lab_2024):
    found = finding(lab_2024, "measured_twice")
    assert found.sample_ids == ("P-17",)
    assert "rows 20 and 21" in found.message
    assert "pH 5,2 and 5,1" in found.message
    assert [r.repeat for r in cells(lab_2024, "P-17", "k")] == [0, 1]


def test_defect_3_another_depth_is_a_layer_of_its_own(lab_2024):
    found = finding(lab_2024, "depth_differs")
    assert (found.sample_ids, found.row, found.column) == (("2-13",), 55, "Depth")


def test_defect_6_two_bags_of_one_name_are_asked_about(lab_2024):
    found = finding(lab_2024, "same_bag_twice")
    assert (found.severity, found.row) == ("open", 78)
    assert found.repair == {"sample": "W10"}
    assert len(cells(lab_2024, "W09", "k")) == 2


def test_nothing_else_is_asked_in_2024(gps, lab_2024):
    asked = [f.rule for r in (gps, lab_2024) for f in r.findings if f.severity == "open"]
    assert sorted(asked) == ["outside_block", "same_bag_twice"]


def test_the_2025_results_carry_their_own_places(lab_2025, gps):
    assert lab_2025.kinds == ("results", "points")
    assert len(lab_2025.points) == 60
    stations = {p.sample_id for p in gps.points}
    new = {p.sample_id for p in lab_2025.points} - stations
    assert new == {f"P-{n}" for n in range(39, 45)} | {f"2-{n}" for n in range(27, 31)} | {
        "W16",
        "W17",
    }
    (k,) = cells(lab_2025, "P-01", "k")
    assert (k.typed_id, k.value, k.unit_read) == ("P01R", 111.0, "ppm")
    (om,) = cells(lab_2025, "P-01", "om")
    assert om.value == 1.51
    assert not any(r.key == "oc" for r in lab_2025.results)
    assert not [f for f in lab_2025.findings if f.severity in ("open", "warning")]


def test_tissue_tests_keep_stage_organ_and_units(blocks):
    reading = read_file(DEMO / "tissue_2024_25.csv", season=2025, blocks=blocks)
    assert reading.kinds == ("tissue",)
    assert len(reading.tissue) == 10
    third = reading.tissue[2]
    assert (third.block, third.stage, third.organ) == ("Knieë", "full bloom", "petiole")
    assert third.values["no3_n"] == (210.0, "mg/kg")
    assert third.values["k"] == (0.95, "%")
    assert "no3_n" not in reading.tissue[5].values
    assert reading.findings == ()


def test_applications_come_in_kg_a_hectare_with_their_words(blocks):
    reading = read_file(DEMO / "applications_2024.csv", season=2024, blocks=blocks)
    rates = [(a.block, a.amendment, a.rate_kg_ha) for a in reading.applications]
    assert rates[:5] == [
        ("Poel", "lime", 3200.0),
        ("Poel", "lime", 1600.0),
        ("Poel", "none", 0.0),
        ("Knieë", "gypsum", 2500.0),
        ("Knieë", "potassium", 250.0),
    ]
    assert rates[-1] == ("Knieë", "foliar", None)
    lime = sum(a.rate_kg_ha * a.area_ha for a in reading.applications if a.amendment == "lime")
    assert lime / 1000 == pytest.approx(12.42, abs=0.01)


def test_applied_zones_bring_their_polygons(blocks):
    reading = read_file(DEMO / "applied_zones_2024.geojson", season=2024, blocks=blocks)
    assert reading.kinds == ("applications",)
    assert all(a.where_lonlat.startswith(("POLYGON", "MULTIPOLYGON")) for a in reading.applications)
    assert reading.applications[0].rate_kg_ha == 3200.0


def test_the_log_of_the_spreader_is_read_point_by_point(blocks):
    reading = read_file(DEMO / "asapplied_lime_2024.csv", season=2024, blocks=blocks)
    assert reading.kinds == ("log",)
    assert (reading.logged[0].target_kg_ha, reading.logged[0].actual_kg_ha) == (3200.0, 3140.0)
    assert reading.findings == ()


def test_the_conductivity_of_a_saturation_extract_is_a_content(lab_2025):
    # demo-scenario 6: the second laboratory analyses EC, and no column of it goes unused.
    assert [c.key for c in lab_2025.columns if c.heading.startswith("EC ")] == ["ec"]
    assert [f for f in lab_2025.findings if f.rule == "columns_not_used"] == []
