"""Finding: what a grower should know about the input, as data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Finding:
    """Something a grower should know: what was met, where, what is proposed and what was done.

    Attributes
    ----------
    rule : str
        Short fixed name of the check, such as "same_bag_twice"; `--accept RULE` agrees to its
        proposal.
    severity : str
        "refused" (nothing of the file is stored), "open" (a question: the values concerned are
        stored but left out of surfaces until it is answered), "warning", or "note".
    message : str
        One or two sentences: what, where, and the values.
    proposal : str
        What would be done if the person agrees; empty if there is nothing to agree to.
    what_was_done : str
        What the tool did by itself.
    file, row, column : str, int, str
        Where in the file (row counted from 1 as a spreadsheet shows it); empty or None if nowhere.
    sample_ids, keys : tuple of str
        The samples and property keys concerned; no keys means the whole sample.
    repair : mapping
        The proposal as data: {"sample": new id} or {"value": text} or {"swap": "ph_water ph_kcl"},
        {"lon": .., "lat": ..} ... read only by whoever applies the rule.
    """

    rule: str
    severity: str
    message: str
    proposal: str = ""
    what_was_done: str = ""
    file: str = ""
    row: int | None = None
    column: str = ""
    sample_ids: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()
    repair: Mapping[str, str] = field(default_factory=dict)

    @property
    def where(self) -> str:
        """Where in the file it was met, in words; empty if nowhere.

        Examples
        --------
        >>> Finding("unit_missing", "open", "K has no unit.", file="a/lab.csv", row=3).where
        'lab.csv, row 3'
        """
        row = f"row {self.row}" if self.row is not None else ""
        column = f"column {self.column}" if self.column else ""
        return ", ".join(filter(None, [self.file.rpartition("/")[2], row, column]))


def shown(ids: Sequence[str], most: int = 6) -> str:
    """The first of many ids.

    Examples
    --------
    >>> shown(["P-01", "P-02"]), shown(["1", "2", "3"], most=2)
    ('P-01, P-02', '1, 2, ...')
    """
    return ", ".join(ids[:most]) + (", ..." if len(ids) > most else "")
