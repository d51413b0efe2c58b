"""The lime methods that a laboratory's report allows, in order of trust, each with its steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geo.chain import Link, kg_words
from geo.grids import Array
from geo.lookup import properties
from geo.requirements import lime
from geo.requirements.case import Case
from geo.requirements.shared import Layer, method_is
from geo.units import cmol_of, ton_ac_from_t_ha

Values = Mapping[str, Array]
LIMITS = "lime_limits"

#: pH scale -> (key, action level) in the order in which they are trusted.
SCALES = (
    ("ph_water", "action_ph_water"),
    ("ph_kcl", "action_ph_kcl"),
    ("ph_cacl2", "action_ph_cacl2"),
)


@dataclass(frozen=True)
class Method:
    """One lime method that this laboratory's report allows.

    `rate` takes soil values by key and gives pure lime for the amended layer [kg/ha]; `rows` the
    rows of its table that a place's values fall between, if it has one.
    """

    name: str
    keys: tuple[str, ...]
    rate: Callable[[Values], Array]
    formula: str
    sources: tuple[str, ...]
    from_memory: bool
    rows: Callable[[Mapping[str, float]], tuple[Link, ...]] = lambda _: ()

    def links(self, values: Mapping[str, float], layer: Layer) -> tuple[Link, ...]:
        """The method's steps at a place's values."""
        arrays = {key: np.asarray(values[key]) for key in self.keys}
        kg_ha = float(self.rate(arrays))
        given = ", ".join(f"{properties()[key].name} {values[key]:.3g}" for key in self.keys)
        return (
            Link("method", f"Lime by {self.name}", sources=self.sources),
            *self.rows(values),
            Link(
                "rule",
                f"{self.formula}: with {given} this asks {kg_words(kg_ha)} kg/ha of pure, fine "
                f"calcium carbonate for {layer.depth_cm:g} cm with {layer.stones_pct:g} % stones",
                kg_ha,
                "kg/ha pure fine calcium carbonate",
                self.sources,
                self.from_memory,
            ),
        )


def action_of(key: str) -> str:
    """Name in lime_limits.csv of a pH scale's action level."""
    return next(name for scale, name in SCALES if scale == key)


def lime_methods(case: Case, ph_key: str, target: float) -> tuple[list[Method], list[str]]:
    """Every method the report allows, in order of trust, and what had to be asked."""
    layer = lime_layer(case)
    methods, questions = [], []
    buffer = case.method("buffer_ph")
    if case.measured("buffer_ph"):
        found = _buffer_methods(case, ph_key, target, layer, buffer)
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
        methods.append(_base_saturation(case, layer))
    clay = case.clay_pct
    if clay is not None:
        methods.append(_texture(case, ph_key, target, layer, clay))
    return [m for m in methods if case.measured(*m.keys)], questions


def lime_layer(case: Case) -> Layer:
    """The amended layer; lime left on the surface is not scaled up past the table's own depth."""
    layer = case.amended_layer
    if case.incorporated("lime") or case.block.site.amended_depth_cm:
        return layer
    depth = min(layer.depth_cm, case.figure(LIMITS, "osu_depth").value)
    return Layer(depth, layer.bulk_density_mg_m3, layer.stones_pct)


def _buffer_methods(
    case: Case, ph_key: str, target: float, layer: Layer, buffer: str
) -> list[Method]:
    if method_is(buffer, "Sikora"):
        return [_table_method(case, "sikora", "Sikora", target, layer)]
    if method_is(buffer, "SMP"):
        # Sikora's buffer was made to read like SMP, and its table was seen; the SMP table was not.
        both = [_table_method(case, "sikora", "Sikora", target, layer)]
        if target in lime.buffer_table("smp", case.tables).columns:
            both.append(_table_method(case, "smp", "SMP", target, layer))
        return both
    if ph_key != "ph_water":
        return []
    if method_is(buffer, "Mehlich"):
        return [_mehlich(case, target, layer)]
    if method_is(buffer, "Adams"):
        return [_adams_evans(case, target, layer)]
    return []


def _table_method(case: Case, name: str, words: str, target: float, layer: Layer) -> Method:
    table = lime.buffer_table(name, case.tables)
    lowest = table.lowest_ph

    def rate(values: Values) -> Array:
        # A draw below the last row counts as that row; whether samples lie there is asked apart.
        tonnes = lime.buffer_lime_t_ha(np.maximum(values["buffer_ph"], lowest), target, table)
        return lime.for_layer(tonnes, layer, table.depth_cm)

    formula = f"{words} table at the buffer pH, x depth/{table.depth_cm:g} cm x (1 - stones)"
    name_said = f"the {words} buffer ({table.source})"
    return Method(
        name_said,
        ("buffer_ph",),
        rate,
        formula,
        (table.source,),
        table.from_memory,
        lambda values: table_rows(values["buffer_ph"], target, table),
    )


