"""Elemental sulfur of a block: gate first, then free lime, then the lowest published table."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from geo.chain import Link, Steps, kg_words
from geo.grids import Array, Mask
from geo.requirements import sulfur
from geo.requirements.case import Answer, Case, Input, layer_inputs, share_above
from geo.requirements.shared import sulfur_texture

UNIT = "kg/ha S"
LIMITS = "sulfur_limits"

#: A place this often above the action level is worth a question (common practice, no source).
LIKELY = 0.25
SOURCES = ("KSTATE", "SUP-S", "WFH", "CHEM", "PRACT")


def ask_sulfur(case: Case) -> Answer:
    """What the sulfur rules ask of a block."""
    if not case.measured("ph_water"):
        why = "pH in water was not analysed: no sulfur rate."
        return Answer("sulfur", UNIT, "no_data", why, (), sources=("PRACT",))
    action = case.figure(LIMITS, "action_ph_water")
    mean = case.surfaces["ph_water"].mean
    alkaline = case.figure(LIMITS, "gate_ph_water").value
    near = float(np.nanmax(case.samples("ph_water"), initial=0.0)) >= alkaline
    high = case.highest("ph_water") > action.value and _likely_above(case, action.value)
    if (near or high) and (gate := _gate(case)):
        return _without_rate(case, "held", f"Sulfur is held: {gate}. Have CaCO3 % measured.")
    if not high:
        why = f"No sulfur here: pH {mean:.1f} is not above {action.value:g}."
        return _without_rate(case, "none_needed", why)
    free_lime = case.block.site.free_lime_pct
    free_lime = free_lime if free_lime is not None else case.mean("caco3")
    first = float(
        sulfur.free_lime_sulfur_kg_ha(np.asarray(free_lime or 0.0), case.amended_layer, case.tables)
    )
    if sulfur.not_worthwhile(first, case.tables):
        why = (
            f"Sulfur would first have to use up {free_lime:g} % free lime, "
            f"{first / 1000:.1f} t/ha. "
            "Not worthwhile: acidify the drip strip, use acid-forming nitrogen, chelated iron or a "
            "rootstock that stands lime."
        )
        return _without_rate(case, "not_worthwhile", why)
    return _answer(case, first)


def _likely_above(case: Case, action_ph: float) -> bool:
    """Whether any place is above the action level often enough to ask for a CaCO3 test."""
    return bool(np.any(share_above(case.draw("ph_water"), action_ph) > LIKELY))


def _gate(case: Case) -> str | None:
    free_lime = case.block.site.free_lime_pct
    if free_lime is None:
        free_lime = case.mean("caco3")
    years = [
        (case.sampled_on - record.applied_on).days / 365.25
        for record in case.spread_before("lime")
        if record.applied_on
    ]
    return sulfur.free_lime_gate(case.samples("ph_water"), free_lime, years, case.tables)


def _without_rate(case: Case, kind: str, why: str) -> Answer:
    mean = case.surfaces["ph_water"].mean
    return Answer(
        "sulfur",
        UNIT,
        kind,
        why,
        ("ph_water",),
        reasons=tuple(case.own_decisions("sulfur")),
        sources=("PRACT", "CHEM"),
        inputs={"mean pH": (mean, "pH", "laboratory")},
    )


def _answer(case: Case, free_lime_kg_ha: float) -> Answer:
    texture, layer = sulfur_texture(case.clay_pct, case.tables), case.amended_layer
    target = case.block.site.target_ph or case.figure(LIMITS, "target_ph_water").value
    share = case.treated_share("sulfur")

    def rule(ph: Array) -> Array:
        low, _ = sulfur.buffer_sulfur_kg_ha(ph, texture, target, layer, case.tables)
        return np.where(low > 0, low + free_lime_kg_ha, 0.0) * share

    mean = np.asarray(case.surfaces["ph_water"].mean)
    tables = sulfur.table_sulfur_kg_ha(mean, texture, target, layer, case.tables)
    spans = {name: float(amount) for name, amount in tables.items() if np.isfinite(amount)}
    span = f"{min(spans.values()):.0f} to {max(spans.values()):.0f} kg S/ha"
    lead = case.figure(LIMITS, "oxidised_300_mesh_48_days_14_c").value
    return Answer(
        "sulfur",
        UNIT,
        "rate",
        "",
        ("ph_water",),
        draws=case.put_through(["ph_water"], rule),
        reasons=(
            f"Published tables for {texture} disagree at this pH: {span}. The lowest is used.",
            "Sulfur works through soil life over months, in warm moist soil: "
            f"{lead:g} % of the finest had turned in 48 days at 14 C.",
            "Test the soil again before a second pass.",
            *case.own_decisions("sulfur"),
        ),
        sources=SOURCES,
        from_memory=True,  # one of the tables that the lowest is taken of is from memory
        cap_kg_ha=sulfur.pass_cap_kg_ha(case.clay_pct, case.tables),
        treated_share=share,
        inputs=_inputs(case, texture, target, free_lime_kg_ha),
        alternatives=spans,
        steps=_steps(case, texture, target, free_lime_kg_ha),
    )


def _steps(case: Case, texture: str, target: float, free_lime_kg_ha: float) -> Steps:
    """The rule at a place's mean pH: gate, free lime, each published table, the lowest."""
    layer, share = case.amended_layer, case.treated_share("sulfur")
    action = case.figure(LIMITS, "action_ph_water")

    def steps(values: Mapping[str, float], _cells: Mask | None) -> tuple[Link, ...]:
        ph = np.asarray(values["ph_water"])
        due = values["ph_water"] > action.value
        side = "above" if due else "not above"
        gate = f"pH {values['ph_water']:.2f} is {side} {action.value:g}"
        links = [Link("rule", gate, sources=(action.source,))]
        lime = f"Free lime first takes {kg_words(free_lime_kg_ha)} kg S/ha (0.3203 x CaCO3 %)"
        links.append(Link("rule", lime, free_lime_kg_ha, UNIT, ("CHEM",)))
        for name, amount in sulfur.table_sulfur_kg_ha(
            ph, texture, target, layer, case.tables
        ).items():
            if np.isfinite(amount):
                said = (
                    f"sulfur_requirement.csv: table {name.replace('_', ' ')}, {texture}, to pH "
                    f"{target:g}: {kg_words(float(amount))} kg S/ha in {layer.depth_cm:g} cm"
                )
                links.append(Link("table row", said, float(amount), UNIT, SOURCES[:3]))
        low, _ = sulfur.buffer_sulfur_kg_ha(ph, texture, target, layer, case.tables)
        kg_ha = (float(low) + free_lime_kg_ha) * share if low > 0 else 0.0
        said = f"Lowest table and free lime: {kg_words(kg_ha)} {UNIT} at this mean pH"
        links.append(Link("requirement", said, kg_ha, UNIT, SOURCES))
        return tuple(links)

    return steps


def _inputs(case: Case, texture: str, target: float, free_lime_kg_ha: float) -> dict[str, Input]:
    return {
        "method": ("lowest of the published tables", "", "PRACT"),
        "formula": ("0.3203 x CaCO3 % x bulk density x depth + table at the pH", "", "CHEM"),
        "texture": (texture, "", "PRACT"),
        "mean ph_water": (case.surfaces["ph_water"].mean, "pH", case.method("ph_water")),
        "target pH": (target, "pH", "SUP-S"),
        "free lime takes": (free_lime_kg_ha, "kg S/ha", "CHEM"),
        **layer_inputs(case.amended_layer),
    }
