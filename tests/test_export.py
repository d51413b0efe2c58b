"""The whole folder of a run, and its tables, read as other programs read them."""

import csv
import io
import json
import math

import openpyxl
import pytest

from geo.export.driving import grams_per_vine, kg_by_row, kg_per_100_m, row_lines
from geo.export.folder import write_season
from geo.export.tables import csv_cell, csv_text
from geo.export.workbook import workbook_bytes


@pytest.fixture(scope="module")
def folders(poel, kniee, tmp_path_factory):
    place = tmp_path_factory.mktemp("folders")
    for season in (poel, kniee):
        write_season(season, place / season.block.slug)
    return place


def document(folders, name):
    text = (folders / name / "season.json").read_text(encoding="utf-8")
    return json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))


def test_the_folder_holds_what_the_contract_lists(folders):
    """design.md section 4."""
    names = {p.relative_to(folders / "kniee").as_posix() for p in (folders / "kniee").rglob("*")}
    assert {"surfaces.tif", "zones.gpkg", "zones.geojson", "rates.csv", "season.json"} <= names
    for material in ("gypsum", "potassium_sulfate"):
        assert f"spreader/{material}/TASKDATA/TASKDATA.XML" in names
        assert f"spreader/{material}/readme.txt" in names
        inside = [n.rpartition("/")[2] for n in names if n.startswith(f"spreader/{material}/")]
        sets = {n.partition(".")[0] for n in inside if n.endswith(".shp")}
        assert len(sets) == 1
        stem = sets.pop()
        assert len(stem) <= 8
        assert {f"{stem}{s}" for s in (".shp", ".shx", ".dbf", ".prj", ".cpg")} <= set(inside)


def test_same_season_same_bytes(folders, kniee, tmp_path):
    write_season(kniee, tmp_path / "again")
    for path in sorted((tmp_path / "again").rglob("*")):
        if path.is_file():
            first = folders / "kniee" / path.relative_to(tmp_path / "again")
            assert path.read_bytes() == first.read_bytes(), path.name


def test_season_json_states_its_schema_and_holds_no_grid(folders, poel):
    found = document(folders, "poel")
    assert found["schema"] == 1
    assert found["block"]["name"] == "Poel"
    for name in ("settings", "samples", "findings", "ratings", "surfaces", "requirements", "zones",
                 "rates", "uniform", "held", "totals_kg", "cautions", "versions"):  # fmt: skip
        assert name in found
    assert {one["verdict"] for one in found["surfaces"].values()} <= {"useful", "weak", "none"}
    assert len(json.dumps(found)) < 2_000_000
    assert found["totals_kg"] == pytest.approx(dict(poel.prescription.totals_kg))


def test_season_json_says_what_the_shapefiles_are(folders):
    (report,) = document(folders, "poel")["spreader"]["dolomitic_lime"]
    assert report["polygons"] <= 100
    assert report["kilobytes"] <= 250
    assert report["joined_parts"] == 0


def test_rates_csv_adds_up_to_the_totals(folders, kniee):
    text = (folders / "kniee" / "rates.csv").read_bytes().decode("utf-8")
    assert text.count("\r\n") == text.count("\n")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert {row["block"] for row in rows} == {"Knieë"}
    for material, total in kniee.prescription.totals_kg.items():
        kg = [
            float(row["rate_kg_ha"]) * float(row["hectares"])
            for row in rows
            if row["status"] == "rate" and row["material"] == material
        ]
        assert sum(kg) == pytest.approx(total, rel=5e-3)
    said = {row["status"] for row in rows}
    assert {"uniform alternative", "all zones"} <= said
    assert not said & {"to buy", "spend 1"}  # those stand in buy.csv


