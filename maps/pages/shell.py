"""What every page has: the farm, its seasons and blocks, and the thread with the year's steps."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geo.blocks import Block
from maps.pages.silhouettes import silhouette
from maps.paper.measures import Measures, measures_of
from maps.serving.workspace import Workspace

Data = dict[str, Any]

STEPS = ("spots", "walk", "lab", "soil", "zones", "spread", "leaf", "change")
#: What a step waits for, or is about, while there is nothing to say of it.
ABOUT = {
    "spots": "where to sample",
    "walk": "take the samples",
    "lab": "drop the results",
    "soil": "what was found",
    "zones": "where, how much",
    "spread": "buy and record",
    "leaf": "ask the plant",
    "change": "did it work?",
}


def shell(work: Workspace, base: str, season: int | None, slug: str | None, here: str) -> Data:
    """Context of the frame around a page."""
    blocks = work.blocks()
    seasons = work.seasons()
    season = season if season is not None else (seasons[-1] if seasons else None)
    chosen = next((b for b in blocks if b.slug == slug), blocks[0] if blocks else None)
    return {
        "base": base,
        "farm": work.name,
        "exists": work.exists,
        "season": season,
        "seasons": [{"year": year, "url": f"{base}/?season={year}"} for year in reversed(seasons)],
        "blocks": [
            {
                "name": block.name,
                "slug": block.slug,
                "silhouette": silhouette(block),
                "here": block.slug == slug,
                "url": _block_url(work, base, season, block, here),
            }
            for block in blocks
        ],
        "steps": steps(work, base, season, chosen, here),
        "here": here,
        "command": f"soilquilt open {work.folder.name}",
    }


def _block_url(work: Workspace, base: str, season: int | None, block: Block, here: str) -> str:
    step = here if here in ("soil", "zones", "spread", "leaf", "change", "spots") else "soil"
    # A plan and a comparison do not need maps of the season they are for.
    if season is None or (step not in ("spots", "change") and not work.page(season, block.slug)):
        return f"{base}/"
    return f"{base}/{season}/{block.slug}/{step}"


def steps(
    work: Workspace, base: str, season: int | None, block: Block | None, here: str
) -> list[Data]:
    """The eight steps with where each stands: "done", "here" or "todo"."""
    said = _said(work, season, block)
    done = [name for name in STEPS if said.get(name, ("", False))[1]]
    return [
        {
            "name": name.capitalize(),
            "line": said.get(name, (ABOUT[name], False))[0],
            "state": "here" if name == here else "done" if name in done else "todo",
            "done": name in done,
            "url": _step_url(base, season, block, name),
        }
        for name in STEPS
    ]


def _step_url(base: str, season: int | None, block: Block | None, name: str) -> str:
    if name == "lab":
        return f"{base}/{season}/lab" if season else f"{base}/lab"
    if season is None or block is None:
        return f"{base}/step/{name}"
    return f"{base}/{season}/{block.slug}/{name}"


def _said(work: Workspace, season: int | None, block: Block | None) -> dict[str, tuple[str, bool]]:
    """Step -> a line on where it stands, and whether it is done."""
    if season is None or block is None:
        return {}
    document = work.document(season, block.slug)
    if document is None:
        return {"lab": ("results are stored", True)}
    samples, waiting = document["samples"], len(document["samples"]["open"])
    asks = "" if not waiting else f", {waiting} open"
    rated = list(dict.fromkeys(r["amendment"] for r in document["rates"] if r["rate_kg_ha"] > 0))
    tissue = {r["sample_id"] for r in document["ratings"]["tissue"]}
    said = {
        "walk": (f"{samples['stations']} samples taken", True),
        "lab": (f"{samples['stations']} samples{asks}", True),
        "soil": (f"{len(document['surfaces'])} properties", True),
        "zones": (", ".join(rated) or "nothing to spread", True),
        "spread": (_to_buy(document, measures_of(work.settings())), False),
    }
    if tissue:
        said["leaf"] = ("1 leaf test" if len(tissue) == 1 else f"{len(tissue)} leaf tests", True)
    compared = sorted((work.folder / "changes").glob(f"*-{season}/changes.json"))
    if compared:
        said["change"] = (compared[-1].parent.name.replace("-", " to "), True)
    if plan_files(work.folder, season):
        said["spots"] = ("planned", True)
    return said


def _to_buy(document: Data, measures: Measures) -> str:
    total = sum(document["totals_kg"].values())
    return f"to buy: {measures.amount(total)}" if total else "nothing to buy"


#: What each file of a plan is for.
PLAN_WORDS = {
    "field-sheet.pdf": "the walk on paper",
    "field.html": "the walk for the phone, opens anywhere without internet",
    "spots.gpx": "spots for the phone's map app or a GPS receiver",
    "spots.kml": "spots for an earth viewer",
    "spots.csv": "spots as a table",
    "spots.geojson": "spots for a GIS or the web",
    "lab-order.csv": "sample ids for the laboratory's order",
    "plan.json": "everything as data",
}


def plan_files(farm: Path, season: int | None) -> list[Path]:
    """Files of the sampling plan of a season."""
    folder = farm / "plans" / str(season)
    return sorted(p for p in folder.rglob("*") if p.is_file()) if folder.is_dir() else []
