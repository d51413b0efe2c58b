"""Lime of a block: the method follows what the laboratory reported; all possible ones are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geo.grids import Array
from geo.requirements import lime
from geo.requirements.case import Answer, Case, Input, layer_inputs, neutralizing_of
from geo.requirements.nutrients import find_norm
from geo.requirements.shared import Layer, figure, figures, method_is
from geo.units import cmol_of, ton_ac_from_t_ha

UNIT = "kg/ha pure fine calcium carbonate"
Values = Mapping[str, Array]

#: pH scale -> (key, action level) in the order in which they are trusted.
SCALES = (
    ("ph_water", "action_ph_water"),
    ("ph_kcl", "action_ph_kcl"),
    ("ph_cacl2", "action_ph_cacl2"),
)


@dataclass(frozen=True)
class Method:
    """One lime method that this laboratory's report allows.

    `rate` takes soil values by key and gives pure lime for the amended layer [kg/ha].
    """

    name: str
    keys: tuple[str, ...]
    rate: Callable[[Values], Array]
    formula: str
    sources: tuple[str, ...]
    from_memory: bool


def ask_lime(case: Case) -> Answer:
    """What the lime rules ask of a block."""
    scale = next(((k, name) for k, name in SCALES if case.measured(k)), None)
    if scale is None:
        return Answer(
            "lime", UNIT, "no_data", "pH was not analysed: no lime rate.", (), sources=("PRACT",)
        )
    key, action_name = scale
    target = _target_ph(case)
    action = figure("lime_limits", action_name).value
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
    drawn = {name: case.draw(name) for name in keys}
    due = np.where(drawn[key] < action, chosen.rate(drawn), 0.0)
    credit, said = lime_credit(case)
    draws = np.maximum(due - credit, 0.0) * share
    held = _beyond_table(case, chosen)
    clay = case.clay_pct
    product, kind_said = _kind_of_lime(case)
    return Answer(
        "lime",
        UNIT,
        "held" if held else "rate",
        held or "",
        keys,
        draws=draws.astype(np.float32),
        reasons=(
            f"Lime by {chosen.name}, to pH {target:g}, where pH is below {action:g}.",
            kind_said,
            *_planting_asked(case),
            *said,
            *questions,
            *case.own_decisions("lime"),
        ),
        sources=tuple(dict.fromkeys((*chosen.sources, "UGAWGP", "PRACT", "OSU9057"))),
        from_memory=chosen.from_memory or figure("lime_limits", _action_of(key)).from_memory,
        cap_kg_ha=lime.pass_cap_kg_ha(clay, incorporated=case.incorporated("lime")),
        treated_share=share,
        inputs={
            **_inputs(case, key, action, target, chosen),
            "product": (product, kind_said, "SAWINE"),
        },
        alternatives=_alternatives(case, key, action, methods),
    )


def _planting_asked(case: Case) -> list[str]:
    if case.established is not None:
        return []
    return [
        "Are vines standing here, or is it before planting? Until farm.toml says, the lower target "
        "of standing vines is used; more can follow."
    ]


def _kind_of_lime(case: Case) -> tuple[str, str]:
    """Material key of the lime that fits, and why (default order of 1.10)."""
    norm = find_norm("mg", case.block.site.crop, "NH4OAc", case.clay_pct, None)
    enough = norm.norm if norm else figure("lime_limits", "dolomite_mg").value
    why = lime.dolomite_reason(case.mean("ca_mg"), case.mean("mg"), case.clay_pct, enough)
    if why is not None:
        return "dolomitic_lime", f"Dolomitic lime by default: {why}."
    return "calcitic_lime", "Calcitic lime: magnesium is sufficient, or nothing asks for dolomite."


def _action_of(key: str) -> str:
    return next(name for scale, name in SCALES if scale == key)


def _target_ph(case: Case) -> float:
    """Target pH in water: the farm's own, else by whether vines stand."""
    if case.block.site.target_ph is not None:
        return case.block.site.target_ph
    # Not known whether vines stand: the lower target, which can be added to.
    name = "before_planting" if case.established is False else "established"
    return figure("lime_limits", f"target_ph_water_{name}").value


