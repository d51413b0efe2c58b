"""A zone border drawn in a real Chromium: by clicks, by keys, as text; kept and taken back."""

import pytest

import demo_geodata

pytest.importorskip("playwright")

from playwright.sync_api import expect

from geo.blocks import read_outlines
from geo.farm import create_farm
from geo.settings import read_settings
from maps.commands.intake import store_file
from maps.screenshots import serving
from maps.serving.units_of_work import run_unit, units_of

pytestmark = pytest.mark.browser

ZONES = "/2024/poel/zones?spread=lime"
#: Whether a wish is answered at once.
STATE = "async () => (await (await fetch(data.app.place + '/ready')).json()).state"


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """Poel in its first season, as the commands make it."""
    folder = tmp_path_factory.mktemp("farm") / "ombervale"
    files = demo_geodata.files()
    text = (files / "farm.toml").read_text(encoding="utf-8")
    outlines = read_outlines(files / "outline_poel.shp")[0]
    create_farm(folder, outlines, text, tables=[files / "prices.toml"])
    for name in ("gps_2024.csv", "lab_2024.csv"):
        store_file(folder, files / name, 2024)
    for unit in units_of(folder, 2024, None, None):
        outcome = run_unit(unit, False)
        assert outcome.state == "done", outcome.error
    return folder


@pytest.fixture(scope="module")
def address(farm):
    with serving(farm) as base:
        yield base


def begin(page, ready):
    ready(page, ZONES)
    page.get_by_role("button", name="Draw the border yourself").click()
    return page.get_by_label("Places, as")


def test_clicks_draw_a_border_that_is_kept_and_taken_back(new_tab, address, farm, ready):
    page = new_tab(address)
    text = begin(page, ready)
    ground = page.locator(".leaflet-container").bounding_box()
    for x, y in ((0.55, 12), (0.62, ground["height"] / 2), (0.6, ground["height"] - 90)):
        page.mouse.click(ground["x"] + x * ground["width"], ground["y"] + y)
    assert len(text.input_value().split("\n")) == 3
    page.get_by_role("button", name="See what it gives").click()
    expect(page.locator(".byhand table")).to_contain_text("worked out")
    expect(page.locator(".verdict")).to_contain_text("Your own border")
    assert read_settings(farm / "farm.toml").block("Poel").boundaries is None
    sent = []
    page.on("request", lambda request: sent.append(request.url.rpartition("/")[2]))
    page.get_by_role("button", name="Keep this border").dblclick()
    expect(page.get_by_role("status")).to_contain_text("Kept in farm.toml")
    assert read_settings(farm / "farm.toml").block("Poel").boundaries is not None
    # The next try is made ready at once, from the settings as they are now.
    assert page.evaluate(STATE) in ("working", "ready")
    page.get_by_role("button", name="Take your border back").dblclick()
    expect(page.get_by_role("status")).to_contain_text("Taken back")
    expect(page.get_by_role("button", name="Take your border back")).to_have_count(0)
    assert not read_settings(farm / "farm.toml").block("Poel").boundaries
    assert [word for word in sent if word in ("keep", "away")] == ["keep", "away"]
    page.context.close()
    assert page.trouble == []


def test_keys_alone_draw_a_border(new_tab, address, ready):
    page = new_tab(address)
    text = begin(page, ready)
    page.locator(".leaflet-container").focus()
    for key in ["ArrowUp", "Enter", *["Shift+ArrowDown"] * 3, "Enter"]:
        page.keyboard.press(key)
    places = text.input_value().split("\n")
    (first, x), (last, x2) = (map(float, place.split(",")) for place in places)
    assert x == pytest.approx(x2, abs=1e-5)
    assert first > last, "the second place lies further south"
    page.get_by_role("button", name="Undo a point").click()
    assert text.input_value().split("\n") == places[:1]
    page.context.close()
    assert page.trouble == []


def test_on_the_phone_the_map_comes_into_view_and_the_points_stay_near(new_tab, address, ready):
    """The map would else lie a thousand pixels above what is being written."""
    page = new_tab(address, 390)
    text = begin(page, ready)
    ground = page.locator("main.ground .leaflet-container")
    expect(ground).to_be_in_viewport(ratio=0.95)
    bar = page.locator(".topbar").bounding_box()
    at = ground.bounding_box()
    assert at["y"] >= bar["y"] + bar["height"], "nothing of the map lies under the bar"
    for x, y in ((0.55, 40), (0.6, at["height"] - 60)):
        page.mouse.click(at["x"] + x * at["width"], at["y"] + y)
    page.get_by_role("button", name="To the points").click()
    expect(text).to_be_in_viewport()
    expect(text).to_be_focused()
    assert len(text.input_value().split("\n")) == 2
    page.get_by_role("button", name="Leave it").click()
    expect(page.get_by_role("button", name="To the points")).to_have_count(0)
    page.context.close()
    assert page.trouble == []


@pytest.mark.parametrize("width", [1280, 390])
def test_a_refused_border_is_said_and_no_rule_of_access_is_broken(
    new_tab, address, width, ready, axe
):
    """axe-core, rules of WCAG 2.0 to 2.2, A and AA; the text field serves a phone as well."""
    page = new_tab(address, width)
    text = begin(page, ready)
    text.fill("-33.9, 19.99\n-33.9, 20.01")
    page.get_by_role("button", name="See what it gives").click()
    alert = page.locator(".byhand").get_by_role("alert")
    expect(alert).to_contain_text("does not cut the block in two")
    assert axe(page) == []
    assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
    page.get_by_role("button", name="Leave it").click()
    expect(page.get_by_role("button", name="Draw the border yourself")).to_be_visible()
    page.context.close()
    # A refusal is an answer of 409, which the browser notes by itself.
    assert [line for line in page.trouble if "409" not in line] == []


def test_a_line_says_while_a_block_gets_ready_for_tries(new_tab, address, ready):
    page, state = new_tab(address), {"state": "working"}
    page.route("**/ready", lambda route: route.fulfill(json=state))
    ready(page, ZONES)
    page.evaluate("() => { page.followReady(); }")
    expect(page.locator(".getting")).to_have_text("Getting ready to try changes …")
    state["state"] = "ready"
    expect(page.locator(".getting")).to_be_hidden()
    page.context.close()
    assert page.trouble == []
