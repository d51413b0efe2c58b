"""One value of one sample given by two files or sheets: used once if alike, else asked about."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence

from geo.findings import Finding, shown
from geo.intake.reading import Result
from geo.lookup import properties

#: Values that differ by less come from one number. [1]
SAME_SHARE = 1e-6


def without_doubles(
    results: Sequence[Result], unasked: Collection[str]
) -> tuple[list[Result], list[Finding]]:
    """Results with each value once, and what was double.

    Determinations that a laboratory marks as repeats are no doubles. Where two values differ, both
    are kept and asked about: which file is out of date is not for us to say.

    Parameters
    ----------
    results : sequence of Result
        Of one layer of one block.
    unasked : collection of str
        Samples left as they are: composites, of which a block may have several, and bags that a
        question of their own is about.
    """
    groups: dict[tuple[str, str, int], list[Result]] = defaultdict(list)
    for result in results:
        groups[result.sample_id, result.key, result.repeat].append(result)
    dropped: set[int] = set()
    alike: dict[tuple[str, ...], list[str]] = defaultdict(list)
    unlike: dict[tuple[str, tuple[str, ...]], list[Sequence[Result]]] = defaultdict(list)
    for (sample_id, key, _), group in groups.items():
        told = [r for r in group if r.qualifier != "missing"] or group
        if len(group) == 1 or sample_id in unasked:
            continue
        dropped |= {id(r) for r in group if all(r is not one for one in told)}
        files = tuple(dict.fromkeys(r.file for r in told))
        if all(_same(told[0], other) for other in told[1:]):
            dropped |= {id(r) for r in told[1:]}
            if len(told) > 1:
                alike[files].append(sample_id)
        else:
            unlike[key, files].append(told)
    findings = [_given_twice(files, ids) for files, ids in alike.items()]
    findings += [_two_values(key, files, many) for (key, files), many in unlike.items()]
    return [r for r in results if id(r) not in dropped], findings


def _same(one: Result, other: Result) -> bool:
    if one.qualifier != other.qualifier or one.value is None or other.value is None:
        return one.qualifier == other.qualifier and one.value == other.value
    return math.isclose(one.value, other.value, rel_tol=SAME_SHARE)


def _in_files(files: Iterable[str]) -> str:
    """Where values stand, in words; what a person typed has no file."""
    named = [file or "what was typed by hand" for file in files]
    return " and ".join(named) if len(named) > 1 else f"two places of {named[0]}"


def _given_twice(files: tuple[str, ...], ids: Sequence[str]) -> Finding:
    samples = list(dict.fromkeys(ids))
    return Finding(
        "given_twice",
        "note",
        f"{len(ids)} values of {len(samples)} samples stand in {_in_files(files)}, with the same "
        "numbers.",
        "",
        "Used once.",
        file=files[0],
        sample_ids=tuple(samples),
    )


def _two_values(key: str, files: tuple[str, ...], many: Sequence[Sequence[Result]]) -> Finding:
    ids = [group[0].sample_id for group in many]
    first = " and ".join(f"{r.text} {r.unit_read}".strip() for r in many[0])
    whose = ids[0] if len(ids) == 1 else f"{len(ids)} samples ({shown(ids)})"
    return Finding(
        "two_values",
        "open",
        f"{properties()[key].name}: {whose} {'has' if len(ids) == 1 else 'have'} two values in "
        f"{_in_files(files)}; {ids[0]} reads {first}.",
        "Withdraw the file that no longer holds, or say the right value with 'soilquilt set'.",
        "Both are stored, and left out of maps and means: none of them is taken for a repeat.",
        file=files[0],
        column=many[0][0].column,
        sample_ids=tuple(ids),
        keys=(key,),
    )
