"""Outlines, what was spread between the samplings, and the tissue tests."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import RandomState
from shapely import Polygon, box, contains_xy, orient_polygons, transform
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry

from demo_geodata.fields import (
    BASE,
    LOCAL,
    NAMES,
    OUTLINE,
    ROW_AZIMUTH_DEG,
    STRIP_HALF_WIDTH_M,
    Floats,
    lime_rate_t_ha,
)
from demo_geodata.stations import to_lonlat

_LIME = ("calcitic lime, fine", "85 % CaCO3-eq; 34 % Ca; 95 % under 250 um")
_SULFUR = ("elemental sulfur", "90 % S")
_FULL = "surface, full width"
_SPEED_KMH = 5.0
_TURN_S = 40.0
#: Way that a change of the rate takes: 4 s at 5 km/h. [m]
_BEHIND_M = 5.5
# date, block, zone key, zone in words, product, analysis, rate, unit, placement, note
# fmt: off
_SPREAD = (
    ("2024-07-09", "A", "west", "x < -230", *_LIME, "3.2", "t/ha", _FULL, ""),
    ("2024-07-09", "A", "middle", "-230 <= x < -130", *_LIME, "1.6", "t/ha", _FULL, ""),
    ("2024-07-09", "A", "none", "x >= -130 and check strip", "none", "", "0", "t/ha", "",
     "check strip 14.4 m (6 rows) wide along the rows"),
    ("2024-07-15", "B", "foot", "x > 57 (foot)", "gypsum", "23 % Ca; 18.6 % S", "2.5", "t/ha",
     "surface", ""),
    ("2024-08-28", "B", "upright", "x <= 57 (upright)", "potassium sulfate 0-0-50",
     "41.5 % K; 18 % S", "250", "kg/ha", "band", "rate per full hectare"),
    ("2024-07-20", "C", "all", "all", *_SULFUR, "300", "kg/ha", "surface, raked in", "first pass"),
    ("2024-10-20", "C", "all", "all", *_SULFUR, "300", "kg/ha", "surface, raked in", "second pass"),
    ("2024-10-30", "A", "all", "all", "foliar zinc + boron", "", "2", "sprays", "leaf",
     "no soil effect"),
    ("2024-10-30", "B", "all", "all", "foliar zinc + boron", "", "2", "sprays", "leaf",
     "no soil effect"),
)
# fmt: on


def check_strip() -> Polygon:
    """The strip left without lime: 14.4 m wide along the rows through (-285, 60)."""
    az = math.radians(ROW_AZIMUTH_DEG)
    along, across = np.array([math.sin(az), math.cos(az)]), np.array([math.cos(az), -math.sin(az)])
    middle, far, half = np.array([-285.0, 60.0]), 500 * along, STRIP_HALF_WIDTH_M * across
    return Polygon([middle - far - half, middle + far - half, middle + far + half,
                    middle - far + half])  # fmt: skip


def zone(block: str, key: str) -> BaseGeometry:
    """A zone as spread, clipped to its block, in local metres."""
    outline, strip, far = OUTLINE[block], check_strip(), 1000.0
    shapes: dict[str, BaseGeometry] = {
        "west": box(-far, -far, -230, far) - strip,
        "middle": box(-230, -far, -130, far) - strip,
        "none": box(-130, -far, far, far) | strip,
        "foot": box(57, -far, far, far),
        "upright": box(-far, -far, 57, far),
        "all": outline,
    }
    return outline & shapes[key]


def write_applications(folder: Path) -> None:
    """The grower's record, and the zones of what went on the soil."""
    lines, features = ["date,block,zone,product,analysis,rate,unit,done_ha,placement,note"], []
    for date, block, key, words, product, analysis, rate, unit, placement, note in _SPREAD:
        shape = zone(block, key)
        area = f"{shape.area / 1e4:.3f}"
        cells = [date, NAMES[block], words, product, analysis, rate, unit, area, placement, note]
        lines.append(",".join(f'"{c}"' if "," in c else c for c in cells))
        if unit != "sprays":
            names = lines[0].split(",")
            properties: dict[str, Any] = dict(zip(names, cells, strict=True))
            properties |= {"rate": float(rate), "done_ha": float(area)}
            features.append(map_feature(shape, properties))
    _text(folder / "applications_2024.csv", "\n".join(lines) + "\n")
    _text(folder / "applied_zones_2024.geojson", feature_collection(features))


