"""`compare`: what changed between two seasons, beyond doubt, and what the blocks taught."""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

from geo.errors import FarmError, SoilquiltError, UsageError
from maps.answer import DONE, FAILED, Answer, Progress, tell

#: Document and pictures of one block.
Made = tuple[dict[str, Any], list[dict[str, Any]]]


def compare(arguments: argparse.Namespace) -> Answer:
    """Compare two seasons of one block or of all, and write changes/<year>-<year>/."""
    years = (arguments.first, arguments.second)
    return compare_farm(arguments.folder, years, arguments.block)


def compare_farm(farm: Path, years: tuple[int, int], block: str | None = None) -> Answer:
    """The same for any caller; a block that cannot be compared is told among the lines."""
    from geo.farm import find_block, read_blocks
    from geo.settings import read_settings
    from maps.changes import change_sentences
    from maps.paper.measures import measures_of

    if years[0] >= years[1]:
        raise UsageError(
            f"Compare an earlier season with a later one, not {years[0]} with {years[1]}."
        )
    named = block is not None
    chosen = [find_block(farm, block)] if named else list(read_blocks(farm))
    answer = Answer(document={"years": list(years), "blocks": []})
    progress = Progress(len(chosen), "blocks")
    made: list[Made] = []
    measures = measures_of(read_settings(farm / "farm.toml"))
    for one in chosen:
        try:
            document, pictures = compare_block(farm, years, one.name)
        except SoilquiltError as error:
            if named:
                raise
            tell(f"soilquilt: {one.name}: {error}")
            answer.lines.append(f"{one.name}: not compared. {error}")
            answer.document["blocks"].append({"block": one.name, "error": str(error)})
            continue
        finally:
            progress.step(f"{one.name} {years[0]} to {years[1]}")
        made.append((document, pictures))
        sentences = [measures.said(one) for one in change_sentences(document)]
        answer.lines += [sentences[0], *(f"  {line}" for line in sentences[1:])]
        answer.document["blocks"].append(document | {"sentences": sentences})
    if not made:
        raise FarmError(f"{farm} has no block with soil samples of both {years[0]} and {years[1]}.")
    folder = write_changes_folder(farm, years, made)
    answer.lines.append(f"Files: {folder}/ (start with map.html)")
    answer.document["folder"] = str(folder)
    answer.exit_code = DONE if len(made) == len(chosen) else FAILED
    return answer


def compare_block(farm: Path, years: tuple[int, int], block: str) -> Made:
    """Document and pictures of one block; the zones are those of the first season's run."""
    from geo.compare import compare_records
    from geo.export.changes import changes_document, read_zones
    from geo.farm import read_records
    from maps.drawing.changepictures import change_pictures

    first, second = (read_records(farm, year, block) for year in years)
    run = farm / "seasons" / str(years[0]) / second.block.slug / "zones.geojson"
    changes = compare_records(first, second, read_zones(run, second.block))
    return changes_document(changes), change_pictures(changes)


def write_changes_folder(
    farm: Path,
    years: tuple[int, int],
    made: list[Made],
) -> Path:
    """Write changes/<year>-<year>/ as a whole; blocks compared before and not now are kept."""
    from geo.export.changes import read_changes, write_changes
    from geo.farm import read_blocks
    from geo.settings import read_settings
    from geo.upkeep import fingerprint
    from maps.changespage import write_changes_page
    from maps.drawing.changepictures import read_pictures
    from maps.serving.units_of_work import take_place

    folder = farm / "changes" / f"{years[0]}-{years[1]}"
    documents = {one["block"]: one for one in read_changes(folder)}
    pictures = read_pictures(folder)
    for document, drawn in made:
        documents[document["block"]] = document
        pictures[document["block"]] = drawn
    order = [block.name for block in read_blocks(farm) if block.name in documents]
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{folder.name}-") as temporary:
        fresh = Path(temporary) / folder.name
        write_changes([documents[name] for name in order], fresh)
        text = json.dumps({name: pictures.get(name, []) for name in order}, ensure_ascii=False)
        (fresh / "pictures.json").write_text(text + "\n", encoding="utf-8")
        kept = read_inputs(folder)
        now = [fingerprint(farm, year) for year in years]
        inputs = {name: kept.get(name, []) for name in order} | {d["block"]: now for d, _ in made}
        (fresh / "done.json").write_text(json.dumps({"inputs": inputs}) + "\n", encoding="utf-8")
        settings = read_settings(farm / "farm.toml")
        shown = [documents[one] for one in order]
        seams = {one["block"]: _seams(farm, years, one) for one in shown}
        page = fresh / "map.html"
        write_changes_page(shown, pictures, page, settings.name, seams, settings.units)
        take_place(fresh, folder)
    return folder


def _seams(farm: Path, years: tuple[int, int], document: dict[str, Any]) -> dict[str, Any]:
    """Key -> the maps of both years, of properties that are told of and were mapped in both."""
    from geo.farm import find_block
    from maps.changes import told_apart
    from maps.drawing.seam import both_years
    from maps.serving.workspace import Workspace

    work, block = Workspace(farm), find_block(farm, document["block"])
    keys = [rows[0]["key"] for rows in told_apart(document)]
    found = {key: both_years(work, years, block, key, document) for key in keys}
    return {key: both for key, both in found.items() if not both["missing"]}


def read_inputs(folder: Path) -> dict[str, list[str]]:
    """Block -> fingerprints of both seasons when it was compared; none if that is not known."""
    path = folder / "done.json"
    if not path.is_file():
        return {}
    found: dict[str, list[str]] = json.loads(path.read_text(encoding="utf-8"))["inputs"]
    return found
