"""Trap files for tests: each a copy of one file of the demo farm with one change.

They are made on request and not shipped; `demo_geodata/README.md` lists them.
"""

from __future__ import annotations

import json
import shutil
import struct
import zipfile
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from shapely import Polygon

from demo_geodata import files
from demo_geodata.fields import LOCAL, NAMES, OUTLINE, POND
from demo_geodata.laboratory import CHARGE
from demo_geodata.records import feature_collection, map_feature, write_poel
from demo_geodata.stations import to_lonlat

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: What laboratories write for "not detected", in the order of stations P-01 to P-06.
NOT_DETECTED = ("nd", "-", "<LOD", "tr", "", "0")
#: mg/kg of the oxide in one mg/kg of the element; atomic weights of IUPAC 2021.
OXIDE = {"P": (2 * 30.974 + 5 * 15.999) / (2 * 30.974), "K": (2 * 39.098 + 15.999) / (2 * 39.098)}
LARGE_BYTES = 40_000_000

Row = list[str]


def write(folder: Path, *, large: bool = False) -> dict[str, Path]:
    """Write every trap into a folder; name of the trap -> its file.

    Parameters
    ----------
    large : bool
        Also make the CSV of 40 MB, `large`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = _shapefiles(folder)
    for name, (file, content) in _texts().items():
        made[name] = folder / file
        made[name].write_bytes(content)
    made["merged_header"] = _workbook(folder / "lab_merged_header.xlsx")
    made["path_traversal"] = _archive(folder / "outline_path_traversal.zip")
    if large:
        made["large"] = _large(folder / "lab_large.csv")
    return made


def _texts() -> dict[str, tuple[str, bytes]]:
    """Traps that are one text: name -> file name and bytes."""
    return {
        "lat_lon_swapped": ("gps_lat_lon_swapped.csv", _positions(_swapped)),
        "minus_lost": ("gps_minus_lost.csv", _positions(_without_minus)),
        "decimal_commas": ("gps_decimal_commas.csv", _decimal_commas()),
        "grid_flipped": ("gps_grid_flipped.csv", _grid_flipped()),
        "bow_tie": ("outline_bow_tie.geojson", _bow_tie()),
        "sliver": ("outline_sliver.geojson", _with_sliver()),
        "doctype": ("outline_doctype.kml", _doctype()),
        "ids_as_dates": ("lab_ids_as_dates.csv", _results(_ids_as_dates)),
        "thousands": ("lab_thousands.csv", _results(_thousands)),
        "not_detected": ("lab_not_detected.csv", _results(_not_detected)),
        "oxides": ("lab_oxides.csv", _results(_oxides)),
        "no_units": ("lab_no_units.csv", _results(_no_units)),
        "five_samples": ("lab_five_samples.csv", _results(lambda rows: rows[:8] + rows[-2:])),
        "one_sample": ("lab_one_sample.csv", _results(lambda rows: rows[:4] + rows[-2:])),
        "all_equal": ("lab_all_equal.csv", _results(_all_equal)),
        "organ_differs": ("tissue_organ_differs.csv", _organ_differs()),
    }


# Outlines


def _shapefiles(folder: Path) -> dict[str, Path]:
    shapes = {
        name: folder / f"outline_{name}.shp"
        for name in ("no_prj", "cape_datum", "turned", "pond_apart", "pond_wound_wrong")
    }
    for path in shapes.values():
        for part in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
            shutil.copyfile(files() / f"outline_poel{part}", path.with_suffix(part))
    shapes["no_prj"].with_suffix(".prj").unlink()
    write_poel(shapes["cape_datum"], "EPSG:22279")
    _edit_corners(shapes["turned"], lambda ring: -ring, every=True)
    _edit_corners(shapes["pond_wound_wrong"], lambda ring: ring[::-1], every=False)
    _write_pond_apart(shapes["pond_apart"])
    return shapes


def _edit_corners(
    path: Path, change: Callable[[np.ndarray[Any, Any]], np.ndarray[Any, Any]], *, every: bool
) -> None:
    """Change the rings of the one polygon of a shapefile in place; only its last ring if not every.

    Written byte for byte, since libraries put the winding right. Layout: "ESRI Shapefile Technical
    Description", 1998, table 8.
    """
    data = bytearray(path.read_bytes())
    rings, corners = struct.unpack_from("<2i", data, 144)
    starts = [*struct.unpack_from(f"<{rings}i", data, 152), corners]
    first = 152 + 4 * rings
    for start, end in pairwise(starts):
        if every or end == corners:
            count, offset = 2 * (end - start), first + 16 * start
            ring = np.frombuffer(data, "<f8", count, offset).reshape(-1, 2)
            data[offset : offset + 8 * count] = change(ring).astype("<f8").tobytes()
    xy = np.frombuffer(data, "<f8", 2 * corners, first).reshape(-1, 2)
    bounds = struct.pack("<4d", *xy.min(axis=0), *xy.max(axis=0))
    data[36:68] = bounds
    data[112:144] = bounds
    path.write_bytes(data)


def _write_pond_apart(path: Path) -> None:
    """The pond as a second feature instead of a hole."""
    import geopandas

    shapes = [Polygon(OUTLINE["A"].exterior), Polygon(POND)]
    frame = geopandas.GeoDataFrame({"NAME": [NAMES["A"], "pond"]}, geometry=shapes, crs=LOCAL)
    frame.to_crs("EPSG:4326").to_crs("EPSG:2048").to_file(
        path, engine="pyogrio", encoding="cp1252", DBF_DATE_LAST_UPDATE="2024-05-02"
    )
    path.with_suffix(".cpg").write_bytes(b"1252")


def _bow_tie() -> bytes:
    """Knieë with two corners in the wrong order."""
    corners = list(OUTLINE["B"].exterior.coords)[:-1]
    corners[1], corners[2] = corners[2], corners[1]
    ring = np.round(to_lonlat(np.array([*corners, corners[0]])), 9)
    feature = {
        "type": "Feature",
        "properties": {"name": NAMES["B"]},
        "geometry": {"type": "Polygon", "coordinates": [ring.tolist()]},
    }
    content = {"type": "FeatureCollection", "features": [feature]}
    return (json.dumps(content, ensure_ascii=False) + "\n").encode()


def _with_sliver() -> bytes:
    """Knieë with a second piece of 3 m2, 10 m east of it."""
    from shapely import MultiPolygon

    sliver = Polygon([(256, -150), (257, -150), (256, -144)])
    shape = MultiPolygon([OUTLINE["B"], sliver])
    return feature_collection([map_feature(shape, {"name": NAMES["B"]})]).encode()


def _doctype() -> bytes:
    text = (files() / "outline_werfie.kml").read_text(encoding="utf-8")
    head, _, body = text.partition("\n")
    return f'{head}\n<!DOCTYPE kml [<!ENTITY yard "Werfie">]>\n{body}'.encode()


def _archive(path: Path) -> Path:
    """The zipped outline of Poel, and a member that would land outside its folder."""
    members = {
        f"outline_poel{part}": (files() / f"outline_poel{part}").read_bytes()
        for part in (".shp", ".shx", ".dbf", ".prj", ".cpg")
    }
    members["../../outside.txt"] = b"outside\n"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            # a fixed date, so that the same members give the same file
            archive.writestr(zipfile.ZipInfo(name, (2024, 5, 2, 0, 0, 0)), data)
    return path


# The position log


def _log() -> list[Row]:
    text = (files() / "gps_2024.csv").read_text(encoding="utf-8")
    return [line.split(",") for line in text.splitlines()]


def _joined(rows: Iterable[Sequence[str]], delimiter: str = ",") -> bytes:
    return "".join(delimiter.join(row) + "\n" for row in rows).encode()


def _positions(change: Callable[[Row], Row]) -> bytes:
    head, *rows = _log()
    return _joined([head, *map(change, rows)])


def _swapped(row: Row) -> Row:
    return [row[0], row[2], row[1], *row[3:]]


def _without_minus(row: Row) -> Row:
    return [row[0], row[1].lstrip("-"), *row[2:]]


def _decimal_commas() -> bytes:
    head, *rows = _log()
    commas = [[r[0], *(cell.replace(".", ",") for cell in r[1:4]), *r[4:]] for r in rows]
    return _joined([head, *commas], ";")


def _grid_flipped() -> bytes:
    """Survey grid Lo19 (EPSG:2048) with both signs turned, as a copy with axes east and north."""
    from pyproj import Transformer

    grid = Transformer.from_crs("EPSG:4326", "EPSG:2048", always_xy=True)
    head, *rows = _log()
    flipped = []
    for row in rows:
        west, south = grid.transform(float(row[2]), float(row[1]))
        flipped.append([row[0], f"{-west:.2f}", f"{-south:.2f}", *row[3:]])
    return _joined([["id", "x", "y", *head[3:]], *flipped])


# The results of 2024: title, headings, units, data, two footers


def _lab() -> list[Row]:
    text = (files() / "lab_2024.csv").read_text(encoding="cp1252")
    return [line.split(";") for line in text.splitlines()]


def _results(change: Callable[[list[Row]], list[Row]]) -> bytes:
    return "".join(";".join(row) + "\r\n" for row in change(_lab())).encode("cp1252")


def _ids_as_dates(rows: list[Row]) -> list[Row]:
    for number, month in enumerate(MONTHS, start=1):
        row = next(row for row in rows if row[0] == f"2-{number:02d}")
        row[0] = f"02-{month}"
    return rows


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _thousands(rows: list[Row]) -> list[Row]:
    """Calcium in mg/kg with a blank between the thousands."""
    at = rows[1].index("Ca")
    rows[2][at] = "mg/kg"
    for row in rows[3:-2]:
        value = _number(row[at]) * CHARGE["ca"]
        row[at] = f"{value:,.1f}".replace(",", " ").replace(".", ",")
    return rows


def _not_detected(rows: list[Row]) -> list[Row]:
    """Copper of the first six stations in six ways of saying that nothing was found."""
    at = rows[1].index("Cu")
    for row, word in zip(rows[3:], NOT_DETECTED, strict=False):
        row[at] = word
    return rows


def _oxides(rows: list[Row]) -> list[Row]:
    """Phosphorus as P2O5 and potassium as K2O, both in mg/kg."""
    per_kg = {"P": 1.0, "K": CHARGE["k"]}
    for element, oxide in (("P", "P2O5"), ("K", "K2O")):
        at = rows[1].index(element)
        rows[1][at], rows[2][at] = oxide, "mg/kg"
        for row in rows[3:-2]:
            sign = row[at][:1] if row[at].startswith(">") else ""
            value = _number(row[at].removeprefix(">")) * per_kg[element] * OXIDE[element]
            row[at] = f"{sign}{value:.1f}".replace(".", ",")
    return rows


def _no_units(rows: list[Row]) -> list[Row]:
    return [*rows[:2], *rows[3:]]


def _all_equal(rows: list[Row]) -> list[Row]:
    """Every sample with the values of the first."""
    first = rows[3][1:]
    data = {row[0]: [row[0], *first] for row in rows[3:-2]}
    return [*rows[:3], *data.values(), *rows[-2:]]


def _workbook(path: Path) -> Path:
    """The results as a workbook whose header cells are merged across and down."""
    import openpyxl
    from openpyxl.utils import get_column_letter

    title, heads, units, *data = _lab()
    groups = {"K": ("Exchangeable, NH4OAc pH 7", 4), "Fe": ("DTPA", 3)}
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (title, ["" for _ in heads], heads, units, *data):
        sheet.append([_workbook_cell(cell) for cell in row])
    for column, heading in enumerate(heads, start=1):
        letter = get_column_letter(column)
        if heading in groups:
            words, width = groups[heading]
            sheet.cell(2, column, words)
            sheet.merge_cells(f"{letter}2:{get_column_letter(column + width - 1)}2")
        elif not any(heads.index(g) < column <= heads.index(g) + n for g, (_, n) in groups.items()):
            sheet.cell(2, column, heading)
            sheet.merge_cells(f"{letter}2:{letter}3")
    book.save(path)
    return path


def _workbook_cell(text: str) -> str | float | None:
    """A number where the text is one: a workbook has no decimal comma of its own."""
    try:
        return _number(text)
    except ValueError:
        return text or None


def _organ_differs() -> bytes:
    """The tissue tests with T3 copied as a blade."""
    text = (files() / "tissue_2024_25.csv").read_text(encoding="utf-8")
    third = next(line for line in text.splitlines() if line.startswith("T3,"))
    return (text + third.replace("petiole", "blade", 1).replace("T3", "T3b", 1) + "\n").encode()


def _large(path: Path) -> Path:
    """The results over and over until the file is too large to be a farm's."""
    rows = _lab()
    block = "".join(";".join(row) + "\r\n" for row in rows[3:-2]).encode("cp1252")
    head = "".join(";".join(row) + "\r\n" for row in rows[:3]).encode("cp1252")
    path.write_bytes(head + block * (LARGE_BYTES // len(block) + 1))
    return path
