"""Do the places of a file lie where they can? Swapped, mirrored, shifted, doubled, outside."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from statistics import median

import numpy as np
import shapely

from geo.crs import WGS84, lonlat_to_xy, transformer, utm_of
from geo.findings import Finding
from geo.grids import Array
from geo.intake.known import Known, settled
from geo.intake.reading import Point
from geo.intake.together import Outside, outside_together, same_places_together

#: Farther than this from the farm, a whole file is misread; nearer than the second, it fits. [m]
FAR_M = 20_000.0
FITS_M = 2_000.0

#: An agreed shift of all stations against their earlier places, at least and at most. [m]
SHIFT_M = (30.0, 1000.0)

#: Fewer decimals than this are coarser than a block's detail: 3 decimals are about 111 m.
LEAST_DECIMALS = 4

Place = tuple[float, float]

#: Rule, what happened, what would be done, and the change itself.
Mend = tuple[str, str, str, Callable[[float, float], Place]]

MENDS: tuple[Mend, ...] = (
    ("lat_lon_swapped", "latitude and longitude are swapped", "Swap them",
     lambda lon, lat: (lat, lon)),
    ("minus_lost", "the minus sign of the south is lost", "Add the minus",
     lambda lon, lat: (lon, -lat)),
    ("minus_lost", "the minus sign of the west is lost", "Add the minus",
     lambda lon, lat: (-lon, lat)),
    ("minus_lost", "both minus signs are lost", "Add them",
     lambda lon, lat: (-lon, -lat)),
    ("lat_lon_swapped", "latitude and longitude are swapped and a minus sign is lost",
     "Swap them and add the minus", lambda lon, lat: (lat, -lon)),
    ("lat_lon_swapped", "latitude and longitude are swapped and a minus sign is lost",
     "Swap them and add the minus", lambda lon, lat: (-lat, lon)),
)  # fmt: skip


#: The same for numbers of a survey grid whose axes may point the other way.
TURNS: tuple[Mend, ...] = (
    ("axes_turned", "the axes point the other way", "Turn both axes", lambda x, y: (-x, -y)),
    ("axes_turned", "the first axis points the other way", "Turn it", lambda x, y: (-x, y)),
    ("axes_turned", "the second axis points the other way", "Turn it", lambda x, y: (x, -y)),
    ("axes_turned", "the two columns are swapped", "Swap them", lambda x, y: (y, x)),
    ("axes_turned", "the two columns are swapped and turned", "Swap and turn them",
     lambda x, y: (-y, -x)),
)  # fmt: skip


def turned_axes(places: Sequence[Place], system: str, known: Known) -> Mend | None:
    """The turn of a grid's axes that brings far-off places into the farm; None if none does."""
    if not known.blocks or _far_off(places, system, known) <= FAR_M:
        return None
    turns = (
        turn
        for turn in TURNS
        if _far_off([turn[3](x, y) for x, y in places], system, known) < FITS_M
    )
    return next(turns, None)


def _far_off(places: Sequence[Place], system: str, known: Known) -> float:
    x, y = zip(*places, strict=True)
    lon, lat = transformer(system, WGS84).transform(x, y)
    return _median_distance_m(
        [Point("", "", *place) for place in zip(lon, lat, strict=True)], known
    )


def check_places(
    points: Sequence[Point], known: Known, file: str, column: str
) -> tuple[list[Point], list[Finding]]:
    """Places as they came, or as agreed, with what is odd about them."""
    points, findings = list(points), []
    if not points:
        return points, []
    points, whole = _whole_file(points, known, file, column)
    findings += whole
    findings += _coarse(points, file, column)
    findings += _same_place(points, known, file, column)
    if not any(finding.severity == "open" for finding in whole):
        findings += _outside(points, known, file, column)
    return points, findings


# The file as a whole


def _whole_file(
    points: list[Point], known: Known, file: str, column: str
) -> tuple[list[Point], list[Finding]]:
    """One mistake that all places share: found by where they would lie without it."""
    if known.blocks:
        distance = _median_distance_m(points, known)
        if distance > FAR_M:
            for rule, what, proposal, change in MENDS:
                mended = _changed(points, change)
                if mended and _median_distance_m(mended, known) < FITS_M:
                    return _mend(points, mended, known, file, column, (rule, what, proposal))
            return points, [_far(points, distance, file, column)]
    shift = _common_shift(points, known)
    if shift is None:
        return points, []
    moved = [replace(p, lon=p.lon + shift[0], lat=p.lat + shift[1]) for p in points]
    words = ("place_shift", f"they lie {shift[2]:.0f} m off their earlier places, all the same "
             "way: an older datum", "Shift them")  # fmt: skip
    return _mend(points, moved, known, file, column, words)


