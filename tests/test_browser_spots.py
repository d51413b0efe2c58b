"""The spots page in a real Chromium: drag, arrow keys, refused places, rules of access."""

import re
import shutil
from functools import partial

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import expect

from maps.cli import main
from maps.screenshots import serving
from maps.serving.units_of_work import run_unit, units_of

pytestmark = pytest.mark.browser
#: The first move waits until the season before is worked out again. [ms]
PLANNED, WAITING = "/2025/werfie/spots", "/2025/kniee/spots"


@pytest.fixture(scope="module")
def address(demo_farm, tmp_path_factory):
    """The smallest block of the demo farm, mapped and planned; another without a plan."""
    folder = tmp_path_factory.mktemp("spots") / "ombervale"
    ignored = shutil.ignore_patterns("changes", "seasons", "plans")
    shutil.copytree(demo_farm, folder, ignore=ignored)
    for unit in units_of(folder, 2025, "Werfie", None):
        assert run_unit(unit, False).state == "done"
    words = ["plan", str(folder), "--season", "2026", "--block", "Werfie", "--spots", "9"]
    assert main(words) == 0
    with serving(folder) as base:
        yield base


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", [PLANNED, WAITING])
def test_the_page_breaks_no_rule_of_access(address, path, width, in_order):
    """axe-core, rules of WCAG 2.0 to 2.2, A and AA; with a plan and without one."""
    in_order(address, path, width)


@pytest.mark.parametrize("light", ["night", "sun"])
def test_contrast_holds_in_every_light(new_tab, address, light, ready, axe):
    page = new_tab(address)
    page.add_init_script(f"localStorage.setItem('light', '{light}')")
    ready(page, PLANNED)
    trouble = axe(page, "color-contrast")
    page.context.close()
    assert trouble == []


@pytest.mark.parametrize("name", ["field.html", "spots.gpx", "field-sheet.pdf"])
def test_a_button_hands_out_its_file(tab, ready, name):
    """First bytes as the formats ask: HTML's doctype, XML's declaration, PDF's %PDF (RFC 8118)."""
    ready(tab, PLANNED)
    start = {"field.html": b"<!doctype html", "spots.gpx": b"<?xml", "field-sheet.pdf": b"%pdf-"}
    with tab.expect_download() as waiting:
        tab.locator(f".actions a[download='{name}']").click()
    assert waiting.value.suggested_filename == name
    assert waiting.value.path().read_bytes().lower().startswith(start[name])


def drag(tab, mark, by):
    box = mark.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + by[0], y + by[1], steps=4)
    tab.mouse.up()


def test_a_dragged_spot_changes_what_the_plan_is_worth(tab, ready):
    ready(tab, PLANNED)
    worth = tab.locator("#worth")
    before = worth.inner_text()
    box = tab.locator(".spotroom > svg").bounding_box()
    mark = tab.locator(".spot[tabindex]").first
    here = mark.bounding_box()
    inward = [(box["x"] + box["width"] / 2 - here["x"]) / 2,
              (box["y"] + box["height"] / 2 - here["y"]) / 2]  # fmt: skip
    drag(tab, mark, inward)
    expect(worth).not_to_have_text(before, use_inner_text=True)
    tab.get_by_role("button", name="Put them back").click()
    expect(worth).to_have_text(before, use_inner_text=True)
    expect(tab.locator("#moves")).to_be_hidden()


def test_a_place_outside_is_refused_and_nothing_kept(tab, ready):
    ready(tab, PLANNED)
    drag(tab, tab.locator(".spot[tabindex]").first, (-900, 0))
    expect(tab.locator("#said")).to_contain_text("outside Werfie")
    expect(tab.get_by_role("button", name="Keep these places")).to_be_disabled()
    tab.get_by_role("button", name="Put them back").click()
    expect(tab.locator("#said")).to_be_empty()


def test_arrow_keys_move_a_spot_and_keep_writes_it(tab, ready):
    ready(tab, PLANNED)
    mark = tab.locator(".spot[tabindex]").first
    name, x = mark.get_attribute("data-id"), float(mark.get_attribute("data-x"))
    mark.focus()
    # Inward: the plan's spots often stand at the very edge of where a spot may be.
    middle = float(tab.locator(".spotroom > svg").get_attribute("viewBox").split()[2]) / 2
    tab.keyboard.press("ArrowRight" if x < middle else "ArrowLeft")
    assert (float(mark.get_attribute("data-x")) > x) == (x < middle)
    expect(tab.locator("#moves")).to_be_visible()
    tab.get_by_role("button", name="Keep these places").focus()
    tab.keyboard.press("Enter")
    told = re.compile("Moved less than 1 m|Moved 1 m")
    expect(tab.locator(".reasons")).to_contain_text(told)
    expect(tab.locator(".reasons")).to_contain_text("by hand; planned as: ")
    moved = tab.locator(f'.spot[data-id="{name}"]').get_attribute("aria-label")
    assert "by hand; planned as: " in moved


def test_a_late_answer_does_not_write_over_what_was_put_back(tab, ready, held_back):
    ready(tab, PLANNED)
    before = tab.locator("#worth").inner_text()
    step = partial(tab.locator(".spot[tabindex]").first.press, "ArrowLeft")
    back = tab.get_by_role("button", name="Put them back").click
    held_back(tab, "**/try", step, back, {"error": "W18 would stand outside Werfie."})
    expect(tab.locator("#said")).to_be_empty()
    expect(tab.locator("#moves")).to_be_hidden()
    assert tab.locator("#worth").inner_text() == before


def test_no_answer_is_said_and_the_spots_can_be_put_back(new_tab, address, ready):
    page = ready(new_tab(address), PLANNED)
    page.route("**/try", lambda route: route.abort())
    drag(page, page.locator(".spot[tabindex]").first, (-20, 0))
    expect(page.locator("#said")).to_have_text("No answer from soilquilt. Is it still open?")
    page.get_by_role("button", name="Put them back").click()
    expect(page.locator("#said")).to_be_empty()
    page.context.close()
