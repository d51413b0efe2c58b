"""Season -> the data behind report.pdf: sentences, tables and pictures, as plain JSON values.

No figure is made here; each is taken from a finished record and put into words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from geo.asapplied import AsApplied
from geo.blocks import Block
from geo.export.applied import applied_rows
from geo.export.seasonfile import season_versions
from geo.lookup import properties
from geo.ratings import Rating
from geo.season import Season
from geo.surfaces import Surface
from maps.drawing import prints
from maps.paper.measures import measures_of
from maps.paper.sheetdata import Data, citations, material_sheet, rows_from, spread_amendments
from maps.wording import (
    AMENDMENT_WORDS,
    LEVEL_WORDS,
    MAP_VERDICT_WORDS,
    capital,
    crop_words,
    date_words,
    level_words,
    number,
    sentence,
    with_unit,
)

#: Width of the column of one map, and the most height that leaves three rows a page. [mm]
COLUMN_MM, HIGHEST_MM = 41.5, 42.0
HELD_WORDS = {
    "held": "Held",
    "none_needed": "None needed",
    "no_data": "Cannot say",
    "not_worthwhile": "Not worthwhile",
}
SEVERITY_WORDS = {"refused": "Refused", "open": "Asks", "warning": "Mind", "note": "Note"}


def report_data(season: Season, applied: Sequence[AsApplied] = ()) -> Data:
    """Everything that report.pdf shows; `applied` is what is on record as spread."""
    block, spots = season.block, prints.mapped_places(season)
    measured = measures_of(season.settings)
    return {
        "language": "en",
        "units": measured.words,
        "farm": season.settings.name,
        "block": block.name,
        "season": str(season.season),
        "left": f"{measured.area_words(block.area_ha)}, {crop_words(block.site.crop)}",
        "right": _sampled(season),
        "materials": [material_sheet(season, name) for name in spread_amendments(season)],
        "nothing": _nothing(season),
        "held": _held(season),
        "order": list(season.prescription.order),
        "conflicts": list(season.prescription.conflicts),
        "applied": [_applied(season, one) for one in applied],
        "ratings": _rating_rows(season),
        "surfaces": [_surface(season, surface, spots) for surface in season.surfaces.values()],
        "findings": [_finding(finding) for finding in season.checked.findings],
        "sources": _sources(season),
        "made": _made(season),
        "mapHeight": _map_height_mm(block),
        "wide": _wide(season),
    }


def _map_height_mm(block: Block) -> float:
    """Height of the map of a property: as wide as its column, yet three rows of them a page."""
    west, south, east, north = block.outline.bounds
    return min(HIGHEST_MM, COLUMN_MM * (north - south) / max(east - west, 1.0) + 2.0)


def _wide(season: Season) -> str:
    """How large the block is, for maps that have no room for a scale bar."""
    west, south, east, north = season.block.outline.bounds
    length = measures_of(season.settings).length_words
    return f"{length(east - west)} from west to east, {length(north - south)} from north to south"


def _sampled(season: Season) -> str:
    samples = season.checked.samples
    day = date_words(samples.sampled_on) if samples.sampled_on else str(season.season)
    layer = measures_of(season.settings).layer(samples.depth_cm)
    return f"{len(season.checked.usable)} samples, {day}, {layer}"


def _nothing(season: Season) -> Data | None:
    """The first page where nothing is to be spread."""
    if spread_amendments(season):
        return None
    return {
        "title": f"Nothing to spread on {season.block.name}",
        "say": f"In {season.season} no material has a rate here. Below stands why, one by one.",
        "map": prints.block_picture(season),
        "alt": f"Map of {season.block.name} with its sampled places.",
        "rowsFrom": rows_from(season).replace("Closer stitches mean more.", "Dots are samples."),
    }


def _held(season: Season) -> list[Data]:
    order = list(HELD_WORDS)
    held = sorted(season.prescription.held, key=lambda one: order.index(one.kind))
    return [
        {
            "what": AMENDMENT_WORDS.get(one.amendment, one.amendment).capitalize(),
            "kind": HELD_WORDS[one.kind],
            "why": measures_of(season.settings).said(one.reason),
        }
        for one in held
    ]


def _applied(season: Season, one: AsApplied) -> Data:
    """Planned against done, zone by zone, with a map of each."""
    planned, done, legend = prints.applied_pictures(season, one)
    word = AMENDMENT_WORDS.get(one.amendment, one.amendment).capitalize()
    measured = measures_of(season.settings)
    rows, total = applied_rows(season, [one]), measured.amount(one.done_kg(season.block.area_ha))
    logged = f"{one.logged_share * 100:.0f} % of the block is in a machine's log"
    said = "No machine log: the record is taken as done." if one.logged_share == 0 else f"{logged}."
    return {
        "what": word,
        "say": f"{total} on record. {said} {rows[-1]['note']}".strip(),
        "planned": planned,
        "done": done,
        "legend": [asdict(box) for box in legend],
        "rows": [
            [
                row["zone"],
                measured.area(row["hectares"]),
                *(
                    "" if row[key] is None else measured.measured_rate(row[key])
                    for key in ("asked_kg_ha", "planned_kg_ha", "done_kg_ha")
                ),
                "" if row["done_kg"] is None else measured.amount(row["done_kg"]),
            ]
            for row in rows
        ],
    }


def _rating_rows(season: Season) -> list[Data]:
    """One row a property: mean and range, class, how many samples in each class, table."""
    rows = []
    counts: dict[str, Counter[str]] = {}
    for one in season.ratings.soil:
        counts.setdefault(one.key, Counter())[one.level] += 1
    known = properties()
    for key in (k for k in known if k in season.surfaces or k in season.ratings.block):
        surface, rating = season.surfaces.get(key), season.ratings.block.get(key)
        if surface is None and rating is None:
            continue
        unit = "" if known[key].unit in {"pH", "1"} else known[key].unit
        rows.append(
            {
                "name": capital(known[key].name),
                "unit": unit,
                "mean": _mean(surface, rating, key),
                "range": "" if surface is None else _mean_range(surface),
                "level": "" if rating is None else level_words(rating.level, rating.sense),
                "target": bool(rating and rating.target),
                "counts": _counted(counts.get(key, Counter()), rating),
                "table": "No classes of its own." if rating is None else _table_words(rating),
            }
        )
    return rows


def _mean(surface: Surface | None, rating: Rating | None, key: str) -> str:
    """The block's mean: of the map, else as it was rated, as of a ratio that has no map."""
    if surface is not None:
        return number(surface.mean, key)
    return "" if rating is None or rating.value is None else number(rating.value, key)