def _none_needed(case: Case, key: str, action: float) -> Answer:
    mean = case.surfaces[key].mean
    why = f"No lime here: pH {mean:.1f} is above where lime helps ({action:g})."
    name = _action_of(key)
    return Answer(
        "lime",
        UNIT,
        "none_needed",
        why,
        (key,),
        reasons=tuple(case.own_decisions("lime")),
        sources=tuple(figure("lime_limits", name).source.split("+")),
        inputs={"mean pH": (mean, "pH", "laboratory"), "action pH": (action, "pH", "UGAWGP")},
    )


def lime_methods(case: Case, ph_key: str, target: float) -> tuple[list[Method], list[str]]:
    """Every method the report allows, in order of trust, and what had to be asked."""
    layer = _lime_layer(case)
    methods, questions = [], []
    buffer = case.method("buffer_ph")
    if case.measured("buffer_ph"):
        found = _buffer_methods(ph_key, target, layer, buffer)
        methods += found
        if method_is(buffer, "SMP"):
            questions.append(
                "SMP buffer pH is read by the Sikora table, which was made to match it (means of "
                "14 fields differ by 0.07, PM12); the SMP table we hold is from memory."
            )
        if not found:
            questions.append(
                f"Which buffer is {buffer or 'the buffer pH'} (Sikora, SMP, Mehlich, "
                "Adams-Evans)? Until it is known it makes no rate."
            )
    acidity = case.method("exch_acidity")
    if case.measured("exch_acidity") and method_is(acidity, "KCl"):
        questions.append("Acidity in KCl is not acidity at pH 7: it makes no rate.")
    elif case.measured("exch_acidity", "ca", "mg"):
        methods.append(_eksteen(case, layer))
    if case.measured("base_saturation") and case.measured("ecec"):
        methods.append(_base_saturation(layer))
    clay = case.clay_pct
    if clay is not None:
        methods.append(_texture(case, ph_key, target, layer, clay))
    return [m for m in methods if case.measured(*m.keys)], questions


def _lime_layer(case: Case) -> Layer:
    """The amended layer; lime left on the surface is not scaled up past the table's own depth."""
    layer = case.amended_layer
    if case.incorporated("lime") or case.block.site.amended_depth_cm:
        return layer
    depth = min(layer.depth_cm, figure("lime_limits", "osu_depth").value)
    return Layer(depth, layer.bulk_density_mg_m3, layer.stones_pct)


def _buffer_methods(ph_key: str, target: float, layer: Layer, buffer: str) -> list[Method]:
    if method_is(buffer, "Sikora"):
        return [_table_method("sikora", "Sikora", target, layer)]
    if method_is(buffer, "SMP"):
        # Sikora's buffer was made to read like SMP, and its table was seen; the SMP table was not.
        both = [_table_method("sikora", "Sikora", target, layer)]
        if target in lime.buffer_table("smp").columns:
            both.append(_table_method("smp", "SMP", target, layer))
        return both
    if ph_key != "ph_water":
        return []
    if method_is(buffer, "Mehlich"):
        return [_mehlich(target, layer)]
    if method_is(buffer, "Adams"):
        return [_adams_evans(target, layer)]
    return []


def _table_method(name: str, words: str, target: float, layer: Layer) -> Method:
    table = lime.buffer_table(name)
    lowest = table.lowest_ph

    def rate(values: Values) -> Array:
        # A draw below the last row counts as that row; whether samples lie there is asked apart.
        tonnes = lime.buffer_lime_t_ha(np.maximum(values["buffer_ph"], lowest), target, table)
        return lime.for_layer(tonnes, layer, table.depth_cm)

    formula = f"{words} table at the buffer pH, x depth/{table.depth_cm:g} cm x (1 - stones)"
    name_said = f"the {words} buffer ({table.source})"
    return Method(name_said, ("buffer_ph",), rate, formula, (table.source,), table.from_memory)


