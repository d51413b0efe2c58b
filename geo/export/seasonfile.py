"""season.json: everything a run found, as data."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from geo.export.layers import layer_hectares
from geo.export.shapefile import ShapefileReport
from geo.planning.elsewhere import models_document
from geo.prescribing.chances import zone_chances
from geo.prescribing.purchase import purchase_list, spend_first
from geo.prescription import Rate
from geo.reasons import about_of
from geo.requirements.draws import Requirement
from geo.season import Season
from geo.surfaces import Surface
from geo.zones import ZoneMap

#: The shape of the document; it grows by keys, this number changes only if one changes its meaning.
SCHEMA = 1
#: Libraries whose version can change a figure.
LIBRARIES = ("soilquilt", "numpy", "scipy", "shapely", "pyproj", "rasterio")


def write_season_file(
    season: Season, path: Path, spreader: Mapping[str, list[ShapefileReport]]
) -> None:
    """Write season.json; text equal for equal input, with no time of writing in it."""
    document = season_document(season, spreader)
    path.write_text(
        json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n",
        encoding="utf-8",
    )


def season_document(
    season: Season, spreader: Mapping[str, list[ShapefileReport]] | None = None
) -> dict[str, Any]:
    """Everything of a season but the grids, as plain data."""
    block, checked, plan = season.block, season.checked, season.prescription
    document: dict[str, Any] = plain(
        {
            "schema": SCHEMA,
            "versions": season_versions(),
            "block": {
                "name": block.name,
                "folder": block.slug,
                "crs": block.crs,
                "area_ha": block.area_ha,
                "area_is": "geodesic, WGS84 ellipsoid; used for rates and buying",
                "planar_area_ha": block.outline.area / 10_000,
                "site": block.site,
            },
            "season": season.season,
            "layer_cm": checked.samples.depth_cm,
            "settings": {
                "grid": season.settings.grid,
                "spreader": season.settings.spreader_of(block.name),
                "controller": season.settings.controller,
                "costs": season.settings.costs,
                "currency": season.settings.currency,
                "units": season.settings.units,
            },
            "samples": {
                "stations": len(checked.usable),
                "laboratory": checked.samples.laboratory,
                "methods": checked.samples.methods,
                "not_analysed": checked.samples.not_analysed,
                "open": checked.open,
                "left_out": checked.left_out,
                "censored": [
                    {"sample": sample, "key": key, "sign": sign, "limit": limit}
                    for (sample, key), (sign, limit) in checked.censored.items()
                ],
            },
            "findings": checked.findings,
            "ratings": {
                "block": season.ratings.block,
                "critical": season.ratings.critical,
                "classes": season.ratings.classes,
                "soil": season.ratings.soil,
                "tissue": season.ratings.tissue,
                "notes": season.ratings.notes,
            },
            "surfaces": {key: _surface(surface) for key, surface in season.surfaces.items()},
            "models": models_document(season, season_versions()),
            "requirements": [_requirement(r) for r in season.requirements],
            "zones": [_zone_map(zone_map, season) for zone_map in season.zone_maps],
            "rates": [_rate(rate) for rate in plan.rates],
            "uniform": plan.uniform,
            "held": plan.held,
            "totals_kg": plan.totals_kg,
            "costs": plan.costs,
            "purchase": [
                {**plain(line), "packing": line.packing}
                for line in purchase_list([plan], season.settings)
            ],
            "spend_first": spend_first(plan),
            "conflicts": plan.conflicts,
            "order": plan.order,
            "cautions": plan.cautions,
            "spreader": spreader or {},
        }
    )
    return document


def _surface(surface: Surface) -> dict[str, Any]:
    record = {
        field.name: getattr(surface, field.name)
        for field in dataclasses.fields(surface)
        if field.name
        not in {
            "grid",
            "estimate",
            "kriging_sd",
            "low",
            "high",
            "chance_wrong_side",
            "belief",
            "crossvalidation",
        }
    }
    if surface.crossvalidation is not None:
        record["leave_one_out"] = {
            "skill": surface.crossvalidation.skill,
            "error": surface.crossvalidation.error,
            "predicted": surface.crossvalidation.predicted,
        }
    return record


def _rate(rate: Rate) -> dict[str, Any]:
    """A rate, and beside its reasons what each is about."""
    record = {field.name: getattr(rate, field.name) for field in dataclasses.fields(rate)}
    return record | {"reasons_about": [about_of(reason).value for reason in rate.reasons]}


def _requirement(requirement: Requirement) -> dict[str, Any]:
    record = {
        field.name: getattr(requirement, field.name)
        for field in dataclasses.fields(requirement)
        if field.name not in {"grid", "draws", "steps"}
    }
    return record | {"quantile": requirement.quantile}


def _zone_map(zone_map: ZoneMap, season: Season) -> dict[str, Any]:
    return {
        "amendment": zone_map.amendment,
        "verdict": zone_map.verdict,
        "why": zone_map.why,
        "saving_pct": zone_map.saving_pct,
        "chance": zone_map.chance,
        "indices": zone_map.indices,
        "hectares": layer_hectares(zone_map),
        "zones": [
            {
                "zone": zone.zone_id,
                "area_ha": zone.area_ha,
                "rows": zone.rows,
                "means": zone.means,
                "chances": zone_chances(zone, season.ratings, season.surfaces),
            }
            for zone in zone_map.zones
        ],
    }


def season_versions() -> dict[str, str]:
    """Versions of all that can change a figure."""
    return {name: _version(name) for name in LIBRARIES}


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"


def plain(value: Any) -> Any:
    """A value as JSON can hold it: records as objects, arrays as lists, NaN as null."""
    if value is None or type(value) in (str, int, bool):  # most of a season, so asked first
        return value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(one) for one in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    return str(value)
