"""Published rating schemes: classes with limits, and one value against them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from geo.errors import TableError
from geo.lookup import Row, Tables

#: Class words from low to high. They are labels; `target` marks the class that suffices.
LEVELS = ("very_low", "low", "medium", "high", "very_high")
SENSES = ("need", "hazard_high", "hazard_low", "descriptive")


@dataclass(frozen=True)
class Rating:
    """One value against one table.

    Attributes
    ----------
    sample_id, key : str
    value, unit : float, str
        As rated.
    level : str
        "very_low" ... "very_high", or one of the answers of their own: "not_analysed" and
        "no_table" (no table for this method), "ask" (method or texture not known, or the value has
        an open question).
    low, high : float or None
        Limits of the class, in `unit`.
    sense : str
        "need", "hazard_high", "hazard_low" or "descriptive".
    target : bool
        The class the source treats as sufficient.
    source : str
        Key in sources.toml.
    from_memory : bool
        The row behind it is from memory: shown with a flag, never releases a held rate.
    why : str
        Method match, fallback, texture, unit conversions, in one sentence.
    finding : str
        What it comes to: "low", "adequate", "high" for needs; "safe" or "hazard" for hazards; ""
        where the table only describes or there is no rating.
    excess : bool
        Above the limit of the excess watch: no more of that element is to be applied.
    fallback : bool
        Rated by the table of another crop group.
    method : str
        Extractant of the table; organ and stage for tissue.
    chances : mapping
        Of a block's mean: level -> chance that the mean, with its doubt, lies in that class. [1]
    """

    sample_id: str
    key: str
    value: float | None
    unit: str
    level: str
    low: float | None
    high: float | None
    sense: str
    target: bool
    source: str
    from_memory: bool
    why: str
    finding: str = ""
    excess: bool = False
    fallback: bool = False
    method: str = ""
    chances: Mapping[str, float] = field(default_factory=dict)

    @property
    def rated(self) -> bool:
        """Whether a table rated it."""
        return self.level in LEVELS


@dataclass(frozen=True)
class Interval:
    """Numbers between two bounds, each in or out, as "[6,15]" or "(15,100]" writes it."""

    text: str
    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        above = value >= self.low if self.text.startswith("[") else value > self.low
        below = value <= self.high if self.text.endswith("]") else value < self.high
        return above and below


def read_interval(text: str) -> Interval | None:
    """An interval in the usual notation; None if the cell is empty.

    Examples
    --------
    >>> 15 in read_interval("[6,15]"), 15 in read_interval("(15,100]")
    (True, False)
    """
    if not text:
        return None
    low, high = text[1:-1].split(",")
    return Interval(text, float(low), float(high))


@dataclass(frozen=True)
class ClassLimits:
    """One class: lower limit in, upper limit out, None = open."""

    level: str
    lower: float | None
    upper: float | None
    target: bool
    from_memory: bool
    note: str


@dataclass(frozen=True)
class Scheme:
    """The classes one source gives for one property, method, unit and crop group.

    `method` is the extractant, or organ and stage for tissue; `clay_pct` and `ph_kcl` bound the
    soils it is for; `condition` is a region or rootstock that has to be chosen; `species` a tree.
    """

    key: str
    method: str
    unit: str
    crop: str
    source: str
    default: bool
    sense: str
    classes: tuple[ClassLimits, ...]
    clay_pct: Interval | None = None
    ph_kcl: Interval | None = None
    condition: str = ""
    organ: str = ""
    stage: str = ""
    species: str = ""
    yours: bool = False

    @property
    def target_index(self) -> int | None:
        """Place of the target class among the classes."""
        return next((i for i, limits in enumerate(self.classes) if limits.target), None)

    @property
    def open_above(self) -> bool:
        """A need whose table has no class above the target: the excess watch has to look."""
        target = self.target_index
        return self.sense == "need" and (target is None or target == len(self.classes) - 1)


def soil_schemes(tables: Tables) -> tuple[Scheme, ...]:
    """Every scheme for soil, the user's own first."""
    rows = tables.rows("soil_sufficiency") + tables.rows("soil_hazards")
    names = ("key", "extractant", "clay_pct", "ph_kcl", "condition", "unit", "crop", "source")
    return tuple(
        replace(
            _scheme(group),
            method=group[0]["extractant"],
            clay_pct=read_interval(group[0]["clay_pct"]),
            ph_kcl=read_interval(group[0]["ph_kcl"]),
            condition=group[0]["condition"],
        )
        for group in _grouped(rows, names)
    )


def tissue_schemes(tables: Tables) -> tuple[Scheme, ...]:
    """Every scheme for plant tissue, the user's own first."""
    names = ("key", "organ", "stage", "species", "unit", "crop", "source")
    return tuple(
        replace(
            _scheme(group),
            method=f"{group[0]['organ']}, {group[0]['stage']}",
            organ=group[0]["organ"],
            stage=group[0]["stage"],
            species=group[0]["species"],
        )
        for group in _grouped(tables.rows("tissue_sufficiency"), names)
    )


