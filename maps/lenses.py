"""Surface -> what the map of a property may show: pictures with their legends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from geo.blocks import Block
from geo.lookup import properties
from geo.surfaces import Surface
from maps import colors
from maps.drawing import pictures
from maps.drawing.furniture import line_labels
from maps.wording import level_words, number

Data = dict[str, Any]

#: Longest side of the picture of doubt, which has no lines that must stay thin. [px]
SURE_LONGEST = 300


def lenses(block: Block, surface: Surface, classes: list[colors.Class], sense: str) -> list[Data]:
    """What was found, the chance of trouble, and how sure it is; a picture and a legend each."""
    frame = pictures.frame_for(surface.grid, block.lonlat)
    found = [_found(surface, frame, classes, sense)]
    if not np.isfinite(surface.high - surface.low).any():
        return found  # one sample knows neither a chance nor a doubt
    if surface.chance_wrong_side is not None and surface.critical is not None:
        found.append(_chance(surface, frame))
    return [*found, _sure(surface, pictures.frame_for(surface.grid, block.lonlat, SURE_LONGEST))]


def _found(
    surface: Surface, frame: pictures.Frame, classes: list[colors.Class], sense: str
) -> Data:
    values = pictures.warp(surface.estimate, surface.grid, frame)
    if surface.verdict == "none":  # one value for the block, so no pattern to look at
        values = np.where(np.isfinite(values), surface.mean, np.nan)
    if classes:
        ramp = _rating_ramp(surface, values, classes, sense)
        limits = [hi for _, _, hi, _ in classes if hi is not None]
        legend = [_class_legend(one, sense, surface.key) for one in classes]
        flat = colors.classes_of_steps(ramp, classes)
    else:
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        shades = colors.AMOUNT if high > low else colors.AMOUNT[2:3]
        ramp, limits, flat = colors.even(shades, low, high), [], ()
        legend = _even_legend(shades, low, high, surface.key)
    return {
        "key": "found",
        "words": f"{properties()[surface.key].symbol} found",
        "picture": _drawn(values, ramp, limits),
        "bounds": frame.bounds,
        "legend": legend,
        "flat": list(flat),
        "steps": "".join(bytes(color).hex() for color in ramp.colors) if flat else "",
        "legendUnit": "" if surface.unit == "pH" else surface.unit,
        "labels": line_labels(
            surface.estimate,
            surface.grid,
            limits,
            surface.key,
            np.empty((0, 2)) if surface.belief is None else surface.belief.xy,
        )
        if surface.verdict != "none"
        else [],
    }


def _drawn(values: pictures.Array, ramp: colors.Ramp, limits: Sequence[float] = ()) -> str:
    return pictures.data_url(pictures.page_picture(values, ramp, limits), "webp")


def _rating_ramp(
    surface: Surface, values: pictures.Array, classes: list[colors.Class], sense: str
) -> colors.Ramp:
    """Colours from class to class; that of its own class alone where there is one value."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if surface.verdict != "none":
        return colors.class_ramp(classes, sense, low, high)
    level = next(name for name, _, top, _ in classes if top is None or low < top)
    return colors.even((colors.class_color(level, sense),), low, high)


def _class_legend(one: colors.Class, sense: str, key: str) -> Data:
    level, low, _, target = one
    return {
        "color": colors.class_color(level, sense),
        "words": level_words(level, sense),
        "target": target,
        "from": None if low is None else number(low, key),
    }


def _chance(surface: Surface, frame: pictures.Frame) -> Data:
    assert surface.chance_wrong_side is not None
    assert surface.critical is not None
    values = pictures.warp(surface.chance_wrong_side, surface.grid, frame)
    ramp = colors.blend(colors.CHANCE, 0.0, 1.0)
    return {
        "key": "chance",
        "words": f"chance it is {surface.side} {number(surface.critical, surface.key)}",
        "picture": _drawn(values, ramp, (0.5,)),
        "bounds": frame.bounds,
        "legend": [
            {"color": color, "words": "", "target": False, "from": f"{place * 100:.0f}"}
            for place, color in colors.CHANCE
        ],
        "legendUnit": "in 100",
    }


def _sure(surface: Surface, frame: pictures.Frame) -> Data:
    half_range = (surface.high - surface.low) / 2
    values = pictures.warp(half_range, surface.grid, frame)
    high = max(float(np.nanmax(values)), 1e-9)
    ramp = colors.even(colors.SURE, 0.0, high)
    return {
        "key": "sure",
        "words": "how sure we are",
        "picture": _drawn(values, ramp),
        "bounds": frame.bounds,
        "legend": _even_legend(colors.SURE, 0.0, high, surface.key, sign="± "),
        "legendUnit": ("" if surface.unit == "pH" else surface.unit + ", ") + "two in three",
    }


def _even_legend(
    ramp: tuple[str, ...], low: float, high: float, key: str, sign: str = ""
) -> list[Data]:
    values = np.linspace(low, high, len(ramp))
    return [
        {
            "color": color,
            "words": "",
            "target": False,
            "from": sign + number(float(value), key) if index in {0, len(ramp) - 1} else "",
        }
        for index, (color, value) in enumerate(zip(ramp, values, strict=True))
    ]
