"""What a laboratory calls its method -> the extractant whose tables may rate it (methods.csv)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from geo.lookup import Tables


@dataclass(frozen=True)
class MethodMatch:
    """A method as understood, and how it stands to the tables.

    Attributes
    ----------
    method : str
        Its name in `methods.csv`.
    rate_as : tuple of (key, extractant)
        Tables that may rate it, in order; empty if none may.
    relation : str
        "same", "family" (reads nearly alike, said aloud), "converted", "own" (only its own tables)
        or "ask" (not rated until the laboratory is asked).
    say : str
        What to say beside a rating.
    source : str
    from_memory : bool
    """

    method: str
    rate_as: tuple[tuple[str, str], ...]
    relation: str
    say: str
    source: str
    from_memory: bool


def match_method(key: str, text: str, tables: Tables | None = None) -> MethodMatch | None:
    """The row of `methods.csv` that a laboratory's words stand for; None if there is none.

    The longest spelling found in the words decides: "hot 0.01 M CaCl2" is not "CaCl2". Words that
    hold no spelling never fall to a default; only an empty text does, where the property has one.
    The spelling "*" is for what is computed here, such as the exchangeable sodium percentage.

    Examples
    --------
    >>> match_method("p", "Mehlich 3 (ICP)").method
    'Mehlich-3'
    >>> match_method("k", "") is None
    True
    """
    words = plain(text)
    best: tuple[int, Mapping[str, str]] | None = None
    for row in (tables or Tables()).rows("methods"):
        if key not in row["keys"].split(";"):
            continue
        for spelling in row["spellings"].split(";"):
            fits = spelling == "*" or (plain(spelling) in words if spelling else not words)
            if fits and (best is None or len(spelling) > best[0]):
                best = (len(spelling), row)
    return _match(key, best[1]) if best else None


def resolve_method(key: str, text: str) -> str:
    """A laboratory's words as the name of a method in `methods.csv`; the words themselves if none.

    Examples
    --------
    >>> resolve_method("zn", "DTPA-extractable"), resolve_method("zn", "secret brew")
    ('DTPA', 'secret brew')
    """
    found = match_method(key, text) if text.strip() else None
    return found.method if found else text.strip()


def plain(text: str) -> str:
    """Lower case, subscripts as digits, one blank between words."""
    digits = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
    return re.sub(r"[\s_]+", " ", text.translate(digits).lower()).strip()


def _match(key: str, row: Mapping[str, str]) -> MethodMatch:
    targets = []
    for target in filter(None, row["rate_as"].split(";")):
        other, colon, extractant = target.partition(":")
        is_other = colon and other in ("om", "cec")
        targets.append((other, extractant) if is_other else (key, target))
    return MethodMatch(
        method=row["method"],
        rate_as=tuple(targets),
        relation=row["relation"],
        say=row["say"],
        source=row["source"],
        from_memory=row["verified"] == "memory",
    )
