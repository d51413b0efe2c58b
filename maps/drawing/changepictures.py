"""Pictures of change: what moved, and what stands beyond doubt, told without colour too."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.blocks import Block
from geo.compare import Changes
from geo.comparing.detect import detectable_single
from geo.comparing.maps import FELL, NOT_SEEN, ROSE, ChangeMap
from geo.lookup import properties
from geo.money import MINUS
from maps.changefigures import name_of
from maps.colors import even
from maps.drawing import drawings, pictures
from maps.wording import number

Array = NDArray[np.float64]

#: From fell to rose.
CHANGE = ("#8c4f12", "#d2a56a", "#f4f1e6", "#93aede", "#2f4f9e")
#: Ground whose change could not be seen, however large within reason.
UNSEEN = "#d9d9d4"
#: Side of a picture. [pt]
SIDE = 240.0
#: A strip chart: its width, the room beside it, height of a strip, size of its letters. [pt]
WIDE, EDGE, ROW, LETTERS = 350.0, 8.0, 44.0, 13


def change_pictures(changes: Changes) -> list[dict[str, Any]]:
    """Two pictures a property: the change, and where it stands; those that show something first."""
    told = []
    for key, one in changes.maps.items():
        shown = bool(np.isin(one.classes, (ROSE, FELL)).any())
        told.append(
            {
                "key": key,
                "name": name_of(key),
                "shown": shown,
                "change": _picture(changes, one, _change_png(one), "change"),
                "doubt": _picture(changes, one, _doubt_png(one), "doubt"),
                "chart": strip_chart(changes, key),
                "legend": _legend(one),
                "words": _words(one),
                "against": _against(one),
            }
        )
    return sorted(told, key=lambda picture: not picture["shown"])


def strip_chart(changes: Changes, key: str) -> str:
    """Did it move? Each station's change by what was spread, over the noise of one station."""
    paired, rows = changes.paired[key], changes.spread.treatments
    if not rows or not paired.there.any():
        return ""
    values = paired.change[paired.there]
    noise = detectable_single(paired.pair_sd)
    reach = 1.08 * max(float(np.abs(values).max()), noise)
    foot = EDGE + ROW * len(rows)
    height = foot + 3.0 * LETTERS

    def x(value: float) -> float:
        return EDGE + (value + reach) / (2.0 * reach) * (WIDE - 2.0 * EDGE)

    parts = [
        '<defs><pattern id="noise" width="6" height="6" patternUnits="userSpaceOnUse">'
        '<path d="M0 6L6 0" stroke="#a9b1a8" stroke-width="0.8"/></pattern></defs>',
        f'<rect x="{x(-noise):.1f}" y="{EDGE}" width="{x(noise) - x(-noise):.1f}" '
        f'height="{ROW * len(rows)}" fill="url(#noise)"/>',
        f'<path d="M{x(0):.1f} {EDGE}V{foot}" stroke="{drawings.INK}" stroke-width="1"/>',
    ]
    for i, row in enumerate(rows):
        found = paired.change[paired.there & row.stations]
        parts += _strip(row.name, found, EDGE + ROW * i, x)
    for value in (-noise, 0.0, noise):
        parts.append(_text(x(value), foot + 1.2 * LETTERS, _tick(value, paired.logs), "middle"))
    words = f"{_unit_words(key, paired.logs)}, {changes.years[0]} to {changes.years[1]}"
    parts.append(_text(WIDE - EDGE, foot + 2.5 * LETTERS, words, "end"))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {height}" '
        f'width="{WIDE}" height="{height}" font-family="{drawings.FACES}" '
        f'fill="{drawings.INK}">{"".join(parts)}</svg>'
    )


def _strip(name: str, values: Array, top: float, x: Callable[[float], float]) -> list[str]:
    """One treatment: its stations as rings, their mean as a bar, its name above them."""
    middle = top + 0.68 * ROW
    parts = [_text(EDGE, top + LETTERS, f"{name} ({len(values)})")]
    for value in values:
        parts.append(
            f'<circle cx="{x(float(value)):.1f}" cy="{middle:.1f}" r="4.7" fill="none" '
            f'stroke="{drawings.INK}" stroke-width="1.2"/>'
        )
    if len(values):
        mean = x(float(np.mean(values)))
        parts.append(
            f'<path d="M{mean:.1f} {middle - 9:.1f}v18" stroke="#a3154a" stroke-width="2.4"/>'
        )
    return parts


def _text(x: float, y: float, text: str, anchor: str = "start") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{LETTERS}" text-anchor="{anchor}">'
        f"{escape(text)}</text>"
    )


def _tick(value: float, logs: bool) -> str:
    if logs:
        return f"{math.exp(value):.2f}"
    size = f"{abs(value):.2f}" if abs(value) < 1.0 else number(abs(value))
    return "0" if value == 0.0 else (MINUS if value < 0.0 else "+") + size


def _unit_words(key: str, logs: bool) -> str:
    if logs:
        return "the factor"
    unit = properties()[key].unit
    return "the change" + ("" if unit in {"pH", "1"} else f" in {unit}")


def _reach(one: ChangeMap) -> float:
    return max(float(np.nanmax(np.abs(one.change))), 1e-9)


