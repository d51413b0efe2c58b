"""The demo farm: files of an invented farm, and the script that makes them."""

from importlib.resources import files as _resources
from pathlib import Path

#: Files in the order in which they are added; outlines first, without a season.
OUTLINES = ("outline_poel.shp", "outline_kniee.geojson", "outline_werfie.kml")
SEASON_FILES = {
    2024: (
        "gps_2024.csv",
        "lab_2024.csv",
        "applications_2024.csv",
        "applied_zones_2024.geojson",
        "asapplied_lime_2024.csv",
    ),
    2025: ("lab_2025.csv", "tissue_2024_25.csv"),
}


def files() -> Path:
    """The folder of the shipped files."""
    return Path(str(_resources("demo_geodata"))) / "ombervale"
