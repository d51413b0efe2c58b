"""Dates and depths as laboratories write them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date

from geo.intake.ids import MONTHS
from geo.intake.tongues import MONTH_WORDS, without_accents
from geo.units import M_PER_FT

#: Top and bottom of a layer. [cm]
Depth = tuple[float, float]


def day_comes_first(texts: Sequence[str], decimal: str) -> tuple[bool, bool]:
    """Whether dates such as 03/06/2024 put the day first, and whether that is certain.

    Without a number above 12 the decimal comma decides: who writes it writes the day first.
    """
    pairs = [m for t in texts if (m := re.match(r"(\d{1,2})[/.-](\d{1,2})[/.-]\d{2,4}", t))]
    if any(int(m[1]) > 12 for m in pairs) or any("." in m[0] for m in pairs):
        return True, True
    if any(int(m[2]) > 12 for m in pairs):
        return False, True
    return decimal == ",", not pairs


def read_date(text: str, *, day_first: bool = True) -> date | None:
    """A date, with or without a time behind it, or None.

    Examples
    --------
    >>> read_date("03/06/2024"), read_date("2025-06-05T08:00:00"), read_date("5 Jun 2025")
    (datetime.date(2024, 6, 3), datetime.date(2025, 6, 5), datetime.date(2025, 6, 5))
    >>> read_date("3. März 2025"), read_date("10/14/2025 9:30 AM", day_first=False)
    (datetime.date(2025, 3, 3), datetime.date(2025, 10, 14))
    >>> read_date("05/06/2025T09:30")
    datetime.date(2025, 6, 5)
    >>> read_date("October 14, 2025"), read_date("14 de outubro de 2025")
    (datetime.date(2025, 10, 14), datetime.date(2025, 10, 14))
    """
    text = re.sub(r"[ t]\d{1,2}:\d\d.*", "", without_accents(text).strip().lower())
    if match := re.match(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", text):
        return _day(int(match[1]), int(match[2]), int(match[3]))
    if match := re.fullmatch(r"(\d{1,2})[/.-](\d{1,2})[/.-](\d{2}|\d{4})", text):
        first, second = int(match[1]), int(match[2])
        month, day = (second, first) if day_first else (first, second)
        return _day(_full(match[3]), month, day)
    if match := re.fullmatch(r"((?:19|20)\d\d)(\d\d)(\d\d)", text):
        return _day(int(match[1]), int(match[2]), int(match[3]))
    word, year = r"([a-z]{3,})\.?", r"(\d{4}|\d{2})"
    parts = r"(?:[ .,-]+|[ .-]*\bde\b[ .-]*)"
    if match := re.fullmatch(rf"(\d{{1,2}})(?:st|nd|rd|th|er)?{parts}{word}{parts}{year}", text):
        return _day(_full(match[3]), _month(match[2]), int(match[1]))
    if match := re.fullmatch(rf"{word}[ .-]+(\d{{1,2}})(?:st|nd|rd|th)?[ ,-]+{year}", text):
        return _day(_full(match[3]), _month(match[1]), int(match[2]))
    return None


def _full(year: str) -> int:
    """A year of two figures is one of this century."""
    return int(year) if len(year) > 2 else 2000 + int(year)


def _month(word: str) -> int:
    """Number of the month a word begins; 0 if it is none."""
    known = {**{name: number for number, name in enumerate(MONTHS, start=1)}, **MONTH_WORDS}
    found = [name for name in known if word.startswith(name)]
    return known[max(found, key=len)] if found else 0


def days_of_times(times: Mapping[str, str], year: int) -> dict[str, date]:
    """Days of the times that a receiver wrote, by sample; only those of the year, for clocks err.

    Examples
    --------
    >>> days_of_times({"P-01": "2024-05-14T08:00:00+02:00", "P-02": "1980-01-06 00:00"}, 2024)
    {'P-01': datetime.date(2024, 5, 14)}
    """
    texts = {sample: re.split(r"[T\s]", time.strip())[0] for sample, time in times.items()}
    day_first, certain = day_comes_first(list(texts.values()), ".")
    days = {sample: read_date(text, day_first=day_first) for sample, text in texts.items()}
    return {s: day for s, day in days.items() if certain and day and day.year == year}


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def read_depth(text: str, unit: str = "cm") -> Depth | None:
    """Top and bottom of a layer; a single number is a layer from the surface. [cm]

    Examples
    --------
    >>> read_depth("0-15"), read_depth("15 – 30 cm"), read_depth("20"), read_depth("0-6 in")
    ((0.0, 15.0), (15.0, 30.0), (0.0, 20.0), (0.0, 15.24))
    """
    number = r"(\d+(?:[.,]\d+)?)"
    match = re.fullmatch(
        rf"\s*(?:{number}\s*(?:cm|mm|in|\")?\s*(?:-|–|to|/)\s*)?{number}\s*(cm|mm|in|inch|\")?\s*",
        text.lower(),
    )
    if match is None:
        return None
    unit = match[3] or unit.lower()
    inch_cm = 100 * M_PER_FT / 12
    factor = inch_cm if unit in ("in", "inch", "inches", '"') else 0.1 if unit == "mm" else 1.0
    top, bottom = (
        round(float((part or "0").replace(",", ".")) * factor, 6) for part in match.groups()[:2]
    )
    return (top, bottom) if bottom > top else None
