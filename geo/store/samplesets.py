"""Rows of the store -> SampleSets: the samples of a block, a set for each depth layer."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date

import pandas as pd

from geo.blocks import Block
from geo.findings import Finding, shown
from geo.intake.reading import Result
from geo.intake.samples import SampleSet
from geo.lookup import properties
from geo.store.doubles import without_doubles
from geo.store.rows import metric_places
from geo.store.seasonrows import SeasonRows
from geo.store.sharing import Sorted, sort_samples

Depth = tuple[float, float]

#: Taken where neither file nor farm.toml says how deep the samples go; common practice, no source.
USUAL_DEPTH_CM: Depth = (0.0, 15.0)


def survey_layers(
    rows: SeasonRows, block: Block, blocks: Sequence[Block], names: Mapping[str, str]
) -> tuple[SampleSet, ...]:
    """The SampleSets of one block, top layer first.

    Parameters
    ----------
    rows : SeasonRows
    block : Block
        The block asked for.
    blocks : sequence of Block
        All blocks of the farm, among which the samples are shared out.
    names : mapping
        Any name a file may use for a block, folded with `fold`, -> its present name.
    """
    shares = sort_samples(rows, blocks, names)
    mine = {s for s, name in (shares.block_of | shares.composite_of).items() if name == block.name}
    results = [r for r in rows.results if r.sample_id in mine]
    usual = _usual_depth(results, block)
    by_depth: dict[Depth, list[Result]] = defaultdict(list)
    for result in results:
        by_depth[result.depth_cm or usual].append(result)
    in_order = sorted(by_depth, key=lambda depth: (depth[0], -len(by_depth[depth]), depth[1]))
    about = _findings_by_layer(rows, shares, block, by_depth, in_order)
    return tuple(
        _sample_set(rows, block, depth, by_depth[depth], shares, tuple(about[depth]))
        for depth in in_order
    )


def _usual_depth(results: Sequence[Result], block: Block) -> Depth:
    """The layer of samples that state none: the one most others state, from the surface down.

    Beside a deeper layer of the same samples it is the top one; else it is the depth that
    amendments are mixed into.
    """
    stated = Counter(r.depth_cm for r in results if r.depth_cm is not None)
    from_surface = {depth: count for depth, count in stated.items() if depth[0] == 0}
    silent = {r.sample_id for r in results if r.depth_cm is None}
    twice = any(r.sample_id in silent for r in results if r.depth_cm is not None)
    if from_surface or (stated and not twice):
        return max(from_surface or stated, key=lambda depth: stated[depth])
    amended = block.site.amended_depth_cm
    return USUAL_DEPTH_CM if amended is None else (0.0, amended)


def _findings_by_layer(
    rows: SeasonRows,
    shares: Sorted,
    block: Block,
    by_depth: Mapping[Depth, Sequence[Result]],
    in_order: Sequence[Depth],
) -> Mapping[Depth, list[Finding]]:
    """Findings about the block's samples, each with the layer that holds them."""
    about: dict[Depth, list[Finding]] = {depth: [] for depth in in_order}
    if not in_order:
        return about
    homes: dict[str, set[Depth]] = defaultdict(set)
    for depth in in_order:
        for result in by_depth[depth]:
            homes[result.sample_id].add(depth)
    belongs = shares.block_of | shares.composite_of
    for finding in (*rows.findings, *shares.findings[block.name]):
        named = [s for s in finding.sample_ids if s in belongs]
        here = [s for s in named if belongs[s] == block.name]
        # What concerns a file as a whole was said when it was added; it is about no block.
        layers = set().union(*(homes[s] for s in here)) or ({in_order[0]} if here else set())
        for depth in layers:
            about[depth].append(finding)
    silent = [r for r in by_depth[in_order[0]] if r.depth_cm is None]
    if silent:
        about[in_order[0]].append(_depth_assumed(in_order[0]))
    with_results = {r.sample_id for r in rows.results}
    told = {s for finding in rows.findings for s in finding.sample_ids}
    alone = [
        sample_id
        for sample_id in rows.places
        if sample_id not in with_results | told and shares.block_of[sample_id] == block.name
    ]
    if alone:
        about[in_order[0]].append(_places_alone(alone))
    return about


def _depth_assumed(depth: Depth) -> Finding:
    return Finding(
        rule="depth_not_stated",
        severity="note",
        message=f"The file does not say how deep the samples go; {depth[0]:g}-{depth[1]:g} cm is "
        "taken.",
        what_was_done="Set another depth with 'soilquilt set --key depth' or in farm.toml, "
        "amended_depth_cm.",
    )


def _places_alone(ids: Sequence[str]) -> Finding:
    return Finding(
        rule="place_without_result",
        severity="note",
        message=f"{ids[0]} has a place and no result."
        if len(ids) == 1
        else f"{len(ids)} places have no result ({shown(ids)}).",
        what_was_done="Kept.",
        sample_ids=tuple(ids),
    )


