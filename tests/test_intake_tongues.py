"""Files in other languages than English; headings are everyday words, no source needed."""

from datetime import date

import openpyxl
import pytest

from geo.intake.files import read_file
from geo.intake.headings import read_heading
from geo.intake.when import read_date

#: Atomic weights of IUPAC 2021: P 30.974, O 15.999, K 39.098.
P_IN_P2O5 = 2 * 30.974 / (2 * 30.974 + 5 * 15.999)
K_IN_K2O = 2 * 39.098 / (2 * 39.098 + 15.999)

GERMAN = """\
Proben-Nr.;Entnahmedatum;Tiefe;Breitengrad;Längengrad;pH (CaCl2);Humus;Phosphor (CAL);\
Kalium (CAL);Bor;Kalk
;;cm;;;;%;mg P2O5/100 g;mg K2O/100 g;mg/kg;%
A-1;03.11.2025;0-30;48,1000;7,7000;5,5;1,84;11,4;7,1;<0,1;n.n.
A-2;13.11.2025;0-30;48,1003;7,7004;5,7;2,01;12,0;8,3;0,4;1,2
"""
FRENCH = """\
Échantillon;Date de prélèvement;Profondeur (cm);Latitude;Longitude;pH eau;Matière organique (%);\
Phosphore Olsen (mg/kg);Potassium éch. (mg/kg);Calcaire total (%);Calcaire actif (%);\
Limons fins (%);Bore (mg/kg)
B1;2025-11-03;0-30;43,6000;3,8000;6,2;1,9;24,6;95;8,1;2,2;14;non détecté
"""
SPANISH = """\
Nº muestra;Fecha de muestreo;Profundidad (cm);Latitud;Longitud;pH en agua 1:2,5;\
Materia orgánica (%);Fósforo Olsen (ppm);Potasio (ppm);CIC (meq/100g);Arcilla (%);Arena (%);Limo (%)
M-1;13/11/2025;0-20;42,4500;-2,4500;6,4;1,2;20,5;154;12,3;22;40;38
"""
PORTUGUESE = """\
Amostra;Data de colheita;Profundidade (cm);Latitude;Longitude;pH (H2O);Matéria orgânica (%);\
Fósforo Mehlich-1 (mg/dm3);Potássio (mg/dm3);Cálcio (cmolc/dm3);H+Al (cmolc/dm3);Zinco (mg/dm3)
P-1;3 nov. 2025;0-20;41,1500;-7,7500;5,1;2,4;31,8;94;3,1;2,5;1,1
"""


def reading(folder, text):
    path = folder / "lab.csv"
    path.write_bytes(text.encode("cp1252"))
    return read_file(path, season=2025)


def by_key(read, sample):
    return {r.key: r for r in read.results if r.sample_id == sample}


def test_a_german_file_is_read(tmp_path):
    read = reading(tmp_path, GERMAN)
    first = by_key(read, "A-01")
    assert set(first) == {"ph_cacl2", "om", "p", "k", "b", "caco3"}
    assert first["p"].value == pytest.approx(114 * P_IN_P2O5, rel=1e-4)
    assert first["k"].value == pytest.approx(71 * K_IN_K2O, rel=1e-4)
    # The factor that is told is the compound's own, whatever unit it was weighed in.
    said = [f.message for f in read.findings if f.rule == "expressed_as"]
    assert said == ["P2O5 is P x 2.291.", "K2O is K x 1.205."]
    assert (first["b"].qualifier, first["b"].value) == ("<", 0.1)
    assert (first["caco3"].qualifier, first["caco3"].value) == ("<", None)
    assert first["p"].depth_cm == (0.0, 30.0)
    assert [r.sampled_on for r in read.results[:1]] == [date(2025, 11, 3)]
    assert [(p.lat, p.lon) for p in read.points] == [(48.1, 7.7), (48.1003, 7.7004)]
    # Neither extract is one whose table may rate it.
    assert (first["p"].method, first["k"].method) == ("cal", "cal")


def test_a_french_file_is_read_and_parts_of_a_whole_are_not(tmp_path):
    read = reading(tmp_path, FRENCH)
    first = by_key(read, "B01")
    assert set(first) == {"ph_water", "om", "p", "k", "caco3", "b"}
    assert first["caco3"].value == 8.1
    assert first["k"].method == read_heading("exchangeable K").method
    assert (first["b"].qualifier, first["b"].value) == ("<", None)
    unused = next(f for f in read.findings if f.rule == "columns_not_used")
    assert "Calcaire actif" in unused.message
    assert "Limons fins" in unused.message


