"""Lime: how much pure, fine calcium carbonate brings a soil to its target pH.

Each function is one published method, soil values in, t/ha out for the layer that the method is
about; `for_layer` carries it to the layer that is amended. Rates never rise with pH except at the
printed breaks: the end of a buffer table, its step between 5.8 and 5.7, and Ca:Mg 6 in Eksteen's
formula.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from geo.errors import TableError
from geo.grids import Array
from geo.lookup import Row, Tables, read_table
from geo.requirements.shared import Layer, figure
from geo.units import kg_ha_from_lb_ac, t_ha_from_ton_ac

LIMITS = "lime_limits"


@dataclass(frozen=True)
class BufferTable:
    """A printed table of lime by buffer pH and target pH.

    `columns` is target pH -> (buffer pH rising, lime in t/ha of pure, fine calcium carbonate).
    """

    buffer: str
    columns: Mapping[float, tuple[Array, Array]]
    depth_cm: float
    source: str
    from_memory: bool

    @property
    def lowest_ph(self) -> float:
        """The lowest buffer pH printed; below it the publisher is to be asked."""
        return float(min(rows[0] for rows, _ in self.columns.values()))


def buffer_table(buffer: str, tables: Tables | None = None) -> BufferTable:
    """The table of one buffer ("sikora" or "smp"), the farm's own before ours.

    Raises
    ------
    TableError
        If no table of that buffer is held.
    """
    if tables is None or not tables.changes("lime_requirement"):
        return _our_buffer_table(buffer)
    own = tables.added.get("lime_requirement", ())
    mine = any(row["buffer"] == buffer for row in own)
    # Rows of two tables are never mixed: they stand for different soils.
    return _buffer_table_of(buffer, own if mine else tables.rows("lime_requirement"))


@cache
def _our_buffer_table(buffer: str) -> BufferTable:
    return _buffer_table_of(buffer, read_table("lime_requirement"))


def _buffer_table_of(buffer: str, all_rows: Iterable[Row]) -> BufferTable:
    rows = [row for row in all_rows if row["buffer"] == buffer]
    if not rows:
        raise TableError(f"lime_requirement.csv holds no table for the buffer {buffer!r}.")
    columns = {}
    for target in sorted({float(row["target_ph"]) for row in rows}):
        column = sorted(
            (float(row["buffer_ph"]), t_ha_from_ton_ac(float(row["lime_ton_ac"])))
            for row in rows
            if float(row["target_ph"]) == target
        )
        columns[target] = (np.array([c[0] for c in column]), np.array([c[1] for c in column]))
    return BufferTable(
        buffer,
        columns,
        float(rows[0]["depth_in"]) * 2.54,
        rows[0]["source"],
        any(row["verified"] == "memory" for row in rows),
    )


def buffer_lime_t_ha(buffer_ph: Array, target_ph: float, table: BufferTable) -> Array:
    """Lime by buffer pH, read between neighbouring rows and columns of a printed table. [t/ha]

    Above the last row nothing; below the first NaN: the table does not say, ask its publisher.

    Raises
    ------
    TableError
        If the target lies outside the printed table.
    """
    targets = sorted(table.columns)
    if not targets[0] <= target_ph <= targets[-1]:
        raise TableError(
            f"The {table.buffer} table goes to pH {targets[0]:g} to {targets[-1]:g}, "
            f"not to {target_ph:g}. Set target_ph inside it."
        )
    below = max(t for t in targets if t <= target_ph)
    above = min(t for t in targets if t >= target_ph)
    lower = _column_t_ha(buffer_ph, *table.columns[below])
    if above == below:
        return lower
    upper = _column_t_ha(buffer_ph, *table.columns[above])
    share = (target_ph - below) / (above - below)
    return np.asarray(lower + share * (upper - lower))


def _column_t_ha(buffer_ph: Array, rows: Array, lime: Array) -> Array:
    return np.interp(buffer_ph, rows, lime, left=np.nan, right=0.0)


def mehlich_acidity(buffer_ph: Array, tables: Tables | None = None) -> Array:
    """Acidity from the Mehlich buffer, never below 0 (NCDA). [meq/100 cm3]"""
    factor, own_ph = (
        figure(LIMITS, name, tables).value for name in ("mehlich_factor", "mehlich_ph")
    )
    return np.maximum((own_ph - np.asarray(buffer_ph, dtype=float)) * factor, 0.0)


def mehlich_lime_t_ha(
    acidity: Array, ph_water: Array, target_ph: float, tables: Tables | None = None
) -> Array:
    """Lime by the Mehlich buffer: Ac (target - pH)/(6.6 - pH), before any credit (NCDA). [t/ha]

    Raises
    ------
    TableError
        If the target lies above the buffer's own pH.

    Examples
    --------
    >>> from geo.units import ton_ac_from_t_ha
    >>> round(ton_ac_from_t_ha(float(mehlich_lime_t_ha(1.2, 5.0, target_ph=6.0))), 3)
    0.75
    """
    own_ph = figure(LIMITS, "mehlich_ph", tables).value
    if target_ph > own_ph:
        raise TableError(f"The Mehlich buffer goes to pH {own_ph:g}; set target_ph inside it.")
    gap = own_ph - np.asarray(ph_water, dtype=float)
    # At and above the buffer's own pH the formula divides by nothing; no lime is due there.
    share = np.clip(1 - (own_ph - target_ph) / np.where(gap > 0, gap, np.inf), 0.0, None)
    return np.asarray(t_ha_from_ton_ac(np.where(gap > 0, acidity * share, 0.0)))


def adams_evans_saturation(ph: Array, tables: Tables | None = None) -> Array:
    """Share of the exchange sites that are acid: pH = 7.79 - 5.55 Hs + 2.27 Hs^2. [1]"""
    constant, linear, square = (
        figure(LIMITS, f"adams_evans_{name}", tables).value
        for name in ("constant", "linear", "square")
    )
    # The parabola turns at Hs = 1.22, pH 4.40; below it no share answers.
    root = np.sqrt(np.maximum(linear**2 - 4 * square * (constant - np.asarray(ph, float)), 0.0))
    return np.maximum((linear - root) / (2 * square), 0.0)


def adams_evans_lime_t_ha(
    buffer_ph: Array, ph_water: Array, target_ph: float, tables: Tables | None = None
) -> Array:
    """Lime by the Adams-Evans buffer, for kaolinitic soils of low CEC. [t/ha]

    8000 (8.00 - buffer pH)/Hs1 (Hs1 - Hs2) 1.5, lb/ac of CaCO3 in 2 000 000 lb of soil; the
    equation is from memory.
    """
    factor, own_ph, field = (
        figure(LIMITS, f"adams_evans_{name}", tables).value
        for name in ("factor", "buffer_ph", "field")
    )
    now, then = (adams_evans_saturation(np.asarray(ph), tables) for ph in (ph_water, target_ph))
    share = np.clip(1 - then / np.where(now > 0, now, np.inf), 0.0, None)
    acidity = np.maximum(own_ph - np.asarray(buffer_ph, dtype=float), 0.0)
    pounds = np.where(now > 0, factor * acidity * share * field, 0.0)
    return np.asarray(kg_ha_from_lb_ac(pounds) / 1000)


def eksteen_lime_t_ha(
    acidity: Array,
    ca: Array,
    mg: Array,
    organic_matter_pct: Array,
    tables: Tables | None = None,
) -> Array:
    """Lime for 30 cm by acidity measured at pH 7, to pH(KCl) 5.5 (SAWINE, pp. 28-30). [t/ha]

    Parameters
    ----------
    acidity, ca, mg : array
        Acidity (H) at pH 7, calcium and magnesium. [cmol(+)/kg]
    organic_matter_pct : array
        NaN counts as up to 1 %. [%]

    Examples
    --------
    >>> round(float(eksteen_lime_t_ha(1.2, 1.5, 0.2, 0.8)), 2)
    7.49
    """
    ratio, ca_share, turn, factor = (
        figure(LIMITS, f"eksteen_{name}", tables).value
        for name in ("ratio", "ca", "ca_mg", "factor")
    )
    ca, mg = np.asarray(ca, dtype=float), np.asarray(mg, dtype=float)
    bases = np.where(ca >= turn * mg, ca + mg, ca_share * ca)
    lime = np.maximum(ratio * np.asarray(acidity, dtype=float) - bases, 0.0) * factor
    return np.asarray(lime * _organic_multiplier(organic_matter_pct, tables))


def _organic_multiplier(organic_matter_pct: Array, tables: Tables | None) -> Array:
    steps = np.array([figure(LIMITS, f"eksteen_organic_{step}", tables).value for step in range(4)])
    step = np.nan_to_num(np.floor(np.asarray(organic_matter_pct, dtype=float)), nan=0.0)
    return np.asarray(steps[np.clip(step, 0, 3).astype(int)])


def base_saturation_lime_t_ha(
    cec_cmol_dm3: Array, saturation_pct: Array, target_pct: float
) -> Array:
    """Pure lime for 20 cm that lifts the base saturation: CEC (V2 - V1)/100 (BRTEACH). [t/ha]

    `cec_cmol_dm3` is CEC at pH 7, by volume of soil: cmol(+)/kg times bulk density.

    Examples
    --------
    >>> round(float(base_saturation_lime_t_ha(5.46, 8.42, target_pct=60)) / 0.80, 1)
    3.5
    """
    gap = np.maximum(target_pct - np.asarray(saturation_pct, dtype=float), 0.0)
    return np.asarray(cec_cmol_dm3 * gap / 100)


def texture_figures(quantity: str, tables: Tables | None = None) -> Mapping[str, float]:
    """Texture -> number of that name in lime_texture.csv, the farm's own before ours."""
    found: dict[str, float] = {}
    for row in (tables or Tables()).rows("lime_texture"):
        if row["quantity"] == quantity:
            found.setdefault(row["texture"], float(row["value"]))
    return found


