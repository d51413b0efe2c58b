"""The change page in a real Chromium: the seam by keyboard and by hand, lenses, rules of access."""

import shutil

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import expect

from geo.farm import read_blocks
from maps.cli import main
from maps.screenshots import serving
from maps.serving.units_of_work import run_unit, units_of

pytestmark = pytest.mark.browser
PATH = "/2024-2025/werfie/change?show=ph_water"


@pytest.fixture(scope="module")
def address(demo_farm, tmp_path_factory):
    """The smallest block of the demo farm, mapped in both years and compared."""
    folder = tmp_path_factory.mktemp("change") / "ombervale"
    shutil.copytree(demo_farm, folder, ignore=shutil.ignore_patterns("changes", "seasons"))
    for year in (2024, 2025):
        for unit in units_of(folder, year, "Werfie", None):
            assert run_unit(unit, False).state == "done"
    assert main(["compare", str(folder), "2024", "2025"]) == 0
    with serving(folder) as base:
        yield base


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", [PATH, PATH + "&lens=change", PATH + "&lens=doubt",
                                  "/2024-2025/poel/change?show=b"])  # fmt: skip
def test_the_page_breaks_no_rule_of_access(address, path, width, in_order):
    """axe-core, rules of WCAG 2.0 to 2.2, A and AA."""
    in_order(address, path, width)


@pytest.mark.parametrize("unit_m", [1.0, 0.3048])
@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("lens", ["both", "change", "doubt"])
def test_the_scale_is_that_of_the_map(new_tab, address, demo_farm, ready, lens, width, unit_m):
    """The outline's own width in metres, as it is shown; a foot is 0.3048 m by definition."""
    page = new_tab(address, width)
    if unit_m != 1.0:
        page.route("**/change?*", in_feet)
    ready(page, f"{PATH}&lens={lens}")
    bar = page.locator(".furniture .scale svg")
    expect(bar).to_be_visible()
    length, unit = bar.locator("text").last.text_content().split()
    assert unit == ("m" if unit_m == 1.0 else "ft")
    rects = [one.bounding_box() for one in bar.locator("rect").all()]
    shown = rects[2]["x"] - rects[0]["x"]  # half of the bar
    outline = next(b for b in read_blocks(demo_farm) if b.slug == "werfie").outline
    west, _, east, _ = outline.bounds
    drawn = page.locator(SHAPE[lens]).last.evaluate("(e) => e.getBBox().width * e.getScreenCTM().a")
    assert shown / (float(length) / 2 * unit_m) == pytest.approx(drawn / (east - west), rel=0.02)
    page.context.close()
    assert page.trouble == []


#: The outline on each view.
SHAPE = {"both": ".seamview:not([hidden]) path.outline"} | dict.fromkeys(
    ("change", "doubt"), ".seamview:not([hidden]) .picture > svg > path[fill=none]"
)


def in_feet(route):
    """The page of a farm that measures in feet."""
    told = route.fetch()
    text = told.text()
    assert '"length": "m"' in text
    route.fulfill(response=told, body=text.replace('"length": "m"', '"length": "ft"'))


def test_the_seam_obeys_the_keyboard(tab, ready):
    """WAI-ARIA Authoring Practices, slider: arrows step, Home and End go to the ends."""
    ready(tab, PATH)
    seam = tab.get_by_role("slider")
    width = float(tab.locator(".seambox > svg").get_attribute("viewBox").split()[2])
    seam.focus()
    steps = {
        "ArrowRight": 52,
        "ArrowUp": 54,
        "ArrowLeft": 52,
        "ArrowDown": 50,
        "Home": 0,
        "End": 100,
    }
    for key, value in steps.items():
        tab.keyboard.press(key)
        expect(seam).to_have_attribute("aria-valuenow", str(value))
        before = float(tab.locator("rect.before").get_attribute("width"))
        assert before == pytest.approx(width * value / 100)


def test_the_seam_is_drawn_by_its_handle(tab, ready):
    ready(tab, PATH)
    knob, box = tab.locator(".knob").bounding_box(), tab.locator(".seambox").bounding_box()
    assert min(knob["width"], knob["height"]) >= 44
    tab.mouse.move(knob["x"] + 22, knob["y"] + 22)
    tab.mouse.down()
    tab.mouse.move(box["x"] + box["width"] / 4, knob["y"] + 22, steps=5)
    tab.mouse.up()
    expect(tab.get_by_role("slider")).to_have_attribute("aria-valuenow", "25")


def test_lenses_are_kept_in_the_address(tab, ready):
    ready(tab, PATH)
    tab.get_by_role("radio", name="beyond doubt").click()
    expect(tab.locator(".seamview[data-view=doubt]")).to_be_visible()
    expect(tab.get_by_role("slider")).to_be_hidden()
    tab.reload()
    expect(tab.locator(".seamview[data-view=doubt]")).to_be_visible()
    tab.get_by_role("link", name="calcium").click()
    expect(tab.locator(".facts")).to_contain_text("calcium")
    expect(tab.locator(".seamview[data-view=doubt]")).to_be_visible()


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_from_disk_has_the_seam_and_asks_nothing(new_tab, address, width, ready, axe):
    """Opened as a file: axe-core, the seam by keyboard, and no request but the file itself."""
    page = new_tab(address, width)
    with page.expect_download() as waiting:
        ready(page, PATH)
        page.get_by_role("link", name="map.html").click()
    path = waiting.value.path().with_suffix(".html")
    waiting.value.save_as(path)
    assert page.trouble == []
    page.goto(path.as_uri())
    seam = page.get_by_role("slider").first
    seam.focus()
    page.keyboard.press("End")
    expect(seam).to_have_attribute("aria-valuenow", "100")
    trouble = axe(page)
    page.context.close()
    assert trouble == []
    assert page.trouble == ["outside " + path.as_uri()], "the file, and nothing else"


def test_comparing_again_goes_on_behind_the_page(tab, ready):
    """The page answers at once, says how far it is, and shows the new figures by itself."""
    ready(tab, PATH)
    tab.get_by_role("button", name="Compare again").click()
    box = tab.locator("[data-run]")
    expect(box).to_contain_text("Comparing")
    expect(box).to_contain_text("of 3 blocks")
    expect(tab.locator(".verdict")).to_be_visible()
    expect(box).to_have_count(0)
    expect(tab.get_by_role("button", name="Compare again")).to_be_visible()
