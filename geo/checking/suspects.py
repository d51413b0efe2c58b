"""Values that cannot be, or that do not fit their neighbours: found, asked about, never changed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from geo.findings import Finding
from geo.grids import Array
from geo.intake.reading import Result
from geo.lookup import Property, properties

#: (sample id, property key).
Cell = tuple[str, str]

# A slipped decimal sign: engineering judgement, set so that a sample in a few thousand of a
# log-normal soil is asked about, not one in twenty.
#: A value is off when it lies this many robust standard deviations from block and neighbours. [1]
OFF_SD = 4.0
#: And at least this many times its neighbours. [1]
OFF_TIMES = 4.0
#: And it stands alone: this many times the next one of the block. [1]
ALONE_TIMES = 2.0
#: A tenth (or ten times) of it must lie this near to them. [robust sd]
FITS_SD = 2.5
#: Neighbours compared with, and samples needed for a comparison.
NEIGHBOURS = 6
FEWEST = 8
#: Soils alike to the last per cent still scatter so much on the log scale. [1]
LEAST_SD = 0.10

#: pH in a salt above pH in water by more than two readings' noise is no soil's doing here. [pH]
PAIR_NOISE_PH = 0.1

#: Mistakes that most often stand behind a value outside the hard range (soil-test practice).
USUAL_MISTAKE = {
    "ph_water": "a slipped decimal sign, or buffer pH or EC in its column",
    "ph_kcl": "a slipped decimal sign, or another column's value",
    "ph_cacl2": "a slipped decimal sign, or another column's value",
    "buffer_ph": "soil pH in its column",
    "om": "g/kg read as %",
    "oc": "g/kg read as %",
    "k": "meq/100 g read as mg/kg",
    "ca": "meq/100 g read as mg/kg",
    "mg": "meq/100 g read as mg/kg",
    "ec": "uS/cm or mS/m read as dS/m",
}


def ten_times(
    usable: pd.DataFrame, cells: Mapping[Cell, Result], skip: frozenset[Cell]
) -> Iterator[Finding]:
    """Values about ten times, or a tenth of, what their neighbours and their block say.

    A value is asked about only if, on the log scale, it lies far from the block and from its
    nearest samples, a shift by one decimal place brings it back among both, and most other
    properties of the same sample are ordinary: a truly rich spot is rich in several things.
    """
    xy = usable[["x_m", "y_m"]].to_numpy(dtype=float)
    logs = {key: _logs(usable, key) for key in _scaled(usable)}
    ordinary = {key: _departures(values) for key, values in logs.items()}
    for key, values in logs.items():
        if np.isfinite(values).sum() < FEWEST:
            continue
        here = ordinary[key]
        for row in map(int, np.flatnonzero(np.abs(here) > OFF_SD)):
            sample_id = str(usable.index[row])
            around = _around(xy, values, row)
            shift = -np.sign(here[row])
            if (sample_id, key) in skip or not _slipped(values, here, around, row, shift):
                continue
            others = [abs(z[row]) for k, z in ordinary.items() if k != key and np.isfinite(z[row])]
            if others and np.median(others) > FITS_SD:
                continue
            cell = cells.get((sample_id, key))
            yield _ten_times(sample_id, key, float(np.exp(values[row])), around, shift, cell)


def _scaled(usable: pd.DataFrame) -> list[str]:
    """Properties on a scale where ten times has a meaning."""
    units = ("mg/kg", "%", "cmol(+)/kg", "dS/m")
    return [key for key, p in properties().items() if key in usable and p.unit in units]


def _logs(usable: pd.DataFrame, key: str) -> Array:
    values = usable[key].to_numpy(dtype=float)
    logs: Array = np.log(values, out=np.full(len(values), np.nan), where=values > 0)
    return logs


def _departures(values: Array) -> Array:
    """Distance from the block's middle in robust standard deviations. [1]"""
    known = values[np.isfinite(values)]
    if len(known) < FEWEST:
        return np.full(len(values), np.nan)
    middle = np.median(known)
    departures: Array = (values - middle) / max(_robust_sd(known - middle), LEAST_SD)
    return departures


def _robust_sd(residuals: Array) -> float:
    """Median absolute deviation, as the standard deviation of a normal distribution."""
    return 1.4826 * float(np.median(np.abs(residuals)))


def _around(xy: Array, values: Array, row: int) -> Array:
    """Log values of the nearest other samples; of any where places are missing."""
    others = np.isfinite(values) & (np.arange(len(values)) != row)
    distance = np.hypot(*(xy - xy[row]).T)
    order = [i for i in np.argsort(distance, kind="stable") if others[i]]
    near: Array = values[order[:NEIGHBOURS]]
    return near


def _slipped(values: Array, departures: Array, around: Array, row: int, shift: float) -> bool:
    """Whether one decimal place explains a value that lies off."""
    known = values[np.isfinite(values)]
    middle = float(np.median(known))
    sd = max(_robust_sd(known - middle), LEAST_SD)
    ten = shift * np.log(10.0)
    off_here = abs(values[row] - np.median(around))
    others = np.delete(values, row)
    next_one = float(np.nanmax(others) if shift < 0 else np.nanmin(others))
    near_then = abs(values[row] + ten - np.median(around)) / sd
    fits_then = abs(departures[row] + ten / sd)
    return bool(
        off_here > max(np.log(OFF_TIMES), OFF_SD * sd)
        and -shift * (values[row] - next_one) > np.log(ALONE_TIMES)
        and near_then < FITS_SD
        and fits_then < FITS_SD
    )