def _changed(points: Sequence[Point], change: Callable[[float, float], Place]) -> list[Point]:
    moved = []
    for point in points:
        lon, lat = change(point.lon, point.lat)
        if abs(lat) > 90 or abs(lon) > 180:
            return []
        moved.append(replace(point, lon=lon, lat=lat))
    return moved


def _mend(
    points: list[Point],
    mended: list[Point],
    known: Known,
    file: str,
    column: str,
    words: tuple[str, str, str],
) -> tuple[list[Point], list[Finding]]:
    rule, what, proposal = words
    question = Finding(
        rule,
        "open",
        f"All {len(points)} places of {file} land outside your blocks: {what}.",
        f"{proposal}: then they lie in or beside your blocks.",
        "Kept as they came; in no map until it is agreed.",
        file,
        points[0].row,
        column,
        tuple(point.sample_id for point in points),
    )
    if known.agreed(rule):
        return mended, [settled(question, f"{proposal}: done, as agreed.")]
    return points, [question]


def _far(points: Sequence[Point], distance_m: float, file: str, column: str) -> Finding:
    return Finding(
        "places_far",
        "open",
        f"All {len(points)} places of {file} lie about {distance_m / 1000:.0f} km from your "
        "blocks.",
        "Say the right system with --crs EPSG:CODE, or add them to the farm they belong to.",
        "Kept as they came; in no map.",
        file,
        points[0].row,
        column,
        tuple(point.sample_id for point in points),
    )


def _median_distance_m(points: Sequence[Point], known: Known) -> float:
    return median(_distance_m(point, known) for point in points)


def _distance_m(point: Point, known: Known) -> float:
    """Distance to the nearest block, 0 inside; endless where it cannot be told. [m]"""
    if not (-90 <= point.lat <= 90 and -180 <= point.lon <= 180):
        return math.inf
    nearest = math.inf
    for block in known.blocks:
        centre = block.lonlat.centroid
        degrees = math.hypot(point.lon - centre.x, point.lat - centre.y)
        if degrees > 1:
            # Far from its UTM zone the plane is no measure; this far, degrees tell enough.
            nearest = min(nearest, degrees * 111_000.0)
            continue
        xy = lonlat_to_xy(np.array([point.lon]), np.array([point.lat]), block.crs)[0]
        nearest = min(nearest, float(block.outline.distance(shapely.Point(xy))))
    return nearest


def _common_shift(points: Sequence[Point], known: Known) -> tuple[float, float, float] | None:
    """The shift [deg, deg, m] that lays most stations on their earlier places."""
    earlier = {p.sample_id: p for p in reversed(known.points)}
    pairs = [(p, earlier[p.sample_id]) for p in points if p.sample_id in earlier]
    if len(pairs) < 3:
        return None
    crs = utm_of(pairs[0][1].lon, pairs[0][1].lat)
    now = lonlat_to_xy(*_lonlat([p for p, _ in pairs]), crs)
    then = lonlat_to_xy(*_lonlat([e for _, e in pairs]), crs)
    shift = np.median(then - now, axis=0)
    scatter = float(np.median(np.abs(then - now - shift)))
    size = float(np.hypot(*shift))
    if not SHIFT_M[0] <= size <= SHIFT_M[1] or scatter > 0.2 * size:
        return None
    lon = median(e.lon - p.lon for p, e in pairs)
    lat = median(e.lat - p.lat for p, e in pairs)
    return lon, lat, size


def _lonlat(points: Sequence[Point]) -> tuple[Array, Array]:
    return np.array([p.lon for p in points]), np.array([p.lat for p in points])


# Single places


def _coarse(points: Sequence[Point], file: str, column: str) -> list[Finding]:
    decimals = max(_decimals(number) for p in points for number in (p.lon, p.lat))
    if decimals >= LEAST_DECIMALS or len(points) < 2:
        return []
    message = (
        f"The places of {file} have {decimals} decimals: a step of {111_000 / 10**decimals:.0f} m."
    )
    return [
        Finding("places_coarse", "warning", message,
                "Ask for more decimals: the map cannot be finer than its places.",
                "Used as they are.", file, None, column)
    ]  # fmt: skip


def _decimals(number: float) -> int:
    text = repr(number)
    return len(text.partition(".")[2].rstrip("0")) if "e" not in text else 9