def test_what_to_buy_is_a_table_of_its_own_that_adds_up(folders, kniee):
    """Totals are sums: needed is rate times area, and the last `so_far` is all that it costs."""
    with (folders / "kniee" / "buy.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["first"] for row in rows] == ["1", "2"]
    needed = {row["material"]: float(row["needed_kg"]) for row in rows}
    assert needed == pytest.approx(dict(kniee.prescription.totals_kg), abs=0.1)
    assert all(float(row["buy_kg"]) >= float(row["needed_kg"]) - 0.1 for row in rows)
    assert float(rows[-1]["so_far"]) == pytest.approx(
        sum(float(row["cost"]) for row in rows), abs=0.05
    )


def test_product_cost_is_price_times_kilograms(folders, poel):
    """Price of dolomitic lime in the demo's price list: 1010 a tonne."""
    text = (folders / "poel" / "rates.csv").read_bytes().decode("utf-8")
    rows = [r for r in csv.DictReader(io.StringIO(text)) if r["status"] == "rate"]
    costs = sum(float(row["product_cost"]) for row in rows)
    assert costs == pytest.approx(poel.prescription.totals_kg["dolomitic_lime"] * 1.01, rel=1e-3)


# OWASP ASVS 1.2.10, CWE-1236: what spreadsheets run, and full-width forms of it.
@pytest.mark.parametrize("name", ["=2+3", "+1", "-1+2", "@SUM(1)", "\t=1", "\r=1", "＝1", "  =1"])
def test_no_cell_of_a_csv_runs(name):
    (row,) = list(csv.DictReader(io.StringIO(csv_text(["block"], [{"block": name}]), newline="")))
    assert row["block"] == "'" + name


def test_numbers_stay_numbers():
    assert csv_cell(-5.2) == -5.2


def test_no_cell_of_a_workbook_is_a_formula():
    names = ["=2+3", "=cmd|' /C calc'!A0", "@x", "plain", "bell\x07"]
    made = workbook_bytes({"rates": (["block", "rate"], [[name, 1.5] for name in names])})
    sheet = openpyxl.load_workbook(io.BytesIO(made))["rates"]
    cells = [row[0] for row in sheet.iter_rows(min_row=2)]
    assert [cell.data_type for cell in cells] == ["s"] * len(names)
    assert [cell.value for cell in cells] == [*names[:4], "bell"]
    assert sheet["B2"].value == 1.5


def test_the_workbook_holds_rates_and_ratings(folders, poel):
    book = openpyxl.load_workbook(folders / "poel" / "rates.xlsx", read_only=True)
    assert book.sheetnames == ["rates", "buy", "ratings", "sources"]
    rows = list(book["ratings"].iter_rows(values_only=True))
    assert len(rows) == 1 + len(poel.ratings.block) + len(poel.ratings.soil)
    kinds = [cell.data_type for row in book["rates"].iter_rows() for cell in row]
    assert "f" not in kinds
    book.close()


def test_every_source_named_in_the_workbook_is_spelled_out_in_it(folders):
    book = openpyxl.load_workbook(folders / "poel" / "rates.xlsx", read_only=True)
    table = {name: list(book[name].iter_rows(values_only=True)) for name in book.sheetnames}
    book.close()
    titles = dict(table["sources"][1:])
    rates, ratings = (table[name][0].index(word) for name, word in
                      (("rates", "sources"), ("ratings", "source")))  # fmt: skip
    named = {key for row in table["rates"][1:] for key in (row[rates] or "").split()}
    named |= {key for row in table["ratings"][1:] for key in (row[ratings] or "").split("+")}
    assert named - {""} == titles.keys()
    assert all(titles.values())


def test_a_sheet_reads_well_on_screen_and_in_print(folders):
    """Head fixed and repeated in print, no figure cut off, long texts wrapped, one page wide."""
    book = openpyxl.load_workbook(folders / "poel" / "rates.xlsx")
    for sheet in book:
        assert sheet.freeze_panes == "A2"
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
        for column in sheet.iter_cols():
            width = sheet.column_dimensions[column[0].column_letter].width
            assert all(
                len(str(cell.value)) < width or cell.alignment.wrap_text
                for cell in column[1:]
                if isinstance(cell.value, str)
            )
    rate = book["rates"]["F2"]
    assert (rate.value, rate.number_format) == (rate.value, "#,##0")
    assert {row[12].value for row in book["rates"].iter_rows(min_row=2, max_row=4)} == {"ZAR"}


def test_kilograms_of_the_rows_are_the_kilograms_of_the_zone(poel):
    """Rows share the area between them: their sum is the zone's product but for its edges."""
    site = poel.block.site
    rates = {r.zone_id: r for r in poel.prescription.rates if r.amendment == "lime"}
    zones = next(z for z in poel.zone_maps if z.amendment == "lime").zones
    for zone in zones:
        rate = rates[zone.zone_id].rate_kg_ha
        shares = kg_by_row(
            zone.outline, poel.block.outline, rate, site.row_azimuth_deg, site.row_spacing_m
        )
        planar_ha = zone.outline.area / 1e4
        assert sum(s.kg for s in shares) == pytest.approx(rate * planar_ha, rel=0.01, abs=1)


def test_rows_are_counted_as_zones_count_them(poel):
    """Row numbers on the map and those in the zone's own list must be the same rows."""
    site = poel.block.site
    lines = dict(row_lines(poel.block.outline, site.row_azimuth_deg, site.row_spacing_m))
    for zone_map in poel.zone_maps:
        for zone in zone_map.zones:
            listed = {n for a, b in zone.rows for n in range(a, b + 1)}
            met = {n for n, line in lines.items() if line.intersection(zone.outline).length > 1.0}
            assert listed == met


def test_figures_for_the_driver_by_hand():
    # 2 t/ha over 4.8 m by 100 m = 0.048 ha; one vine on 2.4 m x 1.2 m = 2.88 m2
    assert kg_per_100_m(2000, 4.8) == pytest.approx(96)
    assert grams_per_vine(2000, 2.4, 1.2) == pytest.approx(576)
    assert math.isclose(grams_per_vine(2000, 2.4, 1.2) * 1e4 / 2.88 / 1000, 2000)
