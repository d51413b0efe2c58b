"""The app in a real Chromium, every outside name blocked; any error on any page fails."""

import re
import zipfile
from functools import partial

import pytest

import demo_geodata

pytest.importorskip("playwright")

from playwright.sync_api import expect

from geo.blocks import Outline, read_outlines
from geo.farm import create_farm
from geo.intake.files import read_file
from maps.commands.intake import store_file
from maps.screenshots import serving
from maps.serving.units_of_work import run_unit, units_of

pytestmark = pytest.mark.browser

HOSTILE = "<img src=x onerror=alert(1)>{{7*191}}${alert(2)}`\u05d0\u05d1\u202e" + "x" * 60


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """Two blocks of the demo farm in its first season, as the commands make them."""
    folder = tmp_path_factory.mktemp("farm") / "ombervale"
    files = demo_geodata.files()
    outlines = [
        outline
        for name in ("outline_poel.shp", "outline_werfie.kml")
        for outline in read_outlines(files / name)[0]
    ]
    text = (files / "farm.toml").read_text(encoding="utf-8")
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


PAGES = (
    "/", "/2024/lab", "/2024/poel/soil", "/2024/poel/zones", "/2024/poel/spread",
    "/2024/poel/leaf", "/2024/buy", "/words", "/settings", "/2024/werfie/soil",
    "/2024/werfie/zones", "/2024/poel/spots",
)  # fmt: skip


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", PAGES)
def test_no_page_breaks_a_rule_of_access(address, path, width, in_order):
    """axe-core, rules of WCAG 2.0 to 2.2, A and AA."""
    in_order(address, path, width)


@pytest.mark.parametrize("light", ["night", "sun"])
@pytest.mark.parametrize("path", ["/", "/2024/poel/soil", "/2024/poel/zones", "/2024/lab"])
def test_contrast_holds_in_every_light(new_tab, address, path, light, ready, axe):
    page = new_tab(address)
    page.add_init_script(f"localStorage.setItem('light', '{light}')")
    ready(page, path)
    trouble = axe(page, "color-contrast")
    page.context.close()
    assert trouble == []


def test_the_trap_works(new_tab, address, ready):
    page = ready(new_tab(address), "/words")
    page.evaluate("() => fetch('http://outside.example/x').catch(() => null)")
    assert any("outside" in line for line in page.trouble)
    page.context.close()


def test_properties_lenses_and_the_address_follow_each_other(tab, ready):
    ready(tab, "/2024/poel/soil")
    expect(tab.locator(".sentence")).to_contain_text("pH (water)")
    tab.get_by_role("button", name="potassium").click()
    expect(tab.locator(".sentence")).to_contain_text("Potassium")
    tab.get_by_role("radio", name="how sure").click()
    expect(tab).to_have_url(re.compile("show=k&lens=sure"))
    tab.go_back()
    tab.go_back()
    expect(tab.locator(".sentence")).to_contain_text("pH (water)")


def test_the_map_answers_the_keyboard(tab, ready):
    ready(tab, "/2024/poel/soil")
    tab.locator(".folium-map").focus()
    for key in ("ArrowLeft", "Shift+ArrowLeft", "Enter"):
        tab.keyboard.press(key)
    expect(tab.locator(".spot")).to_contain_text("At the ringed spot")
    expect(tab.locator(".spot")).to_contain_text("two in three")


