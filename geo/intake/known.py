"""What is known of the farm when a file arrives, and what the person has said already."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from geo.blocks import Block
from geo.findings import Finding
from geo.intake.reading import Column, Point


@dataclass(frozen=True)
class Profile:
    """How a laboratory laid out a file that was stored: its columns as they were read in the end.

    `laboratory` is the line that names it, "" if none does; `file` and `season` say which it was.
    """

    laboratory: str
    file: str
    season: int | None
    columns: tuple[Column, ...]


@dataclass(frozen=True)
class Known:
    """The farm around a new file.

    Attributes
    ----------
    season : int or None
    blocks : tuple of Block
    points : tuple of Point
        Stations on file, those of the same season first.
    ids : tuple of str
        Sample ids on file beside those of `points`.
    planned : mapping
        Sample id -> longitude and latitude of the spots planned for the season. [deg]
    crs : str or None
        Coordinate system said for this file.
    columns, units, methods : mapping
        Heading -> key or role; key -> unit; key -> method; said for this file.
    accept : frozenset of str
        Rules whose proposals are agreed to.
    profiles : tuple of Profile
        Layouts of files on file, the latest first.
    """

    season: int | None = None
    blocks: tuple[Block, ...] = ()
    points: tuple[Point, ...] = ()
    ids: tuple[str, ...] = ()
    planned: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    crs: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    methods: Mapping[str, str] = field(default_factory=dict)
    accept: frozenset[str] = frozenset()
    profiles: tuple[Profile, ...] = ()

    def sample_ids(self) -> tuple[str, ...]:
        """Every id on file, once."""
        return tuple(dict.fromkeys([*(point.sample_id for point in self.points), *self.ids]))

    def block_named(self, text: str) -> Block | None:
        """The block that a text names, however it is typed."""
        folded = " ".join(text.split()).casefold()
        named = (b for b in self.blocks if folded in (b.name.casefold(), b.slug.casefold()))
        return next(named, None)

    def agreed(self, rule: str) -> bool:
        """Whether the proposal of a rule is agreed to."""
        return rule in self.accept


def settled(finding: Finding, what_was_done: str) -> Finding:
    """A question that was agreed to: a note of what was done."""
    return replace(finding, severity="note", proposal="", what_was_done=what_was_done, repair={})
