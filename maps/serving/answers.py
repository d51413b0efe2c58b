"""Questions about files and samples: their names, what can be said to them, what an answer does."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from geo.farm import accept_findings
from geo.findings import Finding
from geo.lookup import properties
from geo.store.corrections import Change, exclude_sample, set_value
from geo.store.receiving import ABOUT_THE_FILE


def finding_id(finding: Finding) -> str:
    """A short name of a finding that stays the same when the files are read again."""
    text = repr((finding.rule, finding.message, finding.file, finding.row, finding.column))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def concerns_file(finding: Finding) -> bool:
    """Whether a proposal is about how a whole file is read."""
    if finding.rule == "places_far":
        return False  # the answer is a system, not a yes
    return not finding.sample_ids or finding.rule in ABOUT_THE_FILE


def choices(finding: Finding) -> list[tuple[str, str]]:
    """What a person can say to a question; the first is what we would do."""
    if finding.severity not in ("open", "refused"):
        return []
    found = []
    if finding.rule == "outside_block" and "lon" in finding.repair:
        found.append(("agree", "Move to planned spot"))
    elif finding.repair or (concerns_file(finding) and finding.proposal):
        found.append(("agree", finding.proposal.rstrip(".")))
    if finding.sample_ids and finding.keys:
        if len(finding.keys) == 1 and len(finding.sample_ids) == 1:
            found.append(("keep", "Keep it as it is"))
        names = " and ".join(properties()[key].name for key in finding.keys if key in properties())
        found.append(("leave", f"Leave {names or 'it'} out of the maps"))
    elif finding.rule == "outside_block" and len(finding.sample_ids) > 3:
        found.append(("leave", f"Leave all {len(finding.sample_ids)} out"))
    elif finding.sample_ids and len(finding.sample_ids) <= 3:
        found.append(("leave", f"Leave {' and '.join(finding.sample_ids)} out"))
    return found


def answer(
    farm: Path,
    season: int,
    finding: Finding,
    choice: str,
    texts: Mapping[tuple[str, str], str] | None = None,
) -> list[str]:
    """Carry out one answer on the farm: "agree", "keep" or "leave"."""
    why = f"answered in the browser: {finding.rule}"
    change = Change(season, "", why)
    if choice == "agree" and finding.repair:
        return list(accept_findings(farm, season, [finding]))
    if choice == "keep" and finding.keys:
        done: list[str] = []
        for sample in finding.sample_ids:
            for key in finding.keys:
                text = (texts or {}).get((sample, key))
                if text:
                    done += set_value(farm, change, sample, key, text)
        return done
    if choice == "leave" and not finding.keys:
        done = []
        for sample in finding.sample_ids:
            done += exclude_sample(farm, change, sample)
        return done
    return []
