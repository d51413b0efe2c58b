"""Maps as SVG, drawn by hand: zones with stitches, row numbers, samples, scale bar, north needle.

Used where no map library is: on paper and on the phone. Only numbers of ours are written into the
pictures, no name that a person typed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from geo.units import M_PER_FT
from maps.colors import ZONE_FILLS

Array = NDArray[np.float64]
Outline = Polygon | MultiPolygon

INK = "#14262b"
SHEET = "#ffffff"
#: Width of a letter over its size, about that of the reading face.
LETTER = 0.56
FACES = "'Noto Sans','Segoe UI','Liberation Sans',Arial,sans-serif"
#: Stitches: distance of the lines, length of a stitch with its gap, length of a stitch. [pt]
STITCHES = {
    "A": (4.5, 9.0, 6.0),
    "B": (5.6, 9.8, 5.6),
    "C": (8.2, 10.5, 5.2),
    "D": (12.8, 11.2, 4.5),
}
#: Stitches of the zones that get something, from the least upward, by how many they are.
BY_COUNT = {1: "C", 2: "DB", 3: "DCB", 4: "DCBA"}
#: Room around the outline for row numbers. [pt]
MARGIN = 24.0
#: Row numbers closer than this would run into each other. [pt]
LABEL_GAP = 17.0
SCALE_BARS = (5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000)


@dataclass(frozen=True)
class Paper:
    """Metres of the block's CRS -> points on a picture, north up.

    `scale` is points a metre, `west_m` and `north_m` the metres of the picture's top left corner.
    """

    west_m: float
    north_m: float
    scale: float
    width: float
    height: float

    def points(self, xy: Any) -> Array:
        """Places in metres, none or more, as points of the picture.

        Examples
        --------
        >>> paper = Paper(west_m=100.0, north_m=50.0, scale=2.0, width=40.0, height=40.0)
        >>> paper.points([(110, 45)]).tolist(), paper.points([]).shape
        ([[20.0, 10.0]], (0, 2))
        """
        xy = np.asarray(xy, dtype=float).reshape(-1, 2)
        return np.column_stack(
            [(xy[:, 0] - self.west_m) * self.scale, (self.north_m - xy[:, 1]) * self.scale]
        )


def paper_for(outline: Outline, width: float, height: float, margin: float = MARGIN) -> Paper:
    """The largest paper of at most this size that holds the outline and a margin. [pt]"""
    west, south, east, north = outline.bounds
    wide, high = max(east - west, 1.0), max(north - south, 1.0)
    scale = min((width - 2 * margin) / wide, (height - 2 * margin) / high)
    return Paper(
        west_m=west - margin / scale,
        north_m=north + margin / scale,
        scale=scale,
        width=wide * scale + 2 * margin,
        height=high * scale + 2 * margin,
    )


def svg(paper: Paper, parts: Iterable[str], *, below: float = 0.0, title: str = "") -> str:
    """The picture as text; `below` adds room at the foot. [pt]"""
    width, height = paper.width, paper.height + below
    head = f"<title>{title}</title>" if title else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.1f} {height:.1f}" '
        f'width="{width:.1f}" height="{height:.1f}" font-family="{FACES}" font-size="8" '
        f'fill="{INK}">{head}{"".join(parts)}</svg>'
    )


def path_of(shape: Any, paper: Paper) -> str:
    """Path data of polygons or lines."""
    found = []
    for part in shapely.get_parts(shape):
        rings = [part.exterior, *part.interiors] if isinstance(part, Polygon) else [part]
        for ring in rings:
            points = paper.points(shapely.get_coordinates(ring))
            close = isinstance(part, Polygon)
            text = "L".join(f"{x:.1f} {y:.1f}" for x, y in (points[:-1] if close else points))
            found.append(f"M{text}" + ("Z" if close else ""))
    return "".join(found)


def area(shape: Any, paper: Paper, fill: str, stroke: str = "none", width: float = 1.0) -> str:
    """A filled shape, holes left open."""
    return (
        f'<path d="{path_of(shape, paper)}" fill="{fill}" fill-rule="evenodd" stroke="{stroke}" '
        f'stroke-width="{width}" stroke-linejoin="round"/>'
    )


def zone_looks(rates_kg_ha: Sequence[float]) -> list[tuple[str, str]]:
    """Fill and stitch of each zone: by rank among those that get something; none is plain.

    Examples
    --------
    >>> [stitch for _, stitch in zone_looks([4400.0, 1800.0, 0.0])]
    ['B', 'D', '']
    """
    steps = sorted({rate for rate in rates_kg_ha if rate > 0})
    letters = BY_COUNT.get(len(steps), "DCBA")
    looks = []
    for rate in rates_kg_ha:
        if rate <= 0:
            looks.append((ZONE_FILLS[0], ""))
        else:
            rank = min(steps.index(rate), len(letters) - 1)
            looks.append((ZONE_FILLS[min(rank + 1, len(ZONE_FILLS) - 1)], letters[rank]))
    return looks


def stitches(shape: Any, paper: Paper, letter: str, azimuth_deg: float) -> str:
    """Short lines along the rows, the closer the more is spread, cut off at the shape's edge.

    Drawn as lines of their own: a printer, a phone and a PDF then show the same.
    """
    if not letter:
        return ""
    across, along, length = (value / paper.scale for value in STITCHES[letter])
    inner = shapely.buffer(shape, -1.6 / paper.scale)
    if inner.is_empty:
        return ""
    dashes = _dashes(shape, across, along, length, azimuth_deg)
    shapely.prepare(inner)
    kept = dashes[shapely.intersects(inner, dashes)]
    cut = shapely.intersection(inner, kept)
    parts = shapely.get_parts(cut[shapely.length(cut) > 0.3 * length])
    return (
        f'<path d="{path_of(parts, paper)}" fill="none" stroke="{INK}" stroke-opacity="0.78" '
        'stroke-width="1" stroke-linecap="round"/>'
    )


def _dashes(shape: Any, across: float, along: float, length: float, azimuth_deg: float) -> Any:
    """Dashes over the bounds of a shape, every second line moved on by half a step. [m]"""
    turn = math.radians(azimuth_deg)
    forward = np.array([math.sin(turn), math.cos(turn)])
    left = np.array([-math.cos(turn), math.sin(turn)])
    corners = shapely.get_coordinates(shapely.box(*shape.bounds))
    u, v = corners @ forward, corners @ left
    # Counted from zero, not from the shape: neighbours with one stitch then run on as one.
    lines = np.arange(math.floor(v.min() / across), math.ceil(v.max() / across) + 1)
    steps = np.arange(math.floor(u.min() / along) - 1, math.ceil(u.max() / along) + 1)
    line, step = (grid.ravel() for grid in np.meshgrid(lines, steps))
    start = (step + 0.5 * (line % 2)) * along
    begin = start[:, None] * forward + (line * across)[:, None] * left
    return shapely.linestrings(np.stack([begin, begin + length * forward], axis=1))


def zones(
    outlines: Sequence[MultiPolygon], rates_kg_ha: Sequence[float], paper: Paper, azimuth_deg: float
) -> list[str]:
    """Zones with fill, stitches and seams."""
    looks = list(zip(outlines, zone_looks(rates_kg_ha), strict=True))
    parts = [area(outline, paper, fill) for outline, (fill, _) in looks]
    parts += [stitches(o, paper, letter, azimuth_deg) for o, (_, letter) in looks]
    parts += [area(o, paper, "none", SHEET, 2.8) for o in outlines]
    parts += [area(o, paper, "none", INK, 1.0) for o in outlines]
    return parts


def patch(fill: str, letter: str) -> str:
    """A small patch of a zone's look, for tables."""
    paper = Paper(0.0, 14.0, 1.0, 22.0, 14.0)
    shape = shapely.box(0.8, 0.8, 21.2, 13.2)
    parts = [area(shape, paper, fill), stitches(shape, paper, letter, 20.0)]
    return svg(paper, [*parts, area(shape, paper, "none", INK, 0.9)])


