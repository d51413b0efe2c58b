"""What one file holds, as understood, before anything is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from geo.blocks import Outline
from geo.findings import Finding


@dataclass(frozen=True)
class Point:
    """A sampled place: the id as typed and as normalised, and where it lies in WGS84. [deg]"""

    typed_id: str
    sample_id: str
    lon: float
    lat: float
    hdop: float | None = None
    time: str = ""
    note: str = ""
    row: int | None = None


@dataclass(frozen=True)
class Result:
    """One cell of a laboratory's file, kept as text beside what it was read as.

    Attributes
    ----------
    sample_id, typed_id : str
        The normalised id that joins laboratory and field, and the id as written.
    key : str
        Property key of `geo/tables/properties.toml`.
    text : str
        The cell as it stands in the file.
    value : float or None
        In the house unit of the key; the limit for a censored cell; None where there is no number.
    qualifier : str
        "" a number, "<" below the limit, ">" above the limit, "missing" not analysed or blank.
    method : str
        Extractant or pH method as the file states it, resolved to the words of methods.csv; empty
        if the file does not say.
    unit_read : str
        The unit the cell was in.
    depth_cm : (float, float) or None
        Top and bottom of the layer; None if the file does not say.
    note : str
        Words beside the value, such as a mark for a repeat determination.
    file : str
        Name of the file.
    """

    sample_id: str
    typed_id: str
    key: str
    text: str
    value: float | None
    qualifier: str
    method: str
    unit_read: str
    row: int
    column: str
    depth_cm: tuple[float, float] | None = None
    sampled_on: date | None = None
    repeat: int = 0
    note: str = ""
    file: str = ""


@dataclass(frozen=True)
class TissueTest:
    """One plant sample: where and what it is, and its values in % or mg/kg of dry matter.

    `values` holds key -> (value, unit); keys are those of the soil properties plus "n" and "no3_n".
    `stage` and `organ` are empty if the file does not say: such a test is not rated.
    """

    sample_id: str
    block: str
    part: str
    stage: str
    organ: str
    sampled_on: date | None
    values: Mapping[str, tuple[float, str]]
    row: int | None = None


@dataclass(frozen=True)
class Application:
    """Something that was spread: when, where, what, how much.

    `zone` is the words of the record; `where_lonlat` its polygon as WKT in WGS84 if there is one.
    """

    applied_on: date | None
    block: str
    zone: str
    product: str
    amendment: str
    analysis: str
    rate_kg_ha: float | None
    area_ha: float | None
    placement: str
    where_lonlat: str = ""
    note: str = ""
    row: int | None = None


@dataclass(frozen=True)
class Reading:
    """All that was understood of one file; `kinds` says what is in it.

    A result file with coordinates gives results and points. Composites are results whose sample id
    names a block and that have no point.
    """

    path: str
    sha256: str
    kinds: tuple[str, ...]
    outlines: tuple[Outline, ...] = ()
    points: tuple[Point, ...] = ()
    results: tuple[Result, ...] = ()
    tissue: tuple[TissueTest, ...] = ()
    applications: tuple[Application, ...] = ()
    logged: tuple[LoggedRate, ...] = ()
    laboratory: str = ""
    columns: tuple[Column, ...] = ()
    findings: tuple[Finding, ...] = ()

    def with_findings(self, *more: Finding) -> Reading:
        """The same reading with further findings."""
        return replace(self, findings=self.findings + more)


@dataclass(frozen=True)
class Column:
    """A column as understood: heading, property key or role, unit, method; key "" = not used."""

    heading: str
    key: str
    unit: str
    method: str


@dataclass(frozen=True)
class LoggedRate:
    """A point of an as-applied log: place [deg], target and actual rate. [kg/ha]"""

    time: str
    lon: float
    lat: float
    target_kg_ha: float | None
    actual_kg_ha: float
    row: int | None = None