def write_outlines(folder: Path) -> None:
    """Three outlines in three formats."""
    write_poel(folder / "outline_poel.shp")
    knie = feature_collection([map_feature(OUTLINE["B"], {"name": NAMES["B"]})])
    _text(folder / "outline_kniee.geojson", knie)
    ring = to_lonlat(np.array(OUTLINE["C"].exterior.coords))
    places = " ".join(f"{lon:.9f},{lat:.9f},0" for lon, lat in ring)
    kml = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>\n'
        f"  <Placemark>\n    "
        f"<name>{NAMES['C']}</name>\n    <Polygon><outerBoundaryIs><LinearRing>\n"
        f"      <coordinates>{places}</coordinates>\n"
        "    </LinearRing></outerBoundaryIs></Polygon>\n  </Placemark>\n</Document>\n</kml>\n"
    )
    _text(folder / "outline_werfie.kml", kml)


def write_poel(path: Path, crs: str = "EPSG:2048") -> None:
    """The outline of Poel as a shapefile, attributes in cp1252, in any reference system."""
    import geopandas

    frame = geopandas.GeoDataFrame(
        {"NAME": [NAMES["A"]], "NOTE": ["sandy, pond beside Knieë"]},
        geometry=[OUTLINE["A"]],
        crs=LOCAL,
    )
    # by way of WGS84: LOCAL names no datum, and without one an older grid would not be shifted
    frame = frame.to_crs("EPSG:4326").to_crs(crs)
    # a fixed date in the DBF header, so that the same outline gives the same file
    frame.to_file(
        path, engine="pyogrio", encoding="cp1252", DBF_DATE_LAST_UPDATE="2024-05-02"
    )  # fmt: skip
    path.with_suffix(".cpg").write_bytes(b"1252")


def write_as_applied(path: Path) -> None:
    """The spreader's own log of the lime: one point each 2 m of every pass inside block A."""
    passes = list(_passes())
    target = np.concatenate([lime_rate_t_ha(xy) for xy, _ in passes])
    late = np.concatenate([lime_rate_t_ha(xy - _BEHIND_M * heading) for xy, heading in passes])
    actual = late * (1 + 0.06 * RandomState(BASE + 7000).standard_normal(len(late)))
    start = datetime(2024, 7, 9, 8, 5, tzinfo=timezone(timedelta(hours=2)))
    lines = ["time,lon,lat,speed_kmh,target_t_ha,actual_t_ha"]
    lonlat = to_lonlat(np.vstack([xy for xy, _ in passes]))
    for second, (lon, lat), wanted, got in zip(
        _seconds(passes), lonlat, target, actual, strict=True
    ):
        time = (start + timedelta(seconds=round(float(second)))).isoformat()
        lines.append(f"{time},{lon:.7f},{lat:.7f},{_SPEED_KMH:.1f},{wanted:.1f},{got:.3f}")
    _text(path, "\n".join(lines) + "\n")


def _passes() -> Iterator[tuple[Floats, Floats]]:
    """Points of each pass in driving order, and the unit vector it is driven along."""
    az = math.radians(ROW_AZIMUTH_DEG)
    along, across = np.array([math.sin(az), math.cos(az)]), np.array([math.cos(az), -math.sin(az)])
    corners = np.array(OUTLINE["A"].exterior.coords)
    u, v = corners @ across, corners @ along
    steps = np.arange(math.ceil(v.min() / 2) * 2, v.max(), 2.0)
    for j, place in enumerate(np.arange(u.min() + 2.4, u.max(), 4.8)):
        way = 1 if j % 2 == 0 else -1
        xy = place * across + steps[::way, None] * along
        inside = contains_xy(OUTLINE["A"], xy[:, 0], xy[:, 1])
        if inside.any():
            yield xy[inside], way * along


def _seconds(passes: Sequence[tuple[Floats, Floats]]) -> Floats:
    """Time of each point since the start, with 40 s for each turn. [s]"""
    clock, times = 0.0, []
    for xy, heading in passes:
        times.append(clock + (xy - xy[0]) @ heading * 3.6 / _SPEED_KMH)
        clock = times[-1][-1] + _TURN_S
    return np.concatenate(times)


def map_feature(shape: BaseGeometry, properties: dict[str, Any]) -> dict[str, Any]:
    """GeoJSON feature of a shape in local metres."""
    lonlat = transform(shape.normalize(), lambda xy: np.round(to_lonlat(xy), 9))
    geometry = mapping(orient_polygons(lonlat))  # RFC 7946: outer rings counter-clockwise
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def feature_collection(features: list[dict[str, Any]]) -> str:
    """Text of a GeoJSON file."""
    content = {"type": "FeatureCollection", "features": features}
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")) + "\n"


def _text(path: Path, content: str) -> None:
    path.write_text(content, encoding="utf-8", newline="\n")
