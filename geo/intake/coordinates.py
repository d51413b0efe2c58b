"""Coordinates as text -> degrees: decimal, degrees and minutes, NMEA; and what may be wrong."""

from __future__ import annotations

import re

from geo.intake.numbers import read_number

_MARKS = str.maketrans({"’": "'", "′": "'", "‘": "'", "”": '"', "″": '"', "“": '"', "º": "°",
                        "˚": "°", "\u2212": "-", "\xa0": " "})  # fmt: skip
_SIGNS = {"N": 1, "S": -1, "E": 1, "W": -1}
_NUMBER = r"\d+(?:[.,]\d+)?"
_DMS = re.compile(
    rf"([+-]?)({_NUMBER})\s*(?:°|d|deg|:|\s)\s*(?:({_NUMBER})\s*(?:'|m|:|\s)?\s*)?"
    rf"(?:({_NUMBER})\s*(?:\"|''|s)?\s*)?"
)


def read_degrees(text: str, axis: str, decimal: str = ".") -> float | None:
    r"""One coordinate in any of the usual ways of writing, or None. [deg]

    Parameters
    ----------
    axis : str
        "lat" or "lon": a hemisphere letter of the other axis is not taken.

    Examples
    --------
    >>> round(read_degrees("33°58'11.1\"S", "lat"), 6), read_degrees("W119 29.970", "lon")
    (-33.96975, -119.4995)
    >>> read_degrees("-33.97 S", "lat"), read_degrees("46°72'00\"N", "lat")
    (None, None)
    """
    text = " ".join(text.translate(_MARKS).upper().split()).replace("''", '"')
    letters = re.findall(r"(?<![A-Z])[NSEWO](?![A-Z])", text)
    if len(letters) > 1 or (letters and not _fits(letters[0], axis)):
        return None
    bare = re.sub(r"(?<![A-Z])[NSEW](?![A-Z])", "", text).strip(" ,;")
    size = _magnitude(bare, axis, decimal, nmea=bool(letters))
    if size is None or (letters and bare.startswith(("-", "+"))):
        return None
    value = size * (_SIGNS[letters[0]] if letters else 1)
    return value if abs(value) <= 180 else None


def _fits(letter: str, axis: str) -> bool:
    """`O` is west in some languages and east in others: never taken."""
    return letter in ("NS" if axis == "lat" else "EW")


def _magnitude(text: str, axis: str, decimal: str, *, nmea: bool) -> float | None:
    plain = read_number(text, decimal)
    if plain is None and decimal == ",":
        plain = read_number(text, ".")
    if plain is not None:
        width = 2 if axis == "lat" else 3
        if nmea and re.fullmatch(rf"\d{{{width + 2}}}\.\d+", text):
            return _sexagesimal(float(text[:width]), float(text[width:]), 0.0)
        return plain
    match = _DMS.fullmatch(text)
    if match is None:
        return None
    parts = [float(part.replace(",", ".")) if part else 0.0 for part in match.groups()[1:]]
    whole = [part for part in match.groups()[1:] if part]
    if any("." in part or "," in part for part in whole[:-1]):
        return None
    size = _sexagesimal(*parts)
    return None if size is None else (-size if match[1] == "-" else size)


def _sexagesimal(degrees: float, minutes: float, seconds: float) -> float | None:
    if minutes >= 60 or seconds >= 60:
        return None
    return degrees + minutes / 60 + seconds / 3600


def read_place(text: str, decimal: str = ".") -> tuple[float, float] | None:
    """Longitude and latitude from one cell that holds both, latitude first. [deg]

    Examples
    --------
    >>> read_place("46.200500, -119.499500"), read_place("46,2005; -119,4995")
    ((-119.4995, 46.2005), (-119.4995, 46.2005))
    >>> read_place("4612.0300,N,11929.9700,W"), read_place("N46 12.030 W119 29.970")
    ((-119.4995, 46.2005), (-119.4995, 46.2005))
    """
    text = text.translate(_MARKS).strip()
    nmea = re.fullmatch(r"(\d{4}\.\d+)\s*,\s*([NS])\s*,\s*(\d{5}\.\d+)\s*,\s*([EW])", text.upper())
    if nmea:
        halves = (nmea[1] + nmea[2], nmea[3] + nmea[4])
    else:
        parted = _halves(text)
        if parted is None:
            return None
        halves = parted
    comma = decimal if "," not in text else ("," if ";" in text else ".")
    lat, lon = read_degrees(halves[0], "lat", comma), read_degrees(halves[1], "lon", comma)
    return None if lat is None or lon is None else (round(lon, 10), round(lat, 10))


def _halves(text: str) -> tuple[str, str] | None:
    for pattern in (r"(.+?)\s*;\s*(.+)", r"(.+?)\s*,\s*(.+)", r"(.*?[NS])\s*(.*?[EW].*)",
                    r"([NS].*?)\s*([EW].*)", r"(\S+)\s+(\S+)"):  # fmt: skip
        match = re.fullmatch(pattern, text, flags=re.IGNORECASE)
        if match and read_degrees(match[1], "lat", ",") is not None:
            return match[1], match[2]
    return None
