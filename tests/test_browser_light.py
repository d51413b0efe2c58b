"""Sun, motion and paper in a real Chromium, told by computed style and by the pixels drawn."""

import shutil

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import expect

from maps.screenshots import serving
from maps.serving.units_of_work import run_unit, units_of

pytestmark = pytest.mark.browser
SOIL = "/2024/werfie/soil?show=ph_water"

#: Colours of the picture on the map with their pixels, and how wide its class lines are. [px]
LOOK = """async () => {
  const image = document.querySelector("img.leaflet-image-layer");
  await image.decode();
  const canvas = new OffscreenCanvas(image.naturalWidth, image.naturalHeight);
  const pen = canvas.getContext("2d");
  pen.drawImage(image, 0, 0);
  const { data, width, height } = pen.getImageData(0, 0, canvas.width, canvas.height);
  const colors = {}, runs = [];
  for (let y = 0; y < height; y += 1) {
    let run = 0;
    for (let x = 0; x < width; x += 1) {
      const [r, g, b, a] = data.subarray(4 * (y * width + x), 4 * (y * width + x) + 4);
      if (a > 180 && a < 200) run += 1;
      else {
        if (run) runs.push(run);
        run = 0;
        if (a === 255) colors[[r, g, b]] = (colors[[r, g, b]] || 0) + 1;
      }
    }
  }
  runs.sort((a, b) => a - b);
  return { colors: Object.keys(colors), least: runs[0], source: image.src };
}"""


@pytest.fixture(scope="module")
def farm(demo_farm, tmp_path_factory):
    """The smallest block of the demo farm, mapped in its first season."""
    folder = tmp_path_factory.mktemp("light") / "ombervale"
    shutil.copytree(demo_farm, folder, ignore=shutil.ignore_patterns("changes", "seasons"))
    for unit in units_of(folder, 2024, "Werfie", None):
        assert run_unit(unit, False).state == "done"
    return folder


@pytest.fixture(scope="module")
def address(farm):
    with serving(farm) as base:
        yield base


def in_light(page, light):
    page.add_init_script(f"localStorage.setItem('light', '{light}')")
    return page


def legend(page):
    return page.evaluate(
        """() => [...document.querySelectorAll(".classes i")]
        .map((i) => getComputedStyle(i).backgroundColor.replace(/[^0-9,]/g, ""))"""
    )


def test_sun_draws_flat_classes_and_wide_lines(new_tab, address, ready):
    """ui/README section 6: in Sun flat classes, class lines 2 px, marks 40 % larger."""
    seen, radii = {}, {}
    for light in ("day", "sun"):
        page = ready(in_light(new_tab(address), light), "/2024/werfie/soil?show=oc")
        seen[light] = page.evaluate(LOOK)
        radii[light] = page.evaluate(
            """() => Math.max(...[...document.querySelectorAll("path[fill='#fff']")]
            .map((p) => p.getBBox().width))"""
        )
        classes = legend(page)
        assert page.trouble == []
        page.context.close()
    assert len(seen["day"]["colors"]) > 10, "smooth between the middles of classes"
    assert set(seen["sun"]["colors"]) <= set(classes), "the colours of the legend, no others"
    assert len(seen["sun"]["colors"]) > 1
    assert (seen["day"]["least"], seen["sun"]["least"]) == (1, 2)
    assert radii["sun"] == pytest.approx(1.4 * radii["day"], rel=0.08), "drawn in whole pixels"


def test_changing_the_light_redraws_the_map(new_tab, address, ready):
    page = ready(in_light(new_tab(address), "day"), SOIL)
    page.get_by_role("radio", name="Sun").first.click()
    expect(page.locator("img.leaflet-image-layer")).to_have_attribute(
        "src", "/2024/werfie/picture/ph_water/found.webp?light=sun"
    )
    assert page.trouble == []
    page.context.close()


MOVES = """(node) => {
  const style = getComputedStyle(node, "::before");
  return [style.animationName, style.animationDuration];
}"""


