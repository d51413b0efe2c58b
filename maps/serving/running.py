"""Blocks being worked on in the background: one by one, told as it goes, stopped between them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from geo.progress import Progress
from maps.serving.units_of_work import Outcome, StoppedError, Unit, run_unit


def map_unit(unit: Unit, progress: Progress) -> Outcome:
    """Run a block and write its folder anew."""
    return run_unit(unit, False, progress)


class Run:
    """Blocks of one season, worked on one after another in a thread.

    What is done is on disk: closing the page or stopping the server loses nothing, since each block
    is written beside the old one and takes its place only when it is whole.
    """

    def __init__(
        self,
        units: Sequence[Unit],
        name: str,
        work: Callable[[Unit, Progress], Outcome] = map_unit,
        word: str = "Mapping",
    ) -> None:
        self.units, self.name, self.work, self.word = list(units), name, work, word
        self.states = ["waiting"] * len(self.units)
        self.errors = [""] * len(self.units)
        self.stopping = self.at_once = False
        #: What of the block is being worked on: its name, how many are done, of how many.
        self.part = ("", 0, 0)
        self.began = time.monotonic()
        self.version = 0
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._work, name="run", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, at_once: bool = False) -> None:
        """End after the block that is being worked on, or without finishing it."""
        self.stopping, self.at_once = True, self.at_once or at_once
        self._say(lambda: None)

    @property
    def busy(self) -> bool:
        """Whether a block is waiting or being worked on."""
        return any(state in ("waiting", "working") for state in self.states)

    def _work(self) -> None:
        for index, unit in enumerate(self.units):
            if self.stopping:
                self._set(index, "left", "")
                continue
            self._set(index, "working", "")
            self.part = ("", 0, 0)
            outcome = self.work(unit, self._note_part)
            self._set(index, outcome.state, outcome.error)

    def _note_part(self, what: str, done: int, of: int) -> None:
        if self.at_once:
            raise StoppedError("Stopped; the block is as it was.")

        def change() -> None:
            self.part = (what, done, of)

        self._say(change)

    def _set(self, index: int, state: str, error: str) -> None:
        def change() -> None:
            self.states[index], self.errors[index] = state, error

        self._say(change)

    def _say(self, change: Callable[[], None]) -> None:
        with self._changed:
            change()
            self.version += 1
            self._changed.notify_all()

    def wait(self, seen: int, seconds: float) -> int:
        """Sleep until something new is to be told, or so long; the version now. [s]"""
        with self._changed:
            self._changed.wait_for(lambda: self.version != seen, timeout=seconds)
            return self.version

    def told(self) -> dict[str, Any]:
        """How far it is, as data."""
        done = sum(state in ("done", "skipped", "failed") for state in self.states)
        elapsed = time.monotonic() - self.began
        left = elapsed / done * (len(self.units) - done) if done else None
        now = next(
            (u.block for u, s in zip(self.units, self.states, strict=True) if s == "working"), ""
        )
        return {
            "name": self.name,
            "word": self.word,
            "season": self.units[0].season if self.units else None,
            "busy": self.busy,
            "stopping": self.stopping,
            "working": now,
            "part": self.part[0] if now else "",
            "partsDone": self.part[1],
            "partsOf": self.part[2] if now else 0,
            "done": done,
            "of": len(self.units),
            "secondsLeft": None if left is None or not self.busy else round(left),
            "blocks": [
                {"block": unit.block, "slug": unit.slug, "state": state, "error": error}
                for unit, state, error in zip(self.units, self.states, self.errors, strict=True)
            ],
        }
