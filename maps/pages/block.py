"""Soil and zones of one block: what map.html shows, with pictures by address and more to ask."""

from __future__ import annotations

from shlex import quote
from typing import Any

import numpy as np
import shapely

from geo.blocks import Block
from geo.materials import Material
from maps.pagedata import materials_data
from maps.serving.trying import Wish, fewer_draws_words
from maps.serving.workspace import Workspace
from maps.wording import level_words, number

Data = dict[str, Any]


def block_page(work: Workspace, base: str, season: int, block: Block, here: str) -> Data | None:
    """Context of the soil and zones pages; None if the block was not run."""
    page = work.page(season, block.slug)
    if page is None:
        return None
    data = {key: value for key, value in page.items() if key != "readOut"}
    place = f"{base}/{season}/{block.slug}"
    data["properties"] = [
        {
            **{k: v for k, v in one.items() if k != "charts"},
            "lenses": [
                {**lens, "picture": f"{place}/picture/{one['key']}/{lens['key']}.webp"}
                for lens in one["lenses"]
            ],
        }
        for one in page["properties"]
    ]
    data["app"] = {
        "here": here,
        "place": place,
        "outdated": work.outdated(season, block.slug),
        "redrawn": work.redrawn(season, block),
        "borders": sorted(block.site.boundaries or {}),
        "command": f"soilquilt run {quote(work.folder.name)} --season {season} "
        f"--block {quote(block.name)}",
    }
    if here == "zones":
        data["app"]["ready"] = work.readiness(season, block) == "ready"
        data["products"] = {
            one["amendment"]: [_product(p) for p in work.products(block, one["amendment"])]
            for one in page["materials"]
        }
    return data


def _product(material: Material) -> Data:
    """A product as a choice of the zones page: what one kg of it counts, and its price."""
    content = f"{100 * material.content(material.amendment):.3g} %"
    return {"key": material.key, "words": f"{material.name}, {content}",
            "price": material.price_per_t}  # fmt: skip


#: Side of one small picture in the sprite. [px]
SMALL = 80
LENSES = ("found", "chance", "sure")


def sprite(work: Workspace, season: int, block: Block) -> bytes:
    """Every lens of every property side by side, one column a property; PNG."""
    import base64
    import io

    from PIL import Image

    page = work.page(season, block.slug)
    assert page is not None
    many = max(1, len(page["properties"]))
    sheet = Image.new("RGBA", (SMALL * many, SMALL * len(LENSES)))
    for column, one in enumerate(page["properties"]):
        for lens in one["lenses"]:
            data = base64.b64decode(lens["picture"].partition(",")[2])
            small = Image.open(io.BytesIO(data)).convert("RGBA").resize((SMALL, SMALL))
            sheet.paste(small, (SMALL * column, SMALL * LENSES.index(lens["key"])))
    out = io.BytesIO()
    sheet.quantize(256, method=Image.Quantize.FASTOCTREE).save(out, "PNG", optimize=True)
    return out.getvalue()


def value_at(work: Workspace, season: int, block: Block, lat: float, lon: float) -> Data:
    """All values at a place, from the grids of the run: rounded, rated, with their doubt."""
    from geo.gdal_guard import guard_gdal

    guard_gdal()
    import rasterio
    from pyproj import Transformer

    page, document = work.page(season, block.slug), work.document(season, block.slug)
    assert page is not None
    assert document is not None
    transformer = Transformer.from_crs(4326, block.crs, always_xy=True)
    x, y = transformer.transform(lon, lat)
    if not shapely.contains_xy(block.outline, x, y):
        return {"inside": False, "rows": []}
    with rasterio.open(work.made(season, block.slug) / "surfaces.tif", driver="GTiff") as tif:
        names = list(tif.descriptions)
        found = next(tif.sample([(x, y)]))
    at = dict(zip(names, (float(v) for v in found), strict=True))
    rows = [_value_row(one, at, document, season) for one in page["properties"]]
    return {"inside": True, "rows": [row for row in rows if row], "near": _nearest(page, lat, lon)}


def _value_row(one: Data, at: dict[str, float], document: Data, season: int) -> Data | None:
    key = one["key"]
    value = next(
        (v for n, v in at.items() if n and n.split(" ")[0] in (key, f"{key}_{season}")), None
    )
    if value is None or value <= -9000:
        return None
    doubt = next((v for n, v in at.items() if n and n.startswith(f"{key}_sd")), 0.0)
    low, high = value - 0.967 * doubt, value + 0.967 * doubt
    if one.get("logs") and value > 0:
        spread = float(np.exp(0.967 * doubt / value))
        low, high = value / spread, value * spread
    rating = document["ratings"]["block"].get(key)
    sense = rating["sense"] if rating else "descriptive"
    words = ""
    for level, lower, upper, target in document["ratings"]["classes"].get(key, ()):
        if (lower is None or value >= lower) and (upper is None or value < upper):
            words = level_words(level, sense) + (", target" if target else "")
    chance = next((v for n, v in at.items() if n and n.startswith(f"{key}_p_")), None)
    lens = next((lens for lens in one["lenses"] if lens["key"] == "chance"), None)
    return {
        "key": key,
        "symbol": one["symbol"],
        "value": number(value, key),
        "range": f"{number(low, key)} to {number(high, key)}",
        "unit": one["unit"],
        "words": words,
        "chance": f"{_in_100(chance)}" if chance is not None and chance >= 0 and lens else "",
        "chanceOf": lens["words"] if lens else "",
    }


def _in_100(chance: float) -> str:
    if chance > 0.99:
        return "more than 99 in 100"
    if chance < 0.01:
        return "fewer than 1 in 100"
    return f"{100 * chance:.0f} in 100"


def _nearest(page: Data, lat: float, lon: float) -> Data | None:
    """The sample nearest to a place. [m]"""
    if not page["samples"]:
        return None
    squeeze = np.cos(np.radians(lat))
    away = [
        111_195 * float(np.hypot(s["lat"] - lat, (s["lon"] - lon) * squeeze))
        for s in page["samples"]
    ]
    index = int(np.argmin(away))
    return {"id": page["samples"][index]["id"], "metres": round(away[index]),
            "values": page["samples"][index]["values"]}  # fmt: skip


def chart_sections(work: Workspace, season: int, block: Block, key: str) -> Data | None:
    """The figures of a property, each with its question, its picture and its table."""
    page = work.page(season, block.slug)
    one = next((p for p in page["properties"] if p["key"] == key), None) if page else None
    if one is None:
        return None
    return {"name": one["name"], "unit": one["unit"], "sections": one["charts"],
            "notes": one["notes"], "method": one["method"]}  # fmt: skip


def what_if(work: Workspace, season: int, block: Block, amendment: str, wish: Wish) -> Data:
    """The zones, rates and money of one amendment under a wish."""
    tried = work.tried(season, block, amendment, wish)
    materials = materials_data(tried)
    if materials:
        return {"material": materials[0] | {"fewer": fewer_draws_words(tried)}}
    held = tried.prescription.held
    return {"material": None, "why": held[0].reason if held else "Nothing to spread."}


def why(work: Workspace, season: int, block: Block, amendment: str, zone: int) -> Data:
    """The chain behind one rate, as the command `why` tells it."""
    import argparse

    from maps.commands.why import why as chain

    arguments = argparse.Namespace(
        folder=work.folder, season=season, block=block.name, zone=zone, material=amendment
    )
    answer = chain(arguments)
    title, *links = answer.lines
    return {"title": title, "links": [line.strip() for line in links]}
