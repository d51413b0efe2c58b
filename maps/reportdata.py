"""Season -> the data behind report.pdf: sentences, tables and pictures, as plain JSON values.

No figure is made here; each is taken from a finished record and put into words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import shapely

from geo.asapplied import AsApplied
from geo.export.applied import applied_rows
from geo.export.driving import grams_per_vine, kg_by_row
from geo.export.layers import short_name, spread_layers
from geo.export.readme import TRAY_M
from geo.export.seasonfile import season_versions
from geo.lookup import Property, properties, sources
from geo.materials import Material, materials_of
from geo.prescription import Rate
from geo.purchase import purchase_list
from geo.ratings import Rating
from geo.season import Season
from geo.surfaces import Surface
from geo.zones import ZoneMap
from maps import drawings, prints
from maps.measures import measures_of
from maps.wording import (
    AMENDMENT_WORDS,
    LEVEL_WORDS,
    MAP_VERDICT_WORDS,
    crop_words,
    date_words,
    level_words,
    money,
    number,
    sentence,
)

Data = dict[str, Any]

HELD_WORDS = {
    "held": "Held",
    "none_needed": "None needed",
    "no_data": "Cannot say",
    "not_worthwhile": "Not worthwhile",
}
SEVERITY_WORDS = {"refused": "Refused", "open": "Asks", "warning": "Mind", "note": "Note"}


def report_data(season: Season, applied: Sequence[AsApplied] = ()) -> Data:
    """Everything that report.pdf shows; `applied` is what is on record as spread."""
    block, spots = season.block, prints.sample_places(season)
    measured = measures_of(season.settings)
    return {
        "language": "en",
        "units": measured.words,
        "farm": season.settings.name,
        "block": block.name,
        "season": str(season.season),
        "left": f"{measured.area_words(block.area_ha)}, {crop_words(block.site.crop)}",
        "right": _sampled(season),
        "materials": [_material(season, name) for name in spread_amendments(season)],
        "nothing": _nothing(season),
        "held": _held(season),
        "order": list(season.prescription.order),
        "conflicts": list(season.prescription.conflicts),
        "applied": [_applied(season, one) for one in applied],
        "ratings": _rating_rows(season),
        "surfaces": [_surface(season, surface, spots) for surface in season.surfaces.values()],
        "findings": [_finding(finding) for finding in season.checked.findings],
        "sources": _sources(season),
        "made": _made(season),
        "mapHeight": 31,
    }


def _sampled(season: Season) -> str:
    samples = season.checked.samples
    day = date_words(samples.sampled_on) if samples.sampled_on else str(season.season)
    top, bottom = samples.depth_cm
    return f"{len(season.checked.usable)} samples, {day}, {top:g} to {bottom:g} cm"


def spread_amendments(season: Season) -> list[str]:
    """Amendments with something to spread, in the order of the prescription."""
    return list(dict.fromkeys(r.amendment for r in season.prescription.rates if r.rate_kg_ha > 0))


def rates_of(season: Season, amendment: str) -> dict[int, Rate]:
    """Rates of an amendment by zone number."""
    return {r.zone_id: r for r in season.prescription.rates if r.amendment == amendment}


def zone_map_of(season: Season, amendment: str) -> ZoneMap:
    """The zones of an amendment: its own, else the common ones."""
    maps = {zone_map.amendment: zone_map for zone_map in season.zone_maps}
    return maps.get(amendment) or maps["all"]


def _material(season: Season, amendment: str) -> Data:
    zone_map, rates = zone_map_of(season, amendment), rates_of(season, amendment)
    material = materials_of(season.settings)[next(iter(rates.values())).material]
    word = AMENDMENT_WORDS.get(amendment, amendment)
    by_rate = sorted(rates.values(), key=lambda rate: -rate.rate_kg_ha)
    return {
        "title": f"{word.capitalize()} for {season.block.name}",
        "say": spread_sentence(season, amendment),
        "map": prints.zone_picture(season.block, zone_map, by_rate),
        "alt": f"Map of {season.block.name}: " + "; ".join(_zone_said(season, r) for r in by_rate),
        "rowsFrom": _rows_from(season),
        "driver": driver_rows(season, amendment),
        "swath": measures_of(season.settings).length(
            season.settings.spreader_of(season.block.name).width_m
        ),
        "byHand": season.settings.spreader_of(season.block.name).by_hand,
        "files": _files(season, amendment),
        "tray": _tray(by_rate),
        "buy": buy_rows(season, amendment, material),
        "sure": _sure(season, zone_map, by_rate),
        "uniform": _uniform(season, amendment),
        "mind": list(season.prescription.cautions),
        "zones": [f"zone {zone.zone_id}" for zone in zone_map.zones],
        "why": list(dict.fromkeys(reason for r in by_rate for reason in r.reasons)),
        "memory": any(rate.from_memory for rate in by_rate),
        "sources": _citations(key for rate in by_rate for key in rate.sources),
        "byRow": _by_row(season, zone_map, rates),
    }


def _zone_said(season: Season, rate: Rate) -> str:
    measured = measures_of(season.settings)
    area = measured.area_words(rate.area_ha)
    return f"zone {rate.zone_id}, {area}, {measured.rate(rate.rate_kg_ha)}"


def spread_sentence(season: Season, amendment: str) -> str:
    """What to spread, in one sentence with rates, total and product."""
    rates = sorted(rates_of(season, amendment).values(), key=lambda rate: -rate.rate_kg_ha)
    material = materials_of(season.settings)[rates[0].material]
    measured = measures_of(season.settings)
    total = measured.amount(sum(rate.rate_kg_ha * rate.area_ha for rate in rates))
    if len(rates) == 1:
        said = f"{measured.rate(rates[0].rate_kg_ha)} everywhere"
    else:
        said = ", ".join(f"{measured.rate(r.rate_kg_ha)} in zone {r.zone_id}" for r in rates)
    placement = season.block.site.placement
    where = placement.get(amendment, placement.get("default", ""))
    passes = max(len(rate.passes) for rate in rates)
    more = f" First of {passes} passes; the next after a new test." if passes > 1 else ""
    cut_out = any(part.interiors for part in shapely.get_parts(season.block.outline))
    none = " What is cut out of the block, such as a pond, gets none." if cut_out else ""
    return f"{said}: {total} of {material.name}{', ' + where if where else ''}.{none}{more}"


def driver_rows(season: Season, amendment: str) -> list[Data]:
    """One row a zone: look, hectares, planting rows, rate, kilograms on the way, grams a vine."""
    zone_map, rates = zone_map_of(season, amendment), rates_of(season, amendment)
    site, measured = season.block.site, measures_of(season.settings)
    width = season.settings.spreader_of(season.block.name).width_m
    amounts = [rates[z.zone_id].rate_kg_ha if z.zone_id in rates else 0.0 for z in zone_map.zones]
    rows = []
    for zone, rate, (fill, stitch) in zip(
        zone_map.zones, amounts, drawings.zone_looks(amounts), strict=True
    ):
        spacing, vines = site.row_spacing_m, site.vine_spacing_m
        hand = spacing is not None and vines is not None
        rows.append(
            {
                "zone": str(zone.zone_id),
                "patch": drawings.patch(fill, stitch),
                "area": measured.area(zone.area_ha),
                "rows": [f"{a} to {b}" if a != b else f"{a}" for a, b in zone.rows],
                "rate": "none" if rate <= 0 else measured.rate(rate),
                "drive": "closed" if rate <= 0 else measured.along(rate, width),
                "row": measured.along(rate, spacing) if spacing else "",
                "vine": number(grams_per_vine(rate, spacing, vines)) if hand else "",  # type: ignore[arg-type]
                "total": measured.amount(rate * zone.area_ha),
            }
        )
    return rows


def _rows_from(season: Season) -> str:
    """How rows are counted."""
    site = season.block.site
    if site.row_azimuth_deg is None or not site.row_spacing_m:
        return "No row direction and spacing in farm.toml: rows are not numbered."
    compass = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
               "north-west")  # fmt: skip
    apart = measures_of(season.settings).length(site.row_spacing_m)
    left = compass[round((site.row_azimuth_deg - 90) / 45) % 8]
    return (
        f"Numbers at the edge are rows, counted from the {left}, {apart} apart. "
        "Closer stitches mean more."
    )


def _files(season: Season, amendment: str) -> str:
    taken: set[str] = set()
    layers = [layer for layer in spread_layers(season) if layer.amendment == amendment]
    names = ", ".join(f"{short_name(layer, taken)}.SHP" for layer in layers)
    controller = season.settings.controller
    return (
        f"File {names}, column {controller.rate_field}, {controller.rate_unit}; or folder TASKDATA "
        f"(ISO 11783-10, version {controller.isoxml_version}). Outside the map: 0. Read back and "
        "checked."
    )


def _tray(rates: Sequence[Rate]) -> str:
    """What a tray on the ground must catch."""
    grams = ", ".join(
        f"{number(rate.rate_kg_ha * TRAY_M**2 / 10)} g in zone {rate.zone_id}"
        for rate in rates
        if rate.rate_kg_ha > 0
    )
    side = f"{TRAY_M * 100:.0f}"
    return f"Tray check: {side} x {side} cm catch {grams}. Weigh, and set the spreader again."


def buy_rows(season: Season, amendment: str, material: Material) -> list[tuple[str, str]]:
    """Product, delivery, spreading and their sum; the amounts alone where there are no prices."""
    plan, settings, currency = season.prescription, season.settings, season.settings.currency
    bought = next((p for p in purchase_list([plan], settings) if p.material == material.key), None)
    if bought is None:
        return []
    amount = measures_of(settings).amount(bought.bought_kg)
    if bought.bags is not None:
        bags = "1 bag" if bought.bags == 1 else f"{bought.bags} bags"
        amount = f"{bags} of {material.bag_kg:g} kg"
    cost = plan.costs.get(amendment)
    alone = [a for a in spread_amendments(season) if material.key == _material_key(season, a)] == [
        amendment
    ]
    if cost is None or bought.cost is None or material.price_per_t is None or not alone:
        return [
            (f"{amount} {material.name}", "no price" if cost is None else money(cost, currency))
        ]
    tonnes = bought.bought_kg / 1000
    loose = bought.bags is None
    delivered = max(tonnes, settings.costs.delivery_minimum_t) if loose else tonnes
    delivery = delivered * settings.costs.delivery_per_t
    spreading = cost - bought.cost - delivery
    price = f"at {money(material.price_per_t, currency)} a tonne"
    lines = [(f"{amount} {material.name} {price}", bought.cost), ("delivery", delivery)]
    lines += [("spreading", spreading), ("in all, before tax", cost)]
    return [(words, money(value, currency)) for words, value in lines if value or words[0] == "i"]


def _material_key(season: Season, amendment: str) -> str:
    return next(iter(rates_of(season, amendment).values())).material


def _sure(season: Season, zone_map: ZoneMap, rates: Sequence[Rate]) -> list[str]:
    span = measures_of(season.settings).span
    ranges = [f"{span(r.low_kg_ha, r.high_kg_ha)} in zone {r.zone_id}" for r in rates]
    said = "Two times in three the right rate lies within " + ", ".join(ranges) + "."
    return [zone_map.why, said]


def _uniform(season: Season, amendment: str) -> str:
    plan, currency = season.prescription, season.settings.currency
    measured = measures_of(season.settings)
    one, cost = plan.uniform.get(amendment), plan.costs.get(amendment)
    if one is None:
        return ""
    said = "none anywhere"
    if one.rate_kg_ha > 0:
        said = f"{measured.rate(one.rate_kg_ha)} everywhere"
        said += f": {measured.amount(one.total_kg)}"
        said += f", {money(one.cost, currency)}" if one.cost is not None else ""
    said = sentence(said)
    if one.expected_loss_ratio > 1:
        more = (one.expected_loss_ratio - 1) * 100
        said += f" What it gives too little and too much together is expected to cost {more:.0f} % "
        said += "more than with the zones."
    if cost is not None and one.cost is not None and abs(cost - one.cost) >= 5:
        word = "more" if cost > one.cost else "less"
        said += f" The zones cost {money(abs(cost - one.cost), currency)} {word}."
    return said


def _by_row(season: Season, zone_map: ZoneMap, rates: dict[int, Rate]) -> list[Data]:
    """Kilograms of every planting row, where a person spreads by hand."""
    site = season.block.site
    hand = season.settings.spreader_of(season.block.name).by_hand
    measured = measures_of(season.settings)
    if not hand or site.row_azimuth_deg is None or not site.row_spacing_m:
        return []
    return [
        {"zone": str(zone.zone_id), "row": share.row, "m": measured.of_row(share.metres),
         "kg": measured.mass(share.kg)}
        for zone in zone_map.zones
        if zone.zone_id in rates and rates[zone.zone_id].rate_kg_ha > 0
        for share in kg_by_row(
            zone.outline, season.block.outline, rates[zone.zone_id].rate_kg_ha,
            site.row_azimuth_deg, site.row_spacing_m,
        )
    ]  # fmt: skip


def _nothing(season: Season) -> Data | None:
    """The first page where nothing is to be spread."""
    if spread_amendments(season):
        return None
    return {
        "title": f"Nothing to spread on {season.block.name}",
        "say": f"In {season.season} no material has a rate here. Below stands why, one by one.",
        "map": prints.block_picture(season),
        "alt": f"Map of {season.block.name} with its sampled places.",
        "rowsFrom": _rows_from(season).replace("Closer stitches mean more.", "Dots are samples."),
    }


def _held(season: Season) -> list[Data]:
    order = list(HELD_WORDS)
    held = sorted(season.prescription.held, key=lambda one: order.index(one.kind))
    return [
        {
            "what": AMENDMENT_WORDS.get(one.amendment, one.amendment).capitalize(),
            "kind": HELD_WORDS[one.kind],
            "why": one.reason,
        }
        for one in held
    ]


def _applied(season: Season, one: AsApplied) -> Data:
    """Planned against done, zone by zone, with a map of each."""
    planned, done, legend = prints.applied_pictures(season, one)
    word = AMENDMENT_WORDS.get(one.amendment, one.amendment).capitalize()
    measured = measures_of(season.settings)
    rows, total = applied_rows(season, [one]), measured.amount(one.done_kg(season.block.area_ha))
    logged = f"{one.logged_share * 100:.0f} % of the block is in a machine's log"
    said = "No machine log: the record is taken as done." if one.logged_share == 0 else f"{logged}."
    return {
        "what": word,
        "say": f"{total} on record. {said} {rows[-1]['note']}".strip(),
        "planned": planned,
        "done": done,
        "legend": [asdict(box) for box in legend],
        "rows": [
            [
                row["zone"],
                measured.area(row["hectares"]),
                *(
                    "" if row[key] is None else measured.rate(row[key])
                    for key in ("asked_kg_ha", "planned_kg_ha", "done_kg_ha")
                ),
                "" if row["done_kg"] is None else measured.amount(row["done_kg"]),
            ]
            for row in rows
        ],
    }


def _rating_rows(season: Season) -> list[Data]:
    """One row a property: mean and range, class, how many samples in each class, table."""
    rows = []
    counts: dict[str, Counter[str]] = {}
    for one in season.ratings.soil:
        counts.setdefault(one.key, Counter())[one.level] += 1
    known = properties()
    for key in (k for k in known if k in season.surfaces or k in season.ratings.block):
        surface, rating = season.surfaces.get(key), season.ratings.block.get(key)
        if surface is None and rating is None:
            continue
        unit = "" if known[key].unit in {"pH", "1"} else known[key].unit
        rows.append(
            {
                "name": capital(known[key]),
                "unit": unit,
                "mean": "" if surface is None else number(surface.mean, key),
                "range": "" if surface is None else _mean_range(surface),
                "level": "" if rating is None else level_words(rating.level, rating.sense),
                "target": bool(rating and rating.target),
                "counts": _counted(counts.get(key, Counter()), rating),
                "table": "" if rating is None else _table_words(rating),
            }
        )
    return rows


def capital(kind: Property) -> str:
    """A property's name at the start of a line; pH stays pH, and (H), (EC) as they are."""
    return kind.name if kind.name.startswith("pH") else kind.name[:1].upper() + kind.name[1:]


