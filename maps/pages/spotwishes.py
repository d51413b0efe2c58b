"""What a grower insists on for a plan: spots, areas kept off, the walk; shown, read, remembered."""

from __future__ import annotations

import math
from dataclasses import dataclass
from shlex import quote
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.crs import to_lonlat
from geo.errors import UsageError
from geo.money import currency_sign
from geo.planning.asking import FEWEST, MOST
from geo.planning.constraints import rows_of
from geo.sampling import Known, SamplePlan, Wishes, check_wishes, usual_spots, wishes_of
from geo.units import M_PER_FT, ha_from_acres
from maps.commands.plan import AS_LAST_TIME
from maps.drawing import drawings
from maps.paper.measures import measures_of
from maps.serving.workspace import Workspace

Data = dict[str, Any]
LonLat = tuple[float, float]

#: More corners than this in all areas together are no areas a person drew or brought along.
MOST_CORNERS = 20_000
#: Digits of a degree that are kept: 7 are a centimetre.
DIGITS = 7


@dataclass(frozen=True)
class Asked:
    """What the page asks of one block's plan; `sent` is what it wrote, to fill it again.

    `budget` is a sum for this block [currency], `doubt` the share of the soil's spread that may be
    left [1].
    """

    wishes: Wishes
    budget: float | None
    doubt: float | None
    sent: Data


# What the page shows


def shown(
    work: Workspace,
    base: str,
    season: int,
    block: Block,
    plan: SamplePlan | None,
    paper: drawings.Paper,
    *,
    surveyed: bool = True,
) -> Data:
    """Context of the wishes: those of the last try, else those the plan on file was made with."""
    usual = "as last time" if surveyed else f"{usual_spots(block, Known())}, by its size"
    sent = work.spot_wishes.get((season, block.slug)) or _sent_of(plan)
    by_hand = [s for s in plan.spots if s.planned_m is not None] if plan else []
    return {
        "year": season,
        "name": block.name,
        "now": f"{len(plan.spots)}, as now" if plan else usual,
        "currency": currency_sign(work.settings().currency),
        "rows": rows_of(block) is not None,
        "said": work.told.get(told_key(season, block), []),
        "moved": [spot.sample_id for spot in by_hand],
        "sent": sent,
        "data": {
            "sent": {name: sent.get(name) for name in ("fixed", "areas", "gate")},
            "place": f"{base}/{season}/{block.slug}/spots",
            "moved": [_latlon((spot.lon, spot.lat)) for spot in by_hand],
            "alone": plan is None,
            **_ground(block, paper),
            **_areas_told(work),
        },
    }


def command_of(farm: str, plan: SamplePlan) -> str:
    """The command that asks for the same plan."""
    wishes = wishes_of(plan)
    words = ["soilquilt plan", quote(farm), f"--season {plan.season}"]
    words.append(f"--block {quote(plan.block.name)}")
    words.append(f"--spots {wishes.spots}")
    words += [f"--at={_lonlat(place)}" for place in wishes.fixed_lonlat]
    words += ["--avoid AREAS.geojson"] if wishes.no_go else []
    words += [f"--gate={_lonlat(wishes.gate_lonlat)}"] if wishes.gate_lonlat else []
    words += ["--along-rows"] if wishes.along_rows else []
    words += [f"--a-day {wishes.most_a_day}"] if wishes.most_a_day else []
    return " ".join(words)


def _lonlat(place: LonLat) -> str:
    return ",".join(f"{round(degrees, DIGITS)}" for degrees in place)


def told_key(season: int, block: Block) -> str:
    """Under which key the workspace keeps why a plan was not made."""
    return f"spots {season} {block.slug}"


def _sent_of(plan: SamplePlan | None) -> Data:
    """What the page would have sent for the plan on file."""
    if plan is None:
        return {"fixed": [], "areas": [], "gate": None}
    wishes = wishes_of(plan)
    return {
        "fixed": [_latlon(place) for place in wishes.fixed_lonlat],
        "areas": [rings for shape in wishes.no_go for rings in _rings(shape)],
        "gate": None if wishes.gate_lonlat is None else _latlon(wishes.gate_lonlat),
        "along_rows": wishes.along_rows,
        "a_day": wishes.most_a_day,
    }


def _latlon(place: LonLat) -> list[float]:
    return [round(place[1], DIGITS), round(place[0], DIGITS)]


def _rings(shape: BaseGeometry) -> list[list[list[list[float]]]]:
    """Polygons as rings of latitude and longitude, the outer one first, none closed."""
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, shapely.Polygon)]
    return [
        [
            [_latlon((float(x), float(y))) for x, y in shapely.get_coordinates(ring)[:-1]]
            for ring in (part.exterior, *part.interiors)
        ]
        for part in parts
    ]


def _ground(block: Block, paper: drawings.Paper) -> Data:
    """Latitude and longitude of the map's middle, and what a metre east and north adds to them.

    Over a block the metric system is flat to some centimetres, so the page can place what is
    clicked; the server works with the degrees that it sends.
    """
    middle = np.array([paper.west_m, paper.north_m]) + np.array([paper.width, -paper.height]) / (
        2.0 * paper.scale
    )
    reach_m = 100.0
    corners = middle + reach_m * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    here, east, north = (to_lonlat(shapely.Point(xy), block.crs) for xy in corners)
    return {
        "middle": [paper.width / 2.0, paper.height / 2.0],
        "scale": paper.scale,
        "at": [here.y, here.x],
        "east": [(east.y - here.y) / reach_m, (east.x - here.x) / reach_m],
        "north": [(north.y - here.y) / reach_m, (north.x - here.x) / reach_m],
    }


