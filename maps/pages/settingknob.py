"""A key of farm.toml as a field of the settings form; those that one word an amendment sets."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geo.lookup import Tables, read_toml
from geo.materials import candidates, materials_of
from geo.settings import Settings
from geo.settings_words import AMENDMENTS, PLACEMENTS
from maps.wording import AMENDMENT_WORDS

CHOICES: Mapping[str, Sequence[tuple[str, str]]] = {
    "units": (("metric", "metric (kg/ha, ha, m)"), ("us", "US (lb/ac, ac, ft)")),
    "rate_unit": (("kg/ha", "kg/ha"), ("lb/ac", "lb/ac")),
    "isoxml_version": (("3.3", "3.3"), ("4.3", "4.3")),
    "isoxml_grid": (("0", "zones"), ("1", "a grid of zone codes"), ("2", "a grid of rates")),
    "drainage": (("yes", "it drains"), ("no", "it stands")),
}
YES_NO = (("true", "yes"), ("false", "no"))
#: Rows of cost_ratios.csv -> how the form calls them.
RATIO_WORDS = {
    "lime_before_planting": "lime before planting",
    "lime_top_dressed": "lime on standing vines",
}


@dataclass(frozen=True)
class Knob:
    """One key of farm.toml as a field of the form."""

    table: tuple[str, ...]
    key: str
    kind: str
    default: Any
    help: str
    name: str = ""
    #: What it can be, where that hangs on the farm: value and words.
    offered: Sequence[tuple[str, str]] = ()

    @property
    def field(self) -> str:
        """Name of the field; it holds whatever name a block has."""
        return json.dumps([*self.table, self.key], ensure_ascii=False)

    @property
    def choices(self) -> Sequence[tuple[str, str]]:
        """What it can be, if that is a list."""
        if self.offered:
            return self.offered
        if self.table[-1] == "cost_ratios":
            return ()
        if self.key == "crop":
            return [(key, key.replace("_", " ")) for key in read_toml("crops")]
        return YES_NO if self.kind == "bool" else CHOICES.get(self.key, ())


def product_knobs(settings: Settings, block: str) -> Iterator[Knob]:
    """Which product a block takes, for every amendment that has more than one."""
    named = {key: material.name for key, material in materials_of(settings).items()}
    for amendment in AMENDMENTS:
        offered = {m.key: m.name for m in candidates(amendment, settings)}
        kept = settings.block(block).product.get(amendment, "")
        if len(offered) < 2 and not kept:
            continue
        # What stands there is shown, also where it may not be used: a run says why.
        if kept:
            offered.setdefault(kept, named.get(kept, kept))
        word = AMENDMENT_WORDS[amendment]
        yield Knob(
            ("blocks", block, "product"), amendment, "str", "the best by soil and price",
            "the product to buy; its price stands under Materials and prices",
            f"Product for {word}", tuple(offered.items()),
        )  # fmt: skip


def placement_knob(block: str) -> Knob:
    """How what is spread in a block is placed, unless farm.toml says otherwise of one amendment."""
    return Knob(
        ("blocks", block, "placement"), "default", "str", "full width",
        "over the full width, in a band along the row, or worked in",
        "How it is spread", tuple((one, one) for one in PLACEMENTS),
    )  # fmt: skip


def ratio_knobs(settings: Settings) -> Iterator[Knob]:
    """What too little costs beside too much: for every amendment of the table, and what is set."""
    rows = {row["key"]: row for row in Tables().rows("cost_ratios")}
    for key in (*rows, *(key for key in settings.cost_ratios if key not in rows)):
        word = RATIO_WORDS.get(key, AMENDMENT_WORDS.get(key, key))
        row = rows.get(key, {})
        told = f" ({row['note']})" if row.get("note") else ""
        yield Knob(
            ("cost_ratios",), key, "ratio",
            f"{row['too_little']} : {row['too_much']}" if row else "",
            f"a unit too little costs so much beside a unit too much{told}", word.capitalize(),
        )  # fmt: skip
