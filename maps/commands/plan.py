"""`plan`: next season's spots for one block or for all, and the files to take them with."""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geo.errors import FarmError, UsageError
from geo.progress import Progress as Told
from geo.progress import silent
from maps.answer import Answer, Progress

#: Seasons looked back for the last survey.
YEARS_BACK = 30
#: Asked for in place of a number of spots: as many as last time, or as the size of a block asks.
AS_LAST_TIME = 0


def plan(arguments: argparse.Namespace) -> Answer:
    """Plan the spots of a season and write plans/<year>/."""
    return plan_farm(
        arguments.folder, arguments.season, _wishes(arguments), arguments.block,
        arguments.budget, None if arguments.doubt is None else arguments.doubt / 100.0,
    )  # fmt: skip


def plan_farm(
    farm: Path,
    season: int,
    wishes: Any,
    block: str | None = None,
    budget: float | None = None,
    doubt: float | None = None,
    *,
    own: Mapping[str, Any] | None = None,
    told: Told = silent,
) -> Answer:
    """Plan one block or all; nothing is written until the last of them is planned.

    Parameters
    ----------
    wishes : Wishes
        `wishes.spots` may be `AS_LAST_TIME`.
    budget : float, optional
        For all chosen blocks together. [currency]
    doubt : float, optional
        Share of the soil's spread that may be left in each. [1]
    own : mapping, optional
        Block name -> Wishes that stand in for the common ones there, but for the number of spots.
    told : Progress
        Told each stage as its turn comes; it may raise to end the planning.
    """
    from dataclasses import replace

    from numpy.random import default_rng

    from geo.export.plan import plan_document
    from geo.farm import find_block, read_blocks
    from geo.sampling import plan_block
    from maps.paper.measures import measures_of
    from maps.paper.plansheets import curve_sentence, plan_facts, plan_sentence, worth_sentences

    chosen = [find_block(farm, block)] if block else list(read_blocks(farm))
    answer = Answer(document={"plans": []})
    progress = Progress(len(chosen), "blocks")
    plans = []
    before = []
    for number, one in enumerate(chosen):
        told(f"what is known of {one.name}", number, len(chosen))
        before.append(known_of(farm, one.name, season))
    asked = [(own or {}).get(one.name, wishes) for one in chosen]
    told("how many spots", 0, 0)
    sizes = _sizes(before, wishes, asked, budget, doubt)
    for number, (one, (records, known), wished, spots) in enumerate(
        zip(chosen, before, asked, sizes, strict=True)
    ):
        told(f"the spots of {one.name}", number, len(chosen))
        rng = default_rng(records.settings.grid.seed)
        made = plan_block(
            records.block, season, replace(wished, spots=spots), known, records.settings, rng
        )
        progress.step(f"{one.name} {season}, planned")
        plans.append(made)
        measures = measures_of(records.settings)
        answer.lines += [
            f"{one.name} {season}: {plan_sentence(made)}",
            f"  {measures.said(', '.join(plan_facts(made)))}.",
            *(
                f"  {measures.said(line)}"
                for line in (*worth_sentences(made), *curve_sentence(made), *made.notes)
            ),
        ]
        answer.document["plans"].append(plan_document(made))
    told("files and field sheet", 0, 0)
    folder = write_plan_folder(farm, season, plans)
    answer.lines += [
        f"Files: {folder}/ (spots.gpx for the receiver, field.html for the phone)",
        f"When the results are back: soilquilt add {farm} {folder}/spots.gpx RESULTS "
        f"--season {season} (in place of spots.gpx, what the receiver logged).",
    ]
    answer.document["folder"] = str(folder)
    return answer


def _sizes(
    before: list[tuple[Any, Any]],
    wishes: Any,
    asked: list[Any],
    budget: float | None,
    doubt: float | None,
) -> list[int]:
    """Spots of each block: as asked, as the money or the doubt asks, or as is usual."""
    from numpy.random import default_rng

    from geo.sampling import share_budget, spots_asked, usual_spots, wide_curve

    usual = [usual_spots(records.block, known) for records, known in before]
    if budget is None and doubt is None:
        return [wishes.spots or spots for spots in usual]
    curves = [
        wide_curve(
            records.block, wished, known, records.settings,
            default_rng(records.settings.grid.seed),
        )
        for (records, known), wished in zip(before, asked, strict=True)
    ]  # fmt: skip
    shares: list[float | None] = [None] * len(before)
    if budget is not None:
        shares = list(share_budget(budget, usual, curves))
    return [
        spots_asked(
            records.block, curve, records.settings.currency, budget=share, doubt=doubt
        )
        for (records, _), curve, share in zip(before, curves, shares, strict=True)
    ]  # fmt: skip


