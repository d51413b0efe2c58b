"""What changed between two seasons as one page that opens from disk."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from maps.assets import STATIC, TEMPLATES
from maps.changefigures import (
    Row,
    area_words,
    found_words,
    name_of,
    noise_words,
    scatter_words,
    seen_words,
    verdict_words,
)
from maps.changemoney import money_sentences
from maps.changes import (
    by_property,
    change_sentences,
    effect_sentence,
    headlines,
    leading,
    property_state,
    quiet,
    refusals,
    response_sentences,
    stations_sentences,
    told_apart,
)
from maps.paper.measures import Measures

Document = dict[str, Any]
STATES = {"shown": "change shown", "not_shown": "no change shown"}


def write_changes_page(
    documents: Iterable[Document],
    pictures: Mapping[str, list[Document]],
    path: Path,
    farm: str,
    seams: Mapping[str, Mapping[str, Document]],
    units: str = "metric",
) -> None:
    """Write map.html: each block's changes, its pictures and what it taught.

    `seams` holds, by block and key, the maps of both years where both were run.
    """
    from jinja2 import Environment, FileSystemLoader, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
    )
    documents = list(documents)
    blocks = [
        {
            "name": one["block"],
            "opening": change_sentences(one)[:1],
            "headlines": headlines(one),
            "warnings": [*one["warnings"], *stations_sentences(one)],
            "tables": [
                table(
                    by_property(one)[rows[0]["key"]],
                    pictures.get(one["block"], []),
                    one["years"][0],
                )
                | {
                    "both": seams.get(one["block"], {}).get(rows[0]["key"]),
                    "leads": rows in leading(one),
                    "state": STATES[property_state(rows)],
                }
                for rows in told_apart(one)
            ],
            "quiet": quiet(one),
            "refused": refusals(one),
            "responses": [response_sentences(r, one["block"]) for r in one["responses"]],
            "money": money_sentences(one),
            "pictures": _leading_first(pictures.get(one["block"], []), one),
        }
        for one in documents
    ]
    years: list[int] = next((one["years"] for one in documents), [])
    script = (STATIC / "seam.js").read_text(encoding="utf-8")
    text = environment.get_template("changes.html").render(
        farm=farm,
        years=years,
        blocks=Measures(units == "us").everywhere(blocks),
        seam_css=(STATIC / "seam.css").read_text(encoding="utf-8"),
        seam_js=script,
        seam_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )
    path.write_text(text, encoding="utf-8")


def _leading_first(pictures: list[Document], document: Document) -> list[Document]:
    """Pictures of what something was spread to move before all others."""
    keys = [rows[0]["key"] for rows in leading(document)]
    return sorted(pictures, key=lambda one: one["key"] not in keys)


def table(rows: Sequence[Row], pictures: list[Document], year: int) -> Document:
    """A property's rows in words, and its chart; zones are those of the first `year`."""
    whole = rows[0]
    return {
        "chart": next((p["chart"] for p in pictures if p["key"] == whole["key"]), ""),
        "name": name_of(whole["key"]),
        "noise": noise_words(whole),
        "rows": [
            {
                "area": area_words(row, year),
                "n": row["n"],
                "seen": seen_words(row["detectable"], row) if row["n"] > 1 else "",
                "found": found_words(row),
                "scatter": scatter_words(row),
                "verdict": verdict_words(row) + ".",
                "effect": effect_sentence(row) if row["effect"] else "",
            }
            for row in rows
        ],
    }