def _mehlich(target: float, layer: Layer) -> Method:
    own = figures("lime_limits")
    target = min(target, own["mehlich_ph"].value)

    def rate(values: Values) -> Array:
        acidity = lime.mehlich_acidity(values["buffer_ph"])
        tonnes = lime.mehlich_lime_t_ha(acidity, values["ph_water"], target)
        return lime.for_layer(tonnes, layer, own["mehlich_depth"].value)

    formula = "4 (6.6 - buffer pH) (target - pH)/(6.6 - pH) ton/ac"
    # The depth of the table was not seen, so the flag stands although the formula was.
    return Method(
        "the Mehlich buffer (NCDA)", ("buffer_ph", "ph_water"), rate, formula, ("NCDA",), True
    )


def _adams_evans(target: float, layer: Layer) -> Method:
    own = figures("lime_limits")
    depth = own["adams_evans_depth"].value
    density = own["adams_evans_bulk_density"].value

    def rate(values: Values) -> Array:
        tonnes = lime.adams_evans_lime_t_ha(values["buffer_ph"], values["ph_water"], target)
        return lime.for_layer(tonnes, layer, depth, density)

    formula = "8000 (8.00 - buffer pH)/Hs1 (Hs1 - Hs2) 1.5 lb/ac"
    keys = ("buffer_ph", "ph_water")
    return Method("the Adams-Evans buffer", keys, rate, formula, ("MEM", "AUB-AE"), True)


def _eksteen(case: Case, layer: Layer) -> Method:
    organic = np.asarray(case.organic_matter_pct if case.organic_matter_pct else np.nan)
    depth = figure("lime_limits", "eksteen_depth").value

    def rate(values: Values) -> Array:
        ca, mg = cmol_of("ca", values["ca"]), cmol_of("mg", values["mg"])
        tonnes = lime.eksteen_lime_t_ha(values["exch_acidity"], ca, mg, organic)
        return lime.for_layer(tonnes, layer, depth)

    formula = "(10 H - (Ca + Mg)) 0.727 t/ha in 30 cm, to pH(KCl) 5.5 (1.25 Ca where Ca:Mg < 6)"
    keys = ("exch_acidity", "ca", "mg")
    return Method("acidity at pH 7 (Eksteen)", keys, rate, formula, ("SAWINE",), False)


def _base_saturation(layer: Layer) -> Method:
    aim = figure("lime_limits", "base_saturation_grape")
    depth = figure("lime_limits", "base_saturation_depth").value
    density = layer.bulk_density_mg_m3

    def rate(values: Values) -> Array:
        tonnes = lime.base_saturation_lime_t_ha(
            values["ecec"] * density, values["base_saturation"], aim.value
        )
        return lime.for_layer(tonnes, layer, depth)

    formula = f"CEC ({aim.value:g} - V)/100 t/ha in 20 cm, CEC = bases + acidity"
    keys = ("ecec", "base_saturation")
    return Method("base saturation", keys, rate, formula, ("BRTEACH", aim.source), True)


def _texture(case: Case, ph_key: str, target: float, layer: Layer, clay: float) -> Method:
    texture = lime.lime_texture(clay)
    carbon = np.asarray(case.mean("oc") if case.mean("oc") is not None else np.nan)
    depth = figure("lime_limits", "texture_depth").value
    # The rise is published for pH(CaCl2); a difference of pH is taken on the scale at hand.
    aim = target if ph_key == "ph_water" else figure("lime_limits", _action_of(ph_key)).value

    def rate(values: Values) -> Array:
        tonnes = lime.texture_lime_t_ha(values[ph_key], aim, texture, carbon)
        return lime.for_layer(tonnes, layer, depth)

    formula = f"(target - pH)/rise of a {texture}, per 10 cm; rise published for pH(CaCl2)"
    return Method(f"pH and texture ({texture})", (ph_key,), rate, formula, ("SFS",), False)


