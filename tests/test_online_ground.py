"""Pictures from the internet: nobody is asked unless farm.toml says whom, and only that host."""

import html
import http.server
import io
import json
import re
import threading

import pytest
from PIL import Image
from starlette.testclient import TestClient

import demo_geodata
from geo.blocks import read_outlines
from geo.errors import FarmError
from geo.farm import create_farm
from geo.settings import read_settings
from geo.upkeep import fingerprint
from maps.app import create_app
from maps.serving.farmtext import with_key, write_settings_text

BASE = "http://127.0.0.1:8000"
ORIGIN = {"origin": BASE}
HOST = "https://tiles.example.org"
TILES = HOST + "/ground/{z}/{x}/{y}.png"
#: The whole policy of issue 6's guard, as it was before any picture could come from outside.
STRICT = (
    "default-src 'none'; script-src 'self' 'nonce-N'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
MAPS = ("/", "/outline", "/outline/werfie")
OTHERS = ("/lab", "/words", "/settings", "/step/soil", "/static/app.css", "/none")


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "ombervale"
    create_farm(folder, read_outlines(demo_geodata.files() / "outline_werfie.kml")[0])
    return folder


def client_of(folder):
    return TestClient(create_app(folder), base_url=BASE, headers=ORIGIN)


def policy(client, path):
    return re.sub(r"nonce-[\w-]+", "nonce-N", client.get(path).headers["content-security-policy"])


def test_with_it_off_no_page_may_ask_outside(farm):
    client = client_of(farm)
    for path in (*MAPS, *OTHERS):
        assert policy(client, path) == STRICT
    for path in MAPS:
        page = client.get(path).text
        outside = set(re.findall(r"https?://[^\s\"'<)]+", page)) - {"http://www.w3.org/2000/svg"}
        assert outside == set()
        assert "No internet needed" in page


def test_no_address_is_given_by_default(farm):
    ground = read_settings(farm / "farm.toml").ground
    assert (ground.tiles, ground.credit, ground.asked) == ("", "", "")


def test_switched_on_the_maps_may_ask_that_host_for_pictures_alone(farm):
    client = client_of(farm)
    client.post("/ground/online", data={"tiles": TILES, "credit": "<b>Survey</b> {{ 7*7 }}"})
    for path in MAPS:
        assert policy(client, path) == STRICT.replace("data:;", f"data: {HOST};")
        assert "Maps ask tiles.example.org for pictures." in client.get(path).text
    for path in OTHERS:
        assert policy(client, path) == STRICT
    page = client.get("/").text
    under = json.loads(html.unescape(page.split('data-ground="')[1].split('"')[0]))
    assert under["tiles"] == TILES
    assert under["credit"] == "Pictures asked of tiles.example.org: <b>Survey</b> {{ 7*7 }}"
    assert "<b>Survey" not in page
    assert "asks tiles.example.org for pictures" in client.get("/settings").text

    client.post("/ground/online")
    for path in MAPS:
        assert policy(client, path) == STRICT


@pytest.mark.parametrize(
    "tiles",
    [
        "https://a.example.org; script-src */{z}/{x}/{y}",
        "https://a.example.org *.evil.org/{z}/{x}/{y}",
        "https://*.example.org/{z}/{x}/{y}",
        "https://*/{z}/{x}/{y}",
        "https://user@a.example.org/{z}/{x}/{y}",
        "https://a.example.org@evil.org/{z}/{x}/{y}",
        "https://a.example.org\\@evil.org/{z}/{x}/{y}",
        "https://a.example.org:1;x/{z}/{x}/{y}",
        "https://{s}.example.org/{z}/{x}/{y}",
        "http://a.example.org/{z}/{x}/{y}",
        "http://127.0.0.1.evil.org/{z}/{x}/{y}",
        "//a.example.org/{z}/{x}/{y}",
        "javascript:alert(1)//{z}/{x}/{y}",
        "data:image/png,{z}/{x}/{y}",
        "https://a.example.org/{z}/{x}",
        "https://a.example.org/{z}/{x}/{y}/{x}",
        "https://a.example.org/{z}/{x}/{y}?{key}",
        "https://a.example.org/{z}/{x}/{y}'",
        "https://a.example.org/{z}/{x}/{y}\nx",
        "https:///{z}/{x}/{y}",
        "'self'",
    ],
)
def test_what_is_no_plain_address_is_refused(farm, tiles):
    client, before = client_of(farm), (farm / "farm.toml").read_bytes()
    answer = client.post("/ground/online", data={"tiles": tiles}, headers={"x-soilquilt": "1"})
    assert answer.status_code == 409
    assert "is not an address of tiles" in answer.json()["error"]
    assert (farm / "farm.toml").read_bytes() == before
    assert policy(client, "/") == STRICT


@pytest.mark.parametrize(
    ("tiles", "asked"),
    [
        (TILES, HOST),
        ("HTTPS://Tiles.Example.org:8443/a?z={z}&x={x}&y={y}", "https://tiles.example.org:8443"),
        ("http://127.0.0.1:9/{z}/{x}/{y}", "http://127.0.0.1:9"),
        ("http://localhost/{z}/{x}/{y}", "http://localhost"),
    ],
)
def test_a_plain_address_is_taken(farm, tiles, asked):
    text = with_key((farm / "farm.toml").read_text("utf-8"), ("ground",), "tiles", f'"{tiles}"')
    write_settings_text(farm, text)
    assert read_settings(farm / "farm.toml").ground.asked == asked


def test_the_finest_zoom_has_limits(farm):
    text = with_key((farm / "farm.toml").read_text("utf-8"), ("ground",), "most_zoom", "40")
    with pytest.raises(FarmError, match="between 1 and 24"):
        write_settings_text(farm, text)


def test_maps_are_not_out_of_date_because_of_pictures(farm):
    before = fingerprint(farm, 2024)
    client_of(farm).post("/ground/online", data={"tiles": TILES})
    assert fingerprint(farm, 2024) == before
    path = farm / "farm.toml"
    without = re.sub(r"\[ground\][^\[]*", "", path.read_text("utf-8"))
    path.write_text(without, "utf-8")
    old = fingerprint(farm, 2024)
    path.write_text(with_key(without, ("ground",), "tiles", f'"{TILES}"'), "utf-8")
    assert fingerprint(farm, 2024) == old
    path.write_text(with_key(without, ("grid",), "seed", "7"), "utf-8")
    assert fingerprint(farm, 2024) != old


def test_another_page_cannot_switch_it_on(farm):
    stranger = TestClient(create_app(farm), base_url=BASE)
    before = (farm / "farm.toml").read_bytes()
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"},
                    {"origin": BASE, "sec-fetch-site": "cross-site"}):  # fmt: skip
        answer = stranger.post("/ground/online", data={"tiles": TILES}, headers=headers)
        assert answer.status_code == 403
    assert (farm / "farm.toml").read_bytes() == before


