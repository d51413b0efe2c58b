"""Settings -> farm.toml as a person edits it: every key, its unit, its default."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from geo.settings import (
    BlockSettings,
    ControllerSettings,
    CostSettings,
    GridSettings,
    GroundSettings,
    Settings,
    SpreaderSettings,
)

#: What stands beside each key: its unit and what it does.
EXPLAINED: Mapping[str, Mapping[str, str]] = {
    "farm": {
        "name": "as it is printed",
        "currency": "such as ZAR, EUR, USD; printed beside every sum",
        "units": '"metric" (kg/ha, ha, m) or "us" (lb/ac, ac, ft)',
        "organic": "true: only materials that are usually allowed; ask your certifier first",
    },
    "grid": {
        "spacing_m": "m; size of the cells of the maps",
        "seed": "start of the random draws; the same seed gives the same files",
        "cloud": "true: surfaces.tif as a cloud-optimised GeoTIFF, for a web server",
    },
    "spreader": {
        "width_m": "m; working width",
        "speed_kmh": "km/h; ground speed",
        "transition_s": "s; time the machine takes to change its rate",
        "by_hand": "true: spread by hand",
        "minimum_piece_ha": "ha; smallest piece with a rate of its own",
        "most_zones": "most zones in a block",
    },
    "controller": {
        "max_polygons": "most polygons the rate controller reads from one shapefile",
        "max_kb": "kB; largest shapefile it reads",
        "max_fields": "most columns it reads",
        "rate_field": "name of the rate column, ten letters at most",
        "rate_unit": '"kg/ha" or "lb/ac"',
        "isoxml_version": 'ISO 11783-10 task data, "3.3" or "4.3"',
        "isoxml_grid": "0 zones, 1 a grid of zone codes, 2 a grid of rates, a swath a cell",
    },
    "ground": {
        "tiles": "address with {z}, {x}, {y} of pictures from the internet; empty: none is asked",
        "credit": "whose pictures they are; printed on the maps",
        "most_zoom": "finest zoom that address has",
    },
    "costs": {
        "spreading_uniform_per_ha": "money per ha at one rate",
        "spreading_zones_per_ha": "money per ha with changing rates",
        "delivery_per_t": "money per t",
        "delivery_minimum_t": "t; smallest delivery",
        "soil_sample": "money per soil sample in the laboratory",
        "tissue_sample": "money per tissue sample in the laboratory",
        "labour_per_h": "money per hour of sampling",
        "minutes_per_station": "min; walking included",
    },
    "block": {
        "crop": "as in the crop tables",
        "planted": "year of planting; decides whether a tissue test is asked for",
        "row_azimuth_deg": "degrees clockwise from north",
        "row_spacing_m": "m; from row to row",
        "vine_spacing_m": "m; from vine to vine in the row",
        "headland_m": "m; without vines at the row ends",
        "stones_pct": "%; share of the soil's volume",
        "bulk_density_mg_m3": "Mg/m3, as t/m3; of the fine soil",
        "clay_pct": "%; where no sample says it",
        "amended_depth_cm": "cm; how deep lime and the like are mixed in, or meant to work",
        "yield_t_ha": "t/ha; what you aim for",
        "placement": 'by amendment: "full width", "band" or "incorporated"',
        "product": 'by amendment: the material to buy, as lime = "calcitic_lime"; else the best',
        "band_width_m": "m; width of the band along a row",
        "irrigation_ec_ds_m": "dS/m; salinity of the irrigation water",
        "irrigation_sar": "sodium adsorption ratio of the irrigation water, by its laboratory",
        "irrigation_nitrate_n_mg_l": "mg/L; nitrate nitrogen (NO3-N) in the irrigation water",
        "irrigation_mm": "mm; irrigation water in a season",
        "drainage": '"yes" or "no": does water drain away below the roots in winter?',
        "target_ph": "pH in water to lime or acidify to; the crop table's if not given",
        "free_lime_pct": "%; CaCO3 in the soil, where it was measured",
        "boundaries": 'your own zone borders: { lime = "LINESTRING (lon lat, lon lat); ..." }',
    },
}

_TABLES: Sequence[tuple[str, type]] = (
    ("grid", GridSettings),
    ("spreader", SpreaderSettings),
    ("controller", ControllerSettings),
    ("costs", CostSettings),
    ("ground", GroundSettings),
)

_HEAD = """\
# Settings of this farm. Change what you like and run again; lines that start with # are not read.
# A key that is not known is refused, so a slip of the pen is not lost.
"""

_TAIL = """\
# Your own materials and prices: a new key adds a material, a known one changes it.
# [materials.calcitic_lime]
# price_per_t = 0.0

# Files of your own beside this one: prices ([materials.KEY] and [costs]), and tables with the
# columns of ours. Their rows go before ours; give them the source "yours". What was used is said.
# [tables]
# prices = "prices.toml"
# soil_sufficiency = "my-limits.csv"
# [tables.replace]             # in place of ours
# crop_removal = "my-removal.csv"
# [tables.rate]                # which published scheme rates a property
# k = "UMN_T29"

# A block may have a spreader of its own: the keys of [spreader] under [blocks."NAME".spreader].

# What too little and too much cost, as a ratio, by amendment.
# [cost_ratios]
# lime = [2.0, 1.0]
"""


def settings_text(name: str, blocks: Sequence[str] = ()) -> str:
    """Content of a new farm.toml with every key and its default, and a table for each block.

    Examples
    --------
    >>> 'name = "Hill farm"' in settings_text("Hill farm")
    True
    """
    parts = [_HEAD, "\n".join(["[farm]", *_lines(Settings(name=name), "farm")])]
    parts += ["\n".join([f"[{key}]", *_lines(record(), key)]) for key, record in _TABLES]
    for block in blocks:
        parts.append("\n".join([f"[blocks.{toml_text(block)}]", *_lines(BlockSettings(), "block")]))
    return "\n\n".join(parts) + "\n\n" + _TAIL


def _lines(record: Any, table: str) -> Iterable[str]:
    words = EXPLAINED[table]
    for field in dataclasses.fields(record):
        if field.name in words:
            value = getattr(record, field.name)
            line = f"{field.name} = {_toml(value)}"
            yield (
                f"{line:<42} # {words[field.name]}"
                if value is not None
                else (f"# {line:<40} # {words[field.name]}")
            )


def _toml(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    return toml_text(value) if isinstance(value, str) else str(value)


def toml_text(text: str) -> str:
    r"""A basic string of TOML 1.0, with what it does not allow written as escapes.

    Examples
    --------
    >>> print(toml_text('the "old" yard'))
    "the \"old\" yard"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    plain = [c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped]
    return f'"{"".join(plain)}"'
