"""Do the zones differ? The samples of each zone as a box in its fill, every sample below it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from geo.crs import lonlat_to_xy
from geo.ratings import Classes
from geo.season import Season
from geo.zones import ZoneMap
from maps.charts import Chart, Row, limits_within, name_of, padded, title_of, unit_of, values_of
from maps.drawing import plots
from maps.wording import number

#: Below so many samples a zone gets no box, its samples alone.
FEWEST_IN_BOX = 5
#: Room one zone takes. [px]
ZONE_PX = 58
ACID = ("ph_water", "ph_cacl2", "ph_kcl", "buffer_ph")
#: Amendment -> properties to show its zones by, first choice first.
DECIDING: Mapping[str, tuple[str, ...]] = {
    "lime": ACID,
    "sulfur": ACID,
    "gypsum": ("esp", "na"),
    "phosphorus": ("p",),
    "potassium": ("k",),
    "magnesium": ("mg",),
    "nitrogen": ("no3_n",),
    "zinc": ("zn",),
    "boron": ("b",),
    "manganese": ("mn",),
    "copper": ("cu",),
    "iron": ("fe",),
}


def zone_chart(
    season: Season, zone_map: ZoneMap, fills: Mapping[int, str] | None = None
) -> Chart | None:
    """Do the zones differ? The property that decides the rate, zone by zone.

    Parameters
    ----------
    fills : mapping, optional
        Colour of each zone.
    """
    key = deciding_key(zone_map.amendment, season)
    if key is None or len(zone_map.zones) < 2:
        return None
    values, table = values_of(season, key), season.checked.usable
    places = lonlat_to_xy(table["lon"].to_numpy(), table["lat"].to_numpy(), season.block.crs)
    groups = []
    for zone in zone_map.zones:
        inside = shapely.contains_xy(zone.outline, places)
        found = [values[str(name)] for name in table.index[inside] if str(name) in values]
        groups.append((zone.zone_id, (fills or {}).get(zone.zone_id, plots.SHEET), found))
    return zones_chart(key, groups, season.ratings.classes.get(key, ()))


def deciding_key(amendment: str, season: Season) -> str | None:
    """The measured property that people look at for an amendment."""
    wanted = DECIDING.get(amendment, ())
    return next((key for key in wanted if key in season.surfaces), None)


def zones_chart(
    key: str, groups: Sequence[tuple[int, str, Sequence[float]]], classes: Classes = ()
) -> Chart | None:
    """Do the zones differ? A box a zone in its fill, every sample below it.

    Parameters
    ----------
    groups : sequence of (number of the zone, fill, values of its samples)
        [unit]
    """
    shown = [(zone, fill, sorted(values)) for zone, fill, values in groups if len(values)]
    everything = [v for _, _, values in shown for v in values]
    if len(shown) < 2 or min(everything) == max(everything):
        return None
    x = plots.across(*padded(everything, False))
    height = plots.TOP - 8 + ZONE_PX * len(shown) + plots.BOTTOM
    body = ""
    for limit in limits_within(classes, x.low, x.high):
        body += plots.stroke(f"M{x.at(limit):.1f} 20V{height - plots.BOTTOM}", dash="4 4")
    for index, (zone, fill, values) in enumerate(shown):
        body += _box(x, plots.TOP + 14 + ZONE_PX * index, zone, fill, values)
    body += plots.words(2, 14, "zone") + plots.foot(x, title_of(key), height=height)
    label = f"{name_of(key)} of the samples, zone by zone."
    note = (
        "The box holds the middle half of a zone's samples, the bar in it is their middle, each "
        "dot is a sample. Dashed: limits of the rating."
    )
    return Chart(
        plots.figure(label, body, height), label, _zone_rows(key, groups),
        "Do the zones differ?", note,
    )  # fmt: skip


def _box(x: plots.Scale, y: float, zone: int, fill: str, values: Sequence[float]) -> str:
    low, q1, q2, q3, high = (x.at(v) for v in _five(values))
    body = f'<circle cx="18" cy="{y:g}" r="12" fill="#fff" stroke="#14262b" stroke-width="1.5"/>'
    body += (
        f'<text x="18" y="{y + 4.5:g}" text-anchor="middle" fill="#14262b" font-weight="700">'
        f"{zone}</text>"
    )
    if len(values) >= FEWEST_IN_BOX:
        body += plots.stroke(f"M{low:.1f} {y:g}H{high:.1f}")
        body += plots.bar(q1, y - 12, max(q3 - q1, 1.0), 24, fill, radius=3)
        body += f'<path d="M{q2:.1f} {y - 12:g}v24" stroke="#14262b" stroke-width="2.4"/>'
    return body + plots.rings(
        (x.at(value), y + 20 + 4.5 * (index % 3), 2.6) for index, value in enumerate(values)
    )


def _five(values: Sequence[float]) -> list[float]:
    """Lowest, quarter, middle, three quarters, highest."""
    return [float(v) for v in np.quantile(values, (0, 0.25, 0.5, 0.75, 1))]


def _zone_rows(key: str, groups: Sequence[tuple[int, str, Sequence[float]]]) -> tuple[Row, ...]:
    rows: list[Row] = []
    for zone, _, values in groups:
        if not len(values):
            rows.append((str(zone), "0", "", "", ""))
            continue
        low, q1, q2, q3, high = (number(v, key) for v in _five(values))
        rows.append((str(zone), str(len(values)), q2, f"{q1} to {q3}", f"{low} to {high}"))
    return (("zone", "samples", f"middle{unit_of(key)}", "middle half", "all"), *rows)
