"""Files before they are stored: what was understood, what is asked; and what the season asks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

import shapely
from shapely.geometry import mapping

from geo.blocks import Block
from geo.farm import known_points
from geo.findings import Finding
from geo.intake.profiles import RULE as AS_BEFORE
from geo.intake.reading import Reading
from geo.intake.tissue import nutrient_of
from geo.lookup import properties
from geo.store.receiving import contents
from maps.serving.answers import choices, concerns_file, finding_id
from maps.serving.drafts import Draft, Preview, waits_for_year
from maps.serving.workspace import Workspace
from maps.wording import date_words

Data = dict[str, Any]

#: Rows of a table that are shown as understood.
FIRST_ROWS = 5
FIRST_KEYS = 6
#: Questions that the right coordinate system answers.
SYSTEM_RULES = ("no_system", "places_far")


def lab(work: Workspace, season: int | None) -> Data:
    """Context of the Lab page, with or without files waiting."""
    draft = work.draft
    years = sorted({*work.seasons(), date.today().year}, reverse=True)
    context: Data = {
        "years": years,
        "draft": _draft(draft) if draft is not None else None,
        "blocks_map": _places(work.blocks(), known_points(work.folder) if work.exists else ()),
    }
    if draft is None and season is not None and work.exists:
        asked = [f for f in work.findings(season) if f.severity != "note"]
        context["asked"] = [_stored(f, number) for number, f in enumerate(asked, 1)]
        context["stored"] = _stored_files(work, season)
        context["keys_of"] = sorted((p.name, key) for key, p in properties().items())
    return context


def _draft(draft: Draft) -> Data:
    preview = draft.preview or Preview((), (), (), ())
    numbered = [
        _finding(f, draft.answers, n)
        for n, f in enumerate((f for f in preview.findings if f.severity != "note"), 1)
    ]
    notes = [
        _finding(f, {}, 0) for f in preview.findings if f.severity == "note" and f.rule != AS_BEFORE
    ]
    asked_of = [f for f in preview.findings if f.severity in ("open", "refused")]
    asks = [f for f in numbered if f["choices"]]
    waits = waits_for_year(draft, preview.readings)
    unread = {name for name, _ in preview.refused}
    return {
        "season": draft.season,
        "files": [
            *(
                {"name": o.file.rpartition("/")[2], "what": f"outline of {o.name}"}
                for o in preview.outlines
                if not any(o in r.outlines for r in preview.readings)
            ),
            *({"name": r.path.rpartition("/")[2], "what": contents(r)} for r in preview.readings),
        ],
        "made": list(preview.stored),
        "refused": [{"name": name, "why": why} for name, why in preview.refused],
        "asks": asks,
        "shown": [f for f in numbered if not f["choices"]],
        "notes": notes,
        "answered": sum(1 for f in asks if f["answer"]),
        "asBefore": [_as_before(f) for f in preview.findings if f.rule == AS_BEFORE],
        "anew": sorted(draft.anew),
        "again": bool(draft.replaces),
        "columns": [_columns(r) for r in _tables_first(preview.readings)],
        "rows": [rows for r in preview.readings if (rows := _rows(r))],
        "asksSystem": draft.crs is not None or any(f.rule in SYSTEM_RULES for f in asked_of),
        "crs": (draft.crs or "").removeprefix("EPSG:"),
        "needsSeason": waits,
        "count": sum(1 for path in draft.files if path.name not in unread),
        "read": bool(preview.readings or preview.outlines),
        "canStore": bool(preview.stored) and not waits,
        "keys": sorted((p.name, key) for key, p in properties().items()),
    }


def _as_before(finding: Finding) -> Data:
    """That a file is read as an earlier one of the same layout, and what that settled."""
    words = finding.message.partition(": ")[2]
    return {
        "file": finding.file.rpartition("/")[2],
        "words": words[:1].upper() + words[1:],
        "done": finding.what_was_done,
    }


def _finding(finding: Finding, answers: dict[str, str], number: int) -> Data:
    name = finding_id(finding)
    return {
        "id": name,
        "number": number,
        "severity": finding.severity,
        "message": finding.message,
        "where": finding.where,
        "proposal": _without_command(finding.proposal),
        "done": finding.what_was_done,
        "samples": list(finding.sample_ids),
        "choices": [{"key": key, "words": words} for key, words in choices(finding)],
        "answer": answers.get(name, ""),
        "file": concerns_file(finding),
    }


def _without_command(proposal: str) -> str:
    """A proposal for a page: what the command line would do is done by a form here."""
    if "--crs" in proposal:
        return "Say the right system above, or add them to the farm they belong to."
    if "--map-column" in proposal:
        return "Say what it is under “Columns as understood”."
    if "soilquilt set" not in proposal:
        return proposal
    return "Give its right place, depth or value under “Correct what is stored”, once it is stored."


def _stored(finding: Finding, number: int) -> Data:
    """A question about what is stored: its values are out of the maps already."""
    told = _finding(finding, {}, number)
    told["choices"] = [c for c in told["choices"] if c["key"] != "leave" or not finding.keys]
    told["proposal"] = told["proposal"].replace(", once it is stored", " below")
    return told


def _tables_first(readings: Sequence[Reading]) -> list[Reading]:
    """Files with columns, those of results before the others."""
    return sorted((r for r in readings if r.columns), key=lambda r: not r.results)


def _columns(reading: Reading) -> Data:
    known = properties()
    said = {r.column: r.unit_read for r in reading.results}
    leaf = {
        c.heading: nutrient_of(c)[0] for c in reading.columns if reading.tissue and not c.key
    }  # fmt: skip
    return {
        "file": reading.path.rpartition("/")[2],
        "roles": [
            f"{c.heading} as {c.key}"
            for c in reading.columns
            if c.heading and c.key and c.key not in known
        ],
        "columns": [
            {
                "heading": c.heading,
                "key": c.key,
                "means": known[c.key].name if c.key in known else c.key or leaf.get(c.heading, ""),
                "unit": c.unit or said.get(c.heading, ""),
                "method": c.method,
                "used": bool(c.key or leaf.get(c.heading)),
            }
            for c in reading.columns
            if c.heading and (not c.key or c.key in known)
        ],
    }


def _rows(reading: Reading) -> Data | None:
    """The first samples of a file of results, in house units, with their places and layers."""
    if not reading.results:
        return _other_rows(reading)
    keys = list(dict.fromkeys(r.key for r in reading.results))[:FIRST_KEYS]
    samples = list(dict.fromkeys((r.sample_id, r.row) for r in reading.results))[:FIRST_ROWS]
    cells = {(r.sample_id, r.row, r.key): r for r in reading.results}
    known = properties()
    rows = []
    beside = _beside(reading)
    for sample, row in samples:
        line = [sample, *(of(sample, row) for of in beside.values())]
        for key in keys:
            cell = cells.get((sample, row, key))
            text = (
                ""
                if cell is None
                else "not analysed"
                if cell.qualifier == "missing"
                else (f"{cell.qualifier}{cell.value:.3g}" if cell.value is not None else cell.text)
            )
            line.append(text)
        rows.append(line)
    heads = [
        known[k].symbol + ("" if known[k].unit in ("pH", "1") else f" {known[k].unit}")
        for k in keys
    ]
    return {
        "file": reading.path.rpartition("/")[2],
        "heads": ["sample", *beside, *heads],
        "rows": rows,
    }


def _beside(reading: Reading) -> dict[str, Callable[[str, int], str]]:
    """What a file of results says of a sample beside its values: heading -> words of a row."""
    places = {p.sample_id: p for p in reading.points}
    layers = {(r.sample_id, r.row): r.depth_cm for r in reading.results if r.depth_cm}
    told: dict[str, Callable[[str, int], str]] = {}
    if places:
        told["latitude"] = lambda s, _: f"{places[s].lat:.6f}" if s in places else "no place"
        told["longitude"] = lambda s, _: f"{places[s].lon:.6f}" if s in places else ""
    if layers:
        words = {cell: f"{depth[0]:g} to {depth[1]:g}" for cell, depth in layers.items()}
        told["depth cm"] = lambda s, row: words.get((s, row), "")
    return told


def _other_rows(reading: Reading) -> Data | None:
    """The first rows of places, leaf tests or spreading records, in house units."""
    heads: list[str] = []
    rows: list[list[str]] = []
    if reading.tissue:
        tests = reading.tissue[:FIRST_ROWS]
        keys = list(dict.fromkeys(key for test in tests for key in test.values))[:FIRST_KEYS]
        heads = ["sample", "stage", "organ", *keys]
        for test in tests:
            cells = [test.values.get(key) for key in keys]
            told = ["" if c is None else f"{c[0]:.3g} {c[1]}" for c in cells]
            rows.append([test.sample_id, test.stage, test.organ, *told])
    elif reading.applications:
        heads = ["block", "date", "product", "for", "kg/ha"]
        rows = [
            [
                one.block,
                str(one.applied_on or ""),
                one.product,
                one.amendment,
                "" if one.rate_kg_ha is None else f"{one.rate_kg_ha:.0f}",
            ]
            for one in reading.applications[:FIRST_ROWS]
        ]
    elif reading.points:
        heads = ["sample", "latitude", "longitude"]
        rows = [[p.sample_id, f"{p.lat:.6f}", f"{p.lon:.6f}"] for p in reading.points[:FIRST_ROWS]]
    if not rows:
        return None
    return {"file": reading.path.rpartition("/")[2], "heads": heads, "rows": rows}


def _places(blocks: Sequence[Block], points: Sequence[Any]) -> Data:
    """Outlines and places on file, for the small map beside the findings."""
    return {
        "blocks": [
            {"name": b.name, "outline": mapping(shapely.force_2d(b.lonlat))} for b in blocks
        ],
        "points": [[p.sample_id, p.lat, p.lon] for p in points],
    }


def draft_places(draft: Draft) -> list[list[Any]]:
    """Places in the files, for the small map."""
    preview = draft.preview
    if preview is None:
        return []
    return [[p.sample_id, p.lat, p.lon] for r in preview.readings for p in r.points]


def draft_outlines(draft: Draft) -> list[Data]:
    """Outlines in the files."""
    preview = draft.preview
    if preview is None:
        return []
    return [
        {"name": o.name, "outline": mapping(shapely.force_2d(o.lonlat))} for o in preview.outlines
    ]


def _stored_files(work: Workspace, season: int) -> list[Data]:
    from geo.store.database import reading

    with reading(work.folder) as database:
        rows = database.execute(
            "SELECT name, sha256, what, kinds, stored_at, state FROM files"
            " WHERE part_of IS NULL AND (season = ? OR season IS NULL) ORDER BY fid",
            (season,),
        ).fetchall()
    return [
        {
            "name": r["name"],
            "sha": r["sha256"],
            "what": r["what"],
            "day": date_words(date.fromisoformat(r["stored_at"][:10])),
            "state": r["state"],
            "again": "outlines" not in r["kinds"].split(),
        }
        for r in rows
    ]
