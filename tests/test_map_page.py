"""map.html in a real browser: from disk, with no network, with hostile names, by hand and keys."""

import hashlib
import io
import json
from pathlib import Path

import js_lib_leaflet
import numpy as np
import pytest
from PIL import Image
from shapely import Point, box
from shapely.geometry import mapping

from geo.blocks import read_outlines
from geo.export.layers import to_lonlat
from geo.farm import create_farm, read_blocks, store_reading
from geo.intake.files import read_file
from geo.season import run_season
from maps import colors
from maps.drawing import pictures
from maps.page import leaflet_files, map_page, read_page_data
from maps.pagedata import page_data

#: Names that a careless page would run, expand, cut or turn round; the last one is 160 long.
HOSTILE = "<img src=x onerror=alert(1)>{{7*7}}${1}</script><script>alert(2)</script>"
LONG = "\u202eכרם עליון\u202c " + "Achterste-Langgerekte-Hoek-Bo-Dam" * 4
IDS = ("<b>1</b>", "{{7*7}}", "${1}", "</script>", "\"'&", "כרם-6")
PHONE, DESK = (390, 844), (1280, 800)
#: Light, folded parts, and where map and outline stand.
ON_PAPER = """() => {
  const box = (one) => one.getBoundingClientRect().toJSON();
  return {
    light: document.documentElement.dataset.light,
    folded: document.querySelectorAll("details:not([open])").length,
    map: box(document.querySelector(".folium-map")),
    block: box(document.querySelector(".leaflet-overlay-pane path")),
  };
}"""
#: The strip of properties has not moved for 30 frames.
AT_REST = """() => {
  const left = document.querySelector(".strip").scrollLeft;
  window.still = left === window.wasLeft ? (window.still || 0) + 1 : 0;
  window.wasLeft = left;
  if (window.still < 30) return false;
  window.still = 0;
  return true;
}"""


def outline_file(folder, name, west):
    shape = box(west, -33.5, west + 0.0012, -33.499)
    feature = {"type": "Feature", "properties": {"name": name}, "geometry": mapping(shape)}
    path = folder / f"outline_{int(west * 1e6)}.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), "utf-8")
    return path


def lab_file(folder):
    """Twelve samples with a slope of pH in the first block, one composite in the second."""
    lines = ["Sample,Lat,Lon,pH (H2O),K mg/kg"]
    for i in range(12):
        name = IDS[i] if i < len(IDS) else f"S-{i}"
        lon, lat = 19.0001 + 0.0001 * i, -33.4998 + 0.00018 * (i % 4)
        quoted = '"' + name.replace('"', '""') + '"'
        lines.append(f"{quoted},{lat:.6f},{lon:.6f},{5.1 + 0.1 * i:.1f},{90 + 5 * (i % 3)}")
    lines.append("mixed,-33.4995,19.0106,6.2,140")
    path = folder / "lab.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Pages of two blocks: a hostile name with hostile samples, a long name with one sample."""
    folder = tmp_path_factory.mktemp("hostile")
    files = [outline_file(folder, HOSTILE, 19.0), outline_file(folder, LONG, 19.01)]
    outlines = [one for path in files for one in read_outlines(path)[0]]
    farm = folder / "farm"
    blocks = create_farm(farm, outlines, '[farm]\nname = "</title><b>Farm {{7*7}}"\n')
    reading = read_file(lab_file(folder), season=2024, blocks=read_blocks(farm))
    store_reading(farm, reading, 2024)
    pages = []
    for index, block in enumerate(blocks):
        path = folder / f"{index}.html"
        path.write_text(map_page(page_data(run_season(farm, 2024, block.name))), encoding="utf-8")
        pages.append(path)
    return pages


@pytest.fixture(scope="module")
def pages(tmp_path_factory, poel, kniee, hostile):
    folder = tmp_path_factory.mktemp("pages")
    made = {"hostile": hostile[0], "long": hostile[1]}
    for season in (poel, kniee):
        made[season.block.slug] = folder / f"{season.block.slug}.html"
        made[season.block.slug].write_text(map_page(page_data(season)), encoding="utf-8")
    return made


@pytest.fixture
def opened(chromium, pages):
    """Open a page from disk; any request, console error or script error fails the test."""
    trouble, contexts = [], []

    def open_page(name, size=DESK, scheme="light", at=""):
        context = chromium.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(120_000)
        address = pages[name].as_uri()
        page.on(
            "request",
            lambda r: None if r.url.startswith((address, "data:")) else trouble.append(r.url),
        )
        page.on("console", lambda m: trouble.append(m.text) if m.type != "log" else None)
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("dialog", lambda dialog: (trouble.append(dialog.message), dialog.dismiss()))
        page.goto(address + at)
        page.wait_for_selector("html[data-ready]")
        return page

    open_page.trouble = trouble
    yield open_page
    for context in contexts:
        context.close()
    assert trouble == []


