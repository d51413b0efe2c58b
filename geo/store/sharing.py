"""Samples of a season shared out among the blocks: by place, by name, by kind of id."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import shapely
from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.findings import Finding, shown
from geo.intake.reading import Result
from geo.store.rows import fold
from geo.store.seasonrows import SeasonRows


@dataclass
class Sorted:
    """Samples sorted to blocks: sample id -> block name; composites apart."""

    block_of: dict[str, str] = field(default_factory=dict)
    composite_of: dict[str, str] = field(default_factory=dict)
    findings: dict[str, list[Finding]] = field(default_factory=lambda: defaultdict(list))


def sort_samples(rows: SeasonRows, blocks: Sequence[Block], names: Mapping[str, str]) -> Sorted:
    """Share the samples of a season out among the blocks.

    A sample belongs to the block that holds its place, or else to the nearest one, where the checks
    report how far outside it lies. Without a place, an id that is a block's name is a composite of
    that block; one whose id is in question waits with the block of the id that is proposed; any
    other is kept with the block whose samples have the same kind of id.
    """
    shares = Sorted()
    for sample_id, place in rows.places.items():
        shares.block_of[sample_id] = nearest_block(place, blocks)
    unplaced: dict[str, Result] = {}
    for result in rows.results:
        if result.sample_id not in shares.block_of:
            unplaced.setdefault(result.sample_id, result)
    proposed = _proposed_ids(rows.findings)
    lost: dict[str, list[Result]] = defaultdict(list)
    for sample_id, result in unplaced.items():
        named = names.get(fold(result.typed_id)) or names.get(fold(sample_id))
        if named is not None:
            shares.composite_of[sample_id] = named
            continue
        if proposed.get(sample_id) in shares.block_of:
            # Its own question says all there is to say; it gets a place once that is agreed to.
            shares.block_of[sample_id] = shares.block_of[proposed[sample_id]]
            continue
        if sample_id in rows.earlier:
            name = nearest_block(rows.earlier[sample_id], blocks)
            shares.findings[name].append(_earlier_place(result, rows))
        else:
            name = _block_by_stem(sample_id, shares.block_of, blocks)
            lost[name].append(result)
        shares.block_of[sample_id] = name
    for name, results in lost.items():
        shares.findings[name].append(_no_places(results, name))
    return shares


def _proposed_ids(findings: Iterable[Finding]) -> dict[str, str]:
    """Ids that an open question takes for a slip -> the id proposed."""
    return {
        sample_id: finding.repair["sample"]
        for finding in findings
        if finding.severity == "open" and "sample" in finding.repair
        for sample_id in finding.sample_ids
    }


def nearest_block(place: tuple[float, float], blocks: Sequence[Block]) -> str:
    """Name of the block that holds a place, or of the nearest one. [deg]"""
    point = shapely.Point(*place)
    # A degree of longitude is shorter than one of latitude; for "which is nearest" that will do.
    shrink = math.cos(math.radians(place[1]))

    def distance(block: Block) -> float:
        return float(_shrunk(block.lonlat, shrink).distance(_shrunk(point, shrink)))

    return min(blocks, key=distance).name


def _shrunk(shape: BaseGeometry, factor: float) -> BaseGeometry:
    return shapely.transform(shape, lambda xy: xy * [factor, 1.0])


def _stem(sample_id: str) -> str:
    return re.sub(r"\d+$", "", sample_id)


def _block_by_stem(sample_id: str, block_of: Mapping[str, str], blocks: Sequence[Block]) -> str:
    alike = Counter(
        name for other, name in block_of.items() if _stem(other) == _stem(sample_id)
    ) or Counter(block_of.values())
    return alike.most_common(1)[0][0] if alike else blocks[0].name


def _earlier_place(result: Result, rows: SeasonRows) -> Finding:
    lon, lat = rows.earlier[result.sample_id]
    return Finding(
        rule="place_of_earlier_season",
        severity="open",
        message=f"{result.sample_id} has results in {rows.season} but no place; an earlier season "
        "has.",
        proposal="Take the place it had in an earlier season.",
        file=result.file,
        row=result.row,
        sample_ids=(result.sample_id,),
        repair={"lon": repr(lon), "lat": repr(lat)},
    )


def _no_places(results: Sequence[Result], block: str) -> Finding:
    """Samples that nobody has a place for, in one question a block."""
    ids = [result.sample_id for result in results]
    if len(ids) == 1:
        message = f"{ids[0]} has a result and no place. It is kept with {block}, in no map."
    else:
        message = (
            f"{len(ids)} samples have results and no place ({shown(ids)}). They are kept with "
            f"{block}, in no map."
        )
    return Finding(
        rule="result_without_place",
        severity="open",
        message=message,
        proposal="Add a file with their places, or give each with 'soilquilt set --key place'.",
        file=results[0].file,
        row=results[0].row,
        sample_ids=tuple(ids),
    )