# In a browser


@pytest.fixture
def tile_server():
    """Serves one tile at any address of another port, and notes who asked for what."""
    out = io.BytesIO()
    Image.new("RGB", (256, 256), (90, 120, 60)).save(out, "PNG")
    asked = []

    class Tiles(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append((self.path, self.headers.get("referer"), self.headers.get("cookie")))
            self.send_response(200)
            self.send_header("content-type", "image/png")
            self.end_headers()
            self.wfile.write(out.getvalue())

        def log_message(self, *_words):
            """Nothing on stderr."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Tiles)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    server.server_close()
    thread.join(5)


LOAD = """(url) => new Promise((done) => {
  const one = new Image();
  one.onload = () => done("loaded");
  one.onerror = () => done("refused");
  one.src = url;
})"""


@pytest.mark.browser
def test_a_browser_asks_nobody_until_told_and_then_only_that_host(
    farm, tile_server, new_tab, ready
):
    pytest.importorskip("playwright")
    from playwright.sync_api import expect

    from maps.screenshots import serving

    tiles, asked = tile_server
    with serving(farm) as address:
        page = new_tab(address)
        for path in MAPS:
            ready(page, path)
        assert page.trouble == []
        assert page.evaluate(LOAD, tiles + "/x.png") == "refused"
        assert asked == []

        page.trouble.clear()  # the browser told of the picture it refused
        page.goto("/settings")
        page.get_by_label("Address, with {z}, {x} and {y} in it").fill(tiles + "/{z}/{x}/{y}.png")
        page.get_by_role("button", name="Ask this address").click()
        expect(page.get_by_role("button", name="Ask nobody")).to_be_visible()
        assert asked == []
        assert page.trouble == []

        for path in MAPS:
            ready(page, path)
            expect(
                page.locator(".leaflet-ground-pane img.leaflet-tile-loaded").first
            ).to_be_visible()
            expect(page.locator(".credit")).to_contain_text(tiles.removeprefix("http://"))
        # Web Mercator tiles as Leaflet counts them; the host learns no page and no cookie.
        assert all(re.fullmatch(r"/\d+/\d+/\d+\.png", path) for path, _, _ in asked)
        assert {(referer, cookie) for _, referer, cookie in asked} == {(None, None)}
        assert {t for t in page.trouble if not t.startswith("outside " + tiles)} == set()

        # The same machine under another name is another host, and scripts may not ask at all.
        other = tiles.replace("127.0.0.1", "localhost")
        assert page.evaluate(LOAD, other + "/x.png") == "refused"
        fetched = page.evaluate("(url) => fetch(url).then(() => 'got', () => 'refused')", tiles)
        assert fetched == "refused"
        page.context.close()
