"""Records of a sampling plan: what is asked, what is known, the spots, what they are worth."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from shapely.geometry.base import BaseGeometry

from geo.blocks import Block
from geo.intake.reading import Application
from geo.planning.elsewhere import Elsewhere
from geo.planning.size import SizePoint
from geo.planning.tissue import TissueAsk
from geo.season import Season

#: Cores in a bag and their ring; 8 to 10 on 3 to 5 m keep the bag near the mean of its cell, a
#: companion's stay within arm's length of it. [m]
CORES, RING_M, COMPANION_RING_M = 9, 3.0, 0.8


@dataclass(frozen=True)
class Wishes:
    """What a person asks of a plan.

    Attributes
    ----------
    spots : int
    repeats : int or None
        Stations to return to; None takes about two thirds.
    gate_lonlat : (float, float) or None
        Where every day's walk begins and ends. [deg]
    no_go : tuple of polygon
        WGS84: yard, filled dam, soil known to be different. [deg]
    fixed_lonlat : tuple of (float, float)
        Spots asked for. [deg]
    keep : tuple of str
        Stations that must be among the repeats.
    most_a_day : int or None
    along_rows : bool
        Rows cannot be crossed: the walk goes round their ends.
    """

    spots: int
    repeats: int | None = None
    gate_lonlat: tuple[float, float] | None = None
    no_go: tuple[BaseGeometry, ...] = ()
    fixed_lonlat: tuple[tuple[float, float], ...] = ()
    keep: tuple[str, ...] = ()
    most_a_day: int | None = None
    along_rows: bool = False


@dataclass(frozen=True)
class Spot:
    """One place to sample.

    Attributes
    ----------
    number : int
        In walking order, from 1.
    sample_id : str
        What is written on the bag.
    x_m, y_m, lon, lat : float
        In the block's metric CRS [m] and in WGS84 [deg].
    kind : str
        "repeat", "new", "pair" (a close companion) or "fixed" (asked for).
    reason : str
    day : int
        From 1.
    cores : int
        Cores in the bag.
    ring_m : float
        Radius of their ring. [m]
    planned_m : tuple of float or None
        Where the plan had it, once a person has moved it. [m]
    """

    number: int
    sample_id: str
    x_m: float
    y_m: float
    lon: float
    lat: float
    kind: str
    reason: str
    day: int
    cores: int = CORES
    ring_m: float = RING_M
    planned_m: tuple[float, float] | None = None


@dataclass(frozen=True)
class PlanQuality:
    """What a plan is worth, told before anything is measured.

    Attributes
    ----------
    key : str
        The property it is told by; empty where nothing has been measured yet.
    unit : str
        Unit of the doubts; "of the spread" without data, "of the value" on the log scale.
    doubt_before, doubt_after : float
        Kriging sd over the block, from the mean variance; NaN before a first survey.
    against_random : float
        Mean variance over that of plans with the same repeats and the rest at random. [1]
    gap_m, closest_m : float
        Largest distance to the nearest sample; the two spots nearest to each other. [m]
    worth_share : float
        Share of what knowing everything would be worth to the decisions; NaN where none is near.
    """

    key: str
    unit: str
    doubt_before: float
    doubt_after: float
    against_random: float
    gap_m: float
    closest_m: float
    worth_share: float


@dataclass(frozen=True)
class SamplePlan:
    """Where to sample a block in a season.

    Attributes
    ----------
    block : Block
    season : int
    after : int or None
        Season of the survey it builds on; None for a first survey.
    spots : tuple of Spot
        In walking order.
    depth_cm : (float, float)
    methods : mapping
        Property key -> method asked of the laboratory, as last time.
    gate_m : (float, float) or None
    walked_m, hours, cost : float
        Way [m], work [h], laboratory and work [currency].
    quality : PlanQuality
    curve : tuple of SizePoint
    tissue : tuple of TissueAsk
    notes : tuple of str
    no_go : tuple of polygon
        Areas that were to be kept off, in the block's metric CRS. [m]
    strips : tuple of polygon
        Check strips, where a spot tells what would have happened without. [m]
    along_rows : bool
        Rows are not crossed: the walk goes round their ends.
    """

    block: Block
    season: int
    after: int | None
    spots: tuple[Spot, ...]
    depth_cm: tuple[float, float]
    methods: Mapping[str, str]
    gate_m: tuple[float, float] | None
    walked_m: float
    hours: float
    cost: float
    currency: str
    quality: PlanQuality
    curve: tuple[SizePoint, ...]
    tissue: tuple[TissueAsk, ...] = ()
    notes: tuple[str, ...] = ()
    no_go: tuple[BaseGeometry, ...] = ()
    strips: tuple[BaseGeometry, ...] = ()
    along_rows: bool = False

    def of_kind(self, kind: str) -> tuple[Spot, ...]:
        """Spots of one kind."""
        return tuple(spot for spot in self.spots if spot.kind == kind)


@dataclass(frozen=True)
class Known:
    """What is known of a block before the season that is planned.

    Attributes
    ----------
    last : Season or None
        The last survey, run.
    stations : mapping
        Sample id -> longitude and latitude of every station the block has had. [deg]
    taken : collection of str
        Every sample id of the farm.
    applications : sequence of Application
        What was spread on the block.
    elsewhere : sequence of Elsewhere
        Models of the farm's other blocks; looked at if this one has had no survey.
    """

    last: Season | None = None
    stations: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    taken: Collection[str] = ()
    applications: Sequence[Application] = ()
    elsewhere: Sequence[Elsewhere] = ()
