"""One block of one farm as a unit of work: run it, write its folder, or say why it failed."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geo.errors import FarmError, SoilquiltError, UsageError
from geo.progress import Progress, silent
from maps.disk import disk_words

#: The most units handed to the workers at one time, per worker.
AHEAD = 4
DAY_S = 86_400.0


@dataclass(frozen=True)
class Unit:
    """A block of a farm in one season; small, so that it travels to any worker."""

    farm: Path
    block: str
    slug: str
    season: int
    layer_cm: tuple[float, float] | None = None

    @property
    def folder(self) -> Path:
        """Where its files go."""
        return self.farm / "seasons" / str(self.season) / self.slug

    @property
    def failed(self) -> Path:
        """Where a failure is noted; the folder stays as an earlier run left it."""
        return self.folder.with_name(f"{self.slug}.failed.json")


@dataclass(frozen=True)
class Outcome:
    """What became of a unit: "done", "skipped", "left" or "failed"; season.json or the reason."""

    unit: Unit
    state: str
    document: dict[str, Any] | None = None
    error: str = ""


def farms_in(folder: Path) -> list[Path]:
    """The farm itself, or every farm in a folder of farms."""
    if (folder / "farm.toml").is_file():
        return [folder]
    farms = sorted(path.parent for path in folder.glob("*/farm.toml"))
    if not farms:
        raise FarmError(
            f"{folder} is no farm folder and holds none. "
            "Make one with 'soilquilt new FOLDER --outlines FILE'."
        )
    return farms


def units_of(
    farm: Path, season: int, block: str | None, layer_cm: tuple[float, float] | None
) -> list[Unit]:
    """The blocks of a farm that have soil samples in the season, or the one asked for."""
    from geo.farm import find_block, read_blocks, read_records

    blocks = [find_block(farm, block)] if block is not None else read_blocks(farm)
    units = []
    for one in blocks:
        if block is not None or read_records(farm, season, one.name).layers:
            units.append(Unit(farm, one.name, one.slug, season, layer_cm))
    return units


def share(units: Sequence[Unit], words: str) -> list[Unit]:
    """The I-th of N shares, by a hash of farm and block, so that every machine agrees."""
    first, slash, last = words.partition("/")
    if not (slash and first.isdigit() and last.isdigit() and 1 <= int(first) <= int(last)):
        raise UsageError(f"--shard {words!r} should read I/N, such as 3/40.")
    return [unit for unit in units if _bucket(unit, int(last)) == int(first) - 1]


def _bucket(unit: Unit, count: int) -> int:
    name = f"{unit.farm.resolve().name}/{unit.slug}".encode()
    return int.from_bytes(hashlib.sha256(name).digest()[:8], "big") % count


def run_all(units: Sequence[Unit], jobs: int, resume: bool) -> Iterator[Outcome]:
    """Run units, here or in `jobs` processes, and hand back each as it ends."""
    if jobs <= 1 or len(units) <= 1:
        for unit in units:
            yield run_unit(unit, resume)
        return
    from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
    from multiprocessing import active_children, get_context

    # One thread a worker: pools of linear algebra inside pools of processes only get in the way.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    waiting = list(reversed(units))
    running: set[Future[Outcome]] = set()
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        try:
            while waiting or running:
                with _deaf_children():
                    while waiting and len(running) < AHEAD * jobs:
                        running.add(pool.submit(run_unit, waiting.pop(), resume))
                finished, running = wait(running, return_when=FIRST_COMPLETED)
                for future in finished:
                    yield future.result()
        except (KeyboardInterrupt, GeneratorExit):
            # Ctrl-C, here or with whoever takes the outcomes, stops what is being worked at as
            # well; folders take their place in one step.
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in active_children():
                worker.terminate()
            raise


@contextmanager
def _deaf_children() -> Iterator[None]:
    """Workers started meanwhile leave Ctrl-C to us: each would print where it stood."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


class StoppedError(SoilquiltError):
    """Raised by a `progress` to end a unit at once; its folder stays as it was."""


