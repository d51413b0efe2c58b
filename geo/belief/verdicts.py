"""May a map be believed? The three verdicts, and how often they are wrong.

The rule and its error rates come from simulated surveys of six properties on blocks of 2 to 4 ha
(4,000 fields and more for each number of samples); `tests/benchmarks/belief.py` repeats them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

#: Fewer samples than this give one value and no map.
FEWEST = 10
#: Below this the warning for small numbers stands beside every map.
FEW = 15
#: Fitted figures are findings only from here on.
MANY = 50

USEFUL, WEAK, NONE = "useful", "weak", "none"

_COUNTS = (15, 20, 30, 40)
_WRONG_PCT = (9.0, 7.0, 5.0, 2.0)
_MISSED_PCT = (62.0, 54.0, 38.0, 25.0)
#: A property without pattern among others that have one is given a map this often. [%]
LONE_WRONG_PCT = (15.0, 17.0)


def judge(skill: float, survey_skill: float, nugget_weight: float) -> str:
    """Verdict on a map.

    Parameters
    ----------
    skill : float
        Leave-one-out skill of the property. [1]
    survey_skill : float
        Mean skill over the properties of the survey, each counted once. [1]
    nugget_weight : float
        Weight of pure nugget in the belief. [1]

    Returns
    -------
    str
        "useful", "weak" or "none".

    Examples
    --------
    >>> judge(0.3, 0.1, 0.5), judge(0.05, 0.1, 0.02), judge(0.05, 0.1, 0.2)
    ('useful', 'weak', 'none')
    """
    if skill >= 0.10:
        return USEFUL
    if survey_skill >= 0.05 and skill >= 0.0 and nugget_weight <= 0.10:
        return WEAK
    return NONE


def mean_skill(skills: Sequence[float]) -> float:
    """Mean skill of a survey; a property whose values are all equal counts as 0."""
    return float(np.mean(skills)) if len(skills) else 0.0


@dataclass(frozen=True)
class ErrorRates:
    """How often the verdict is wrong at this number of samples.

    Attributes
    ----------
    wrong_pct : float
        A map allowed although no property of the survey has a pattern. [%]
    missed_pct : float
        A real pattern refused. [%]
    how : str
        "counted" at the numbers that were simulated, "between" two of them (straight line), or
        "beyond" them (the nearest stands in).
    """

    wrong_pct: float
    missed_pct: float
    how: str


def error_rates(n: int) -> ErrorRates:
    """Error rates of the verdict at n samples.

    Examples
    --------
    >>> error_rates(30)
    ErrorRates(wrong_pct=5.0, missed_pct=38.0, how='counted')
    >>> error_rates(38).how
    'between'
    """
    wrong = float(np.interp(n, _COUNTS, _WRONG_PCT))
    missed = float(np.interp(n, _COUNTS, _MISSED_PCT))
    if n in _COUNTS:
        return ErrorRates(wrong, missed, "counted")
    inside = _COUNTS[0] < n < _COUNTS[-1]
    return ErrorRates(wrong, missed, "between" if inside else "beyond")


def describe_error_rates(n: int) -> str:
    """The same in a sentence for people."""
    rates = error_rates(n)
    if rates.how == "beyond":
        near = _COUNTS[0] if n < _COUNTS[0] else _COUNTS[-1]
        about, than = (f"{near} samples", "more" if n < near else "fewer")
        lead = f"Counted at {about}, so {than} often at {n}"
    else:
        lead = f"With {n} samples" + (
            "" if rates.how == "counted" else " (read between the numbers counted)"
        )
    return (
        f"{lead}: soil without any pattern is given a map in {rates.wrong_pct:.0f} of 100 cases, "
        f"a real pattern goes unseen in {rates.missed_pct:.0f} of 100."
    )
