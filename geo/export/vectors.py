"""zones.gpkg and zones.geojson: zones with hectares, property means and rates."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import shapely
from shapely import MultiPolygon
from shapely.geometry import mapping

from geo.export.layers import to_lonlat
from geo.export.seasonfile import plain
from geo.prescription import Rate
from geo.season import Season
from geo.zones import Zone, ZoneMap

#: GDAL stamps a GeoPackage with the time of writing; this one stands for "no time".
NO_TIME = "2000-01-01T00:00:00.000Z"
#: Digits of a degree in GeoJSON (1e-7 degree is about a centimetre).
DIGITS = 7

Row = dict[str, Any]


def zone_rows(season: Season, zone_map: ZoneMap) -> list[tuple[Row, MultiPolygon]]:
    """Attributes and outline (block CRS) of each zone of one material's map."""
    rates = {r.zone_id: r for r in season.prescription.rates if r.amendment == zone_map.amendment}
    return [(_zone_row(zone, rates.get(zone.zone_id)), zone.outline) for zone in zone_map.zones]


def _zone_row(zone: Zone, rate: Rate | None) -> Row:
    row: Row = {"zone": zone.zone_id, "hectares": round(zone.area_ha, 4)}
    if rate is not None:
        row |= {
            "material": rate.material,
            "rate_kg_ha": rate.rate_kg_ha,
            "low_kg_ha": rate.low_kg_ha,
            "high_kg_ha": rate.high_kg_ha,
            "total_kg": round(rate.rate_kg_ha * zone.area_ha, 1),
        }
    for key, mean in zone.means.items():
        row |= {key: _significant(mean.value), f"{key}_sd": _significant(mean.sd)}
    return row


def _significant(value: float) -> float:
    return float(f"{value:.4g}")


def layer_names(season: Season) -> Mapping[str, str]:
    """Amendment -> layer name: the material chosen, or the amendment where none was."""
    names = {zone_map.amendment: zone_map.amendment for zone_map in season.zone_maps}
    return names | {rate.amendment: rate.material for rate in season.prescription.rates}


def overlay_rows(season: Season) -> list[tuple[Row, MultiPolygon]]:
    """The common map: the one chosen, else every zone map laid over the others."""
    maps = [zone_map for zone_map in season.zone_maps if zone_map.amendment != "all"]
    common = [zone_map for zone_map in season.zone_maps if zone_map.amendment == "all"]
    if common:
        return zone_rows(season, common[0])
    names = layer_names(season)
    pieces: list[tuple[Row, Any]] = [({}, season.block.outline)]
    for zone_map in maps:
        rates = {
            r.zone_id: r for r in season.prescription.rates if r.amendment == zone_map.amendment
        }
        pieces = [
            (row | _overlay_row(names[zone_map.amendment], zone, rates.get(zone.zone_id)), part)
            for row, shape in pieces
            for zone in zone_map.zones
            if (part := _polygons(shapely.intersection(shape, zone.outline))).area > 0.01
        ]
    return [({"zone": number} | row, shape) for number, (row, shape) in enumerate(pieces, start=1)]


def _overlay_row(name: str, zone: Zone, rate: Rate | None) -> Row:
    row: Row = {f"{name}_zone": zone.zone_id}
    return row | ({f"{name}_kg_ha": rate.rate_kg_ha} if rate is not None else {})


def _polygons(shape: Any) -> MultiPolygon:
    """The areal parts of an intersection; touching edges leave lines and points behind."""
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return MultiPolygon(parts)


def all_layers(season: Season) -> Iterable[tuple[str, list[tuple[Row, MultiPolygon]]]]:
    """(layer name, rows) of every layer: one a material, then `all`."""
    names = layer_names(season)
    for zone_map in season.zone_maps:
        if zone_map.amendment != "all":
            yield names[zone_map.amendment], zone_rows(season, zone_map)
    if season.zone_maps:
        yield "all", overlay_rows(season)


def write_zones_geopackage(season: Season, path: Path) -> None:
    """Write zones.gpkg (OGC GeoPackage 1.3), in the block's metric CRS."""
    import geopandas
    import pyogrio

    # A new file beside others of the run: it need not wait for the disk after every layer.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": NO_TIME, "OGR_SQLITE_SYNCHRONOUS": "OFF"})
    for number, (name, rows) in enumerate(all_layers(season)):
        frame = geopandas.GeoDataFrame(
            [row for row, _ in rows],
            geometry=[multi(shape) for _, shape in rows],
            crs=season.block.crs,
        )
        pyogrio.write_dataframe(
            frame,
            path,
            layer=name,
            driver="GPKG",
            append=number > 0,
            dataset_options={"VERSION": "1.3"},
            layer_options={"SPATIAL_INDEX": "NO"},
            geometry_type="MultiPolygon",
            promote_to_multi=False,
        )


def multi(shape: Any) -> MultiPolygon:
    """A shape as a multipolygon, so that a layer has one geometry type."""
    return shape if isinstance(shape, MultiPolygon) else MultiPolygon([shape])


def write_zones_geojson(season: Season, path: Path) -> None:
    """Write zones.geojson (RFC 7946: WGS84, outer rings counter-clockwise, no `crs` member)."""
    features = [
        {
            "type": "Feature",
            "properties": {"layer": name} | plain(row),
            "geometry": _rfc7946(to_lonlat(multi(shape), season.block.crs)),
        }
        for name, rows in all_layers(season)
        for row, shape in rows
    ]
    collection = {"type": "FeatureCollection", "features": features}
    path.write_text(
        json.dumps(collection, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )


def _rfc7946(shape: Any) -> dict[str, Any]:
    """GeoJSON geometry, rings turned as section 3.1.6 asks, coordinates rounded."""
    turned = shapely.orient_polygons(shape, exterior_cw=False)
    geometry = mapping(turned)
    return {"type": geometry["type"], "coordinates": _rounded(geometry["coordinates"])}


def _rounded(coordinates: Any) -> Any:
    if isinstance(coordinates[0], float):
        return [round(c, DIGITS) for c in coordinates]
    return [_rounded(part) for part in coordinates]
