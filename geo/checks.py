"""SampleSet + Block -> CheckedSamples: what is outside, double, implausible, or below detection."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely

from geo.blocks import Block
from geo.checking.derived import with_derived
from geo.checking.layout import on_one_line
from geo.checking.suspects import implausible, impossible_pairs, ten_times
from geo.crs import Place, lonlat_to_xy
from geo.findings import Finding
from geo.intake.reading import Result
from geo.intake.samples import SampleSet
from geo.intake.together import Outside, outside_together, same_places_together
from geo.lookup import properties

#: (sample id, property key).
Cell = tuple[str, str]

#: A place this little outside is within the noise of any receiver: kept, and said. [m]
EDGE_M = 2.0

#: Samples nearer than this carry the same position. [m]
SAME_PLACE_M = 0.01

#: Questions of a file that are looked into again here, from the values as they now are.
_LOOKED_INTO_AGAIN = ("outside_block", "same_place")

_BY_CONSEQUENCE = ("refused", "open", "warning", "note")


@dataclass(frozen=True)
class CheckedSamples:
    """Samples, each value usable, open, or left out, with a finding for each that is not usable.

    Attributes
    ----------
    samples : SampleSet
        As stored.
    usable : DataFrame
        Like `samples.table`, NaN where a value is open, left out or missing; censored cells hold
        the value used for mapping (half the limit below, the limit above). Repeat determinations
        are averaged; samples at one and the same place keep their own rows. Holds the derived
        columns too (`ecec`, `esp`, `base_saturation`, `ca_mg`), each from the row's own values.
    findings : tuple of Finding
        In order of consequence.
    left_out : tuple of (sample id, reason)
    open : tuple of (sample id, key)
        Values with an unanswered question.
    censored : mapping
        (sample id, key) -> ("<" or ">", limit).
    repeats : mapping
        (sample id, key) -> the single determinations behind an average.
    """

    samples: SampleSet
    usable: pd.DataFrame
    findings: tuple[Finding, ...]
    left_out: tuple[tuple[str, str], ...]
    open: tuple[tuple[str, str], ...]
    censored: Mapping[tuple[str, str], tuple[str, float]]
    repeats: Mapping[tuple[str, str], tuple[float, ...]]


def check_samples(
    samples: SampleSet, block: Block, planned: Mapping[str, Place] | None = None
) -> CheckedSamples:
    """Every value of a survey looked at: by itself, beside its row, beside its neighbours.

    Parameters
    ----------
    samples : SampleSet
        One layer of one block and season; the questions that its files left open are in its
        findings.
    block : Block
    planned : mapping, optional
        Sample id -> longitude and latitude where it was to be taken, such as its place in another
        season. [deg]

    Returns
    -------
    CheckedSamples
        Nothing is changed: a value with a question is set aside until it is answered.
    """
    table = samples.table
    censored = _censored(samples)
    averages, repeats = _repeats(samples)
    usable = _values(table, censored, averages)
    handed_on = [f for f in samples.findings if f.rule not in _LOOKED_INTO_AGAIN]
    placed, left_out = _places(samples, block, planned or {})
    asked = {*_cells_of(handed_on, table), *_cells_of(placed, table), *_limitless(samples)}
    usable = _without(usable, asked)
    skip = frozenset(asked) | _answered(samples.answered, table)
    found = _suspects(usable, samples, censored, skip)
    usable = with_derived(_without(usable, _cells_of(found, table)), samples.methods)
    findings = (*handed_on, *placed, *found, *_limits(samples, censored), *_blanks(samples))
    return CheckedSamples(
        samples=samples,
        usable=usable,
        findings=tuple(sorted(findings, key=lambda f: _BY_CONSEQUENCE.index(f.severity))),
        left_out=left_out,
        open=_in_order(_with_a_value({*asked, *_cells_of(found, table)}, samples), table),
        censored=censored,
        repeats=repeats,
    )


def _keys(table: pd.DataFrame) -> list[str]:
    return [str(key) for key in table if key in properties()]


def _suspects(
    usable: pd.DataFrame,
    samples: SampleSet,
    censored: Mapping[Cell, tuple[str, float]],
    skip: frozenset[Cell],
) -> list[Finding]:
    """Findings on single values; one question a value."""
    found = [*impossible_pairs(usable, samples.cells, skip)]
    known = skip | frozenset(_cells_of(found, usable))
    found += implausible(usable, samples.cells, known)
    # A stand-in for a limit says nothing of a slipped decimal sign.
    known = known | frozenset(_cells_of(found, usable)) | frozenset(censored)
    return [*found, *ten_times(_without(usable, set(censored)), samples.cells, known)]


def _with_a_value(cells: Iterable[Cell], samples: SampleSet) -> set[Cell]:
    """Without cells that hold nothing: there is nothing to ask about."""
    return {
        cell
        for cell in cells
        if cell not in samples.cells or samples.cells[cell].qualifier != "missing"
    }


def _in_order(cells: Iterable[Cell], table: pd.DataFrame) -> tuple[Cell, ...]:
    rows = {str(name): i for i, name in enumerate(table.index)}
    columns = {key: i for i, key in enumerate(_keys(table))}
    return tuple(sorted(cells, key=lambda c: (rows.get(c[0], -1), columns.get(c[1], -1))))


# Values


def _censored(samples: SampleSet) -> dict[Cell, tuple[str, float]]:
    """Cells below or above what the laboratory can measure, with its limit."""
    return {
        cell: (result.qualifier, result.value)
        for cell, result in samples.cells.items()
        if result.qualifier in ("<", ">") and result.value is not None
        and cell[0] in samples.table.index
    }  # fmt: skip


def _limitless(samples: SampleSet) -> set[Cell]:
    """Cells below a limit that nobody has said."""
    return {
        cell
        for cell, result in samples.cells.items()
        if result.qualifier == "<" and result.value is None
    }


def _stand_in(qualifier: str, value: float) -> float:
    """Value used for mapping: half the limit below it, the limit itself above it."""
    return value / 2 if qualifier == "<" else value


def _repeats(
    samples: SampleSet,
) -> tuple[dict[Cell, float], dict[Cell, tuple[float, ...]]]:
    """Averages of repeat determinations, and the single ones behind them."""
    averages: dict[Cell, float] = {}
    single: dict[Cell, tuple[float, ...]] = {}
    for cell, results in samples.repeats.items():
        values = tuple(
            _stand_in(r.qualifier, r.value)
            for r in results
            if r.value is not None and r.qualifier != "missing"
        )
        if values:
            averages[cell] = sum(values) / len(values)
        if len(values) > 1:
            single[cell] = values
    return averages, single


def _values(
    table: pd.DataFrame,
    censored: Mapping[Cell, tuple[str, float]],
    averages: Mapping[Cell, float],
) -> pd.DataFrame:
    usable = table.copy()
    for (sample_id, key), (qualifier, limit) in censored.items():
        if key in usable:
            usable.loc[sample_id, key] = _stand_in(qualifier, limit)
    for (sample_id, key), value in averages.items():
        if sample_id in usable.index and key in usable:
            usable.loc[sample_id, key] = value
    return usable


def _without(table: pd.DataFrame, cells: Iterable[Cell]) -> pd.DataFrame:
    """A table with some of its values set aside."""
    kept = table.copy()
    for sample_id, key in cells:
        if sample_id in kept.index and key in kept:
            kept.loc[sample_id, key] = math.nan
    return kept


def _cells_of(findings: Iterable[Finding], table: pd.DataFrame) -> set[Cell]:
    """Values that open questions concern; a question without keys concerns the whole sample."""
    keys = _keys(table)
    return {
        (sample_id, key)
        for finding in findings
        if finding.severity == "open"
        for sample_id in finding.sample_ids
        if sample_id in table.index
        for key in (finding.keys or keys)
        if key in keys
    }


def _answered(answered: Iterable[Cell], table: pd.DataFrame) -> frozenset[Cell]:
    """Values a person has decided on; an answer about a whole sample is about all of them."""
    keys = _keys(table)
    return frozenset(
        (sample_id, each) for sample_id, key in answered for each in ((key,) if key else keys)
    )


# Places


def _places(
    samples: SampleSet, block: Block, planned: Mapping[str, Place]
) -> tuple[list[Finding], tuple[tuple[str, str], ...]]:
    """What is odd about the places, and the samples that have none to be mapped at."""
    findings: list[Finding] = []
    outside: dict[str, list[Outside]] = defaultdict(list)
    left_out = []
    for sample_id, x, y in _located(samples):
        away_m = float(block.outline.distance(shapely.Point(x, y)))
        if away_m == 0.0 or (sample_id, "") in samples.answered:
            continue
        if away_m <= EDGE_M:
            findings.append(_on_the_edge(sample_id, away_m, block))
            continue
        finding = _outside(samples, sample_id, away_m, block, planned)
        outside[finding.file].append((finding, away_m))
        left_out.append((sample_id, f"{away_m:.1f} m outside {block.name}"))
    # Each file brings its own question: the others were asked about when theirs came.
    findings += [one for each in outside.values() for one in outside_together(each, block.name)]
    return [*findings, *_same_places(samples), *on_one_line(samples.table, block)], tuple(left_out)


def _located(samples: SampleSet) -> Iterator[tuple[str, float, float]]:
    for sample_id, x, y in zip(
        samples.table.index, samples.table["x_m"], samples.table["y_m"], strict=True
    ):
        if math.isfinite(x) and math.isfinite(y):
            yield str(sample_id), float(x), float(y)


def _said_before(samples: SampleSet, rule: str, ids: Sequence[str]) -> Finding | None:
    """What the file's own reading said of the same thing: it knows the row."""
    alike = (f for f in samples.findings if f.rule == rule and set(ids) <= set(f.sample_ids))
    return next(alike, None)


