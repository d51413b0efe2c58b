"""P, K, Mg, N and the micronutrients of a block: soil says, plant confirms."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from geo.chain import Link, Steps, kg_words
from geo.grids import Array, Mask
from geo.lookup import Tables
from geo.requirements import magnesium, micronutrients, nitrogen, phosphorus, potassium
from geo.requirements.case import Answer, Case, Input, layer_inputs
from geo.requirements.holds import Hold, tissue_hold
from geo.requirements.nutrients import Norm, Removal, build_up_years, crop_removal, find_norm
from geo.requirements.organics import organic_credit

#: Key -> amendment.
MAJOR = {"p": "phosphorus", "k": "potassium", "mg": "magnesium"}
SYMBOL = {"p": "P", "k": "K", "mg": "Mg", "b": "B", "mn": "Mn", "zn": "Zn", "fe": "Fe", "cu": "Cu"}
RULES: Mapping[str, Callable[..., Array]] = {
    "p": phosphorus.phosphorus_kg_ha,
    "k": potassium.potassium_kg_ha,
    "mg": magnesium.magnesium_kg_ha,
}
CAPS: Mapping[str, Callable[[Tables | None], float]] = {
    "k": potassium.potassium_cap_kg_ha,
    "mg": magnesium.magnesium_cap_kg_ha,
}


def unit_of(key: str) -> str:
    """What the draws of an element count."""
    return f"kg/ha {SYMBOL[key]}"


def ask_major(case: Case, key: str) -> Answer:
    """What build-up and removal ask of a block in phosphorus, potassium or magnesium."""
    amendment = MAJOR[key]
    if not case.measured(key):
        return _not_analysed(case, key, amendment)
    norm = _norm_of(case, key)
    if norm is None:
        return _no_norm(case, key, amendment)
    if case.lowest(key) >= norm.norm:
        mean = case.surfaces[key].mean
        why = f"No {amendment} here: {mean:.0f} mg/kg is above {norm.norm:g}, which is enough."
        why += _excess_said(case, key)
        return _without_rate(case, key, amendment, "none_needed", why, norm)
    return _major_answer(case, key, amendment, norm)


def _norm_of(case: Case, key: str) -> Norm | None:
    """The norm of the block's crop for the extractant its laboratory used."""
    return find_norm(
        key,
        case.block.site.crop,
        case.method(key),
        case.clay_pct,
        case.mean("ph_kcl"),
        case.tables,
    )


def _major_answer(case: Case, key: str, amendment: str, norm: Norm) -> Answer:
    share = case.treated_share(amendment)
    removal = crop_removal(case.block.site.crop, key, case.tables)
    removed = case.removal_kg_ha(removal.kg_per_t) if removal else 0.0
    hold = tissue_hold(case, key, amendment)
    credit, organic = organic_credit(case, key)

    def rule(test: Array) -> Array:
        asked = RULES[key](
            test,
            norm,
            case.sampled_layer,
            removal_kg_ha=removed,
            treated_share=share,
            tables=case.tables,
        )
        return np.asarray(np.maximum(asked - credit, 0.0))

    cap = CAPS[key](case.tables) if key in CAPS else None
    years = build_up_years(key, case.tables)
    said = [
        f"Build-up to {norm.norm:g} mg/kg ({norm.method}) by mass balance over {years:g} years.",
        f"The crop removes {removed:.0f} kg/ha a year; counted where build-up is due."
        if removed
        else "No yield in farm.toml, or no removal held for this crop: removal is not counted.",
    ]
    if key == "k":
        said.append(
            "Potassium on the soil raises must pH and hinders magnesium: ask the winemaker."
        )
    sources = (norm.source, "CHEM", "PRACT", *((removal.source,) if removal else ()))
    return Answer(
        amendment,
        unit_of(key),
        "held" if hold.reason else "rate",
        hold.reason or "",
        (key,),
        draws=case.put_through([key], rule),
        reasons=(*hold.said, *said, *organic, *case.own_decisions(amendment)),
        sources=tuple(dict.fromkeys((*sources, *hold.sources))),
        from_memory=norm.from_memory or bool(removal and removal.from_memory),
        cap_kg_ha=cap,
        cap_source="UGAWGP" if key == "mg" else "PRACT",
        treated_share=share,
        inputs=_inputs(case, key, norm, removal, years),
        steps=_major_steps(case, key, norm, removal, hold, credit),
    )


