"""Season -> the data behind map.html: sentences, legends, pictures, samples, zones, rates.

No figure is made here; each is taken from a finished record and put into words.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geo.export.layers import to_lonlat
from geo.export.readme import SPREAD_TWICE, already_spread
from geo.lookup import properties, sources
from geo.prescribing.purchase import trip_words
from geo.prescription import Rate
from geo.season import Season
from geo.surfaces import Surface
from geo.zones import ZoneMap
from maps.charts import Chart, property_charts
from maps.drawing.drawings import zone_looks
from maps.drawing.furniture import (
    EYE_DECIMALS,
    compass_word,
    drawn_lonlat,
    ends,
    furniture,
)
from maps.drawing.zonecharts import zone_chart
from maps.lenses import lenses
from maps.opening import opens_with
from maps.paper.measures import measures_of
from maps.paper.sheetdata import left_out_words
from maps.readout import read_out
from maps.wording import (
    AMENDMENT_WORDS,
    MAP_VERDICT_WORDS,
    ZONE_VERDICT_WORDS,
    capital,
    crop_words,
    date_words,
    level_words,
    money,
    number,
    sentence,
)

#: Properties that people look for first, in this order; worked-out ones come last.
FIRST = (
    "ph_water", "ph_cacl2", "ph_kcl", "om", "oc", "p", "k", "ca", "mg", "na", "s", "zn", "b", "mn",
    "fe", "cu", "no3_n",
)  # fmt: skip
DERIVED = ("ecec", "base_saturation", "esp", "ca_mg")

Data = dict[str, Any]


def page_data(season: Season) -> Data:
    """Everything that map.html shows, as plain data."""
    block = season.block
    return {
        "farm": season.settings.name,
        "block": block.name,
        "season": season.season,
        "units": measures_of(season.settings).words,
        "facts": facts_line(season),
        "outline": {
            "type": "Feature",
            "properties": {},
            "geometry": shapely.geometry.mapping(block.lonlat),
        },
        "inside": label_places(block.outline, block.crs)[0],
        "rowAzimuth": block.site.row_azimuth_deg or 0.0,
        "furniture": furniture(block),
        "properties": [_property(season, season.surfaces[key]) for key in strip_order(season)],
        "notAnalysed": _not_analysed(season),
        "samples": _samples(season),
        "materials": materials_data(season),
        "opens": opens_with(season),
        "held": _held(season),
        "cautions": [
            measures_of(season.settings).said(one) for one in season.prescription.cautions
        ],
        "findings": [_finding(f) for f in season.checked.findings],
        "readOut": read_out(season.surfaces),
        "sources": _sources(season),
    }


def facts_line(season: Season) -> str:
    """Hectares, crop, samples and day, in one line."""
    block, samples = season.block, season.checked.samples
    day = date_words(samples.sampled_on) if samples.sampled_on else str(season.season)
    count, measured = len(season.checked.usable), measures_of(season.settings)
    return (
        f"{measured.area_words(block.area_ha)} · {crop_words(block.site.crop)} · "
        f"{count} sample{'' if count == 1 else 's'}, {day}, "
        f"{measured.layer(samples.depth_cm)}"
    )


def strip_order(season: Season) -> list[str]:
    """Properties as people look for them: pH, organic matter, nutrients, the rest, then ratios."""

    def place(key: str) -> int:
        if key in DERIVED:
            return len(FIRST) + 1
        return FIRST.index(key) if key in FIRST else len(FIRST)

    return sorted(season.surfaces, key=place)


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
        "sentence": _sentence(season, surface),
        "logs": surface.logs,
        "charts": [chart_words(chart) for chart in property_charts(season, surface)],
        "notes": [measures_of(season.settings).said(note) for note in surface.notes],
        "mean": number(surface.mean, surface.key),
        "meanRange": f"{number(surface.mean_low, surface.key)} to "
        f"{number(surface.mean_high, surface.key)}",
        "rating": _rating_words(season, surface.key),
        "ratingSources": rating.source.split("+") if rating and rating.source else [],
        "lenses": lenses(season.block, surface, list(classes), sense),
    }


def chart_words(chart: Chart) -> Data:
    """A figure as a page takes it: its picture, and its table with the heading first."""
    return {
        "question": chart.question,
        "svg": chart.svg,
        "label": chart.label,
        "table": [list(row) for row in chart.rows],
        "note": chart.note,
    }


def _sentence(season: Season, surface: Surface) -> str:
    """What the map shows, or why one value must do; the first thing that is read."""
    kind = properties()[surface.key]
    unit = "" if surface.unit in {"pH", "1"} else f" {surface.unit}"
    name = kind.name[:1].upper() + kind.name[1:] if not kind.name.startswith("pH") else kind.name
    if surface.verdict != "useful":
        low, high = number(surface.mean_low, surface.key), number(surface.mean_high, surface.key)
        doubt = f" ({low} to {high}, two in three)" if np.isfinite(surface.mean_low) else ""
        return f"{name}: {number(surface.mean, surface.key)}{unit} over the block{doubt}."
    (low_value, low_where), (high_value, high_where) = ends(
        surface.estimate, surface.grid, season.block
    )
    low_words, high_words = number(low_value, surface.key), number(high_value, surface.key)
    if low_words == high_words:
        return f"{name}: {low_words}{unit} nearly everywhere."
    if low_where == high_where:
        return f"{name} changes over short ways, from {low_words} to {high_words}{unit}."
    return (
        f"{name} is {low_words} in the {low_where}, where it is lowest, and climbs to "
        f"{high_words}{unit} in the {high_where}."
    )


def _rating_words(season: Season, key: str) -> str:
    """What the table says of the block's mean, with its source, in one line."""
    rating = season.ratings.block.get(key)
    if rating is None:
        return ""
    words = level_words(rating.level, rating.sense)
    if rating.level in {"no_table", "not_analysed", "ask"}:
        return sentence(f"{words}: {rating.why}" if rating.why else words)
    target = ", the target" if rating.target else ""
    memory = ". From memory, please check" if rating.from_memory else ""
    return sentence(f"The block's mean is {words}{target}{memory}")


