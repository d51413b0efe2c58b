"""Tissue tests rated by stage and organ; what does not state both is not rated."""

from __future__ import annotations

from collections.abc import Sequence

from geo.intake.reading import TissueTest
from geo.lookup import Crop, Tables, crop, properties, read_toml
from geo.rating.methods import plain
from geo.rating.schemes import Rating, Scheme, rating_of, tissue_schemes, unrated
from geo.units import split_unit


def rate_tissue(
    tests: Sequence[TissueTest], crop_key: str, tables: Tables | None = None
) -> tuple[Rating, ...]:
    """Every value of every tissue test against the table of its stage and organ.

    A test whose stage or organ is not stated is not rated ("ask"); a value without a table is shown
    as "no_table".
    """
    grown = crop(crop_key)
    schemes = tissue_schemes(tables or Tables())
    return tuple(
        _rate(test, key, value, unit, grown, schemes)
        for test in tests
        for key, (value, unit) in test.values.items()
    )


def _rate(
    test: TissueTest, key: str, value: float, unit: str, grown: Crop, schemes: Sequence[Scheme]
) -> Rating:
    stage, organ = stage_of(test.stage), organ_of(test.organ)
    method = f"{organ or 'organ not stated'}, {stage or 'stage not stated'}"
    if not stage or not organ:
        why = "Stage and organ must be known."
        return unrated(test.sample_id, key, value, unit, "ask", why, method)
    scheme = _find(key, stage, organ, grown, schemes)
    if scheme is None:
        why = f"No published limits for {name_of(key)} in the {organ} at {stage} in our tables."
        return unrated(test.sample_id, key, value, unit, "no_table", why, method)
    factor = _unit_factor(unit, scheme.unit)
    if factor is None:
        why = f"Unit {unit!r} is not known here."
        return unrated(test.sample_id, key, value, unit, "ask", why, method)
    return rating_of(
        scheme,
        test.sample_id,
        key,
        value * factor,
        _why(scheme, stage, grown),
        method=method,
        fallback=scheme.crop != grown.groups[0],
    )


def _find(
    key: str, stage: str, organ: str, grown: Crop, schemes: Sequence[Scheme]
) -> Scheme | None:
    """The default scheme for a stage and organ: own crop group first, then the closest stage."""
    words = read_toml("tissue_words")
    for group in grown.groups:
        for table_stage in words["stages"][stage]["tables"]:
            for table_organ in words["organs"][organ]["tables"]:
                wanted = (key, table_stage, table_organ, group, grown.species)
                for scheme in schemes:
                    is_it = (scheme.key, scheme.stage, scheme.organ, scheme.crop, scheme.species)
                    if is_it == wanted and scheme.default:
                        return scheme
    return None


def _why(scheme: Scheme, stage: str, grown: Crop) -> str:
    parts = [f"Table for {scheme.method}"]
    if scheme.stage != stage:
        parts.append(f"sampled at {stage}")
    if scheme.crop != grown.groups[0]:
        parts.append(f"that of {crop(scheme.crop).name}, as there is none for {grown.name}")
    if scheme.yours:
        parts.append("your own table")
    return ", ".join(parts) + "."


#: Units of dry matter. [mg/kg]
_PER_MG_KG = {"%": 10_000.0, "mg/kg": 1.0, "ppm": 1.0, "g/kg": 1000.0, "mg/g": 1000.0}


def _unit_factor(unit: str, wanted: str) -> float | None:
    """From one unit of dry matter to another; None if it is not one."""
    have = _PER_MG_KG.get(split_unit(unit)[0])
    return None if have is None else have / _PER_MG_KG[wanted]


def stage_of(text: str) -> str:
    """A growth stage as written -> its word in our tables; "" if unknown.

    Examples
    --------
    >>> stage_of("Full bloom (E-L 23)"), stage_of("last Tuesday")
    ('full bloom', '')
    """
    return _word("stages", text)


def organ_of(text: str) -> str:
    """An organ as written -> its word in our tables; "" if unknown.

    Examples
    --------
    >>> organ_of("Leaf blades"), organ_of("petioles")
    ('blade', 'petiole')
    """
    return _word("organs", text)


def _word(table: str, text: str) -> str:
    """The entry with the longest spelling found in the text."""
    found = [
        (len(spelling), word)
        for word, entry in read_toml("tissue_words")[table].items()
        for spelling in entry["spellings"]
        if spelling in plain(text)
    ]
    return max(found)[1] if found else ""


def name_of(key: str) -> str:
    """The word for a nutrient in plants."""
    names = read_toml("tissue_words")["names"]
    return str(names[key]) if key in names else properties()[key].name