def _on_the_edge(sample_id: str, away_m: float, block: Block) -> Finding:
    return Finding(
        "edge_of_block",
        "note",
        f"{sample_id} lies {away_m:.1f} m outside {block.name}, within the noise of a receiver.",
        "",
        "Used where it is.",
        sample_ids=(sample_id,),
    )


def _outside(
    samples: SampleSet, sample_id: str, away_m: float, block: Block, planned: Mapping[str, Place]
) -> Finding:
    before = _said_before(samples, "outside_block", [sample_id])
    finding = replace(before, severity="open") if before else Finding("outside_block", "open", "")
    if finding.sample_ids[:1] != (sample_id,):
        finding = replace(finding, row=None)  # the row of another one said with it
    message = f"{sample_id} lies {away_m:.1f} m outside {block.name}."
    proposal = "Give its right place with 'soilquilt set --key place', or leave it out."
    repair = dict(finding.repair)
    if sample_id in planned:
        lon, lat = planned[sample_id]
        xy = lonlat_to_xy(np.array([lon]), np.array([lat]), block.crs)[0]
        here = samples.table.loc[sample_id, ["x_m", "y_m"]].to_numpy(dtype=float)
        message += f" Its planned spot is {float(np.hypot(*(xy - here))):.0f} m away."
        proposal = "Move it to the planned spot, keep its place, or leave it out."
        repair = {"lon": repr(lon), "lat": repr(lat)}
    elif repair:
        message, proposal = finding.message, finding.proposal
    return replace(
        finding,
        message=message,
        proposal=proposal,
        what_was_done="Stored; in no map until it is moved.",
        sample_ids=(sample_id,),
        repair=repair,
    )


