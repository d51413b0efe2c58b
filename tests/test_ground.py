"""A grower's own picture under the maps: where it lands, what is refused, how it is kept."""

import hashlib
import html
import io
import json

import numpy as np
import pytest
from PIL import Image
from pyproj import Transformer
from starlette.testclient import TestClient

import demo_geodata
import geo.gdal_guard
import geo.ground
from geo.blocks import read_outlines
from geo.errors import IntakeError
from geo.farm import create_farm, read_blocks
from geo.ground import LONGEST_PX, MARGIN_M, read_ground
from geo.upkeep import backup_farm, check_farm, fingerprint, restore_farm
from maps.app import create_app
from maps.drawing.drawings import paper_for
from maps.serving import ownground
from maps.serving.workspace import Workspace

BASE = "http://127.0.0.1:8000"
ORIGIN = {"origin": BASE}
UTM = "EPSG:32734"
#: A corner of the demo farm in UTM. [m]
E, N = 407_000.0, 6_240_000.0


def write(path, values, crs=UTM, west=E, north=N, side=1.0, **profile):
    geo.gdal_guard.guard_gdal()
    import rasterio
    from rasterio.transform import Affine

    values = np.asarray(values)
    bands, rows, columns = values.shape
    palette = profile.pop("palette", None)
    transform = Affine(side, 0, west, 0, -side, north)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=bands, crs=crs,
        dtype=values.dtype, transform=transform, **profile,
    ) as file:  # fmt: skip
        file.write(values)
        if palette:
            file.write_colormap(1, palette)
    return path


def field(rows=300, columns=400, dtype=np.uint8):
    return np.full((3, rows, columns), 60, dtype)


def place_of(picture, row, column):
    """Longitude and latitude of a pixel's middle; rows are even in Web Mercator."""
    to_page = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    (west, south), (east, north) = (
        to_page.transform(*corner) for corner in (picture.south_west, picture.north_east)
    )
    rows, columns = picture.rgba.shape[:2]
    x = west + (column + 0.5) / columns * (east - west)
    y = north - (row + 0.5) / rows * (north - south)
    return to_page.transform(x, y, direction="INVERSE")


@pytest.mark.parametrize("crs", [UTM, "EPSG:4326", "EPSG:3857", "EPSG:2048"])
def test_a_spot_of_the_picture_lies_where_it_lay(tmp_path, crs):
    """Where a white square stands is worked out by PROJ alone."""
    to_crs = Transformer.from_crs(UTM, crs, always_xy=True)
    west, north = to_crs.transform(E, N)
    side = 1e-5 if crs == "EPSG:4326" else 1.0
    values = field()
    values[:, 200:206, 100:106] = 255
    path = write(tmp_path / "a.tif", values, crs, west, north, side)
    picture = read_ground(path)
    bright = np.argwhere(picture.rgba[..., 0] > 200)
    lon, lat = place_of(picture, *bright.mean(axis=0))
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    assert x == pytest.approx(west + 103 * side, abs=0.8 * side)
    assert y == pytest.approx(north - 203 * side, abs=0.8 * side)


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "ombervale"
    create_farm(folder, read_outlines(demo_geodata.files() / "outline_werfie.kml")[0])
    return folder


def around(farm, path, **more):
    """A picture that reaches a kilometre beyond the block."""
    west, _, _, north = read_blocks(farm)[0].outline.bounds
    return write(path, field(1100, 1100), west=west - 1000, north=north + 1000, side=2.0, **more)


def test_only_the_ground_around_the_blocks_is_kept(farm, tmp_path):
    block = read_blocks(farm)[0]
    picture = read_ground(around(farm, tmp_path / "a.tif"), [block])
    west, south, east, north = block.lonlat.bounds
    degree_m = 111_320 * np.cos(np.radians(south))  # of longitude, on a sphere, within 0.4 %
    assert (west - picture.south_west[0]) * degree_m == pytest.approx(MARGIN_M, rel=0.02)
    assert (picture.north_east[0] - east) * degree_m == pytest.approx(MARGIN_M, rel=0.02)
    assert picture.rgba[..., 3].min() == 255
    assert picture.pixel_m == pytest.approx(2.0, rel=0.1)
    assert picture.rgba[..., :3].mean() == pytest.approx(60, abs=1)
    assert north < picture.north_east[1]


def test_a_large_picture_is_thinned(tmp_path):
    path = write(tmp_path / "a.tif", np.zeros((1, 400, 6000), np.uint8), compress="deflate")
    assert max(read_ground(path).rgba.shape) <= LONGEST_PX


