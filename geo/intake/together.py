"""What several samples of one file have in common, said in one finding that names them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from geo.findings import Finding, shown

#: A sample outside: its own finding, and how far outside its block it lies. [m]
Outside = tuple[Finding, float]


def outside_together(found: Sequence[Outside], block: str) -> list[Finding]:
    """One question on the samples outside a block that all want the same answer.

    A sample with a repair of its own (a place on file, a planned spot) keeps its own question.

    Parameters
    ----------
    found : sequence of (Finding, float)
        A finding a sample, and how far outside it lies. [m]
    block : str
        Name of the block nearest to all of them.

    Examples
    --------
    >>> def lies(sample, row):
    ...     return Finding("outside_block", "open", "", row=row, sample_ids=(sample,))
    >>> (one,) = outside_together([(lies("W-1", 2), 52.4), (lies("W-2", 3), 80.0)], "Poel")
    >>> one.message.partition(". ")[0], one.sample_ids, one.row
    ('2 samples lie 52 to 80 m outside Poel, the nearest block (W-1, W-2)', ('W-1', 'W-2'), 2)
    """
    own = [finding for finding, _ in found if finding.repair]
    alike = sorted(
        ((finding, away_m) for finding, away_m in found if not finding.repair),
        key=lambda one: one[0].sample_ids,
    )
    if len(alike) < 2:
        return [finding for finding, _ in found]
    ids = tuple(sample for finding, _ in alike for sample in finding.sample_ids)
    away = [f"{m:.0f}" for m in (min(m for _, m in alike), max(m for _, m in alike))]
    question = replace(
        alike[0][0],
        message=f"{len(ids)} samples lie {' to '.join(dict.fromkeys(away))} m outside {block}, "
        f"the nearest block ({shown(ids)}). If their block is missing, add its outline.",
        proposal="Give each its right place with 'soilquilt set --key place', or leave them out.",
        what_was_done="In no map until they lie in a block.",
        sample_ids=ids,
    )
    return [*own, question]


def same_places_together(found: Sequence[Finding]) -> list[Finding]:
    """One warning on all places where several samples carry the same position.

    Examples
    --------
    >>> def pair(*names):
    ...     return Finding("same_place", "warning", "", row=2, sample_ids=names)
    >>> (one,) = same_places_together([pair("A-1", "A-2"), pair("B-1", "B-2")])
    >>> one.message
    '4 samples carry the same position as another (A-1 and A-2; B-1 and B-2).'
    """
    if len(found) < 2:
        return list(found)
    found = sorted(found, key=lambda finding: finding.sample_ids)
    ids = tuple(sample for finding in found for sample in finding.sample_ids)
    groups = [" and ".join(finding.sample_ids) for finding in found]
    alike = "; ".join(groups[:3]) + ("; ..." if len(groups) > 3 else "")
    return [
        replace(
            found[0],
            message=f"{len(ids)} samples carry the same position as another ({alike}).",
            proposal="Give each its right place with 'soilquilt set --key place'.",
            what_was_done="All kept; what lies at one position is mapped as one spot.",
            sample_ids=ids,
        )
    ]


def said_with(finding: Finding, told: Iterable[tuple[str, frozenset[str]]]) -> bool:
    """Whether what a finding says of several samples was said of all of them, and more, before.

    Parameters
    ----------
    finding : Finding
    told : iterable of (rule, sample ids)
        What was said before.
    """
    ids = frozenset(finding.sample_ids)
    return (
        len(ids) > 1
        and not finding.repair
        and any(
            finding.rule == rule in ("outside_block", "same_place") and ids <= samples
            for rule, samples in told
        )
    )
