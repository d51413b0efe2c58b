"""A sheet of text -> columns that are understood, rows of data, and the lines around them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from geo.intake.delimited import Sheet
from geo.intake.headings import is_unit, read_heading
from geo.intake.numbers import read_cell
from geo.intake.reading import Column
from geo.lookup import properties
from geo.rating.methods import match_method

#: The header stands in one of the first lines.
SEARCHED_LINES = 30

#: Words of a line of units beside units themselves.
_UNIT_WORDS = frozenset(("", "-", "unit", "units", "ph", "cm", "m", "deg", "1", "date"))


@dataclass(frozen=True)
class Row:
    """A line of data: its number in the file, and its cells by column."""

    number: int
    cells: tuple[str, ...]

    def __getitem__(self, column: int) -> str:
        return self.cells[column] if column < len(self.cells) else ""


@dataclass(frozen=True)
class Table:
    """A table as understood.

    Attributes
    ----------
    name, decimal : str
        As in its Sheet.
    columns : tuple of Column
        One a column of the file, also of those not used.
    rows : tuple of Row
    titles, footers : tuple of (row number, text)
        Lines above the header and below or between the data.
    unit_row : int or None
        Number of the line of units.
    """

    name: str
    decimal: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    titles: tuple[tuple[int, str], ...] = ()
    footers: tuple[tuple[int, str], ...] = ()
    header_row: int = 0
    unit_row: int | None = None

    def column_of(self, role: str) -> int | None:
        """Index of the first column of a role or property; None if there is none."""
        return next((i for i, c in enumerate(self.columns) if c.key == role), None)

    def property_columns(self) -> list[int]:
        """Indices of the columns that hold soil properties."""
        return [i for i, column in enumerate(self.columns) if column.key in properties()]


def read_table(sheet: Sheet, columns: Mapping[str, str] | None = None) -> Table | None:
    """The table of a sheet; None if no line of it looks like a header.

    Parameters
    ----------
    columns : mapping, optional
        Heading -> property key or role, said by a person.
    """
    sheet = _trimmed(sheet)
    found = _find_header(sheet, columns or {})
    if found is None:
        return None
    first, last, headings, groups = found
    body = list(sheet.rows[last + 1 :])
    units: Sequence[str] = ()
    unit_row = None
    if body and _is_unit_line(body[0][1], headings):
        unit_row, units = body.pop(0)
    understood = tuple(
        _column(heading, _at(groups, i), _at(units, i), columns)
        for i, heading in enumerate(headings)
    )
    data, footers = _part_body(body, understood)
    return Table(
        name=sheet.name,
        decimal=sheet.decimal,
        columns=understood,
        rows=tuple(data),
        titles=tuple((number, _joined(row)) for number, row in sheet.rows[:first]),
        footers=tuple(footers),
        header_row=sheet.rows[last][0],
        unit_row=unit_row,
    )


def _trimmed(sheet: Sheet) -> Sheet:
    """A sheet without the empty columns that a workbook has at its right."""
    width = max((i + 1 for _, row in sheet.rows for i, cell in enumerate(row) if cell), default=0)
    return replace(sheet, rows=tuple((number, row[:width]) for number, row in sheet.rows))


def _column(heading: str, group: str, below: str, columns: Mapping[str, str] | None) -> Column:
    """A column as its heading, the heading over it and the cell of the line of units say."""
    column = read_heading(heading, group=group, columns=columns)
    unit = _own_unit(below, column.key)
    over = " ".join(filter(None, (group, below if below and not unit else "")))
    return read_heading(heading, group=over, unit=unit, columns=columns)


def _at(cells: Sequence[str], index: int) -> str:
    return cells[index] if index < len(cells) else ""


def _joined(cells: Sequence[str]) -> str:
    return " ".join(cell for cell in cells if cell)


def _own_unit(text: str, key: str) -> str:
    """A cell of the line of units, unless it says nothing or names the method."""
    if is_unit(text.strip("()[]")):
        return text.strip("()[]")
    named = key in properties() and text and "/" not in text
    method = match_method(key, text) if named else None
    return "" if text.lower() in _UNIT_WORDS or method else text.strip("()[]")


def _find_header(
    sheet: Sheet, columns: Mapping[str, str]
) -> tuple[int, int, tuple[str, ...], tuple[str, ...]] | None:
    """First and last line of the header, its headings, and the headings over several columns."""
    best: tuple[int, int, int, tuple[str, ...], tuple[str, ...]] | None = None
    lines = [cells for _, cells in sheet.rows[: SEARCHED_LINES + 1]]
    single = [(i, i, cells, _groups_above(sheet, i)) for i, cells in enumerate(lines)]
    double = [(i, i + 1, *_merged(lines[i], lines[i + 1])) for i in range(len(lines) - 1)]
    # Two lines are a header only if they tell more than the better one alone.
    for first, last, headings, groups in (*single, *double):
        score = _recognised(headings, columns)
        if score >= 2 and (best is None or score > best[0]):
            best = (score, first, last, headings, groups)
    return best[1:] if best else None


def _recognised(headings: Sequence[str], columns: Mapping[str, str]) -> int:
    return sum(bool(h and read_heading(h, columns=columns).key) for h in headings)


def _merged(upper: Sequence[str], lower: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Two header lines with cells merged down and across, as one."""
    headings, groups, group = [], [], ""
    for i in range(max(len(upper), len(lower))):
        above, below = _at(upper, i), _at(lower, i)
        if above:
            group = above if below else ""
        heading, over = _one_heading(above, below, group)
        headings.append(heading)
        groups.append(over)
    return tuple(headings), tuple(groups)


