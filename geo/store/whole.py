"""Several changes made on a copy of the store, taken over by the farm in one transaction."""

from __future__ import annotations

from pathlib import Path

from geo.errors import FarmError
from geo.store.database import changing, reading
from geo.store.schema import LAYERS


def change_counter(folder: Path) -> int:
    """How often the store was written: bytes 24 to 27 of a SQLite file. 0 if there is none.

    See https://www.sqlite.org/fileformat2.html, 1.3.7.
    """
    path = folder / "farm.gpkg"
    if not path.is_file():
        return 0
    with path.open("rb") as stream:
        return int.from_bytes(stream.read(28)[24:28], "big")


def take_over(folder: Path, copy: Path, counter: int) -> None:
    """Put the records of a changed copy in place of the farm's own; as a whole or not at all.

    Parameters
    ----------
    folder, copy : Path
        The farm, and the folder with the copy of its store.
    counter : int
        `change_counter` of the farm before it was copied.

    Raises
    ------
    FarmError
        If the farm was changed since; the copy knows nothing of it.
    """
    with changing(folder, "storing files") as database, reading(copy) as source:
        if change_counter(folder) != counter:
            raise FarmError(
                "Another window changed this farm meanwhile. Nothing was stored; look again, then "
                "store."
            )
        for table in LAYERS:
            query = f'SELECT * FROM "{table}" ORDER BY rowid'
            rows = [tuple(row) for row in source.execute(query)]
            if rows == [tuple(row) for row in database.execute(query)]:
                continue
            database.execute(f'DELETE FROM "{table}"')
            if rows:
                marks = ", ".join("?" for _ in rows[0])
                database.executemany(f'INSERT INTO "{table}" VALUES ({marks})', rows)