def _same_places(samples: SampleSet) -> list[Finding]:
    groups: dict[tuple[int, int], list[str]] = defaultdict(list)
    for sample_id, x, y in _located(samples):
        groups[round(x / SAME_PLACE_M), round(y / SAME_PLACE_M)].append(sample_id)
    doubled = [names for names in groups.values() if len(names) > 1]
    before = _said_before(samples, "same_place", [name for names in doubled for name in names])
    if before and sum(map(len, doubled)) == len(before.sample_ids):
        return [before]
    return same_places_together([_same_place(names) for names in doubled])


def _same_place(names: Sequence[str]) -> Finding:
    return Finding(
        "same_place",
        "warning",
        f"{' and '.join(names)} carry the same position.",
        "Give the right place of one with 'soilquilt set --key place'.",
        "Both kept, mapped as one spot.",
        sample_ids=tuple(names),
    )


# What the laboratory could not tell


def _limits(samples: SampleSet, censored: Mapping[Cell, tuple[str, float]]) -> Iterator[Finding]:
    """One note a property and limit."""
    groups: dict[tuple[str, str, float], list[str]] = defaultdict(list)
    for (sample_id, key), (qualifier, limit) in censored.items():
        groups[key, qualifier, limit].append(sample_id)
    for (key, qualifier, limit), names in groups.items():
        cell = samples.cells[names[0], key]
        yield _limit(key, qualifier, limit, names, cell)


def _limit(key: str, qualifier: str, limit: float, names: Sequence[str], cell: Result) -> Finding:
    prop = properties()[key]
    count = "1 sample" if len(names) == 1 else f"{len(names)} samples"
    where = f"{prop.name} in {count} is {'below' if qualifier == '<' else 'above'} {limit:g}"
    message = f"{where} {prop.unit} ({', '.join(names)})."
    if qualifier == "<":
        rule, done = "below_limit", 'Kept as "below", not as 0; half the limit stands in on maps.'
    else:
        rule, done = "above_limit", 'Kept as "above"; the limit stands in on maps.'
    return Finding(
        rule, "note", message[0].upper() + message[1:], "", done, cell.file, cell.row, cell.column,
        tuple(names), (key,),
    )  # fmt: skip


def _blanks(samples: SampleSet) -> Iterator[Finding]:
    """Properties whose column is there and empty in this block and layer."""
    where = f"{samples.block}, {samples.depth_cm[0]:g}-{samples.depth_cm[1]:g} cm"
    for key in samples.not_analysed:
        name = properties()[key].name
        cells = [c for (_, k), c in samples.cells.items() if k == key]
        cell = cells[0] if cells else None
        texts = {c.text for c in cells}
        alike = f"; {cell.text!r} in every cell" if cell and texts == {cell.text} != {""} else ""
        yield Finding(
            "not_analysed",
            "note",
            f"{name[0].upper()}{name[1:]}: not analysed in {samples.season} ({where}{alike}).",
            "",
            "No rating, no map, no rate. It does not count as zero.",
            cell.file if cell else "",
            None,
            cell.column if cell else "",
            (),
            (key,),
        )
