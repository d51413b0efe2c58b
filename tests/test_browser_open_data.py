"""The whole story in a real Chromium on somebody else's soil: from no farm to a shapefile.

Thirty-five profiles of the survey of western Oxfordshire (Burrough 1967, as carried by the R
package gstat 2.1-0: data/gpl/NOTICE.md), five by seven on its grid of 100 m, where acid sand meets
limestone. Its metres are the survey's own: here they are laid into UTM zone 30 north, which leaves
every distance as it is, and written in degrees. The package's help page names neither the liquid
of the pH nor the extractants; the pH is taken as in water, the nutrients stay without a method and
so without a rate. What is spread rests on pH and clay. The grower has mixed up latitude and
longitude; the page asks.
"""

import csv
import json
import zipfile
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

pytest.importorskip("playwright")

import shapefile
from playwright.sync_api import expect

from maps.screenshots import serving

pytestmark = pytest.mark.browser

OXFORD = Path(__file__).parent / "data" / "gpl" / "oxford.csv"
CRS = "EPSG:32630"
CORNER_M = np.array([600_000.0, 5_740_000.0])
#: Heading -> what it is on the page, and its unit; other columns are not used.
SAID = {
    "PH1": ("pH (water)", ""),
    "PCLAY1": ("clay", "%"),
    "OM1": ("organic matter", "%"),
    "POT1": ("potassium", "mg/kg"),
}


def profiles():
    """Rows of the acid south of the survey."""
    with OXFORD.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [r for r in rows if 200 <= int(r["XCOORD"]) <= 600 and int(r["YCOORD"]) <= 700]


def lonlat(xy):
    return np.column_stack(Transformer.from_crs(CRS, 4326, always_xy=True).transform(*xy.T))


def places(rows):
    return CORNER_M + [(float(r["XCOORD"]), float(r["YCOORD"])) for r in rows]


@pytest.fixture(scope="module")
def field():
    """The rectangle around the places, half a step of the grid wider. [m]"""
    return shapely.box(*shapely.MultiPoint(places(profiles())).buffer(50, quad_segs=1).bounds)