def lime_texture(clay_pct: float, tables: Tables | None = None) -> str:
    """The texture of the pH-rise table that a clay content falls in.

    Examples
    --------
    >>> lime_texture(17.0)
    'sandy loam'
    """
    below = texture_figures("clay_below", tables)
    return next((t for t, limit in below.items() if clay_pct < limit), "clay")


def texture_lime_t_ha(
    ph: Array,
    target_ph: float,
    texture: str,
    carbon_pct: Array,
    tables: Tables | None = None,
) -> Array:
    """Lime for 10 cm by pH and texture alone, the last resort (SFS). [t/ha]

    (target - pH)/rise of pH(CaCl2) per t/ha, and 0.4 t/ha more where organic carbon is above 1.2 %.
    """
    rise = texture_figures("ph_rise", tables)[texture]
    gap = np.maximum(target_ph - np.asarray(ph, dtype=float), 0.0)
    rich = (
        np.nan_to_num(np.asarray(carbon_pct, float))
        > texture_figures("carbon_above", tables)["any"]
    )
    extra = np.where(rich & (gap > 0), texture_figures("extra_for_carbon", tables)["any"], 0.0)
    return np.asarray(gap / rise + extra)


def for_layer(
    lime_t_ha: Array, layer: Layer, depth_cm: float, bulk_density_mg_m3: float | None = None
) -> Array:
    """A method's lime carried from its own layer to the one that is amended, once. [kg/ha]"""
    return np.asarray(lime_t_ha * (1000 * layer.ratio_to(depth_cm, bulk_density_mg_m3)))


