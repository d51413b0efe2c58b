"""What a person asks of a plan: whether it can be met, and what was asked of a plan on file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.crs import to_lonlat, to_metric
from geo.errors import KrigingError
from geo.grids import Array
from geo.planning.constraints import NO_GO_MARGIN_M, rows_of
from geo.planning.records import SamplePlan, Wishes
from geo.planning.rowwalk import walls_of
from geo.planning.site import metric_place
from geo.planning.size import usual_way_m
from geo.planning.walk import way_of_all_m

#: Spots asked for that stand nearer than this are one. [m]
ONE_PLACE_M = 0.5
#: A gate farther off than this is another block's, or its latitude and longitude are swapped. [m]
FAR_M = 5000.0


def check_wishes(wishes: Wishes, block: Block) -> None:
    """Refuse what no plan of the block can meet, before anything is worked out.

    Raises
    ------
    KrigingError
        If a spot asked for lies outside the block or in an area to be kept off, two are one place,
        the gate is kilometres away, or rows are not on file that the walk should follow.
    """
    if wishes.along_rows and rows_of(block) is None:
        raise KrigingError(
            f"{block.name}: farm.toml does not say which way the rows run and how wide they are "
            "(row_azimuth_deg, row_spacing_m), so a walk round their ends cannot be laid."
        )
    if wishes.gate_lonlat is not None:
        away_m = block.outline.distance(shapely.Point(metric_place(wishes.gate_lonlat, block)))
        if away_m > FAR_M:
            raise KrigingError(
                f"The gate at {place_words(wishes.gate_lonlat)} lies {away_m / 1000:.0f} km from "
                f"{block.name}. Check it, and which of its numbers is the latitude."
            )
    _check_fixed(wishes, block)


def _check_fixed(wishes: Wishes, block: Block) -> None:
    areas = [to_metric(shape, block.crs) for shape in wishes.no_go]
    seen: list[shapely.Point] = []
    for lonlat in wishes.fixed_lonlat:
        place = shapely.Point(metric_place(lonlat, block))
        trouble = _trouble(place, block, areas, seen)
        if trouble:
            raise KrigingError(f"The spot asked for at {place_words(lonlat)} {trouble}")
        seen.append(place)


def _trouble(
    place: shapely.Point, block: Block, areas: list[BaseGeometry], seen: list[shapely.Point]
) -> str:
    """Why nobody can sample for this block there; empty if one can."""
    away_m = block.outline.distance(place)
    if away_m > 0.0:
        away = f"{away_m / 1000:.0f} km" if away_m >= 10_000 else f"{max(1.0, away_m):.0f} m"
        return f"lies {away} outside {block.name}. Move it in, or take it out."
    if any(area.distance(place) < NO_GO_MARGIN_M for area in areas):
        return (
            f"lies in, or within {NO_GO_MARGIN_M:g} m of, an area that is to be kept off. Move "
            "it, or change the area."
        )
    if any(place.distance(other) < ONE_PLACE_M for other in seen):
        return "is asked for twice. Take one of the two out."
    return ""


def place_words(lonlat: tuple[float, float]) -> str:
    """A place as people type it, latitude first.

    Examples
    --------
    >>> place_words((19.9964, -33.97))
    '-33.97000, 19.99640'
    """
    return f"{lonlat[1]:.5f}, {lonlat[0]:.5f}"


def wishes_of(plan: SamplePlan) -> Wishes:
    """What to ask so that a plan is made again: its own spots, areas, gate and way of walking.

    Stations that had to be among the repeats are not on file; the number of repeats is left open.
    """
    most = max(Counter(spot.day for spot in plan.spots).values())
    gate = None
    if plan.gate_m is not None:
        place = to_lonlat(shapely.Point(plan.gate_m), plan.block.crs)
        gate = (place.x, place.y)
    return Wishes(
        spots=len(plan.spots),
        gate_lonlat=gate,
        no_go=tuple(to_lonlat(shape, plan.block.crs) for shape in plan.no_go),
        fixed_lonlat=tuple((spot.lon, spot.lat) for spot in plan.of_kind("fixed")),
        most_a_day=most if plan.spots[-1].day > 1 else None,
        along_rows=plan.along_rows,
    )


def way_of_wishes(block: Block, wishes: Wishes) -> Callable[[Array], float]:
    """How far one walks to take spots as asked: from the gate, so many a day, round the rows. [m]

    Where nothing of that is asked the way is reckoned by number and area alone, which is quicker
    and, on even cover, within a tenth of the way itself.
    """
    if wishes.gate_lonlat is None and not wishes.along_rows:
        return lambda xy: usual_way_m(len(xy), block.outline.area)
    gate = None if wishes.gate_lonlat is None else np.array(metric_place(wishes.gate_lonlat, block))
    walls = walls_of(block) if wishes.along_rows else None
    return lambda xy: way_of_all_m(xy, gate, wishes.most_a_day, walls)