def lime_credit(case: Case) -> tuple[Array, list[str]]:
    """Lime on file that has not reacted yet, place by place, and what is said of it. [kg/ha]"""
    credit, said = np.zeros(1), []
    for record in case.spread_before("lime"):
        if not record.applied_on or not record.rate_kg_ha:
            continue
        months = (case.sampled_on - record.applied_on).days / 30.4375
        mixed = "incorporated" in record.placement.lower()
        share = lime.not_reacted_share(months, incorporated=mixed)
        if share <= 0:
            continue
        pure = record.rate_kg_ha * neutralizing_of(record) / 100 * share
        if record.where_lonlat:
            credit = credit + pure * case.covered(record.where_lonlat)
        else:
            # No outline on file: the tonnes are on the block, so they count over all of it.
            part = (record.area_ha or case.block.area_ha) / case.block.area_ha
            credit = credit + pure * min(1.0, part)
        said.append(
            f"Lime of {record.applied_on} ({record.rate_kg_ha:g} kg/ha"
            f"{', ' + record.zone if record.zone else ''}): {share:.0%} has not reacted yet and "
            "is credited."
        )
    return credit, said


def _beyond_table(case: Case, method: Method) -> str | None:
    """Why a buffer below the last printed row has no rate."""
    for name in ("sikora", "smp"):
        if f"the {name}" not in method.name.lower():
            continue
        lowest = lime.buffer_table(name).lowest_ph
        below = int(np.sum(case.samples("buffer_ph") < lowest))
        if below:
            return (
                f"{below} samples read a buffer pH below {lowest:g}, where the table ends: ask the "
                "laboratory or an adviser, it is not stretched."
            )
    return None


def _alternatives(
    case: Case, key: str, action: float, methods: Sequence[Method]
) -> dict[str, float]:
    """Mean over the samples by every method, the chosen one first. [kg/ha]"""
    found = {}
    ph = case.samples(key)
    for method in methods:
        values = {name: case.samples(name) for name in {key, *method.keys}}
        rates = np.where(ph < action, method.rate(values), 0.0)
        rates = rates[np.isfinite(rates) & np.isfinite(ph)]
        if rates.size:
            found[method.name] = float(rates.mean())
    return found


def _inputs(case: Case, key: str, action: float, target: float, method: Method) -> dict[str, Input]:
    own = "farm" if case.block.site.target_ph is not None else "PRACT"
    inputs: dict[str, Input] = {
        "method": (method.name, "", method.sources[0]),
        "formula": (method.formula, "", method.sources[0]),
        "action pH": (action, "pH", figure("lime_limits", _action_of(key)).source),
        "target pH": (target, "pH", own),
        **layer_inputs(_lime_layer(case)),
    }
    for name in dict.fromkeys((key, *method.keys)):
        surface = case.surfaces[name]
        inputs[f"mean {name}"] = (surface.mean, surface.unit, case.method(name) or "laboratory")
    if "buffer_ph" in method.keys and "table" in method.formula:
        inputs |= _table_rows(case.surfaces["buffer_ph"].mean, target, method)
    return inputs


def _table_rows(buffer_ph: float, target: float, method: Method) -> dict[str, Input]:
    """The printed rows on both sides of a buffer pH."""
    table = lime.buffer_table("sikora" if "Sikora" in method.name else "smp")
    column = max(t for t in table.columns if t <= target)
    rows, amounts = table.columns[column]
    above = int(np.clip(np.searchsorted(rows, buffer_ph), 1, len(rows) - 1))
    return {
        f"table row: buffer pH {rows[i]:g} to pH {column:g}": (
            round(ton_ac_from_t_ha(float(amounts[i])), 2),
            f"ton/ac ({float(amounts[i]):.2f} t/ha)",
            table.source,
        )
        for i in (above - 1, above)
    }
