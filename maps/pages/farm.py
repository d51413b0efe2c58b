"""Start: the farm map, what each block asks for, what is next, and what we cannot say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import shapely
from shapely.geometry import mapping

from geo.blocks import Block
from geo.export.layers import to_lonlat
from geo.lookup import properties
from maps.drawing.furniture import crosses, row_lines, water_lines
from maps.pages.leaf import SETTLED
from maps.pages.silhouettes import silhouette
from maps.paper.measures import measures_of
from maps.serving.workspace import Workspace
from maps.wording import AMENDMENT_WORDS, money, sentence

Data = dict[str, Any]

#: The property the farm map shows, the first that was analysed.
SHOWN = ("ph_water", "ph_cacl2", "ph_kcl", "om", "oc")


def farm(work: Workspace, base: str, season: int) -> Data:
    """Context of the start page."""
    blocks = work.blocks()
    pages = {block.slug: work.page(season, block.slug) for block in blocks}
    documents = {block.slug: work.document(season, block.slug) for block in blocks}
    shown = _shown(pages)
    inputs = work.inputs(season)
    stale = {b.slug: work.outdated(season, b.slug, inputs) for b in blocks}
    told = [
        _block(work, base, season, block, pages[block.slug], documents[block.slug])
        | {"outdated": stale[block.slug], "redrawn": work.redrawn(season, block)}
        for block in blocks
    ]
    ran = [d for d in documents.values() if d]
    return {
        "headline": _headline(told) if ran else _before(told, season in work.seasons()),
        "shown": properties()[shown].name if shown else "",
        "facts": f"{_count(len(blocks), 'block')}, "
        + measures_of(work.settings()).area_words(sum(b.area_ha for b in blocks))
        + (f", {sum(d['samples']['stations'] for d in ran)} samples" if ran else ""),
        "told": told,
        "next": _next(work, base, season, [b for b in blocks if stale[b.slug]], ran),
        "cannot": _cannot(ran, season),
        "map": _map(work, base, season, pages, shown),
        "ran": bool(ran),
    }


def _count(number: int, word: str) -> str:
    words = {1: "One", 2: "Two", 3: "Three", 4: "Four", 5: "Five", 6: "Six"}
    return f"{words.get(number, number)} {word}{'' if number == 1 else 's'}"


def _shown(pages: dict[str, Data | None]) -> str:
    for key in SHOWN:
        for page in pages.values():
            if page and any(p["key"] == key for p in page["properties"]):
                return key
    return ""


def _before(told: list[Data], stored: bool) -> str:
    blocks = _count(len(told), "block")
    if stored:
        return f"{blocks}, results stored, no map yet."
    return f"{blocks}, no samples yet. Plan spots, or drop a laboratory's file."


def _headline(told: list[Data]) -> str:
    # A block that wants two things is counted once.
    wants = Counter(tuple(one["wants"]) for one in told if one["ran"])
    nothing = wants.pop((), 0)
    parts = [
        f"{_count(count, 'block').lower()} want{'s' if count == 1 else ''} {_listed(words)}"
        for words, count in wants.most_common(3)
    ]
    others = wants.total() - sum(count for _, count in wants.most_common(3))
    if others:
        parts.append(f"{_count(others, 'block').lower()} something else")
    if nothing:
        waits = any(one.get("held") for one in told if one["ran"] and not one["wants"])
        verb = ("gets" if waits else "needs") if nothing == 1 else ("get" if waits else "need")
        words = f"{verb} nothing yet" if waits else f"{verb} nothing"
        parts.append(f"{_count(nothing, 'block').lower()} {words}")
    return sentence(", ".join(parts))


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def _block(
    work: Workspace, base: str, season: int, block: Block, page: Data | None, document: Data | None
) -> Data:
    """What one block asks for, in two sentences."""
    told: Data = {
        "name": block.name,
        "silhouette": silhouette(block, 34),
        "ran": document is not None,
        "wants": [],
        "lines": [],
        "outdated": False,
        "slug": block.slug,
        "failure": work.failure(season, block.slug),
        "url": "",
    }
    if page is None or document is None:
        return told
    spread = [m for m in page["materials"] if not m["nothing"]]
    measures = measures_of(work.settings())
    told["wants"] = [m["word"].lower() for m in spread]
    first = next((p for p in page["properties"] if p["key"] in SHOWN), None)
    told["lines"] = [first["sentence"]] if first else []
    told["verdict"] = first["verdict"] if first else "none"
    told["verdictWords"] = first["verdictWords"] if first else ""
    told["amounts"] = [
        {
            "word": m["word"],
            "amount": measures.amount(m["totalKg"]),
            "cost": m["cost"],
            "url": f"{base}/{season}/{block.slug}/zones?spread={m['amendment']}",
        }
        for m in spread
    ]
    held = [one["word"] for one in page["held"] if one["kind"] == "held"]
    told["held"] = (
        f"Held for a leaf test or a word from you: {', '.join(held).lower()}." if held else ""
    )
    told["open"] = len(document["samples"]["open"])
    told["url"] = (
        f"{base}/{season}/{block.slug}/zones" if spread else (f"{base}/{season}/{block.slug}/soil")
    )
    return told


def _next(
    work: Workspace, base: str, season: int, changed: list[Block], ran: list[Data]
) -> list[Data]:
    """What to do now, most urgent first."""
    steps = []
    waiting = sum(len(d["samples"]["open"]) for d in ran)
    stale = [block.name for block in changed]
    missing = [b.name for b in work.blocks() if work.page(season, b.slug) is None]
    if season in work.seasons() and (missing or stale):
        names = ", ".join(missing or stale)
        why = (
            "results are stored, maps are not made yet"
            if missing
            else "something changed since the maps were made"
        )
        steps.append({"title": "Make the maps.", "text": f"{names}: {why}.", "action": "run"})
    totals: Counter[str] = Counter()
    cost, priced = 0.0, True
    for document in ran:
        totals.update(document["totals_kg"])
        known = [c for c in document["costs"].values() if c is not None]
        priced = priced and len(known) == len(document["costs"])
        cost += sum(known)
    if totals:
        measures = measures_of(work.settings())
        things = _listed(
            [f"{measures.amount(kg)} {name.replace('_', ' ')}" for name, kg in totals.items() if kg]
        )
        currency = ran[0]["settings"]["currency"]
        money_words = f", {money(cost, currency)} with delivery and spreading" if priced else ""
        if things:
            steps.append(
                {"title": "Buy:", "text": f"{things}{money_words}.",
                 "link": "Purchase list", "url": f"{base}/{season}/buy"}
            )  # fmt: skip
    if waiting:
        steps.append(
            {"title": "Answer what is open.",
             "text": f"{waiting} value{' is' if waiting == 1 else 's are'} stored and in no map.",
             "link": "Open questions", "url": f"{base}/{season}/lab"}
        )  # fmt: skip
    return [*steps, *_settles(base, season, ran)]


def _settles(base: str, season: int, ran: list[Data]) -> list[Data]:
    """What lets go of the rates that are held: a leaf test, or a word from the grower."""
    held = [(h["amendment"], d["block"]) for d in ran for h in d["held"] if h["kind"] == "held"]
    steps = []
    leaf = sorted({AMENDMENT_WORDS.get(h, h) for h, _ in held if h in SETTLED.values()})
    if leaf:
        steps.append({"title": "Leaf test.", "text": f"It settles {_listed(leaf)}."})
    asked = [(AMENDMENT_WORDS.get(h, h), h, b) for h, b in held if h not in SETTLED.values()]
    if asked:
        words = _listed([f"{word} in {block['name']}" for word, _, block in asked])
        _, first, block = asked[0]
        url = f"{base}/{season}/{block['folder']}/zones?spread={first}"
        steps.append({"title": "Say or measure what is asked.", "text": f"It settles {words}.",
                      "link": "What is asked", "url": url})  # fmt: skip
    return steps


def _cannot(ran: list[Data], season: int) -> list[str]:
    """What no map and no rate says, in the same type as what we can."""
    known, lines = properties(), []
    missing = [set(d["samples"]["not_analysed"]) for d in ran]
    if missing:
        names = [known[k].name for k in sorted(set.intersection(*missing)) if k in known]
        if names:
            verb = "was" if len(names) == 1 else "were"
            lines.append(
                f"{sentence(', '.join(names))[:-1]} {verb} not analysed in {season}. It does not "
                "count as zero."
            )
        without = [{k for k, s in d["surfaces"].items() if s["verdict"] == "none"} for d in ran]
        names = [known[k].name for k in sorted(set.intersection(*without)) if k in known]
        if names:
            lines.append(
                f"{sentence(', '.join(names))[:-1]}: no map in any block. The samples cannot say "
                "where it is more or less."
            )
        lines.append("Nitrogen is not read from soil here. Leaf and growth decide.")
    return lines


def _map(
    work: Workspace, base: str, season: int, pages: dict[str, Data | None], shown: str
) -> Data:
    """Outlines and pictures of all blocks; names are shown by our own script as text."""
    blocks, measures = work.blocks(), measures_of(work.settings())
    drawn: list[Data] = []
    legend: list[Data] = []
    for index, block in enumerate(blocks):
        page = pages[block.slug]
        one = next((p for p in page["properties"] if p["key"] == shown), None) if page else None
        lens = one["lenses"][0] if one else None
        if lens and not legend:
            legend = lens["legend"]
        label = shapely.Point(block.outline.bounds[0], block.outline.bounds[3])
        place = to_lonlat(label, block.crs)
        url = f"{base}/{season}/{block.slug}/soil" if page else ""
        drawn.append(
            {
                "id": index,
                "name": block.name,
                "facts": measures.area_words(block.area_ha)
                + (" · one value" if one and one["verdict"] == "none" else ""),
                "outline": mapping(block.lonlat),
                "rows": mapping(to_lonlat(row_lines(block), block.crs)),
                "water": mapping(to_lonlat(water_lines(block), block.crs)),
                "label": [place.y, place.x],
                "picture": f"{base}/{season}/{block.slug}/picture/{shown}/found.webp"
                if lens
                else None,
                "bounds": lens["bounds"] if lens else None,
                "samples": [[s["lat"], s["lon"]] for s in page["samples"]] if page else [],
                "url": url,
            }
        )
    return {
        "units": measures.words,
        "blocks": drawn,
        "legend": legend,
        # Blocks lie on one lattice: a cross that two of them ask for is drawn once.
        "crosses": list(
            dict.fromkeys((lat, lon) for block in blocks[:6] for lat, lon in crosses(block))
        ),
    }
