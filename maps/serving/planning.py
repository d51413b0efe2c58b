"""Spots being planned in the background, for one block or the whole farm, told as a run is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from geo.blocks import Block
from geo.errors import SoilquiltError
from geo.progress import Progress
from geo.sampling import Wishes
from maps.commands.plan import plan_farm
from maps.disk import disk_words
from maps.serving.running import Run
from maps.serving.units_of_work import Outcome, StoppedError, Unit

#: Lines at the end of the command's answer that name files and the next command.
ABOUT_FILES = 2
WORD = "Planning"


def block_planning(
    farm: Path,
    season: int,
    block: Block,
    wishes: Wishes,
    *,
    budget: float | None,
    doubt: float | None,
    done: Callable[[], None],
    said: list[str],
) -> Run:
    """A run that plans one block; the plan on file stays until the new one is whole.

    Parameters
    ----------
    done : callable
        Called once the plan is written.
    said : list of str
        Takes why it was not planned.
    """

    def work(progress: Progress) -> None:
        plan_farm(farm, season, wishes, block.name, budget, doubt, told=progress)
        done()

    unit = Unit(farm, block.name, block.slug, season)
    return Run([unit], farm.name, _guarded(work, said), WORD)


def farm_planning(
    farm: Path,
    name: str,
    season: int,
    wishes: Wishes,
    budget: float | None,
    own: Mapping[str, Wishes],
    said: list[str],
) -> Run:
    """A run that plans every block, a budget shared among them; written when all are planned."""

    def work(progress: Progress) -> None:
        made = plan_farm(farm, season, wishes, budget=budget, own=own, told=progress)
        said.extend(made.lines[:-ABOUT_FILES])

    return Run([Unit(farm, name, "", season)], name, _guarded(work, said), WORD)


def is_planning(run: Any) -> bool:
    """Whether spots are being planned just now."""
    return run is not None and run.busy and run.word == WORD


def _guarded(
    work: Callable[[Progress], None], said: list[str]
) -> Callable[[Unit, Progress], Outcome]:
    """A failure is data; nothing was written then."""

    def guarded(unit: Unit, progress: Progress) -> Outcome:
        try:
            work(progress)
        except StoppedError:
            said.append("Stopped. Nothing on file was changed.")
            return Outcome(unit, "left")
        except SoilquiltError as error:
            said.append(f"Not planned, nothing on file was changed. {error}")
            return Outcome(unit, "failed", error=str(error))
        except Exception as error:
            # The page must not wait for ever for a bug of ours.
            trouble = disk_words(error)
            words = trouble or "This is our mistake, not yours."
            said.append(f"Not planned, nothing on file was changed. {words}")
            if trouble:
                return Outcome(unit, "failed", error=trouble)
            return Outcome(unit, "failed", error=f"our mistake, {type(error).__name__}: {error}")
        return Outcome(unit, "done")

    return guarded
