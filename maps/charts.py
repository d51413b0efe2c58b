"""Figures behind a map, each answering a question: SVG of numbers, the same numbers as a table.

How alike are neighbours? Does the map hold? Where do the samples fall? No word of the user
enters a picture; sample names stand in the tables alone. (Zones: `maps.drawing.zonecharts`.)
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from geo.belief.semivariance import pairs_by_distance, semivariance_band
from geo.lookup import properties
from geo.ratings import Classes
from geo.season import Season
from geo.surfaces import Surface
from maps.colors import class_color
from maps.drawing import plots
from maps.wording import level_words, number

#: Below so many samples no fitted figure is a finding.
FEW = 50
#: Most bars of a histogram, give or take one.
MOST_BARS = 12

Row = tuple[str, ...]


@dataclass(frozen=True)
class Chart:
    """A figure and all it shows.

    Attributes
    ----------
    svg : str
        Made of numbers and of our own words; may be placed in a page as it is.
    label : str
        One line, also the picture's name to a screen reader.
    rows : tuple of tuple of str
        The same numbers as a table, its heading first.
    question : str
        The heading above it.
    note : str
        What to mind in reading it, or "".
    """

    svg: str
    label: str
    rows: tuple[Row, ...]
    question: str
    note: str = ""


def property_charts(season: Season, surface: Surface) -> list[Chart]:
    """The charts that can be drawn of a property: neighbours, left out, samples."""
    classes = season.ratings.classes.get(surface.key, ())
    rating = season.ratings.block.get(surface.key)
    values = values_of(season, surface.key)
    drawn = (
        variogram_chart(surface),
        left_out_chart(surface, classes),
        histogram_chart(
            surface.key, values.values(), classes, rating.sense if rating else "descriptive"
        ),
    )
    return [chart for chart in drawn if chart is not None]


def variogram_chart(surface: Surface) -> Chart | None:
    """How alike are neighbours? Rings sized by pairs, the believed line with its band."""
    if surface.belief is None:
        return None
    shown = pairs_by_distance(surface.belief)
    if len(shown.pairs) < 2:
        return None
    reach = float(shown.distance_m.max()) * 1.06
    band = semivariance_band(surface.belief, np.linspace(0.0, reach, 41))
    x = plots.across(0.0, reach)
    y = plots.upward(0.0, 1.12 * float(max(shown.semivariance.max(), band.high.max())))
    outward = [(x.at(h), y.at(g)) for h, g in zip(band.distance_m, band.high, strict=True)]
    back = [(x.at(h), y.at(g)) for h, g in zip(band.distance_m, band.low, strict=True)]
    line = [(x.at(h), y.at(g)) for h, g in zip(band.distance_m, band.middle, strict=True)]
    body = plots.area(plots.polyline(outward + back[::-1]) + "Z", plots.TINT)
    body += plots.stroke(plots.polyline(line), plots.THREAD, 2)
    most = float(shown.pairs.max())
    marks = [
        (x.at(h), y.at(g), 2.5 + 5.5 * math.sqrt(n / most))
        for h, g, n in zip(shown.distance_m, shown.semivariance, shown.pairs, strict=True)
    ]
    body += plots.rings(marks)
    for (across, up, radius), n in zip(marks, shown.pairs, strict=True):
        body += plots.words(across, up - radius - 4, str(n), "middle")
    body += plots.side(y, f"how unlike pairs are (semivariance, {_squared(surface)})")
    body += plots.foot(x, "metres apart; on each ring its number of pairs")
    label = f"{name_of(surface.key)}: how unlike pairs of samples are, by their distance."
    return Chart(
        plots.figure(label, body), label, _pair_rows(surface), "How alike are neighbours?",
        _variogram_note(surface),
    )  # fmt: skip


def _pair_rows(surface: Surface) -> tuple[Row, ...]:
    assert surface.belief is not None
    shown = pairs_by_distance(surface.belief)
    band = semivariance_band(surface.belief, shown.distance_m)
    head = ("metres apart", "pairs", f"semivariance, {_squared(surface)}", "believed",
            "80 in 100")  # fmt: skip
    columns = (shown.distance_m, shown.pairs, shown.semivariance, band.middle, band.low, band.high)
    rows = [
        (f"{h:.0f}", str(n), number(g), number(middle), f"{number(low)} to {number(high)}")
        for h, n, g, middle, low, high in zip(*columns, strict=True)
    ]
    return (head, *rows)


def _variogram_note(surface: Surface) -> str:
    scale = (
        "on the scale of natural logarithms, on which this property is mapped" if surface.logs else
        "on the scale that is mapped"
    )  # fmt: skip
    said = (
        f"Half the mean squared difference of pairs, {scale}. The line is what the weighted models "
        "expect, the band holds the middle 80 in 100 of their weight. No curve was fitted."
    )
    if surface.n < FEW:
        said += f" {surface.n} samples know the line weakly: read no distance and no height off it."
    return said


def left_out_chart(surface: Surface, classes: Classes = ()) -> Chart | None:
    """Does the map hold? Each sample predicted from the others, against what was measured."""
    test, belief = surface.crossvalidation, surface.belief
    if test is None or belief is None:
        return None
    back = np.exp if surface.logs else np.asarray
    predicted, measured = back(test.predicted), back(belief.values)
    low, high = padded([*predicted, *measured], surface.logs)
    x, y = plots.across(low, high, surface.logs), plots.upward(low, high, surface.logs)
    body = ""
    for limit in limits_within(classes, low, high):
        body += plots.stroke(
            f"M{x.at(limit):.1f} {plots.TOP}V{plots.HEIGHT - plots.BOTTOM}"
            f"M{plots.LEFT} {y.at(limit):.1f}H{plots.WIDTH - plots.RIGHT}", plots.HAIR, 1,
        )  # fmt: skip
    body += plots.stroke(
        plots.polyline([(x.at(low), y.at(low)), (x.at(high), y.at(high))]), dash="4 4", width=1.2
    )
    body += plots.rings((x.at(p), y.at(m), 4) for p, m in zip(predicted, measured, strict=True))
    body += plots.side(y, f"measured{unit_of(surface.key)}")
    body += plots.foot(x, "predicted from the other samples")
    label = (
        f"{name_of(surface.key)}: each sample predicted from the others, against its measurement."
    )
    rows = tuple(
        (" and ".join(ids), number(p, surface.key), number(m, surface.key))
        for ids, p, m in zip(surface.sample_ids, predicted, measured, strict=True)
    )
    return Chart(
        plots.figure(label, body), label, (("sample", "predicted", "measured"), *rows),
        "Does the map hold?", _left_out_note(surface, classes),
    )  # fmt: skip


def _left_out_note(surface: Surface, classes: Classes) -> str:
    parts = ["On the dashed line a sample is predicted as it was measured."]
    if _limits(classes):
        parts.append("The thin lines are limits of the rating.")
    if surface.misses is not None:
        of_map, of_mean = (number(miss) for miss in surface.misses)
        unit = unit_of(surface.key).lstrip(", ")
        parts.append(f"The map misses by {of_map} {unit}, one value for the block by {of_mean}.")
    return " ".join(parts)


def histogram_chart(
    key: str, values: Iterable[float], classes: Classes = (), sense: str = "descriptive"
) -> Chart | None:
    """Where do the samples fall? Samples by step of the scale, in the colours of their rating.

    Parameters
    ----------
    key : str
        Property, for its unit and its digits.
    values : collection of float
        One a sample. [unit]
    classes : sequence of (level, low, high, target)
        From low to high; a bar that holds a limit is coloured in parts.
    """
    found = sorted(values)
    if len(found) < 2 or found[0] == found[-1]:
        return None
    edges = _edges(found[0], found[-1])
    bins = [_bin(found, low, high, classes) for low, high in pairwise(edges)]
    x = plots.across(edges[0], edges[-1])
    y = plots.upward(0.0, 1.2 * max(b.total() for b in bins))
    body = ""
    for low, high, counts in zip(edges, edges[1:], bins, strict=False):
        body += _stack(x, y, low, high, counts, sense)
    limits = limits_within(classes, edges[0], edges[-1])
    floor = plots.HEIGHT - plots.BOTTOM
    for limit in limits:
        body += plots.stroke(f"M{x.at(limit):.1f} {plots.TOP - 4}V{floor}", dash="4 4")
    body += _class_words(x, classes, sense)
    body += plots.foot(
        x, title_of(key) + ("; dashed: limits" if limits else ""), _marks(x, limits, key)
    )
    body += plots.words(2, 14, "number of samples")
    label = f"{name_of(key)}: number of samples in each step of the scale."
    return Chart(
        plots.figure(label, body), label, _bin_rows(key, edges, bins, sense),
        "Where do the samples fall?",
    )  # fmt: skip


def _edges(low: float, high: float) -> list[float]:
    """Edges of some bars on round numbers."""
    power = 10.0 ** math.floor(math.log10((high - low) / MOST_BARS))
    step = next(m * power for m in (1, 2, 2.5, 5, 10) if MOST_BARS * m * power >= high - low)
    first, last = math.floor(low / step + 1e-9), math.floor(high / step + 1e-9) + 1
    return [float(f"{i * step:.10g}") for i in range(first, last + 1)]


def _bin(values: Sequence[float], low: float, high: float, classes: Classes) -> Counter[str]:
    """Samples from `low` to below `high`, by level; "" without a table."""
    return Counter(_level(v, classes) for v in values if low <= v + 1e-12 * abs(high) < high)


def _level(value: float, classes: Classes) -> str:
    """Class of a value: lower limits belong to a class, upper ones do not."""
    return next((level for level, _, top, _ in classes if top is None or value < top), "")


def _stack(
    x: plots.Scale, y: plots.Scale, low: float, high: float, counts: Mapping[str, int], sense: str
) -> str:
    left, right, base, body = x.at(low) + 1, x.at(high) - 1, 0, ""
    for level, count in counts.items():
        color = class_color(level, sense) if level else "#c3c6be"
        top = y.at(base + count)
        body += plots.bar(left, top, right - left, y.at(base) - top, color)
        base += count
    if base:
        body += plots.words((left + right) / 2, y.at(base) - 4, str(base), "middle")
    return body


def _class_words(x: plots.Scale, classes: Classes, sense: str) -> str:
    """Names of the classes above their stretch of the scale, where there is room."""
    body = ""
    for level, low, high, target in classes:
        left = max(x.start, x.at(low) if low is not None else x.start)
        right = min(x.end, x.at(high) if high is not None else x.end)
        text = "target" if target else level_words(level, sense)
        if right - left > 7.2 * len(text):
            body += plots.words((left + right) / 2, plots.TOP - 6, text, "middle", bold=target)
    return body


def _marks(x: plots.Scale, limits: Sequence[float], key: str) -> dict[float, str]:
    """Limits of the rating, then round numbers: at most four, with room between."""
    ticks = x.ticks()
    marks: dict[float, str] = {}
    for value in (*limits, *ticks):
        if all(abs(x.at(value) - x.at(mark)) >= plots.ROOM for mark in marks):
            marks[value] = number(value, key) if value in limits else x.words(value, ticks)
    return dict(list(marks.items())[: plots.MOST_TICKS])


def _bin_rows(
    key: str, edges: Sequence[float], bins: Sequence[Counter[str]], sense: str
) -> tuple[Row, ...]:
    rows = []
    for low, high, counts in zip(edges, edges[1:], bins, strict=False):
        rated = ", ".join(
            f"{count} {level_words(level, sense)}" for level, count in counts.items() if level
        )
        rows.append((f"{low:g} to {high:g}", str(counts.total()), rated))
    return (("from, to below" + unit_of(key), "samples", "rating"), *rows)


def values_of(season: Season, key: str) -> dict[str, float]:
    """Usable value of each sample that has one. [unit]"""
    column = season.checked.usable.get(key)
    if column is None:
        return {}
    return {str(name): float(v) for name, v in column.items() if math.isfinite(float(v))}


def _limits(classes: Classes) -> list[float]:
    return [high for _, _, high, _ in classes if high is not None]


def limits_within(classes: Classes, low: float, high: float) -> list[float]:
    """Limits of the rating inside a range."""
    return [limit for limit in _limits(classes) if low < limit < high]


def padded(values: Sequence[float], logs: bool) -> tuple[float, float]:
    """Range of values with a margin at either end."""
    low, high = float(min(values)), float(max(values))
    if logs:
        factor = (high / low) ** 0.07 if high > low else 1.1
        return low / factor, high * factor
    pad = 0.07 * (high - low) or 0.1 * abs(high) or 1.0
    return low - pad, high + pad


def name_of(key: str) -> str:
    """A property's name with a capital, pH as it is."""
    name = properties()[key].name
    return name if name.startswith("pH") else name[:1].upper() + name[1:]


def title_of(key: str) -> str:
    """Name and unit of a scale."""
    return name_of(key) if properties()[key].unit == "pH" else name_of(key) + unit_of(key)


def unit_of(key: str) -> str:
    """A comma and the unit, nothing where there is none."""
    unit = properties()[key].unit
    return "" if unit == "1" else f", {unit}"


def _squared(surface: Surface) -> str:
    """The unit of the semivariance, on the scale that is mapped."""
    unit = properties()[surface.key].unit
    if surface.logs:
        return f"ln {unit}" if unit != "1" else "ln"
    if unit == "1":
        return "of a ratio"
    return f"({unit})²" if "/" in unit else f"{unit}²"