def _change_png(one: ChangeMap) -> str:
    reach = _reach(one)
    change = _grown(one.change, one.grid.inside)
    return pictures.data_url(pictures.picture(change, even(CHANGE, -reach, reach)))


def _grown(values: NDArray[Any], inside: NDArray[np.bool_]) -> NDArray[Any]:
    """Each cell outside takes the nearest one inside: the outline clips the picture."""
    from scipy.ndimage import distance_transform_edt

    _, (rows, columns) = distance_transform_edt(~inside, return_indices=True)
    return np.asarray(values[rows, columns])


def _doubt_png(one: ChangeMap) -> str:
    """Classes as plain colours; falls are hatched one way and rises the other."""
    import io

    from PIL import Image

    finer = 3
    grown = _grown(one.classes, one.grid.inside)
    classes = np.repeat(np.repeat(grown, finer, axis=0), finer, axis=1)
    row, column = np.indices(classes.shape)
    index = np.ones(classes.shape, dtype=np.uint8)
    index[classes == NOT_SEEN] = 2
    for kind, colour, lines in (
        (FELL, 3, (row - column) % 12 < 2),
        (ROSE, 4, (row + column) % 12 < 2),
    ):
        index[classes == kind] = colour
        index[(classes == kind) & lines] = 5
    image = Image.fromarray(index, "P")
    flat = [(0, 0, 0), *(_rgb(c) for c in (CHANGE[2], UNSEEN, CHANGE[1], CHANGE[3], "#14262b"))]
    image.putpalette(bytes(channel for colour in flat for channel in colour))
    out = io.BytesIO()
    image.save(out, "PNG", transparency=0, optimize=True)
    return pictures.data_url(out.getvalue())


def _rgb(color: str) -> tuple[int, int, int]:
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


def paper_of(block: Block) -> drawings.Paper:
    """Paper of every picture of a block, so that they lie on each other."""
    return drawings.paper_for(block.outline, SIDE, SIDE, margin=4.0)


def _picture(changes: Changes, one: ChangeMap, url: str, what: str) -> str:
    outline, paper = changes.block.outline, paper_of(changes.block)
    rows, columns = one.grid.shape
    x, y = paper.points([one.grid.origin_m])[0]
    side = one.grid.spacing_m * paper.scale
    # An id of its own for each picture: many stand on one page.
    clip = f"{what}-{changes.block.slug}-{one.key}"
    path = drawings.path_of(outline, paper)
    image = (
        f'<clipPath id="{clip}"><path d="{path}" clip-rule="evenodd"/></clipPath>'
        f'<image clip-path="url(#{clip})" x="{x:.2f}" y="{y:.2f}" width="{columns * side:.2f}" '
        f'height="{rows * side:.2f}" preserveAspectRatio="none" href="{url}"/>'
    )
    parts = [
        image,
        drawings.holes(outline, paper),
        drawings.area(outline, paper, "none", drawings.INK, 1.2),
        drawings.samples(changes.pairs.xy, paper, 1.8),
    ]
    return drawings.svg(paper, parts)


def _legend(one: ChangeMap) -> list[tuple[str, str]]:
    """Colour and words from fell to rose."""
    reach = _reach(one)
    if one.logs:
        ends = [f"factor {math.exp(-reach):.2f}", "no change", f"factor {math.exp(reach):.2f}"]
    else:
        unit = properties()[one.key].unit
        size = f"{reach:.2f}" if unit == "pH" else number(reach)
        size += "" if unit in {"pH", "1"} else f" {unit}"
        ends = [f"fell by {size}", "no change", f"rose by {size}"]
    ends[0] = ends[0].replace("-", MINUS)
    return [(CHANGE[0], ends[0]), (CHANGE[2], ends[1]), (CHANGE[4], ends[2])]


def _words(one: ChangeMap) -> str:
    """What the pictures show, for those who do not see them too."""
    inside = one.classes[one.grid.inside]
    shares = {
        name: float(np.mean(inside == kind))
        for name, kind in (("rose", ROSE), ("fell", FELL), ("too doubtful to see one", NOT_SEEN))
    }
    shares["no change shown"] = 1.0 - sum(shares.values())
    parts = [f"{100 * share:.0f} % {name}" for name, share in shares.items() if share >= 0.005]
    if len(parts) == 1:
        parts = [f"everywhere {name}" for name, share in shares.items() if share >= 0.5]
    return f"Place by place: {', '.join(parts)}. {_against(one)}".strip()


def _against(one: ChangeMap) -> str:
    """What is taken off the change, and what was assumed to map it."""
    said = []
    if one.against:
        said.append(f"Less what moved on the ground with {one.against}.")
    if one.how == "both years":
        said.append("Few stations are of both years, so all samples of both tell together.")
    if one.rho is not None:
        said.append(
            f"How alike the two years' patterns are was taken as {one.rho:g} (1: the same pattern "
            "again), a usual figure and not measured here; were they less alike, the doubt would "
            "be larger."
        )
    return " ".join(said)


def read_pictures(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Block -> its pictures as an earlier comparison left them; none if there was none."""
    path = folder / "pictures.json"
    if not path.is_file():
        return {}
    found: dict[str, list[dict[str, Any]]] = json.loads(path.read_text(encoding="utf-8"))
    return found
