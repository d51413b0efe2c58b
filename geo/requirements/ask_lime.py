"""Lime of a block: the method follows what the laboratory reported; all possible ones are shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from geo.chain import Link, Steps, kg_words
from geo.grids import Array, Mask
from geo.reasons import About, Reason
from geo.requirements import lime
from geo.requirements.case import Answer, Case, Input, layer_inputs, neutralizing_of
from geo.requirements.lime_methods import (
    LIMITS,
    SCALES,
    Method,
    action_of,
    alternatives,
    lime_layer,
    lime_methods,
    table_rows,
)
from geo.requirements.nutrients import find_norm

UNIT = "kg/ha pure fine calcium carbonate"


def ask_lime(case: Case) -> Answer:
    """What the lime rules ask of a block."""
    scale = next(((k, name) for k, name in SCALES if case.measured(k)), None)
    if scale is None:
        return Answer(
            "lime", UNIT, "no_data", "pH was not analysed: no lime rate.", (), sources=("PRACT",)
        )
    key, action_name = scale
    target = _target_ph(case)
    action = case.figure(LIMITS, action_name).value
    if key == "ph_water":
        action = min(action, target)
    if case.lowest(key) >= action:
        return _none_needed(case, key, action)
    methods, questions = lime_methods(case, key, target)
    if not methods:
        why = "No lime method fits what was analysed: a buffer pH, acidity, or clay is needed."
        return Answer(
            "lime", UNIT, "no_data", " ".join([why, *questions]), (key,), sources=("PRACT",)
        )
    return _answer(case, key, action, target, methods, questions)


def _answer(
    case: Case,
    key: str,
    action: float,
    target: float,
    methods: Sequence[Method],
    questions: Sequence[str],
) -> Answer:
    chosen = methods[0]
    share = case.treated_share("lime")
    keys = tuple(dict.fromkeys((key, *chosen.keys)))
    credit, said = lime_credit(case)

    def rule(*values: Array) -> Array:
        drawn = dict(zip(keys, values, strict=True))
        due = np.where(drawn[key] < action, chosen.rate(drawn), 0.0)
        return np.asarray(np.maximum(due - credit, 0.0) * share)

    held = _beyond_table(case, chosen)
    clay = case.clay_pct
    product, kind_said = _kind_of_lime(case)
    return Answer(
        "lime",
        UNIT,
        "held" if held else "rate",
        held or "",
        keys,
        draws=case.put_through(keys, rule),
        reasons=(
            f"Lime by {chosen.name}, to pH {target:g}, where pH is below {action:g}.",
            kind_said,
            *_planting_asked(case),
            *said,
            *questions,
            *case.own_decisions("lime"),
        ),
        sources=tuple(dict.fromkeys((*chosen.sources, "UGAWGP", "PRACT", "OSU9057"))),
        from_memory=chosen.from_memory or case.figure(LIMITS, action_of(key)).from_memory,
        cap_kg_ha=lime.pass_cap_kg_ha(
            clay, incorporated=case.incorporated("lime"), tables=case.tables
        ),
        treated_share=share,
        inputs={
            **_inputs(case, key, action, target, chosen),
            "product": (product, kind_said, "SAWINE"),
        },
        alternatives=alternatives(case, key, action, methods),
        steps=_steps(case, key, action, chosen, credit),
    )


def _steps(case: Case, key: str, action: float, method: Method, credit: Array) -> Steps:
    """The rule at a place's mean values: gate, method, what has not reacted, treated strip."""
    layer, share = lime_layer(case), case.treated_share("lime")
    source = (case.figure(LIMITS, action_of(key)).source,)

    def steps(values: Mapping[str, float], cells: Mask | None) -> tuple[Link, ...]:
        found = method.links(values, layer)
        due = values[key] < action
        side = "below" if due else "not below"
        none = "" if due else ": at this mean the rule asks for none"
        gate = Link("rule", f"pH {values[key]:.2f} is {side} {action:g}{none}", sources=source)
        kg_ha = float(found[-1].value or 0.0) if due else 0.0
        links = [gate, *found]
        held = credit if cells is None or credit.size == 1 else credit[cells]
        credited = float(held.mean())
        if credited > 0:
            said = f"{kg_words(credited)} kg/ha of lime on file has not reacted yet: taken off"
            links.append(Link("credit", said, credited, UNIT, ("PRACT",)))
        kg_ha = max(kg_ha - credited, 0.0) * share
        if share < 1:
            links.append(Link("treated strip", f"x {share:.2f}, treated over block area", share))
        links.append(
            Link("requirement", f"{kg_words(kg_ha)} {UNIT} at these mean values", kg_ha, UNIT)
        )
        return tuple(links)

    return steps


