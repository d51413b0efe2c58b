"""Soil word and leaf word side by side, and which of the two decides."""

from __future__ import annotations

from typing import Any

from geo.blocks import Block
from geo.lookup import properties
from maps.serving.workspace import Workspace
from maps.wording import AMENDMENT_WORDS, capital, level_words

Data = dict[str, Any]

#: Key of an element in the soil and the leaf -> the amendment a leaf test decides.
SETTLED = {"k": "potassium", "mg": "magnesium", "p": "phosphorus", "zn": "zinc", "b": "boron",
           "mn": "manganese", "cu": "copper", "fe": "iron", "n": "nitrogen"}  # fmt: skip


def leaf(work: Workspace, season: int, block: Block) -> Data | None:
    """Soil word and leaf word side by side, element by element."""
    document = work.document(season, block.slug)
    if document is None:
        return None
    tissue, known = document["ratings"]["tissue"], properties()
    held = {h["amendment"]: h for h in document["held"]}
    rows = []
    for key, amendment in SETTLED.items():
        soil = document["ratings"]["block"].get(key)
        leaves = [t for t in tissue if t["key"] == key]
        one = held.get(amendment)
        rows.append(
            {
                "name": known[key].name if key in known else amendment,
                "soil": level_words(soil["level"], soil["sense"]) if soil else "not read from soil",
                "leaf": [_leaf_words(t) for t in leaves],
                "decides": _decides(one) if one else "Released: see Zones.",
                "held": bool(one and one["kind"] == "held"),
            }
        )
    tests = list(dict.fromkeys(f"{t['sample_id']}, {t['method']}" for t in tissue))
    return {"rows": rows, "tests": tests}


def _decides(held: Data) -> str:
    """Why there is no rate; that it is held stands before it already."""
    word = str(AMENDMENT_WORDS.get(held["amendment"], held["amendment"]))
    return str(held["reason"]).removeprefix(f"{capital(word)} is held. ")


def _leaf_words(rating: Data) -> str:
    """One value of one leaf test, with its word where a table holds one."""
    words = level_words(rating["level"], rating["sense"])
    if rating["level"] in ("no_table", "ask"):
        words = "not rated"
    return f"{rating['sample_id']}: {rating['value']:.3g} {rating['unit']}, {words}"
