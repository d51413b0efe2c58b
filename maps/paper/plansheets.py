"""field.html and field-sheet.pdf of a plan: map, walk, what each spot is for, bag labels."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import shapely

from geo.errors import ExportError
from geo.export.driving import rows_at
from geo.export.plan import way_of
from geo.lookup import properties
from geo.money import STEP
from geo.sampling import SamplePlan, Spot
from maps.assets import TEMPLATES
from maps.colors import ZONE_FILLS
from maps.drawing import drawings, prints
from maps.paper.measures import Measures
from maps.paper.sizecurve import curve_picture
from maps.wording import AMENDMENT_WORDS, money, with_unit

Data = dict[str, Any]

#: Size of a map on the phone and on paper. [pt]
PHONE, SHEET = (350.0, 430.0), (510.0, 430.0)
#: Numbers of spots nearer than this would cover each other. [pt]
LABEL_PT = 18.0
#: The thread: the walk, and what is new.
THREAD = "#8c0038"
#: How a sample is taken; common practice, no source.
PROTOCOL = (
    "Go to the spot with the receiver, then to the nearest vine; the same side of the row all day.",
    "Rake litter, mulch and prunings off. Take the cores named beside the spot: one in the middle, "
    "the others evenly on a ring around it, every one to the full depth and no deeper.",
    "Clean stainless or chrome-plated steel and a clean plastic bucket; nothing galvanised, brass "
    "or rubber where zinc, copper or boron is asked for.",
    "Keep off fertiliser bands, emitters, burnt heaps, old headlands and wheel ruts.",
    "Break and mix the cores, fill half a kilogram to a kilogram into the bag with this id.",
    "Air-dry in the shade, never in an oven. Note the place if you had to move more than 5 m.",
    "One composite for a whole block instead needs 15 to 20 cores across it.",
)


def write_plan_pages(plans: Sequence[SamplePlan], folder: Path, farm: str, units: str) -> None:
    """Write field.html and field-sheet.pdf of a season's plans."""
    (folder / "field.html").write_text(phone_page(plans, farm, units), encoding="utf-8")
    (folder / "field-sheet.pdf").write_bytes(sheet_pdf(plans, farm, units))


def phone_page(plans: Sequence[SamplePlan], farm: str, units: str = "metric") -> str:
    """One page for the phone that needs no network and runs no script."""
    from jinja2 import Environment, FileSystemLoader, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    measures = Measures(units == "us")
    data = {
        "farm": farm,
        "season": plans[0].season,
        "plans": [_plan_data(plan, *PHONE, measures) for plan in plans],
        "protocol": measures.everywhere(PROTOCOL),
    }
    return environment.get_template("plan-field.html").render(data=data)


def sheet_pdf(plans: Sequence[SamplePlan], farm: str, units: str = "metric") -> bytes:
    """The field sheet with bag labels as PDF/UA-1; all text reaches the typesetter as data.

    Raises
    ------
    ExportError
        If it cannot be typeset.
    """
    import typst

    measures = Measures(units == "us")
    paper = "us-letter" if measures.us else "a4"
    data = {
        "farm": farm,
        "season": str(plans[0].season),
        "plans": [
            _plan_data(plan, *SHEET, measures)
            | {"labels": measures.everywhere([_label(plan, spot, measures) for spot in plan.spots])}
            for plan in plans
        ],
        "protocol": measures.everywhere(PROTOCOL),
        "all": measures.everywhere(_together(plans)),
    }
    template = TEMPLATES / "plan-sheet.typ"
    try:
        made: bytes = typst.compile(
            str(template),
            root=str(template.parent),
            sys_inputs={"data": json.dumps(data, ensure_ascii=False), "paper": paper},
            pdf_standards=["ua-1"],
        )
    except typst.TypstError as error:
        raise ExportError(f"field-sheet.pdf could not be typeset: {error}.") from error
    return made


def _together(plans: Sequence[SamplePlan]) -> Data:
    """Spots, way, work and money of all blocks; money only where every block has its price.

    Sums are of the figures as they are shown, so that a reader who adds them comes to the same.
    """
    hours, minutes = divmod(sum(round(plan.hours * 60) for plan in plans), 60)
    costs = [STEP * round(plan.cost / STEP) for plan in plans]
    return {
        "spots": str(sum(len(plan.spots) for plan in plans)),
        "facts": [
            f"{sum(round(plan.walked_m / 1000, 1) for plan in plans):.1f} km walk",
            f"{hours} h {minutes:02d} for one person",
            *([f"{money(sum(costs), plans[0].currency)} laboratory and work"] * all(costs)),
        ],
    }