def test_leaflet_is_the_one_that_was_looked_at():
    # SHA-256 of Leaflet 1.9.4 as released by its makers, in the wheel of its PyPI package.
    known = {
        "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
        "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
    }
    folder = Path(js_lib_leaflet.__file__).parent / "static" / "js_lib_leaflet"
    for name, sha256 in known.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == sha256
    assert set(leaflet_files()) == set(known)


def test_the_same_season_gives_the_same_bytes(poel):
    assert map_page(page_data(poel)) == map_page(page_data(poel))


def test_a_page_of_twenty_properties_stays_small(pages):
    """One of fourteen stays under 1 MB by the issue of the app; each takes some 40 kB more."""
    for path in pages.values():
        more = max(0, len(read_page_data(path)["properties"]) - 14)
        assert path.stat().st_size < 1_000_000 + 40_000 * more


def test_a_page_holds_the_pixels_of_the_pictures_on_paper():
    """Lossless in WebP as in PNG: two formats, one decoder, no pixel apart."""
    rng = np.random.default_rng(3)
    values = np.add.outer(np.linspace(0, 1, 60), np.linspace(0, 2, 80)) + rng.normal(0, 0.1)
    values[:20, :10] = np.nan
    ramp = colors.even(colors.AMOUNT, 0.0, 3.0)
    paper, page = (
        np.array(Image.open(io.BytesIO(made)).convert("RGBA"))
        for made in (
            pictures.picture(values, ramp, [1.2]),
            pictures.page_picture(values, ramp, [1.2]),
        )
    )
    seen = paper[..., 3] > 0
    assert (seen == np.isfinite(values)).all()
    assert (paper[seen] == page[seen]).all()
    assert not page[~seen, 3].any()


def test_the_data_come_back_from_the_page(pages):
    assert read_page_data(pages["hostile"])["block"] == HOSTILE


def test_no_sample_name_enters_a_picture(hostile):
    data = read_page_data(hostile[0])
    pictures = [c["svg"] for p in data["properties"] for c in p["charts"]]
    assert pictures
    assert not [name for name in IDS for one in pictures if name in one]
    tables = {row[0] for p in data["properties"] for c in p["charts"] for row in c["table"]}
    assert set(IDS) <= tables


@pytest.mark.browser
@pytest.mark.parametrize("name", ["hostile", "long"])
def test_names_are_shown_letter_for_letter(opened, name):
    page = opened(name)
    assert page.locator("h1").text_content() == {"hostile": HOSTILE, "long": LONG}[name]
    assert "</title><b>Farm {{7*7}}" in page.locator(".farm").text_content()
    assert page.locator("img[src=x]").count() == 0
    # Nothing may be wider than the window, however long the name.
    for size in (DESK, PHONE):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        assert page.evaluate("() => document.documentElement.scrollWidth") <= size[0]


@pytest.mark.browser
def test_names_of_samples_are_shown_letter_for_letter(opened):
    page = opened("hostile")
    page.locator("details.figures > summary").click()
    scatter = page.locator(".figure", has_text="Does the map hold?")
    scatter.locator("details summary").click()
    shown = scatter.locator("tbody td:first-child").all_text_contents()
    assert set(IDS) <= set(shown)


@pytest.mark.browser
def test_a_click_on_the_map_reads_all_values_there(opened, poel):
    page = opened("poel")
    page.locator(".folium-map").click(position={"x": 300, "y": 300})
    rows = page.locator(".spot tbody tr")
    assert rows.count() == len(poel.surfaces)
    ph = float(rows.first.locator("b").text_content())
    estimate = poel.surfaces["ph_water"].estimate
    low, high = estimate[~(estimate != estimate)].min(), estimate[~(estimate != estimate)].max()
    assert low - 0.05 <= ph <= high + 0.05


@pytest.mark.browser
def test_a_place_is_read_as_the_surface_has_it(opened, poel):
    """The page holds every fifth metre; between them it is as good as the surface's own cells."""
    page = opened("poel")
    surface = poel.surfaces["ph_water"]
    inside = np.argwhere(np.isfinite(surface.estimate))[::97]
    centres = surface.grid.centres().reshape(*surface.grid.shape, 2)[tuple(inside.T)]
    for (row, column), xy in zip(inside, centres, strict=True):
        point = to_lonlat(Point(xy), surface.grid.crs)
        if not poel.block.lonlat.contains(point):
            continue  # the middle of a cell on the edge
        page.evaluate("([lat, lng]) => page.spot({lat, lng}, null)", [point.y, point.x])
        read = page.locator(".spot tbody tr").first.locator("b").text_content()
        # Half of the last figure shown, and as much for what lies between two places.
        assert float(read) == pytest.approx(surface.estimate[row, column], abs=0.1)


