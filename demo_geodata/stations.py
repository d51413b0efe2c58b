"""Where the soil was sampled: true and logged positions in local metres, in walking order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import RandomState

from demo_geodata.fields import BASE, LOCAL, NUMBER, Floats

# fmt: off
_A = (
    (-327.5, 27.5), (-317.5, 82.5), (-302.5, 137.5), (-252.5, 162.5), (-272.5, 107.5),
    (-282.5, 42.5), (-322.5, -27.5), (-325.3, -34.3), (-282.5, -7.5), (-252.5, 67.5),
    (-222.5, 112.5), (-216.4, 114.1), (-198.6, 182.2), (-202.5, 187.5), (-187.5, 147.5),
    (-237.5, 17.5), (-257.5, -47.5), (-167.5, 97.5), (-147.5, 182.5), (-97.5, 177.5),
    (-132.5, 132.5), (-172.5, 32.5), (-173.4, 26.3), (-207.5, -17.5), (-202.5, -62.5),
    (-158.9, -16.8), (-152.5, -17.5), (-129.4, 25.7), (-127.5, 72.5), (-82.5, 137.5),
    (-77.5, 92.5), (-122.5, 22.5), (-147.5, -62.5), (-97.5, -47.5), (-92.7, -40.7), (-89.1, -4.6),
    (-82.5, -2.5), (-72.5, 47.5),
)
_B = (
    (2.5, 2.5), (32.5, 12.5), (37.3, -24.7), (32.5, -22.5), (2.5, -42.5), (4.4, -47.5),
    (32.5, -62.5), (36.9, -62.0), (32.5, -102.5), (2.5, -87.5), (2.5, -132.5), (223.1, -142.9),
    (217.5, -147.5), (177.5, -142.5), (132.5, -142.5), (92.5, -142.5), (47.5, -142.5),
    (-2.5, -177.5), (32.5, -177.5), (67.5, -177.5), (107.5, -182.5), (147.5, -182.5),
    (182.5, -182.5), (187.0, -182.0), (222.5, -187.5), (224.5, -182.2),
)
_C = (
    (128.8, 31.2), (131.2, 48.8), (128.8, 66.2), (146.2, 66.2), (153.8, 48.8), (150.5, 46.9),
    (141.2, 36.2), (141.9, 33.5), (151.2, 31.2), (166.2, 36.2), (163.8, 66.2), (178.8, 68.8),
    (176.2, 51.2), (178.8, 33.8), (176.4, 32.4),
)
# fmt: on
STATIONS = {"A": _A, "B": _B, "C": _C}
_REVISITED = {
    "A": "01 02 04 07 08 09 10 11 14 16 17 18 24 25 26 27 28 29 30 34 35 36 37 38",
    "B": "02 03 04 05 07 09 10 14 15 16 18 20 21 22 23 25",
    "C": "01 03 06 07 10 12 14 15",
}
# fmt: off
_NEW = {
    "A": ((-292.5, -57.5), (-237.5, -77.5), (-347.5, -2.5), (-207.5, 37.5), (-172.5, 207.5),
          (-242.5, -17.5)),
    "B": ((127.5, -202.5), (22.5, -152.5), (92.5, -202.5), (162.5, -202.5)),
    "C": ((187.5, 42.5), (137.5, 22.5)),
}
# fmt: on


@dataclass(frozen=True)
class Samples:
    """The samples of one block and year: ids, true and logged places [m], which are revisits."""

    block: str
    year: int
    numbers: tuple[int, ...]
    xy: Floats
    logged_xy: Floats
    revisit: tuple[bool, ...]

    @property
    def ids(self) -> tuple[str, ...]:
        """Ids as the farm writes them: P-01, 2-01, W01."""
        prefix = {"A": "P-", "B": "2-", "C": "W"}[self.block]
        return tuple(f"{prefix}{number:02d}" for number in self.numbers)


def samples(block: str, year: int) -> Samples:
    """The samples of a block; year 1 is 2024, year 2 is 2025."""
    stations = np.array(STATIONS[block])
    if year == 1:
        numbers = tuple(range(1, len(stations) + 1))
        return _logged(block, 1, numbers, stations, (False,) * len(numbers))
    again = [int(number) for number in _REVISITED[block].split()]
    miss = 1.8 * RandomState(BASE + 900 + NUMBER[block]).standard_normal((len(again), 2))
    new = np.array(_NEW[block])
    xy = np.vstack([stations[np.array(again) - 1] + miss, new])
    fresh = range(len(stations) + 1, len(stations) + 1 + len(new))
    revisit = (True,) * len(again) + (False,) * len(new)
    return _logged(block, 2, (*again, *fresh), xy, revisit)


def _logged(
    block: str, year: int, numbers: tuple[int, ...], xy: Floats, revisit: tuple[bool, ...]
) -> Samples:
    """Samples with the error of the position log: 1.2 m an axis."""
    draws = RandomState(BASE + 5000 + 10 * year + NUMBER[block])
    logged = xy + 1.2 * draws.standard_normal((len(xy), 2))
    return Samples(block, year, numbers, xy, logged, revisit)


def to_lonlat(xy: Floats) -> Floats:
    """Local metres as WGS84 longitude and latitude. [deg]"""
    from pyproj import Transformer

    change = Transformer.from_crs(LOCAL, "EPSG:4326", always_xy=True)
    return np.column_stack(change.transform(xy[:, 0], xy[:, 1]))
