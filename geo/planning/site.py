"""The block as the search for spots sees it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.belief.frame import frame_of
from geo.blocks import Block
from geo.crs import lonlat_to_xy, to_metric
from geo.grids import Array
from geo.planning.constraints import (
    allowed_area,
    candidates,
    edge_buffer_m,
    rows_of,
    usual_spacing_m,
)
from geo.planning.records import Known, Wishes
from geo.planning.search import Ground, at_stake, with_known
from geo.planning.signals import Signal, pooled_signal
from geo.planning.stakes import Stake, scaled_signal, stakes_of
from geo.season import Season
from geo.surfaces import Surface
from geo.treated import TreatedArea, treated_areas

#: Candidates and nodes of a search; a block of the usual size is searched in seconds.
PLACES, NODES = 4000, 800


@dataclass(frozen=True)
class Site:
    """The block as the search sees it."""

    block: Block
    ground: Ground
    area: BaseGeometry
    stations: Mapping[str, tuple[float, float]]
    old: Array
    fixed: Array
    treated: tuple[TreatedArea, ...]
    stakes: tuple[Stake, ...]
    lead: Surface | None


def site_of(block: Block, wishes: Wishes, known: Known) -> Site:
    """Where spots may stand, what is known already, and what is at stake."""
    area = allowed_area(
        block.outline, edge_buffer_m(block), [to_metric(s, block.crs) for s in wishes.no_go]
    )
    nodes = candidates(block.outline, None, NODES)
    stakes = stakes_of(known.last, nodes) if known.last else ()
    lead = _lead(known.last, stakes)
    scaled = scaled_signal(lead) if lead is not None else None
    signal = _borrowed(block, known) if scaled is None else scaled[0]
    stations = metric(known.stations, block)
    old = as_places(list(stations.values()))
    ground = Ground(
        signal=signal,
        nodes=nodes,
        places=candidates(area, rows_of(block), PLACES),
        known=old,
        keep_off=old,
        spacing_m=usual_spacing_m(block.outline.area, wishes.spots + len(old)),
    )
    fixed = as_places([metric_place(place, block) for place in wishes.fixed_lonlat])
    treated = treated_areas(known.applications, block.crs)
    return Site(block, with_known(ground, fixed), area, stations, old, fixed, treated, stakes,
                  lead)  # fmt: skip


def _borrowed(block: Block, known: Known) -> Signal:
    """What the farm's other blocks tell of this one, and what is usual."""
    frame = frame_of(block.outline, block.site.row_azimuth_deg)
    return pooled_signal([one.models for one in known.elsewhere], frame)


def _lead(last: Season | None, stakes: Sequence[Stake]) -> Surface | None:
    """The property a plan is told by: the one most at stake, else the first with a useful map."""
    if last is None:
        return None
    believed = [surface for surface in last.surfaces.values() if surface.belief is not None]
    if at_stake(stakes):
        return last.surfaces[stakes[0].key]
    useful = [surface for surface in believed if surface.verdict == "useful"]
    return next(iter([*useful, *believed]), None)


def metric(
    lonlat: Mapping[str, tuple[float, float]], block: Block
) -> Mapping[str, tuple[float, float]]:
    """Places in the block's metric CRS. [m]"""
    if not lonlat:
        return {}
    lon, lat = np.array(list(lonlat.values())).T
    xy = lonlat_to_xy(lon, lat, block.crs)
    return {name: (float(x), float(y)) for name, (x, y) in zip(lonlat, xy, strict=True)}


def metric_place(lonlat: tuple[float, float], block: Block) -> tuple[float, float]:
    """One place in the block's metric CRS. [m]"""
    return metric({"": lonlat}, block)[""]


def as_places(places: Sequence[Sequence[float]] | Sequence[Array]) -> Array:
    """Places as an array (n, 2), also of none."""
    return np.array(places, dtype=float).reshape(-1, 2)


def as_pair(xy: Array) -> tuple[float, float]:
    """A place as two plain numbers."""
    return float(xy[0]), float(xy[1])


def as_point(xy: Sequence[float] | Array) -> shapely.Point:
    """A place as a point."""
    return shapely.Point(float(xy[0]), float(xy[1]))
