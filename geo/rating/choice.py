"""Which published scheme may rate a value: same method, this crop's table first, this soil's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geo.errors import TableError
from geo.lookup import Crop, Tables, crop, properties
from geo.rating.methods import MethodMatch, match_method
from geo.rating.schemes import Scheme, critical_index
from geo.units import OM_PER_OC, house_factor, per_litre, split_unit

#: Extractant words of tables whose source does not name one: never used unless chosen.
UNSTATED = ("extractant not stated", "method not stated")


@dataclass(frozen=True)
class Soil:
    """What conditions of a table ask of a soil, and where the figures come from."""

    clay_pct: float | None = None
    clay_from: str = ""
    ph_kcl: float | None = None
    ph_kcl_from: str = ""


@dataclass(frozen=True)
class Chosen:
    """A scheme that may rate a value; `per_house` turns house units into its unit."""

    scheme: Scheme
    per_house: float
    why: str
    fallback: bool


@dataclass(frozen=True)
class Refusal:
    """Why nothing may rate a value: "ask" (something has to be known first) or "no_table"."""

    level: str
    why: str


def choose_scheme(
    key: str,
    method: str,
    unit_read: str,
    grown: Crop,
    soil: Soil,
    schemes: Sequence[Scheme],
    tables: Tables,
) -> Chosen | Refusal:
    """The scheme for a property as one laboratory reported it, in one soil.

    The method must match. The crop's own group comes first, then the groups it may fall back to;
    within a group the user's own table, then the extractant and the unit that fit best.
    """
    name = properties()[key].name
    match = match_method(key, method, tables)
    if match is None:
        said = f"Method {method!r} is not known" if method else "The extractant is not stated"
        return Refusal("ask", f"{said}: ask the laboratory how {name} was measured.")
    if match.relation == "ask":
        return Refusal("ask", f"{method or name}: {match.say}.")
    refusals: list[Refusal] = []
    for group in grown.groups_for(key):
        fitting = _of_group(key, match, unit_read, group, schemes, tables.choice)
        if not fitting:
            continue
        outcome = _for_soil(fitting, soil)
        if isinstance(outcome, Scheme):
            return _chosen(key, match, outcome, unit_read, soil, grown)
        if outcome is not None:
            refusals.append(outcome)
            break
    return refusals[0] if refusals else Refusal("no_table", _no_table(key, match, grown))


def _of_group(
    key: str,
    match: MethodMatch,
    unit_read: str,
    group: str,
    schemes: Sequence[Scheme],
    choice: Mapping[str, str],
) -> list[Scheme]:
    """Schemes of a crop group that the method allows, the best fitting first."""
    wanted = choice.get(key, "")
    found: list[tuple[tuple[bool, bool, int, int], Scheme]] = []
    for scheme in schemes:
        if scheme.crop != group:
            continue
        picked = bool(wanted) and wanted in (
            scheme.source,
            f"{scheme.source}; {scheme.condition}",
        )
        place = _place(scheme, match, key, picked)
        if place is None or not (scheme.default or picked or scheme.yours):
            continue
        # Last, for it reads unit words: few schemes come this far.
        if not _units_agree(scheme, unit_read, match):
            continue
        order = (not picked, not scheme.yours, place, _unit_order(scheme, unit_read))
        found.append((order, scheme))
    picked_only = [item for item in found if not item[0][0]]
    return [scheme for _, scheme in sorted(picked_only or found, key=lambda item: item[0])]


def _place(scheme: Scheme, match: MethodMatch, key: str, picked: bool) -> int | None:
    """Rank of a scheme's extractant among those that may rate; None if it may not."""
    target = (scheme.key, scheme.method)
    if target in match.rate_as:
        return match.rate_as.index(target)
    unstated = scheme.key == key and scheme.method.startswith(UNSTATED)
    return len(match.rate_as) if picked and unstated else None