def zone_numbers(numbers: Sequence[int], outlines: Sequence[MultiPolygon], paper: Paper) -> str:
    """The number of its zone on each part, where there is most room."""
    found = []
    for number, outline in zip(numbers, outlines, strict=True):
        for part in shapely.get_parts(outline):
            circle = shapely.maximum_inscribed_circle(part, tolerance=1.0)
            x, y = paper.points(circle.coords[0])[0]
            found.append(disc(x, y, str(number)))
    return "".join(found)


def disc(x: float, y: float, text: str) -> str:
    """A number in a white disc."""
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7.5" fill="{SHEET}" stroke="{INK}"/>'
        f'<text x="{x:.1f}" y="{y + 3.2:.1f}" font-size="9" font-weight="700" '
        f'text-anchor="middle">{text}</text>'
    )


def pushed_apart(points: Array, gap: float, rounds: int = 30) -> Array:
    """Places on a picture moved so that no two stand nearer than `gap`, as far as rounds allow.

    Examples
    --------
    >>> pushed_apart(np.array([[10.0, 10.0], [14.0, 10.0], [40.0, 10.0]]), 10.0).round().tolist()
    [[7.0, 10.0], [17.0, 10.0], [40.0, 10.0]]
    """
    moved = np.array(points, dtype=float)
    for _ in range(rounds):
        between = moved[:, None] - moved[None]
        away = np.hypot(between[..., 0], between[..., 1])
        first, second = np.nonzero(np.triu(away < gap - 0.01, 1))
        if len(first) == 0:
            break
        # Two at one place part along a line of their own, so that the same comes out each time.
        lost = away[first, second] < 1e-6
        between[first[lost], second[lost]], away[first[lost], second[lost]] = (1.0, 0.0), 1.0
        lacking = np.where(lost, gap, gap - away[first, second])
        step = between[first, second] / away[first, second][:, None] * lacking[:, None] / 2
        np.add.at(moved, first, step)
        np.add.at(moved, second, -step)
    return moved


