"""One rate, one area, one amount: the same in every file of a run, as far as each rounds it.

Amounts are worked out anew from what a spreader reads: RATE times the area of its polygons on the
WGS84 ellipsoid (pyproj's Geod). A law: a total is the sum of rate times area.
"""

import csv
import html
import json
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from collections import defaultdict

import openpyxl
import pytest
import shapefile
from pyproj import Geod
from shapely.geometry import shape

from geo.export.folder import write_season
from maps.page import read_page_data, write_map
from maps.paper.field import write_field
from maps.report import write_report

WGS84 = Geod(ellps="WGS84")
poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not installed")


@pytest.fixture(scope="module")
def folders(poel, kniee, tmp_path_factory):
    place = tmp_path_factory.mktemp("same")
    for season in (poel, kniee):
        folder = place / season.block.slug
        write_season(season, folder)
        for write in (write_map, write_field, write_report):
            write(season, folder)
    return place


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def hectares(outline):
    return abs(WGS84.geometry_area_perimeter(shape(outline))[0]) / 10_000


def of_the_spreader(folder):
    """Hectares by material and rate [kg/ha], measured on the polygons of the shapefiles."""
    found = defaultdict(lambda: defaultdict(float))
    for path in sorted(folder.glob("spreader/*/*.shp")):
        with shapefile.Reader(path) as reader:
            for one in reader.iterShapeRecords():
                found[path.parent.name][one.record["RATE"]] += hectares(one.shape.__geo_interface__)
    return found


def of_the_table(folder):
    """Rows of rates.csv that are a zone, by material and rate."""
    return {
        (row["material"], float(row["rate_kg_ha"])): row
        for row in rows_of(folder / "rates.csv")
        if row["status"] == "rate"
    }


NAMES = pytest.mark.parametrize("name", ["poel", "kniee"])


@NAMES
def test_the_spreader_puts_out_what_the_table_says(folders, name):
    """Within the 2 m2 that the corners' seven decimals of a degree may move on such borders."""
    table = of_the_table(folders / name)
    measured = of_the_spreader(folders / name)
    assert {(m, rate) for m, by_rate in measured.items() for rate in by_rate} == table.keys()
    for (material, rate), row in table.items():
        area = measured[material][rate]
        assert area == pytest.approx(float(row["hectares"]), rel=1e-3, abs=2e-4)
        assert rate * area == pytest.approx(float(row["product_kg"]), rel=1e-3, abs=1.0)


@NAMES
def test_the_task_file_carries_the_rates_of_the_shapefile(folders, name):
    """ISO 11783-10: B of a PDV is its value in mg/m2 (DDI 6), a hundredth of a kg/ha."""
    for material, by_rate in of_the_spreader(folders / name).items():
        path = folders / name / "spreader" / material / "TASKDATA" / "TASKDATA.XML"
        task = ET.parse(path).getroot()
        wanted = {round(rate * 100) for rate in by_rate} | {0}
        assert {int(one.get("B")) for one in task.iter("PDV")} == wanted


@NAMES
def test_the_readme_says_the_same(folders, name):
    table = of_the_table(folders / name)
    for path in sorted((folders / name).glob("spreader/*/readme.txt")):
        text = path.read_text(encoding="ascii")
        mine = {
            rate: row for (material, rate), row in table.items() if material == path.parent.name
        }
        said = re.findall(r"Zone (\d+): ([\d.]+) kg/ha, ([\d.]+) ha, (\d+) kg;", text)
        assert len(said) == len(mine)
        for zone, rate, area, kg in said:
            row = mine[float(rate)]
            assert zone == row["zone"]
            assert float(area) == pytest.approx(float(row["hectares"]), abs=0.0051)
            assert float(kg) == pytest.approx(float(row["product_kg"]), abs=0.51)
        (total,) = re.findall(r"product (\d+) kg", text)
        assert float(total) == pytest.approx(
            sum(float(row["product_kg"]) for row in mine.values()), abs=0.6
        )


@NAMES
def test_what_to_buy_is_the_sum_of_the_zones_and_costs_the_same(folders, name):
    rates = rows_of(folders / name / "rates.csv")
    in_all = {row["material"]: row for row in rates if row["status"] == "all zones"}
    bought = {row["material"]: row for row in rows_of(folders / name / "buy.csv")}
    assert bought.keys() == {m for m, row in in_all.items() if float(row["product_kg"]) > 0}
    for material, row in bought.items():
        zones = [r for r in rates if r["status"] == "rate" and r["material"] == material]
        assert float(row["needed_kg"]) == pytest.approx(
            sum(float(r["product_kg"]) for r in zones), abs=0.2
        )
        assert row["cost"] == in_all[material]["cost"]
        assert row["currency"] == in_all[material]["currency"] == "ZAR"