@pytest.mark.parametrize(
    ("width", "row", "name"), [(1280, ".steps", "sew"), (390, ".thumbs", "draw")]
)
def test_the_thread_sews_itself_once_to_a_step_just_done(
    new_tab, farm, address, ready, width, row, name
):
    """ui/README section 8: once, 300 ms, when a step is done; off under reduced motion."""
    plan = farm / "plans" / "2024" / f"spots-{width}.csv"  # what `soilquilt plan` leaves
    moving, still = (new_tab(address, width, reduced_motion=r) for r in ("no-preference", "reduce"))
    sewing = f"{row} li.sewing a"
    for page in (moving, still):
        ready(page, SOIL)
        expect(page.locator(sewing)).to_have_count(0)
    plan.parent.mkdir(parents=True, exist_ok=True)
    plan.write_text("sample,lat,lon\n", "utf-8")
    for page, style in ((moving, [name, "0.3s"]), (still, ["none", "0s"])):
        ready(page, SOIL)
        expect(page.locator(sewing)).to_have_count(1)
        expect(page.locator(sewing)).to_contain_text("Spots")
        assert page.locator(sewing).evaluate(MOVES) == style
        ready(page, SOIL)
        expect(page.locator(sewing)).to_have_count(0)
        assert page.trouble == []
        page.context.close()
    plan.unlink()


def test_the_patch_being_worked_on_has_marching_stitches(new_tab, demo_farm, ready, tmp_path):
    """ui/README section 8: off under reduced motion, where "working" is written."""
    folder = tmp_path / "ombervale"
    shutil.copytree(demo_farm, folder, ignore=shutil.ignore_patterns("changes", "seasons"))
    with serving(folder) as base:
        moving, still = (new_tab(base, reduced_motion=r) for r in ("no-preference", "reduce"))
        ready(moving, "/?season=2024")
        moving.get_by_role("button", name="Make the maps of 2024").click()
        ready(still, "/?season=2024")
        for page, style in ((moving, "march"), (still, "none")):
            patch = page.locator(".patches [data-state=working]")
            expect(patch).to_contain_text("working")
            assert patch.locator("svg").evaluate("n => getComputedStyle(n).animationName") == style
        moving.get_by_role("button", name="Stop after this one").click()
        expect(moving.locator(".patches [data-state=working]")).to_have_count(0)
        for page in (moving, still):
            assert page.trouble == []
            page.context.close()


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (SOIL, ["Werfie", "pH (water)", "two in three", "For maps use"]),
        ("/2024/werfie/zones", ["Werfie", "For maps use"]),
        ("/?season=2024", ["Ombervale", "Werfie", "For maps use"]),
        ("/2024/lab", ["Lab"]),
        ("/words", ["Words"]),
        ("/2024/werfie/spread", ["Werfie"]),
    ],
)
def test_paper_has_the_words_and_says_where_the_maps_are(new_tab, address, ready, path, words):
    """ui/README section 10: browser print hides the frame; for maps there is the report."""
    page = ready(new_tab(address, 720), path)
    page.emulate_media(media="print")
    for frame in (".binding", ".topbar", ".thumbs", "main.ground", ".bar", "form"):
        assert not any(node.is_visible() for node in page.locator(frame).all()), frame
    shown = page.locator("body").inner_text()
    shown += page.evaluate(
        """() => { const box = document.querySelector(".column");
        return box ? getComputedStyle(box, "::after").content : "" }"""
    )
    assert [one for one in words if one not in shown] == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    assert page.trouble == []
    page.context.close()


def test_what_is_folded_is_printed_too(new_tab, address, ready):
    page = ready(new_tab(address), SOIL)
    table = page.get_by_role("table").last
    assert not table.is_visible()
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert table.is_visible()
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert not table.is_visible()
    page.context.close()


def test_the_soil_page_leads_to_the_printed_report(new_tab, address, ready):
    page = ready(new_tab(address), SOIL)
    report = page.get_by_role("link", name="Print for the shed").get_attribute("href")
    assert page.request.get(report).body().startswith(b"%PDF")
    assert page.trouble == []
    page.context.close()
