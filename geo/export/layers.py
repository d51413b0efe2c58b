"""What the machine gets: one layer a material and pass, zones with their rates, checked."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.errors import ExportError
from geo.materials import materials_of
from geo.prescribing.asked import Asked
from geo.prescription import Rate
from geo.season import Season
from geo.units import lb_ac_from_kg_ha
from geo.zones import Zone, ZoneMap

if TYPE_CHECKING:
    from pyproj import Transformer

Shape = TypeVar("Shape", bound=BaseGeometry)

#: A rate below this is written with two decimals, from here up as a whole number.
WHOLE_FROM = 20.0
#: The part of a file name that says what is spread.
SHORT = {"lime": "LIME", "sulfur": "SULF", "gypsum": "GYPS", "potassium": "KPOT"}


@dataclass(frozen=True)
class SpreadLayer:
    """One material to spread in one pass over one block.

    Attributes
    ----------
    block : Block
    season : int
    amendment, material : str
        Keys.
    pass_number, passes : int
        Which pass of how many.
    zones : tuple of Zone
    rates_kg_ha : tuple of float
        Product as spread, per block hectare, one a zone. [kg/ha]
    reasons : tuple of str
    cap_kg_ha : float or None
        Most product that one pass may carry, per block hectare; None where no cap is published.
        [kg/ha]
    """

    block: Block
    season: int
    amendment: str
    material: str
    pass_number: int
    passes: int
    zones: tuple[Zone, ...]
    rates_kg_ha: tuple[float, ...]
    reasons: tuple[str, ...]
    cap_kg_ha: float | None = None

    @property
    def total_kg(self) -> float:
        """Product for the pass: sum of rate times geodesic area. [kg]"""
        return sum(
            rate * zone.area_ha for rate, zone in zip(self.rates_kg_ha, self.zones, strict=True)
        )

    @property
    def area_ha(self) -> float:
        """Geodesic area of all zones. [ha]"""
        return sum(zone.area_ha for zone in self.zones)


def spread_layers(season: Season) -> tuple[SpreadLayer, ...]:
    """Layers with something to spread, in the order of the prescription."""
    maps = {zone_map.amendment: zone_map for zone_map in season.zone_maps}
    by_material: dict[tuple[str, str], list[Rate]] = {}
    for rate in season.prescription.rates:
        by_material.setdefault((rate.amendment, rate.material), []).append(rate)
    layers: list[SpreadLayer] = []
    for (amendment, _), rates in by_material.items():
        if any(rate.rate_kg_ha > 0 for rate in rates):
            layers += _passes(season, maps.get(amendment) or maps["all"], rates)
    return tuple(layers)


def _passes(season: Season, zone_map: ZoneMap, rates: list[Rate]) -> list[SpreadLayer]:
    by_zone = {rate.zone_id: rate for rate in rates}
    most = max(max(1, len(rate.passes)) for rate in rates)
    first = rates[0]
    layers = []
    for number in range(most):
        per_zone = tuple(
            _pass_rate(by_zone[zone.zone_id], number) if zone.zone_id in by_zone else 0.0
            for zone in zone_map.zones
        )
        if any(per_zone):
            layers.append(
                SpreadLayer(
                    season.block,
                    season.season,
                    first.amendment,
                    first.material,
                    number + 1,
                    most,
                    zone_map.zones,
                    per_zone,
                    first.reasons,
                    _cap_kg_ha(season, first),
                )
            )
    return layers


def _cap_kg_ha(season: Season, rate: Rate) -> float | None:
    """Most product of one pass of this rate's material, per block hectare. [kg/ha]"""
    asked = next((r for r in season.requirements if r.amendment == rate.amendment), None)
    material = materials_of(season.settings).get(rate.material)
    if asked is None or material is None:
        return None
    return Asked(asked, material, asked.draws).cap_kg_ha


def _pass_rate(rate: Rate, number: int) -> float:
    if not rate.passes:
        return rate.rate_kg_ha if number == 0 else 0.0
    return rate.passes[number] if number < len(rate.passes) else 0.0


def lonlat_parts(layer: SpreadLayer) -> list[tuple[Polygon, float]]:
    """Single-part WGS84 polygons with their rate, holes kept, coordinates to 1e-8 degree.

    The zones of a layer are put on the rounded grid together, so that shared edges stay shared.

    Raises
    ------
    ExportError
        If a zone is empty or crosses itself.
    """
    shapes = [to_lonlat(zone.outline, layer.block.crs) for zone in layer.zones]
    rounded = shapely.set_precision(shapes, 1e-8)
    parts = []
    for shape, rate, zone in zip(rounded, layer.rates_kg_ha, layer.zones, strict=True):
        if shape.is_empty or not shape.is_valid:
            raise ExportError(
                f"{layer.block.name}, {layer.material}, zone {zone.zone_id}: its outline is not "
                "valid after rounding. Ask for fewer zones or a wider minimum width."
            )
        polygons = shape.geoms if isinstance(shape, MultiPolygon) else [shape]
        parts += [(polygon, rate) for polygon in polygons if polygon.area > 0]
    return parts


def to_lonlat(shape: Shape, crs: str) -> Shape:
    """A shape of the block's metric CRS in WGS84 degrees."""
    transform = _transformer(crs).transform
    moved: Shape = shapely.transform(
        shape, lambda xy: np.column_stack(transform(xy[:, 0], xy[:, 1]))
    )
    return moved


@cache
def _transformer(crs: str) -> Transformer:
    from pyproj import Transformer

    return Transformer.from_crs(crs, "EPSG:4326", always_xy=True)


def short_name(layer: SpreadLayer, taken: set[str]) -> str:
    """Name of at most eight upper-case ASCII characters, unique among `taken`."""
    block = _telling(layer.block.name)
    kind = SHORT.get(layer.amendment) or _ascii(layer.material)[:4] or "SPRD"
    tail = kind + (str(layer.pass_number) if layer.passes > 1 else "")
    numbered = ["", *map(str, range(2, 1000))]
    names = (_cut(block, 8 - len(tail) - len(n)) + tail + n for n in numbered)
    name: str = next(name for name in names if name not in taken)
    taken.add(name)
    return name


def _telling(name: str) -> tuple[str, str]:
    """Start and end of a block's name that tell it from its neighbours on one stick.

    Blocks of a farm are often called alike at the start: a number at the end is kept whole, and of
    two words the last has its share.
    """
    words = [word for word in map(_ascii, name.split()) if word] or ["BLOCK"]
    number = re.search("[0-9]*$", words[-1])
    end = number.group() if number else ""
    start = "".join(words)[: -len(end) or None]
    if not end and len(words) > 1:
        start, end = "".join(words[:-1]), words[-1][:2]
    return start, end


def _cut(block: tuple[str, str], length: int) -> str:
    """As much of the start as its end leaves room for."""
    start, end = block
    return start[: max(0, length - len(end))] + end[-length:] if length > 0 else ""


def _ascii(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub("[^A-Z0-9]", "", plain.upper())


def written_rate(rate_kg_ha: float, unit: str) -> float:
    """Rate as the file carries it: whole from 20 up, two decimals below."""
    value = rate_kg_ha if unit == "kg/ha" else float(lb_ac_from_kg_ha(rate_kg_ha))
    return float(round(value)) if value >= WHOLE_FROM else round(value, 2)


def layer_hectares(zone_map: ZoneMap) -> float:
    """Geodesic area of all zones of a map. [ha]"""
    return sum(zone.area_ha for zone in zone_map.zones)
