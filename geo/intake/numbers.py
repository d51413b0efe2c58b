"""One cell of a table as text -> a number, a limit, or the word for why there is none."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from geo.intake.tongues import BELOW_WORDS, MISSING_WORDS, without_accents

#: Words for "nothing was measured here"; upper and lower case alike.
MISSING = frozenset(
    ("", "-", "--", "---", "–", "—", ".", "..", "n/a", "na", "n.a.", "n.a", "nan", "null", "none",
     "not tested", "not run", "not analysed", "not analyzed", "not determined", "not requested",
     "ins", "insufficient", "insufficient sample", "#n/a", "n/r", "nr", "not reported",
     *MISSING_WORDS)
)  # fmt: skip

#: Words for "less than we can see", with no limit said.
BELOW = frozenset(
    ("nd", "n.d.", "n.d", "bdl", "b.d.l.", "<lod", "<loq", "<dl", "<ld", "<mdl", "<rl", "trace",
     "tr", "tr.", "traces", "not detected", "below detection", *BELOW_WORDS)
)  # fmt: skip

#: Numbers that stand for nothing.
SENTINELS = frozenset((-999.0, -9999.0, -99999.0, 9999.0, 99999.0, 999999.0, 1e30))

_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_BLANKS = "  \u2007\u2009\u202f"
_SPACED = re.compile(rf"[+-]?\d{{1,3}}(?:[{_BLANKS}']\d{{3}})+(?:[.,]\d+)?")
_GROUPED = {  # decimal mark -> numbers whose thousands are grouped by the other mark
    ".": re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?"),
    ",": re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?"),
}
_LIMITED = re.compile(r"([<>≤≥]=?)\s*(.+)")


@dataclass(frozen=True)
class Cell:
    """A cell as read.

    Attributes
    ----------
    value : float or None
        The number, or the limit of a censored cell; in the unit of the column.
    qualifier : str
        "" a number, "<" below the limit (no value: the limit is not said), ">" above it,
        "missing", "sentinel" (a number that stands for nothing) or "strange" (not understood).
    grouped : bool
        Thousands were parted by a mark.
    unit : str
        Unit written behind the number, if any.
    """

    value: float | None
    qualifier: str = ""
    grouped: bool = False
    unit: str = ""


def read_cell(text: str, decimal: str = ".") -> Cell:
    """A cell with the decimal mark of its file.

    Examples
    --------
    >>> read_cell("1 146,0", ","), read_cell("< 0,3", ",").value, read_cell("n.a.").qualifier
    (Cell(value=1146.0, qualifier='', grouped=True, unit=''), 0.3, 'missing')
    >>> read_cell("1_000").qualifier, read_cell("inf").qualifier, read_cell("−2.5").value
    ('strange', 'strange', -2.5)
    """
    text = text.strip().strip(_BLANKS).replace("\u2212", "-")
    lower = " ".join(without_accents(text.lower()).split())
    if lower in MISSING:
        return Cell(None, "missing")
    if lower.replace(" ", "") in BELOW or lower in BELOW:
        return Cell(None, "<")
    limited = _LIMITED.fullmatch(text)
    if limited:
        cell = read_cell(limited[2], decimal)
        if cell.value is None or cell.qualifier:
            return Cell(None, "strange")
        return Cell(cell.value, "<" if limited[1][0] in "<≤" else ">", cell.grouped, cell.unit)
    number, unit = _number_and_unit(text)
    value, grouped = _read_number(number, decimal)
    if value is None:
        return Cell(None, "strange")
    if value in SENTINELS:
        return Cell(None, "sentinel")
    return Cell(value, "", grouped, unit)


def read_number(text: str, decimal: str = ".") -> float | None:
    """A plain number, or None."""
    cell = read_cell(text, decimal)
    return cell.value if cell.qualifier == "" and not cell.unit else None


def _number_and_unit(text: str) -> tuple[str, str]:
    match = re.fullmatch(rf"([+-]?[\d.,{_BLANKS}']*\d)\s*(%|[a-zA-Zµ][\w/%()+ .-]*)?", text)
    if match is None or re.fullmatch(r"[eE][+-]?\d+", match[2] or ""):
        return text, ""
    return match[1], (match[2] or "").strip()


def _read_number(text: str, decimal: str) -> tuple[float | None, bool]:
    grouped = bool(_SPACED.fullmatch(text))
    if grouped:
        text = re.sub(rf"[{_BLANKS}']", "", text)
    other = "," if decimal == "." else "."
    if _GROUPED[decimal].fullmatch(text) and not _one_group_only(text, decimal):
        text, grouped = text.replace(other, ""), True
    if other in text:
        return None, False
    text = text.replace(decimal, ".")
    return (float(text), grouped) if _PLAIN.fullmatch(text) else (None, False)


def _one_group_only(text: str, decimal: str) -> bool:
    """`1,234` in a file of decimal points: a thousand, or a decimal comma? Not for us to say."""
    other = "," if decimal == "." else "."
    return text.count(other) == 1 and decimal not in text


def is_ambiguous(text: str, decimal: str = ".") -> bool:
    """Whether a cell may be a thousand or a fraction.

    Examples
    --------
    >>> is_ambiguous("1,234"), is_ambiguous("1,234.5"), is_ambiguous("1,23")
    (True, False, False)
    """
    text = text.strip().lstrip("<>≤≥").strip()
    return bool(_GROUPED[decimal].fullmatch(text)) and _one_group_only(text, decimal)


def decimal_mark(cells: Sequence[str], delimiter: str) -> str:
    """Decimal mark of a table: a comma only where its cells say so and cannot mean otherwise.

    Examples
    --------
    >>> decimal_mark(["5,3", "0,42"], ";"), decimal_mark(["5.3"], ";"), decimal_mark(["1,146"], ",")
    (',', '.', '.')
    """
    commas = sum(bool(re.fullmatch(r"[<>≤≥]?\s*[+-]?[\d  ]*\d,\d+", c.strip())) for c in cells)
    points = sum(bool(re.fullmatch(r"[<>≤≥]?\s*[+-]?\d*\.\d+", c.strip())) for c in cells)
    if commas <= points:
        return "."
    groups = sum(is_ambiguous(c, ".") for c in cells)
    return "." if groups == commas and delimiter == "," else ","