def _major_steps(
    case: Case, key: str, norm: Norm, removal: Removal | None, hold: Hold, credit: Array
) -> Steps:
    """The rule at a place's mean: leaf and decision, norm, build-up, removal."""
    layer, share = case.sampled_layer, case.treated_share(MAJOR[key])
    years = build_up_years(key, case.tables)
    removed = case.removal_kg_ha(removal.kg_per_t) if removal else 0.0
    unit = unit_of(key)

    def steps(values: Mapping[str, float], cells: Mask | None) -> tuple[Link, ...]:
        test = values[key]
        kg_ha = float(
            RULES[key](
                np.asarray(test),
                norm,
                layer,
                removal_kg_ha=removed,
                treated_share=share,
                tables=case.tables,
            )
        )
        due = test < norm.norm
        build_up = max(norm.norm - test, 0.0) * layer.kg_ha_per_mg_kg / years
        built = (
            f"Build-up: ({norm.norm:g} - {test:.3g}) mg/kg x 0.1 x {layer.bulk_density_mg_m3:g} "
            f"Mg/m3 x {layer.depth_cm:g} cm x (1 - {layer.stones_pct:g}/100) / {years:g} years = "
            f"{kg_words(build_up)} {unit} on the treated area"
            if due
            else f"{test:.3g} mg/kg is not below {norm.norm:g}: at this mean the rule asks for none"
        )
        links = [
            *hold.links,
            Link("table row", norm.row, norm.norm, "mg/kg", (norm.source,), norm.from_memory),
            Link("rule", built, build_up, unit, ("CHEM", "PRACT")),
        ]
        if share < 1:
            links.append(Link("treated strip", f"x {share:.2f}, treated over block area", share))
        if removal is not None and removed > 0 and due:
            said = (
                f"Removal: {removal.kg_per_t:g} kg/t x {case.block.site.yield_t_ha:g} t/ha = "
                f"{kg_words(removed)} {unit}"
            )
            sources = (removal.source,)
            links.append(Link("rule", said, removed, unit, sources, removal.from_memory))
        here = float((credit if cells is None or credit.size == 1 else credit[cells]).mean())
        if here > 0:
            said = f"{kg_words(here)} {unit} come with compost or manure on file: taken off"
            links.append(Link("credit", said, here, unit, ("SAWINE",)))
        kg_ha = max(kg_ha - here, 0.0)
        said = f"{kg_words(kg_ha)} {unit} a year at this mean"
        links.append(Link("requirement", said, kg_ha, unit))
        return tuple(links)

    return steps


def _excess_said(case: Case, key: str) -> str:
    """What the excess watch says of the block's mean; nothing if it is silent."""
    rated = case.ratings.block.get(key)
    return f" {rated.why} Apply none." if rated is not None and rated.excess else ""


def _inputs(
    case: Case, key: str, norm: Norm, removal: Removal | None, years: float
) -> dict[str, Input]:
    layer = case.sampled_layer
    removed = case.removal_kg_ha(removal.kg_per_t) if removal else 0.0
    source = removal.source if removal else "PRACT"
    return {
        "method": ("mass balance to a norm, and removal", "", "CHEM"),
        "formula": (
            "(norm - soil test) x 0.1 x bulk density x depth / years + removal",
            "",
            "CHEM",
        ),
        f"mean {key}": (case.surfaces[key].mean, "mg/kg", case.method(key)),
        "norm": (norm.norm, f"mg/kg, {norm.method}", norm.source),
        "kg/ha per mg/kg": (round(layer.kg_ha_per_mg_kg, 3), "kg/ha per mg/kg", "CHEM"),
        "years": (years, "years", "PRACT"),
        "removal": (round(removed, 1), "kg/ha", source),
        **layer_inputs(layer),
    }


def _no_norm(case: Case, key: str, amendment: str) -> Answer:
    crop = case.block.site.crop
    if key == "p" and crop == "wine_grape":
        why = f"No phosphorus rate: {phosphorus.no_norm_reason(case.method('p'))}."
    else:
        method = case.method(key) or "an extractant not named"
        why = (
            f"No {amendment} rate: no norm for {crop.replace('_', ' ')} by {method} in our tables. "
            "It may be rated; enter a norm of your own for a rate."
        )
    return _without_rate(case, key, amendment, "no_data", why, None)


def _without_rate(
    case: Case, key: str, amendment: str, kind: str, why: str, norm: Norm | None
) -> Answer:
    inputs: dict[str, Input] = {
        f"mean {key}": (case.surfaces[key].mean, "mg/kg", case.method(key) or "laboratory")
    }
    if norm is not None:
        inputs["norm"] = (norm.norm, f"mg/kg, {norm.method}", norm.source)
    return Answer(
        amendment,
        unit_of(key),
        kind,
        why,
        (key,),
        reasons=tuple(case.own_decisions(amendment)),
        sources=(norm.source,) if norm else ("PRACT",),
        inputs=inputs,
    )


def _not_analysed(case: Case, key: str, amendment: str) -> Answer:
    why = (
        f"{amendment.capitalize()}: not analysed in {case.season}. No rating, no map, no rate. It "
        "does not count as zero."
    )
    return Answer(amendment, unit_of(key), "no_data", why, (), sources=("PRACT",))