def _mean_range(surface: Surface) -> str:
    if not np.isfinite(surface.mean_high - surface.mean_low):
        return ""
    low, high = number(surface.mean_low, surface.key), number(surface.mean_high, surface.key)
    return f"{low} to {high}"


def _counted(counts: Counter[str], rating: Rating | None) -> str:
    sense = rating.sense if rating else ""
    words: Counter[str] = Counter()
    for level in LEVEL_WORDS:
        if counts[level] and level not in {"not_analysed", "no_table", "ask"}:
            words[level_words(level, sense)] += counts[level]
    return ", ".join(f"{count} {word}" for word, count in words.items())


def _table_words(rating: Rating) -> str:
    memory = " From memory, please check." if rating.from_memory else ""
    source = f" [{rating.source}]" if rating.source else ""
    return f"{sentence(rating.why)}{source}{memory}" if rating.why else source.strip() + memory


def _surface(season: Season, surface: Surface, spots: Any) -> Data:
    kind, rating = properties()[surface.key], season.ratings.block.get(surface.key)
    classes = season.ratings.classes.get(surface.key, ())
    sense = rating.sense if rating else "descriptive"
    found, legend = prints.found_picture(season, surface, classes, sense, spots)
    doubt = bool(np.isfinite(surface.mean_high - surface.mean_low))
    sure, ramp = "", list[prints.Box]()
    if surface.verdict != "none" and np.isfinite(surface.high - surface.low).any():
        sure, ramp = prints.sure_picture(surface, season.block, spots)
    name = capital(kind)
    unit = "" if surface.unit in {"pH", "1"} else surface.unit
    return {
        "name": name,
        "unit": unit,
        "verdict": MAP_VERDICT_WORDS[surface.verdict],
        "mean": number(surface.mean, surface.key) + (f" ({_mean_range(surface)})" if doubt else ""),
        "why": surface.why,
        "method": surface.method,
        "found": found,
        "foundAlt": f"Map of {name}: block mean {number(surface.mean, surface.key)} {unit}.",
        "legend": [asdict(box) | {"words": level_words(box.words, sense)} for box in legend],
        "sure": sure,
        "sureAlt": f"Map of how sure {name} is, half the two-in-three range.",
        "ramp": [asdict(box) for box in ramp],
    }


