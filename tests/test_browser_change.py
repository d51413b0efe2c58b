"""The change page in a real Chromium: the seam by keyboard and by hand, lenses, rules of access."""

import os
import shutil

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import expect

from geo.errors import FarmError
from maps.cli import main
from maps.screenshots import a_browser, serving
from maps.serving.units_of_work import run_unit, units_of

pytestmark = pytest.mark.browser
PATH = "/2024-2025/werfie/change?show=ph_water"


@pytest.fixture(scope="module")
def chromium():
    try:
        with a_browser() as browser:
            yield browser
    except FarmError as error:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(str(error))


def new_tab(chromium, base, width=1280):
    """A page that notes every lost request, error status and script error."""
    context = chromium.new_context(viewport={"width": width, "height": 800}, base_url=base)
    page = context.new_page()
    page.trouble = trouble = []
    page.on("requestfailed", lambda r: trouble.append("lost " + r.url))
    page.on(
        "response", lambda r: trouble.append(f"{r.status} {r.url}") if r.status >= 400 else None
    )
    page.on("console", lambda m: trouble.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: trouble.append(str(e)))
    return page


def ready(page, path):
    page.goto(path)
    page.wait_for_selector("html[data-ready]", state="attached")
    return page


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


@pytest.fixture
def tab(chromium, address):
    page = new_tab(chromium, address)
    yield page
    page.context.close()
    assert page.trouble == []


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", [PATH, PATH + "&lens=change", PATH + "&lens=doubt",
                                  "/2024-2025/poel/change?show=b"])  # fmt: skip
def test_the_page_breaks_no_rule_of_access(chromium, address, path, width):
    """axe-core, rules of WCAG 2.0 to 2.2, A and AA."""
    from axe_playwright_python.sync_playwright import Axe

    page = ready(new_tab(chromium, address, width), path)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    trouble = [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found.response["violations"]]
    overflow = page.evaluate("() => document.documentElement.scrollWidth - innerWidth")
    page.context.close()
    assert trouble == []
    assert overflow <= 0, "a page never scrolls sideways"
    assert page.trouble == []


def test_the_seam_obeys_the_keyboard(tab):
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


def test_the_seam_is_drawn_by_its_handle(tab):
    ready(tab, PATH)
    knob, box = tab.locator(".knob").bounding_box(), tab.locator(".seambox").bounding_box()
    assert min(knob["width"], knob["height"]) >= 44
    tab.mouse.move(knob["x"] + 22, knob["y"] + 22)
    tab.mouse.down()
    tab.mouse.move(box["x"] + box["width"] / 4, knob["y"] + 22, steps=5)
    tab.mouse.up()
    expect(tab.get_by_role("slider")).to_have_attribute("aria-valuenow", "25")


def test_lenses_are_kept_in_the_address(tab):
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
def test_the_page_from_disk_has_the_seam_and_asks_nothing(chromium, address, width):
    """Opened as a file: axe-core, the seam by keyboard, and no request but the file itself."""
    from axe_playwright_python.sync_playwright import Axe

    page = new_tab(chromium, address, width)
    with page.expect_download() as waiting:
        ready(page, PATH)
        page.get_by_role("link", name="map.html").click()
    asked = []
    page.on("request", lambda r: asked.append(r.url) if not r.url.startswith("data:") else None)
    path = waiting.value.path().with_suffix(".html")
    waiting.value.save_as(path)
    page.trouble.clear()  # a download ends its request early
    page.goto(path.as_uri())
    seam = page.get_by_role("slider").first
    seam.focus()
    page.keyboard.press("End")
    expect(seam).to_have_attribute("aria-valuenow", "100")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    trouble = [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found.response["violations"]]
    page.context.close()
    assert trouble == []
    assert page.trouble == []
    assert asked == [path.as_uri()]
