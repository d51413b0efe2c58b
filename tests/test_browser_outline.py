"""Drawing in a real Chromium: by mouse, by keys alone, by place; every outside name blocked."""

from contextlib import ExitStack

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import expect

import demo_geodata
from geo.blocks import read_outlines
from geo.farm import create_farm, read_blocks
from geo.upkeep import earlier_outlines
from maps.screenshots import serving

pytestmark = pytest.mark.browser

#: 200 x 220 m, as a phone's map shows its corners.
TYPED = ("-33.97, 20.0", "-33.97, 20.0022", "-33.972, 20.0022", "-33.972, 20.0")


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "ombervale"
    files = demo_geodata.files()
    create_farm(
        folder,
        [
            outline
            for name in ("outline_poel.shp", "outline_werfie.kml")
            for outline in read_outlines(files / name)[0]
        ],
    )
    return folder


@pytest.fixture
def opened(new_tab, ready):
    """Opens a page of a farm; anything lost, outside or wrong on it fails the test."""
    with ExitStack() as servers:
        pages = []

        def opened(folder, path, width=1280, **words):
            address = servers.enter_context(serving(folder))
            pages.append(new_tab(address, width, **words))
            return ready(pages[-1], path)

        yield opened
        for page in pages:
            page.context.close()
        assert [page.trouble for page in pages] == [[] for _ in pages]


def at(page, across, down):
    """A place on the map, as shares of its width and height. [px]"""
    box = page.locator("#map").bounding_box()
    return box["x"] + across * box["width"], box["y"] + down * box["height"]


def corners(page):
    return [box.input_value() for box in page.locator("[data-row^='0:']").all()]


def drag(page, handle, to):
    box = handle.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(*to, steps=6)
    page.mouse.up()


def test_a_farm_begins_with_the_keyboard_alone(tmp_path, opened):
    folder = tmp_path / "leeg"
    page = opened(folder, "/")
    page.get_by_role("link", name="Draw the first block on a map").press("Enter")
    page.wait_for_selector("html[data-ready]", state="attached")
    expect(page.locator("#how")).to_contain_text("Type its first corner")
    typed = page.locator("#typed")
    typed.focus()
    for place in TYPED:
        typed.press_sequentially(place)
        typed.press("Enter")
        expect(typed).to_have_value("")
    page.get_by_role("button", name="All corners are there").press("Enter")

    # A degree of longitude is 111.32 km times the cosine of the latitude, within 0.4 %.
    corner = page.locator(".corner").nth(1)
    corner.focus()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowRight")
    expect(page.locator("[data-row='0:1']")).to_have_value("-33.970000, 20.002319")
    assert page.evaluate("() => document.activeElement.className").find("corner") >= 0
    page.keyboard.press("Delete")
    expect(page.locator("[data-row^='0:']")).to_have_count(3)
    page.get_by_role("button", name="Take the last move back").press("Enter")
    expect(page.locator("[data-row^='0:']")).to_have_count(4)

    expect(page.locator("#store")).to_be_disabled()
    page.locator("#name").focus()
    page.keyboard.type("Noord")
    page.get_by_role("button", name="As the longest side").press("Enter")
    expect(page.locator("#store")).to_be_enabled()
    assert not folder.exists()
    page.locator("#store").press("Enter")
    page.wait_for_url("**/")
    expect(page.get_by_role("heading", name="Noord")).to_be_visible()
    (block,) = read_blocks(folder)
    # The eastern side is the longest now: 222 m north and 11 m east, atan(11 / 222) = 2.8 degrees.
    assert block.site.row_azimuth_deg == pytest.approx(2.8, abs=0.1)
    assert block.area_ha == pytest.approx(4.6, abs=0.3)


def test_corners_are_clicked_dragged_halved_and_taken_back(farm, opened):
    page = opened(farm, "/outline")
    for place in ((0.2, 0.6), (0.4, 0.6), (0.4, 0.8), (0.2, 0.8)):
        page.mouse.click(*at(page, *place))
    page.mouse.click(*at(page, 0.2, 0.6))  # the first one again: it is closed
    expect(page.locator("#how")).to_contain_text("Drag a corner")
    begun = corners(page)
    assert len(begun) == 4

    drag(page, page.locator(".corner").nth(2), at(page, 0.5, 0.85))
    moved = corners(page)
    assert moved[2] != begun[2]
    assert [moved[i] for i in (0, 1, 3)] == [begun[i] for i in (0, 1, 3)]
    drag(page, page.locator(".between").first, at(page, 0.3, 0.52))
    assert len(corners(page)) == 5
    page.get_by_role("button", name="Take the last move back").click()
    assert corners(page) == moved
    page.keyboard.press("Control+z")
    assert corners(page) == begun

    whole_ha = float(page.locator("#ha").text_content().split()[0])
    page.get_by_role("button", name="Cut out a hole").click()
    for place in ((0.26, 0.66), (0.33, 0.66), (0.33, 0.73), (0.26, 0.73)):
        page.mouse.click(*at(page, *place))
    page.get_by_role("button", name="All corners are there").click()
    expect(page.locator("#corners")).to_contain_text("Hole 1, 4 corners")
    page.wait_for_function(
        "() => document.querySelector('#facts').textContent.startsWith('8 corners')"
    )
    with_hole_ha = float(page.locator("#ha").text_content().split()[0])
    # The hole has 7/20 of the width and of the height of the square.
    assert with_hole_ha == pytest.approx(whole_ha * (1 - 0.35**2), rel=0.02)