def _mean_range(surface: Surface) -> str:
    if not np.isfinite(surface.mean_high - surface.mean_low):
        return ""
    low, high = number(surface.mean_low, surface.key), number(surface.mean_high, surface.key)
    return f"{low} to {high}"


def _counted(counts: Counter[str], rating: Rating | None) -> str:
    sense = rating.sense if rating else ""
    words: Counter[str] = Counter()
    for level in LEVEL_WORDS:
        if counts[level] and level not in {"not_analysed", "no_table", "ask"}:
            words[level_words(level, sense)] += counts[level]
    return ", ".join(f"{count} {word}" for word, count in words.items())


def _table_words(rating: Rating) -> str:
    memory = " From memory, please check." if rating.from_memory else ""
    source = f" [{rating.source}]" if rating.source else ""
    return f"{sentence(rating.why)}{source}{memory}" if rating.why else source.strip() + memory


def _surface(season: Season, surface: Surface, spots: Any) -> Data:
    kind, rating = properties()[surface.key], season.ratings.block.get(surface.key)
    classes = season.ratings.classes.get(surface.key, ())
    sense = rating.sense if rating else "descriptive"
    found, legend = prints.found_picture(season, surface, classes, sense, spots)
    doubt = bool(np.isfinite(surface.mean_high - surface.mean_low))
    sure, ramp = "", list[prints.Box]()
    if surface.verdict != "none" and np.isfinite(surface.high - surface.low).any():
        sure, ramp = prints.sure_picture(surface, season.block, spots)
    name = capital(kind.name)
    unit = "" if surface.unit in {"pH", "1"} else surface.unit
    return {
        "name": name,
        "unit": unit,
        "verdict": MAP_VERDICT_WORDS[surface.verdict],
        "mean": number(surface.mean, surface.key) + (f" ({_mean_range(surface)})" if doubt else ""),
        "why": _why_without_verdict(surface),
        "method": surface.method,
        "found": found,
        "foundAlt": f"Map of {name}, block mean {with_unit(surface.mean, surface.key)}.",
        "legend": [asdict(box) | {"words": level_words(box.words, sense)} for box in legend],
        "sure": sure,
        "sureAlt": f"Map of how sure {name} is, half the two-in-three range.",
        "ramp": [asdict(box) for box in ramp],
    }


def _why_without_verdict(surface: Surface) -> str:
    """Why a map may be used or not; its verdict stands over it already."""
    verdict = MAP_VERDICT_WORDS[surface.verdict] + ". "
    if surface.why.startswith(verdict):
        return surface.why.removeprefix(verdict)
    _, _, rest = surface.why.rpartition(verdict[:1].lower() + verdict[1:])
    return rest


def _finding(finding: Any) -> Data:
    return {
        "kind": SEVERITY_WORDS[finding.severity],
        "open": finding.severity == "open",
        "message": " ".join(
            part for part in (finding.message, finding.proposal, finding.what_was_done) if part
        ),
        "where": ", ".join(
            part
            for part in (
                finding.file.rpartition("/")[2],
                f"row {finding.row}" if finding.row else "",
                f"column {finding.column}" if finding.column else "",
            )
            if part
        ),
    }


def _sources(season: Season) -> list[str]:
    keys = [r.source for r in season.ratings.block.values()]
    keys += [key for rate in season.prescription.rates for key in rate.sources]
    keys += [key for one in season.prescription.held for key in one.sources]
    return sorted(citations(keys))


def _made(season: Season) -> list[str]:
    block = season.block
    versions = ", ".join(f"{k} {v}" for k, v in season_versions().items() if v != "not installed")
    return [
        f"Areas are geodesic on the WGS84 ellipsoid and are those for buying; maps are in "
        f"{block.crs}, north up.",
        "Maps are kriged, averaged over many models by how well they fit and how likely they were "
        "before; ranges hold two times in three.",
        f"Seed of the draws {season.settings.grid.seed}; {versions}.",
    ]
