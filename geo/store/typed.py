"""What a person types to correct a record -> a place, a cell, a layer."""

from __future__ import annotations

import re

from geo import units
from geo.errors import FarmError, UsageError

_CELL = re.compile(r"^([<>]?)\s*([+-]?\d+(?:[.,]\d+)?)\s*(\D.*)?$")


def place_from(text: str) -> tuple[float, float]:
    """Longitude and latitude from "latitude, longitude" in decimal degrees.

    Raises
    ------
    FarmError
        If the text is not two numbers within these ranges.
    """
    numbers = re.findall(r"[+-]?\d+(?:\.\d+)?", text)
    if len(numbers) != 2 or abs(float(numbers[0])) > 90 or abs(float(numbers[1])) > 180:
        raise FarmError(
            f"{text!r} is not a place. Write latitude, longitude in decimal degrees, "
            "such as '-33.9697, 19.9964'."
        )
    return float(numbers[1]), float(numbers[0])


def cell_from(key: str, text: str, unit: str) -> tuple[float | None, str]:
    """House-unit value and qualifier of a cell as a person types it.

    Raises
    ------
    FarmError
        If the text is no value.

    Examples
    --------
    >>> cell_from("k", "0,2", "cmol(+)/kg"), cell_from("zn", "<0.3", "mg/kg")
    ((78.2, ''), (0.3, '<'))
    """
    if text.strip().lower() in {"", "missing", "n.a.", "not analysed"}:
        return None, "missing"
    match = _CELL.match(text.strip())
    if match is None:
        raise FarmError(
            f"{key}: {text!r} is not a value. Write a number, '<0.3' below a limit, or 'missing'."
        )
    qualifier, number, own_unit = match.groups()
    value, _ = units.to_house_unit(key, float(number.replace(",", ".")), own_unit or unit)
    return value, qualifier


def depth_from(text: str) -> tuple[float, float]:
    """Top and bottom of a layer from "0-15". [cm]

    Raises
    ------
    UsageError
        If the text is no layer, or its top is not above its bottom.

    Examples
    --------
    >>> depth_from("0-15")
    (0.0, 15.0)
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[-–]\s*(\d+(?:\.\d+)?)\s*(?:cm)?\s*", text)
    if match is None or float(match[1]) >= float(match[2]):
        raise UsageError(f"{text!r} is not a depth layer. Write top and bottom in cm, as 0-15.")
    return float(match[1]), float(match[2])