@pytest.fixture(scope="module")
def files(tmp_path_factory, field):
    """An outline file and a laboratory's table, as a grower has them."""
    folder = tmp_path_factory.mktemp("oxford")
    ring = lonlat(np.array(field.exterior.coords)).tolist()
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"name": "Burford"}, "geometry": shape}
    outline = {"type": "FeatureCollection", "features": [feature]}
    (folder / "burford.geojson").write_text(json.dumps(outline), "utf-8")
    rows = profiles()
    with (folder / "profiles.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["sample", "lat", "lon", *SAID])
        for row, (lon, lat) in zip(rows, lonlat(places(rows)), strict=True):
            mixed_up = f"{lon:.7f}", f"{lat:.7f}"
            table.writerow([row["PROFILE"], *mixed_up, *(row[heading] for heading in SAID)])
    return folder


@pytest.fixture(scope="module")
def story(files, new_tab, ready, tmp_path_factory):
    """The clicks of the story; the farm, the zip they end with, and what the pages said."""
    folder = tmp_path_factory.mktemp("farm") / "oxford"
    said = {}
    with serving(folder) as base:
        page = ready(new_tab(base), "/")
        drop(page, sorted(files.iterdir()))
        said["asked"] = answer(page)
        said["rows"] = page.get_by_role("group", name="First rows of profiles.csv").inner_text()
        page.get_by_role("button", name="Store both files").click()
        page.get_by_role("button", name="Make the maps of 1967").click()
        page.get_by_role("link", name="Zones and rates", exact=True).click()
        page.wait_for_selector("html[data-ready]", state="attached")
        said["zones"] = page.locator(".say").inner_text()
        ready(page, "/1967/burford/soil?show=ph_water")
        said["soil"] = page.locator(".say").inner_text()
        said["picture"] = page.locator("img.leaflet-image-layer").evaluate("i => i.naturalWidth")
        ready(page, "/1967/burford/spread")
        with page.expect_download() as waiting:
            page.get_by_role("link", name="Everything as one zip").click()
        waiting.value.save_as(folder.with_suffix(".zip"))
        said["trouble"] = page.trouble
        page.context.close()
    return folder, folder.with_suffix(".zip"), said


def drop(page, paths):
    """Files let fall on the page, as a hand does it."""
    contents = {path.name: path.read_text("utf-8") for path in paths}
    page.evaluate(
        """(contents) => {
          const dataTransfer = new DataTransfer();
          for (const [name, text] of Object.entries(contents))
            dataTransfer.items.add(new File([text], name));
          for (const kind of ["dragenter", "dragover", "drop"])
            document.body.dispatchEvent(new DragEvent(kind, { dataTransfer, bubbles: true }));
        }""",
        contents,
    )
    page.wait_for_url("**/lab")


def answer(page):
    """The year and the columns said, every question answered with its first choice; questions."""
    page.locator("#season").fill("1967")
    page.get_by_role("button", name="the year").click()
    for heading, (name, unit) in SAID.items():
        page.locator(f"summary[aria-label='Change how {heading} is read']").click()
        form = page.locator("details[open] form").filter(has=page.locator("select[name=key]"))
        form.locator("select").select_option(label=name)
        form.locator("[name=unit]").fill(unit)
        form.get_by_role("button", name="Read it so").click()
        expect(page.get_by_role("row", name=heading)).to_contain_text(name)
    asked = []
    waiting = page.locator(".asking:not(:has([aria-pressed=true]))")
    while waiting.count():
        asked.append(waiting.first.inner_text())
        name = waiting.first.get_attribute("id")
        waiting.first.get_by_role("button").first.click()
        expect(page.locator(f"[id='{name}']:not(:has([aria-pressed=true]))")).to_have_count(0)
    return asked


def test_no_page_asked_outside_or_failed(story):
    assert story[2]["trouble"] == []


def test_the_rows_are_shown_as_understood(story):
    first = profiles()[0]
    assert first["PROFILE"] in story[2]["rows"]
    assert first["PH1"] in story[2]["rows"]
    assert first["POT1"] in story[2]["rows"]


def test_the_mixed_up_columns_are_asked_about(story):
    (question,) = story[2]["asked"]
    assert "swap" in question.lower()


def test_the_soil_map_is_seen(story):
    _, _, said = story
    assert "Useful map" in said["soil"]
    assert said["picture"] > 100
    assert "lime" in said["zones"].lower()


def test_every_value_is_stored_as_the_file_has_it(story):
    document = json.loads((story[0] / "seasons/1967/burford/season.json").read_text("utf-8"))
    assert document["samples"]["stations"] == len(profiles()) == 35
    for heading, key in (("PH1", "ph_water"), ("PCLAY1", "clay"), ("OM1", "om"), ("POT1", "k")):
        values = [float(row[heading]) for row in profiles()]
        assert document["surfaces"][key]["n"] == 35
        assert document["surfaces"][key]["mean"] == pytest.approx(np.mean(values), rel=0.06)


@pytest.fixture(scope="module")
def spread(story, tmp_path_factory):
    """Shapes [degrees] and rates [kg/ha] of the shapefile in the zip, as pyshp reads them."""
    folder = tmp_path_factory.mktemp("unpacked")
    zipfile.ZipFile(story[1]).extractall(folder)
    (path,) = folder.rglob("*.shp")
    with shapefile.Reader(str(path)) as reader:
        shapes = [shapely.geometry.shape(s.__geo_interface__) for s in reader.shapes()]
        return shapes, [record["RATE"] for record in reader.records()]


def test_the_shapefile_covers_the_field(spread, field):
    shapes, _ = spread
    geod = Geod(ellps="WGS84")
    covered = sum(abs(geod.geometry_area_perimeter(shape)[0]) for shape in shapes)
    outline = shapely.Polygon(lonlat(np.array(field.exterior.coords)))
    assert covered == pytest.approx(abs(geod.geometry_area_perimeter(outline)[0]), rel=1e-4)


def test_lime_goes_where_the_profiles_are_acid(spread):
    """Law: no lime where pH is 7 and more, some where it is below 5.5, the acid gets the most."""
    shapes, rates = spread
    rows = profiles()
    at = {}
    for row, place in zip(rows, lonlat(places(rows)), strict=True):
        inside = [r for s, r in zip(shapes, rates, strict=True) if s.contains(shapely.Point(place))]
        (at[row["PROFILE"]],) = inside or [None]
    acid = [at[r["PROFILE"]] for r in rows if float(r["PH1"]) < 5.5]
    chalk = [at[r["PROFILE"]] for r in rows if float(r["PH1"]) >= 7.3]
    assert len(acid) > 4
    assert np.mean(acid) > 3 * np.mean(chalk)
    assert min(rates) == 0


def test_metres_are_read_once_their_system_is_said(story, new_tab, ready, tmp_path):
    """The same places in metres of the British National Grid, for another year."""
    to_grid = Transformer.from_crs(CRS, 27700, always_xy=True)
    metres = np.column_stack(to_grid.transform(*places(profiles()).T))
    with (tmp_path / "metres.csv").open("w", encoding="utf-8") as file:
        file.write("sample,x,y,pH (H2O)\n")
        for row, (east, north) in zip(profiles(), metres, strict=True):
            file.write(f"{row['PROFILE']},{east:.1f},{north:.1f},{row['PH1']}\n")
    with serving(story[0]) as base:
        page = ready(new_tab(base), "/")
        drop(page, [tmp_path / "metres.csv"])
        page.locator("#season").fill("1968")
        page.get_by_role("button", name="the year").click()
        page.locator("#crs").fill("27700")
        page.get_by_role("button", name="Read the places so").click()
        expect(page.locator("#crs")).to_have_value("27700")
        expect(page.locator("main")).to_contain_text("35 soil samples and 35 places")
        expect(page.locator("main")).not_to_contain_text("from your blocks")
        page.get_by_role("button", name="Put it away").click()
        trouble = page.trouble
        page.context.close()
    assert trouble == []