def test_the_soil_page_is_walked_by_keys_alone(tab, ready):
    """Tab to the strip, the lenses and the map; arrows and Enter; the focus is always seen."""
    ready(tab, "/2024/poel/soil")
    seen = """() => {
      const style = getComputedStyle(document.activeElement);
      return style.outlineStyle !== "none" && parseFloat(style.outlineWidth);
    }"""
    strip = tab.locator(".strip button")
    tab.keyboard.press("Tab")  # the browser shows the focus of the keyboard only
    strip.first.focus()
    for key in ("ArrowRight", "ArrowRight", "ArrowLeft", "Enter"):
        tab.keyboard.press(key)
        assert tab.evaluate(seen) >= 2
    expect(strip.nth(1)).to_have_attribute("aria-pressed", "true")
    expect(tab.locator(".sentence")).to_contain_text("pH (KCl)")
    tab.locator(".lenses [aria-checked=true]").focus()
    tab.keyboard.press("ArrowRight")
    expect(tab.locator(".lenses button").nth(1)).to_be_focused()
    expect(tab.locator(".lenses button").nth(1)).to_have_attribute("aria-checked", "true")
    assert tab.evaluate(seen) >= 2
    tab.locator(".folium-map").focus()
    for key in ("ArrowUp", "Shift+ArrowLeft", "Enter"):
        tab.keyboard.press(key)
        assert tab.evaluate(seen) >= 2
    expect(tab.locator(".spot")).to_contain_text("two in three")


def test_the_charts_behind_a_map_are_shown(tab, ready):
    ready(tab, "/2024/poel/soil")
    tab.get_by_role("button", name="How was this map made?").click()
    expect(tab.get_by_text("How alike are neighbours?")).to_be_visible()
    expect(
        tab.locator("svg[role=img]").filter(has=tab.locator("circle, path")).first
    ).to_be_visible()


def test_charts_folded_before_they_came_stay_folded(tab, ready, held_back):
    ready(tab, "/2024/poel/soil")
    button = tab.get_by_role("button", name="How was this map made?")
    held_back(tab, "**/charts/*", button.click, button.click)
    expect(button).to_have_attribute("aria-expanded", "false")
    expect(tab.locator(".follows svg[role=img]")).to_have_count(0)


def test_the_ringed_spot_tells_of_the_shown_property(tab, ready):
    ready(tab, "/2024/poel/soil")
    tab.locator(".folium-map").focus()
    for key in ("Shift+ArrowLeft", "Enter"):
        tab.keyboard.press(key)
    expect(tab.locator(".spot > p").first).to_contain_text("pH (water)")
    tab.get_by_role("button", name="potassium").click()
    expect(tab.locator(".spot > p").first).to_contain_text("Potassium")


def test_a_rate_says_why_and_the_address_keeps_it(tab, ready):
    ready(tab, "/2024/poel/zones?spread=lime")
    tab.get_by_role("button", name="in zone 1: why?").click()
    expect(tab.locator(".chain li").first).to_contain_text("zone 1")
    tab.reload()
    expect(tab.locator(".whytitle")).to_contain_text("Why")
    tab.keyboard.press("Escape")
    expect(tab.locator(".chain")).to_have_count(0)


def test_one_zone_is_one_rate_and_can_be_taken_back(tab, ready):
    """The tried map has the rate and the money of the uniform alternative beside the zones."""
    ready(tab, "/2024/poel/zones?spread=lime")
    rows = tab.locator(".say tbody tr")
    before = rows.count()
    assert before > 1
    tab.locator("input[name=most_zones][value='1']").check(force=True)
    expect(rows).to_have_count(1)
    expect(tab.get_by_text("tried, not kept")).to_be_visible()
    tab.get_by_role("button", name="Take that back").click()
    expect(rows).to_have_count(before)


def test_a_try_on_fewer_draws_says_so_until_it_is_taken_back(tab, ready):
    ready(tab, "/2024/poel/zones?spread=lime")
    fewer = tab.get_by_text("a rate may still move by a rounding step")
    tab.locator("input[name=most_zones][value='1']").check(force=True)
    expect(tab.get_by_text("tried, not kept")).to_be_visible()
    expect(fewer).to_have_count(0)
    tab.get_by_label("Bring pH to").fill("6.4")
    tab.get_by_label("Bring pH to").press("Enter")
    expect(fewer).to_be_visible()
    tab.get_by_role("button", name="Take that back").click()
    expect(fewer).to_have_count(0)


