"""Two seasons being compared in the background, block by block, told as a run is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from geo.errors import SoilquiltError, UsageError
from geo.progress import Progress
from maps.commands.compare import compare_block, write_changes_folder
from maps.disk import disk_words
from maps.serving.running import Run
from maps.serving.units_of_work import Outcome, StoppedError, Unit

Years = tuple[int, int]


def comparison(farm: Path, years: Years, first_slug: str, said: list[str]) -> Run:
    """A run that compares every block sampled in both years, the one asked for first.

    Each block is written when it is done, so that its page stands while the others are worked on.

    Parameters
    ----------
    farm : Path
    years : (int, int)
    first_slug : str
        Of the block whose page is looked at; any other text keeps the farm's order.
    said : list of str
        Takes a line for each block that cannot be compared.

    Raises
    ------
    UsageError
        If the years are not in order, or no block has samples of both.
    """
    from geo.farm import read_blocks, read_records

    if years[0] >= years[1]:
        raise UsageError(
            f"Compare an earlier season with a later one, not {years[0]} with {years[1]}."
        )
    units = [
        Unit(farm, block.name, block.slug, years[1])
        for block in read_blocks(farm)
        if all(read_records(farm, year, block.name).layers for year in years)
    ]
    if not units:
        raise UsageError(f"No block has soil samples of both {years[0]} and {years[1]}.")
    units.sort(key=lambda unit: unit.slug != first_slug)
    return Run(units, farm.name, _worker(years, said), "Comparing")


def _worker(years: Years, said: list[str]) -> Callable[[Unit, Progress], Outcome]:
    """Compare a block and write it beside those compared before; a failure is data."""

    def work(unit: Unit, progress: Progress) -> Outcome:
        try:
            progress("both seasons", 0, 0)
            made = compare_block(unit.farm, years, unit.block)
            write_changes_folder(unit.farm, years, [made])
        except StoppedError:
            return Outcome(unit, "left")
        except SoilquiltError as error:
            return failed(unit, str(error))
        except Exception as error:
            # One block with a bug must not stop the others, and the page must not wait for ever.
            return failed(
                unit, disk_words(error) or f"our mistake, {type(error).__name__}: {error}"
            )
        return Outcome(unit, "done")

    def failed(unit: Unit, message: str) -> Outcome:
        said.append(f"{unit.block}: not compared. {message}")
        return Outcome(unit, "failed", error=message)

    return work
