"""Every source that the maps and rates of a farm rest on, and the names of the properties."""

from __future__ import annotations

from typing import Any

from geo.lookup import properties, sources
from maps.serving.workspace import Workspace
from maps.wording import AMENDMENT_WORDS

Data = dict[str, Any]


def words(work: Workspace, season: int | None) -> Data:
    """Every source used on this farm, with how far it was read."""
    used: dict[str, set[str]] = {}
    for block in work.blocks():
        document = work.document(season, block.slug) if season else None
        if document is None:
            continue
        for key, rating in document["ratings"]["block"].items():
            name = properties()[key].name if key in properties() else key
            for part in (rating["source"] or "").split("+"):
                used.setdefault(part, set()).add(f"rating of {name}")
        for rate in [*document["rates"], *document["held"]]:
            word = AMENDMENT_WORDS.get(rate["amendment"], rate["amendment"])
            for source in rate["sources"]:
                for part in source.split("+"):
                    used.setdefault(part, set()).add(word)
    known = sources()
    return {
        "sources": [
            {"key": key, "title": known[key].title, "used": ", ".join(sorted(used[key]))}
            for key in sorted(used)
            if key in known
        ],
        "properties": [
            {"symbol": p.symbol, "name": p.name, "unit": "" if p.unit in ("1", "pH") else p.unit}
            for p in properties().values()
        ],
    }