def _label(plan: SamplePlan, spot: Spot, measures: Measures) -> Data:
    import segno

    code = segno.make(spot.sample_id, error="m", micro=False)
    return {
        "id": spot.sample_id,
        "block": plan.block.name,
        "what": f"{measures.layer(plan.depth_cm)}, {spot.cores} cores",
        "code": code.svg_inline(scale=4, border=2, dark=drawings.INK, light=drawings.SHEET).replace(
            "<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1
        ),
    }


def _plan_data(plan: SamplePlan, width: float, height: float, measures: Measures) -> Data:
    data = {
        "block": plan.block.name,
        "say": plan_sentence(plan),
        "facts": plan_facts(plan),
        "map": plan_picture(plan, width, height, feet=measures.us),
        "depth": measures.layer(plan.depth_cm),
        "days": max(spot.day for spot in plan.spots),
        "spots": [
            _spot_data(spot) | {"row": "" if row is None else str(row)}
            for spot, row in zip(plan.spots, _rows(plan), strict=True)
        ],
        "worth": worth_sentences(plan),
        "curve": [
            {
                "spots": point.spots,
                "doubt": f"{100 * point.doubt:.0f}",
                "cost": money(point.cost, plan.currency) if point.cost else "",
            }
            for point in plan.curve
        ],
        "curve_picture": curve_picture(plan),
        "tissue": [_tissue_sentence(ask) for ask in plan.tissue],
        "notes": [*kept_apart_words(plan), *plan.notes],
    }
    said: Data = measures.everywhere(data)
    return said | {"block": plan.block.name}


def _rows(plan: SamplePlan) -> list[int | None]:
    """The planting row nearest to each spot, as the map counts them."""
    site = plan.block.site
    places = [(spot.x_m, spot.y_m) for spot in plan.spots]
    return rows_at(plan.block.outline, site.row_azimuth_deg, site.row_spacing_m, places)


def _spot_data(spot: Spot) -> Data:
    return {
        "number": spot.number,
        "id": spot.sample_id,
        "kind": spot.kind,
        "reason": spot.reason,
        "day": spot.day,
        "cores": f"{spot.cores} on {spot.ring_m:g} m",
        "lat": f"{spot.lat:.6f}",
        "lon": f"{spot.lon:.6f}",
    }


def plan_sentence(plan: SamplePlan) -> str:
    """The plan in one sentence."""
    counts = {kind: len(plan.of_kind(kind)) for kind in ("repeat", "new", "pair", "fixed")}
    again = f"{counts['repeat']} to repeat so that change can be seen"
    words = {
        "new": "new" if counts["repeat"] else "for even cover",
        "pair": "close companion" if counts["pair"] == 1 else "close companions",
        "fixed": "asked for",
    }
    parts = [f"{counts[kind]} {words[kind]}" for kind in words if counts[kind]]
    if not counts["repeat"]:
        return f"{len(plan.spots)} spots: {_listed(parts)}."
    rest = f", {'and ' if len(parts) == 1 else ''}{_listed(parts)}" if parts else ""
    return f"{len(plan.spots)} spots: {again}{rest}."


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def plan_facts(plan: SamplePlan) -> list[str]:
    """Way, work and money, a few words each."""
    gate = ", gate to gate" if plan.gate_m is not None else ""
    hours, minutes = divmod(round(plan.hours * 60), 60)
    facts = [f"{plan.walked_m / 1000:.1f} km walk{gate}", f"{hours} h {minutes:02d} for one person"]
    if plan.cost:
        facts.append(f"{money(plan.cost, plan.currency)} laboratory and work")
    return facts


def worth_sentences(plan: SamplePlan) -> list[str]:
    """What the plan does for the doubt, in words."""
    quality = plan.quality
    lines = []
    if quality.doubt_before == quality.doubt_before:  # not NaN
        before, after = (_doubt(d, quality.key, quality.unit) for d in
                         (quality.doubt_before, quality.doubt_after))  # fmt: skip
        name = properties()[quality.key].name
        lines.append(f"Doubt of {name}, averaged over the block: {before} now, {after} after.")
    else:
        share = round(100 * quality.doubt_after)
        lines.append(
            "As far as can be told before a first survey, the doubt left will be about "
            f"{share} in 100 of the spread of the soil."
        )
    if quality.worth_share >= 0.01:
        lines.append(
            f"Of what it would be worth to know the soil everywhere, these spots catch "
            f"{100 * quality.worth_share:.0f} in 100."
        )
    lines.append(f"No place lies farther than {quality.gap_m:.0f} m from a sample.")
    return lines


def curve_sentence(plan: SamplePlan) -> list[str]:
    """What fewer and more spots would leave and cost, as one sentence; none without a curve."""
    if len(plan.curve) < 2:
        return []
    here = min(plan.curve, key=lambda point: abs(point.spots - len(plan.spots)))
    shown = sorted({plan.curve[0], here, plan.curve[-1]}, key=lambda point: point.spots)
    parts = [
        f"{point.spots} spots leave {100 * point.doubt:.0f} %"
        + (f" ({money(point.cost, plan.currency)})" if point.cost else "")
        for point in shown
    ]
    return [f"Would more spots help? Of the soil's spread {_listed(parts)} in doubt."]


