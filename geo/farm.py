"""The farm folder: farm.toml, farm.gpkg, originals; every change one transaction."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path

import shapely

from geo.blocks import Block, Outline
from geo.errors import FarmError
from geo.findings import Finding
from geo.intake.reading import Application, LoggedRate, Point, Reading, TissueTest
from geo.intake.samples import SampleSet
from geo.settings import Settings, read_settings
from geo.settings_text import settings_text as default_settings_text
from geo.store.blockrows import block_names, block_rows, insert_outline
from geo.store.corrections import Change, answer_findings
from geo.store.database import (
    changing,
    geometry,
)
from geo.store.database import (
    reading as reading_store,
)
from geo.store.originals import keep_file
from geo.store.planned import planned_places
from geo.store.receiving import Stored, known_file, refuse, store_records, stored_before
from geo.store.rows import (
    fold,
    insert_findings,
    read_applications,
    read_logged,
    read_tissue,
)
from geo.store.samplesets import survey_layers
from geo.store.schema import create_store
from geo.store.seasonrows import read_season_rows


@dataclass(frozen=True)
class Records:
    """All that a run needs of one block and season.

    Attributes
    ----------
    settings : Settings
    block : Block
    season : int
    layers : tuple of SampleSet
        Top layer first.
    tissue : tuple of TissueTest
        Of the block, from the 12 months before the soil sampling.
    applications : tuple of Application
        On the block, of this and all earlier seasons.
    logged : tuple of LoggedRate
        Points of as-applied logs on the block, of this and all earlier seasons.
    stations : mapping
        Sample id -> longitude and latitude it had in an earlier season. [deg]
    planned : mapping
        The same, and the spots of the season's own plan, which go before it. [deg]
    """

    settings: Settings
    block: Block
    season: int
    layers: tuple[SampleSet, ...]
    tissue: tuple[TissueTest, ...]
    applications: tuple[Application, ...]
    logged: tuple[LoggedRate, ...]
    stations: Mapping[str, tuple[float, float]]
    planned: Mapping[str, tuple[float, float]]

    def layer(self, depth_cm: tuple[float, float] | None = None) -> SampleSet:
        """The samples of one depth layer; the top layer if none is named."""
        for samples in self.layers:
            if depth_cm is None or samples.depth_cm == depth_cm:
                return samples
        known = ", ".join(f"{s.depth_cm[0]:g}-{s.depth_cm[1]:g}" for s in self.layers)
        wanted = "" if depth_cm is None else f" from {depth_cm[0]:g}-{depth_cm[1]:g} cm"
        raise FarmError(
            f"{self.block.name} has no soil samples of {self.season}{wanted}. "
            + (f"There are {known} cm." if known else "Add them with 'soilquilt add'.")
        )


def create_farm(
    folder: Path,
    outlines: Sequence[Outline],
    settings_text: str | None = None,
    *,
    files: Sequence[Path] = (),
    tables: Sequence[Path] = (),
) -> tuple[Block, ...]:
    """Make a farm folder; it appears as a whole or not at all.

    Parameters
    ----------
    folder : Path
        Must not exist yet, or be empty.
    outlines : sequence of Outline
        Its blocks; each gets the metric CRS of its own place, for good.
    settings_text : str or None
        Content of farm.toml; None writes one with every key and its default.
    files : sequence of Path
        The files the outlines came from, kept as originals.
    tables : sequence of Path
        Files that farm.toml names in [tables], copied beside it.

    Raises
    ------
    FarmError
        If the folder holds something already, or two blocks have one name.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FarmError(f"{folder} exists and is not empty. Choose another folder for the farm.")
    folder.parent.mkdir(parents=True, exist_ok=True)
    if settings_text is None:
        names = dict.fromkeys(outline.name for outline in outlines)
        settings_text = default_settings_text(folder.name, list(names))
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".new-farm-") as temporary:
        farm = Path(temporary) / "farm"
        (farm / "originals").mkdir(parents=True)
        (farm / "farm.toml").write_text(settings_text, encoding="utf-8")
        for table in tables:
            shutil.copy(table, farm / table.name)
        create_store(farm / "farm.gpkg")
        settings = read_settings(farm / "farm.toml")
        with changing(farm, "making the farm") as database:
            ids = {
                path.name: keep_file(database, farm, path, ("outlines",), None)[0] for path in files
            }
            for outline in outlines:
                insert_outline(database, settings, outline, ids.get(Path(outline.file).name))
        if folder.exists():
            folder.rmdir()
        os.replace(farm, folder)
    return read_blocks(folder)


def store_reading(
    folder: Path,
    reading: Reading,
    season: int | None,
    accept: Iterable[str] = (),
    *,
    who: str = "",
) -> Stored:
    """Store what a file holds, in one transaction, with its original.

    Parameters
    ----------
    folder : Path
        The farm folder.
    reading : Reading
        As `geo.intake.files.read_file` understood it.
    season : int or None
        Year of the soil sampling; outlines need none.
    accept : iterable of str
        Rules whose proposals are agreed to.

    Raises
    ------
    IntakeError
        If a finding refuses the file; nothing of it is stored.
    """
    path, accept = Path(reading.path), frozenset(accept)
    refuse(reading, season)
    settings = read_settings(folder / "farm.toml")
    with changing(folder, f"adding {path.name}") as database:
        change = Change(season or 0, who, f"agreed when adding {path.name}")
        known = known_file(database, path)
        if known is not None:
            return stored_before(folder, database, known, reading, change, accept)
        file, new = keep_file(database, folder, path, reading.kinds, season, reading.laboratory)
        try:
            what = store_records(database, settings, reading, file, season)
            agreed = insert_findings(database, reading, file, accept)
            done = answer_findings(database, change, agreed)
            what = " ".join([what, *done])
            database.execute("UPDATE files SET what = ? WHERE fid = ?", (what, file))
        except BaseException:
            for original in new:
                original.unlink(missing_ok=True)
            raise
    return Stored(path.name, False, what, reading.findings)


