"""Bytes of a CSV file or a workbook -> rows of text cells, with how they were read."""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from geo.errors import IntakeError
from geo.fence import read_apart
from geo.findings import Finding
from geo.intake.numbers import decimal_mark
from geo.received import (
    MOST_SAMPLES,
    MOST_WORKBOOK_COLUMNS,
    MOST_WORKBOOK_ROWS,
    Received,
    check_members,
)

DELIMITERS = (";", "\t", ",", "|")


@dataclass(frozen=True)
class Sheet:
    """A table as text.

    Attributes
    ----------
    name : str
        File, and sheet of a workbook with several.
    rows : tuple of (row number, cells)
        Numbers as a spreadsheet shows them, from 1; empty rows are left out.
    decimal : str
        Decimal mark of its numbers.
    findings : tuple of Finding
        What had to be said of the way it was read.
    """

    name: str
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    decimal: str
    findings: tuple[Finding, ...] = ()


def read_sheets(file: Received) -> tuple[Sheet, ...]:
    """Tables of a CSV file or a workbook.

    Raises
    ------
    IntakeError
        If the file is neither, or damaged.
    """
    if file.kind == "zip":
        return read_apart(read_workbook, file, name=file.name)
    if file.kind == "text":
        return (_delimited(file),)
    if file.kind == "pdf":
        raise IntakeError(
            f"{file.name} is a PDF. Numbers cannot be read from it safely: ask the laboratory for "
            "CSV or XLSX, or type it into a table. Nothing of it was stored."
        )
    if file.kind == "old office file":
        raise IntakeError(f"{file.name} is an old workbook (.xls). Save it as .xlsx or CSV.")
    raise IntakeError(f"{file.name} is a {file.kind} file, not a table. Give CSV or XLSX.")


# CSV


def decode(data: bytes, name: str) -> tuple[str, tuple[Finding, ...]]:
    """Text of a file: by its byte order mark, else UTF-8, else cp1252 with a note.

    Raises
    ------
    IntakeError
        If it holds NUL characters.
    """
    findings: tuple[Finding, ...] = ()
    try:
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            text = data.decode("utf-16")
        else:
            text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        letters = sorted({c for c in text if ord(c) > 127})
        findings = (
            Finding(
                "code_page",
                "note",
                f"{name} is not UTF-8; read as Windows-1252 ({' '.join(letters[:8])}).",
                file=name,
            ),
        )
    if "\0" in text:
        raise IntakeError(f"{name} holds NUL characters: it is not a text table. Export it again.")
    return text, findings


def _delimited(file: Received) -> Sheet:
    text, findings = decode(file.data, file.name)
    lines = text.splitlines()
    if len(lines) > MOST_SAMPLES:
        raise IntakeError(
            f"{file.name} has {len(lines)} lines; {MOST_SAMPLES} is the most. "
            "Cut it to the samples of this farm."
        )
    delimiter = _delimiter(lines)
    try:
        raw = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise IntakeError(
            f"{file.name} cannot be parted into columns: {error}. "
            "A quotation mark that is not closed? Save it again as CSV."
        ) from None
    if any(cell.count("\n") > 20 for row in raw for cell in row):
        raise IntakeError(f"{file.name} has a quotation mark that is not closed. Save it again.")
    rows = _numbered(raw)
    cells = [cell for _, row in rows for cell in row]
    return Sheet(file.name, rows, decimal_mark(cells, delimiter), findings)


def _numbered(raw: Iterable[Sequence[str]]) -> tuple[tuple[int, tuple[str, ...]], ...]:
    """Rows with their numbers; empty ones only leave a gap."""
    cleaned = ((number, tuple(map(_cell, row))) for number, row in enumerate(raw, start=1))
    return tuple((number, row) for number, row in cleaned if any(row))


def _cell(text: str) -> str:
    """A cell without blanks around it, and without the guard of a spreadsheet export."""
    text = text.strip().replace("\xa0", " ")
    return text[1:] if re.match(r"'[=+\-@＝＋－＠\t]", text) else text


def _delimiter(lines: Sequence[str]) -> str:
    """The mark that parts most lines into the same number of cells, two or more."""
    filled = [line for line in lines[:200] if line.strip()]

    def fit(mark: str) -> tuple[float, int]:
        counts = [len(next(csv.reader([line], delimiter=mark), [])) for line in filled]
        usual = max(set(counts), key=lambda n: (counts.count(n), n), default=1)
        return (counts.count(usual) / max(len(counts), 1) if usual > 1 else 0.0, usual)

    best = max(DELIMITERS, key=fit)
    return best if fit(best)[0] > 0 else ","


