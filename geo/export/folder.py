"""All files of a run, in one folder."""

from __future__ import annotations

from pathlib import Path

from geo.export.geotiff import write_surfaces
from geo.export.isoxml import write_task_data
from geo.export.kml import write_zones_kml
from geo.export.layers import SpreadLayer, short_name, spread_layers
from geo.export.readme import SPREAD_TWICE, already_spread, readme_text
from geo.export.seasonfile import write_season_file
from geo.export.shapefile import ShapefileReport, write_shapefile
from geo.export.tables import write_rates
from geo.export.vectors import write_zones_geojson, write_zones_geopackage
from geo.export.workbook import write_workbook
from geo.season import Season


def write_season(season: Season, folder: Path) -> None:
    """Write every file that needs no drawing: surfaces, zones, spreader files, rates, season.json.

    Raises
    ------
    ExportError
        If a file cannot meet the limits of its readers, or does not pass its check.
    """
    folder.mkdir(parents=True, exist_ok=True)
    cloud = season.settings.grid.cloud
    write_surfaces(season.surfaces, folder / "surfaces.tif", season.season, cloud=cloud)
    if season.zone_maps:
        write_zones_geopackage(season, folder / "zones.gpkg")
        write_zones_geojson(season, folder / "zones.geojson")
        write_zones_kml(season, folder / "zones.kml")
    reports = write_spreader(season, folder / "spreader")
    write_rates(season, folder / "rates.csv")
    write_workbook(season, folder / "rates.xlsx")
    write_season_file(season, folder / "season.json", reports)


def write_spreader(season: Season, folder: Path) -> dict[str, list[ShapefileReport]]:
    """Write `spreader/<material>/`: shapefiles, task data, readme.txt; what was measured."""
    by_material: dict[str, list[SpreadLayer]] = {}
    for layer in spread_layers(season):
        by_material.setdefault(layer.material, []).append(layer)
    reports: dict[str, list[ShapefileReport]] = {}
    for material, layers in by_material.items():
        place = folder / material
        place.mkdir(parents=True)
        taken: set[str] = set()
        written = [
            (
                layer,
                write_shapefile(layer, place, short_name(layer, taken), season.settings.controller),
            )
            for layer in layers
        ]
        reports[material] = [report for _, report in written]
        grids_kg = write_task_data(
            layers,
            place,
            season.settings.name,
            version=season.settings.controller.isoxml_version,
            grid_type=season.settings.controller.isoxml_grid or None,
            cell_m=season.settings.spreader_of(season.block.name).width_m,
        )
        flags = [r.from_memory for r in season.prescription.rates if r.material == material]
        twice = already_spread(r for r in season.prescription.rates if r.material == material)
        warnings = (" ".join([SPREAD_TWICE, *twice]),) if twice else ()
        cautions = (*warnings, *season.prescription.cautions)
        text = readme_text(written, season.settings, cautions, flags, grids_kg)
        (place / "readme.txt").write_text(text, encoding="ascii", newline="")
    return reports
