"""Spots of a season: map with the walk, what new spots are for, what the plan is worth."""

from __future__ import annotations

import math
from pathlib import Path
from shlex import quote
from typing import Any

from markupsafe import Markup
from numpy.random import default_rng

from geo.blocks import Block
from geo.errors import KrigingError, UsageError
from geo.export.plan import read_plans, way_of
from geo.sampling import SamplePlan, Spot, Wishes, move_spots, too_near, wishes_of
from geo.upkeep import fingerprint
from maps.colors import ZONE_FILLS
from maps.commands.plan import known_of, last_survey, write_plan_folder
from maps.drawing import drawings, prints
from maps.pages import spotwishes
from maps.pages.shell import plan_files
from maps.pages.spotchances import chances
from maps.paper.measures import measures_of
from maps.paper.plansheets import kept_apart, plan_facts, plan_sentence, worth_sentences
from maps.paper.sizecurve import curve
from maps.serving import ownground
from maps.serving.planning import farm_planning
from maps.serving.running import Run
from maps.serving.workspace import Workspace

Data = dict[str, Any]
Places = dict[str, tuple[float, float]]

#: Largest size of the map. [user units]
WIDE, HIGH = 620.0, 600.0
#: Said where the block was sampled, and nothing is planned.
WAITS = "Where a new sample can change a decision, and which old spots to take again."
#: What the phone takes along: a page to read and the places for its own map app.
FOR_THE_PHONE = ("field.html", "spots.gpx")


def plan_of(work: Workspace, season: int, block: Block) -> SamplePlan | None:
    """The plan of a block for a season, if there is one."""
    path = work.folder / "plans" / str(season) / "plan.json"
    if not path.is_file():
        return None
    plans = read_plans(path, {one.name: one for one in work.blocks()})
    return next((plan for plan in plans if plan.block.name == block.name), None)


def spots(work: Workspace, base: str, season: int, block: Block) -> Data | None:
    """Context of the page: the plan of the season or the one after; None where there is none."""
    plan = plan_of(work, season, block) or plan_of(work, season + 1, block)
    if plan is None:
        return None
    paper, measures = drawings.paper_for(block.outline, WIDE, HIGH), measures_of(work.settings())
    doubt = chances(work, plan, paper)
    files = [_file(base, work.folder, path) for path in plan_files(work.folder, plan.season)]
    wishes = spotwishes.shown(work, base, plan.season, block, plan, paper)
    return {
        "block": block.name,
        "year": plan.season,
        "next_year": season + 1 if season in work.seasons() else plan.season,
        "path": f"/{season}/{block.slug}/spots",
        "count": len(plan.spots),
        "sentence": plan_sentence(plan),
        "facts": measures.everywhere(plan_facts(plan)),
        "worth": measures.everywhere(worth(plan)),
        "new": [_told(spot) for spot in plan.spots if spot.kind != "repeat"],
        "all": [_told(spot) for spot in plan.spots],
        "notes": measures.everywhere(plan.notes),
        "wide": f"{paper.width:.1f}",
        "high": f"{paper.height + 18:.1f}",
        "under": Markup("".join(_under(plan, paper, doubt is not None, feet=measures.us))),
        "below": ownground.on_paper(work, base, block, paper),
        "doubt": doubt,
        "marks": [_mark(spot, paper) for spot in plan.spots],
        "strips": bool(plan.strips),
        "no_go": any(shape.intersects(block.outline) for shape in plan.no_go),
        "gate": _gate(plan, paper),
        "curve": curve(plan),
        "wishes": wishes,
        "told": work.told.get("spots", []),
        "files": files,
        "phone": [one for one in files if one["short"] in FOR_THE_PHONE],
        "paper": next((one for one in files if one["short"] == "field-sheet.pdf"), None),
        "by_command": spotwishes.command_of(work.folder.name, plan),
        "data": {
            "base": base,
            "wishes": wishes["data"],
            "place": f"{base}/{plan.season}/{block.slug}/spots",
            "way": round_the_rows(plan),
            "chances": doubt["words"] if doubt else {},
            "west": paper.west_m,
            "north": paper.north_m,
            "scale": paper.scale,
        },
    }


def first(work: Workspace, base: str, season: int, block: Block) -> Data:
    """Context where the block has no plan yet: its map, to put wishes on."""
    year = season + 1 if season in work.seasons() else season
    paper, feet = drawings.paper_for(block.outline, WIDE, HIGH), measures_of(work.settings()).us
    surveyed = last_survey(work.folder, block.name, year) is not None
    wishes = spotwishes.shown(work, base, year, block, None, paper, surveyed=surveyed)
    ground = drawings.area(block.outline, paper, ZONE_FILLS[0])
    made = [*plan_files(work.folder, season), *plan_files(work.folder, season + 1)]
    return {
        "block": block.name,
        "year": year,
        "next_year": year,
        "path": f"/{season}/{block.slug}/spots",
        "wide": f"{paper.width:.1f}",
        "high": f"{paper.height + 18:.1f}",
        "under": Markup("".join([ground, *prints.frame_parts(block, paper, feet=feet)])),
        "below": ownground.on_paper(work, base, block, paper),
        "waits": WAITS
        if surveyed
        else f"No sample of {block.name} is on file yet, and none is "
        "needed: without any the spots cover the block evenly.",
        "wishes": wishes,
        "told": work.told.get("spots", []),
        "made": [_file(base, work.folder, path) for path in dict.fromkeys(made)],
        "by_command": f"soilquilt plan {quote(work.folder.name)} --season {year} "
        f"--block {quote(block.name)}",
        "data": {"base": base, "wishes": wishes["data"]},
    }


