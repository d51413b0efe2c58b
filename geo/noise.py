"""How far two results of one soil by one laboratory differ: the least doubt any value has."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from geo.lookup import read_table


@cache
def _rows() -> Mapping[str, tuple[float, str]]:
    return {
        row["key"]: (float(row["noise"]), row["unit"]) for row in read_table("laboratory_noise")
    }


def laboratory_sd(key: str, value: float, *, logs: bool = False) -> float:
    """Standard deviation of one result of a laboratory about its own long-term mean.

    Parameters
    ----------
    key : str
        Property key.
    value : float
        In the house unit.
    logs : bool
        Give that of the natural logarithm, which is the share of the value. [1]

    Returns
    -------
    float
        [unit]

    Examples
    --------
    >>> laboratory_sd("ph_water", 5.2), laboratory_sd("k", 200.0), laboratory_sd("k", 9, logs=True)
    (0.1, 20.0, 0.1)
    """
    noise, unit = _rows().get(key, _rows()["*"])
    if unit == "1":
        return noise if logs else noise * abs(value)
    return noise / abs(value) if logs else noise
