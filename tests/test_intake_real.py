"""Soil samples nobody here made up, read with the same function: see data/gpl/NOTICE.md.

Units of the sets: soja98 K in cmol/dm3, base saturation in %, pH; camg Ca and Mg in mmol_c/dm3
(R package geoR 1.9-6, help pages of the data sets).
"""

import csv
from pathlib import Path

import pytest

from geo.intake.files import read_file

GPL = Path(__file__).parent / "data" / "gpl"

# Both sets are in metres of their own; a transverse Mercator through a place near them holds them.
HERE = "+proj=tmerc +lat_0=-22.7 +lon_0=-47.6 +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m"


def column(name, heading):
    with (GPL / name).open(encoding="utf-8") as file:
        return [float(row[heading]) for row in csv.DictReader(file)]


def test_soja98_is_read_with_its_columns_and_units_said():
    reading = read_file(
        GPL / "soja98.csv",
        season=1998,
        crs=HERE,
        columns={"PH": "ph_cacl2", "SB": "base_saturation"},
        units={"p": "mg/dm3", "k": "cmol/dm3", "base_saturation": "%"},
    )
    assert reading.kinds == ("results", "points")
    assert len(reading.points) == 256
    ph = [r.value for r in reading.results if r.key == "ph_cacl2"]
    assert ph == column("soja98.csv", "PH")
    k = [r.value for r in reading.results if r.key == "k"]
    assert k == pytest.approx([v * 391.0 for v in column("soja98.csv", "K")])
    said = {f.rule for f in reading.findings}
    assert {"unit_assumes", "columns_not_used", "ids_by_row", "method_missing"} <= said
    assert not [f for f in reading.findings if f.severity == "open"]


def test_camg_is_read_with_its_columns_and_units_said():
    reading = read_file(
        GPL / "camg.csv",
        season=1997,
        crs=HERE,
        columns={"ca020": "ca", "mg020": "mg", "ctc020": "cec"},
        units={"ca": "mmolc/dm3", "mg": "mmolc/dm3", "cec": "mmolc/dm3"},
    )
    ca = [r.value for r in reading.results if r.key == "ca"]
    assert len(reading.points) == len(ca) == 178
    assert ca == pytest.approx([v / 10 * 200.4 for v in column("camg.csv", "ca020")])
    cec = [r.value for r in reading.results if r.key == "cec"]
    assert cec == pytest.approx([v / 10 for v in column("camg.csv", "ctc020")])
    assert not [f for f in reading.findings if f.severity == "open"]


def test_without_a_system_the_results_are_kept_and_the_places_asked_for():
    reading = read_file(GPL / "camg.csv", columns={"ca020": "ca"}, units={"ca": "mmolc/dm3"})
    assert reading.points == ()
    assert len(reading.results) == 178
    assert [f.rule for f in reading.findings if f.severity == "open"] == ["no_system"]


def test_a_method_can_be_told_where_the_file_is_silent(tmp_path):
    from geo.intake.files import read_file

    file = tmp_path / "results.csv"
    file.write_text("id,lat,lon,P (mg/kg),K (mg/kg)\nA1,-33.9,20.1,12,90\nA2,-33.91,20.1,14,95\n")
    silent = read_file(file, season=2026)
    told = read_file(file, season=2026, methods={"p": "M3-P", "k": "NH4OAc"})
    assert {r.method for r in silent.results} == {""}
    assert any(f.rule == "method_missing" for f in silent.findings)
    methods = {r.key: r.method for r in told.results}
    # methods.csv: M3-P is Mehlich-3 (common practice)
    assert methods["p"].startswith("Mehlich-3")
    assert "NH4OAc" in methods["k"]
    assert not any(f.rule == "method_missing" for f in told.findings)
