"""Two years of one block: what moved beyond doubt, what the block taught, what it cost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geo.blocks import Block
from geo.export.changes import read_changes
from geo.lookup import properties
from maps import changes
from maps.changefigures import VERDICT_WORDS, name_of, signed_figure
from maps.changemoney import money_sentences
from maps.changespage import table
from maps.commands.compare import read_inputs
from maps.drawing.changepictures import paper_of, read_pictures
from maps.drawing.seam import both_years
from maps.pages.silhouettes import silhouette
from maps.paper.measures import measures_of
from maps.serving import ownground
from maps.serving.workspace import Workspace

Data = dict[str, Any]

#: Parts of the page whose sentences are said in the farm's own units.
IN_FARM_UNITS = ("both", "money", "opening", "picture", "quiet", "responses", "sentence", "table",
                 "unlike")  # fmt: skip
Years = tuple[int, int]

#: Lens -> what it is called; the first is shown at first.
LENSES = {"both": "both years", "change": "change", "doubt": "beyond doubt"}
#: Word under a property's symbol in the strip.
SHORT = {"shown": "shown", "not_shown": "not shown", "refused": "not compared"}


def folder_of(work: Workspace, years: Years) -> Path:
    """Where a comparison of two seasons lies."""
    return work.folder / "changes" / f"{years[0]}-{years[1]}"


def change(
    work: Workspace, base: str, years: Years, block: Block, asked: str, told: list[str]
) -> Data:
    """Context of the page; without a `document` where the two were not compared yet.

    Parameters
    ----------
    asked : str
        Key of the property to show; any other text shows the one that tells most.
    told : list of str
        What the last comparison said, for blocks that it refused.
    """
    folder = folder_of(work, years)
    found = [one for one in read_changes(folder) if one["block"] == block.name]
    place = f"{base}/{years[0]}-{years[1]}/{block.slug}/change"
    context: Data = {
        "block": block.name,
        "years": years,
        "place": place,
        "inside": place.removeprefix(base),
        "slug": block.slug,
        "document": found[0] if found else None,
        "refused": [line for line in told if line.startswith(f"{block.name}: not compared")],
        "by_command": f"soilquilt compare {work.folder.name} {years[0]} {years[1]}",
    }
    if not found:
        return context
    document, key = found[0], _key(found[0], asked)
    pictures = read_pictures(folder).get(block.name, [])
    picture = next((one for one in pictures if one["key"] == key), None)
    rows = [r for r in document["changes"] if r["key"] == key]
    made = context | {
        "key": key,
        "name": name_of(key),
        "facts": _facts(document, key),
        "silhouette": silhouette(block, 46.0),
        "strip": _strip(document, place, key),
        "outdated": outdated(work, years, block),
        "both": both_years(work, years, block, key, document)
        | {"below": ownground.on_paper(work, base, block, paper_of(block))},
        "picture": picture,
        "table": table(rows, pictures, years[0]),
        "verdict": _verdict(rows),
        "sentence": changes.headline(rows),
        "responses": [_response(one, block.name) for one in document["responses"]],
        "money": money_sentences(document),
        "quiet": changes.quiet(document),
        "unlike": [
            *document["warnings"],
            *changes.stations_sentences(document),
            *changes.refusals(document),
        ],
        "opening": changes.change_sentences(document)[0],
        "border": document["border"],
        "files": _files(base, folder, work.folder),
    }
    measures = measures_of(work.settings())
    scale = {"units": measures.words, "metres_a_unit": 1.0 / paper_of(block).scale}
    return made | scale | {part: measures.everywhere(made[part]) for part in IN_FARM_UNITS}


def views(context: Data, lens: str) -> Data:
    """The lens that is shown, and pictures as markup: a run drew them and escaped every name."""
    from markupsafe import Markup

    if context["document"] is None:
        return {}
    picture = context["picture"]
    shown = lens if lens in LENSES else "both"
    drawn = picture or {"change": "", "doubt": "", "chart": ""}
    return {
        "shown": shown,
        "lenses": [{"key": k, "words": w, "here": k == shown} for k, w in LENSES.items()],
        "views": [(one, Markup(drawn[one])) for one in ("change", "doubt")],
        "chart": Markup(drawn["chart"]),
    }


def other_years(base: str, seasons: list[int], years: Years, block: Block) -> list[Data]:
    """Other pairs that end in the same season, newest first."""
    return [
        {
            "words": f"{year} and {years[1]}",
            "url": f"{base}/{year}-{years[1]}/{block.slug}/change",
        }
        for year in reversed(seasons)
        if year < years[1] and year != years[0]
    ]


def outdated(work: Workspace, years: Years, block: Block) -> bool:
    """Whether records or settings changed since the two years of a block were compared."""
    then = read_inputs(folder_of(work, years)).get(block.name)
    return bool(then) and then != [work.inputs(year) for year in years]


def _key(document: Data, asked: str) -> str:
    """The property asked for, else the first that moved, else the first compared."""
    keys = [row["key"] for row in document["changes"]]
    if asked in keys:
        return asked
    told = changes.told_apart(document)
    return str(told[0][0]["key"] if told else keys[0])


def _facts(document: Data, key: str) -> str:
    return f"{properties()[key].name} · {len(document['stations'])} spots sampled both years"


def _verdict(rows: list[Data]) -> Data:
    """Verdict of a property: shown if any ground shows it, alone or against untreated."""
    state = changes.property_state(rows)
    words = VERDICT_WORDS[state].rstrip(".")
    return {"icon": {"shown": "useful", "refused": "none"}.get(state, "weak"), "words": words}


def _strip(document: Data, place: str, key: str) -> list[Data]:
    """Properties in reading order, each with its verdict in a word."""
    rows: dict[str, list[Data]] = {}
    for row in document["changes"]:
        rows.setdefault(row["key"], []).append(row)
    return [
        {
            "key": one,
            "symbol": properties()[one].symbol,
            "name": properties()[one].name,
            "words": SHORT[changes.property_state(found)],
            "state": changes.property_state(found),
            "url": f"{place}?show={one}",
            "here": one == key,
        }
        for one, found in rows.items()
    ]


def _response(response: Data, block: str) -> Data:
    """The block's own figure beside the table's, 19 in 20, and which is used next."""
    own, end = changes.response_sentences(response, block)

    def figures(*names: str) -> Data:
        value, low, high = (signed_figure(response[name]) for name in names)
        return {"value": value, "range": f"{low} to {high}"}

    return {
        "unit": response["unit"],
        "material": response["material"],
        "own": figures("value", "low", "high"),
        "table": figures("prior", "prior_low", "prior_high"),
        "source": response["source"],
        "sentences": [own, end.strip()],
    }


def _files(base: str, folder: Path, farm: Path) -> list[Data]:
    words = {
        "map.html": "all blocks on one page, opens from disk",
        "changes.csv": "one row for each property and ground",
        "pairs.csv": "one row for each property and spot of both years",
        "changes.json": "all of it and the lessons, for programs",
    }
    return [
        {"name": name, "words": said, "url": f"{base}/made/{(folder / name).relative_to(farm)}"}
        for name, said in words.items()
        if (folder / name).is_file()
    ]