@NAMES
def test_the_workbook_is_the_tables(folders, name):
    book = openpyxl.load_workbook(folders / name / "rates.xlsx", read_only=True)
    for sheet, file in (("rates", "rates.csv"), ("buy", "buy.csv")):
        head, *rows = book[sheet].iter_rows(values_only=True)
        written = rows_of(folders / name / file)
        assert len(rows) == len(written)
        for row, other in zip(rows, written, strict=True):
            for key, value in zip(head, row, strict=True):
                same = "" if value is None else value
                assert str(same) == other[key] or float(same) == float(other[key]), key
    book.close()


@NAMES
def test_zones_on_a_map_and_season_json_say_the_same(folders, name):
    table = of_the_table(folders / name)
    collection = json.loads((folders / name / "zones.geojson").read_text(encoding="utf-8"))
    found = json.loads((folders / name / "season.json").read_text(encoding="utf-8"))
    seen = set()
    for one in collection["features"]:
        said = one["properties"]
        row = table.get((said["layer"], said.get("rate_kg_ha")))
        if row is None:
            continue
        seen.add((said["layer"], said["rate_kg_ha"]))
        assert str(said["zone"]) == row["zone"]
        assert said["hectares"] == float(row["hectares"])
        assert said["total_kg"] == float(row["product_kg"])
        assert hectares(one["geometry"]) == pytest.approx(said["hectares"], rel=1e-3, abs=2e-4)
    assert seen == table.keys()
    for rate in found["rates"]:
        row = table[rate["material"], rate["rate_kg_ha"]]
        assert round(rate["area_ha"], 4) == float(row["hectares"])


@NAMES
def test_the_page_the_phone_and_the_paper_show_the_rates_of_the_table(folders, name):
    """Rates as they are said: t/ha from a tonne up, in full; hectares to 0.01."""
    table = of_the_table(folders / name)
    page = read_page_data(folders / name / "map.html")
    phone = html.unescape((folders / name / "field.html").read_text(encoding="utf-8"))
    for material in page["materials"]:
        for zone in material["zones"]:
            (row,) = [
                r
                for r in table.values()
                if (r["amendment"], r["zone"]) == (material["amendment"], str(zone["id"]))
            ]
            rate = float(row["rate_kg_ha"])
            words = f"{rate / 1000:g} t/ha" if rate >= 1000 else f"{rate:g} kg/ha"
            assert zone["rate"] == (words if rate else "none")
            assert zone["ha"] == f"{float(row['hectares']):.2f}"
            assert zone["kg"] == pytest.approx(float(row["product_kg"]), abs=0.06)
            assert f"<strong>{zone['rate']}</strong>" in phone


@poppler
@NAMES
def test_the_report_shows_the_rates_areas_and_sums_of_the_tables(folders, name):
    path = folders / name / "report.pdf"
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True,
                          check=True)  # fmt: skip
    pages = [" ".join(page.split()) for page in done.stdout.split("\f")]
    rates = rows_of(folders / name / "rates.csv")
    bought = rows_of(folders / name / "buy.csv")
    for number, row in enumerate(sorted(bought, key=lambda r: order_of(rates, r["material"]))):
        sheet = pages[number]
        for zone in rates:
            if zone["status"] == "rate" and zone["material"] == row["material"]:
                rate = float(zone["rate_kg_ha"])
                words = f"{rate / 1000:g} t/ha" if rate >= 1000 else f"{rate:g} kg/ha"
                line = f"{float(zone['hectares']):.2f} {words if rate else 'none'}"
                assert line in sheet
        money = f"{5 * round(float(row['cost']) / 5):,}".replace(",", " ")
        assert f"in all, before tax R {money}" in sheet  # narrow spaces were made plain above


def order_of(rates, material):
    return [row["material"] for row in rates].index(material)


@NAMES
def test_kilograms_of_the_rows_on_the_phone_come_to_the_zone(folders, name):
    """Rows share the area between them; headlands and edges take up to 4 parts in 100."""
    phone = (folders / name / "field.html").read_text(encoding="utf-8")
    table = of_the_table(folders / name)
    views = phone.split('role="tabpanel"')[1:]
    for view in views:
        amendment = re.search(r'id="view-([a-z]+)"', view).group(1)
        cells = re.findall(
            r"<tr><td>\d+</td><td>(\d+)</td><td>[\d.]+</td><td><strong>([\d.]+)</strong>", view
        )
        sums = defaultdict(float)
        for zone, kg in cells:
            sums[zone] += float(kg)
        for row in table.values():
            if row["amendment"] == amendment and float(row["product_kg"]) > 0:
                assert sums[row["zone"]] == pytest.approx(float(row["product_kg"]), rel=0.04)
