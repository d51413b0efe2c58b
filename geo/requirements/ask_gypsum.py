"""Gypsum of a block: where sodium sits on the clay and can leave with the water."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from geo.chain import Link, Steps, kg_words
from geo.grids import Array, Mask
from geo.requirements import gypsum
from geo.requirements.case import Answer, Case, Input, layer_inputs
from geo.requirements.shared import Layer
from geo.water import SODIUM_SOURCES, sodium_words

UNIT = "kg/ha pure gypsum"


def ask_gypsum(case: Case) -> Answer:
    """What the gypsum rules ask of a block."""
    cec_key = next((key for key in ("cec", "ecec") if case.measured(key)), None)
    if cec_key is None or not case.measured("esp"):
        why = "Exchangeable sodium and the other bases were not all analysed: no gypsum rate."
        return Answer("gypsum", UNIT, "no_data", why, (), sources=("OSTER",))
    trigger = case.figure("gypsum", "trigger_esp").value
    mean = case.surfaces["esp"].mean
    if case.highest("esp") <= trigger:
        why = f"No gypsum here: ESP {mean:.1f} % is below {trigger:g}{_watch(case)}."
        return _without_rate(case, "none_needed", why)
    if stop := _stop(case):
        return _without_rate(case, "held", f"Gypsum is held: {stop}.")
    return _answer(case, cec_key)


def _watch(case: Case) -> str:
    """Words between the two published triggers."""
    watch = case.figure("gypsum", "watch_esp").value
    return "; above 6, so watch structure and water" if case.surfaces["esp"].mean > watch else ""


def _stop(case: Case) -> str | None:
    least = case.figure("gypsum", "trigger_clay").value
    if case.clay_pct is None:
        return f"is there more than {least:g} % clay? Enter clay_pct in farm.toml or analyse it"
    if case.clay_pct <= least:
        return f"{case.clay_pct:.0f} % clay is not above {least:g} %, where sodium does little harm"
    return gypsum.drainage_question(case.block.site.drainage)


def _water_said(case: Case) -> list[str]:
    """What the irrigation water does to the sodium of the soil."""
    said = sodium_words(case.block.site, case.figure("gypsum", "final_esp").value)
    return [said] if said else []


def _without_rate(case: Case, kind: str, why: str) -> Answer:
    return Answer(
        "gypsum",
        UNIT,
        kind,
        why,
        ("esp",),
        reasons=(*_water_said(case), *case.own_decisions("gypsum")),
        sources=("SASOIL", "PRACT"),
        inputs={"mean ESP": (case.surfaces["esp"].mean, "%", "laboratory")},
    )


def _answer(case: Case, cec_key: str) -> Answer:
    layer = _layer(case)
    share = case.treated_share("gypsum")

    def rule(esp: Array, cec: Array) -> Array:
        return share * gypsum.gypsum_requirement_kg_ha(
            esp,
            cec,
            depth_cm=layer.depth_cm,
            bulk_density_mg_m3=layer.bulk_density_mg_m3,
            stones_pct=layer.stones_pct,
            tables=case.tables,
        )

    trigger = case.figure("gypsum", "trigger_esp").value
    esp = case.samples("esp")
    high, all_samples = int(np.sum(esp > trigger)), int(np.isfinite(esp).sum())
    said = [f"ESP is above {trigger:g} % at {high} of {all_samples} samples; the aim is 5 %."]
    if cec_key == "ecec":
        said.append("CEC is the sum of bases and acidity (ECEC): it overstates ESP.")
    said.append("Upper limit: soluble sodium was not measured and is counted as if on the clay.")
    most = "cap_total" if case.established is False else "cap_pass_established"
    return Answer(
        "gypsum",
        UNIT,
        "rate",
        "",
        ("esp", cec_key),
        draws=case.put_through(["esp", cec_key], rule),
        reasons=(
            *said,
            "Water drains from here, as farm.toml says.",
            *_water_said(case),
            *case.own_decisions("gypsum"),
        ),
        sources=(
            *("OSTER", "SASOIL", "SAWINE", "PRACT"),
            *(SODIUM_SOURCES if _water_said(case) else ()),
        ),
        cap_kg_ha=case.figure("gypsum", most).value,
        cap_source=case.figure("gypsum", most).source,
        treated_share=share,
        inputs=_inputs(case, cec_key, layer),
        alternatives=_alternatives(case, cec_key, layer),
        steps=_steps(case, cec_key, layer),
    )


def _steps(case: Case, cec_key: str, layer: Layer) -> Steps:
    """The rule at a place's mean values: trigger, the equation of Oster, treated strip."""
    own = {name: case.figure("gypsum", name) for name in ("trigger_esp", "final_esp", "efficiency")}
    factor, share = case.figure("gypsum", "oster_factor").value, case.treated_share("gypsum")

    def steps(values: Mapping[str, float], _cells: Mask | None) -> tuple[Link, ...]:
        esp, cec = values["esp"], values[cec_key]
        kg_ha = share * float(
            gypsum.gypsum_requirement_kg_ha(
                np.asarray(esp),
                np.asarray(cec),
                depth_cm=layer.depth_cm,
                bulk_density_mg_m3=layer.bulk_density_mg_m3,
                stones_pct=layer.stones_pct,
                tables=case.tables,
            )
        )
        trigger = own["trigger_esp"]
        due = esp > trigger.value
        none = "" if due else ": at this mean the rule asks for none"
        gate = f"ESP {esp:.1f} % is {'above' if due else 'not above'} {trigger.value:g} %{none}"
        equation = (
            f"Equation of Oster: {factor:g} x {own['efficiency'].value:g} x "
            f"{layer.depth_cm / 100:g} m x {layer.bulk_density_mg_m3:g} Mg/m3 x CEC {cec:.2f} x "
            f"(ESP {esp:.1f} - {own['final_esp'].value:g})/100 x (1 - {layer.stones_pct:g}/100)"
        )
        return (
            Link("rule", gate, sources=(trigger.source,)),
            *([Link("rule", equation, sources=("OSTER",))] if due else []),
            Link(
                "requirement",
                f"{kg_words(kg_ha)} {UNIT} at these mean values",
                kg_ha,
                UNIT,
                ("OSTER",),
            ),
        )

    return steps