def test_a_picture_elsewhere_is_refused(farm, tmp_path):
    path = write(tmp_path / "a.tif", field(), west=E + 90_000)
    with pytest.raises(IntakeError, match="does not show any of your blocks"):
        read_ground(path, read_blocks(farm))


def test_colours_come_from_bands_palettes_greys_and_numbers(tmp_path):
    palette = {0: (200, 10, 10, 255), 1: (10, 200, 10, 255)}
    values = np.zeros((1, 60, 60), np.uint8)
    values[:, :, 30:] = 1
    picture = read_ground(write(tmp_path / "p.tif", values, palette=palette)).rgba
    assert picture[30, 5, :3].tolist() == [200, 10, 10]
    assert picture[30, -5, :3].tolist() == [10, 200, 10]

    grey = read_ground(write(tmp_path / "g.tif", np.full((1, 60, 60), 77, np.uint8))).rgba
    assert grey[30, 30].tolist() == [77, 77, 77, 255]

    for kind in (np.uint16, np.float32):
        ramp = np.tile(np.linspace(100, 4000, 60), (3, 60, 1)).astype(kind)
        shades = read_ground(write(tmp_path / f"{np.dtype(kind)}.tif", ramp)).rgba[30, :, 0]
        assert shades[2] < 15
        assert shades[-3] > 240
        assert np.all(np.diff(shades[3:-3].astype(int)) >= 0)


def test_ground_without_a_picture_is_left_open(tmp_path):
    values = field()
    values[:, :, :200] = 0
    picture = read_ground(write(tmp_path / "a.tif", values, nodata=0)).rgba
    assert picture[150, 20, 3] == 0
    assert picture[150, -20, 3] == 255
    numbers = np.full((1, 60, 60), 5.0, np.float32)
    numbers[0, 0, 0] = 9
    numbers[:, :, :30] = np.nan
    assert read_ground(write(tmp_path / "n.tif", numbers, nodata=np.nan)).rgba[30, 5, 3] == 0


def png():
    out = io.BytesIO()
    Image.new("RGB", (4, 4)).save(out, "PNG")
    return out.getvalue()


SECRET = b"<VRTDataset rasterXSize='1' rasterYSize='1'><VRTRasterBand band='1'/></VRTDataset>"


@pytest.mark.parametrize(
    "data", [b"", b"II*\x00", b"II*\x00" + b"\xff" * 500, png(), SECRET, b"GTIFF_DIR:1:x"]
)
def test_what_is_no_geotiff_is_refused_in_words(tmp_path, data):
    path = tmp_path / "x.tif"
    path.write_bytes(data)
    with pytest.raises(IntakeError, match=r"GeoTIFF|damaged"):
        read_ground(path)


def test_a_picture_that_does_not_say_where_it_lies_is_refused(tmp_path):
    path = write(tmp_path / "a.tif", field(), crs=None)
    with pytest.raises(IntakeError, match="does not say where"):
        read_ground(path)
    Image.new("RGB", (40, 40)).save(tmp_path / "b.tif")
    with pytest.raises(IntakeError, match="say where"):
        read_ground(tmp_path / "b.tif")


def test_limits_hold(tmp_path, monkeypatch):
    path = write(tmp_path / "a.tif", field())
    monkeypatch.setattr(geo.ground, "MOST_BYTES", 1000)
    with pytest.raises(IntakeError, match="is the most"):
        read_ground(path)


def test_a_small_file_that_promises_a_huge_picture_is_refused(tmp_path):
    import rasterio
    from rasterio.transform import Affine

    with rasterio.open(
        tmp_path / "a.tif", "w", driver="GTiff", width=200_000, height=200_000, count=1, crs=UTM,
        dtype="uint8", transform=Affine(1, 0, E, 0, -1, N), sparse_ok=True, tiled=True,
        blockxsize=4096, blockysize=4096,
    ):  # fmt: skip
        pass
    assert (tmp_path / "a.tif").stat().st_size < 1_000_000
    with pytest.raises(IntakeError, match="million are the most"):
        read_ground(tmp_path / "a.tif")


# In the app


def client_of(folder):
    return TestClient(create_app(folder), base_url=BASE, headers=ORIGIN)


def upload(path, field="picture"):
    return [(field, (path.name, path.read_bytes()))]


def under(page):
    """What a page lays under its map, as its script reads it."""
    if "data-ground=" not in page:
        return None
    text = page.split('data-ground="')[1].split('"')[0]
    return json.loads(html.unescape(text))


HOSTILE = "<img src=x onerror=alert(1)>\"'{{7*191}}${alert(2)}</script>"