def _wishes(arguments: argparse.Namespace) -> Any:
    from geo.sampling import Wishes

    if arguments.spots is not None and (
        arguments.budget is not None or arguments.doubt is not None
    ):
        raise UsageError("Give --spots, or --budget and --doubt, not both: each says how many.")
    if arguments.budget is not None and not arguments.budget > 0:
        raise UsageError("--budget is a sum of money above 0.")
    if arguments.doubt is not None and not 0 < arguments.doubt < 100:
        raise UsageError("--doubt is a percentage of the soil's spread: above 0 and below 100.")
    if arguments.a_day is not None and arguments.a_day < 1:
        raise UsageError("--a-day is a number of spots: 1 or more.")
    if arguments.spots is not None and arguments.spots < 1:
        raise UsageError("--spots is a number of spots: ask for 3 or more.")
    return Wishes(
        spots=AS_LAST_TIME if arguments.spots is None else arguments.spots,
        repeats=arguments.repeats,
        gate_lonlat=arguments.gate,
        no_go=_shapes(arguments.avoid),
        fixed_lonlat=tuple(arguments.at),
        keep=tuple(arguments.keep),
        most_a_day=arguments.a_day,
        along_rows=arguments.along_rows,
    )


def _shapes(paths: list[Path]) -> tuple[Any, ...]:
    """No-go areas from outline files."""
    from geo.blocks import read_outlines

    shapes = []
    for path in paths:
        outlines, findings = read_outlines(path)
        if not outlines:
            said = " ".join(finding.message for finding in findings)
            raise UsageError(f"{path.name} holds no area to keep off. {said}".strip())
        shapes += [outline.lonlat for outline in outlines]
    return tuple(shapes)


def known_of(farm: Path, block: str, season: int) -> tuple[Any, Any]:
    """Records for the season, and what is known of the block before it."""
    from geo.farm import read_blocks, read_records
    from geo.sampling import Known
    from geo.season import run_season
    from geo.store.sharing import nearest_block

    records = read_records(farm, season, block)
    blocks = read_blocks(farm)
    stations = {
        name: lonlat
        for name, lonlat in records.stations.items()
        if nearest_block(lonlat, blocks) == records.block.name
    }
    last = last_survey(farm, block, season) if stations else None
    done = None if last is None else run_season(farm, last, block, test_zones=False)
    elsewhere = () if stations else _elsewhere(farm, blocks, records.block.name, season)
    return records, Known(
        done, stations, tuple(records.stations), records.applications, elsewhere
    )  # fmt: skip


def _elsewhere(farm: Path, blocks: Any, name: str, season: int) -> tuple[Any, ...]:
    """Models of the last surveys of the farm's other blocks, worked out only where stale."""
    others = [(one, last_survey(farm, one.name, season)) for one in blocks if one.name != name]
    return tuple(_models_of(farm, one, last) for one, last in others if last is not None)


def _models_of(farm: Path, block: Any, season: int) -> Any:
    from geo.checks import check_samples
    from geo.export.seasonfile import season_versions
    from geo.farm import read_records
    from geo.planning.elsewhere import elsewhere_from, elsewhere_of
    from geo.season import run_season

    path = farm / "seasons" / str(season) / block.slug / "season.json"
    if path.is_file():
        records = read_records(farm, season, block.name)
        checked = check_samples(records.layer(), records.block, records.planned)
        document = json.loads(path.read_text(encoding="utf-8"))
        kept = elsewhere_from(document, checked, records.block, season_versions())
        if kept is not None:
            return kept
    return elsewhere_of(run_season(farm, season, block.name, test_zones=False))


def last_survey(farm: Path, block: str, season: int) -> int | None:
    """The last season before this one with soil samples of the block."""
    from geo.farm import read_records
    from geo.store.database import reading

    with reading(farm) as database:
        rows = database.execute(
            "SELECT DISTINCT season FROM results WHERE season < ? AND season > ?"
            " ORDER BY season DESC",
            (season, season - YEARS_BACK),
        ).fetchall()
    years = (int(row[0]) for row in rows)
    return next((year for year in years if read_records(farm, year, block).layers), None)


def write_plan_folder(farm: Path, season: int, plans: list[Any]) -> Path:
    """Write plans/<year>/ as a whole; blocks that were planned before and not now are kept."""
    from geo.export.plan import read_plans, write_plans
    from geo.farm import read_blocks
    from geo.settings import read_settings
    from maps.paper.plansheets import write_plan_pages
    from maps.serving.units_of_work import take_place

    if not plans:
        raise FarmError(f"{farm} has no block to plan for. Add outlines with 'soilquilt add'.")
    settings = read_settings(farm / "farm.toml")
    blocks = {block.name: block for block in read_blocks(farm)}
    folder = farm / "plans" / str(season)
    by_name = {}
    if (folder / "plan.json").is_file():
        by_name = {one.block.name: one for one in read_plans(folder / "plan.json", blocks)}
    by_name |= {one.block.name: one for one in plans}
    all_plans = [by_name[name] for name in blocks if name in by_name]
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{season}-") as temporary:
        made = Path(temporary) / str(season)
        write_plans(all_plans, made, settings.name)
        write_plan_pages(all_plans, made, settings.name, settings.units)
        take_place(made, folder)
    return folder
