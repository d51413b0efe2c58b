"""SamplePlans -> spots.gpx, spots.csv, spots.geojson, spots.kml, lab-order.csv and plan.json."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import shapely

from geo.blocks import Block
from geo.errors import ExportError
from geo.export.seasonfile import plain
from geo.export.tables import csv_text
from geo.lookup import properties
from geo.sampling import PlanQuality, SamplePlan, SizePoint, Spot, TissueAsk, walls_of

#: Digits of a degree (1e-7 degree is about a centimetre).
DIGITS = 7
#: Fields of a plan that hold shapes, in the block's metric CRS as well-known text. [m]
SHAPES = ("no_go", "strips")
COLUMNS = (
    "block",
    "number",
    "sample_id",
    "lat",
    "lon",
    "day",
    "kind",
    "depth_top_cm",
    "depth_bottom_cm",
    "cores",
    "ring_m",
    "reason",
)


def write_plans(plans: Sequence[SamplePlan], folder: Path, farm: str) -> None:
    """Write every file of a season's plans that needs no drawing, all blocks in the same files.

    Raises
    ------
    ExportError
        If two spots carry one id, or an id does not fit a label.
    """
    _check(plans)
    folder.mkdir(parents=True, exist_ok=True)
    texts = {
        "spots.gpx": gpx_text(plans, farm),
        "spots.csv": csv_text(COLUMNS, [_row(p, s) for p in plans for s in p.spots]),
        "spots.geojson": geojson_text(plans),
        "spots.kml": kml_text(plans, farm),
        "lab-order.csv": order_text(plans),
        "plan.json": plan_text(plans),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="")


def _check(plans: Sequence[SamplePlan]) -> None:
    ids = [spot.sample_id.casefold() for plan in plans for spot in plan.spots]
    twice = sorted({one for one in ids if ids.count(one) > 1})
    if twice:
        raise ExportError(
            f"Two spots would carry the id {twice[0]!r}: results could not be told apart. Plan "
            "the blocks again together."
        )


def _row(plan: SamplePlan, spot: Spot) -> dict[str, Any]:
    top, bottom = plan.depth_cm
    return {
        "block": plan.block.name,
        "number": spot.number,
        "sample_id": spot.sample_id,
        "lat": round(spot.lat, DIGITS),
        "lon": round(spot.lon, DIGITS),
        "day": spot.day,
        "kind": spot.kind,
        "depth_top_cm": f"{top:g}",
        "depth_bottom_cm": f"{bottom:g}",
        "cores": spot.cores,
        "ring_m": spot.ring_m,
        "reason": spot.reason,
    }


def gpx_text(plans: Sequence[SamplePlan], farm: str) -> str:
    """Waypoints in walking order (GPX 1.1: WGS84, children of `wpt` in their fixed order)."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="soilquilt" xmlns="http://www.topografix.com/GPX/1/1">',
        f"<metadata><name>{_text(f'{farm}, spots')}</name></metadata>",
    ]
    for plan in plans:
        for spot in plan.spots:
            where = f"lat={quoteattr(_degrees(spot.lat))} lon={quoteattr(_degrees(spot.lon))}"
            place = f"{plan.block.name}, {spot.number} of {len(plan.spots)}, day {spot.day}"
            lines.append(
                f"<wpt {where}><name>{_text(spot.sample_id)}</name><cmt>{_text(place)}</cmt>"
                f"<desc>{_text(spot.reason)}</desc><sym>Flag, Blue</sym>"
                f"<type>{_text(spot.kind)}</type></wpt>"
            )
    return "\n".join([*lines, "</gpx>", ""])


