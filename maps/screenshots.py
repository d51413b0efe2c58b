"""Pictures of every page of a farm at three widths: `python -m maps.screenshots FOLDER [TO]`.

For looking at, and for the README. Needs Playwright and a Chromium of the machine; all names but
this machine's are blocked.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from geo.errors import FarmError
from maps.serving.workspace import Workspace

#: Width and height of a laptop's, of a tablet's and of a phone's window. [px]
SIZES = ((1280, 800), (768, 1024), (390, 844))
LIGHTS = ("day", "night", "sun")
Data = dict[str, Any]
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
)  # fmt: skip


def main() -> int:
    """Serve the farm, visit its pages, leave a PNG of each."""
    parser = argparse.ArgumentParser(prog="python -m maps.screenshots", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("to", type=Path, nargs="?", default=Path("screenshots"))
    arguments = parser.parse_args()
    with serving(arguments.folder) as address, a_browser() as browser:
        for path in shoot(browser, address, addresses(arguments.folder), arguments.to):
            sys.stdout.write(f"{path}\n")
    return 0


def addresses(folder: Path) -> dict[str, str]:
    """Name -> address of each page worth a picture: the newest season, every block."""
    work = Workspace(folder)
    pages = {"farm": "/", "lab": "/lab", "words": "/words", "settings": "/settings"}
    pages |= {"outline": "/outline", "no-such-page": "/no-such-page"}
    pages |= {f"outline-{block.slug}": f"/outline/{block.slug}" for block in work.blocks()}
    ran = [(y, b) for y in work.seasons() for b in work.blocks() if work.page(y, b.slug)]
    for year, block in ran:
        name = f"{year}-{block.slug}"
        for step in ("soil", "zones", "spread", "leaf"):
            pages[f"{name}-{step}"] = f"/{year}/{block.slug}/{step}"
        pages[f"{year}-buy"] = f"/{year}/buy"
        pages[f"{year}-farm"] = f"/?season={year}"
    for year, block in ran[:1]:
        pages |= _states(
            f"{year}-{block.slug}", f"/{year}/{block.slug}", work.page(year, block.slug)
        )
    for made in sorted(folder.glob("changes/*/changes.json")):
        years = made.parent.name
        for block in work.blocks():
            for lens in ("both", "change", "doubt"):
                name = f"{years}-{block.slug}-change-{lens}"
                pages[name] = f"/{years}/{block.slug}/change?lens={lens}"
    for plan in sorted(p.name for p in folder.glob("plans/*") if p.is_dir()):
        pages |= {f"{plan}-{b.slug}-spots": f"/{plan}/{b.slug}/spots" for b in work.blocks()}
    return pages


def _states(name: str, place: str, page: Data | None) -> dict[str, str]:
    """What one block's pages show beside their first view: lenses, no map, held, a reason."""
    if page is None:
        return {}
    soil, zones = f"{place}/soil?show=", f"{place}/zones?spread="
    found: dict[str, str] = {}
    for one in page["properties"][:1]:
        found |= {f"soil-{n['key']}": f"{soil}{one['key']}&lens={n['key']}" for n in one["lenses"]}
    for one in [p for p in page["properties"] if p["verdict"] == "none"][:1]:
        found["soil-no-map"] = soil + one["key"]
    for one in page["notAnalysed"][:1]:
        found["soil-not-analysed"] = soil + one["key"]
    for one in [h for h in page["held"] if h["kind"] == "held"][:1]:
        found["zones-held"] = zones + one["amendment"]
    for one in [m for m in page["materials"] if not m["nothing"]][:1]:
        why = f"#why={one['amendment']}:{one['zones'][0]['id']}"
        found["zones-why"] = zones + one["amendment"] + why
    return {f"{name}-{key}": path for key, path in found.items()}


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """The app on a free port of this machine, in a thread."""
    import uvicorn

    from maps.app import create_app

    server = uvicorn.Server(
        uvicorn.Config(create_app(folder), log_level="warning", timeout_graceful_shutdown=1)
    )
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while thread.is_alive() and not server.started:
        time.sleep(0.05)
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)


@contextmanager
def a_browser() -> Iterator[Any]:
    """Chromium of this machine, without a way out."""
    from playwright.sync_api import sync_playwright

    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        raise FarmError("No Chromium here. Install it, or name it in the environment: CHROMIUM.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


def shoot(browser: Any, address: str, pages: dict[str, str], to: Path) -> Iterator[Path]:
    """One picture a page and width, and the first block's soil and zones in every light."""
    to.mkdir(parents=True, exist_ok=True)
    ends = ("-soil", "-zones")
    lit = {next((name for name in pages if name.endswith(end)), None) for end in ends}
    for width, height in SIZES:
        context = browser.new_context(viewport={"width": width, "height": height})
        page = context.new_page()
        for name, path in pages.items():
            for light in LIGHTS if name in lit else ("day",):
                page.add_init_script(f"localStorage.setItem('light', '{light}')")
                page.goto(address + path)
                page.wait_for_selector("html[data-ready]", state="attached")
                page.wait_for_timeout(300)  # pictures are being decoded
                suffix = "" if light == "day" else f"-{light}"
                picture = to / f"{name}-{width}{suffix}.png"
                page.screenshot(path=str(picture))
                yield picture
        context.close()


if __name__ == "__main__":
    sys.exit(main())