def neutralizing_pct(
    cce_pct: float, passing_pct: Mapping[int, float], scheme: str = "new_york"
) -> float:
    """Effective neutralizing value: CCE times what each sieve fraction is worth. [%]

    Parameters
    ----------
    cce_pct : float
        Calcium carbonate equivalent. [%]
    passing_pct : mapping
        Mesh -> share of the material that passes it. [%]
    scheme : str
        "new_york", "mississippi", "8-20-60" or "oregon" of fineness.csv.

    Raises
    ------
    TableError
        If the scheme is not known, or what passes one of its meshes is not given.

    Examples
    --------
    >>> round(neutralizing_pct(92, {20: 98, 60: 75, 100: 60}), 1)
    74.7
    """
    rows = [row for row in read_table("fineness") if row["scheme"] == scheme]
    if not rows:
        raise TableError(f"fineness.csv has no scheme {scheme!r}.")
    meshes = {int(row[k]) for row in rows for k in ("passing_mesh", "held_on_mesh") if row[k]}
    if missing := sorted(meshes - set(passing_pct)):
        raise TableError(f"The scheme {scheme} needs what passes mesh {missing[0]}.")
    effective = 0.0
    for row in rows:
        finer = passing_pct[int(row["passing_mesh"])] if row["passing_mesh"] else 100.0
        held = passing_pct[int(row["held_on_mesh"])] if row["held_on_mesh"] else 0.0
        effective += (finer - held) / 100 * float(row["factor"])
    return cce_pct * effective


