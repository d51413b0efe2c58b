"""Names for new spots that carry on the block's own pattern, so that results join by them."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Collection, Sequence

#: Digits of a number where the block has no pattern yet.
DIGITS = 2
_TAIL = re.compile(r"^(.*?)(\d+)$")


def next_ids(count: int, own: Sequence[str], taken: Collection[str], block: str) -> tuple[str, ...]:
    """Ids for new spots.

    Parameters
    ----------
    own : sequence of str
        Ids the block has had; their commonest pattern is carried on.
    taken : collection of str
        Every id of the farm; none is given twice.
    block : str
        Safe name of the block, for a block without any id.

    Examples
    --------
    >>> next_ids(2, ["P-01", "P-02", "P-03"], {"2-30"}, "poel")
    ('P-04', 'P-05')
    >>> next_ids(1, [f"W{n:02d}" for n in range(1, 16)], {"W99"}, "werfie")
    ('W16',)
    >>> next_ids(1, [], {"P-07"}, "poel")
    ('PO-01',)
    """
    stem, digits = _pattern(own) or (_fresh_stem(block, taken), DIGITS)
    used = {int(n) for s, n in map(_split, {*own, *taken}) if s.casefold() == stem.casefold() and n}
    free = (number for number in itertools.count(_end_of_row(used) + 1) if number not in used)
    return tuple(f"{stem}{number:0{digits}d}" for number in itertools.islice(free, count))


def _end_of_row(used: Collection[int]) -> int:
    """The last number of the row; a lone "99" for a check sample is no part of it."""
    ends = [n for rank, n in enumerate(sorted(used), start=1) if 2 * rank >= n]
    return max(ends, default=0)


def _split(sample_id: str) -> tuple[str, str]:
    match = _TAIL.match(sample_id)
    return (match[1], match[2]) if match else (sample_id, "")


def _pattern(own: Sequence[str]) -> tuple[str, int] | None:
    parts = [(stem, digits) for stem, digits in map(_split, own) if digits]
    if not parts:
        return None
    stem = Counter(stem for stem, _ in parts).most_common(1)[0][0]
    # Zeros in front tell the width; "9" after "09" would not sort with it.
    return stem, min(len(digits) for s, digits in parts if s == stem)


def _fresh_stem(block: str, taken: Collection[str]) -> str:
    """The fewest letters of the block's name that no other block's ids begin with."""
    letters = re.sub("[^A-Z0-9]", "", block.upper()) or "S"
    stems = {_split(one)[0].casefold() for one in taken}
    for length in range(1, len(letters) + 1):
        if (stem := letters[:length] + "-").casefold() not in stems:
            return stem
    return next(s for n in range(2, 1000) if (s := f"{letters}{n}-").casefold() not in stems)