def accept_findings(
    folder: Path, season: int, findings: Sequence[Finding], *, who: str = ""
) -> tuple[str, ...]:
    """Do what findings of the checks propose, in one transaction; what was done, in sentences."""
    if not findings:
        return ()
    with changing(folder, "agreeing to proposals") as database:
        done: list[str] = []
        for finding in findings:
            change = Change(season, who, f"agreed to {finding.rule}")
            done += answer_findings(database, change, {None: finding})
    return tuple(done)


def read_blocks(folder: Path, *, retired: bool = False) -> tuple[Block, ...]:
    """The blocks of the farm in the order they were added, without retired ones."""
    settings = read_settings(folder / "farm.toml")
    with reading_store(folder) as database:
        return tuple(block for block, gone in block_rows(database, settings) if retired or not gone)


def settings_of_no_block(folder: Path) -> tuple[str, ...]:
    """A sentence for each block that farm.toml sets something for and the farm does not have.

    No error: an outline can come later. Said aloud, for a slip in a name would silently leave the
    block without its settings.
    """
    names = [block.name for block in read_blocks(folder, retired=True)]
    said = []
    for name in read_settings(folder / "farm.toml").blocks:
        if name in names:
            continue
        nearest = get_close_matches(name, names, n=1)
        meant = f" Is {nearest[0]} meant?" if nearest else ""
        said.append(
            f'farm.toml, [blocks."{name}"]: this farm has no such block, so nothing there is used.'
            f"{meant}"
        )
    return tuple(said)


def known_points(folder: Path, season: int | None = None) -> tuple[Point, ...]:
    """Places on file, those of the season asked for first, then the latest."""
    with reading_store(folder) as database:
        rows = database.execute(
            "SELECT * FROM points ORDER BY season = ? DESC, season DESC, fid", (season,)
        )
        places = [(row, geometry(row["geom"])) for row in rows]
    return tuple(
        Point(
            typed_id=row["typed_id"],
            sample_id=row["sample_id"],
            lon=place.x,
            lat=place.y,
            hdop=row["hdop"],
            time=row["time"] or "",
            note=row["note"] or "",
            row=row["row"],
        )
        for row, place in places
        if isinstance(place, shapely.Point)
    )


def find_block(folder: Path, name: str | None) -> Block:
    """The block of that name, present or former; without a name, the farm's only one.

    Raises
    ------
    FarmError
        If there is no such block, it is retired, or the farm has several and none is named.
    """
    blocks = read_blocks(folder)
    if name is None and len(blocks) == 1:
        return blocks[0]
    with reading_store(folder) as database:
        names = block_names(database)
    for block in blocks:
        if name is not None and block.name in (name, names.get(fold(name))):
            return block
    gone = next((b.name for b in read_blocks(folder, retired=True) if name == b.name), None)
    if gone is not None:
        raise FarmError(f"{gone} is retired: its records stay, and it is in no run.")
    listed = ", ".join(block.name for block in blocks) or "none"
    wanted = "Say which block" if name is None else f"There is no block {name!r}"
    raise FarmError(f"{wanted}: this farm has {listed}.")


def read_records(folder: Path, season: int, block: str | None = None) -> Records:
    """All that is stored of one block up to a season.

    Raises
    ------
    FarmError
        If the block is not there.
    """
    folder = Path(folder)
    settings = read_settings(folder / "farm.toml")
    chosen = find_block(folder, block)
    with reading_store(folder) as database:
        # Retired blocks keep their samples: these must not fall to a neighbour.
        blocks = [block for block, _ in block_rows(database, settings)]
        names = block_names(database)
        rows = read_season_rows(database, season)
        layers = survey_layers(rows, chosen, blocks, names)
        sampled = [samples.sampled_on for samples in layers if samples.sampled_on is not None]
        chosen = _with_known_clay(database, chosen, blocks, names, season)
        return Records(
            settings=settings,
            block=chosen,
            season=season,
            layers=layers,
            tissue=read_tissue(database, chosen, names, min(sampled) if sampled else None, season),
            applications=read_applications(database, chosen, names, season),
            logged=read_logged(database, chosen, season),
            stations=rows.earlier,
            planned={**rows.earlier, **planned_places(folder, season)},
        )


def _with_known_clay(
    database: sqlite3.Connection,
    block: Block,
    blocks: Sequence[Block],
    names: Mapping[str, str],
    season: int,
) -> Block:
    """The block with the clay of its latest survey that analysed it: texture does not change.

    What farm.toml says goes before it.
    """
    if block.site.clay_pct is not None:
        return block
    years = database.execute(
        "SELECT DISTINCT season FROM results WHERE key = 'clay' AND season <= ?"
        " ORDER BY season DESC",
        (season,),
    ).fetchall()
    for year in years:
        rows = read_season_rows(database, year["season"])
        for samples in survey_layers(rows, block, blocks, names):
            if "clay" in samples.table and samples.table["clay"].notna().any():
                clay = float(samples.table["clay"].mean())
                return replace(block, site=replace(block.site, clay_pct=clay))
    return block
