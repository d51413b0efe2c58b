"""The picture of the ground under the maps of a farm: kept in its folder, shown, taken away."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from geo.blocks import Block
from geo.errors import UsageError
from geo.ground import read_ground
from geo.settings import GroundSettings
from geo.store.database import now
from maps.drawing.drawings import Paper
from maps.drawing.seam import matrix_of
from maps.serving.workspace import Workspace

Data = dict[str, Any]

#: Where it lies in the farm folder, and what it is called there.
FOLDER, PICTURE, TOLD = "ground", "picture.webp", "picture.json"
MOST_CREDIT = 200


def keep(work: Workspace, path: Path, credit: str) -> str:
    """Make the picture of a GeoTIFF and keep it; what was done, in a sentence."""
    from PIL import Image

    found = read_ground(path, work.blocks())
    folder = _folder(work)
    folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".ground-") as temporary:
        picture = Path(temporary) / PICTURE
        Image.fromarray(found.rgba, "RGBA").save(picture, "WEBP", quality=82, method=2)
        told = {
            "name": path.name,
            "credit": credit.strip()[:MOST_CREDIT],
            "bounds": [list(reversed(found.south_west)), list(reversed(found.north_east))],
            "pixel_m": round(found.pixel_m, 3),
            "sha256": hashlib.sha256(picture.read_bytes()).hexdigest(),
            "at": now(),
        }
        os.replace(picture, folder / PICTURE)
        text = json.dumps(told, ensure_ascii=False, indent=1)
        (Path(temporary) / TOLD).write_text(text, encoding="utf-8")
        os.replace(Path(temporary) / TOLD, folder / TOLD)
    return f"{path.name} lies under the maps now, {found.pixel_m:.2g} m a pixel."


def told(work: Workspace) -> Data | None:
    """What is known of the picture; None where there is none."""
    try:
        found: Data = json.loads((_folder(work) / TOLD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if picture_of(work) is not None else None


def picture_of(work: Workspace) -> Path | None:
    """The picture's file, if there is one."""
    path = _folder(work) / PICTURE
    return path if path.is_file() else None


def remove(work: Workspace) -> None:
    """Take the picture away; the user's own file was never touched."""
    if told(work) is None:
        raise UsageError("There is no picture under the maps.")
    shutil.rmtree(_folder(work))


def _folder(work: Workspace) -> Path:
    """In the farm; beside it for as long as there is no farm yet."""
    if not work.exists:
        return work.waiting_room() / FOLDER
    folder = work.folder / FOLDER
    waiting = work.waiting_room() / FOLDER
    if waiting.is_dir() and not folder.exists():
        shutil.move(waiting, folder)
    return folder


def ground(work: Workspace, base: str) -> Data | None:
    """What a page lays under its map: the address of the picture, its corners, whose it is.

    `tiles` is there only if farm.toml names an address, and `asked` says whom the browser asks.
    """
    known = told(work)
    online = work.settings().ground if work.exists else GroundSettings()
    if known is None and not online.asked:
        return None
    under: Data = {"credit": ""}
    if known is not None:
        under |= {
            "url": f"{base}/ground.webp?{known['sha256'][:12]}",
            "bounds": known["bounds"],
            "credit": f"Ground: {known['credit'] or known['name']}",
        }
    if online.asked:
        asked = f"Pictures asked of {host_of(online.asked)}"
        words = [under["credit"], f"{asked}: {online.credit}" if online.credit else asked]
        under |= {
            "tiles": online.tiles,
            "mostZoom": online.most_zoom,
            "asked": online.asked,
            "credit": " · ".join(filter(None, words)),
        }
    return under


def on_paper(work: Workspace, base: str, block: Block, paper: Paper) -> Data | None:
    """The user's own picture as a drawing lays it below itself: address, matrix, whose it is."""
    known = told(work)
    if known is None:
        return None
    return {
        "url": f"{base}/ground.webp?{known['sha256'][:12]}",
        "matrix": matrix_of(known["bounds"], block, paper),
        "high": f"{paper.height:.1f}",
        "credit": f"Ground: {known['credit'] or known['name']}",
    }


def host_of(asked: str) -> str:
    """The host of an address, as people say it.

    Examples
    --------
    >>> host_of("https://tiles.example.org")
    'tiles.example.org'
    """
    return asked.partition("://")[2]
