"""Season -> the data behind map.html: sentences, legends, pictures, samples, zones, rates.

No figure is made here; each is taken from a finished record and put into words.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
import shapely

from geo.export.layers import to_lonlat
from geo.lookup import properties, sources
from geo.prescription import Rate
from geo.season import Season
from geo.surfaces import Surface
from geo.zones import ZoneMap
from maps import colors, pictures
from maps.wording import (
    AMENDMENT_WORDS,
    MAP_VERDICT_WORDS,
    ZONE_VERDICT_WORDS,
    crop_words,
    date_words,
    level_words,
    money,
    number,
    rate_words,
    sentence,
)

#: Side of the cells that answer a click on the page. [m]
READ_OUT_M = 5.0

Data = dict[str, Any]


def page_data(season: Season) -> Data:
    """Everything that map.html shows, as plain data."""
    block = season.block
    return {
        "farm": season.settings.name,
        "block": block.name,
        "season": season.season,
        "facts": facts_line(season),
        "outline": {
            "type": "Feature",
            "properties": {},
            "geometry": shapely.geometry.mapping(block.lonlat),
        },
        "rowAzimuth": block.site.row_azimuth_deg or 0.0,
        "properties": [_property(season, surface) for surface in season.surfaces.values()],
        "notAnalysed": _not_analysed(season),
        "samples": _samples(season),
        "materials": _materials(season),
        "held": _held(season),
        "cautions": list(season.prescription.cautions),
        "findings": [_finding(f) for f in season.checked.findings],
        "readOut": _read_out(season),
        "sources": _sources(season),
    }


def facts_line(season: Season) -> str:
    """Hectares, crop, samples and day, in one line."""
    block, samples = season.block, season.checked.samples
    day = date_words(samples.sampled_on) if samples.sampled_on else str(season.season)
    top, bottom = samples.depth_cm
    return (
        f"{block.area_ha:.2f} ha · {crop_words(block.site.crop)} · "
        f"{len(season.checked.usable)} samples, {day}, {top:g} to {bottom:g} cm"
    )


def _property(season: Season, surface: Surface) -> Data:
    kind = properties()[surface.key]
    rating = season.ratings.block.get(surface.key)
    classes = season.ratings.classes.get(surface.key, ())
    sense = rating.sense if rating else "descriptive"
    return {
        "key": surface.key,
        "symbol": kind.symbol,
        "name": kind.name,
        "unit": "" if surface.unit == "pH" else surface.unit,
        "method": surface.method,
        "verdict": surface.verdict,
        "verdictWords": MAP_VERDICT_WORDS[surface.verdict],
        "why": surface.why,
        "notes": list(surface.notes),
        "mean": number(surface.mean, surface.key),
        "meanRange": f"{number(surface.mean_low, surface.key)} to "
        f"{number(surface.mean_high, surface.key)}",
        "rating": _rating_words(season, surface.key),
        "ratingSources": rating.source.split("+") if rating and rating.source else [],
        "lenses": _lenses(season, surface, list(classes), sense),
    }


def _rating_words(season: Season, key: str) -> str:
    """What the table says of the block's mean, with its source, in one line."""
    rating = season.ratings.block.get(key)
    if rating is None:
        return ""
    words = level_words(rating.level, rating.sense)
    if rating.level in {"no_table", "not_analysed", "ask"}:
        return sentence(f"{words}: {rating.why}" if rating.why else words)
    target = ", target" if rating.target else ""
    memory = ". From memory, please check" if rating.from_memory else ""
    return sentence(f"The block's mean rates {words}{target}{memory}")


def _lenses(
    season: Season, surface: Surface, classes: list[colors.Class], sense: str
) -> list[Data]:
    frame = pictures.frame_for(surface.grid, season.block.lonlat)
    lenses = [_found(surface, frame, classes, sense)]
    if surface.chance_wrong_side is not None and surface.critical is not None:
        lenses.append(_chance(surface, frame))
    if np.isfinite(surface.high - surface.low).any():  # one sample has no doubt to show
        lenses.append(_sure(surface, frame))
    return lenses