def leader(place: Sequence[float], label: Sequence[float]) -> str:
    """A line from a place to the label that had to make room, with a dot at the place."""
    (x, y), (to_x, to_y) = place, label
    if math.hypot(x - to_x, y - to_y) < 1.0:
        return ""
    return (
        f'<path d="M{x:.1f} {y:.1f}L{to_x:.1f} {to_y:.1f}" stroke="{INK}" stroke-width="0.8"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.6" fill="{INK}"/>'
    )


def row_numbers(
    outline: Outline, paper: Paper, azimuth_deg: float | None, spacing_m: float | None
) -> str:
    """Ticks and numbers of planting rows outside the outline, at both ends of every n-th row."""
    if azimuth_deg is None or not spacing_m:
        return ""
    from geo.export.driving import row_lines

    rows = row_lines(outline, azimuth_deg, spacing_m)
    step = next((n for n in (5, 10, 20, 50, 100) if n * spacing_m * paper.scale >= 15), 200)
    edge = shapely.boundary(shapely.union_all([Polygon(p.exterior) for p in _polygons(outline)]))
    ticks, labels, taken = [], [], np.empty((0, 2))
    for number, line in rows:
        if number % step and number != 1:
            continue
        inside = shapely.get_coordinates(shapely.intersection(line, outline))
        if len(inside) == 0:
            continue
        for end in inside[[0, -1]]:
            (x, y), (dx, dy) = paper.points(end)[0], _outward(edge, outline, end)
            place = np.array([[x + 11 * dx, y + 11 * dy]])
            if len(taken) and np.hypot(*(taken - place).T).min() < LABEL_GAP * 0.75:
                continue
            taken = np.vstack([taken, place])
            ticks.append(f"M{x:.1f} {y:.1f}L{x + 3.5 * dx:.1f} {y + 3.5 * dy:.1f}")
            labels.append(
                f'<text x="{place[0, 0]:.1f}" y="{place[0, 1] + 2.8:.1f}" '
                f'text-anchor="middle">{number}</text>'
            )
    return f'<path d="{"".join(ticks)}" stroke="{INK}" stroke-width="0.8"/>{"".join(labels)}'


def _outward(edge: Any, outline: Outline, end: Array) -> Array:
    """Unit vector out of the block at a place of its edge, on the picture (y down)."""
    place = shapely.line_locate_point(edge, shapely.Point(end))
    before, after = shapely.get_coordinates(
        shapely.line_interpolate_point(edge, [max(place - 0.5, 0.0), place + 0.5])
    )
    along = (after - before) / max(float(np.hypot(*(after - before))), 1e-9)
    normal = np.array([-along[1], along[0]])
    if shapely.contains_xy(outline, *(end + 0.3 * normal)):
        normal = -normal
    return normal * [1.0, -1.0]


def _polygons(shape: Outline) -> list[Polygon]:
    return list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]


def cut_along(shape: Any, paper: Paper, parts: Iterable[str]) -> str:
    """Parts cut off at the edge of a shape, holes too; one such group a picture."""
    return (
        f'<clipPath id="cut"><path clip-rule="evenodd" d="{path_of(shape, paper)}"/></clipPath>'
        f'<g clip-path="url(#cut)">{"".join(parts)}</g>'
    )