@pytest.mark.browser
def test_a_click_on_a_sample_gives_what_the_laboratory_wrote(opened, poel):
    page = opened("poel")
    page.locator("path.leaflet-interactive[fill='#fff']").first.dispatch_event("click")
    title = page.locator(".spot h2").text_content()
    sample = title.removeprefix("Sample ")
    cell = poel.checked.samples.cells[(sample, "ph_water")]
    assert cell.text in page.locator(".spot tbody tr").first.text_content()


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("name", ["poel", "kniee", "long"])
def test_axe_finds_nothing(opened, name, size, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = opened(name, size, scheme)
    for summary in page.locator("details.figures > summary").all():
        summary.click()
    found = [
        (v["id"], [n["html"][:80] for n in v["nodes"]])
        for v in Axe().run(page).response["violations"]
    ]
    assert found == []
    zones = page.locator("[data-key^='zones/']")
    if zones.count():
        zones.first.click()
        assert Axe().run(page).response["violations"] == []


@pytest.mark.browser
def test_every_control_is_reached_by_the_keyboard(opened):
    page = opened("poel")
    reached = set()
    for _ in range(120):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("() => document.activeElement.textContent.trim()"))
    # One of the lenses is a stop of the tab key, the arrows choose the others.
    wanted = page.locator(
        "button:visible:not([tabindex='-1']), summary:visible"
    ).all_text_contents()
    assert [one for one in wanted if one.strip() not in reached] == []


@pytest.mark.browser
def test_arrows_choose_what_the_map_shows(opened):
    page = opened("poel")
    lenses = page.locator(".lenses button")
    lenses.first.focus()
    page.keyboard.press("ArrowRight")
    assert lenses.nth(1).get_attribute("aria-checked") == "true"
    assert page.evaluate("() => location.hash") == "#soil/ph_water/chance"
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    assert lenses.last.get_attribute("aria-checked") == "true"


@pytest.mark.browser
def test_the_cross_hair_speaks_the_values_under_it(opened, poel):
    page = opened("poel")
    page.locator(".folium-map").focus()
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Enter")
    assert page.locator(".spot tbody tr").count() == len(poel.surfaces)


@pytest.mark.browser
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_legend_lies_beside_the_block(opened, size):
    page = opened("poel", size)
    apart = page.evaluate(
        """() => document.querySelector(".furniture").getBoundingClientRect().top
        - document.querySelector("path[stroke-width='2']").getBoundingClientRect().bottom"""
    )
    assert apart >= 0


@pytest.mark.browser
def test_an_address_opens_what_it_names(opened):
    for at, words in (
        ("#zones/lime", "Lime"),
        ("#held/zinc", "Zinc"),
        ("#soil/k/sure", "Potassium"),
    ):
        page = opened("poel", at=at)
        assert words in page.locator(".say").text_content()


@pytest.mark.browser
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_strip_shows_that_it_goes_on_and_goes_there(opened, size):
    page = opened("poel", size)
    before, after = page.locator(".slide.before"), page.locator(".slide.after")
    assert after.is_visible()
    assert not before.is_visible()
    for _ in range(20):
        if not after.is_visible():
            break
        after.click()
        page.wait_for_function(AT_REST)
    assert not after.is_visible()
    last = page.locator(".strip button").last.bounding_box()
    assert last["x"] + last["width"] <= size[0]
    before.click()
    page.wait_for_function("() => !document.querySelector('.slide.after').hidden")


@pytest.mark.browser
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_what_is_chosen_in_the_strip_stands_clear_of_the_arrows(opened, size):
    page = opened("poel", size, at="#zones/lime")
    page.wait_for_function(AT_REST)
    chosen = page.locator(".strip [aria-pressed=true]").bounding_box()
    for arrow in page.locator(".slide:visible").all():
        box = arrow.bounding_box()
        apart = chosen["x"] + chosen["width"] <= box["x"] or box["x"] + box["width"] <= chosen["x"]
        assert apart


@pytest.mark.browser
def test_on_paper_the_whole_block_lies_on_white_and_nothing_is_folded(opened):
    """A4 less 19 mm on each side is 650 px of 96 an inch; afterwards all is as it was."""
    page = opened("poel", size=DESK, scheme="dark")
    before = page.evaluate(ON_PAPER)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    printed = page.evaluate(ON_PAPER)
    assert before["light"] == "auto"
    assert before["folded"] > 0
    assert printed["light"] == "day"
    assert printed["folded"] == 0
    assert printed["map"]["width"] <= 680
    for side, sign in (("left", 1), ("top", 1), ("right", -1), ("bottom", -1)):
        assert sign * (printed["block"][side] - printed["map"][side]) >= 0
    assert printed["block"]["height"] > 0.6 * printed["map"]["height"]
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    after = page.evaluate(ON_PAPER)
    assert (after["light"], after["folded"]) == (before["light"], before["folded"])
    assert after["map"] == before["map"]