def _sample_set(
    rows: SeasonRows,
    block: Block,
    depth: Depth,
    results: Sequence[Result],
    shares: Sorted,
    findings: tuple[Finding, ...],
) -> SampleSet:
    kept = [r for r in results if r.sample_id not in rows.left_out]
    bags = {s for f in findings if f.rule == "same_bag_twice" for s in f.sample_ids}
    kept, doubles = without_doubles(kept, bags | shares.composite_of.keys())
    unlike = {
        (s, k) for f in doubles if f.rule == "two_values" for s in f.sample_ids for k in f.keys
    }
    methods, strange = _methods(kept)
    mapped = [r for r in kept if r.sample_id in shares.block_of]
    pooled = [r for r in kept if r.sample_id in shares.composite_of]
    by_cell: dict[tuple[str, str], list[Result]] = defaultdict(list)
    for result in kept:
        by_cell[result.sample_id, result.key].append(result)
    gone = sorted({r.sample_id for r in results} & set(rows.left_out))
    return SampleSet(
        block=block.name,
        season=rows.season,
        sampled_on=_first_day(rows, kept),
        laboratory=" and ".join(rows.laboratories),
        depth_cm=depth,
        methods=methods,
        table=_table(mapped, block, rows.places),
        cells={cell: determinations[0] for cell, determinations in by_cell.items()},
        not_analysed=_not_analysed(kept),
        composites=_table(pooled, block, {}),
        findings=(*findings, *doubles, *strange, *(_left_out(s, rows.left_out[s]) for s in gone)),
        repeats={
            cell: tuple(many)
            for cell, many in by_cell.items()
            if len(many) > 1 and cell not in unlike
        },
        answered=rows.answered,
    )


def _first_day(rows: SeasonRows, results: Sequence[Result]) -> date | None:
    """First day of sampling: as the receiver recorded it, else as the results state it.

    A date in a laboratory's file may be that of its report.
    """
    recorded = [rows.days[r.sample_id] for r in results if r.sample_id in rows.days]
    stated = [r.sampled_on for r in results if r.sampled_on is not None]
    return min(recorded or stated, default=None)


def _left_out(sample_id: str, why: str) -> Finding:
    return Finding(
        rule="left_out",
        severity="note",
        message=f"{sample_id} was left out by hand: {why}.",
        what_was_done="Stored, in no map and no mean.",
        sample_ids=(sample_id,),
    )


def _methods(results: Sequence[Result]) -> tuple[Mapping[str, str], list[Finding]]:
    """The method of each property; values by any other method are asked about."""
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for result in results:
        if result.qualifier != "missing":
            counts[result.key][result.method] += 1
    methods = {key: count.most_common(1)[0][0] for key, count in counts.items()}
    findings = []
    for key, count in counts.items():
        if len(count) > 1:
            other = {
                r.sample_id: None
                for r in results
                if r.key == key and r.method != methods[key] and r.qualifier != "missing"
            }
            findings.append(
                Finding(
                    rule="two_methods",
                    severity="open",
                    message=f"{properties()[key].name} was measured in more than one way: "
                    f"{', '.join(name or 'not stated' for name in count)}. Only one can be mapped.",
                    sample_ids=tuple(other),
                    keys=(key,),
                )
            )
    return methods, findings


def _table(
    results: Sequence[Result], block: Block, places: Mapping[str, tuple[float, float]]
) -> pd.DataFrame:
    """One row a sample in the order of the file, one column a property in the usual order."""
    ids = list(dict.fromkeys(r.sample_id for r in results))
    present = {r.key for r in results}
    keys = [key for key in properties() if key in present]
    lonlat = [places.get(s, (math.nan, math.nan)) for s in ids]
    xy = metric_places(lonlat, block.crs)
    table = pd.DataFrame(math.nan, index=pd.Index(ids, name="sample"), columns=[], dtype=float)
    for name, values in zip(("x_m", "y_m"), zip(*xy, strict=True) if xy else ((), ()), strict=True):
        table[name] = pd.Series(values, index=table.index, dtype=float)
    table["lon"] = pd.Series([p[0] for p in lonlat], index=table.index, dtype=float)
    table["lat"] = pd.Series([p[1] for p in lonlat], index=table.index, dtype=float)
    first: dict[tuple[str, str], float] = {}
    for result in results:
        if result.value is not None and result.qualifier != "missing":
            first.setdefault((result.sample_id, result.key), result.value)
    for key in keys:
        table[key] = pd.Series(
            [first.get((s, key), math.nan) for s in ids], index=table.index, dtype=float
        )
    return table


def _not_analysed(results: Sequence[Result]) -> tuple[str, ...]:
    asked = {r.key for r in results}
    found = {r.key for r in results if r.qualifier != "missing"}
    return tuple(key for key in properties() if key in asked - found)
