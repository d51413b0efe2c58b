"""What soil and plant together allow: the soil says, the plant confirms.

Low soil K, Mg, Zn, B, Fe, Mn, Cu or S on an established planting is held until a tissue test of the
right stage and organ agrees; a limit from memory may rate, but it never releases.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from geo.intake.reading import TissueTest
from geo.lookup import Crop, Row, Tables, crop
from geo.rating.methods import match_method, plain
from geo.rating.schemes import LEVELS, Rating, Scheme, critical_index, tissue_schemes
from geo.rating.tissue import name_of

#: Above this pH(KCl) phosphorus waits for tissue too (SA_WINE).
P_NEEDS_TISSUE_ABOVE_PH_KCL = 7.0


@dataclass(frozen=True)
class Decision:
    """What soil and plant together allow for one property.

    Attributes
    ----------
    key : str
    kind : str
        "apply", "hold", "ask" (when was it planted?), "cause" (look for the cause, apply none),
        "foliar", "stop", "watch" or "leach" (hazards), "none" (nothing to do).
    reason : str
        In a sentence or two, with the tissue test behind it.
    releases : str
        Which test at which stage would release a held rate; empty where nothing is held.
    sources : tuple of str
    """

    key: str
    kind: str
    reason: str
    releases: str = ""
    sources: tuple[str, ...] = ()

    @property
    def held(self) -> bool:
        """Whether nothing may be spread for it now."""
        return self.kind != "apply"


def pick_tissue(
    key: str, tests: Sequence[TissueTest], ratings: Sequence[Rating], part: str = ""
) -> Rating | None:
    """The tissue rating to hold against a soil finding; None if none was taken.

    A test with a table comes before one without, a table that was seen before one from memory, the
    part of the block asked for before another, then the scarcest, then the latest.
    """
    by_id = {test.sample_id: test for test in tests}
    mine = [rating for rating in ratings if rating.key == key and rating.sample_id in by_id]

    def order(rating: Rating) -> tuple[bool, bool, bool, int, int]:
        test = by_id[rating.sample_id]
        level = LEVELS.index(rating.level) if rating.rated else len(LEVELS)
        day = -(test.sampled_on or date.min).toordinal()
        return not rating.rated, rating.from_memory, not same_part(part, test.part), level, day

    return min(mine, key=order) if mine else None


def same_part(wanted: str, part: str) -> bool:
    """Whether a test's part of the block is the one asked for, by shared words; "" fits all.

    Examples
    --------
    >>> same_part("upright", "B upright"), same_part("upright", "foot"), same_part("", "foot")
    (True, False, True)
    """
    return not wanted or not part or bool(set(plain(wanted).split()) & set(plain(part).split()))


def release_tests(key: str, crop_key: str, tables: Tables | None = None) -> tuple[str, ...]:
    """Organ and stage of the tests that can release a held rate: their limits have been seen."""
    grown = crop(crop_key)
    return tuple(
        dict.fromkeys(
            scheme.method
            for scheme in tissue_schemes(tables or Tables())
            if scheme.key == key
            and scheme.default
            and scheme.crop in grown.groups
            and scheme.species == grown.species
            and _can_release(scheme)
        )
    )


def _can_release(scheme: Scheme) -> bool:
    target = critical_index(scheme)
    if target is None or scheme.sense != "need":
        return False
    return not any(limits.from_memory for limits in scheme.classes[:target])


def tissue_decision(
    key: str,
    soil: str | Rating,
    tissue: Rating | None = None,
    *,
    established: bool | None,
    crop_key: str = "wine_grape",
    method: str = "",
    ph_kcl: float | None = None,
    tables: Tables | None = None,
) -> Decision:
    """What a soil finding and a tissue finding together allow.

    Parameters
    ----------
    key : str
        Property key; "n" for nitrogen.
    soil : str or Rating
        "low", "adequate" or "high" for needs, "hazard" or "safe" for hazards, or the Rating itself.
    tissue : Rating or None
        As `pick_tissue` gives it; None if no test is on file.
    established : bool or None
        Whether vines or trees stand in the block; None if farm.toml does not say.
    method, ph_kcl : str, float or None
        Soil extractant and pH(KCl); they decide whether phosphorus waits for tissue.

    Returns
    -------
    Decision
        Only kind "apply" allows a rate.
    """
    tables = tables or Tables()
    finding = soil.finding if isinstance(soil, Rating) else soil
    need = next((row for row in tables.rows("tissue_needed") if row["key"] == key), None)
    if isinstance(soil, Rating) and soil.excess:
        return Decision(key, "stop", f"{soil.why} Apply none.", sources=(soil.source,))
    if need is not None and need["needed"] == "always":
        return _nitrogen(key, tissue, need)
    stand = _stand(crop(crop_key), established)
    plant = _plant(tissue)
    if finding == "low" and _soil_decides(need, plant, _waits(key, need, method, ph_kcl)):
        return _soil_alone(key, need)
    row = _decision_row(finding, plant, stand, tables)
    if row is None:
        return Decision(key, "none", "The soil test has no finding.")
    return _decided(key, row, need, tissue, release_tests(key, crop_key, tables))


def _stand(grown: Crop, established: bool | None) -> str:
    if not grown.perennial:
        return "pre-plant"
    return {None: "unknown", True: "established", False: "pre-plant"}[established]


def _waits(key: str, need: Row | None, method: str, ph_kcl: float | None) -> bool:
    """Whether a low soil finding waits for tissue on an established planting."""
    if need is None or need["needed"] == "never":
        return False
    if key != "p":
        return True
    found = match_method("p", method)
    by_olsen = found is not None and found.method == "Olsen"
    return by_olsen or (ph_kcl is not None and ph_kcl > P_NEEDS_TISSUE_ABOVE_PH_KCL)


def _soil_decides(need: Row | None, plant: str, waits: bool) -> bool:
    """Whether a low soil finding may act at once: tissue that finds enough still holds it."""
    if need is None or need["needed"] == "never":
        return True
    return not waits and plant in ("none", "deficient")


def _plant(tissue: Rating | None) -> str:
    """The tissue finding in the words of the decision table."""
    if tissue is None or not tissue.rated:
        return "none"
    return {"low": "deficient", "hazard": "toxic", "safe": "normal"}.get(
        tissue.finding, tissue.finding
    )


def _decision_row(finding: str, plant: str, stand: str, tables: Tables) -> Row | None:
    """First row of the decision table that fits."""
    for row in tables.rows("tissue_decisions"):
        fits_plant = row["tissue"] in (plant, "any")
        if row["soil"] == finding and fits_plant and row["stand"] in (stand, "any"):
            return row
    return None


def _decided(
    key: str, row: Row, need: Row | None, tissue: Rating | None, release: tuple[str, ...]
) -> Decision:
    kind, reason = row["kind"], sentence(row["say"])
    sources = tuple(dict.fromkeys([*row["source"].split("+"), *([need["source"]] if need else [])]))
    if tissue is not None:
        reason += f" {told(tissue)}"
        sources += (tissue.source,) if tissue.source else ()
    by_plant = row["tissue"] == "deficient"
    if kind == "apply" and by_plant and tissue is not None and tissue.from_memory:
        kind = "hold"
        reason = f"{told(tissue)} A limit from memory may rate but not release."
    if kind == "hold" and need is not None:
        reason = f"{sentence(need['why'])} {reason}"
    releases = _release_words(key, release) if kind == "hold" else ""
    return Decision(key, kind, reason, releases, sources)


def told(tissue: Rating) -> str:
    """The tissue test in words."""
    name = f"{tissue.sample_id} ({tissue.method})"
    amount = f"{tissue.value:g} {tissue.unit}" if tissue.value is not None else "not analysed"
    if not tissue.rated:
        return f"{name}: {name_of(tissue.key)} {amount}, no published limits."
    memory = ", by limits from memory" if tissue.from_memory else ""
    return f"{name}: {name_of(tissue.key)} {amount}, {tissue.level.replace('_', ' ')}{memory}."


def _release_words(key: str, release: tuple[str, ...]) -> str:
    if not release:
        return (
            f"No tissue limits for {name_of(key)} that we have seen in print: ask an adviser, or "
            "enter your own table."
        )
    stages: dict[str, list[str]] = {}
    for method in release:
        part, _, stage = method.partition(", ")
        stages.setdefault(part, []).append(stage)
    asked = [f"the {part}" + f" at {' or '.join(at)}" * any(at) for part, at in stages.items()]
    return f"A test of {', or of '.join(asked)} that finds {name_of(key)} low releases it."


def _soil_alone(key: str, need: Row | None) -> Decision:
    why = sentence(need["why"]) if need and need["needed"] == "never" else "The soil test decides."
    sources = (need["source"],) if need else ()
    return Decision(key, "apply", why, sources=sources)


def _nitrogen(key: str, tissue: Rating | None, need: Row) -> Decision:
    """Nitrogen: from total N of the leaf and vigour; bloom petiole nitrate alone never advises.

    Bloom nitrate of 5 ppm went with enough leaf N in an irrigated inland block (WSU_GFG).
    """
    why = sentence(need["why"])
    if tissue is None or not tissue.rated or tissue.key != "n":
        return Decision(key, "none", why, sources=(need["source"],))
    words = f"{why} {told(tissue)}"
    if _plant(tissue) == "deficient" and not tissue.from_memory:
        words += " If growth is weak too, work out nitrogen from yield and vigour with an adviser."
        return Decision(key, "ask", words, sources=(need["source"], tissue.source))
    return Decision(key, "none", words, sources=(need["source"], tissue.source))


def sentence(text: str) -> str:
    """Words of a table cell as a sentence.

    Examples
    --------
    >>> sentence("look at pH")
    'Look at pH.'
    """
    return text[:1].upper() + text[1:].rstrip(".") + "."
