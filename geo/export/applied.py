"""applied.csv: what is on record as spread in a season, zone by zone, beside what was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from geo.asapplied import AsApplied, as_applied, by_zone
from geo.export.tables import csv_text
from geo.farm import Records
from geo.grids import grid_over
from geo.season import Season

COLUMNS = (
    "block",
    "amendment",
    "zone",
    "hectares",
    "asked_kg_ha",
    "planned_kg_ha",
    "done_kg_ha",
    "done_sd_kg_ha",
    "done_kg",
    "logged_pct",
    "note",
)


def season_applied(season: Season, records: Records) -> tuple[AsApplied, ...]:
    """Each amendment on record in the season's year, on the grid of the surfaces."""
    mine = [
        one
        for one in records.applications
        if one.applied_on is not None
        and one.applied_on.year == season.season
        and one.rate_kg_ha is not None
    ]
    surfaces = list(season.surfaces.values())
    block, settings = season.block, season.settings
    grid = (
        surfaces[0].grid
        if surfaces
        else grid_over(block.outline, block.crs, settings.grid.spacing_m)
    )
    width_m = settings.spreader_of(block.name).width_m
    names = dict.fromkeys(one.amendment for one in mine if one.rate_kg_ha and one.amendment)
    return tuple(as_applied(name, mine, records.logged, block, grid, width_m) for name in names)


def write_applied(season: Season, applied: Sequence[AsApplied], path: Path) -> None:
    """Write applied.csv; nothing where nothing is on record."""
    rows = applied_rows(season, applied)
    if rows:
        path.write_text(csv_text(COLUMNS, rows), encoding="utf-8", newline="")


def applied_rows(season: Season, applied: Sequence[AsApplied]) -> list[dict[str, Any]]:
    """A row a zone and amendment, then one for the block."""
    return [row for one in applied for row in _rows(season, one)]


def _rows(season: Season, one: AsApplied) -> list[dict[str, Any]]:
    block = season.block
    asked = {r.zone_id: r for r in season.prescription.rates if r.amendment == one.amendment}
    zone_map = next((z for z in season.zone_maps if z.amendment == one.amendment), None)
    zones = () if zone_map is None or len(zone_map.zones) < 2 else zone_map.zones
    parts: list[tuple[str, float, Any, float | None]] = [
        (str(z.zone_id), z.area_ha, z.outline, asked[z.zone_id].rate_kg_ha if asked else None)
        for z in zones
    ]
    total = sum(r.rate_kg_ha * r.area_ha for r in asked.values()) / block.area_ha
    parts.append(("all", block.area_ha, block.outline, total if asked else None))
    found = by_zone(one, [outline for _, _, outline, _ in parts])
    without = ", ".join(a.zone or a.product for a in one.unplaced)
    return [
        {
            "block": block.name,
            "amendment": one.amendment,
            "zone": name,
            "hectares": round(hectares, 4),
            "asked_kg_ha": None if rate is None else round(rate, 1),
            "planned_kg_ha": _rounded(done.planned_kg_ha),
            "done_kg_ha": _rounded(done.done_kg_ha),
            "done_sd_kg_ha": _rounded(done.sd_kg_ha),
            "done_kg": _rounded(done.done_kg_ha * hectares),
            "logged_pct": round(one.logged_share * 100) if name == "all" else None,
            "note": f"without a place, not counted: {without}" if without and name == "all" else "",
        }
        for (name, hectares, _, rate), done in zip(parts, found, strict=True)
    ]


def _rounded(value: float) -> float | None:
    return round(value, 1) if np.isfinite(value) else None
