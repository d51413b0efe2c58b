"""`demo`: an invented farm from files as they come: two seasons run and compared, one planned."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

import demo_geodata
from geo.farm import create_farm, read_blocks
from geo.sampling import Wishes
from maps.answer import Answer, finding_document, finding_lines, tell
from maps.changes import summary_sentences
from maps.commands.compare import compare_farm
from maps.commands.intake import outlines_of, store_file
from maps.commands.plan import AS_LAST_TIME, plan_farm
from maps.commands.run import run_units
from maps.serving.units_of_work import Unit, units_of

#: Blocks of the demo that are run at the same time.
MOST_JOBS = 2


def demo(arguments: argparse.Namespace) -> Answer:
    """Make the farm, add every file, run both seasons, compare them, plan the third.

    No question is answered.
    """
    folder = arguments.folder
    answer = Answer(document={"folder": str(folder), "findings": []})
    make_demo_farm(folder, answer)
    units: list[Unit] = []
    for season in demo_geodata.SEASON_FILES:
        add_season(folder, season, answer)
        units += units_of(folder, season, None, None)
    ran = run_units(units, jobs=min(MOST_JOBS, os.cpu_count() or 1))
    compared = compare_seasons(folder)
    next_season = max(demo_geodata.SEASON_FILES) + 1
    plan = plan_farm(folder, next_season, Wishes(AS_LAST_TIME))
    answer.lines += [
        "",
        *ran.lines,
        "",
        *compared.lines,
        "",
        *plan.lines,
        "",
        f"Everything is in {folder}/. Open a map: {_map(units[0])}",
    ]
    answer.document |= ran.document | compared.document
    answer.document |= {"plans": plan.document["plans"], "plan_folder": plan.document["folder"]}
    answer.exit_code = ran.exit_code or compared.exit_code
    if arguments.open:
        _open_maps(units)
    return answer


def make_demo_farm(folder: Path, answer: Answer) -> None:
    """The farm with its three blocks, settings and prices."""
    files = demo_geodata.files()
    paths = [files / name for name in demo_geodata.OUTLINES]
    outlines, findings = outlines_of(paths)
    text = (files / "farm.toml").read_text(encoding="utf-8")
    create_farm(folder, outlines, text, files=paths, tables=[files / "prices.toml"])
    blocks = ", ".join(f"{block.name} ({block.area_ha:.2f} ha)" for block in read_blocks(folder))
    answer.lines += [f"The farm of the demo has three blocks: {blocks}.", *finding_lines(findings)]


def add_season(folder: Path, season: int, answer: Answer) -> None:
    """Every file of a season, in the order in which it came."""
    for name in demo_geodata.SEASON_FILES[season]:
        tell(f"Reading {name}")
        stored = store_file(folder, demo_geodata.files() / name, season)
        answer.lines += [f"{name}: {stored.what}", *finding_lines(stored.findings)]
        answer.document["findings"] += [finding_document(f) for f in stored.findings]


def compare_seasons(folder: Path) -> Answer:
    """What changed between the demo's seasons and what the blocks teach, in short."""
    years = min(demo_geodata.SEASON_FILES), max(demo_geodata.SEASON_FILES)
    found = compare_farm(folder, years)
    answer = Answer(exit_code=found.exit_code)
    for one in found.document["blocks"]:
        first, *rest = [one["error"]] if "error" in one else summary_sentences(one)
        answer.lines += [first, *(f"  {line}" for line in rest)]
    answer.lines.append(f"What changed, in full: {found.document['folder']}/map.html")
    answer.document = {
        "changes": found.document["blocks"],
        "changes_folder": found.document["folder"],
    }
    return answer


def _map(unit: Unit) -> Path:
    return unit.folder / "map.html"


def _open_maps(units: list[Unit]) -> None:
    import webbrowser

    for unit in units:
        if _map(unit).is_file():
            webbrowser.open(_map(unit).resolve().as_uri())
