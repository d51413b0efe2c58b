"""The maps of two years on one paper, with what was spread between, for a seam to move over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from geo.blocks import Block
from geo.crs import to_metric
from geo.lookup import properties
from geo.units import OM_PER_OC
from maps.drawing import drawings
from maps.drawing.changepictures import paper_of
from maps.serving.workspace import Workspace
from maps.wording import rate_words

Data = dict[str, Any]
Years = tuple[int, int]
Bounds = Sequence[Sequence[float]]


#: Organic matter may be mapped as carbon in one year and compared through `OM_PER_OC`.
TWINS = {"om": "oc", "oc": "om"}
#: Class limits this near are the same: tables round them. [1]
SAME_LIMIT = 0.05


def both_years(work: Workspace, years: Years, block: Block, key: str, document: Data) -> Data:
    """The maps of both years as one picture in two layers, or what is missing."""
    mapped, missing = [], []
    for year in years:
        page = work.page(year, block.slug)
        one = _mapped(page, key) if page else None
        if page is None:
            missing.append({"year": year, "run": True, "words": f"No maps of {year} yet."})
        elif one is None:
            name = properties()[key].name
            missing.append({"year": year, "run": False, "words": f"{year} has no map of {name}."})
        else:
            mapped.append(one)
    if missing:
        return {"missing": missing}
    lenses = [one["lenses"][0] for one in mapped]
    paper = paper_of(block)
    page = work.page(years[1], block.slug) or {"samples": []}
    spots = [s for s in page["samples"] if s["id"] in document["stations"]]
    legends = _legends(years, mapped, key)
    return {
        "missing": [],
        "width": round(paper.width, 1),
        "height": round(paper.height, 1),
        "images": [_image(lens, block, paper) for lens in lenses],
        "outline": drawings.path_of(block.outline, paper),
        "holes": drawings.holes(block.outline, paper),
        "spread": _spread(document, block, paper),
        "samples": drawings.samples(_metric(spots, block), paper, 1.4),
        "legends": legends,
        "said": _said(years, mapped, key, len(legends)),
    }


def _mapped(page: Data, key: str) -> Data | None:
    """The property as a run mapped it, or its twin."""
    found = {one["key"]: one for one in page["properties"]}
    return found.get(key) or found.get(TWINS.get(key, ""))


def _legends(years: Years, mapped: list[Data], key: str) -> list[Data]:
    """One legend where both years are painted alike, else one a year."""
    lenses = [one["lenses"][0] for one in mapped]
    if _alike(mapped):
        own = next((one for one in mapped if one["key"] == key), mapped[0])["lenses"][0]
        return [{"year": "", "classes": own["legend"], "unit": own["legendUnit"]}]
    return [
        {"year": year, "classes": lens["legend"], "unit": lens["legendUnit"]}
        for year, lens in zip(years, lenses, strict=True)
    ]


def _alike(mapped: list[Data]) -> bool:
    """Whether one colour means one thing in both: the same classes, carbon counted as matter."""
    first, second = (one["lenses"][0]["legend"] for one in mapped)
    if mapped[0]["key"] == mapped[1]["key"]:
        return bool(first == second)
    factors = [OM_PER_OC if one["key"] == "oc" else 1.0 for one in mapped]
    return len(first) == len(second) and all(
        a["color"] == b["color"] and a["words"] == b["words"] and _same_limit(a, b, factors)
        for a, b in zip(first, second, strict=True)
    )


def _same_limit(first: Data, second: Data, factors: list[float]) -> bool:
    if first["from"] is None or second["from"] is None:
        return first["from"] is second["from"]
    a, b = (float(one["from"]) * f for one, f in zip((first, second), factors, strict=True))
    return abs(a - b) <= SAME_LIMIT * max(a, b)


def _said(years: Years, mapped: list[Data], key: str, legends: int) -> list[str]:
    """What each map is worth, and what keeps the two colours from being read as one."""
    said = []
    for year, one in zip(years, mapped, strict=True):
        line = f"{year}: {one['verdictWords'].rstrip('.').lower()}"
        if one["key"] != key:
            step = f"\u00d7 {OM_PER_OC:g}" if one["key"] == "oc" else f"divided by {OM_PER_OC:g}"
            line += f", of {properties()[one['key']].name} ({step}: {properties()[key].name})"
        said.append(line + ".")
    if legends > 1:
        said.append(
            "The colours of the two years run over different figures: read each by its own."
        )
    return said


def _metric(spots: list[Data], block: Block) -> Any:
    """Places of samples in the block's CRS. [m]"""
    points = [to_metric(shapely.Point(s["lon"], s["lat"]), block.crs) for s in spots]
    return np.array([[p.x, p.y] for p in points]).reshape(-1, 2)


def _image(lens: Data, block: Block, paper: drawings.Paper) -> Data:
    """A picture of a run and the matrix that lays its unit square on the paper."""
    return {"url": lens["picture"], "matrix": matrix_of(lens["bounds"], block, paper)}


def matrix_of(bounds: Bounds, block: Block, paper: drawings.Paper) -> str:
    """What lays the unit square of a picture on the paper, as SVG takes it.

    The picture is square to the meridian, the paper to the block's CRS, which is turned a little.
    `bounds` are (south, west) and (north, east). [deg]
    """
    (south, west), (north, east) = bounds
    corners = [shapely.Point(*at) for at in ((west, north), (east, north), (west, south))]
    metres = [to_metric(corner, block.crs) for corner in corners]
    zero, right, down = paper.points([[p.x, p.y] for p in metres])
    matrix = (*(right - zero), *(down - zero), *zero)
    return " ".join(f"{value:.3f}" for value in matrix)


def _spread(document: Data, block: Block, paper: drawings.Paper) -> list[Data]:
    """Outlines of what was spread between, each with its rate, as the comparison met them."""
    found = []
    for one in document.get("ground", []):
        ground = to_metric(shapely.from_wkt(one["where"]), block.crs)
        shape = shapely.intersection(ground, block.outline)
        if shape.is_empty:
            continue
        widest = max(shapely.get_parts(shape), key=lambda part: part.area)
        x, y = paper.points([shapely.maximum_inscribed_circle(widest).coords[0]])[0]
        words = (
            " + ".join(rate_words(rate) for rate in one["rates_kg_ha"].values() if rate) or "none"
        )
        found.append({"path": drawings.path_of(shape, paper), "x": round(float(x), 1),
                      "y": round(float(y), 1), "words": words})  # fmt: skip
    return found
