"""report.pdf: for the shed wall and for the adviser, typeset from data, tagged, no date in it."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geo.asapplied import AsApplied
from geo.errors import ExportError
from geo.season import Season
from maps.assets import TEMPLATES
from maps.paper.reportdata import report_data

#: Paper by the units of the farm.
PAPERS = {"metric": "a4", "us": "us-letter"}
NO_FONT = "Letters that no font of this computer holds are printed as question marks."
#: More letters than this missing one by one is another trouble.
MOST_MISSING = 40
#: Signs beyond Latin that the report itself writes.
OURS = "€−"


def write_report(
    season: Season,
    folder: Path,
    paper: str | None = None,
    applied: Sequence[AsApplied] = (),
) -> None:
    """Write report.pdf for a season into its folder.

    Parameters
    ----------
    season : Season
    folder : Path
    paper : {"a4", "us-letter"}, optional
        By default letter for a farm in pounds and acres, else A4.
    applied : sequence of AsApplied
        What is on record as spread in the season.
    """
    paper = paper or PAPERS.get(season.settings.units, "a4")
    (folder / "report.pdf").write_bytes(report_pdf(report_data(season, applied), paper))


def report_pdf(data: dict[str, Any], paper: str = "a4") -> bytes:
    """The report as PDF/UA-1. All text reaches the typesetter as data and is never its code.

    The standard refuses a letter that no font of the machine holds; it is then printed as a
    question mark, and the page on the method says so.

    Raises
    ------
    ExportError
        If it cannot be typeset.
    """
    import typst

    text = json.dumps(data, ensure_ascii=False)
    missing = ""
    while True:
        try:
            return _typeset(text, paper)
        except typst.TypstError as error:
            letters = _without_font(str(error))
            if not letters or len(missing) > MOST_MISSING or set(letters) <= set(missing):
                raise ExportError(f"report.pdf could not be typeset: {error}.") from error
            missing += letters
        shown = {**data, "made": [*data["made"], NO_FONT]}
        plain = json.dumps(shown, ensure_ascii=False)
        # Many letters of one script are missing together: all beyond the Latin ones go at once.
        text = "".join("?" if c in missing or _foreign(c) else c for c in plain)


def _typeset(text: str, paper: str) -> bytes:
    import typst

    template = TEMPLATES / "report.typ"
    made: bytes = typst.compile(
        str(template),
        root=str(template.parent),
        sys_inputs={"data": text, "paper": paper},
        pdf_standards=["ua-1"],
    )
    return made


def _without_font(message: str) -> str:
    """Letters that the typesetter has no font for, from its message; empty if that is not it."""
    found = re.search(r'the text `"(.+?)"` could not be displayed', message, re.DOTALL)
    if not found:
        return ""
    text = re.sub(r"\\u\{([0-9a-f]+)\}", lambda code: chr(int(code.group(1), 16)), found.group(1))
    return "".join(c for c in text if not c.isascii())


def _foreign(letter: str) -> bool:
    """Letters beyond Latin, Greek and Cyrillic; signs and spaces of ours are none."""
    return ord(letter) > 0x52F and unicodedata.category(letter)[0] in "LMSC" and letter not in OURS
