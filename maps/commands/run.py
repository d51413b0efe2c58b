"""`run`: the whole job for a season, of one farm or of a folder of farms."""

from __future__ import annotations

import argparse
from pathlib import Path

from geo.errors import FarmError
from geo.farm import settings_of_no_block
from geo.store.typed import depth_from
from maps.answer import DONE, FAILED, Answer, Progress, tell
from maps.serving.units_of_work import Outcome, Unit, farms_in, run_all, share, units_of
from maps.summary import season_sentences


def run(arguments: argparse.Namespace) -> Answer:
    """Run every block of a season, and say what was found."""
    layer_cm = depth_from(arguments.layer) if arguments.layer else None
    farms = farms_in(arguments.folder)
    units = [
        unit
        for farm in farms
        for unit in units_of(farm, arguments.season, arguments.block, layer_cm)
    ]
    if not units:
        raise FarmError(
            f"{arguments.folder} has no soil samples of {arguments.season}. Add them with "
            f"'soilquilt add {arguments.folder} FILE --season {arguments.season}'."
        )
    if arguments.shard:
        units = share(units, arguments.shard)
    if arguments.only_failed:
        units = [unit for unit in units if unit.failed.is_file()]
    return run_units(units, arguments.jobs, arguments.resume)


def run_units(units: list[Unit], jobs: int = 1, resume: bool = False) -> Answer:
    """Run units with progress on stderr; blocks are told in their own order."""
    progress = Progress(len(units), "blocks")
    outcomes: dict[Unit, Outcome] = {}
    for outcome in run_all(units, jobs, resume):
        outcomes[outcome.unit] = outcome
        progress.step(f"{outcome.unit.block} {outcome.unit.season}, {outcome.state}")
    answer = Answer(document={"blocks": []})
    for unit in units:
        _note(answer, outcomes[unit])
    failed = [outcome for outcome in outcomes.values() if outcome.state == "failed"]
    answer.exit_code = FAILED if failed else DONE
    if not units:
        answer.lines.append("Nothing to do.")
    for farm in dict.fromkeys(unit.farm for unit in units):
        tell(*(f"soilquilt: {line}" for line in settings_of_no_block(farm)))
    return answer


def _note(answer: Answer, outcome: Outcome) -> None:
    unit = outcome.unit
    record: dict[str, object] = {
        "farm": str(unit.farm),
        "block": unit.block,
        "season": unit.season,
        "state": outcome.state,
    }
    if outcome.document is None:
        tell(f"soilquilt: {unit.block} {unit.season}: {outcome.error}")
        record["error"] = outcome.error
        answer.lines.append(f"{unit.block} {unit.season}: not done. {outcome.error}")
    else:
        sentences = season_sentences(outcome.document)
        record |= {
            "folder": str(unit.folder),
            "sentences": sentences,
            "open": len(outcome.document["samples"]["open"]),
            "totals_kg": outcome.document["totals_kg"],
        }
        answer.lines += [sentences[0], *(f"  {line}" for line in sentences[1:])]
        answer.lines.append(f"  Files: {_shown(unit.folder)}")
    answer.document["blocks"].append(record)


def _shown(folder: Path) -> str:
    return f"{folder}/ (start with map.html)"
