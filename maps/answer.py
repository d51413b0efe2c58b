"""What a command hands back: sentences for people, a document for programs, an exit code."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from geo.findings import Finding

DONE, BUG, FAILED = 0, 1, 3

#: From what stops a file to what is only worth knowing.
SEVERITY_WORDS = {"refused": "refused", "open": "asks", "warning": "mind", "note": "note"}


@dataclass
class Answer:
    """The outcome of a command.

    Attributes
    ----------
    lines : list of str
        Printed on stdout, unless `--json` is given.
    document : dict
        Printed on stdout as JSON if it is.
    exit_code : int
        0 done, 1 a bug, 2 wrong use, 3 some units failed or input was refused.
    """

    lines: list[str] = field(default_factory=list)
    document: dict[str, Any] = field(default_factory=dict)
    exit_code: int = DONE


def tell(*lines: str) -> None:
    """Say something on stderr, where it never mixes with what a program reads."""
    for line in lines:
        sys.stderr.write(line + "\n")
    sys.stderr.flush()


class Progress:
    """Progress on stderr: a bar on a terminal, lines elsewhere."""

    def __init__(self, total: int, word: str) -> None:
        self.total, self.word, self.done = total, word, 0
        self.bar = sys.stderr.isatty()

    def step(self, what: str) -> None:
        """One unit is done."""
        self.done += 1
        if self.bar:
            filled = round(24 * self.done / max(self.total, 1))
            line = f"\r{'#' * filled:.<24} {self.done} of {self.total} {self.word}  {what:<40.40}"
            sys.stderr.write(line + ("\n" if self.done == self.total else ""))
        else:
            sys.stderr.write(f"{self.done} of {self.total} {self.word}: {what}\n")
        sys.stderr.flush()


def finding_lines(findings: Iterable[Finding]) -> list[str]:
    """Findings in order of consequence, each with where it is and what is proposed."""
    order = list(SEVERITY_WORDS)
    lines = []
    for finding in sorted(findings, key=lambda f: order.index(f.severity)):
        line = f"  {SEVERITY_WORDS[finding.severity]}: {finding.message}"
        line += f" [{finding.where}]" if finding.where else ""
        if finding.what_was_done:
            line += f" {finding.what_was_done}"
        if finding.proposal and finding.severity == "open":
            line += f" Proposed: {finding.proposal}"
            line += f" Agree with --accept {finding.rule}." if finding.repair else ""
        elif finding.proposal and finding.severity == "warning":
            line += f" {finding.proposal}"
        lines.append(line)
    return lines


def finding_document(finding: Finding) -> dict[str, Any]:
    """A finding as plain data."""
    return {
        "rule": finding.rule,
        "severity": finding.severity,
        "message": finding.message,
        "proposal": finding.proposal,
        "what_was_done": finding.what_was_done,
        "file": finding.file,
        "row": finding.row,
        "column": finding.column,
        "samples": list(finding.sample_ids),
        "keys": list(finding.keys),
        "repair": dict(finding.repair),
    }
