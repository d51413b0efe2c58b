"""rates.xlsx: rates and ratings for whoever works in a spreadsheet; nothing in it is a formula."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from geo.export.tables import BUY_COLUMNS, COLUMNS, buy_rows, rate_rows
from geo.season import Season

RATING_COLUMNS = (
    "sample",
    "key",
    "value",
    "unit",
    "level",
    "low",
    "high",
    "target",
    "source",
    "from_memory",
    "why",
)
#: A workbook holds the time of writing in three places; this one stands for "no time".
NO_TIME = "2000-01-01T00:00:00Z"
NO_ZIP_TIME = (2000, 1, 1, 0, 0, 0)
#: Characters that XML 1.0 cannot hold (openpyxl refuses them).
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


def write_workbook(season: Season, path: Path) -> None:
    """Write rates.xlsx: sheets `rates`, `buy` and `ratings`; equal seasons give equal bytes."""
    rates = [[row.get(name) for name in COLUMNS] for row in rate_rows(season)]
    buy = [[row.get(name) for name in BUY_COLUMNS] for row in buy_rows(season)]
    sheets: dict[str, tuple[Sequence[str], Iterable[Sequence[Any]]]] = {
        "rates": (COLUMNS, rates),
        "buy": (BUY_COLUMNS, buy),
        "ratings": (RATING_COLUMNS, _ratings(season)),
    }
    path.write_bytes(workbook_bytes(sheets))


def _ratings(season: Season) -> list[list[Any]]:
    block = list(season.ratings.block.values())
    return [
        [
            one.sample_id,
            one.key,
            one.value,
            one.unit,
            one.level.replace("_", " "),
            one.low,
            one.high,
            "yes" if one.target else "",
            one.source,
            "from memory, please check" if one.from_memory else "",
            one.why,
        ]
        for one in (*block, *season.ratings.soil)
    ]


def workbook_bytes(
    sheets: dict[str, tuple[Sequence[str], Iterable[Sequence[Any]]]],
) -> bytes:
    """Sheets as an XLSX file, all text stored as text."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.worksheets[0])
    for title, (heading, rows) in sheets.items():
        sheet = book.create_sheet(title)
        for number, row in enumerate([heading, *rows], start=1):
            for column, value in enumerate(row, start=1):
                _put(sheet.cell(number, column), value)
        sheet.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return _timeless(out.getvalue())


def _put(cell: Any, value: Any) -> None:
    if value is None or (isinstance(value, float) and value != value):
        return
    if isinstance(value, bool) or not isinstance(value, int | float):
        # openpyxl takes any text that begins with "=" for a formula unless told otherwise.
        cell.value = CONTROL.sub("", str(value))
        cell.data_type = "s"
    else:
        cell.value = value


def _timeless(content: bytes) -> bytes:
    """The same workbook without the time of writing."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for item in sorted(old.infolist(), key=lambda one: one.filename):
            data = old.read(item)
            if item.filename == "docProps/core.xml":
                data = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", NO_TIME.encode(), data)
            new.writestr(zipfile.ZipInfo(item.filename, NO_ZIP_TIME), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()