def test_a_picture_is_kept_shown_and_taken_away(farm, tmp_path):
    client, prints = client_of(farm), fingerprint(farm, 2024)
    assert under(client.get("/").text) is None
    assert client.get("/ground.webp").status_code == 404
    path = around(farm, tmp_path / "mosaic.tif")
    client.post("/ground", files=upload(path), data={"credit": HOSTILE})
    page = client.get("/").text
    assert under(page)["credit"] == "Ground: " + HOSTILE
    assert "<img src=x" not in page
    assert "1337" not in page
    assert HOSTILE not in client.get("/settings").text
    picture = client.get(under(page)["url"])
    assert picture.headers["content-type"] == "image/webp"
    shown = Image.open(io.BytesIO(picture.content))
    assert max(shown.size) <= LONGEST_PX
    assert np.asarray(shown)[..., :3].mean() == pytest.approx(60, abs=3)
    # Maps do not depend on it: no run is out of date because of a picture.
    assert fingerprint(farm, 2024) == prints
    assert check_farm(farm) == ()

    backup_farm(farm, tmp_path / "farm.zip")
    restore_farm(tmp_path / "farm.zip", tmp_path / "again")
    assert under(client_of(tmp_path / "again").get("/").text)["credit"] == "Ground: " + HOSTILE

    client.post("/ground/away")
    assert not (farm / "ground").exists()
    assert under(client.get("/").text) is None


def test_a_dropped_picture_is_laid_under_the_maps(farm, tmp_path):
    client = client_of(farm)
    client.post("/lab/files", files=upload(around(farm, tmp_path / "m.tif"), "files"))
    assert under(client.get("/").text)["credit"] == "Ground: m.tif"


def test_a_picture_may_come_before_the_farm(tmp_path):
    folder, client = tmp_path / "leeg", client_of(tmp_path / "leeg")
    path = write(tmp_path / "m.tif", field())
    answer = client.post("/ground", files=upload(path), headers={"x-soilquilt": "1"}).json()
    assert answer["ground"]["bounds"][0][0] < answer["ground"]["bounds"][1][0]
    assert not folder.exists()
    assert client.get(answer["ground"]["url"]).status_code == 200
    corners = [[20.0, -33.97], [20.002, -33.97], [20.002, -33.972]]
    client.post("/outline/store", json={"pieces": [corners], "name": "Noord"})
    assert (folder / "ground" / "picture.webp").is_file()
    assert under(client.get("/").text)["url"] == answer["ground"]["url"]


def test_what_is_refused_leaves_the_picture_before(farm, tmp_path):
    client = client_of(farm)
    client.post("/ground", files=upload(around(farm, tmp_path / "m.tif")))
    before = {
        p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (farm / "ground").iterdir()
    }
    (tmp_path / "bad.tif").write_bytes(b"II*\x00 nothing")
    for files in (upload(tmp_path / "bad.tif"), [("picture", ("", b""))], None):
        answer = client.post("/ground", files=files, headers={"x-soilquilt": "1"})
        assert answer.status_code == 409
        assert answer.json()["error"]
    assert before == {
        p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (farm / "ground").iterdir()
    }


@pytest.mark.parametrize("path", ["/ground", "/ground/away"])
def test_another_page_cannot_lay_a_picture(farm, path):
    stranger = TestClient(create_app(farm), base_url=BASE)
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"},
                    {"origin": BASE, "sec-fetch-site": "cross-site"}):  # fmt: skip
        assert stranger.post(path, headers=headers).status_code == 403
    assert stranger.post(path, headers=ORIGIN | {"host": "evil.example"}).status_code == 400
    assert not (farm / "ground").exists()


def test_a_drawing_has_the_picture_where_the_block_lies(farm, tmp_path):
    """The matrix that SVG is given against PROJ: every corner of the block, to half a metre."""
    work = Workspace(farm)
    block = read_blocks(farm)[0]
    ownground.keep(work, around(farm, tmp_path / "a.tif"), "Drone")
    paper = paper_for(block.outline, 600, 600)
    laid = ownground.on_paper(work, "", block, paper)
    a, b, c, d, e, f = map(float, laid["matrix"].split())
    (south, west), (north, east) = ownground.told(work)["bounds"]
    to_page = Transformer.from_crs(4326, 3857, always_xy=True)
    (left, low), (right, high) = to_page.transform(west, south), to_page.transform(east, north)
    for lon, lat in block.lonlat.exterior.coords:
        x, y = to_page.transform(lon, lat)
        u, v = (x - left) / (right - left), (high - y) / (high - low)
        drawn = np.array([a * u + c * v + e, b * u + d * v + f])
        metres = Transformer.from_crs(4326, block.crs, always_xy=True).transform(lon, lat)
        assert np.hypot(*(drawn - paper.points([metres])[0])) / paper.scale < 0.5
