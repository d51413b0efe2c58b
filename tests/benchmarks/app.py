"""Speed of the browser app on a farm that was run: `python -m tests.benchmarks.app FOLDER`.

With `--million` in place of the folder: a made-up block of a million cells and fourteen properties,
made and run first. Prints; asserts nothing. Times depend on the machine.
"""

import json
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import numpy as np
from pyproj import Transformer

from maps.cli import main as soilquilt
from maps.screenshots import a_browser, serving
from maps.serving.workspace import Workspace
from tests.benchmarks import clicks

#: West and south edge of the made-up block, its sides, and its system. [m]
E, N, SIDE_M, CRS = 407_000.0, 6_240_000.0, 1000.0, "EPSG:32734"
#: Heading of the laboratory's file -> mean, and fall from west to east as a share.
SOIL = {
    "pH (H2O)": (5.9, 0.15), "pH (KCl)": (5.1, 0.15), "OC %": (1.2, 0.4), "Clay %": (18, 0.4),
    "P Mehlich-3 mg/kg": (28, 0.8), "K NH4OAc mg/kg": (120, 0.7), "Mg NH4OAc mg/kg": (95, 0.6),
    "S mg/kg": (14, 0.4), "Zn DTPA mg/kg": (1.4, 0.6), "B hot water mg/kg": (0.5, 0.5),
    "Fe DTPA mg/kg": (42, 0.5), "Mn DTPA mg/kg": (18, 0.5), "Cu DTPA mg/kg": (2.1, 0.5),
    "EC dS/m": (0.4, 0.6),
}  # fmt: skip


def million(folder: Path) -> Path:
    """A farm of one block of 100 ha at cells of 1 m, run in 2024."""
    rng, to_lonlat = np.random.default_rng(6), Transformer.from_crs(CRS, 4326, always_xy=True)
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]) * SIDE_M + (E, N)
    ring = np.column_stack(to_lonlat.transform(*corners.T)).tolist()
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"name": "Million"}, "geometry": shape}
    outline, lab = folder / "million.geojson", folder / "lab.csv"
    outline.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    xy = rng.uniform(0.03, 0.97, (40, 2)) * SIDE_M
    lon, lat = to_lonlat.transform(xy[:, 0] + E, xy[:, 1] + N)
    falls = 0.5 - xy[:, 0] / SIDE_M + 0.2 * np.sin(xy[:, 1] / 150)
    columns = [m * (1 + f * falls + 0.08 * f * rng.standard_normal(40)) for m, f in SOIL.values()]
    rows = zip(lat, lon, *columns, strict=True)
    lines = [f"M{i}," + ",".join(f"{v:.7g}" for v in row) for i, row in enumerate(rows)]
    lab.write_text("\n".join([",".join(["sample", "lat", "lon", *SOIL]), *lines]))
    farm = folder / "farm"
    assert soilquilt(["new", str(farm), "--outlines", str(outline)]) == 0
    settings = (farm / "farm.toml").read_text("utf-8")
    (farm / "farm.toml").write_text(settings.replace("spacing_m = 2.5 ", "spacing_m = 1.0 "))
    assert soilquilt(["add", str(farm), str(lab), "--season", "2024"]) == 0
    began = time.perf_counter()
    assert soilquilt(["run", str(farm), "--season", "2024"]) == 0
    print(f"run of a million cells: {time.perf_counter() - began:.0f} s")
    return farm


def from_disk(path: Path) -> None:
    """Size of the page that opens without a server, and how long it takes to be usable."""
    with a_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        began = time.perf_counter()
        page.goto(path.as_uri())
        page.wait_for_selector(".strip button")
        print(f"map.html: {path.stat().st_size / 1000:.0f} kB, usable after "
              f"{time.perf_counter() - began:.2f} s")  # fmt: skip
        print("property switch from disk:", taken(page))


def main(folder: Path) -> None:
    work = Workspace(folder)
    ran = [(y, b) for y in reversed(work.seasons()) for b in work.blocks() if work.page(y, b.slug)]
    zoned = [(y, b) for y, b in ran if any(
        len(m["zones"]) > 1 for m in work.page(y, b.slug)["materials"])]  # fmt: skip
    season, block = (zoned or ran)[0]
    place = f"/{season}/{block.slug}"
    began = time.perf_counter()
    with serving(folder) as address:
        print(f"server up: {time.perf_counter() - began:.2f} s beyond imports")
        for path in ("/", f"{place}/soil", f"{place}/zones", f"{place}/strip.png"):
            began = time.perf_counter()
            size = len(urllib.request.urlopen(address + path).read())
            print(f"{path}: {time.perf_counter() - began:.3f} s, {size / 1000:.0f} kB")
        switches(address + f"{place}/soil")
    from_disk(work.made(season, block.slug) / "map.html")
    if zoned:
        clicks.main(folder)


def switches(address: str) -> None:
    """Time until the page is usable, and from a click on a property to its picture. [s, ms]"""
    with a_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        for words in ("first", "again"):
            began = time.perf_counter()
            page.goto(address)
            page.wait_for_selector("html[data-ready]", state="attached")
            print(f"page usable, {words}: {time.perf_counter() - began:.2f} s")
        print("property switch:", taken(page))


def taken(page) -> str:
    """Times from a click on each property to its picture on the map. [ms]"""
    times = page.evaluate("""async () => {
      const times = [];
      for (const button of [...document.querySelectorAll(".strip button")].slice(1, 14)) {
        const start = performance.now();
        button.click();
        const image = document.querySelector("img.leaflet-image-layer");
        if (image) await image.decode().catch(() => null);
        await new Promise((done) => requestAnimationFrame(done));
        times.push(performance.now() - start);
      }
      return times;
    }""")
    return ", ".join(f"{t:.0f}" for t in times) + " ms"


if __name__ == "__main__":
    if sys.argv[1] == "--million":
        with tempfile.TemporaryDirectory() as made:
            main(million(Path(made)))
    else:
        main(Path(sys.argv[1]))