def _layer(case: Case) -> Layer:
    """The amended layer, at most as deep as gypsum goes in standing vines."""
    layer = case.amended_layer
    name = "depth_before_planting" if case.established is False else "depth_established"
    depth = min(layer.depth_cm, case.figure("gypsum", name).value)
    return Layer(depth, layer.bulk_density_mg_m3, layer.stones_pct)


def _alternatives(case: Case, cec_key: str, layer: Layer) -> dict[str, float]:
    """Rules of thumb on the same samples, mean over the block. [kg/ha]"""
    trigger, aim = (case.figure("gypsum", name).value for name in ("trigger_esp", "final_esp"))
    esp, cec = case.samples("esp"), case.samples(cec_key)
    sodium = np.where(esp > trigger, (esp - aim) / 100 * cec, 0.0)
    sodium = sodium[np.isfinite(sodium)]
    if not sodium.size:
        return {}
    rules = {"ALI11": "rule_t_ha_30cm", "SAWINE": "rule_t_ha_300mm"}
    return {
        f"rule of thumb ({source})": float(
            np.mean(
                gypsum.rule_gypsum_t_ha(sodium, layer.depth_cm, case.figure("gypsum", rule).value)
                * 1000
            )
        )
        for source, rule in rules.items()
    }


def _inputs(case: Case, cec_key: str, layer: Layer) -> dict[str, Input]:
    return {
        "method": ("equation of Oster", "", "OSTER"),
        "formula": ("8.6 F depth BD CEC (ESP - final ESP)/purity", "t/ha", "OSTER"),
        "efficiency F": (case.figure("gypsum", "efficiency").value, "1", "OSTER"),
        "trigger ESP": (case.figure("gypsum", "trigger_esp").value, "%", "SASOIL"),
        "final ESP": (case.figure("gypsum", "final_esp").value, "%", "PRACT"),
        "mean ESP": (case.surfaces["esp"].mean, "%", "laboratory"),
        f"mean {cec_key}": (case.surfaces[cec_key].mean, "cmol(+)/kg", "laboratory"),
        "clay": (case.clay_pct if case.clay_pct is not None else "not known", "%", "laboratory"),
        **layer_inputs(layer),
    }