def ask_nitrogen(case: Case) -> Answer:
    """Nitrogen never has a rate from soil."""
    site, water = case.block.site, None
    if site.irrigation_nitrate_n_mg_l is not None and site.irrigation_mm is not None:
        water = nitrogen.water_nitrogen_kg_ha(
            site.irrigation_nitrate_n_mg_l, site.irrigation_mm, case.tables
        )
    why = nitrogen.nitrogen_reason(site.yield_t_ha, case.tables, water) + "."
    _, organic = organic_credit(case, "n")
    sources = ("IOBC", "SATABLE", *(("CHEM",) if water is not None else ()))
    said = tuple(line.replace(": taken off", ", not all of it this year") for line in organic)
    return Answer("nitrogen", "kg/ha N", "held", why, (), reasons=said, sources=sources)


def ask_no_soil_route(case: Case, key: str) -> Answer:
    """Zinc, iron and copper: the soil route is closed, whatever the test."""
    amendment, said, sources = micronutrients.NO_SOIL_ROUTE[key]
    if not case.measured(key):
        return _not_analysed(case, key, amendment)
    reasons = tuple(case.own_decisions(amendment))
    return Answer(amendment, unit_of(key), "held", said, (key,), reasons=reasons, sources=sources)


def ask_boron(case: Case) -> Answer:
    """Boron where hot-water boron is low and the leaf agrees, never above the ceiling."""
    return _ask_dose(
        case,
        "b",
        "boron",
        lambda values, norm: micronutrients.boron_kg_ha(
            values, norm, established=case.established is not False, tables=case.tables
        ),
        micronutrients.boron_cap_kg_ha(case.tables),
        ("PC05", "FP03", "PRACT"),
        "A little too much boron poisons vines: one small dose, then test again.",
    )


def ask_manganese(case: Case) -> Answer:
    """Manganese where EDTA manganese is low and the leaf agrees: one dose on the row."""
    return _ask_dose(
        case,
        "mn",
        "manganese",
        lambda values, norm: micronutrients.manganese_kg_ha(values, norm, case.tables),
        None,
        ("SATABLE", "MEM"),
        "Manganese on the row is one dose; do not aim at a soil test value.",
    )


def _ask_dose(
    case: Case,
    key: str,
    amendment: str,
    rule: Callable[[Array, Norm], Array],
    cap: float | None,
    sources: tuple[str, ...],
    said: str,
) -> Answer:
    if not case.measured(key):
        return _not_analysed(case, key, amendment)
    norm = _norm_of(case, key)
    if norm is None:
        return _no_norm(case, key, amendment)
    if case.lowest(key) >= norm.norm:
        why = f"No {amendment} here: nowhere likely below {norm.norm:g} mg/kg."
        why += _excess_said(case, key)
        return _without_rate(case, key, amendment, "none_needed", why, norm)
    hold = tissue_hold(case, key, amendment)
    low = int(np.sum(case.samples(key) < norm.norm))
    n = int(np.isfinite(case.samples(key)).sum())
    share = case.treated_share(amendment)
    return Answer(
        amendment,
        unit_of(key),
        "held" if hold.reason else "rate",
        hold.reason or "",
        (key,),
        draws=case.put_through([key], lambda test: rule(test, norm) * share),
        reasons=(*hold.said, f"{low} of {n} samples read below {norm.norm:g} mg/kg.", said),
        sources=tuple(dict.fromkeys((norm.source, *sources, *hold.sources))),
        from_memory=norm.from_memory or "MEM" in sources,
        cap_kg_ha=cap,
        treated_share=share,
        inputs={
            "method": ("one dose where the test is low", "", sources[0]),
            f"mean {key}": (case.surfaces[key].mean, "mg/kg", case.method(key)),
            "norm": (norm.norm, f"mg/kg, {norm.method}", norm.source),
            "dose": (float(rule(np.zeros(1), norm)[0]), unit_of(key), sources[0]),
            "ceiling": (cap if cap else "none", unit_of(key), "PRACT"),
        },
        steps=_dose_steps(case, key, amendment, rule, norm, sources, hold),
    )


def _dose_steps(
    case: Case,
    key: str,
    amendment: str,
    rule: Callable[[Array, Norm], Array],
    norm: Norm,
    sources: tuple[str, ...],
    hold: Hold,
) -> Steps:
    """The rule at a place's mean: leaf and decision, norm, one dose or none."""
    share, unit = case.treated_share(amendment), unit_of(key)

    def steps(values: Mapping[str, float], _cells: Mask | None) -> tuple[Link, ...]:
        dose = float(rule(np.asarray(values[key]), norm))
        side = "below" if dose > 0 else "not below"
        said = f"{values[key]:.3g} mg/kg is {side} {norm.norm:g}: {kg_words(dose)} {unit} treated"
        links = [
            *hold.links,
            Link("table row", norm.row, norm.norm, "mg/kg", (norm.source,), norm.from_memory),
            Link("rule", said, dose, unit, sources, "MEM" in sources),
        ]
        if share < 1:
            links.append(Link("treated strip", f"x {share:.2f}, treated over block area", share))
        said = f"{kg_words(dose * share)} {unit} at this mean"
        return (*links, Link("requirement", said, dose * share, unit))

    return steps