def _units_agree(scheme: Scheme, unit_read: str, match: MethodMatch) -> bool:
    """Whether the value can be written in the scheme's unit; mg in a litre is not mg in a kilo."""
    try:
        house_factor(scheme.key, scheme.unit)
    except TableError:
        return False
    if properties()[scheme.key].unit != "mg/kg":
        return True
    in_litre = per_litre(unit_read) or match.method == "saturation extract"
    return in_litre == per_litre(scheme.unit)


def _unit_order(scheme: Scheme, unit_read: str) -> int:
    """The unit as printed first, then the house unit, then the rest."""
    if unit_read and split_unit(scheme.unit)[0] == split_unit(unit_read)[0]:
        return 0
    return 1 if scheme.unit == properties()[scheme.key].unit else 2


def _for_soil(fitting: Sequence[Scheme], soil: Soil) -> Scheme | Refusal | None:
    """The first scheme whose conditions the soil meets; a refusal if a condition is not known."""
    asked: Refusal | None = None
    choices = []
    for scheme in fitting:
        if scheme.condition and len({s.condition for s in fitting}) > 1:
            choices.append(f"{scheme.source}; {scheme.condition}")
        elif scheme.clay_pct is not None and soil.clay_pct is None:
            asked = Refusal(
                "ask", "Texture needed: no clay figure in the block; give clay_pct in farm.toml."
            )
        elif scheme.ph_kcl is not None and soil.ph_kcl is None:
            asked = Refusal("ask", "pH (KCl) needed: the table changes with it.")
        elif _meets(scheme, soil):
            return scheme
    if choices:
        words = " or ".join(repr(choice) for choice in dict.fromkeys(choices))
        return Refusal("ask", f"The table differs by region or stock: choose {words} in farm.toml.")
    return asked


def _meets(scheme: Scheme, soil: Soil) -> bool:
    clay_fits = scheme.clay_pct is None or (soil.clay_pct or 0.0) in scheme.clay_pct
    ph_fits = scheme.ph_kcl is None or (soil.ph_kcl or 0.0) in scheme.ph_kcl
    return clay_fits and ph_fits


def _chosen(
    key: str, match: MethodMatch, scheme: Scheme, unit_read: str, soil: Soil, grown: Crop
) -> Chosen:
    per_house = 1 / house_factor(scheme.key, scheme.unit)[0]
    converted = scheme.key == "om" and key == "oc"
    parts = [f"{match.method}, table for {scheme.method}"]
    if match.say and (converted or match.relation != "converted"):
        parts.append(match.say)
    if scheme.clay_pct is not None:
        parts.append(f"{scheme.clay_pct.text} % clay, here {soil.clay_pct:g} ({soil.clay_from})")
    if scheme.ph_kcl is not None:
        parts.append(f"pH(KCl) {scheme.ph_kcl.text}, here {soil.ph_kcl:.1f} ({soil.ph_kcl_from})")
    if scheme.condition:
        parts.append(scheme.condition)
    if scheme.unit not in (properties()[scheme.key].unit, "1"):
        parts.append(f"in {scheme.unit}")
    assumed = house_factor(key, unit_read)[1] if unit_read else ""
    parts.extend(filter(None, [assumed, "your own table" if scheme.yours else ""]))
    fallback = scheme.crop != grown.groups[0]
    if fallback:
        parts.append(f"fall-back to {crop(scheme.crop).name}: no table for {grown.name}")
    return Chosen(
        scheme=scheme,
        per_house=per_house * (OM_PER_OC if converted else 1.0),
        why="; ".join(parts) + ".",
        fallback=fallback,
    )


def _no_table(key: str, match: MethodMatch, grown: Crop) -> str:
    name = properties()[key].name
    if key == "no3_n" and grown.perennial:
        return f"Soil nitrate is not rated for {grown.name}: nitrogen goes by vigour and tissue."
    return f"No published limits for {name} by {match.method} in our tables; enter yours."


def critical_in_house(chosen: Chosen) -> float | None:
    """The critical level of a scheme in house units; None if none is published."""
    place = critical_index(chosen.scheme)
    lower = None if place is None else chosen.scheme.classes[place].lower
    return None if lower is None else lower / chosen.per_house