def _planting_asked(case: Case) -> list[str]:
    if case.established is not None:
        return []
    return [
        "Are vines standing here, or is it before planting? Until farm.toml says, the lower target "
        "of standing vines is used; more can follow."
    ]


def _kind_of_lime(case: Case) -> tuple[str, str]:
    """Material key of the lime that fits, and why (default order of 1.10)."""
    norm = find_norm("mg", case.block.site.crop, "NH4OAc", case.clay_pct, None, case.tables)
    enough = norm.norm if norm else case.figure(LIMITS, "dolomite_mg").value
    why = lime.dolomite_reason(
        case.mean("ca_mg"), case.mean("mg"), case.clay_pct, enough, case.tables
    )
    if why is not None:
        return "dolomitic_lime", f"Dolomitic lime by default: {why}."
    return "calcitic_lime", "Calcitic lime: magnesium is sufficient, or nothing asks for dolomite."


def _target_ph(case: Case) -> float:
    """Target pH in water: the farm's own, else by whether vines stand."""
    if case.block.site.target_ph is not None:
        return case.block.site.target_ph
    # Not known whether vines stand: the lower target, which can be added to.
    name = "before_planting" if case.established is False else "established"
    return case.figure(LIMITS, f"target_ph_water_{name}").value


def _none_needed(case: Case, key: str, action: float) -> Answer:
    mean = case.surfaces[key].mean
    why = f"No lime here: pH {mean:.1f} is above where lime helps ({action:g})."
    source = case.figure(LIMITS, action_of(key)).source
    return Answer(
        "lime",
        UNIT,
        "none_needed",
        why,
        (key,),
        reasons=tuple(case.own_decisions("lime")),
        sources=tuple(source.split("+")),
        inputs={"mean pH": (mean, "pH", "laboratory"), "action pH": (action, "pH", source)},
    )


def lime_credit(case: Case) -> tuple[Array, list[Reason]]:
    """Lime on file that has not reacted yet, place by place, and what is said of it. [kg/ha]"""
    credit, said = np.zeros(1), []
    for record in case.spread_before("lime"):
        if not record.applied_on or not record.rate_kg_ha:
            continue
        months = (case.sampled_on - record.applied_on).days / 30.4375
        mixed = "incorporated" in record.placement.lower()
        share = lime.not_reacted_share(months, incorporated=mixed, tables=case.tables)
        if share <= 0:
            continue
        pure = record.rate_kg_ha * neutralizing_of(record, case.tables) / 100 * share
        if record.where_lonlat:
            credit = credit + pure * case.covered(record.where_lonlat)
        else:
            # No outline on file: the tonnes are on the block, so they count over all of it.
            part = (record.area_ha or case.block.area_ha) / case.block.area_ha
            credit = credit + pure * min(1.0, part)
        where = f", {record.zone}" if record.zone else ""
        told = (
            f"Lime of {record.applied_on} ({record.rate_kg_ha:g} kg/ha{where}): "
            f"{100 * share:.0f} % has not reacted yet and is credited."
        )
        said.append(Reason(told, About.CREDIT))
    return credit, said


def _beyond_table(case: Case, method: Method) -> str | None:
    """Why a buffer below the last printed row has no rate."""
    for name in ("sikora", "smp"):
        if f"the {name}" not in method.name.lower():
            continue
        lowest = lime.buffer_table(name, case.tables).lowest_ph
        below = int(np.sum(case.samples("buffer_ph") < lowest))
        if below:
            return (
                f"{below} samples read a buffer pH below {lowest:g}, where the table ends: ask the "
                "laboratory or an adviser, it is not stretched."
            )
    return None


def _inputs(case: Case, key: str, action: float, target: float, method: Method) -> dict[str, Input]:
    own = "farm" if case.block.site.target_ph is not None else "PRACT"
    inputs: dict[str, Input] = {
        "method": (method.name, "", method.sources[0]),
        "formula": (method.formula, "", method.sources[0]),
        "action pH": (action, "pH", case.figure(LIMITS, action_of(key)).source),
        "target pH": (target, "pH", own),
        **layer_inputs(lime_layer(case)),
    }
    for name in dict.fromkeys((key, *method.keys)):
        surface = case.surfaces[name]
        inputs[f"mean {name}"] = (surface.mean, surface.unit, case.method(name) or "laboratory")
    if "buffer_ph" in method.keys and "table" in method.formula:
        table = lime.buffer_table("sikora" if "Sikora" in method.name else "smp", case.tables)
        for link in table_rows(case.surfaces["buffer_ph"].mean, target, table):
            inputs[link.says.rpartition(": ")[0].partition(": ")[2]] = (
                link.says.rpartition(": ")[2],
                "",
                table.source,
            )
    return inputs
