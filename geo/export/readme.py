"""readme.txt beside the spreader files: units, totals, how to calibrate, what to beware of."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence

from geo.export.layers import SpreadLayer, written_rate
from geo.export.shapefile import ShapefileReport
from geo.prescription import Rate
from geo.reasons import About, reasons_about
from geo.settings import Settings
from geo.units import KG_PER_LB, M_PER_FT, acres_from_ha

#: Side of the tray in the tray check. [m]
TRAY_M = 0.5
#: Said where no caution of the materials says it.
LOCAL_RULES = (
    "- Setbacks from water, wells and neighbours are local rules: ask the authority or a licensed "
    "adviser."
)
#: Said to whoever drives: rates come from the samples alone, so a driver could spread twice.
SPREAD_TWICE = "Do not spread twice: the rates do not count this."


def readme_text(
    layers: Sequence[tuple[SpreadLayer, ShapefileReport]],
    settings: Settings,
    cautions: Sequence[str],
    rate_from_memory: Iterable[bool] = (),
    grids_kg: Sequence[float] = (),
) -> str:
    """Text for the person at the controller, ASCII, CRLF.

    It says what the file cannot: the unit of the rates, what happens outside the zones, and how
    much should come out along 100 m (or 100 ft) of row, in the farm's units; `rate_from_memory`
    flags figures nobody has seen; `grids_kg` is what the cells of a task file's grid give, where
    it has one.
    """
    first, _ = layers[0]
    unit = settings.controller.rate_unit
    lines = [
        f"Block: {first.block.name}",
        f"Farm: {settings.name}",
        f"Season: {first.season}",
        f"Product: {first.material.replace('_', ' ')}",
        "",
        "Units are not stored in the shapefile. Set the controller to:",
        f"  rate field {settings.controller.rate_field}, unit {unit}, product as spread (moist).",
        "Datum: WGS84. Copy the files to the top folder of the stick, not into a subfolder.",
        "Machines that read ISO 11783-10 take the folder TASKDATA instead, as it is.",
        "Outside the zones the plan says nothing: set the rate outside the map to 0.",
        "",
    ]
    for layer, report in layers:
        lines += _layer_lines(layer, report, settings)
    for (layer, _), kg in zip(layers, grids_kg, strict=False):
        more = 100 * (kg / layer.total_kg - 1) if layer.total_kg else 0.0
        lines += [
            f"The grid in TASKDATA gives {_mass(kg, settings)}, {more:+.1f} % against the plan: "
            "whole cells cannot follow a border.",
            "",
        ]
    if any(rate_from_memory):
        lines += ["A figure behind these rates is from memory: check it before spreading.", ""]
    lines += ["Cautions", *(f"- {caution}" for caution in cautions)]
    if not any("local rule" in caution for caution in cautions):
        lines.append(LOCAL_RULES)
    lines.append("")
    return "\r\n".join(_ascii(line) for line in lines)


def already_spread(rates: Iterable[Rate]) -> tuple[str, ...]:
    """What the ground got of this amendment since it was sampled, each record in a sentence."""
    reasons = (reason for rate in rates for reason in rate.reasons)
    return tuple(dict.fromkeys(reasons_about(reasons, About.SPREAD_SINCE)))


def _layer_lines(layer: SpreadLayer, report: ShapefileReport, settings: Settings) -> list[str]:
    unit = settings.controller.rate_unit
    swath_m = settings.spreader_of(layer.block.name).width_m
    head = f"File {report.name}.shp" + (
        f" - pass {layer.pass_number} of {layer.passes}" if layer.passes > 1 else ""
    )
    lines = [
        head,
        f"  {report.polygons} polygons (controller reads {settings.controller.max_polygons}), "
        f"{report.kilobytes:.0f} kB (reads {settings.controller.max_kb:g}).",
        f"  Area {_area(layer.area_ha, settings)} (on the ellipsoid), "
        f"product {_mass(layer.total_kg, settings)}.",
    ]
    if report.simplified_m:
        lines.append(f"  Outlines simplified by {report.simplified_m:g} m to fit the controller.")
    if report.joined_parts:
        lines.append(
            f"  {report.joined_parts} part(s) took the rate of a neighbour to fit the controller; "
            f"{_mass(report.moved_kg, settings)} go elsewhere than planned below."
        )
    for zone, rate in zip(layer.zones, layer.rates_kg_ha, strict=True):
        tray_g = rate * TRAY_M**2 / 10
        caught = f"{tray_g:.1f} g in a tray of {TRAY_M * 100:.0f} x {TRAY_M * 100:.0f} cm"
        out = f"{_along(rate, swath_m, settings)}; {caught}" if rate > 0 else "closed"
        lines.append(
            f"  Zone {zone.zone_id}: {written_rate(rate, unit):g} {unit}"
            f"{_beside(rate, unit, settings)}, "
            f"{_area(zone.area_ha, settings)}, {_mass(rate * zone.area_ha, settings)}; {out}."
        )
    return [*lines, ""]


def _beside(rate_kg_ha: float, unit: str, settings: Settings) -> str:
    """The rate as the farm counts, where its controller counts otherwise."""
    own = "lb/ac" if settings.units == "us" else "kg/ha"
    return "" if own == unit or not rate_kg_ha else f" ({written_rate(rate_kg_ha, own):g} {own})"


def _area(hectares: float, settings: Settings) -> str:
    us = settings.units == "us"
    return f"{acres_from_ha(hectares):.2f} ac" if us else f"{hectares:.2f} ha"


def _mass(kg: float, settings: Settings) -> str:
    return f"{kg / KG_PER_LB:.0f} lb" if settings.units == "us" else f"{kg:.0f} kg"


def _along(kg_ha: float, swath_m: float, settings: Settings) -> str:
    """What should come out on a stretch of one swath."""
    kg = kg_ha * swath_m * 100 / 10_000
    if settings.units == "us":
        lb, feet = kg * M_PER_FT / KG_PER_LB, swath_m / M_PER_FT
        return f"{lb:.1f} lb per 100 ft at {feet:.1f} ft swath"
    return f"{kg:.1f} kg per 100 m at {swath_m:g} m swath"


def _ascii(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return plain.replace("\r", " ").replace("\n", " ")