def _mehlich(case: Case, target: float, layer: Layer) -> Method:
    depth = case.figure(LIMITS, "mehlich_depth").value
    target = min(target, case.figure(LIMITS, "mehlich_ph").value)

    def rate(values: Values) -> Array:
        acidity = lime.mehlich_acidity(values["buffer_ph"], case.tables)
        tonnes = lime.mehlich_lime_t_ha(acidity, values["ph_water"], target, case.tables)
        return lime.for_layer(tonnes, layer, depth)

    formula = "4 (6.6 - buffer pH) (target - pH)/(6.6 - pH) ton/ac"
    # The depth of the table was not seen, so the flag stands although the formula was.
    return Method(
        "the Mehlich buffer (NCDA)", ("buffer_ph", "ph_water"), rate, formula, ("NCDA",), True
    )


def _adams_evans(case: Case, target: float, layer: Layer) -> Method:
    depth = case.figure(LIMITS, "adams_evans_depth").value
    density = case.figure(LIMITS, "adams_evans_bulk_density").value

    def rate(values: Values) -> Array:
        tonnes = lime.adams_evans_lime_t_ha(
            values["buffer_ph"], values["ph_water"], target, case.tables
        )
        return lime.for_layer(tonnes, layer, depth, density)

    formula = "8000 (8.00 - buffer pH)/Hs1 (Hs1 - Hs2) 1.5 lb/ac"
    keys = ("buffer_ph", "ph_water")
    return Method("the Adams-Evans buffer", keys, rate, formula, ("MEM", "AUB-AE"), True)


def _eksteen(case: Case, layer: Layer) -> Method:
    organic = np.asarray(case.organic_matter_pct if case.organic_matter_pct else np.nan)
    depth = case.figure(LIMITS, "eksteen_depth").value

    def rate(values: Values) -> Array:
        ca, mg = cmol_of("ca", values["ca"]), cmol_of("mg", values["mg"])
        tonnes = lime.eksteen_lime_t_ha(values["exch_acidity"], ca, mg, organic, case.tables)
        return lime.for_layer(tonnes, layer, depth)

    formula = "(10 H - (Ca + Mg)) 0.727 t/ha in 30 cm, to pH(KCl) 5.5 (1.25 Ca where Ca:Mg < 6)"
    keys = ("exch_acidity", "ca", "mg")
    return Method("acidity at pH 7 (Eksteen)", keys, rate, formula, ("SAWINE",), False)


def _base_saturation(case: Case, layer: Layer) -> Method:
    aim = case.figure(LIMITS, "base_saturation_grape")
    depth = case.figure(LIMITS, "base_saturation_depth").value
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
    texture = lime.lime_texture(clay, case.tables)
    carbon = np.asarray(case.mean("oc") if case.mean("oc") is not None else np.nan)
    depth = case.figure(LIMITS, "texture_depth").value
    # The rise is published for pH(CaCl2); a difference of pH is taken on the scale at hand.
    aim = target if ph_key == "ph_water" else case.figure(LIMITS, action_of(ph_key)).value

    def rate(values: Values) -> Array:
        tonnes = lime.texture_lime_t_ha(values[ph_key], aim, texture, carbon, case.tables)
        return lime.for_layer(tonnes, layer, depth)

    formula = f"(target - pH)/rise of a {texture}, per 10 cm; rise published for pH(CaCl2)"
    return Method(f"pH and texture ({texture})", (ph_key,), rate, formula, ("SFS",), False)


def table_rows(buffer_ph: float, target: float, table: lime.BufferTable) -> tuple[Link, ...]:
    """The printed rows on both sides of a buffer pH, in the columns on both sides of the target."""
    targets = sorted(table.columns)
    columns = {max(t for t in targets if t <= target), min(t for t in targets if t >= target)}
    links = []
    for column in sorted(columns):
        rows, amounts = table.columns[column]
        above = int(np.clip(np.searchsorted(rows, buffer_ph), 1, len(rows) - 1))
        links += [
            Link(
                "table row",
                f"lime_requirement.csv: {table.buffer}, buffer pH {rows[i]:g} to pH {column:g}: "
                f"{ton_ac_from_t_ha(float(amounts[i])):.2g} ton/ac ({float(amounts[i]):.2f} t/ha) "
                f"in {table.depth_cm:.1f} cm",
                float(amounts[i]),
                "t/ha",
                (table.source,),
                table.from_memory,
            )
            for i in (above - 1, above)
        ]
    return tuple(links)


def alternatives(
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