def _not_analysed(season: Season) -> list[Data]:
    known = properties()
    return [
        {
            "key": key,
            "symbol": known[key].symbol,
            "words": f"{capital(known[key].name)}: not analysed in {season.season}. No rating, "
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


def materials_data(season: Season) -> list[Data]:
    """Zones, rates and money of every amendment that has a rate."""
    rates: dict[str, dict[int, Rate]] = {}
    for rate in season.prescription.rates:
        rates.setdefault(rate.amendment, {})[rate.zone_id] = rate
    return [
        _material(season, zone_map, rates[zone_map.amendment])
        for zone_map in season.zone_maps
        if zone_map.amendment in rates
    ]


def _material(season: Season, zone_map: ZoneMap, rates: dict[int, Rate]) -> Data:
    first, measured = next(iter(rates.values())), measures_of(season.settings)
    uniform = season.prescription.uniform.get(zone_map.amendment)
    cost = season.prescription.costs.get(zone_map.amendment)
    currency = season.settings.currency
    ranked = sorted(zone_map.zones, key=lambda zone: rates[zone.zone_id].rate_kg_ha)
    rank = {zone.zone_id: index for index, zone in enumerate(ranked)}
    nothing = all(rate.rate_kg_ha == 0 for rate in rates.values())
    looks = zone_looks([rates[zone.zone_id].rate_kg_ha for zone in zone_map.zones])
    fills = {zone.zone_id: look[0] for zone, look in zip(zone_map.zones, looks, strict=True)}
    boxes = zone_chart(season, zone_map, fills)
    twice = [] if nothing else list(already_spread(rates.values()))
    return {
        "amendment": zone_map.amendment,
        "word": AMENDMENT_WORDS.get(zone_map.amendment, zone_map.amendment).capitalize(),
        "material": first.material.replace("_", " "),
        "verdict": zone_map.verdict,
        "verdictWords": ZONE_VERDICT_WORDS[zone_map.verdict],
        "why": measured.said(zone_map.why),
        "leftOut": left_out_words(zone_map),
        "nothing": nothing,
        "trip": trip_words(season.prescription, zone_map.amendment),
        "twice": [SPREAD_TWICE, *map(measured.said, twice)] if twice else [],
        "totalKg": round(sum(rate.rate_kg_ha * rate.area_ha for rate in rates.values()), 1),
        "cost": None if cost is None else money(cost, currency),
        "uniform": None
        if uniform is None
        else {
            "rate": measured.rate(uniform.rate_kg_ha),
            "total": measured.amount(uniform.total_kg),
            "cost": None if uniform.cost is None else money(uniform.cost, currency),
        },
        "charts": [] if boxes is None else [chart_words(boxes)],
        "reasons": [measured.said(reason) for reason in first.reasons],
        "sources": list(first.sources),
        "fromMemory": any(rate.from_memory for rate in rates.values()),
        "zones": [
            {
                "id": zone.zone_id,
                "where": compass_word(zone.outline.centroid.coords[0], season.block),
                "rateKgHa": rates[zone.zone_id].rate_kg_ha,
                "lowKgHa": rates[zone.zone_id].low_kg_ha,
                "highKgHa": rates[zone.zone_id].high_kg_ha,
                "ha": measured.area(zone.area_ha),
                "rate": measured.rate(rates[zone.zone_id].rate_kg_ha),
                "range": measured.span(
                    rates[zone.zone_id].low_kg_ha, rates[zone.zone_id].high_kg_ha
                ),
                "kg": round(rates[zone.zone_id].rate_kg_ha * zone.area_ha, 1),
                "passes": [measured.rate(p) for p in rates[zone.zone_id].passes],
                "rank": rank[zone.zone_id],
                "fill": fills[zone.zone_id],
                "rows": [list(run) for run in zone.rows],
                "labels": label_places(zone.outline, season.block.crs),
                "outline": drawn_lonlat(zone.outline, season.block.crs),
            }
            for zone in zone_map.zones
        ],
    }


def label_places(outline: Any, crs: str) -> list[list[float]]:
    """A place for the number in each part, as far from its edge as can be: [lat, lon]."""
    places = []
    for part in shapely.get_parts(outline):
        circle = shapely.maximum_inscribed_circle(part, tolerance=1.0)
        point = to_lonlat(shapely.Point(circle.coords[0]), crs)
        places.append([round(point.y, EYE_DECIMALS), round(point.x, EYE_DECIMALS)])
    return places


def _held(season: Season) -> list[Data]:
    return [
        {
            "amendment": one.amendment,
            "word": AMENDMENT_WORDS.get(one.amendment, one.amendment).capitalize(),
            "kind": one.kind,
            "reason": measures_of(season.settings).said(one.reason),
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


def _sources(season: Season) -> dict[str, str]:
    """Citation of every source key that the page names."""
    keys = {r.source for r in season.ratings.block.values()}
    for rate in season.prescription.rates:
        keys |= set(rate.sources)
    for one in season.prescription.held:
        keys |= set(one.sources)
    known = sources()
    return {k: known[k].title for key in sorted(keys) for k in key.split("+") if k in known}