def test_a_late_try_does_not_write_over_what_was_taken_back(tab, ready, held_back):
    ready(tab, "/2024/poel/zones?spread=lime")
    rows = tab.locator(".say tbody tr")
    before = rows.count()
    one, four = (tab.locator(f"input[name=most_zones][value='{n}']") for n in (1, 4))
    held_back(tab, "**/try", partial(one.check, force=True), partial(four.check, force=True))
    expect(tab.get_by_text("tried, not kept")).to_have_count(0)
    assert rows.count() == before


def test_what_is_held_shows_nothing_of_another_rate(tab, ready):
    """After lime, held potassium: no border to draw for it, no chain behind a click on its map."""
    asked = []
    tab.on("request", lambda request: asked.append(request.url))
    ready(tab, "/2024/poel/zones?spread=lime")
    border = tab.get_by_role("button", name="Draw the border yourself")
    expect(border).to_have_count(1)
    tab.get_by_role("button", name="Potassium").click()
    expect(border).to_have_count(0)
    tab.get_by_role("radio", name="Night").click()
    expect(tab.locator(".folium-map .disc")).to_have_count(0)
    tab.locator(".folium-map").focus()
    for key in ("Shift+ArrowLeft", "Enter"):
        tab.keyboard.press(key)
    assert [url for url in asked if "/why/" in url] == []


def test_what_no_leaf_settles_is_not_sent_to_the_leaf(tab, ready):
    """Werfie's sulfur waits for its free lime to be known, its zinc for a leaf."""
    ready(tab, "/2024/werfie/zones?spread=sulfur")
    expect(tab.locator(".spot a")).to_have_text("Say it under Settings")
    expect(tab.locator(".spot a")).to_have_attribute("href", "/settings")
    tab.get_by_role("button", name="Zinc").click()
    expect(tab.locator(".spot a")).to_have_text("Soil and leaf side by side")


def test_a_late_keep_does_not_write_over_what_was_chosen_since(tab, ready, held_back):
    """It is kept and can be taken back; what is shown meanwhile stays."""
    ready(tab, "/2024/poel/zones?spread=lime")
    tab.locator("input[name=most_zones][value='1']").check(force=True)
    expect(tab.get_by_text("tried, not kept")).to_be_visible()
    keep = tab.get_by_role("button", name="Keep these")
    other = tab.get_by_role("button", name="Potassium").click
    held_back(tab, "**/keep", keep.dblclick, other, {"said": "Kept.", "mark": "a"})
    expect(tab.locator(".undo")).to_contain_text("Lime: kept.")
    expect(tab.locator(".say .verdict")).to_contain_text("Potassium: held")
    expect(tab.locator(".follows")).to_be_empty()


def test_a_long_product_name_does_not_widen_the_phone_page(new_tab, address, ready):
    """A farm names its own materials; a page never scrolls sideways for one."""
    page = ready(new_tab(address, 390), "/2024/poel/zones?spread=lime")
    over = page.evaluate(
        """() => {
          document.documentElement.dataset.light = "sun";
          document.querySelector("#product option").textContent = "lime from the quarry ".repeat(5);
          return document.documentElement.scrollWidth - innerWidth;
        }"""
    )
    page.context.close()
    assert over <= 0


def test_a_product_and_its_price_are_kept_and_taken_back(tab, ready, farm):
    """ui/README.md, section 9: after a change a dark line that takes it back."""
    before = (farm / "farm.toml").read_bytes()
    ready(tab, "/2024/poel/zones?spread=lime")
    tab.get_by_label("Price per t").fill("700")
    tab.get_by_label("Product").select_option("pelletised_lime")
    expect(tab.locator(".say .flag").first).to_have_text("tried, not kept")
    tab.get_by_role("button", name="Keep these").click()
    back = tab.locator(".undo").get_by_role("button", name="Take that back")
    expect(back).to_be_focused()
    assert b'product = { lime = "pelletised_lime" }' in (farm / "farm.toml").read_bytes()
    back.click()
    expect(tab.locator(".spot")).to_contain_text("Taken back")
    assert (farm / "farm.toml").read_bytes() == before