def dolomite_reason(
    ca_mg_ratio: float | None,
    mg_mg_kg: float | None,
    clay_pct: float | None,
    enough_mg: float,
    tables: Tables | None = None,
) -> str | None:
    """Why the lime should be dolomitic; None where calcitic lime is right.

    Default order: magnesium low, or Ca:Mg (equivalents) above 6, or clay below 15 %, unless
    magnesium is above its sufficiency level. [mg/kg, 1, %]
    """
    if mg_mg_kg is not None and mg_mg_kg >= enough_mg:
        return None
    if mg_mg_kg is not None:
        return f"magnesium {mg_mg_kg:.0f} mg/kg is below {enough_mg:g}"
    most = figure(LIMITS, "dolomite_ca_mg", tables).value
    if ca_mg_ratio is not None and ca_mg_ratio > most:
        return f"Ca:Mg {ca_mg_ratio:.1f} is above {most:g}"
    least = figure(LIMITS, "dolomite_clay", tables).value
    if clay_pct is not None and clay_pct < least:
        return f"clay {clay_pct:.0f} % is below {least:g} %"
    return None


def not_reacted_share(months: float, *, incorporated: bool, tables: Tables | None = None) -> float:
    """Share of lime on file that has not reacted yet: straight lines from 1 over 0.5 to 0. [1]

    Examples
    --------
    >>> not_reacted_share(12, incorporated=True), not_reacted_share(18, incorporated=True)
    (0.5, 0.25)
    """
    name = "look_back_incorporated" if incorporated else "look_back_top_dressed"
    end = figure(LIMITS, name, tables)
    half = figure(LIMITS, "not_reacted_at_12_months", tables).value / 100
    return float(np.interp(months, [0.0, 12.0, end.value], [1.0, half, 0.0]))


def mehlich_credit_share(months: float, *, organic: bool = False) -> float:
    """Share of earlier lime still credited in the Mehlich scheme (sense from memory). [1]"""
    rate = figure(LIMITS, "mehlich_credit_organic" if organic else "mehlich_credit_mineral").value
    return max(0.0, 1 - rate / 100 * months)


def pass_cap_kg_ha(
    clay_pct: float | None, *, incorporated: bool, tables: Tables | None = None
) -> float:
    """Most pure lime in one pass, per treated hectare. [kg/ha]"""
    if incorporated:
        return figure(LIMITS, "cap_incorporated", tables).value
    heavy = clay_pct is not None and clay_pct >= figure(LIMITS, "cap_clay_from", tables).value
    return figure(LIMITS, "cap_top_dressed" if heavy else "cap_top_dressed_light", tables).value