def classify(scheme: Scheme, value: float) -> ClassLimits:
    """The class a value falls in: lower limits belong to a class, upper limits do not.

    Raises
    ------
    TableError
        If the highest class of the scheme is not open.
    """
    for limits in scheme.classes:
        if limits.upper is None or value < limits.upper:
            return limits
    raise TableError(f"{scheme.key}, {scheme.source}: the highest class is not open.")


def critical_index(scheme: Scheme) -> int | None:
    """Place of the class whose lower limit is the critical level; None if none is published.

    Needs: the target class. Hazards: the first class above "low" (for "hazard_low" the danger lies
    below that limit).
    """
    if scheme.sense == "need":
        return scheme.target_index
    if scheme.sense == "descriptive":
        return None
    above = [i for i, c in enumerate(scheme.classes) if LEVELS.index(c.level) > 1]
    return above[0] if above else None


def finding_of(scheme: Scheme, limits: ClassLimits) -> str:
    """What a class comes to: "low", "adequate", "high", "safe", "hazard", or "" if descriptive.

    A need without a target class rates by its words alone.
    """
    place = scheme.classes.index(limits)
    critical = critical_index(scheme)
    if scheme.sense in ("hazard_high", "hazard_low"):
        above = critical is not None and place >= critical
        return "hazard" if above == (scheme.sense == "hazard_high") else "safe"
    if scheme.sense == "descriptive":
        return ""
    middle = LEVELS.index("medium") if critical is None else critical
    order = LEVELS.index(limits.level) if critical is None else place
    return "low" if order < middle else "adequate" if order == middle else "high"


def rating_of(
    scheme: Scheme,
    sample_id: str,
    key: str,
    value: float,
    why: str,
    *,
    method: str = "",
    fallback: bool = False,
) -> Rating:
    """A value in the table's own unit against that table, whose key may be a relative's."""
    limits = classify(scheme, value)
    return Rating(
        sample_id=sample_id,
        key=key,
        value=value,
        unit=scheme.unit,
        level=limits.level,
        low=limits.lower,
        high=limits.upper,
        sense=scheme.sense,
        target=limits.target,
        source=scheme.source,
        from_memory=limits.from_memory,
        why=why,
        finding=finding_of(scheme, limits),
        fallback=fallback,
        method=method or scheme.method,
    )


def unrated(
    sample_id: str, key: str, value: float | None, unit: str, level: str, why: str, method: str = ""
) -> Rating:
    """A rating that says why there is none."""
    return Rating(
        sample_id=sample_id,
        key=key,
        value=value,
        unit=unit,
        level=level,
        low=None,
        high=None,
        sense="descriptive",
        target=False,
        source="",
        from_memory=False,
        why=why,
        method=method,
    )


def _grouped(rows: Sequence[Row], names: Sequence[str]) -> list[list[Row]]:
    """Rows that share the identity of a scheme, in order of appearance."""
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        own = str(row["verified"] == "yours")
        groups.setdefault((*(row[name] for name in names), own), []).append(row)
    return list(groups.values())


def _scheme(group: Sequence[Row]) -> Scheme:
    first = group[0]
    where = f"{first['key']}, {first['source']}, {first['crop']}"
    classes = tuple(_limits(row) for row in group)
    check_classes(classes, where)
    if first["sense"] not in SENSES:
        raise TableError(f"{where}: sense {first['sense']!r} is not one of {SENSES}.")
    return Scheme(
        key=first["key"],
        method="",
        unit=first["unit"],
        crop=first["crop"],
        source=first["source"],
        default=first["is_default"] == "1",
        sense=first["sense"],
        classes=classes,
        yours=first["verified"] == "yours" or first["source"] == "yours",
    )


def _limits(row: Row) -> ClassLimits:
    return ClassLimits(
        level=row["level"],
        lower=float(row["lower"]) if row["lower"] else None,
        upper=float(row["upper"]) if row["upper"] else None,
        target=row["is_target"] == "1",
        from_memory=row["verified"] == "memory",
        note=row["note"],
    )


def check_classes(classes: Sequence[ClassLimits], where: str) -> None:
    """Refuse classes with a gap, an overlap, closed ends, falling words or two targets.

    Raises
    ------
    TableError
        Naming the scheme and what is wrong.
    """
    ends_open = classes[0].lower is None and classes[-1].upper is None
    joined = all(a.upper == b.lower for a, b in pairwise(classes))
    rising = all(
        LEVELS.index(a.level) < LEVELS.index(b.level) and (a.upper or 0) < (b.upper or 1e99)
        for a, b in pairwise(classes)
    )
    if not (ends_open and joined and rising):
        raise TableError(
            f"{where}: classes must join without gaps, rise, and be open at both ends."
        )
    if sum(limits.target for limits in classes) > 1:
        raise TableError(f"{where}: at most one class can be the target.")