def _doubt(value: float, key: str, unit: str) -> str:
    if unit == "of the value":
        return f"±{100 * value:.0f} %"
    return f"±{value:.2f}" if unit == "pH" else f"±{with_unit(value, key)}"


def _tissue_sentence(ask: Any) -> str:
    waits = _listed([AMENDMENT_WORDS.get(a, a) for a in ask.amendments])
    beside = f", vines beside {', '.join(ask.beside)}" if ask.beside else ""
    return (
        f"{ask.part.capitalize()}: 60 to 100 {ask.organ}s at {ask.stage}, one a vine{beside}. "
        f"It decides {waits}."
    )


def plan_picture(plan: SamplePlan, width: float, height: float, *, feet: bool = False) -> str:
    """The block with the walk and its spots: discs to repeat, diamonds for the rest."""
    paper = drawings.paper_for(plan.block.outline, width, height)
    parts = [drawings.area(plan.block.outline, paper, ZONE_FILLS[0])]
    parts += kept_apart(plan, paper)
    parts += prints.frame_parts(plan.block, paper, feet=feet)
    for day in sorted({spot.day for spot in plan.spots}):
        way = way_of(plan, day)
        if way is not None:
            parts.append(
                f'<path d="{drawings.path_of(way, paper)}" fill="none" stroke="{THREAD}" '
                f'stroke-width="1.4" stroke-dasharray="5 3"/>'
            )
    places = paper.points([(spot.x_m, spot.y_m) for spot in plan.spots])
    labels = drawings.pushed_apart(places, LABEL_PT)
    parts += map(drawings.leader, places.tolist(), labels.tolist())
    for spot, (x, y) in zip(plan.spots, labels.tolist(), strict=True):
        draw = drawings.disc if spot.kind == "repeat" else _diamond
        parts.append(draw(x, y, str(spot.number)))
    if plan.gate_m is not None:
        x, y = paper.points(plan.gate_m)[0].tolist()
        parts.append(
            f'<rect x="{x - 6:.1f}" y="{y - 4:.1f}" width="12" height="8" fill="{drawings.INK}"/>'
        )
    return drawings.svg(paper, parts, below=18)


def kept_apart(plan: SamplePlan, paper: drawings.Paper) -> list[str]:
    """Check strips dashed, and areas kept off crossed through."""
    strips = [
        f'<path class="stripcase" d="{drawings.path_of(shape, paper)}" fill="none" '
        f'stroke="{drawings.SHEET}" stroke-width="3"/>'
        f'<path class="checkstrip" d="{drawings.path_of(shape, paper)}" fill="none" '
        f'stroke="{drawings.INK}" stroke-width="1.2" stroke-dasharray="6 4"/>'
        for shape in plan.strips
    ]
    areas = [shape.intersection(plan.block.outline) for shape in plan.no_go]
    kept_off = [
        f'<path class="keepoff" d="{drawings.path_of(shape, paper)}" fill="{drawings.SHEET}" '
        f'stroke="{drawings.INK}" stroke-width="1.2"/>'
        f'<path d="{_cross(shape, paper)}" stroke="{drawings.INK}" stroke-width="0.8"/>'
        for shape in areas
        if not shape.is_empty
    ]
    return [*strips, *kept_off]


def _cross(shape: Any, paper: drawings.Paper) -> str:
    """Two lines through a shape, corner to corner of its box, cut to it."""
    west, south, east, north = shape.bounds
    lines = shapely.MultiLineString(
        [[(west, south), (east, north)], [(west, north), (east, south)]]
    ).intersection(shape)
    pieces = [line for line in getattr(lines, "geoms", [lines]) if line.geom_type == "LineString"]
    return "".join(drawings.path_of(line, paper) for line in pieces)


def kept_apart_words(plan: SamplePlan) -> list[str]:
    """What the dashed and the crossed areas of the map are; nothing where there are none."""
    words = []
    if plan.strips:
        words.append(
            "Dashed: check strip, left untreated; its spots tell what would have happened without."
        )
    if any(shape.intersects(plan.block.outline) for shape in plan.no_go):
        words.append("Crossed through: kept off, no spot stands there.")
    return words


def _diamond(x: float, y: float, text: str) -> str:
    return (
        f'<path d="M{x:.1f} {y - 10:.1f}l10 10l-10 10l-10 -10z" fill="{drawings.SHEET}" '
        f'stroke="{THREAD}" stroke-width="1.6"/><text x="{x:.1f}" y="{y + 3:.1f}" font-size="8.5" '
        f'font-weight="700" text-anchor="middle">{text}</text>'
    )
