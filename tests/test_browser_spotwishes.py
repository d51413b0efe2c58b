"""Wishes of a plan in a real Chromium: by keyboard, by pointer, refused, planned."""

import re
import shutil

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import expect

from maps.screenshots import serving

pytestmark = pytest.mark.browser
PATH = "/2024/werfie/spots"


@pytest.fixture(scope="module")
def address(demo_farm, tmp_path_factory):
    """The demo farm with both surveys stored and nothing planned."""
    folder = tmp_path_factory.mktemp("wishes") / "ombervale"
    ignored = shutil.ignore_patterns("changes", "seasons", "plans")
    shutil.copytree(demo_farm, folder, ignore=ignored)
    with serving(folder) as base:
        yield base


def ask_for(page, words):
    page.get_by_role("button", name=words, exact=True).focus()
    page.keyboard.press("Enter")


@pytest.mark.parametrize("width", [1280, 390])
def test_places_are_asked_for_by_keyboard_alone(new_tab, address, ready, axe, width):
    """axe-core, rules of WCAG 2.0 to 2.2, A and AA, while places are put on the map."""
    page = ready(new_tab(address, width), PATH)
    listed = page.locator("#asked li")
    ask_for(page, "A spot I want")
    page.locator(".askcross").focus()
    for key in ("Shift+ArrowRight", "ArrowUp", "Enter"):
        page.keyboard.press(key)
    expect(listed).to_have_count(1)
    expect(listed).to_contain_text("Spot at \u2212")
    ask_for(page, "Keep off an area")
    for place in ("-33.9695, 20.0013", "-33.9695, 20.0014", "-33.9696, 20.0014"):
        before = page.locator(".askedcorner").count()
        page.get_by_label("Latitude, longitude").fill(place)
        page.keyboard.press("Enter")
        expect(page.locator(".askedcorner")).to_have_count(before + 1)
    assert axe(page) == []
    assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
    ask_for(page, "Close the area")
    expect(listed).to_have_count(2)
    expect(page.locator("#asking")).to_be_hidden()
    page.get_by_role("button", name=re.compile("Take out: Spot at")).focus()
    page.keyboard.press("Enter")
    expect(listed).to_have_count(1)
    expect(listed).to_contain_text("Kept off: ")
    assert axe(page) == []
    ready(page, PATH)  # the page loaded anew, as keeping a moved spot does
    expect(listed).to_have_count(1)
    expect(listed).to_contain_text("Kept off: ")
    assert page.trouble == []
    page.context.close()


def test_no_answer_and_a_refusal_are_said_and_the_wishes_stay(new_tab, address, ready):
    page = ready(new_tab(address), PATH)
    page.get_by_role("button", name="A spot I want").click()
    page.get_by_label("Latitude, longitude").fill("<b>here</b>")
    page.get_by_role("button", name="Put it there").click()
    expect(page.locator("#asksaid")).to_contain_text("<b>here</b>")  # as text
    page.get_by_label("Latitude, longitude").fill("-33.5, 20.0014")
    page.get_by_role("button", name="Put it there").click()
    expect(page.locator("#asked li")).to_have_count(1)
    go = page.get_by_role("button", name="Plan Werfie for 2025")
    page.route("**/spots/plan", lambda route: route.abort())
    go.click()
    expect(page.locator("#wishsaid")).to_have_text("No answer from soilquilt. Is it still open?")
    page.unroute("**/spots/plan")
    go.click()
    expect(page.locator("#wishsaid")).to_contain_text("outside Werfie")
    expect(page.locator("#asked li")).to_have_count(1)
    page.context.close()


def test_a_spot_clicked_on_the_map_is_planned(tab, ready):
    ready(tab, PATH)
    tab.get_by_role("button", name="A spot I want").click()
    tab.locator(".spotroom > svg").click()  # its middle
    expect(tab.locator("#asked li")).to_have_count(1)
    place = tab.locator("#asked li span").inner_text()
    tab.get_by_label("Spots", exact=True).fill("5")
    tab.get_by_role("button", name="Plan Werfie for 2025").click()
    expect(tab.locator("g.spot")).to_have_count(5)  # the page comes back with the plan
    expect(tab.locator("g.spot.fixed")).to_have_count(1)
    expect(tab.locator("#asked li span")).to_have_text(place)
    expect(tab.get_by_role("button", name="Plan Werfie again")).to_be_enabled()
