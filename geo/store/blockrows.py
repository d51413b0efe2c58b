"""Blocks <-> rows of the store; a block keeps the metric CRS it was given when it came in."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from pathlib import Path

from shapely import MultiPolygon, Polygon

from geo.blocks import Block, Outline, make_block
from geo.crs import to_metric
from geo.errors import FarmError
from geo.settings import BlockSettings, Settings
from geo.store.database import blob, geometry, insert
from geo.store.rows import fold


def block_names(database: sqlite3.Connection) -> Mapping[str, str]:
    """Any name a file may use for a block, folded -> its present name."""
    names: dict[str, str] = {}
    for row in database.execute("SELECT * FROM blocks ORDER BY fid"):
        for name in (row["name"], row["slug"]):
            names.setdefault(fold(name), row["name"])
    renamed = database.execute(
        "SELECT corrections.old, blocks.name FROM corrections JOIN blocks"
        " ON corrections.record_id = blocks.fid WHERE record = 'blocks' AND \"column\" = 'name'"
    )
    for row in renamed:
        names.setdefault(fold(row["old"]), row["name"])
    return names


def insert_outline(
    database: sqlite3.Connection, settings: Settings, outline: Outline, file: int | None
) -> None:
    """Store an outline as a block of its own.

    Raises
    ------
    FarmError
        If a block has that name already.
    """
    block = make_block(outline, settings.block(outline.name))
    for row in database.execute("SELECT * FROM blocks WHERE retired = 0"):
        if fold(row["name"]) == fold(outline.name):
            raise FarmError(
                f"{Path(outline.file).name}: there is already a block {outline.name!r}. Rename "
                "or retire it first: 'soilquilt set FOLDER --block NAME --rename NEW' or --retire."
            )
    taken = {row["slug"] for row in database.execute("SELECT slug FROM blocks")}
    slug = block.slug
    while slug in taken:
        slug = f"{block.slug}-{len(taken) + 1}" if slug == block.slug else slug + "x"
    shape = block.lonlat if isinstance(block.lonlat, MultiPolygon) else MultiPolygon([block.lonlat])
    insert(
        database, "blocks", geom=blob(shape), name=block.name, slug=slug, crs=block.crs,
        area_ha=block.area_ha, file=file, feature=outline.feature, retired=0,
    )  # fmt: skip


def block_rows(database: sqlite3.Connection, settings: Settings) -> list[tuple[Block, bool]]:
    """Every block with whether it is retired, in the order they came in."""
    former: dict[int, list[str]] = {}
    for row in database.execute(
        "SELECT record_id, old FROM corrections WHERE record = 'blocks' AND \"column\" = 'name'"
    ):
        former.setdefault(row["record_id"], []).append(row["old"])
    blocks = []
    for row in database.execute("SELECT * FROM blocks ORDER BY fid"):
        names = [row["name"], *reversed(former.get(row["fid"], []))]
        site = next((settings.blocks[n] for n in names if n in settings.blocks), BlockSettings())
        lonlat = _plain(geometry(row["geom"]))
        blocks.append(
            (
                Block(
                    name=row["name"],
                    slug=row["slug"],
                    outline=to_metric(lonlat, row["crs"]),
                    lonlat=lonlat,
                    crs=row["crs"],
                    area_ha=row["area_ha"],
                    site=site,
                ),
                bool(row["retired"]),
            )
        )
    return blocks


def _plain(shape: object) -> Polygon | MultiPolygon:
    """A polygon again where the store needed a multipolygon."""
    if isinstance(shape, MultiPolygon) and len(shape.geoms) == 1:
        return shape.geoms[0]
    if isinstance(shape, (Polygon, MultiPolygon)):
        return shape
    raise FarmError("farm.gpkg holds a block without an outline. Restore a backup.")
