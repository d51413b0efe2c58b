"""Settings as a form: every knob of farm.toml with its unit, default and help; taken as text."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geo.errors import FarmError
from geo.farm import read_blocks, settings_of_no_block
from geo.materials import materials_of
from geo.settings import (
    BlockSettings,
    ControllerSettings,
    CostSettings,
    GridSettings,
    Settings,
    SpreaderSettings,
)
from geo.settings_text import EXPLAINED, toml_text
from geo.store.stations import laboratories
from maps.pages.settingknob import Knob, placement_knob, product_knobs, ratio_knobs
from maps.serving.farmtext import with_key, without_key, write_settings_text
from maps.serving.workspace import Workspace
from maps.wording import capital

Data = dict[str, Any]

#: Ends of a key that say its unit, the longest first.
UNITS = {
    "_mg_m3": "t/m³", "_ds_m": "dS/m", "_n_mg_l": "mg/L", "_t_ha": "t/ha", "_kmh": "km/h",
    "_pct": "%", "_deg": "°", "_cm": "cm", "_mm": "mm", "_ha": "ha", "_kb": "kB", "_m": "m",
    "_s": "s",
}  # fmt: skip
#: Names where the key itself does not read well.
NAMES = {
    "units": "Units", "transition_s": "Time to change the rate", "most_zones": "Most zones",
    "minimum_piece_ha": "Smallest piece", "max_kb": "Largest file", "max_polygons": "Most polygons",
    "max_fields": "Most columns", "rate_field": "Rate column", "rate_unit": "Unit of the rate",
    "isoxml_version": "Version of the task data", "isoxml_grid": "Form of the task data",
    "row_azimuth_deg": "Direction of the rows", "planted": "Year of planting",
    "yield_t_ha": "Yield aimed for", "target_ph": "Target pH", "free_lime_pct": "Free lime",
    "irrigation_ec_ds_m": "Salt in the irrigation water", "irrigation_sar": "Its SAR",
    "irrigation_nitrate_n_mg_l": "Its nitrate", "irrigation_mm": "Irrigation",
    "width_m": "Working width", "speed_kmh": "Speed", "seed": "Start of the draws",
    "spacing_m": "Cell size", "stones_pct": "Stones", "clay_pct": "Clay",
    "amended_depth_cm": "Depth to amend", "name": "Name of the farm", "organic": "Organic farm",
    "spreading_uniform_per_ha": "Spreading, one rate", "spreading_zones_per_ha":
    "Spreading, zones", "delivery_per_t": "Delivery", "delivery_minimum_t": "Smallest delivery",
    "labour_per_h": "Labour", "minutes_per_station": "Time a sample takes",
    "soil_sample": "A soil sample", "tissue_sample": "A leaf sample", "cloud": "Cloud layout",
    "headland_m": "Headland", "bulk_density_mg_m3": "Bulk density", "vine_spacing_m":
    "Vine spacing", "row_spacing_m": "Row spacing", "band_width_m": "Width of a band",
}  # fmt: skip
#: Smallest and largest value that makes sense; common practice, no source.
LIMITS: Mapping[str, tuple[float, float]] = {
    "spacing_m": (0.5, 50), "width_m": (0.5, 60), "speed_kmh": (0.5, 40), "most_zones": (1, 6),
    "row_azimuth_deg": (0, 360), "row_spacing_m": (0.3, 12), "vine_spacing_m": (0.2, 12),
    "stones_pct": (0, 95), "clay_pct": (0, 100), "free_lime_pct": (0, 100), "planted": (1850, 2100),
    "bulk_density_mg_m3": (0.3, 2.2), "amended_depth_cm": (1, 120), "target_ph": (4.5, 8.5),
    "cost_ratios": (0.05, 100),
    "max_polygons": (1, 1e6), "max_kb": (1, 1e6), "max_fields": (1, 1e3),
}  # fmt: skip
COSTS_OF_SAMPLES = ("soil_sample", "tissue_sample", "labour_per_h", "minutes_per_station")
FIRST_OF_BLOCK = (
    "target_ph", "crop", "planted", "row_azimuth_deg", "row_spacing_m", "vine_spacing_m",
    "headland_m",
)  # fmt: skip


def knobs_of(record: type, table: tuple[str, ...], words: str) -> list[Knob]:
    """Knobs of a settings record, as `EXPLAINED` tells them."""
    fresh = record()
    fields: Any = dataclasses.fields(record)
    return [
        Knob(table, f.name, str(f.type).split(" | ")[0], getattr(fresh, f.name), told)
        for f in fields
        if (told := EXPLAINED[words].get(f.name)) and not str(f.type).startswith("Mapping")
    ]


def sections(settings: Settings, blocks: Sequence[str]) -> list[tuple[str, str, list[Knob]]]:
    """Heading, a sentence, and the knobs of each part of the form."""
    costs = knobs_of(CostSettings, ("costs",), "costs")
    first = {key: i for i, key in enumerate(FIRST_OF_BLOCK)}
    return [
        ("Farm and units", "", knobs_of(Settings, ("farm",), "farm")),
        *(
            (
                f"{block}: target pH, rows, soil, products",
                "",
                [
                    *sorted(
                        knobs_of(BlockSettings, ("blocks", block), "block"),
                        key=lambda k: first.get(k.key, len(first)),
                    ),
                    placement_knob(block),
                    *product_knobs(settings, block),
                ],
            )
            for block in blocks
        ),
        *(
            (
                f"{block}: its own spreader",
                "",
                knobs_of(SpreaderSettings, ("blocks", block, "spreader"), "spreader"),
            )
            for block in blocks
            if settings.block(block).spreader is not None
        ),
        (
            "Spreader",
            "For every block that has none of its own in farm.toml.",
            knobs_of(SpreaderSettings, ("spreader",), "spreader"),
        ),
        (
            "Rate controller",
            "What it can read; the files are made to fit.",
            knobs_of(ControllerSettings, ("controller",), "controller"),
        ),
        (
            "Materials and prices",
            "A price per tonne decides which product is taken where two would do.",
            [*_prices(settings), *(k for k in costs if k.key not in COSTS_OF_SAMPLES)],
        ),
        (
            "What too little and too much cost",
            "Two figures: the loss from a unit too little, and from a unit too much. The rate of a "
            "zone is chosen by them; 2 : 3 leans to spreading less, 3 : 2 to more.",
            list(ratio_knobs(settings)),
        ),
        (
            "Laboratories and sampling",
            "What a sample costs decides how many the next plan proposes.",
            [k for k in costs if k.key in COSTS_OF_SAMPLES],
        ),
        ("Maps", "", knobs_of(GridSettings, ("grid",), "grid")),
    ]


def _prices(settings: Settings) -> Iterator[Knob]:
    for key, material in materials_of(settings).items():
        told = "money per t as bought" + (f", in bags of {material.bag_kg:g} kg" if material.bag_kg
                                          else "")  # fmt: skip
        yield Knob(
            ("materials", key), "price_per_t", "float", material.price_per_t, told, material.name
        )


def settings_form(
    work: Workspace, typed: Mapping[str, str] | None = None, wrong: Mapping[str, str] | None = None
) -> Data:
    """Context of the form; after a refusal with what was typed and a sentence at each field."""
    if not work.exists:
        return {"sections": [], "laboratories": []}
    settings, content = work.settings(), _content(work)
    told: list[Data] = []
    for heading, sentence, knobs in sections(settings, [b.name for b in work.blocks()]):
        fields = [_field(k, content, typed, wrong or {}, settings) for k in knobs]
        told.append(
            {
                "heading": heading,
                "sentence": sentence,
                "fields": fields,
                "open": not told or any(f["wrong"] for f in fields),
                "set": sum(1 for f in fields if f["value"]),
            }
        )
    for number, one in enumerate(f for part in told for f in part["fields"]):
        one["id"] = f"k{number}"
    used = {block.slug for block in work.blocks()}
    gone = [b.name for b in read_blocks(work.folder, retired=True) if b.slug not in used]
    return {
        "sections": told,
        "laboratories": laboratories(work.folder),
        "retired": gone,
        "idle": settings_of_no_block(work.folder),
    }


def _content(work: Workspace) -> Mapping[str, Any]:
    return tomllib.loads((work.folder / "farm.toml").read_text(encoding="utf-8"))


def _set(content: Mapping[str, Any], knob: Knob) -> Any:
    """What farm.toml itself says; None where it is silent."""
    found: Any = content
    for name in (*knob.table, knob.key):
        found = found.get(name) if isinstance(found, Mapping) else None
    return found


def _field(
    knob: Knob,
    content: Mapping[str, Any],
    typed: Mapping[str, str] | None,
    wrong: Mapping[str, str],
    settings: Settings,
) -> Data:
    value = _as_text(_set(content, knob))
    ends = [e for e in UNITS if knob.key.endswith(e) and knob.table[0] != "costs"]
    unit = UNITS[ends[0]] if ends else ""
    if knob.key.endswith("_per_t") and knob.table[0] == "materials":
        unit = f"{settings.currency}/t".lstrip("/")
    words = dict(knob.choices)
    default = _as_text(knob.default)
    return {
        "name": knob.field,
        "label": knob.name or NAMES.get(knob.key, _plain(knob.key)),
        "unit": unit,
        "help": _sentence(knob),
        "default": words.get(default, default),
        "value": value if typed is None else typed.get(knob.field, value),
        "choices": knob.choices,
        "number": knob.kind in ("float", "int"),
        "wrong": wrong.get(knob.field, ""),
    }


def _sentence(knob: Knob) -> str:
    """The words of `EXPLAINED` as a sentence of the page; the unit stands beside the name."""
    units = r"m|km/h|s|ha|kB|min|t|cm|mm|%|pH|t/ha|dS/m|mg/L|Mg/m3, as t/m3"
    words = re.sub(rf"^({units})[;,] ", "", knob.help)
    words = re.sub(r"^true: ", "yes: ", words).replace('"', "")
    return capital(words).rstrip(".") + "."


def _plain(key: str) -> str:
    end = next((e for e in UNITS if key.endswith(e)), "")
    return key.removesuffix(end).replace("_", " ").capitalize()


def _as_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return " : ".join(_as_text(one) for one in value)
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def keep_settings(work: Workspace, typed: Mapping[str, str]) -> dict[str, str]:
    """Write what the form says into farm.toml, its comments kept; else what is wrong, by field.

    Raises
    ------
    FarmError
        If farm.toml is written in a way that single lines cannot change; nothing is changed then.
    """
    text = (work.folder / "farm.toml").read_text(encoding="utf-8")
    content, wrong, wanted = _content(work), {}, []
    for _, _, knobs in sections(work.settings(), [b.name for b in work.blocks()]):
        for knob in knobs:
            said = typed.get(knob.field)
            if said is None or said.strip() == _as_text(_set(content, knob)):
                continue
            try:
                value = read_value(knob, said.strip())
            except FarmError as error:
                wrong[knob.field] = str(error)
                continue
            wanted.append((knob, value))
            text = (
                without_key(text, knob.table, knob.key)
                if value is None
                else with_key(text, knob.table, knob.key, _toml(value))
            )
    if wrong:
        return wrong
    _check_written(text, wanted)
    if wanted:
        write_settings_text(work.folder, text)
    return {}


def _check_written(text: str, wanted: Sequence[tuple[Knob, Any]]) -> None:
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        content = {}
    lost = [knob for knob, value in wanted if _set(content, knob) != value]
    if lost:
        raise FarmError(
            f"farm.toml writes [{'.'.join(lost[0].table)}] in a way that this form cannot change. "
            f"Change {lost[0].key} in the text below."
        )


def read_value(knob: Knob, said: str) -> Any:
    """A field's text as the value of its key; None, if empty, leaves the default.

    Raises
    ------
    FarmError
        With a sentence for the field.
    """
    if not said:
        return None
    if knob.choices:
        if said not in dict(knob.choices):
            raise FarmError(f"Choose one of: {', '.join(w for _, w in knob.choices)}.")
        return said == "true" if knob.kind == "bool" else int(said) if knob.kind == "int" else said
    if knob.kind == "str":
        return said
    if knob.kind == "ratio":
        return _ratio(knob, said)
    number = said.replace("\u202f", "").replace(" ", "").replace(",", ".").replace("\u2212", "-")
    if not re.fullmatch(r"-?\d{1,12}(\.\d{1,12})?", number):
        raise FarmError(f"“{said}” is not a number. Write it as 6.5, without its unit.")
    low, high = LIMITS.get(knob.table[-1], LIMITS.get(knob.key, (0.0, 1e9)))
    if not low <= float(number) <= high:
        range_words = f"from {low:g} to {high:g}" if high < 1e9 else f"of {low:g} or more"
        raise FarmError(f"A number {range_words} is wanted here, not {said}.")
    if knob.kind == "int":
        if not float(number).is_integer():
            raise FarmError(f"A whole number is wanted here, not {said}.")
        return int(float(number))
    return float(number)


def _ratio(knob: Knob, said: str) -> list[float]:
    """Two figures with a mark between them."""
    parts = [part for part in re.split(r"\s*(?::|/|;|\bto\b|\s)\s*", said) if part]
    if len(parts) != 2:
        raise FarmError(f"Two figures are wanted here, as 2 : 3, not “{said}”.")
    one = dataclasses.replace(knob, kind="float")
    return [float(read_value(one, part)) for part in parts]


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(str(one) for one in value)}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return toml_text(value) if isinstance(value, str) else str(value)
