"""Fixtures that several tests share."""

import pytest
from hypothesis import HealthCheck, settings
from shapely import MultiPolygon, box

from geo.blocks import Block
from geo.export.layers import SpreadLayer, to_lonlat
from geo.zones import Zone

#: South-west corner of the invented test block. [m]
E, N = 407_000.0, 6_240_000.0
CRS = "EPSG:32734"
# Laws are asked whether they hold, not how fast: a busy machine takes what it takes.
settings.register_profile(
    "patient", settings.default, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("patient")

#: How long a browser test waits for what must come. [ms]
PATIENT_MS = 120_000


def geodesic_ha(shape):
    from pyproj import Geod

    return abs(Geod(ellps="WGS84").geometry_area_perimeter(to_lonlat(shape, CRS))[0]) / 1e4


@pytest.fixture
def layer():
    """Two zones of a 200 x 100 m block with a pond, the first in two parts."""
    outline = box(E, N, E + 200, N + 100) - box(E + 20, N + 20, E + 40, N + 40)
    east = box(E + 100, N, E + 150, N + 100)
    rest = outline - east
    shapes = [MultiPolygon(list(rest.geoms)), MultiPolygon([east])]
    areas = [sum(geodesic_ha(p) for p in s.geoms) for s in shapes]
    zones = tuple(
        Zone(i + 1, s, a, {}, ()) for i, (s, a) in enumerate(zip(shapes, areas, strict=True))
    )
    block = Block("Noordkamp", "noordkamp", outline, to_lonlat(outline, CRS), CRS, sum(areas))
    return SpreadLayer(
        block, 2024, "lime", "calcitic_lime", 1, 1, zones, (2500.0, 1200.0), ("because",)
    )


@pytest.fixture(scope="session")
def demo_farm(tmp_path_factory):
    """The demo farm with both seasons read in."""
    from maps.answer import Answer
    from maps.commands.demo import add_season, make_demo_farm

    folder = tmp_path_factory.mktemp("demo") / "ombervale"
    answer = Answer(document={"findings": []})
    make_demo_farm(folder, answer)
    for year in (2024, 2025):
        add_season(folder, year, answer)
    return folder


@pytest.fixture(scope="session")
def poel(demo_farm):
    """Poel in 2024: lime in zones, a pond in the middle."""
    from geo.season import run_season

    return run_season(demo_farm, 2024, "Poel")


@pytest.fixture(scope="session")
def kniee(demo_farm):
    """Knieë in 2025: an L, two materials, a name that is not ASCII."""
    from geo.season import run_season

    return run_season(demo_farm, 2025, "Knieë")


@pytest.fixture(scope="module")
def chromium():
    """A real browser to which no name but this machine's resolves; tests without one are skipped.

    In CI a missing browser fails instead. `CHROMIUM` names another program. One a module: while
    it is open the thread has a running event loop, and other modules start one of their own.
    """
    import os

    from playwright.sync_api import expect

    from geo.errors import FarmError
    from maps.screenshots import a_browser

    # A busy machine is slow; what a page should say it says in the end, or never.
    expect.set_options(timeout=PATIENT_MS)
    try:
        with a_browser() as browser:
            yield browser
    except FarmError as error:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(str(error))


@pytest.fixture(scope="module")
def new_tab(chromium):
    """Opens a page that notes lost or outside requests, error statuses, script errors, dialogs.

    What it noted stands in `page.trouble`; further words go to the browser's context.
    """

    def new_tab(base, width=1280, **words):
        size = {"width": width, "height": 800}
        page = chromium.new_context(viewport=size, base_url=base, **words).new_page()
        page.set_default_timeout(PATIENT_MS)
        page.trouble = trouble = []

        def note(words, wrong=True):
            if wrong:
                trouble.append(words)

        ours = (base, "data:", "blob:")
        page.on("request", lambda r: note("outside " + r.url, not r.url.startswith(ours)))
        # A download and a closed stream of events end their request early.
        page.on(
            "requestfailed", lambda r: note("lost " + r.url, "ABORTED" not in (r.failure or ""))
        )
        page.on("response", lambda r: note(f"{r.status} {r.url}", r.status >= 400))
        page.on("console", lambda m: note(m.text, m.type == "error"))
        page.on("pageerror", lambda e: note(str(e)))
        page.on("dialog", lambda d: (note("a dialog: " + d.message), d.dismiss()))
        return page

    return new_tab


@pytest.fixture
def tab(new_tab, address):
    """A page of the server a test module calls `address`; nothing may have gone wrong on it."""
    page = new_tab(address)
    yield page
    page.context.close()
    assert page.trouble == []


#: Controls lower than 44 px, the target size of WCAG 2.2, success criterion 2.5.5. As there,
#: what stands in a sentence is let off; a box or a radio is hit by its label.
LOW = """() => [...document.querySelectorAll(
    "button, a, input, select, textarea, summary, [role=slider]"
  )].filter((one) => one.checkVisibility({ visibilityProperty: true, opacityProperty: true }))
    .filter((one) => !one.matches(".skip, .n, p:not(.actions) a, textarea[hidden]"))
    .map((one) => one.matches("[type=checkbox], [type=radio]") ? one.labels[0] || one : one)
    .filter((one) => [one.getBoundingClientRect().height].some((high) => high && high < 43.5))
    .map((one) => `${one.tagName} ${one.textContent.trim().slice(0, 30) || one.name}`)"""
PHONE_PX = 719


@pytest.fixture
def in_order(new_tab, ready, axe):
    """Goes to a page, which breaks no rule of access, never scrolls sideways, and fits thumbs."""

    def in_order(base, path, width):
        page = ready(new_tab(base, width), path)
        trouble = axe(page)
        overflow = page.evaluate("() => document.documentElement.scrollWidth - innerWidth")
        low = page.evaluate(LOW) if width <= PHONE_PX else []
        page.context.close()
        assert trouble == []
        assert overflow <= 0, "a page never scrolls sideways"
        assert low == [], "what a thumb must hit is 44 px high"
        assert page.trouble == []

    return in_order


@pytest.fixture
def held_back():
    """Holds the first answer to a path until the page has done something else.

    `held_back(page, path, ask, other)`: `ask` makes the page ask, `other` is done before it is
    answered; then the page has had time to make use of the late answer, the server's or `said`.
    """

    def held_back(page, path, ask, other, said=None):
        routes = []
        page.route(path, lambda route: routes.append(route))
        with page.expect_request(path):
            ask()
        other()
        with page.expect_event("requestfinished"):
            if said is None:
                routes[0].continue_()
            else:
                routes[0].fulfill(json=said)
        # Another question and its answer take longer than the way from the answer to the page.
        page.evaluate("() => fetch('/static/ask.js').then((answer) => answer.text())")

    return held_back


@pytest.fixture(scope="session")
def ready():
    """Goes to a path of the app and waits until its scripts have drawn it."""

    def ready(page, path):
        page.goto(path)
        page.wait_for_selector("html[data-ready]", state="attached")
        return page

    return ready


@pytest.fixture(scope="session")
def axe():
    """What axe-core finds on a page: rules of WCAG 2.0 to 2.2, A and AA, or one rule named."""
    from axe_playwright_python.sync_playwright import Axe

    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

    def axe(page, rule=None):
        only = {"type": "rule", "values": [rule]} if rule else {"type": "tag", "values": tags}
        found = Axe().run(page, options={"runOnly": only}).response["violations"]
        return [f"{v['id']}: {n['html'][:160]}" for v in found for n in v["nodes"]]

    return axe
