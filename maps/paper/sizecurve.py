"""Would more spots help? Doubt against the number of spots with the money on it, drawn by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from geo.sampling import SamplePlan
from maps.drawing import drawings
from maps.wording import money

Data = dict[str, Any]

#: Width and height of the curve, and the room for its words. [user units]
WIDE, HIGH, LEFT, FOOT = 350.0, 170.0, 44.0, 58.0
#: Ticks whose words would run into each other are left out, but for that of the plan. [user units]
APART = 62.0
#: Of the line to the plan's own number.
THREAD = "#8c0038"


def curve(plan: SamplePlan) -> Data | None:
    """The curve as places and words; None where there is one number of spots."""
    points = plan.curve
    if len(points) < 2:
        return None
    sizes = np.array([point.spots for point in points], dtype=float)
    doubts = np.array([point.doubt for point in points])
    low, high = doubts.min() - 0.02, doubts.max() + 0.02
    x = LEFT + (sizes - sizes[0]) / (sizes[-1] - sizes[0]) * (WIDE - LEFT - 30)
    y = 8 + (high - doubts) / (high - low) * (HIGH - FOOT - 12)
    here = int(np.argmin(np.abs(sizes - len(plan.spots))))
    return {
        "wide": WIDE,
        "high": HIGH,
        "line": " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True)),
        "x": round(float(x[here]), 1),
        "y": round(float(y[here]), 1),
        "foot": HIGH - FOOT,
        "ticks": [
            {
                "x": round(float(x[i]), 1),
                "spots": points[i].spots,
                "cost": money(points[i].cost, plan.currency) if points[i].cost else "",
            }
            for i in sorted({0, here, len(points) - 1})
            if i == here or abs(x[i] - x[here]) >= APART
        ],
        "levels": [
            {"y": round(float(y[i]), 1), "doubt": round(100 * float(doubts[i]))}
            for i in (0, len(points) - 1)
        ],
        "more": _more(plan, here),
        "rows": [
            {
                "spots": point.spots,
                "doubt": round(100 * point.doubt),
                "cost": money(point.cost, plan.currency) if point.cost else "not known",
                "here": i == here,
            }
            for i, point in enumerate(points)
        ],
    }


def _more(plan: SamplePlan, here: int) -> str:
    """What the next size of the curve would take off the doubt, and its price, as a sentence."""
    if here + 1 >= len(plan.curve):
        return ""
    now, then = plan.curve[here : here + 2]
    less = 100 * (1 - then.doubt / now.doubt)
    price = f" for {money(then.cost - now.cost, plan.currency)} more" if then.cost else ""
    return f"{then.spots - now.spots} more spots: doubt {less:.0f} % less{price}."


def curve_picture(plan: SamplePlan) -> str:
    """The curve as SVG for paper and phone; empty where there is none."""
    drawn = curve(plan)
    if drawn is None:
        return ""
    foot, x, y = drawn["foot"], drawn["x"], drawn["y"]
    parts = [
        f'<polyline points="{drawn["line"]}" fill="none" stroke="{drawings.INK}" '
        'stroke-width="1.6"/>',
        f'<path d="M{LEFT} {foot}H{WIDE}" stroke="{drawings.INK}" stroke-width="0.8"/>',
        f'<path d="M{x} {y}V{foot}" stroke="{THREAD}" stroke-width="1.4" stroke-dasharray="5 4"/>',
        f'<circle cx="{x}" cy="{y}" r="4.5" fill="{drawings.SHEET}" stroke="{THREAD}" '
        'stroke-width="2"/>',
    ]
    for level in drawn["levels"]:
        words = f"{level['doubt']} in 100"
        parts.append(_text(36, level["y"] + 4, words, "end"))
    for at, tick in enumerate(drawn["ticks"]):
        spots = f"{tick['spots']}{' spots' if at == 0 else ''}"
        parts += [_text(tick["x"], foot + 16, spots), _text(tick["x"], foot + 32, tick["cost"])]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-22 0 {WIDE + 22:.0f} {HIGH - 20:.0f}" '
        f'width="{WIDE + 22:.0f}" height="{HIGH - 20:.0f}" font-family="{drawings.FACES}" '
        f'font-size="12" fill="{drawings.INK}">{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, words: str, anchor: str = "middle") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}">{words}</text>'