def _finding(finding: Any) -> Data:
    return {
        "kind": SEVERITY_WORDS[finding.severity],
        "open": finding.severity == "open",
        "message": " ".join(
            part for part in (finding.message, finding.proposal, finding.what_was_done) if part
        ),
        "where": ", ".join(
            part
            for part in (
                finding.file.rpartition("/")[2],
                f"row {finding.row}" if finding.row else "",
                f"column {finding.column}" if finding.column else "",
            )
            if part
        ),
    }


def _citations(keys: Any) -> list[str]:
    """Titles of sources, each once; keys joined by + are several."""
    known = sources()
    single = dict.fromkeys(part for key in keys for part in key.split("+") if part in known)
    return [f"[{key}] {known[key].title}" for key in single]


def _sources(season: Season) -> list[str]:
    keys = [r.source for r in season.ratings.block.values()]
    keys += [key for rate in season.prescription.rates for key in rate.sources]
    keys += [key for one in season.prescription.held for key in one.sources]
    return sorted(_citations(keys))


def _made(season: Season) -> list[str]:
    block = season.block
    versions = ", ".join(f"{k} {v}" for k, v in season_versions().items() if v != "not installed")
    return [
        f"Areas are geodesic on the WGS84 ellipsoid and are those for buying; maps are in "
        f"{block.crs}, north up.",
        "Maps are kriged, averaged over many models by how well they fit and how likely they were "
        "before; ranges hold two times in three.",
        f"Seed of the draws {season.settings.grid.seed}; {versions}.",
    ]
