"""A small writer of SVG: scales, ticks, marks and words, for figures made of numbers.

Colours are the page's own variables with something to fall back on, so that a figure follows day
and night, and stands alone too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

from maps.wording import signed, thousands

#: Size of a figure; the width is that of the column it stands in. [px]
WIDTH, HEIGHT = 356, 262
LEFT, RIGHT, TOP, BOTTOM = 46, 14, 34, 44
#: Most numbers along a scale.
MOST_TICKS = 4
#: Least room between two numbers along the foot. [px]
ROOM = 34

INK = "currentColor"
SHEET, THREAD, TINT = "var(--sheet, #fff)", "var(--thread, #a3154a)", "var(--tint, #f4e3ea)"
HAIR = "var(--edge, #74807d)"


@dataclass(frozen=True)
class Scale:
    """Values along a line: from `low` at pixel `start` to `high` at pixel `end`."""

    low: float
    high: float
    start: float
    end: float
    logs: bool = False

    def at(self, value: float) -> float:
        """Pixel of a value."""
        low, high, value = (
            (math.log(v) for v in (self.low, self.high, value))
            if self.logs
            else (self.low, self.high, value)
        )
        return self.start + (value - low) / (high - low) * (self.end - self.start)

    def ticks(self) -> list[float]:
        """Round numbers to write along it, at most four."""
        return log_ticks(self.low, self.high) if self.logs else ticks(self.low, self.high)

    def words(self, mark: float, marks: Sequence[float]) -> str:
        """The number of one of its ticks."""
        return tick_words(mark, step_of([mark] if self.logs else marks))


def across(low: float, high: float, logs: bool = False) -> Scale:
    """Scale along the foot of a figure."""
    return Scale(low, high, LEFT, WIDTH - RIGHT, logs)


def upward(low: float, high: float, logs: bool = False) -> Scale:
    """Scale along the left side of a figure."""
    return Scale(low, high, HEIGHT - BOTTOM, TOP, logs)


def ticks(low: float, high: float, most: int = MOST_TICKS) -> list[float]:
    """At most so many evenly spaced round numbers inside a range.

    Examples
    --------
    >>> ticks(4.4, 6.6), ticks(0, 260), ticks(0.011, 0.034)
    ([5.0, 6.0], [0.0, 100.0, 200.0], [0.015, 0.02, 0.025, 0.03])
    """
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    for step in (m * power for m in (1, 2, 5, 10, 20)):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first < most:
            return [float(f"{i * step:.10g}") for i in range(first, last + 1)]
    return []


def log_ticks(low: float, high: float, most: int = MOST_TICKS) -> list[float]:
    """At most so many round numbers that lie well apart on a scale of logarithms.

    Examples
    --------
    >>> log_ticks(7, 230), log_ticks(30, 60)
    ([10.0, 30.0, 100.0], [30.0, 40.0, 50.0, 60.0])
    """
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for digits in ((1, 2, 5), (1, 3), (1,)):
        found = [d * 10.0**p for p in decades for d in digits if low <= d * 10.0**p <= high]
        if 2 <= len(found) <= most:
            return [float(f"{v:.10g}") for v in found]
    return ticks(low, high, most)


def tick_words(value: float, step: float) -> str:
    r"""A tick's number with the decimals its step asks for.

    Examples
    --------
    >>> tick_words(5.5, 0.5), tick_words(1500.0, 500.0), tick_words(0.0, 0.02)
    ('5.5', '1\u202f500', '0')
    """
    if value == 0:
        return "0"
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if decimals == 0:
        return signed(thousands(value))
    return signed(f"{value:.{decimals}f}")


def step_of(marks: Sequence[float]) -> float:
    """Step whose decimals all ticks need.

    Examples
    --------
    >>> step_of([5.5, 6.0, 6.5]), step_of([0.0, 100.0]), step_of([12.0, 15.25])
    (0.1, 1.0, 0.01)
    """
    decimals = max((len(f"{m:.10g}".partition(".")[2]) for m in marks), default=0)
    return float(f"1e-{decimals}")


def words(x: float, y: float, text: str, anchor: str = "start", *, bold: bool = False) -> str:
    """Text at a place."""
    where = "" if anchor == "start" else f' text-anchor="{anchor}"'
    weight = ' font-weight="600"' if bold else ""
    return f'<text x="{x:.1f}" y="{y:.1f}"{where}{weight}>{escape(text)}</text>'


def stroke(d: str, color: str = INK, width: float = 1.4, dash: str = "") -> str:
    """A line along a path."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{d}" fill="none" stroke="{color}" stroke-width="{width:g}"{dashes}/>'


def area(d: str, color: str) -> str:
    """A path filled without an edge."""
    return f'<path d="{d}" fill="{color}"/>'


def rings(marks: Iterable[tuple[float, float, float]]) -> str:
    """Samples' marks, open with an ink edge: (x, y, radius)."""
    drawn = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.3g}"/>' for x, y, r in marks)
    return f'<g fill="{SHEET}" stroke="{INK}" stroke-width="1.5">{drawn}</g>'


def bar(x: float, y: float, width: float, height: float, color: str, radius: float = 0) -> str:
    """A rectangle in a data colour with an ink edge."""
    corner = f' rx="{radius:g}"' if radius else ""
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"{corner} '
        f'fill="{color}" stroke="{INK}" stroke-width="1"/>'
    )


def polyline(points: Iterable[tuple[float, float]]) -> str:
    """Path through points."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def foot(
    scale: Scale, title: str, marks: Mapping[float, str] | None = None, height: int = HEIGHT
) -> str:
    """Line, numbers and title along the foot; `marks` are numbers with their words."""
    y = height - BOTTOM
    if marks is None:
        found = scale.ticks()
        marks = {mark: scale.words(mark, found) for mark in found}
    parts = [stroke(f"M{LEFT} {y}H{WIDTH - RIGHT}"), words(WIDTH - 2, height - 8, title, "end")]
    for mark, text in marks.items():
        anchor = "end" if scale.at(mark) > WIDTH - RIGHT - 10 else "middle"
        parts.append(words(scale.at(mark), y + 17, text, anchor))
    return "".join(parts)


def side(scale: Scale, title: str) -> str:
    """Line and numbers along the left side, title above them."""
    found = scale.ticks()
    parts = [stroke(f"M{LEFT} {TOP}V{HEIGHT - BOTTOM}"), words(2, 14, title)]
    parts += [words(LEFT - 6, scale.at(m) + 4.4, scale.words(m, found), "end") for m in found]
    return "".join(parts)


def figure(label: str, body: str, height: int = HEIGHT) -> str:
    """The whole picture."""
    name = escape(label, quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 {WIDTH} {height}" '
        f'role="img" aria-label="{name}" font-size="12.5" fill="currentColor">{body}</svg>'
    )
