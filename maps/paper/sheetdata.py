"""Season -> one sheet a material: map, rates for the driver, purchase, doubt, alternatives.

No figure is made here; each is taken from a finished record and put into words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import shapely

from geo.export.driving import grams_per_vine, kg_by_row
from geo.export.layers import short_name, spread_layers
from geo.export.readme import SPREAD_TWICE, TRAY_M, already_spread
from geo.lookup import sources
from geo.materials import Material, caution_texts, general_cautions, materials_of
from geo.prescribing.purchase import purchase_list
from geo.prescription import Rate
from geo.season import Season
from geo.zones import ZoneMap
from maps.drawing import drawings, prints
from maps.paper.measures import measures_of
from maps.wording import AMENDMENT_WORDS, money, number, sentence

Data = dict[str, Any]


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


def cautions_of(season: Season, rates: Iterable[Rate]) -> tuple[str, ...]:
    """What to mind with the products of these rates, and with every product."""
    materials = materials_of(season.settings)
    keys = [key for rate in rates for key in materials[rate.material].cautions]
    return (*caution_texts(keys), *general_cautions(organic=season.settings.organic))


def material_sheet(season: Season, amendment: str) -> Data:
    """Everything on the sheet of one material."""
    zone_map, rates = zone_map_of(season, amendment), rates_of(season, amendment)
    material = materials_of(season.settings)[next(iter(rates.values())).material]
    word, measured = AMENDMENT_WORDS.get(amendment, amendment), measures_of(season.settings)
    by_rate = sorted(rates.values(), key=lambda rate: -rate.rate_kg_ha)
    return {
        "title": f"{word.capitalize()} for {season.block.name}",
        "say": spread_sentence(season, amendment),
        "short": _short(season, amendment, material),
        "twice": twice(season, amendment),
        "map": prints.zone_picture(season.block, zone_map, by_rate, feet=measured.us),
        "alt": f"Map of {season.block.name}: " + "; ".join(_zone_said(season, r) for r in by_rate),
        "rowsFrom": rows_from(season),
        "driver": driver_rows(season, amendment),
        "swath": measures_of(season.settings).length(
            season.settings.spreader_of(season.block.name).width_m
        ),
        "byHand": season.settings.spreader_of(season.block.name).by_hand,
        "files": _files(season, amendment),
        "tray": _tray(by_rate),
        "buy": buy_rows(season, amendment, material),
        "sure": _sure(season, zone_map, by_rate),
        "uniform": _uniform(season, amendment) if len(zone_map.zones) > 1 else "",
        "tested": left_out_words(zone_map),
        "mind": [measured.said(one) for one in cautions_of(season, rates.values())],
        "zones": [f"zone {zone.zone_id}" for zone in zone_map.zones],
        "why": list(dict.fromkeys(measured.said(reason) for r in by_rate for reason in r.reasons)),
        "memory": any(rate.from_memory for rate in by_rate),
        "sources": [
            one.partition("]")[0] + "]"
            for one in citations(key for rate in by_rate for key in rate.sources)
        ],
        "byRow": _by_row(season, zone_map, rates),
    }


def _short(season: Season, amendment: str, material: Material) -> str:
    """Amendment, amount and product in a few words."""
    rates = rates_of(season, amendment).values()
    total = measures_of(season.settings).amount(sum(r.rate_kg_ha * r.area_ha for r in rates))
    return f"{AMENDMENT_WORDS.get(amendment, amendment)}, {total} of {material.name}"


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


def twice(season: Season, amendment: str) -> list[str]:
    """The warning of what is on record as spread since the sampling; empty where nothing is."""
    said = already_spread(rates_of(season, amendment).values())
    own = " That was the grower's own decision."
    short = [measures_of(season.settings).said(one.removesuffix(own)) for one in said]
    return [SPREAD_TWICE, *short] if short else []


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


def rows_from(season: Season) -> str:
    """How rows are counted, in words."""
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
    measured = measures_of(settings)
    amount = measured.amount(bought.bought_kg)
    if bought.bags is not None:
        bags = "1 bag" if bought.bags == 1 else f"{bought.bags} bags"
        amount = f"{bags} of {material.bag_kg:g} kg"
    cost = plan.costs.get(amendment)
    alone = [a for a in spread_amendments(season) if material.key == _material_key(season, a)] == [
        amendment
    ]
    if cost is None or bought.cost is None or material.price_per_t is None or not alone:
        return [
            (
                f"{amount} {material.name}",
                "no price on file" if cost is None else money(cost, currency),
            )
        ]
    tonnes = bought.bought_kg / 1000
    loose = bought.bags is None
    weighed, each, weight = measured.priced(bought.bought_kg, material.price_per_t)
    amount = weighed if loose else amount
    delivered = max(tonnes, settings.costs.delivery_minimum_t) if loose else tonnes
    delivery = delivered * settings.costs.delivery_per_t
    spreading = cost - bought.cost - delivery
    price = f"at {money(each, currency)} a {weight}"
    lines = [(f"{amount} {material.name} {price}", bought.cost), ("delivery", delivery)]
    lines += [("spreading", spreading), ("in all, before tax", cost)]
    return [(words, money(value, currency)) for words, value in lines if value or words[0] == "i"]


def _material_key(season: Season, amendment: str) -> str:
    return next(iter(rates_of(season, amendment).values())).material


def _sure(season: Season, zone_map: ZoneMap, rates: Sequence[Rate]) -> list[str]:
    spans = measures_of(season.settings).spans([(r.low_kg_ha, r.high_kg_ha) for r in rates])
    ranges = [f"{span} in zone {r.zone_id}" for span, r in zip(spans, rates, strict=True)]
    if len(rates) == 1:
        ranges = spans
    said = "Two times in three the right rate lies within " + ", ".join(ranges) + "."
    why = measures_of(season.settings).said(zone_map.why)
    return [one for one in (why, said) if one]


def left_out_words(zone_map: ZoneMap) -> str:
    """What the zones say of samples they were made without, in a sentence; empty if not tested."""
    share = zone_map.indices.get("variance_reduction_cv")
    if share is None:
        return ""
    if share <= 0:
        return "Samples left out in turn are foretold no better by the zones than by the mean."
    return f"Of samples left out in turn the zones foretell {share * 100:.0f} % of the variance."


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


def citations(keys: Iterable[str]) -> list[str]:
    """Titles of sources, each once; keys joined by + are several."""
    known = sources()
    single = dict.fromkeys(part for key in keys for part in key.split("+") if part in known)
    return [f"[{key}] {known[key].title}" for key in single]
