"""Speed of the browser app on a farm that was run: `python -m tests.benchmarks.app FOLDER`.

Prints; asserts nothing. Times depend on the machine.
"""

import sys
import time
import urllib.request
from pathlib import Path

from maps.screenshots import a_browser, serving
from maps.serving.workspace import Wish, Workspace


def main(folder: Path) -> None:
    work = Workspace(folder)
    season = next(y for y in reversed(work.seasons()) if any(
        m for b in work.blocks() if work.page(y, b.slug)
        for m in work.page(y, b.slug)["materials"] if len(m["zones"]) > 1))  # fmt: skip
    block = next(b for b in work.blocks() if any(
        len(m["zones"]) > 1 for m in work.page(season, b.slug)["materials"]))  # fmt: skip
    place = f"/{season}/{block.slug}"
    began = time.perf_counter()
    with serving(folder) as address:
        print(f"server up: {time.perf_counter() - began:.2f} s beyond imports")
        for path in ("/", f"{place}/soil", f"{place}/zones", f"{place}/strip.png"):
            began = time.perf_counter()
            size = len(urllib.request.urlopen(address + path).read())
            print(f"{path}: {time.perf_counter() - began:.3f} s, {size / 1000:.0f} kB")
        switches(address + f"{place}/soil")
    tries(work, season, block)


def switches(address: str) -> None:
    """Time from a click on a property to its picture on the map. [ms]"""
    with a_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(address)
        page.wait_for_selector("html[data-ready]", state="attached")
        taken = page.evaluate("""async () => {
          const times = [];
          for (const button of [...document.querySelectorAll(".strip button")].slice(1, 8)) {
            const start = performance.now();
            button.click();
            const image = document.querySelector("img.leaflet-image-layer");
            if (image && !image.complete) await new Promise((done) => { image.onload = done; });
            await new Promise((done) => requestAnimationFrame(done));
            times.push(performance.now() - start);
          }
          return times;
        }""")
    print("property switch:", ", ".join(f"{t:.0f}" for t in taken), "ms")


def tries(work: Workspace, season: int, block) -> None:
    """Time of a wish once the season is at hand. [s]"""
    materials = work.page(season, block.slug)["materials"]
    amendment = next(m["amendment"] for m in materials if len(m["zones"]) > 1)
    work.live(season, block)
    for wish in (Wish(most_zones=2), Wish(little=1, much=2), Wish(width_m=6)):
        began, cpu = time.perf_counter(), time.process_time()
        work.tried(season, block, amendment, wish)
        print(f"{amendment}, {wish}: {time.perf_counter() - began:.2f} s, "
              f"{time.process_time() - cpu:.2f} s of one core")  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]))