def _same_place(points: Sequence[Point], known: Known, file: str, column: str) -> list[Finding]:
    """Different samples at one position: the device did not refresh."""
    groups: dict[Place, dict[str, Point]] = defaultdict(dict)
    for point in points:
        groups[round(point.lon, 8), round(point.lat, 8)].setdefault(point.sample_id, point)
    findings = []
    earlier = {p.sample_id: p for p in known.points}
    for group in groups.values():
        if len(group) < 2:
            continue
        names = list(group)
        rows = " and ".join(str(p.row) for p in group.values())
        findings.append(
            Finding(
                "same_place", "warning",
                f"{' and '.join(names)} carry the same position (rows {rows})."
                + _apart(names, earlier, next(iter(group.values()))),
                "Give the right place of one with 'soilquilt set --key place'.",
                "Both kept, mapped as one spot.", file, next(iter(group.values())).row, column,
                tuple(names),
            )
        )  # fmt: skip
    return same_places_together(findings)


def _apart(names: Sequence[str], earlier: dict[str, Point], here: Point) -> str:
    """How far apart another season has them."""
    if any(name not in earlier for name in names):
        return ""
    xy = lonlat_to_xy(*_lonlat([earlier[n] for n in names[:2]]), utm_of(here.lon, here.lat))
    apart_m = float(np.hypot(*(xy[0] - xy[1])))
    return f" On file they are {apart_m:.1f} m apart." if apart_m > 0.01 else ""


def _outside(points: Sequence[Point], known: Known, file: str, column: str) -> list[Finding]:
    """Samples outside every block, with their earlier place where another season knows one."""
    found: dict[str, list[Outside]] = defaultdict(list)
    earlier = {p.sample_id: p for p in reversed(known.points)}
    for point in points:
        # A gate or a corner of the yard is no sample: only ids with a number are.
        if not known.blocks or not any(c.isdigit() for c in point.sample_id):
            continue
        name, away_m = _nearest_block(point, known)
        if away_m > 0:
            on_file = _place_on_file(point, earlier, known.planned)
            more = "" if on_file is None else _on_file_words(point, *on_file, known)
            finding = _outside_block(point, name, away_m, on_file, more, file, column)
            found[name].append((finding, away_m))
    return [one for name, each in found.items() for one in outside_together(each, name)]


def _nearest_block(point: Point, known: Known) -> tuple[str, float]:
    """The block that holds a place, at 0 m, or the nearest one and how far outside it. [m]"""
    away = {block.name: _distance_m(point, replace(known, blocks=(block,)))
            for block in known.blocks}  # fmt: skip
    name = min(away, key=lambda n: away[n])
    return name, away[name]


def _on_file_words(point: Point, what: str, place: Place, known: Known) -> str:
    """How far off the place on file is, and in which block, as a sentence."""
    other = replace(point, lon=place[0], lat=place[1])
    xy = lonlat_to_xy(*_lonlat([point, other]), utm_of(point.lon, point.lat))
    apart_m = float(np.hypot(*(xy[0] - xy[1])))
    name, outside_m = _nearest_block(other, known)
    where = f"in {name}" if outside_m == 0 else f"{outside_m:.0f} m outside {name}, the nearest"
    return f" {'The plan' if what == 'plan' else 'Another season'} has it {apart_m:.0f} m from " + (
        f"there, {where}."
    )


def _place_on_file(
    point: Point, earlier: Mapping[str, Point], planned: Mapping[str, Place]
) -> tuple[str, Place] | None:
    """Where the plan of the season or another season has a sample, and which of the two."""
    name, here = point.sample_id, (point.lon, point.lat)
    if name in planned and planned[name] != here:
        return "plan", planned[name]
    if name in earlier and (earlier[name].lon, earlier[name].lat) != here:
        return "other season", (earlier[name].lon, earlier[name].lat)
    return None


def _outside_block(
    point: Point,
    block: str,
    away_m: float,
    on_file: tuple[str, Place] | None,
    more: str,
    file: str,
    column: str,
) -> Finding:
    repair: dict[str, str] = {}
    proposal = "Give its right place with 'soilquilt set --key place', or leave it out."
    if on_file is not None:
        what, (lon, lat) = on_file
        proposal = f"Move it to the place of the {what}, or leave it out."
        repair = {"lon": repr(lon), "lat": repr(lat)}
    return Finding(
        "outside_block",
        "open",
        f"{point.sample_id} lies {away_m:.1f} m outside {block}.{more}",
        proposal,
        "In no map until it is moved.",
        file,
        point.row,
        column,
        (point.sample_id,),
        (),
        repair,
    )