def kml_text(plans: Sequence[SamplePlan], farm: str) -> str:
    """Placemarks by block (KML 2.2). Words stand in ExtendedData, which no viewer runs as HTML."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document>',
        f"<name>{_text(f'{farm}, spots')}</name>",
    ]
    for plan in plans:
        lines.append(f"<Folder><name>{_text(plan.block.name)}</name>")
        for spot in plan.spots:
            data = {"number": spot.number, "kind": spot.kind, "reason": spot.reason}
            words = "".join(
                f"<Data name={quoteattr(name)}><value>{_text(str(value))}</value></Data>"
                for name, value in data.items()
            )
            lines.append(
                f"<Placemark><name>{_text(spot.sample_id)}</name>"
                f"<ExtendedData>{words}</ExtendedData><Point><coordinates>"
                f"{_degrees(spot.lon)},{_degrees(spot.lat)}</coordinates></Point></Placemark>"
            )
        lines.append("</Folder>")
    return "\n".join([*lines, "</Document></kml>", ""])


def _text(words: str) -> str:
    """Text for XML; control characters, which XML cannot hold, are dropped."""
    return escape("".join(c for c in words if c >= " " or c in "\t\n"))


def _degrees(value: float) -> str:
    # GPX allows no longitude of 180 itself and no exponents.
    value = value if value < 180.0 - 0.5 * 10.0**-DIGITS else value - 360.0
    return f"{value:.{DIGITS}f}"


def geojson_text(plans: Sequence[SamplePlan]) -> str:
    """Spots as points in walking order (RFC 7946)."""
    features: list[dict[str, Any]] = []
    for plan in plans:
        for spot in plan.spots:
            properties_ = {k: v for k, v in _row(plan, spot).items() if k not in ("lat", "lon")}
            geometry = {"type": "Point", "coordinates": _lonlat(spot)}
            features.append({"type": "Feature", "properties": properties_, "geometry": geometry})
    collection = {"type": "FeatureCollection", "features": features}
    return json.dumps(collection, ensure_ascii=False, allow_nan=False) + "\n"


def _lonlat(spot: Spot) -> list[float]:
    return [round(spot.lon, DIGITS), round(spot.lat, DIGITS)]


def order_text(plans: Sequence[SamplePlan]) -> str:
    """What to ask of the laboratory: a row a bag, a column an analysis with its method.

    Without an earlier survey the usual analyses are listed and the method is the laboratory's.
    """
    keys = list(dict.fromkeys(key for plan in plans for key in _analyses(plan)))
    headings = {key: _heading(key, plans) for key in keys}
    rows = []
    for plan in plans:
        top, bottom = plan.depth_cm
        asked = _analyses(plan)
        for spot in plan.spots:
            row: dict[str, Any] = {
                "sample_id": spot.sample_id,
                "block": plan.block.name,
                "depth_cm": f"{top:g} to {bottom:g}",
            }
            rows.append(row | {headings[key]: "x" for key in keys if key in asked})
    return csv_text(["sample_id", "block", "depth_cm", *headings.values()], rows)


def _analyses(plan: SamplePlan) -> list[str]:
    known = properties()
    if plan.methods:
        return [key for key in known if key in plan.methods]
    return [key for key, one in known.items() if one.standard]


def _heading(key: str, plans: Sequence[SamplePlan]) -> str:
    name = properties()[key].name
    methods = {plan.methods[key] for plan in plans if plan.methods.get(key)}
    return f"{name}, {' or '.join(sorted(methods))}" if methods else name


def plan_text(plans: Sequence[SamplePlan]) -> str:
    """plan.json: everything about the plans as data."""
    document = {"schema": 1, "plans": [plan_document(plan) for plan in plans]}
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def plan_document(plan: SamplePlan) -> dict[str, Any]:
    """One plan as JSON data; the block by its name."""
    apart = ("block", *SHAPES)
    document: dict[str, Any] = plain(
        {f.name: getattr(plan, f.name) for f in dataclasses.fields(plan) if f.name not in apart}
    )
    shapes = {
        name: [shapely.to_wkt(shape, rounding_precision=3) for shape in getattr(plan, name)]
        for name in SHAPES
    }
    return {"block": plan.block.name} | document | shapes


def read_plans(path: Path, blocks: Mapping[str, Block]) -> tuple[SamplePlan, ...]:
    """The plans of a plan.json whose blocks the farm still has."""
    document = json.loads(path.read_text(encoding="utf-8"))
    return tuple(
        _plan_of(one, blocks[one["block"]]) for one in document["plans"] if one["block"] in blocks
    )


def _spot(document: Mapping[str, Any]) -> Spot:
    planned = document.get("planned_m")
    return Spot(**{**document, "planned_m": None if planned is None else tuple(planned)})


def _plan_of(document: Mapping[str, Any], block: Block) -> SamplePlan:
    quality: dict[str, Any] = {
        k: math.nan if v is None else v for k, v in document["quality"].items()
    }
    plain_fields = ("season", "after", "walked_m", "hours", "cost", "currency", "methods")
    return SamplePlan(
        **{name: document[name] for name in plain_fields},
        block=block,
        spots=tuple(_spot(spot) for spot in document["spots"]),
        depth_cm=tuple(document["depth_cm"]),
        gate_m=None if document["gate_m"] is None else tuple(document["gate_m"]),
        quality=PlanQuality(**quality),
        curve=tuple(SizePoint(**point) for point in document["curve"]),
        tissue=tuple(
            TissueAsk(
                one["part"],
                one["organ"],
                one["stage"],
                tuple(one["amendments"]),
                tuple(one["beside"]),
            )
            for one in document["tissue"]
        ),
        notes=tuple(document["notes"]),
        no_go=_shapes(document, "no_go"),
        strips=_shapes(document, "strips"),
        along_rows=bool(document.get("along_rows", False)),
    )


def _shapes(document: Mapping[str, Any], name: str) -> tuple[Any, ...]:
    # Plans written before areas were kept have none.
    return tuple(shapely.from_wkt(text) for text in document.get(name, ()))


def way_of(plan: SamplePlan, day: int) -> shapely.LineString | None:
    """The way of one day, from the gate and back where there is one. [m]"""
    places = [(spot.x_m, spot.y_m) for spot in plan.spots if spot.day == day]
    if plan.gate_m is not None:
        places = [plan.gate_m, *places, plan.gate_m]
    if len(places) < 2:
        return None
    walls = walls_of(plan.block) if plan.along_rows else None
    return shapely.LineString(places if walls is None else walls.path(np.array(places)))
