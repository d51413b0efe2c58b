"""`new` and `add`: outlines and files into the farm, with what was found in them."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from geo.blocks import Block, Outline
from geo.checks import check_samples
from geo.errors import FarmError, IntakeError, SoilquiltError, UsageError
from geo.farm import (
    accept_findings,
    create_farm,
    known_points,
    read_blocks,
    read_records,
    store_reading,
)
from geo.findings import Finding
from geo.intake.corners import outlines_of_file
from geo.intake.files import read_file
from geo.intake.together import said_with
from geo.store.planned import planned_places
from geo.store.receiving import Stored
from geo.store.stations import ids_without_place, layouts
from maps.answer import FAILED, Answer, finding_document, finding_lines, tell


def new(arguments: argparse.Namespace) -> Answer:
    """Make a farm from outlines; nothing is made if one of them cannot be read."""
    outlines, findings = outlines_of(arguments.outlines, arguments.crs, arguments.accept)
    stopped = [finding for finding in findings if finding.severity in ("refused", "open")]
    if stopped or not outlines:
        _print_findings(findings)
        first = stopped[0].message if stopped else "There is no outline in these files."
        proposal = stopped[0].proposal if stopped else ""
        raise IntakeError(" ".join(filter(None, [first, proposal, "No farm was made."])))
    blocks = create_farm(arguments.folder, outlines, files=arguments.outlines)
    return Answer(
        lines=[
            f"{arguments.folder} is a farm with {_blocks_in_words(blocks)}.",
            *finding_lines(findings),
            f"Look through {arguments.folder / 'farm.toml'}: rows, spreader, year of planting.",
        ],
        document={
            "folder": str(arguments.folder),
            "blocks": [_block_document(block) for block in blocks],
            "findings": [finding_document(finding) for finding in findings],
        },
    )


def outlines_of(
    files: Sequence[Path], crs: str | None = None, accept: Sequence[str] = ()
) -> tuple[list[Outline], list[Finding]]:
    """Outlines of several files; each file is told what the others hold."""
    outlines: list[Outline] = []
    findings: list[Finding] = []
    for path in files:
        must_exist(path)
        beside = [outline.lonlat for outline in outlines]
        more, found = outlines_of_file(path, crs=crs, beside=beside, accept=accept)
        outlines += more
        findings += found
    return outlines, findings


def must_exist(path: Path) -> None:
    """Say so if there is no such file."""
    if not path.is_file():
        raise IntakeError(f"There is no file {path}. Check the name and the folder.")


def _blocks_in_words(blocks: Sequence[Block]) -> str:
    count = "1 block" if len(blocks) == 1 else f"{len(blocks)} blocks"
    return f"{count}: " + ", ".join(f"{b.name} ({b.area_ha:.2f} ha)" for b in blocks)


def _block_document(block: Block) -> dict[str, object]:
    return {
        "name": block.name,
        "folder": block.slug,
        "area_ha": block.area_ha,
        "crs": block.crs,
    }


def add(arguments: argparse.Namespace) -> Answer:
    """Store files one by one; a refused file leaves the others alone."""
    read_blocks(arguments.folder)
    answer = Answer(document={"files": []})
    for path in arguments.files:
        try:
            stored = add_file(arguments.folder, path, arguments)
        except UsageError:
            raise
        except (FarmError, IntakeError) as error:
            answer.exit_code = FAILED
            _note_refused(answer, path, error)
        else:
            _note_stored(answer, path, stored)
    taken = any(file["state"] != "refused" for file in answer.document["files"])
    if taken and arguments.season is not None:
        _note_checks(answer, arguments.folder, arguments.season, arguments.accept)
    return answer


def add_file(folder: Path, path: Path, arguments: argparse.Namespace) -> Stored:
    """Read one file as the words of the command say, and store it."""
    return store_file(
        folder,
        path,
        arguments.season,
        accept=arguments.accept,
        crs=arguments.crs,
        columns=dict(arguments.map_column),
        units=dict(arguments.unit),
        methods=dict(arguments.method),
        anew=arguments.anew,
    )


def store_file(
    folder: Path,
    path: Path,
    season: int | None,
    *,
    accept: Sequence[str] = (),
    anew: bool = False,
    **words: Any,
) -> Stored:
    """Read a file with all that the farm knows already, and store it."""
    must_exist(path)
    reading = read_file(
        path,
        season=season,
        blocks=read_blocks(folder),
        known_points=known_points(folder, season),
        known_ids=ids_without_place(folder, season),
        planned=planned_places(folder, season),
        accept=accept,
        profiles=() if anew else layouts(folder),
        **words,
    )
    if any(finding.severity == "refused" for finding in reading.findings):
        _print_findings(reading.findings)
    return store_reading(folder, reading, season, accept)


def _note_refused(answer: Answer, path: Path, error: SoilquiltError) -> None:
    tell(f"soilquilt: {error}")
    answer.lines.append(f"{path.name}: nothing of it was stored.")
    answer.document["files"].append({"file": path.name, "state": "refused", "error": str(error)})


def _note_stored(answer: Answer, path: Path, stored: Stored) -> None:
    answer.lines += [f"{path.name}: {stored.what}", *finding_lines(stored.findings)]
    answer.document["files"].append(
        {
            "file": path.name,
            "state": "already here" if stored.already else "stored",
            "what": stored.what,
            "findings": [finding_document(finding) for finding in stored.findings],
        }
    )


def _note_checks(answer: Answer, folder: Path, season: int, accept: Sequence[str]) -> None:
    """What the checks of the season's samples ask, and what of it was agreed to just now."""
    asked = season_findings(folder, season)
    agreed = [f for f in asked if f.rule in accept and f.repair and f.severity == "open"]
    done = accept_findings(folder, season, agreed)
    told = [f for file in answer.document["files"] for f in file.get("findings", [])]
    known = {f["message"] for f in told}
    named = [(str(f["rule"]), frozenset(f["samples"])) for f in told]
    left = [
        f for f in asked if f not in agreed and f.message not in known and not said_with(f, named)
    ]
    answer.lines += list(done)
    if left:
        answer.lines += ["Looking at the season's samples together:", *finding_lines(left)]
    answer.document["checks"] = [finding_document(finding) for finding in left]
    answer.document["agreed"] = list(done)


def season_findings(folder: Path, season: int) -> list[Finding]:
    """Findings of all blocks and layers of a season, each once."""
    findings: dict[tuple[str, str], Finding] = {}
    for block in read_blocks(folder):
        records = read_records(folder, season, block.name)
        for samples in records.layers:
            for finding in check_samples(samples, records.block, records.planned).findings:
                findings.setdefault((finding.rule, finding.message), finding)
    return list(findings.values())


def _print_findings(findings: Iterable[Finding]) -> None:
    tell(*finding_lines(findings))