def _one_heading(above: str, below: str, group: str) -> tuple[str, str]:
    """Heading of a column from two cells, and what stands over it.

    The upper cell may name what the lower one only qualifies: "pH" over "1:1 water", "Depth" over
    "in", "CEC" over "meq/100g".
    """
    if not below:
        return above, ""
    if not above:
        return below, group
    named, own = read_heading(above).key, read_heading(below).key
    if not named or own == named:
        return below, above
    if _is_a_unit(below):
        return f"{above} ({below.strip('()[]')})", ""
    both = f"{above} {below}"
    if read_heading(both).key:
        return both, ""
    return (below, above) if own else (above, below)


def _is_a_unit(text: str) -> bool:
    bare = text.lower().strip("()[]")
    return is_unit(bare) or bare in ("cm", "mm", "in", "inch", "inches")


def _groups_above(sheet: Sheet, index: int) -> tuple[str, ...]:
    """Headings over several columns from the line above, unless that is a title."""
    if index == 0:
        return ()
    above = sheet.rows[index - 1][1]
    if sum(bool(cell) for cell in above[1:]) == 0:
        return ()
    return _merged(above, sheet.rows[index][1])[1]


def _is_unit_line(cells: Sequence[str], headings: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.lower() not in _UNIT_WORDS]
    if not filled:
        return sum(bool(cell) for cell in cells) >= 2
    units = sum(is_unit(cell.strip("()[]")) for cell in filled)
    numbers = sum(read_cell(cell).qualifier == "" or read_cell(cell, ",").value is not None
                  for cell in filled)  # fmt: skip
    return units >= 0.6 * len(filled) and numbers == 0 and len(headings) > 1


def _part_body(
    body: Sequence[tuple[int, tuple[str, ...]]], columns: Sequence[Column]
) -> tuple[list[Row], list[tuple[int, str]]]:
    """Lines of data, and lines with nothing but a remark."""
    known = [i for i, column in enumerate(columns) if column.key]
    data, footers = [], []
    for number, cells in body:
        filled = [i for i, cell in enumerate(cells) if cell]
        used = [i for i in filled if i in known]
        lonely = len(filled) == 1 and len(known) > 2 and len(cells[filled[0]]) > 12
        if lonely or not used or _joined(cells).lower().startswith(("method", "note:", "end of")):
            footers.append((number, _joined(cells)))
        else:
            data.append(Row(number, cells))
    return data, footers