def _found(
    surface: Surface, frame: pictures.Frame, classes: list[colors.Class], sense: str
) -> Data:
    values = pictures.warp(surface.estimate, surface.grid, frame)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if classes:
        ramp = colors.class_ramp(classes, sense, low, high)
        limits = [hi for _, _, hi, _ in classes if hi is not None]
        legend = [
            {
                "color": colors.class_color(level, sense),
                "words": level_words(level, sense),
                "target": target,
                "from": None if lo is None else number(lo, surface.key),
            }
            for level, lo, _, target in classes
        ]
    else:
        ramp = colors.even(colors.AMOUNT, low, high)
        limits = []
        legend = _even_legend(colors.AMOUNT, low, high, surface.key)
    return {
        "key": "found",
        "words": f"{properties()[surface.key].symbol} found",
        "picture": pictures.data_url(pictures.picture(values, ramp, limits)),
        "bounds": frame.bounds,
        "legend": legend,
        "legendUnit": "" if surface.unit == "pH" else surface.unit,
    }


def _chance(surface: Surface, frame: pictures.Frame) -> Data:
    assert surface.chance_wrong_side is not None
    assert surface.critical is not None
    values = pictures.warp(surface.chance_wrong_side, surface.grid, frame)
    ramp = colors.blend(colors.CHANCE, 0.0, 1.0)
    return {
        "key": "chance",
        "words": f"chance it is {surface.side} {number(surface.critical, surface.key)}",
        "picture": pictures.data_url(pictures.picture(values, ramp, (0.5,))),
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
        "picture": pictures.data_url(pictures.picture(values, ramp)),
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


def _not_analysed(season: Season) -> list[Data]:
    known = properties()
    return [
        {
            "key": key,
            "symbol": known[key].symbol,
            "words": f"{known[key].name.capitalize()}: not analysed in {season.season}. No rating, "
            "no map, no rate. It does not count as zero.",
        }
        for key in season.checked.samples.not_analysed
        if key in known
    ]


def _samples(season: Season) -> list[Data]:
    """Stations with their place and the values as the laboratory gave them."""
    samples, checked = season.checked.samples, season.checked
    open_cells = set(checked.open)
    rows = []
    for sample_id, row in samples.table.iterrows():
        if not np.isfinite(row["lon"]):
            continue
        name = str(sample_id)
        values = {
            key: {
                "text": cell.text,
                "unit": cell.unit_read,
                "open": (name, key) in open_cells,
                "sign": checked.censored.get((name, key), ("", 0.0))[0],
            }
            for key in season.surfaces
            if (cell := samples.cells.get((name, key))) is not None
        }
        rows.append({"id": name, "lat": row["lat"], "lon": row["lon"], "values": values})
    return rows


def _materials(season: Season) -> list[Data]:
    rates: dict[str, dict[int, Rate]] = {}
    for rate in season.prescription.rates:
        rates.setdefault(rate.amendment, {})[rate.zone_id] = rate
    return [
        _material(season, zone_map, rates[zone_map.amendment])
        for zone_map in season.zone_maps
        if zone_map.amendment in rates
    ]


def _material(season: Season, zone_map: ZoneMap, rates: dict[int, Rate]) -> Data:
    first = next(iter(rates.values()))
    uniform = season.prescription.uniform.get(zone_map.amendment)
    cost = season.prescription.costs.get(zone_map.amendment)
    currency = season.settings.currency
    ranked = sorted(zone_map.zones, key=lambda zone: rates[zone.zone_id].rate_kg_ha)
    rank = {zone.zone_id: index for index, zone in enumerate(ranked)}
    nothing = all(rate.rate_kg_ha == 0 for rate in rates.values())
    return {
        "amendment": zone_map.amendment,
        "word": AMENDMENT_WORDS.get(zone_map.amendment, zone_map.amendment).capitalize(),
        "material": first.material.replace("_", " "),
        "verdict": zone_map.verdict,
        "verdictWords": ZONE_VERDICT_WORDS[zone_map.verdict],
        "why": zone_map.why,
        "nothing": nothing,
        "totalKg": round(sum(rate.rate_kg_ha * rate.area_ha for rate in rates.values()), 1),
        "cost": None if cost is None else money(cost, currency),
        "uniform": None
        if uniform is None
        else {
            "rate": rate_words(uniform.rate_kg_ha),
            "total": f"{uniform.total_kg / 1000:.1f} t",
            "cost": None if uniform.cost is None else money(uniform.cost, currency),
        },
        "reasons": list(first.reasons),
        "sources": list(first.sources),
        "fromMemory": any(rate.from_memory for rate in rates.values()),
        "zones": [
            {
                "id": zone.zone_id,
                "ha": f"{zone.area_ha:.2f}",
                "rate": rate_words(rates[zone.zone_id].rate_kg_ha),
                "range": f"{rate_words(rates[zone.zone_id].low_kg_ha, unit=False)} to "
                f"{rate_words(rates[zone.zone_id].high_kg_ha)}",
                "kg": round(rates[zone.zone_id].rate_kg_ha * zone.area_ha, 1),
                "passes": [rate_words(p) for p in rates[zone.zone_id].passes],
                "rank": rank[zone.zone_id],
                "fill": colors.ZONE_FILLS[
                    0 if rates[zone.zone_id].rate_kg_ha == 0 else min(4, max(1, rank[zone.zone_id]))
                ],
                "rows": [list(run) for run in zone.rows],
                "labels": _label_places(zone.outline, season.block.crs),
                "outline": shapely.geometry.mapping(to_lonlat(zone.outline, season.block.crs)),
            }
            for zone in zone_map.zones
        ],
    }


def _label_places(outline: Any, crs: str) -> list[list[float]]:
    """A place for the number in each part, as far from its edge as can be: [lat, lon]."""
    places = []
    for part in shapely.get_parts(outline):
        circle = shapely.maximum_inscribed_circle(part, tolerance=1.0)
        point = to_lonlat(shapely.Point(circle.coords[0]), crs)
        places.append([point.y, point.x])
    return places


def _held(season: Season) -> list[Data]:
    return [
        {
            "amendment": one.amendment,
            "word": AMENDMENT_WORDS.get(one.amendment, one.amendment).capitalize(),
            "kind": one.kind,
            "reason": one.reason,
            "sources": list(one.sources),
        }
        for one in season.prescription.held
    ]


def _finding(finding: Any) -> Data:
    where = ", ".join(
        part
        for part in (
            finding.file,
            f"row {finding.row}" if finding.row else "",
            f"column {finding.column}" if finding.column else "",
        )
        if part
    )
    return {
        "severity": finding.severity,
        "message": finding.message,
        "where": where,
        "proposal": finding.proposal,
        "done": finding.what_was_done,
    }


def _read_out(season: Season) -> Data:
    """Coarse grids of mean and half range, so that a click on the page can be answered offline.

    Values are 16-bit steps between the lowest and the highest; the place of a click comes from an
    affine fit of longitude and latitude to grid columns and rows (below a centimetre for a block).
    """
    if not season.surfaces:
        return {}
    grid = next(iter(season.surfaces.values())).grid
    step = max(1, round(READ_OUT_M / grid.spacing_m))
    rows, columns = grid.shape
    corners = np.array([(0, 0), (columns, 0), (0, rows), (columns, rows)], dtype=float)
    xy = np.array(grid.origin_m) + corners * [grid.spacing_m, -grid.spacing_m]
    lonlat = np.array([to_lonlat(shapely.Point(p), grid.crs).coords[0] for p in xy])
    middle = lonlat.mean(axis=0)
    design = np.column_stack([np.ones(4), lonlat - middle])
    fit, *_ = np.linalg.lstsq(design, corners / step, rcond=None)
    return {
        "middle": middle.tolist(),
        "fit": fit.T.tolist(),
        "columns": len(range(0, columns, step)),
        "rows": len(range(0, rows, step)),
        "grids": {
            key: _packed(
                surface.estimate[::step, ::step],
                ((surface.high - surface.low) / 2)[::step, ::step],
            )
            for key, surface in season.surfaces.items()
        },
    }


def _packed(mean: np.ndarray, half: np.ndarray) -> Data:
    packed: Data = {}
    for name, values in (("mean", mean), ("half", half)):
        known = values[np.isfinite(values)]
        low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
        scale = (high - low) / 65534 or 1.0
        steps = np.where(np.isfinite(values), np.round((values - low) / scale) + 1, 0)
        text = base64.b64encode(np.nan_to_num(steps).astype("<u2").tobytes()).decode("ascii")
        packed[name] = {"low": low, "scale": scale, "data": text}
    return packed


def _sources(season: Season) -> dict[str, str]:
    """Citation of every source key that the page names."""
    keys = {r.source for r in season.ratings.block.values()}
    for rate in season.prescription.rates:
        keys |= set(rate.sources)
    for one in season.prescription.held:
        keys |= set(one.sources)
    known = sources()
    return {k: known[k].title for key in sorted(keys) for k in key.split("+") if k in known}