def _areas_told(work: Workspace) -> Data:
    """In which units the page tells areas: hectares or acres, small ones by the square."""
    us = measures_of(work.settings()).us
    return {
        "area": "ac" if us else "ha",
        "areaM2": 1e4 * float(ha_from_acres(1.0)) if us else 1e4,
        "small": "sq ft" if us else "m²",
        "smallPerM2": M_PER_FT**-2 if us else 1.0,
    }


# What the page sends


def asked_of(sent: Any, block: Block, now: int | None = None) -> Asked:
    """The page's wishes, read with care and checked against the block.

    Parameters
    ----------
    now : int or None
        Spots of the plan on file, taken where neither number, money nor doubt is given.

    Raises
    ------
    UsageError, KrigingError
        If something is no number, no place or no area, or cannot be met.
    """
    if not isinstance(sent, dict):
        raise UsageError("This request cannot be read. Nothing was changed.")
    spots = _whole(sent.get("spots"), "The number of spots")
    budget, doubt = _sum(sent.get("budget")), _doubt(sent.get("doubt"))
    if spots is not None and (budget is not None or doubt is not None):
        raise UsageError(
            "Give the number of spots, or money and doubt, not both: each says how many."
        )
    if spots is not None and not FEWEST <= spots <= MOST:
        raise UsageError(f"{spots} spots: ask for {FEWEST} to {MOST} in one block.")
    if spots is None and budget is None and doubt is None:
        spots = now
    wishes = Wishes(
        spots=AS_LAST_TIME if spots is None else spots,
        repeats=_whole(sent.get("repeats"), "The number of old stations", least=0),
        gate_lonlat=None if not sent.get("gate") else _place(sent["gate"]),
        no_go=_areas(sent.get("areas")),
        fixed_lonlat=tuple(_place(one) for one in _list(sent.get("fixed"), MOST)),
        keep=tuple(_words(sent.get("keep"))),
        most_a_day=_whole(sent.get("a_day"), "Spots a day", least=1),
        along_rows=bool(sent.get("along_rows")),
    )
    check_wishes(wishes, block)
    return Asked(wishes, budget, doubt, sent)


def _list(sent: Any, most: int) -> list[Any]:
    found = sent if isinstance(sent, list) else []
    if len(found) > most:
        raise UsageError(f"More than {most} places are too many for one plan.")
    return found


def _figure(sent: Any, what: str) -> float | None:
    text = str("" if sent is None else sent).replace(" ", "").replace("\u202f", "").strip()
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{what} is a number, not {str(sent)[:40]!r}.")
    return value


def _whole(sent: Any, what: str, least: int = 0) -> int | None:
    value = _figure(sent, what)
    if value is None:
        return None
    if value != round(value) or value < least:
        raise UsageError(f"{what} is a whole number from {least} up, not {str(sent)[:40]!r}.")
    return int(value)


def _sum(sent: Any) -> float | None:
    value = _figure(sent, "A sum of money")
    if value is not None and not value > 0:
        raise UsageError("A sum of money is above 0.")
    return value


def _doubt(sent: Any) -> float | None:
    value = _figure(sent, "Doubt left")
    if value is not None and not 0 < value < 100:
        raise UsageError("Doubt left is a part of the soil's spread: above 0 and below 100 in 100.")
    return None if value is None else value / 100.0


def _words(sent: Any) -> list[str]:
    return [word for word in str(sent or "").replace(",", " ").replace(";", " ").split() if word]


def _place(sent: Any) -> LonLat:
    right = isinstance(sent, list) and len(sent) == 2
    if not right or not all(isinstance(v, int | float) and math.isfinite(v) for v in sent):
        raise UsageError("A place is a latitude and a longitude in degrees, as -33.97, 19.99.")
    lat, lon = (float(v) for v in sent)
    if abs(lat) > 90 or abs(lon) > 180:
        raise UsageError(f"{lat:g}, {lon:g} is no place: latitude first, then longitude.")
    return lon, lat


def _areas(sent: Any) -> tuple[BaseGeometry, ...]:
    areas = [
        [[_place(corner) for corner in _list(ring, MOST_CORNERS)] for ring in _list(rings, MOST)]
        for rings in _list(sent, MOST)
    ]
    if sum(len(ring) for rings in areas for ring in rings) > MOST_CORNERS:
        raise UsageError(f"Areas of more than {MOST_CORNERS} corners are too much for one plan.")
    return tuple(_area(rings, number) for number, rings in enumerate(areas, start=1))


def _area(rings: list[list[LonLat]], number: int) -> BaseGeometry:
    if not rings or any(len(ring) < 3 for ring in rings):
        raise UsageError(f"Area {number} has fewer than three corners. Draw it anew.")
    shape = shapely.Polygon(rings[0], rings[1:])
    if not shape.is_valid or not shape.area > 0.0:
        raise UsageError(
            f"The edge of area {number} crosses itself or holds no ground. Draw it anew, corner "
            "by corner around it."
        )
    return shape
