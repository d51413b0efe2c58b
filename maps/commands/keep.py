"""`check`, `backup`, `restore`."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from geo.upkeep import Fault, backup_farm, check_farm, restore_farm
from maps.answer import DONE, FAILED, Answer


def check(arguments: argparse.Namespace) -> Answer:
    """Verify records, originals and what runs made."""
    faults = [*check_farm(arguments.folder), *_run_faults(arguments.folder)]
    lines = [f"{fault.where}: {fault.message}" for fault in faults]
    return Answer(
        lines=lines or ["Settings, records, originals and files are in order."],
        document={"faults": [vars(fault) for fault in faults]},
        exit_code=FAILED if faults else DONE,
    )


def _run_faults(folder: Path) -> list[Fault]:
    """Season folders that no run finished, or whose files are gone."""
    faults = []
    for done in sorted((folder / "seasons").glob("*/*/done.json")):
        made = json.loads(done.read_text(encoding="utf-8")).get("files", [])
        gone = [name for name in made if not (done.parent / name).is_file()]
        if gone:
            where = done.parent.relative_to(folder).as_posix()
            faults.append(Fault(where, f"{', '.join(gone)} is missing. Run the season again."))
    for season in sorted((folder / "seasons").glob("*/*/")):
        if not (season / "done.json").is_file() and not season.name.startswith("."):
            where = season.relative_to(folder).as_posix()
            faults.append(Fault(where, "no run finished this folder. Run the season again."))
    return faults


def backup(arguments: argparse.Namespace) -> Answer:
    """Copy the farm into one zip."""
    count = backup_farm(arguments.folder, arguments.file)
    return Answer(
        lines=[f"{count} files of {arguments.folder} are in {arguments.file}."],
        document={"file": str(arguments.file), "files": count},
    )


def restore(arguments: argparse.Namespace) -> Answer:
    """Make a farm from a backup."""
    faults = restore_farm(arguments.file, arguments.folder)
    return Answer(
        lines=[
            f"{arguments.folder} is restored from {arguments.file}.",
            *(f"{fault.where}: {fault.message}" for fault in faults),
        ],
        document={"folder": str(arguments.folder), "faults": [vars(fault) for fault in faults]},
    )