def _ten_times(
    sample_id: str, key: str, value: float, around: Array, shift: float, cell: Result | None
) -> Finding:
    prop = properties()[key]
    low, high = np.exp(around.min()), np.exp(around.max())
    text, unit = (cell.text, cell.unit_read) if cell else (f"{value:g}", prop.unit)
    proposed = _shifted(text, 10.0**shift)
    what = "ten times" if shift < 0 else "a tenth of"
    also = "" if unit == prop.unit else f" ({value:.3g} {prop.unit})"
    return Finding(
        "ten_times",
        "open",
        f"{sample_id}: {prop.name} reads {text} {unit}{also}, about {what} its neighbours "
        f"({low:.3g} to {high:.3g} {prop.unit}); its other values are ordinary. "
        "A slipped decimal sign?",
        f"Read as {proposed}.",
        f"Stored as it came, left out of the maps and means of {prop.name}.",
        cell.file if cell else "",
        cell.row if cell else None,
        cell.column if cell else "",
        (sample_id,),
        (key,),
        {"value": proposed},
    )


def _shifted(text: str, factor: float) -> str:
    match = re.search(r"\d+(?:[.,]\d+)?", text)
    number = float(match[0].replace(",", ".")) if match else 0.0
    return f"{number * factor:.6g}"


def impossible_pairs(
    usable: pd.DataFrame, cells: Mapping[Cell, Result], skip: frozenset[Cell]
) -> Iterator[Finding]:
    """Soil pH in a salt solution above that in water: the two cells are probably swapped."""
    for salt in ("ph_kcl", "ph_cacl2"):
        if "ph_water" not in usable or salt not in usable:
            continue
        usual = float((usable["ph_water"] - usable[salt]).median())
        for sample_id, water, other in zip(
            usable.index, usable["ph_water"], usable[salt], strict=True
        ):
            pair = ((str(sample_id), "ph_water"), (str(sample_id), salt))
            if not other - water > PAIR_NOISE_PH or set(pair) & skip:
                continue
            swapped = abs((other - water) - usual) < 0.5
            yield _impossible(str(sample_id), salt, water, other, swapped, cells)


def _impossible(
    sample_id: str,
    salt: str,
    water: float,
    other: float,
    swapped: bool,
    cells: Mapping[Cell, Result],
) -> Finding:
    name = properties()[salt].name
    first, second = cells.get((sample_id, "ph_water")), cells.get((sample_id, salt))
    columns = ", ".join(cell.column for cell in (first, second) if cell)
    looks = "; the two cells look swapped" if swapped else ""
    return Finding(
        "impossible_pair",
        "open",
        f"{sample_id}: pH (water) {water:g} is lower than {name} {other:g}. That pair is "
        f"impossible{looks}.",
        "Swap the two." if swapped else "Ask the laboratory, or leave both out.",
        "Stored as they came; both pH values are left out of maps and means.",
        first.file if first else "",
        first.row if first else None,
        columns,
        (sample_id,),
        ("ph_water", salt),
        {"swap": f"ph_water {salt}"} if swapped else {},
    )


def implausible(
    usable: pd.DataFrame, cells: Mapping[Cell, Result], skip: frozenset[Cell]
) -> Iterator[Finding]:
    """Values outside the range any soil has; those outside the usual range are only noted."""
    for key, prop in properties().items():
        if key not in usable:
            continue
        values = usable[key].dropna()
        beyond = values[(values < prop.hard[0]) | (values > prop.hard[1])]
        for sample_id, value in beyond.items():
            if (str(sample_id), key) not in skip:
                yield _implausible(str(sample_id), prop, float(value), cells)
        unusual = values[(values < prop.soft[0]) | (values > prop.soft[1])].drop(beyond.index)
        if len(unusual) and any((str(s), key) in cells for s in unusual.index):
            yield _unusual(prop, unusual)


def _implausible(
    sample_id: str, prop: Property, value: float, cells: Mapping[Cell, Result]
) -> Finding:
    cell = cells.get((sample_id, prop.key))
    mistake = USUAL_MISTAKE.get(prop.key)
    guess = f" Perhaps {mistake}." if mistake else ""
    # Where a tenth is a plausible pH, a lost decimal sign is the likeliest slip of all.
    tenth = prop.unit == "pH" and prop.soft[0] <= value / 10 <= prop.soft[1]
    return Finding(
        "implausible",
        "open",
        f"{sample_id}: {prop.name} {value:g} {prop.unit} lies outside what soils have "
        f"({prop.hard[0]:g} to {prop.hard[1]:g}).{guess}",
        f"Read as {value / 10:g}."
        if tenth
        else "Correct it with 'soilquilt set', or leave it out.",
        "Stored as it came, left out of maps and means.",
        cell.file if cell else "",
        cell.row if cell else None,
        cell.column if cell else "",
        (sample_id,),
        (prop.key,),
        {"value": f"{value / 10:g}"} if tenth else {},
    )


def _unusual(prop: Property, values: pd.Series[float]) -> Finding:
    shown = ", ".join(f"{sample} {value:.3g}" for sample, value in list(values.items())[:4])
    more = ", ..." if len(values) > 4 else ""
    many = len(values) > 1
    name = prop.name if prop.name.startswith("pH") else prop.name[:1].upper() + prop.name[1:]
    lie = f"{len(values)} values lie" if many else "1 value lies"
    return Finding(
        "unusual",
        "note",
        f"{name}: {lie} outside the usual {prop.soft[0]:g} to {prop.soft[1]:g} {prop.unit} "
        f"({shown}{more}).",
        "",
        "Used as they are." if many else "Used as it is.",
        sample_ids=tuple(str(sample) for sample in values.index),
        keys=(prop.key,),
    )