def tag(x: float, y: float, words: str, size: float) -> str:
    """Words on a white slip around a place of a map, readable on any colour and on any grey."""
    wide, high = LETTER * size * len(words) + 3.0, 1.25 * size
    return (
        f'<rect x="{x - wide / 2:.1f}" y="{y - high / 2:.1f}" width="{wide:.1f}" '
        f'height="{high:.1f}" rx="1.5" fill="{SHEET}" fill-opacity="0.86"/>'
        f'<text x="{x:.1f}" y="{y + 0.36 * size:.1f}" font-size="{size:g}" '
        f'text-anchor="middle">{words}</text>'
    )


def samples(xy: Any, paper: Paper, radius: float = 2.2, fills: Sequence[str] = ()) -> str:
    """Sample places: dots with a dark ring, white unless each has a fill of its own."""
    points = paper.points(xy).tolist() if len(xy) else []
    return "".join(
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" fill="{fill}" stroke="{INK}" '
        'stroke-width="0.8"/>'
        for (x, y), fill in zip(points, fills or [SHEET] * len(points), strict=True)
    )


def class_marks(xy: Any, paper: Paper, levels: Sequence[str], fills: Sequence[str]) -> str:
    """Samples by class, told apart without colour: low points down, high up, between is round."""
    points = paper.points(xy).tolist()
    return "".join(
        f'<path d="M{x:.1f} {y:.1f}{_mark(level)}" fill="{fill}" stroke="{INK}" '
        'stroke-width="0.8" stroke-linejoin="round"/>'
        for (x, y), level, fill in zip(points, levels, fills, strict=True)
    )


def _mark(level: str) -> str:
    """Path data of a mark around its place."""
    if level.endswith("low"):
        return "m0 -2.2h3.4l-3.4 6l-3.4 -6z"
    if level.endswith("high"):
        return "m0 2.2h3.4l-3.4 -6l-3.4 6z"
    return "m-2.6 0a2.6 2.6 0 1 0 5.2 0a2.6 2.6 0 1 0 -5.2 0z"


def north(x: float, y: float) -> str:
    """A needle, point up, its head at (x, y)."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="9" font-weight="700" text-anchor="middle">N'
        f'</text><path d="M{x:.1f} {y + 4:.1f}l2.2 19a2.2 3.4 0 1 1 -4.4 0z" fill="{INK}"/>'
        f'<ellipse cx="{x:.1f}" cy="{y + 23.4:.1f}" rx="0.8" ry="1.6" fill="{SHEET}"/>'
    )


def scale_bar(
    paper: Paper, x: float, y: float, longest: float = 115.0, *, feet: bool = False
) -> str:
    """A bar of four stitches, black and white, of a round length in metres or feet."""
    unit, scale = ("ft", paper.scale * M_PER_FT) if feet else ("m", paper.scale)
    length = max((one for one in SCALE_BARS if one * scale <= longest), default=SCALE_BARS[0])
    piece = length * scale / 4
    bars = "".join(
        f'<rect x="{x + k * piece + 0.8:.1f}" y="{y:.1f}" width="{piece - 1.6:.1f}" height="3" '
        f'rx="1.5" fill="{INK if k % 2 == 0 else SHEET}" stroke="{INK}" stroke-width="0.8"/>'
        for k in range(4)
    )
    words = "".join(
        f'<text x="{x + place:.1f}" y="{y - 3:.1f}" text-anchor="{anchor}">{text}</text>'
        for place, anchor, text in (
            (0.0, "start", "0"),
            (2 * piece, "middle", f"{length / 2:g}"),
            (4 * piece, "end", f"{length} {unit}"),
        )
        if anchor != "middle" or piece > 16
    )
    return bars + words


def holes(outline: Outline, paper: Paper) -> str:
    """Ponds and other holes: the outline and two lines that shrink inside it."""
    rings = [Polygon(ring) for part in shapely.get_parts(outline) for ring in part.interiors]
    drawn = []
    for ring in rings:
        size = math.sqrt(ring.area)
        inner = [shapely.buffer(ring, -size * part) for part in (0.14, 0.28)]
        drawn.append(area(ring, paper, SHEET))
        drawn += [area(s, paper, "none", "#5f8190", 0.5) for s in inner if not s.is_empty]
    return "".join(drawn)
