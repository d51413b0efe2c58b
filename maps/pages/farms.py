"""All farms of a folder, sorted by what needs attention."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geo.errors import SoilquiltError
from maps.paper.measures import measures_of
from maps.serving.workspace import Workspace

Data = dict[str, Any]


def farms(works: Sequence[Workspace]) -> Data:
    """Context of the list: failures first, then questions, then what is stale, then the rest."""
    told = [_farm(work, index) for index, work in enumerate(works)]
    told.sort(key=lambda one: (-one["weight"], str(one["name"]).lower()))
    return {"farms": told}


def _farm(work: Workspace, index: int) -> Data:
    try:
        return _look(work, index)
    except SoilquiltError as error:
        return {"name": work.folder.name, "url": f"/farm/{index}/", "weight": 1000,
                "lines": [str(error)], "facts": ""}  # fmt: skip


def _look(work: Workspace, index: int) -> Data:
    blocks, seasons = work.blocks(), work.seasons()
    lines, weight = [], 0
    season = seasons[-1] if seasons else None
    if season is None:
        lines.append("No samples yet.")
        weight += 5
    for block in blocks if season is not None else ():
        assert season is not None
        failure = work.failure(season, block.slug)
        document = work.document(season, block.slug)
        if failure:
            lines.append(f"{block.name}: {failure}")
            weight += 100
        elif document is None:
            lines.append(f"{block.name}: no maps of {season} yet.")
            weight += 10
        elif work.outdated(season, block.slug):
            lines.append(f"{block.name}: changed since its maps were made.")
            weight += 8
        if document and document["samples"]["open"]:
            waiting = len(document["samples"]["open"])
            wait = "value waits" if waiting == 1 else "values wait"
            lines.append(f"{block.name}: {waiting} {wait} for an answer.")
            weight += 20 + waiting
    area = sum(b.area_ha for b in blocks)
    count = f"{len(blocks)} block{'' if len(blocks) == 1 else 's'}"
    words = measures_of(work.settings()).area_words(area)
    facts = f"{count}, {words}" + (f", season {season}" if season else "")
    return {"name": work.name, "url": f"/farm/{index}/", "weight": weight,
            "lines": lines or ["Nothing waits."], "facts": facts}  # fmt: skip
