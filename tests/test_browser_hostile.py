"""Names that a careless page would run, expand, cut or turn round, on every page and file.

The names of farm, block, samples and product are hostile; two seasons are run and compared and a
third is planned. The report on paper is read back in test_report.py.
"""

import json

import pytest

pytest.importorskip("playwright")

from shapely import box

from geo.blocks import Outline
from geo.farm import create_farm
from maps.cli import main
from maps.screenshots import serving

pytestmark = pytest.mark.browser

FARM = "</title><b>Farm {{7*191}}</b> ${alert(3)}"
BLOCK = (
    "<img src=x onerror=alert(1)>{{7*191}}${alert(2)}`'\"&amp;</script>"
    "\u202e\u05db\u05e8\u05dd\u202c" + "Achterstelanggerektehoek" * 4
)
IDS = ("<b>1</b>", "{{7*191}}", "${1}", "</script>", "\"'&amp;", "\u05db\u05e8\u05dd-6")
WEST, SOUTH = 19.0, -33.5
SETTINGS = f"""
[farm]
name = {json.dumps(FARM)}
currency = "ZAR"
"""


def lab_file(path, year):
    """Acid in the west, so that lime is spread in zones; a hostile id for every second sample."""
    lines = ["Sample,Lat,Lon,pH (H2O),Clay %,OC %,K NH4OAc mg/kg"]
    for i in range(20):
        name = IDS[i // 2] if i % 2 and i // 2 < len(IDS) else f"S-{i}"
        lon, lat = WEST + 0.00025 + 0.0005 * (i % 5), SOUTH + 0.0003 + 0.0005 * (i // 5)
        ph = 4.9 + 0.4 * (i % 5) + 0.05 * (i % 3) + 0.1 * (year - 2024)
        quoted = '"' + name.replace('"', '""') + '"'
        place, soil = f"{lat:.6f},{lon:.6f}", f"{ph:.2f},{18 + i % 4},{1.1 + 0.1 * (i % 3):.1f}"
        lines.append(f"{quoted},{place},{soil},{90 + 5 * (i % 3)}")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hostile")
    farm = folder / "farm"
    shape = box(WEST, SOUTH, WEST + 0.0025, SOUTH + 0.002)
    create_farm(farm, [Outline(BLOCK, shape, "x.kml", 1, "WGS84")], SETTINGS)
    for year in (2024, 2025):
        lab = lab_file(folder / f"lab {year} {{{{x}}}}.csv", year)
        assert main(["add", str(farm), str(lab), "--season", str(year)]) == 0
        assert main(["run", str(farm), "--season", str(year)]) == 0
    assert main(["plan", str(farm), "--season", "2026", "--spots", "8"]) == 0
    assert main(["compare", str(farm), "2024", "2025"]) == 0
    return farm


@pytest.fixture(scope="module")
def slug(farm):
    (made,) = (p.name for p in (farm / "seasons" / "2024").iterdir() if p.is_dir())
    return made


@pytest.fixture(scope="module")
def address(farm):
    with serving(farm) as base:
        yield base


PAGES = (
    "/", "/lab", "/2024/lab", "/2024/SLUG/soil", "/2024/SLUG/zones", "/2024/SLUG/zones?spread=lime",
    "/2024/SLUG/spread", "/2024/SLUG/leaf", "/2024/buy", "/words", "/settings",
    "/2024-2025/SLUG/change", "/2026/SLUG/spots", "/2026/SLUG/walk",
)  # fmt: skip
#: Pages that speak of sources or of the season as a whole.
WITHOUT_BLOCK = ("/words", "/lab", "/2024/lab", "/2026/SLUG/walk")


def inert(page, width):
    """Nothing of a name became an element, a sum, a script or a wider window."""
    text = page.evaluate("() => document.body.textContent + document.title")
    assert "1337" not in text, "7 * 191 was worked out"
    assert page.locator("img[src=x]").count() == 0
    assert page.locator("b:text-is('Farm {{7*191}}')").count() == 0
    wide = page.evaluate("() => document.documentElement.scrollWidth")
    assert wide <= width, "a page never scrolls sideways"
    return text


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", PAGES)
def test_every_page_shows_the_names_letter_for_letter(new_tab, address, ready, slug, path, width):
    page = ready(new_tab(address, width), path.replace("SLUG", slug))
    text = inert(page, width)
    assert FARM in text
    if path not in WITHOUT_BLOCK:
        inside = page.locator("main, aside, .head, .body").all_text_contents()
        fields = page.locator("main textarea").evaluate_all("all => all.map((t) => t.value)")
        assert any(
            BLOCK in one or json.dumps(BLOCK, ensure_ascii=False)[1:-1] in one
            for one in inside + fields
        )
    trouble = page.trouble
    page.context.close()
    assert trouble == []


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize(
    "path",
    ["seasons/2024/SLUG/map.html", "seasons/2024/SLUG/field.html", "changes/2024-2025/map.html",
     "plans/2026/field.html"],
)  # fmt: skip
def test_every_file_shows_the_names_letter_for_letter(new_tab, farm, slug, path, width):
    uri = (farm / path.replace("SLUG", slug)).as_uri()
    page = new_tab(uri, width)
    page.goto(uri)
    text = inert(page, width)
    assert BLOCK in text
    trouble = page.trouble
    page.context.close()
    assert trouble == []


def test_samples_keep_their_names_on_the_map_and_in_the_charts(new_tab, address, ready, slug):
    page = ready(new_tab(address), f"/2024/{slug}/soil?show=ph_water")
    seen = set()
    for dot in page.locator("path.leaflet-interactive[fill='#fff']").all():
        dot.dispatch_event("click")
        page.wait_for_function(
            "seen => { const h = document.querySelector('.spot h2');"
            " return h && h.textContent !== seen }",
            arg=page.locator(".spot h2").text_content() if seen else "",
        )
        seen.add(page.locator(".spot h2").text_content().removeprefix("Sample "))
    assert set(IDS) <= seen
    inert(page, 1280)
    trouble = page.trouble
    page.context.close()
    assert trouble == []
