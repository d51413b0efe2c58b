"""From a click to what it draws, in a real browser: `python -m tests.benchmarks.clicks FOLDER`.

The folder is a farm that was run, as `soilquilt demo` makes it. Elapsed milliseconds from the click
on the zones page until the page has the answer and the browser has drawn two frames, each knob with
three values never tried before, so that nothing is at hand but what the page has made ready. Beside
it, in turn and in the same process, PyKrige kriges one property of the same samples at the same
cells with one model that it is given: what any answer drawn from the samples would take at least.
A switch of property stands beside the bare exchange of one picture by another. One thread wanted:
OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1. Prints; asserts nothing.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from pathlib import Path
from typing import Any

from geo.blocks import Block
from geo.season import Season
from maps.screenshots import a_browser, serving
from maps.serving.workspace import Workspace

#: What is promised: for a property on the map, and for zones, tonnes and money. [ms]
SWITCH_MS, ZONES_MS = 150, 1000

#: Does something on the page and waits until the column says it and two frames are drawn.
TAKEN = """async ([selector, value]) => {
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const said = new Promise((done) => {
    const watch = new MutationObserver(() => { watch.disconnect(); done(); });
    for (const part of document.querySelectorAll(".say, .spot")) {
      watch.observe(part, { childList: true });
    }
  });
  const knob = document.querySelector(selector), start = performance.now();
  if (knob.type === "radio") knob.click();
  else { knob.value = value; knob.dispatchEvent(new Event("change", { bubbles: true })); }
  await said;
  await frame(); await frame();
  return performance.now() - start;
}"""

#: Whether a wish is answered at once.
STATE = "async () => (await (await fetch(data.app.place + '/ready')).json()).state"

#: Clicks on each property; then exchanges the same pictures without a word about them.
SWITCHES = """async () => {
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const image = () => document.querySelector("img.leaflet-image-layer");
  const clicks = [], bare = [];
  for (const button of [...document.querySelectorAll(".strip button")].slice(1, 14)) {
    let start = performance.now();
    button.click();
    if (!image()) continue;
    await image().decode().catch(() => null);
    await frame();
    clicks.push(performance.now() - start);
    const other = new Image(), box = image().getBoundingClientRect();
    start = performance.now();
    other.src = image().src + "?again";
    Object.assign(other.style, { position: "fixed", width: box.width + "px" });
    document.body.append(other);
    await other.decode().catch(() => null);
    await frame();
    bare.push(performance.now() - start);
    other.remove();
  }
  return [clicks, bare];
}"""


def knobs(page: Any) -> list[tuple[str, list[tuple[str, str]]]]:
    """Name of a knob -> where it is and what it is set to, three times."""
    options = page.eval_on_selector_all("#product option", "all => all.map((o) => o.value)")
    typed = {
        "target pH": ("#target", ["6.1", "6.3", "6.6"]),
        "price": ("#price", ["900", "1100", "1300"]),
        "product": ("#product", [one for one in options if one][:3]),
        "minimum width": ("#width", ["5", "7.5", "9"]),
    }
    found = [("zones, at most", [(f"input[name=most_zones][value='{n}']", "") for n in (1, 2, 3)])]
    found += [
        (name, [(where, value) for value in values])
        for name, (where, values) in typed.items()
        if page.locator(where).count()
    ]
    unsure = [(f"input[name=unsure][value={n}]", "") for n in ("little", "balanced", "much")]
    return [*found, ("too little and too much", unsure)]


def by_pykrige(season: Season) -> float:
    """Elapsed time of one property at the cells of the map. [ms]"""
    from pykrige.ok import OrdinaryKriging

    key, surface = max(season.surfaces.items(), key=lambda one: one[1].n)
    table = season.checked.usable.dropna(subset=[key])
    values = table[key].to_numpy(dtype=float)
    model = {"psill": 0.6 * values.var(), "range": 90.0, "nugget": 0.4 * values.var()}
    start = time.perf_counter()
    kriging = OrdinaryKriging(
        *(table[axis].to_numpy(dtype=float) for axis in ("x_m", "y_m")), values,
        variogram_model="spherical", variogram_parameters=model,
    )  # fmt: skip
    kriging.execute("points", *surface.grid.cells().T)
    return 1000 * (time.perf_counter() - start)


def say(what: str, times: list[float], peers: list[float], wanted: float) -> None:
    """One line: every time, the middle one, and how it stands to the peer's."""
    middle, peer = statistics.median(times), statistics.median(peers)
    listed = " ".join(f"{t:.0f}" for t in times)
    print(f"{what:<24} {listed} ms; middle {middle:.0f} (want < {wanted:g}), "
          f"{middle / peer:.1f} times the peer's {peer:.0f}")  # fmt: skip


def switches(page: Any, address: str) -> None:
    """From a click on a property to its picture."""
    page.goto(address)
    page.wait_for_selector("html[data-ready]", state="attached")
    clicks, bare = page.evaluate(SWITCHES)
    say("property", clicks, bare, SWITCH_MS)


def wishes(page: Any, address: str, amendment: str, season: Season) -> None:
    """From a knob to zones, tonnes and money."""
    began = time.perf_counter()
    page.goto(f"{address}?spread={amendment}")
    page.wait_for_selector("html[data-ready]", state="attached")
    usable = time.perf_counter() - began
    while page.evaluate(STATE) == "working":
        time.sleep(0.1)
    ready = time.perf_counter() - began
    print(f"zones page: usable after {usable:.1f} s, ready for tries after {ready:.1f} s")
    for name, settings in knobs(page):
        times, peers, cpu_s = [], [], 0.0
        for where, value in settings:
            peers.append(by_pykrige(season))
            began = time.process_time()
            times.append(page.evaluate(TAKEN, [where, value]))
            cpu_s += time.process_time() - began
            page.evaluate("() => document.querySelector('.strip [aria-pressed=true]').click()")
        if times:
            say(name, times, peers, ZONES_MS)
            print(f"{'':<24} of one core {1000 * cpu_s / len(times):.0f} ms a try")


def zoned(work: Workspace) -> tuple[int, Block, str]:
    """The newest season, block and amendment with more than one zone."""
    for season in reversed(work.seasons()):
        for block in work.blocks():
            page = work.page(season, block.slug)
            for material in page["materials"] if page else ():
                if len(material["zones"]) > 1 and (material["amendment"] == "lime"):
                    return season, block, material["amendment"]
    raise SystemExit("No block of this farm has lime in zones: run its seasons first.")


def main(folder: Path) -> None:
    """Print every knob's times."""
    work = Workspace(folder)
    year, block, amendment = zoned(work)
    season = work.live(year, block).season
    cells = int(season.surfaces[next(iter(season.surfaces))].grid.inside.sum())
    load, cores = os.getloadavg()[0], os.cpu_count()
    print(f"{block.name} {year}: {block.area_ha:.1f} ha, {cells:,} cells, {amendment}; "
          f"load {load:.1f} on {cores} cores")  # fmt: skip
    with serving(folder) as base, a_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        switches(page, f"{base}/{year}/{block.slug}/soil")
        wishes(page, f"{base}/{year}/{block.slug}/zones", amendment, season)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