def run_unit(unit: Unit, resume: bool, progress: Progress = silent) -> Outcome:
    """Run one unit; a failure is data, and leaves the old folder as it was."""
    try:
        stamp = _stamp(unit)
        if resume and _is_done(unit, stamp):
            return Outcome(unit, "skipped", _season_json(unit.folder))
        document = _run_and_write(unit, stamp, progress)
    except StoppedError:
        return Outcome(unit, "left")
    except SoilquiltError as error:
        return _failure(unit, str(error))
    except Exception as error:
        trouble = disk_words(error, unit.farm)
        if trouble:
            return _failure(unit, trouble)
        # One block with a bug must not stop the other thousand; the trace is kept for us.
        return _failure(unit, f"our mistake, {type(error).__name__}: {error}", error)
    unit.failed.unlink(missing_ok=True)
    return Outcome(unit, "done", document)


def _failure(unit: Unit, message: str, error: Exception | None = None) -> Outcome:
    trace = "" if error is None else "".join(traceback.format_exception(error))
    note = {"schema": 1, "block": unit.block, "message": message, "trace": trace}
    # Where the disk is what failed, the note of it cannot be left either.
    with suppress(OSError):
        unit.failed.parent.mkdir(parents=True, exist_ok=True)
        unit.failed.write_text(json.dumps(note, ensure_ascii=False, indent=1), encoding="utf-8")
    return Outcome(unit, "failed", error=message)


def _run_and_write(unit: Unit, stamp: dict[str, Any], progress: Progress) -> dict[str, Any]:
    from geo.export.applied import season_applied, write_applied
    from geo.export.folder import write_season
    from geo.farm import read_records
    from geo.season import run_season
    from maps.page import write_map
    from maps.paper.field import write_field
    from maps.report import write_report

    season = run_season(
        unit.farm, unit.season, unit.block, layer_cm=unit.layer_cm, progress=progress
    )
    progress("files and report", 0, 0)
    parent = unit.folder.parent
    parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=parent, prefix=f".{unit.slug}-") as temporary:
        made = Path(temporary) / unit.slug
        write_season(season, made)
        write_map(season, made)
        applied = season_applied(season, read_records(unit.farm, unit.season, unit.block))
        write_applied(season, applied, made / "applied.csv")
        write_report(season, made, applied=applied)
        write_field(season, made)
        files = sorted(p.relative_to(made).as_posix() for p in made.rglob("*") if p.is_file())
        done = json.dumps(stamp | {"files": files}, indent=1)
        (made / "done.json").write_text(done + "\n", encoding="utf-8")
        document = _season_json(made)
        take_place(made, unit.folder)
    return document


def take_place(made: Path, folder: Path) -> None:
    """Put a finished folder in the place of the old one."""
    old = folder.with_name(f".{folder.name}-old")
    shutil.rmtree(old, ignore_errors=True)
    if folder.exists():
        os.replace(folder, old)
    os.replace(made, folder)
    shutil.rmtree(old, ignore_errors=True)


def put_back(farm: Path) -> None:
    """Mend what a power cut or a kill in the middle of a run left; call it before serving a farm.

    A finished folder takes its place in two steps; cut off between them, the earlier one is put
    back. Half-made folders, hidden and in nobody's way, go after a day: another process may still
    be at work in a younger one.
    """
    for left in farm.glob("seasons/*/.*-*"):
        folder = left.with_name(left.name.removeprefix(".").rpartition("-")[0])
        if left.name.endswith("-old"):
            if folder.exists():
                shutil.rmtree(left, ignore_errors=True)
            else:
                os.replace(left, folder)
        elif left.is_dir() and time.time() - left.stat().st_mtime > DAY_S:
            shutil.rmtree(left, ignore_errors=True)


def _stamp(unit: Unit) -> dict[str, Any]:
    """Input and program of a unit; no times, so that equal runs leave equal files."""
    from geo.export.seasonfile import season_versions
    from geo.upkeep import fingerprint

    return {
        "schema": 1,
        "inputs": fingerprint(unit.farm, unit.season),
        "layer_cm": unit.layer_cm,
        "versions": season_versions(),
    }


def _is_done(unit: Unit, stamp: dict[str, Any]) -> bool:
    try:
        done = json.loads((unit.folder / "done.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    wanted = json.loads(json.dumps(stamp))
    return all(done.get(key) == value for key, value in wanted.items())


def _season_json(folder: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((folder / "season.json").read_text(encoding="utf-8"))
    return document