# Workbooks


def read_workbook(file: Received) -> tuple[Sheet, ...]:
    """Tables of a workbook, empty sheets left out; `read_sheets` runs it in a child process.

    Raises
    ------
    IntakeError
        If it is no workbook, holds macros or is damaged.
    """
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(file.data)) as archive:
            names = archive.namelist()
            check_members([m for m in archive.infolist() if not m.is_dir()], file.name)
    except zipfile.BadZipFile as error:
        raise IntakeError(f"{file.name} is damaged: {error}. Save it again.") from None
    if "xl/workbook.xml" not in names:
        raise IntakeError(f"{file.name} is a zip, not a workbook. Give CSV or XLSX.")
    if any(name.lower().endswith("vbaproject.bin") for name in names):
        raise IntakeError(f"{file.name} holds macros (.xlsm). Save it as .xlsx or CSV.")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            book = openpyxl.load_workbook(io.BytesIO(file.data), read_only=True, data_only=True)
        except MemoryError:
            raise
        except Exception as error:  # openpyxl raises whatever a damaged part makes it raise
            raise IntakeError(f"{file.name} is damaged: {error}. Save it again.") from None
        try:
            sheets = [
                sheet
                for page in book.worksheets
                if (sheet := _page(page, file.name, len(book.worksheets) > 1)).rows
            ]
        finally:
            book.close()
    return tuple(sheets)


def _page(page: object, file: str, several: bool) -> Sheet:
    cells = [
        [(cell.value, getattr(cell, "number_format", "")) for cell in row]
        for row in page.iter_rows(  # type: ignore[attr-defined]
            max_row=MOST_WORKBOOK_ROWS, max_col=MOST_WORKBOOK_COLUMNS
        )
    ]
    # Numbers of a workbook have no mark of their own: its texts, such as "<0,3", tell the writer's.
    texts = [value for row in cells for value, _ in row if isinstance(value, str)]
    decimal = decimal_mark(texts, "\t")
    dates = _date_columns(cells)
    raw = [
        [
            cell_text(value, "" if column in dates else number_format, decimal)
            for column, (value, number_format) in enumerate(row)
        ]
        for row in cells
    ]
    name = f"{file}, {page.title}" if several else file  # type: ignore[attr-defined]
    return Sheet(name, _numbered(raw), decimal, _mark_of_texts(name, texts, decimal))


def _mark_of_texts(name: str, texts: Sequence[str], decimal: str) -> tuple[Finding, ...]:
    """What is said of a workbook whose texts write decimals with a comma."""
    if decimal == ".":
        return ()
    shown = next((t for t in texts if re.fullmatch(r"\D*\d+,\d+", t.strip())), "0,3")
    message = f"Texts of {name} write decimals with {decimal!r}, such as {shown!r}."
    return (Finding("decimal_mixed", "note", message, "", "Read so.", name),)


def _date_columns(cells: Sequence[Sequence[tuple[object, str]]]) -> set[int]:
    """Columns of days: most cells are dates. A few dates among ids are ids that were turned."""
    dates: Counter[int] = Counter()
    others: Counter[int] = Counter()
    for row in cells:
        for column, (value, _) in enumerate(row):
            if value is not None:
                (dates if isinstance(value, date) else others)[column] += 1
    return {column for column in dates if dates[column] > others[column]}


def cell_text(value: object, number_format: str = "", decimal: str = ".") -> str:
    """A workbook's cell as the text people see, numbers with the decimal mark of its texts.

    Examples
    --------
    >>> cell_text(0.31, decimal=","), cell_text(12.0), cell_text(date(2024, 6, 3))
    ('0,31', '12', '2024-06-03')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int | float):
        if re.fullmatch("0{2,}", number_format) and float(value).is_integer():
            return f"{int(value):0{len(number_format)}d}"
        text = repr(int(value)) if float(value).is_integer() else repr(float(value))
        return text.replace(".", decimal)
    if isinstance(value, datetime) and (value.hour or value.minute or value.second):
        return value.isoformat(sep=" ")
    if isinstance(value, datetime | date):
        short = re.fullmatch(r"d+[-/ .]*m+", number_format.lower().replace("\\", ""))
        return value.strftime("%d-%b") if short else value.strftime("%Y-%m-%d")
    return str(value)