def test_a_crossing_is_marked_and_cannot_be_stored(farm, opened):
    page = opened(farm, "/outline")
    page.locator("#name").fill("Suid")
    for place in ((0.2, 0.6), (0.4, 0.6), (0.2, 0.8), (0.4, 0.8)):
        page.mouse.click(*at(page, *place))
    expect(page.locator("#refused")).to_contain_text("crosses itself")
    expect(page.locator("#store")).to_be_disabled()
    mark = page.locator(".crossing").bounding_box()
    wanted = at(page, 0.3, 0.7)  # the diagonals of a square meet in its middle
    assert mark["x"] + mark["width"] / 2 == pytest.approx(wanted[0], abs=3)
    assert mark["y"] + mark["height"] / 2 == pytest.approx(wanted[1], abs=3)


@pytest.mark.parametrize("lat", [-62.0, -33.97, 0.0, 46.2, 68.5])
def test_hectares_while_drawing_are_those_of_the_ellipsoid(tmp_path, opened, lat):
    """The page's own figure, Snyder's authalic q, against pyproj's geodesic one of the server."""
    page = opened(tmp_path / "leeg", "/outline")
    for north, east in ((0, 0), (0.001, 0.02), (-0.015, 0.023), (-0.017, 0.001)):
        page.locator("#typed").fill(f"{lat + north:.6f}, {20 + east:.6f}")
        page.locator("#addtyped").click()
        expect(page.locator("#typed")).to_have_value("")
    page.wait_for_function(
        "() => document.querySelector('#facts').textContent.startsWith('4 corners')"
    )
    ours = float(page.locator("#ha").get_attribute("data-here"))
    geodesic = float(page.locator("#ha").get_attribute("data-ha"))
    assert ours == pytest.approx(geodesic, rel=1e-5)


def test_an_outline_is_redrawn_and_the_old_one_shown_again(farm, opened):
    page = opened(farm, "/")
    page.get_by_role("link", name="Redraw the outline of Werfie").click()
    page.wait_for_selector("html[data-ready]", state="attached")
    expect(page.locator("#lacks")).to_have_text("Nothing was moved yet.")
    begun = corners(page)
    page.locator(".corner").first.focus()
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#lacks")).to_contain_text("Say why")
    page.locator("#why").fill("<b>road</b> {{ 7*7 }}")
    page.get_by_role("button", name="Store the new outline").click()
    page.wait_for_url("**/")
    assert len(earlier_outlines(farm, "Werfie")) == 1
    page.goto("/outline/werfie")
    page.wait_for_selector("html[data-ready]", state="attached")
    expect(page.locator(".earlier")).to_contain_text("<b>road</b> {{ 7*7 }}")
    assert corners(page) != begun
    page.get_by_role("button", name="Show this one").click()
    assert corners(page) == begun


def test_i_am_here_shows_the_circle_and_gives_a_corner_if_asked(farm, opened):
    place = {"latitude": -33.9712, "longitude": 19.9981, "accuracy": 8.4}
    page = opened(farm, "/outline", permissions=["geolocation"], geolocation=place)
    page.get_by_role("button", name="I am here").click()
    expect(page.locator("#heresaid")).to_contain_text("within 8.4 m of the dot")
    expect(page.locator("path.accuracy")).to_have_count(1)
    assert corners(page) == []
    page.get_by_role("button", name="Put a corner where I am").click()
    assert corners(page) == ["-33.971200, 19.998100"]


def test_a_refused_place_is_said_in_a_sentence(farm, opened):
    page = opened(farm, "/outline")  # no permission is given
    page.get_by_role("button", name="I am here").click()
    expect(page.locator("#heresaid")).to_contain_text("not allowed to say where you are")
    expect(page.get_by_role("button", name="Put a corner where I am")).to_be_hidden()


def test_a_picture_is_laid_under_a_drawing_that_stays(farm, opened, tmp_path):
    import geo.gdal_guard
    from geo.store.corrections import Change
    from geo.upkeep import rename_block

    geo.gdal_guard.guard_gdal()
    import rasterio
    from rasterio.transform import Affine

    rename_block(farm, "Poel", "<i>Poel</i>", Change(0, "", "hostile"))
    west, _, _, north = read_blocks(farm)[0].outline.bounds
    transform = Affine(1, 0, west - 300, 0, -1, north + 300)
    profile = {"width": 900, "height": 900, "count": 3, "dtype": "uint8", "transform": transform}
    with rasterio.open(tmp_path / "m.tif", "w", driver="GTiff", crs="EPSG:32734", **profile):
        pass
    page = opened(farm, "/outline")
    for place in ((0.2, 0.6), (0.4, 0.6), (0.4, 0.8)):
        page.mouse.click(*at(page, *place))
    drawn = corners(page)
    page.locator("#credit").fill("Own <b>flight</b>")
    page.locator("#picture").set_input_files(tmp_path / "m.tif")
    expect(page.locator(".credit")).to_have_text("Ground: Own <b>flight</b>")
    image = page.locator(".leaflet-ground-pane img")
    expect(image).to_have_js_property("complete", True)
    assert image.evaluate("(one) => one.naturalWidth") > 200
    assert corners(page) == drawn
    page.goto("/")
    expect(page.locator(".leaflet-ground-pane img")).to_have_count(1)


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", ["/outline", "/outline/poel", "/", "/settings"])
def test_drawing_breaks_no_rule_of_access(farm, opened, axe, path, width):
    page = opened(farm, path, width)
    if path == "/outline":
        for place in ((0.2, 0.6), (0.4, 0.6), (0.2, 0.8), (0.4, 0.8)):
            page.mouse.click(*at(page, *place))
        expect(page.locator("#refused")).to_be_visible()
    assert axe(page) == []
    wide = page.evaluate("() => document.documentElement.scrollWidth")
    assert wide <= width