def test_everything_can_be_downloaded(tab, tmp_path, ready):
    ready(tab, "/2024/poel/spread")
    with tab.expect_download() as waiting:
        tab.get_by_role("link", name="Everything as one zip").click()
    waiting.value.save_as(tmp_path / "all.zip")
    names = zipfile.ZipFile(tmp_path / "all.zip").namelist()
    assert any(name.endswith(".shp") for name in names)


def test_from_an_empty_folder_to_a_shapefile(new_tab, tmp_path, ready):
    """The whole story as a grower clicks it, on the smallest block of the demo."""
    files = demo_geodata.files()
    with serving(tmp_path / "mine") as base:
        page = ready(new_tab(base), "/")
        expect(page.get_by_role("heading", name="No block yet.")).to_be_visible()
        page.locator(".filepick").set_input_files(files / "outline_werfie.kml")
        page.get_by_role("button", name="Store the file").click()
        expect(page.get_by_role("heading", name="mine")).to_be_visible()
        page.locator(".filepick").set_input_files([files / "gps_2024.csv", files / "lab_2024.csv"])
        page.locator("#season").fill("2024")
        page.get_by_role("button", name="the year").click()
        page.wait_for_selector("html[data-ready]", state="attached")
        page.get_by_role("button", name="Store both files").click()
        page.get_by_role("button", name="Make the maps of 2024").click()
        page.get_by_role("link", name="What was found", exact=True).or_(
            page.get_by_role("link", name="Zones and rates", exact=True)
        ).first.click()
        page.wait_for_selector("html[data-ready]", state="attached")
        ready(page, "/2024/werfie/spread")
        with page.expect_download() as waiting:
            page.get_by_role("link", name="Everything as one zip").click()
        assert zipfile.is_zipfile(waiting.value.path())
        trouble = page.trouble
        page.context.close()
    assert trouble == []


def test_a_hostile_name_is_shown_letter_for_letter(new_tab, tmp_path, ready):
    from shapely import box

    folder = tmp_path / "farm"
    outline = Outline(HOSTILE, box(20.0, -34.0, 20.002, -33.998), "x.kml", 1, "WGS84")
    create_farm(folder, [outline])
    with serving(folder) as base:
        page = ready(new_tab(base), "/")
        page.on("dialog", lambda _: page.trouble.append("a dialog opened"))
        expect(page.locator(".asks h2").first).to_contain_text(HOSTILE)
        expect(page.locator(".blocklabel")).to_contain_text(HOSTILE)
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        trouble = page.trouble
        page.context.close()
    assert trouble == []


def test_a_hostile_file_and_id_are_shown_letter_for_letter(new_tab, address, tmp_path, ready):
    name = "{{7-191}} ${1}.csv"
    table = (
        f"sample,lat,lon,pH (H2O)\n<i>{{{{2}}}}</i>,-33.9,20.0,6.1\n{HOSTILE[:30]},-33.9,20.0,6.2"
    )
    path = tmp_path / "plain.csv"
    path.write_text(table, encoding="utf-8")
    assert read_file(path, season=2024).results
    page = ready(new_tab(address), "/lab")
    page.locator(".filepick").first.set_input_files(
        [{"name": name, "mimeType": "text/csv", "buffer": path.read_bytes()}]
    )
    page.wait_for_selector("html[data-ready]", state="attached")
    expect(page.locator("main")).to_contain_text("{{7-191}} ${1}.csv")
    expect(page.locator("main")).to_contain_text("<i>{{2}}</i>")
    assert page.locator("main i").count() == 0
    page.get_by_role("button", name="Put it away").click()
    trouble = page.trouble
    page.context.close()
    assert trouble == []
