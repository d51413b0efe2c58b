"""`template`: an empty table for the laboratory or for typing, as CSV and XLSX."""

from __future__ import annotations

import argparse
import csv
import os
import tempfile
from pathlib import Path

from geo.errors import FarmError, SoilquiltError
from geo.export.tables import csv_cell
from geo.farm import known_points, read_blocks
from geo.intake.delimited import read_sheets
from geo.lookup import properties
from geo.received import receive
from geo.store.stations import laboratory_columns, sampled_ids
from maps.answer import Answer

#: Columns before the properties.
FIRST = ("sample", "block", "depth", "date (yyyy-mm-dd)", "lat", "lon")

#: What a first survey of a vineyard usually asks a laboratory for; common practice, no source.
USUAL = (
    "ph_water", "buffer_ph", "om", "p", "k", "ca", "mg", "na", "s", "zn", "mn", "fe", "cu", "b",
    "ec",
)  # fmt: skip


def template(arguments: argparse.Namespace) -> Answer:
    """Write template.csv and template.xlsx into the farm folder."""
    folder = arguments.folder
    rows = template_rows(folder)
    paths = [folder / "template.csv", folder / "template.xlsx"]
    for path in paths:
        if path.is_file() and filled_in(path):
            raise FarmError(
                f"{path} is there already, with values typed into it. Add it with 'soilquilt add', "
                "or move it elsewhere, then ask for an empty one again."
            )
    with tempfile.TemporaryDirectory(dir=folder, prefix=".template-") as temporary:
        write_csv(rows, Path(temporary) / paths[0].name)
        write_xlsx(rows, Path(temporary) / paths[1].name)
        for path in paths:
            os.replace(Path(temporary) / path.name, path)
    return Answer(
        lines=[f"{path}: {len(rows) - 1} samples to fill in." for path in paths],
        document={"files": [str(path) for path in paths], "samples": len(rows) - 1},
    )


def template_rows(folder: Path) -> list[list[str]]:
    """Headings with unit and method, then a row a station; a row a block where none is known."""
    columns = laboratory_columns(folder) or [
        (properties()[key].name, properties()[key].unit) for key in USUAL
    ]
    header = [*FIRST, *(_heading(name, unit) for name, unit in columns)]
    blank = [""] * (len(header) - 1)
    stations = list(dict.fromkeys(point.sample_id for point in known_points(folder)))
    # A gate or a lost bag has a place too; once results are on file, stations are what had one.
    sampled = sampled_ids(folder)
    first = (
        [name for name in stations if name in sampled]
        or stations
        or [block.name for block in read_blocks(folder)]
    )
    return [header, *([name, *blank] for name in first)]


def filled_in(path: Path) -> bool:
    """Whether a template on the disk holds more than its headings and names; also if unreadable."""
    try:
        tables = [sheet.rows for sheet in read_sheets(receive(path))]
    except SoilquiltError:
        return True
    return any(any(cells[1:]) for rows in tables for _, cells in rows[1:])


def _heading(name: str, unit: str) -> str:
    return name if unit in ("", "pH", "1") or unit.lower() in name.lower() else f"{name} ({unit})"


def write_csv(rows: list[list[str]], path: Path) -> None:
    """UTF-8 with a byte-order mark, which spreadsheets need to read names right."""
    with path.open("w", encoding="utf-8-sig", newline="") as stream:
        csv.writer(stream).writerows([[csv_cell(cell) for cell in row] for row in rows])


def write_xlsx(rows: list[list[str]], path: Path) -> None:
    """The same as a workbook; ids are text, so that no spreadsheet turns them into dates."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "results"
    for number, row in enumerate(rows, start=1):
        for column, text in enumerate(row, start=1):
            cell = sheet.cell(number, column)
            cell.value = text
            cell.data_type = "s"
            cell.number_format = "@" if column == 1 else "General"
    book.save(path)
