"""Sample ids as people type them -> one id a station, with everything changed said."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

#: Separators that people use alike between the letters of an id and its number.
_SEPARATORS = r"[-_/\\. ]*"

#: Characters that one hand writes and another reads.
_LOOKALIKES = str.maketrans("OILSZBK", "0115282")

#: A station's letters and its number; None if the id is not of that kind.
Station = tuple[str, int]


def tidy(text: str) -> str:
    """Without blanks at the ends, letters in one form, blanks inside single."""
    text = unicodedata.normalize("NFC", text).strip().lstrip("'")
    return re.sub(r"[‐‑‒–—−]", "-", " ".join(text.split()))


def station(text: str) -> Station | None:
    """Letters and number of an id, without the accidents of typing.

    Examples
    --------
    >>> station("P-1") == station("p-02 ") , station("P01") == station(" p 1"), station("2/02")
    (False, True, ('2', 2))
    """
    match = re.fullmatch(rf"([A-Z]+|\d+(?=[-_/\\. ]))?{_SEPARATORS}(\d+)", tidy(text).upper())
    if match is None:
        match = re.fullmatch(
            r"([A-Z0-9]*[A-Z]|[A-Z0-9]+(?=[-_/\\.]))[-_/\\. ]+(\d+)", tidy(text).upper()
        )
    return ((match[1] or "").lstrip("0") or match[1] or "", int(match[2])) if match else None


def without_revisit(text: str) -> str:
    """An id without the final R of a station that was sampled again.

    Examples
    --------
    >>> without_revisit("P01R"), without_revisit("2/02 r"), without_revisit("BAR")
    ('P01', '2/02', 'BAR')
    """
    return re.sub(r"(?<=\d)[ -]?[Rr]$", "", tidy(text))


def as_date(text: str) -> tuple[int, int] | None:
    """Day and month of an id that a spreadsheet turned into a date.

    Examples
    --------
    >>> as_date("02-Jan"), as_date("Feb-01"), as_date("2-01"), as_date("2024-01-02 00:00:00")
    ((2, 1), (1, 2), None, (2, 1))
    """
    text = tidy(text).lower()
    months = "|".join(MONTHS)
    if match := re.fullmatch(rf"(\d{{1,2}})[- /.]({months})[a-z]*", text):
        return int(match[1]), MONTHS.index(match[2]) + 1
    if match := re.fullmatch(rf"({months})[a-z]*[- /.](\d{{1,2}})", text):
        return int(match[2]), MONTHS.index(match[1]) + 1
    if match := re.fullmatch(r"\d{4}-(\d\d)-(\d\d)(?:[ t]00:00:00)?", text):
        return int(match[2]), int(match[1])
    return None


@dataclass(frozen=True)
class Ids:
    """How the ids of a file were read.

    Attributes
    ----------
    of : mapping
        Id as typed -> the sample's id.
    known : frozenset of Station
        Stations that the farm knows from elsewhere.
    revisits : tuple of str
        Ids read without their final R.
    changed : tuple of (typed, read)
        Ids that were written differently, not counting blanks at the ends.
    """

    of: Mapping[str, str]
    known: Mapping[Station, str]
    revisits: tuple[str, ...]
    changed: tuple[tuple[str, str], ...]


def read_ids(typed: Sequence[str], known: Iterable[str] = ()) -> Ids:
    """One id a station: written as the farm writes it, else as most of the file does.

    Parameters
    ----------
    typed : sequence of str
        Ids of a file, one a row.
    known : iterable of str
        Sample ids of the farm.
    """
    on_file = {place: name for name in known if (place := station(name))}
    plain = {text: tidy(text) for text in typed}
    bare = {tidy(text) for text in typed}
    revisits = []
    for text, name in plain.items():
        short = without_revisit(name)
        # Where both are in one file, R means something else: leave it.
        if short != name and short not in bare:
            plain[text] = short
            revisits.append(name)
    style = _style([*on_file.values(), *on_file.values(), *plain.values()])
    read = {text: _written(name, on_file, style) for text, name in plain.items()}
    gone = set(revisits)
    changed = tuple(
        (tidy(text), name)
        for text, name in read.items()
        if name != tidy(text) and tidy(text) not in gone
    )
    return Ids(read, on_file, tuple(revisits), changed)


def _style(names: Iterable[str]) -> Mapping[str, tuple[str, int]]:
    """For the letters of each kind of id: the separator used most, and the width of the number."""
    separators: dict[str, Counter[str]] = {}
    widths: dict[str, int] = {}
    for name in names:
        place = station(name)
        if place is None:
            continue
        letters, number = place
        middle = re.search(r"([-_/\\. ]*)\d+$", name)
        # A slash or blank is taken for the hyphen: ids become names of things.
        mark = "-" if middle and middle[1] else ""
        separators.setdefault(letters, Counter())[mark] += 1
        widths[letters] = max(widths.get(letters, 1), len(str(number)), len(_digits(name)))
    return {
        letters: (counts.most_common(1)[0][0], widths[letters])
        for letters, counts in separators.items()
    }


def _digits(name: str) -> str:
    match = re.search(r"\d+$", name)
    return match[0] if match else ""


def _written(name: str, known: Mapping[Station, str], style: Mapping[str, tuple[str, int]]) -> str:
    place = station(name)
    if place is None:
        return name
    if place in known:
        return known[place]
    letters, number = place
    mark, width = style[letters]
    if not letters:
        return name
    # Numbers alone on both sides would run together.
    mark = mark or ("-" if letters[-1].isdigit() else "")
    return f"{letters}{mark}{number:0{max(width, 2)}d}"


def near_miss(name: str, free: Sequence[str]) -> str | None:
    """The one free station an unknown id can be a slip for; None if none or several.

    Examples
    --------
    >>> near_miss("K-03", ["2-03", "P-04"]), near_miss("P-O4", ["2-03", "P-04"])
    ('2-03', 'P-04')
    """
    number = station(name)
    folded = re.sub(r"[^A-Z0-9]", "", name.upper()).translate(_LOOKALIKES)
    alike = [
        other
        for other in free
        if re.sub(r"[^A-Z0-9]", "", other.upper()).translate(_LOOKALIKES) == folded
    ]
    if not alike and number:
        alike = [other for other in free if (place := station(other)) and place[1] == number[1]]
    return alike[0] if len(alike) == 1 else None


def missing_between(name: str, present: Iterable[str], known: Iterable[str] = ()) -> str | None:
    """The next id in bag order, if the file lacks it and there is such a station.

    Parameters
    ----------
    present : iterable of str
        Ids in the file.
    known : iterable of str
        Ids on file.

    Examples
    --------
    >>> missing_between("W09", ["W08", "W09", "W11"]), missing_between("W09", ["W09", "W10"])
    ('W10', None)
    """
    place = station(name)
    if place is None:
        return None
    there = {other for text in present if (other := station(text))}
    on_file = {other for text in known if (other := station(text))}
    following = (place[0], place[1] + 1)
    if following in there or not any(
        letters == place[0] and number >= following[1] for letters, number in there | on_file
    ):
        return None
    return re.sub(r"\d+$", lambda m: f"{following[1]:0{len(m[0])}d}", name)