def test_a_spanish_file_is_read(tmp_path):
    read = reading(tmp_path, SPANISH)
    first = by_key(read, "M-01")
    values = {key: result.value for key, result in first.items()}
    assert values == {
        "ph_water": 6.4, "om": 1.2, "p": 20.5, "k": 154.0, "cec": 12.3,
        "clay": 22.0, "sand": 40.0, "silt": 38.0,
    }  # fmt: skip
    assert first["ph_water"].method == "water 1:2.5"
    assert first["p"].sampled_on == date(2025, 11, 13)


def test_a_portuguese_file_is_read_and_potential_acidity_is_no_exchangeable_one(tmp_path):
    first = by_key(reading(tmp_path, PORTUGUESE), "P-01")
    assert set(first) == {"ph_water", "om", "p", "k", "ca", "zn"}
    assert first["p"].method == "Mehlich-1"
    assert first["p"].sampled_on == date(2025, 11, 3)
    assert first["zn"].value == 1.1


@pytest.mark.parametrize(
    "heading",
    ["Coarse sand %", "Fine silt (%)", "Active lime %", "Lime index", "Kalkbedarf dt/ha",
     "Caliza activa (%)", "Sables fins %", "pH-Wert"],
)  # fmt: skip
def test_a_part_or_a_scale_is_not_taken_for_the_property(heading):
    assert read_heading(heading).key == ""


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("3. März 2025", date(2025, 3, 3)),
        ("14 de outubro de 2025", date(2025, 10, 14)),
        ("1er août 2025", date(2025, 8, 1)),
        ("12 dic. 2025", date(2025, 12, 12)),
        ("3-Nov-25", date(2025, 11, 3)),
        ("20251103", date(2025, 11, 3)),
        ("5 juin 2025", date(2025, 6, 5)),
        ("5 juil 2025", date(2025, 7, 5)),
        ("5 xyz 2025", None),
    ],
)
def test_dates_as_people_write_them(text, day):
    assert read_date(text) == day


def test_a_date_that_is_not_understood_is_said(tmp_path):
    read = reading(tmp_path, SPANISH.replace("13/11/2025", "after rain"))
    said = next(f for f in read.findings if f.rule == "date_not_read")
    assert "after rain" in said.message
    assert all(r.sampled_on is None for r in read.results)


def test_three_header_lines_with_merged_cells_are_one_header(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet["A1"] = "Date sampled: 10/14/2025"
    for row in (
        ["Sample", "Depth", "pH", "Buffer pH", "Organic Matter", "Mehlich-3", None, "CEC",
         "Exchangeable", None],
        [None, "in", "1:1 water", "SMP", "%", "P", "K", "meq/100g", "Ca", "Mg"],
        [None, None, None, None, "LOI", "ppm", "ppm", None, "meq/100g", "meq/100g"],
        ["HR001", "0-8", 5.3, 6.2, 2.1, 25, 106, 10.5, 5.2, 1.2],
        ["HR002", "0-8", 5.6, 6.3, 2.0, 28, 116, 10.1, 5.6, 1.3],
    ):  # fmt: skip
        sheet.append(row)
    sheet.merge_cells("F2:G2")
    path = tmp_path / "lab.xlsx"
    book.save(path)
    read = read_file(path, season=2025)
    first = by_key(read, "HR001")
    # 1 cmol(+)/kg is 200.39 mg/kg of Ca and 121.525 of Mg: half an atomic weight (IUPAC 2021).
    assert first["ca"].value == pytest.approx(5.2 * 200.39, rel=1e-4)
    assert first["mg"].value == pytest.approx(1.2 * 121.525, rel=1e-3)
    assert {key: first[key].value for key in ("ph_water", "buffer_ph", "om", "p", "k", "cec")} == {
        "ph_water": 5.3, "buffer_ph": 6.2, "om": 2.1, "p": 25.0, "k": 106.0, "cec": 10.5,
    }  # fmt: skip
    assert (first["p"].method, first["om"].method) == ("Mehlich-3", "loss on ignition")
    assert first["p"].depth_cm == (0.0, 20.32)
    assert first["p"].sampled_on == date(2025, 10, 14)
    assert len(read.columns) == 10
