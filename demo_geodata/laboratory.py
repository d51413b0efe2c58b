"""The two laboratories' result files, the position log, and the defects planted in them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.random import RandomState

from demo_geodata.fields import ANALYTES, BASE, NUMBER, Floats, soil, with_lab_noise
from demo_geodata.stations import Samples, samples, to_lonlat

#: mg/kg in one cmol(+)/kg.
CHARGE = {"k": 391.0, "ca": 200.4, "mg": 121.5, "na": 229.9}
_PH_KCL_BELOW = {"A": 0.85, "B": 0.75, "C": 0.55}
_CLAY_AT = {
    "A": {"P-01", "P-08", "P-15", "P-22", "P-29", "P-36"},
    "B": {"2-01", "2-09", "2-17", "2-25"},
    "C": {"W05", "W10"},
}
#: key -> heading, unit, decimals of laboratory 1.
# fmt: off
_COLUMNS_2024 = {
    "ph_w": ("pH (H2O)", "", 1), "ph_kcl": ("pH (KCl)", "", 1), "buffer_ph": ("pH buffer", "", 1),
    "h": ("H", "cmol(+)/kg", 2), "ec": ("EC", "dS/m", 2), "oc": ("OC %", "%", 2),
    "clay": ("Clay", "%", 0), "p": ("P", "mg/kg", 0), "k": ("K", "cmol(+)/kg", 2),
    "ca": ("Ca", "cmol(+)/kg", 2), "mg": ("Mg", "cmol(+)/kg", 2), "na": ("Na", "cmol(+)/kg", 2),
    "s": ("S", "mg/kg", 1), "zn": ("Zn", "mg/kg", 2), "b": ("B", "mg/kg", 2),
    "fe": ("Fe", "mg/kg", 0), "mn": ("Mn", "mg/kg", 1), "cu": ("Cu", "mg/kg", 2),
}
_METHODS_2024 = (
    "Methods: pH (H2O) water 1:2.5, pH (KCl) 1 M KCl, pH buffer SMP-type, H acidity at pH 7, "
    "EC saturation extract, OC Walkley-Black, P Mehlich-3, K Ca Mg Na NH4OAc pH 7, "
    "S Ca-phosphate, Zn Fe Mn Cu DTPA, B hot water"
)
_COLUMNS_2025 = {
    "ph_w": "pH H2O 1:2.5", "ph_kcl": "pH KCl", "buffer_ph": "pH buffer SMP",
    "h": "H pH 7 cmol(+)/kg", "ec": "EC saturation extract dS/m", "oc": "OM % (OC x 1.724)",
    "p": "P M3 ppm", "k": "K NH4OAc ppm", "ca": "Ca NH4OAc ppm", "mg": "Mg NH4OAc ppm",
    "na": "Na NH4OAc ppm", "s": "S Ca-phosphate ppm", "zn": "Zn DTPA ppm", "b": "B hot water ppm",
    "fe": "Fe DTPA ppm", "mn": "Mn DTPA ppm", "cu": "Cu DTPA ppm",
}
# fmt: on
#: Day on which each block was sampled in the second season; Poel alone fills the first.
_SAMPLED_2025 = {"A": "2025-05-20", "B": "2025-05-21", "C": "2025-05-21"}
LIMITS = {"s": 5.0, "zn": 0.3, "cu": 0.3, "b": 0.2}
P_MOST = 200.0
Values = dict[str, float]


def results(block: str, year: int) -> dict[str, Values]:
    """Unrounded results by sample id; NaN where a test was not run."""
    taken = samples(block, year)
    found = {name: soil().measure(name, taken.xy, block, year) for name in ANALYTES}
    found |= _derived(found, taken)
    return {
        sample: {key: float(column[i]) for key, column in found.items()}
        for i, sample in enumerate(taken.ids)
    }


def _derived(found: Mapping[str, Floats], taken: Samples) -> dict[str, Floats]:
    """What follows from the measured pH and sodium, each with its own stream."""
    ph, block = found["ph_w"], taken.block

    def normal(i: int) -> Floats:
        draws = RandomState(BASE + 1000 * taken.year + 10 * i + NUMBER[block])
        return draws.standard_normal(len(ph))

    clay = soil().clay_pct(taken.xy, block)
    buffer = 6.95 - 0.30 * (6.7 - ph) * clay / 17 + 0.03 * normal(21)
    acidity = np.maximum(0.02, 1.4 * (6.0 - ph)) * (1 + 0.08 * normal(22))
    known = [taken.year == 1 and sample in _CLAY_AT[block] for sample in taken.ids]
    return {
        "ph_kcl": ph - _PH_KCL_BELOW[block] + 0.05 * normal(20),
        "buffer_ph": np.where(ph < 6.5, buffer, np.nan),
        "h": np.where(ph < 6.0, acidity, 0.02),
        "ec": (0.25 + found["na"] / 200) * (1 + 0.07 * normal(23)),
        "clay": np.where(known, clay, np.nan),
    }


def duplicate_of_p17(first: Values) -> Values:
    """The same bag again: a fresh draw of laboratory noise for each analyte."""
    draws, at = RandomState(BASE + 8000), samples("A", 1)
    i = at.ids.index("P-17")
    again = dict(first)
    for name in ANALYTES:
        bag = soil().in_bag(name, at.xy, "A", 1)[i : i + 1]
        again[name] = float(with_lab_noise(name, bag, draws.standard_normal(1))[0])
    again["ph_kcl"] += again["ph_w"] - first["ph_w"]
    return again


def write_lab_2024(path: Path) -> None:
    """Laboratory 1: semicolons, decimal comma, cp1252, unit line, two footer lines."""
    rows: list[list[str]] = []
    for block in "ABC":
        for sample, values in results(block, 1).items():
            row = [sample, "0-15", "03/06/2024", *_cells_2024(values), ""]
            rows.append(row)
            if sample == "P-17":
                again = _cells_2024(duplicate_of_p17(values))
                rows.append([sample, "0-15", "03/06/2024", *again, "dup"])
    _plant_2024(rows)
    heads = [heading for heading, _, _ in _COLUMNS_2024.values()]
    units = [unit for _, unit, _ in _COLUMNS_2024.values()]
    lines = [
        ["Soil analysis - farm Ombervale, blocks Poel, Knieë and Werfie"],
        ["Sample", "Depth", "Date", *heads, "Remark"],
        ["", "cm", "", *units, ""],
        *rows,
        [_METHODS_2024],
        ["n.a. = not analysed. not run = buffer only where pH (H2O) is under 6,5."],
    ]
    _write(path, "".join(";".join(line) + "\r\n" for line in lines).encode("cp1252"))


def _cells_2024(values: Values) -> list[str]:
    return [_cell_2024(key, values[key]) for key in _COLUMNS_2024]


def _cell_2024(key: str, value: float) -> str:
    decimals = _COLUMNS_2024[key][2]
    if key == "b":
        return "n.a."
    if math.isnan(value):
        return "not run" if key == "buffer_ph" else ""
    if key in LIMITS and value < LIMITS[key]:
        return f"<{LIMITS[key]:g}".replace(".", ",")
    if key == "p" and value > P_MOST:
        return f">{P_MOST:g}"
    return f"{value / CHARGE.get(key, 1.0):.{decimals}f}".replace(".", ",")


def _plant_2024(rows: list[list[str]]) -> None:
    """Plant defects 2, 3, 6 and 7 (the second row of P-17 is defect 1)."""
    at = {row[0]: row for row in rows}
    column = {key: 3 + i for i, key in enumerate(_COLUMNS_2024)}
    k = column["k"]
    potassium = results("A", 1)["P-24"]["k"] / CHARGE["k"] * 10
    at["P-24"][k] = f"{potassium:.2f}".replace(".", ",")
    at["2-13"][1] = "0-30"
    at["W10"][0] = "W09"
    water, kcl = column["ph_w"], column["ph_kcl"]
    at["P-05"][water], at["P-05"][kcl] = at["P-05"][kcl], at["P-05"][water]


def write_lab_2025(path: Path) -> None:
    """Laboratory 2: commas, BOM, method and unit in the heading, places in degrees-minutes."""
    heads = "Sample,Depth cm,Sampled,Reported,Latitude,Longitude,"
    lines = [heads + ",".join(_COLUMNS_2025.values())]
    for block in "ABC":
        taken, found = samples(block, 2), results(block, 2)
        places = to_lonlat(taken.logged_xy)
        for i, sample in enumerate(taken.ids):
            lon, lat = places[i]
            place = [_quoted(dms(lat, "NS")), _quoted(dms(lon, "EW"))]
            cells = [_cell_2025(key, found[sample][key]) for key in _COLUMNS_2025]
            name = _name_2025(sample) + ("R" if taken.revisit[i] else "")
            days = [_SAMPLED_2025[block], "2025-06-05"]
            lines.append(",".join([name, "0-15", *days, *place, *cells]))
    _write(path, "".join(line + "\r\n" for line in lines).encode("utf-8-sig"))


def _name_2025(sample: str) -> str:
    if sample.startswith("W"):
        return f"W-{sample[1:]}"
    return sample.replace("2-", "2/", 1) if sample.startswith("2-") else sample.replace("-", "")


def _cell_2025(key: str, value: float) -> str:
    if math.isnan(value):
        return "not run"
    if key in LIMITS and value < LIMITS[key]:
        return f"<{LIMITS[key]:g}"
    if key == "p" and value > P_MOST:
        return f">{P_MOST:g}"
    if key in ("ph_w", "ph_kcl", "buffer_ph"):
        return f"{value:.2f}"
    return three_digits(value * 1.724 if key == "oc" else value)


def three_digits(value: float) -> str:
    """A number with three significant digits, never in powers of ten."""
    rounded = float(f"{value:.3g}")
    decimals = max(0, 2 - math.floor(math.log10(abs(rounded))))
    return f"{rounded:.{decimals}f}"


def dms(degrees: float, letters: str) -> str:
    """Degrees, minutes and seconds to 0.1", as text: 33°58'11.1"S."""
    tenths = round(abs(degrees) * 36000)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes // 60}°{minutes % 60:02d}'{rest / 10:04.1f}\"{letters[int(degrees < 0)]}"


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def write_gps(path: Path) -> None:
    """The position log of 2024 with defects 4 and 5, a gate and a lost bag."""
    lines = ["id,lat,lon,hdop,time,note"]
    lines.append(_gps_row("GATE", np.array([60.0, 90.0]), 0.9, "2024-05-14T07:30:00+02:00", "gate"))
    for day, block in enumerate("ABC", start=14):
        taken = samples(block, 1)
        xy = taken.logged_xy.copy()
        if block == "A":
            xy[taken.ids.index("P-35")] = xy[taken.ids.index("P-34")]
        if block == "B":
            xy[taken.ids.index("2-12"), 0] += 31.0
        hdop = 0.7 + 0.9 * RandomState(BASE + 6000 + NUMBER[block]).random_sample(len(xy))
        for i, sample in enumerate(taken.ids):
            minute = 8 * 60 + 14 * i
            time = f"2024-05-{day}T{minute // 60:02d}:{minute % 60:02d}:00+02:00"
            lines.append(_gps_row(_typed(sample, i), xy[i], hdop[i], time, ""))
        if block == "A":
            lost = np.array([-120.0, 0.0])
            lines.append(_gps_row("P-99", lost, 1.1, "2024-05-14T17:05:00+02:00", "bag lost"))
    _write(path, "".join(line + "\n" for line in lines).encode())


def _gps_row(name: str, xy: Floats, hdop: float, time: str, note: str) -> str:
    lon, lat = to_lonlat(xy[None, :])[0]
    return f"{name},{lat:.7f},{lon:.7f},{hdop:.1f},{time},{note}"


def _typed(sample: str, i: int) -> str:
    """An id as thumbs type it: no padding, stray case and blanks."""
    if sample.startswith("W"):
        return f"W{int(sample[1:])}"
    if sample.startswith("2-"):
        return sample
    return (f"P-{int(sample[2:])}", sample.lower() + " ", sample)[i % 3]


def _write(path: Path, content: bytes) -> None:
    path.write_bytes(content)
