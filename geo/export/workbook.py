"""rates.xlsx: rates and ratings for whoever works in a spreadsheet; nothing in it is a formula."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from geo.export.tables import BUY_COLUMNS, COLUMNS, buy_rows, rate_rows
from geo.lookup import sources
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
SOURCE_COLUMNS = ("source", "title")
#: A workbook holds the time of writing in three places; this one stands for "no time".
NO_TIME = "2000-01-01T00:00:00Z"
NO_ZIP_TIME = (2000, 1, 1, 0, 0, 0)
#: Characters that XML 1.0 cannot hold (openpyxl refuses them).
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


#: How figures are shown, by the ending of their column's name; they are kept as they are.
FORMATS = {
    "_kg_ha": "#,##0.00",
    "_kg": "#,##0.0",
    "cost": "#,##0.00",
    "so_far": "#,##0.00",
    "hectares": "0.00",
}
#: Widths of columns, in letters: no less, no more for figures, no more for texts, which wrap.
NARROWEST, FIGURES, WIDEST = 7, 11, 60


def write_workbook(season: Season, path: Path) -> None:
    """Write rates.xlsx: rates, what to buy, ratings, sources; equal seasons give equal bytes."""
    rates = [[row.get(name) for name in COLUMNS] for row in rate_rows(season)]
    buy = [[row.get(name) for name in BUY_COLUMNS] for row in buy_rows(season)]
    sheets: dict[str, tuple[Sequence[str], Iterable[Sequence[Any]]]] = {
        "rates": (COLUMNS, rates),
        "buy": (BUY_COLUMNS, buy),
        "ratings": (RATING_COLUMNS, _ratings(season)),
        "sources": (SOURCE_COLUMNS, _sources(season)),
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


def _sources(season: Season) -> list[list[str]]:
    """Title of every source that a rate, a wait or a rating names."""
    plan, known = season.prescription, sources()
    named = [key for rate in plan.rates for key in rate.sources]
    named += [key for one in plan.held for key in one.sources]
    named += [one.source for one in (*season.ratings.block.values(), *season.ratings.soil)]
    keys = sorted({part for key in named for part in key.split("+")} & known.keys())
    return [[key, known[key].title] for key in keys]


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
        _lay_out(sheet, heading)
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


def _lay_out(sheet: Any, heading: Sequence[str]) -> None:
    """Head that stays and filters, columns as wide as their texts, one page wide in print."""
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = sheet.dimensions
    for number, name in enumerate(heading, start=1):
        cells = [sheet.cell(row, number) for row in range(1, sheet.max_row + 1)]
        longest = max(_letters(cell.value) for cell in cells)
        # Room for the button of the filter beside the name.
        width = min(max(longest + 1, len(name) + 4, NARROWEST), WIDEST)
        sheet.column_dimensions[get_column_letter(number)].width = width
        shown = next((form for end, form in FORMATS.items() if name.endswith(end)), None)
        for cell in cells[1:]:
            cell.alignment = Alignment(vertical="top", wrap_text=isinstance(cell.value, str))
            if shown and isinstance(cell.value, int | float):
                whole = shown == FORMATS["_kg_ha"] and cell.value == round(cell.value)
                cell.number_format = "#,##0" if whole else shown
        cells[0].font = Font(bold=True)
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.center.text = "&A, page &P of &N"


def _letters(value: Any) -> int:
    """Room that a value asks for; figures are rounded to their cell, as every reader does."""
    length = 0 if value is None else len(str(value))
    return min(length, FIGURES) if isinstance(value, int | float) else length


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