def worth(plan: SamplePlan) -> list[str]:
    """What the plan does for the doubt, and the same so finely that a moved spot is seen in it."""
    quality = plan.quality
    if quality.unit in ("of the value", "of the spread"):
        finely = f"±{100 * quality.doubt_after:.3f} % {quality.unit}"
    else:
        finely = f"±{quality.doubt_after:.4f} {quality.unit}".rstrip()
    if math.isfinite(quality.worth_share):
        finely += f", {100 * quality.worth_share:.1f} in 100 caught"
    return [*worth_sentences(plan), f"Watch this line while you move a spot: {finely}."]


def _told(spot: Spot) -> Data:
    return {"number": spot.number, "id": spot.sample_id, "kind": spot.kind, "reason": spot.reason}


def _mark(spot: Spot, paper: drawings.Paper) -> Data:
    x, y = paper.points((spot.x_m, spot.y_m))[0].tolist()
    return _told(spot) | {"x": round(x, 1), "y": round(y, 1), "day": spot.day}


def _gate(plan: SamplePlan, paper: drawings.Paper) -> Data | None:
    if plan.gate_m is None:
        return None
    x, y = paper.points(plan.gate_m)[0].tolist()
    return {"x": round(x, 1), "y": round(y, 1)}


def round_the_rows(plan: SamplePlan) -> str:
    """The walk as a path on the map where rows are not crossed; empty where it is straight."""
    if not plan.along_rows:
        return ""
    paper = drawings.paper_for(plan.block.outline, WIDE, HIGH)
    ways = (way_of(plan, day) for day in sorted({spot.day for spot in plan.spots}))
    return "".join(drawings.path_of(way, paper) for way in ways if way is not None)


def _under(plan: SamplePlan, paper: drawings.Paper, doubt: bool, *, feet: bool) -> list[str]:
    """What lies over the doubt and below the walk: check strips, outline, ponds, rows, scale."""
    ground = [] if doubt else [drawings.area(plan.block.outline, paper, ZONE_FILLS[0])]
    return [*ground, *kept_apart(plan, paper), *prints.frame_parts(plan.block, paper, feet=feet)]


def _file(base: str, farm: Path, path: Path) -> Data:
    name = path.relative_to(farm).as_posix()
    return {"name": name, "short": path.name, "url": f"{base}/made/{name}"}


def places_of(asked: Any) -> Places:
    """Sample id -> place in the block's metric CRS, as the page sends it. [m]"""
    try:
        places = {str(k): (float(v[0]), float(v[1])) for k, v in asked["places"].items()}
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        raise UsageError("Say where each spot goes: id and two numbers in metres.") from None
    if not all(math.isfinite(figure) for place in places.values() for figure in place):
        raise UsageError("A place is two numbers in metres.")
    return places


def moved(work: Workspace, season: int, block: Block, places: Places) -> tuple[SamplePlan, float]:
    """The plan on file with some spots elsewhere, and the spacing that it keeps. [m]"""
    from geo.planning.site import site_of

    plan = plan_of(work, season, block)
    if plan is None:
        raise UsageError(f"There is no plan of {block.name} for {season}.")
    key = (block.slug, season, fingerprint(work.folder, season))
    with work.lock:
        if key not in work.sites:
            records, known = known_of(work.folder, block.name, season)
            site = site_of(records.block, Wishes(spots=len(plan.spots)), known)
            work.sites.clear()
            work.sites[key] = (site, records.settings)
        site, settings = work.sites[key]
    made = move_spots(plan, places, site, settings, default_rng(settings.grid.seed))
    return made, site.ground.spacing_m


def tried(work: Workspace, season: int, block: Block, places: Places) -> Data:
    """What the plan is worth with some spots elsewhere, or why they may not stand there."""
    try:
        plan, spacing_m = moved(work, season, block, places)
    except KrigingError as refused:
        return {"error": str(refused)}
    near = too_near(plan, places, spacing_m)
    measures = measures_of(work.settings())
    return {
        "facts": measures.everywhere(plan_facts(plan)),
        "worth": measures.everywhere(worth(plan)),
        "near": measures.said(" ".join(near)),
        "way": round_the_rows(plan),
    }


def keep(work: Workspace, season: int, block: Block, places: Places) -> Data:
    """Write the plan with some spots elsewhere; all its files are made anew."""
    plan, _ = moved(work, season, block, places)
    write_plan_folder(work.folder, season, [plan])
    return {"said": "Kept. The files below hold the new places."}


def all_planned(
    work: Workspace, season: int, count: int, budget: float | None, said: list[str]
) -> Run:
    """A run that plans every block; what was asked for by place in a block stays asked for.

    `said` takes what the plans say, or why there are none.
    """
    own = {}
    for block in work.blocks():
        plan = plan_of(work, season, block)
        if plan is not None:
            own[block.name] = wishes_of(plan)
    return farm_planning(work.folder, work.name, season, Wishes(spots=count), budget, own, said)
