"""report.pdf: for the shed wall and for the adviser, typeset from data, tagged, no date in it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geo.asapplied import AsApplied
from geo.errors import ExportError
from geo.season import Season
from maps.reportdata import report_data

#: Paper by the units of the farm.
PAPERS = {"metric": "a4", "us": "us-letter"}


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

    Raises
    ------
    ExportError
        If it cannot be typeset.
    """
    import typst

    template = Path(__file__).parent / "templates" / "report.typ"
    try:
        made: bytes = typst.compile(
            str(template),
            root=str(template.parent),
            sys_inputs={"data": json.dumps(data, ensure_ascii=False), "paper": paper},
            pdf_standards=["ua-1"],
        )
    except typst.TypstError as error:
        raise ExportError(f"report.pdf could not be typeset: {error}.") from error
    return made
