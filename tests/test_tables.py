"""Every table of agronomy: sources, units, classes without gaps or overlaps.

The counts of the sufficiency tables are those printed in section 0 of the project's reference pack
on ratings: 694 rows, 206 schemes, 189 default; 168 needs (139 with a target), 31 hazard_high,
2 hazard_low, 5 descriptive; 111 rows from memory.
"""

import csv
import io
from collections import Counter
from importlib import resources

import pytest

from geo.errors import TableError
from geo.lookup import Tables, crop, properties, read_table, read_toml, rows_from, sources
from geo.rating.schemes import (
    LEVELS,
    SENSES,
    ClassLimits,
    check_classes,
    critical_index,
    soil_schemes,
    tissue_schemes,
)
from geo.rating.tissue import name_of
from geo.units import house_factor

SOIL = soil_schemes(Tables())
TISSUE = tissue_schemes(Tables())
SCHEMES = SOIL + TISSUE
NAMES = sorted(
    path.name.removesuffix(".csv")
    for path in (resources.files("geo") / "tables").iterdir()
    if path.name.endswith(".csv")
)


def label(scheme):
    return f"{scheme.key}-{scheme.method}-{scheme.crop}-{scheme.source}"


@pytest.mark.parametrize("name", NAMES)
def test_every_row_has_a_known_source_and_mark(name):
    assert len(read_table(name)) > 0  # reading refuses a row without


def test_the_counts_of_the_reference_pack_come_out():
    assert sum(len(s.classes) for s in SCHEMES) == 694
    assert len(SCHEMES) == 206
    assert sum(s.default for s in SCHEMES) == 189
    assert Counter(s.sense for s in SCHEMES) == {
        "need": 168,
        "hazard_high": 31,
        "hazard_low": 2,
        "descriptive": 5,
    }
    assert sum(s.sense == "need" and s.target_index is not None for s in SCHEMES) == 139
    assert sum(c.from_memory for s in SCHEMES for c in s.classes) == 111


def test_defaults_without_a_class_above_the_target():
    """Section 10 of the pack: 23 of them, for which the excess watch exists."""
    top = [s for s in SCHEMES if s.default and s.target_index == len(s.classes) - 1]
    assert len(top) == 23


@pytest.mark.parametrize("scheme", SCHEMES, ids=label)
def test_classes_join_and_rise(scheme):
    check_classes(scheme.classes, label(scheme))
    assert scheme.sense in SENSES
    assert all(limits.level in LEVELS for limits in scheme.classes)


@pytest.mark.parametrize("scheme", SCHEMES, ids=label)
def test_a_critical_level_has_a_number(scheme):
    """Every hazard has one; every target row has a lower limit."""
    place = critical_index(scheme)
    if scheme.sense.startswith("hazard"):
        assert place is not None
    if place is not None:
        assert scheme.classes[place].lower is not None


def test_at_most_one_default_a_method_unit_and_crop():
    seen = Counter(
        (
            s.key,
            s.method,
            s.clay_pct and s.clay_pct.text,
            s.ph_kcl and s.ph_kcl.text,
            s.condition,
            s.species,
            s.unit,
            s.crop,
        )
        for s in SCHEMES
        if s.default
    )
    assert max(seen.values()) == 1


def test_no_default_with_an_unstated_extractant():
    assert not [s for s in SCHEMES if s.default and "not stated" in s.method]


@pytest.mark.parametrize("name", ["soil_sufficiency", "soil_hazards", "tissue_sufficiency"])
def test_rows_of_a_scheme_agree(name):
    """One `is_default`, one `sense`, one unit a scheme; flags are 0 or 1."""
    rows = read_table(name)
    assert {row["is_default"] for row in rows} | {row["is_target"] for row in rows} == {"0", "1"}
    columns = ("key", "unit", "crop", "level", "sense", "source", "verified")
    assert all(row[column] for row in rows for column in columns)
    same = [c for c in rows[0] if c not in ("level", "lower", "upper", "is_target", "note")]
    agreed = {
        tuple(row[c] for c in same if c not in ("is_default", "sense", "verified")) for row in rows
    }
    split = {tuple(row[c] for c in same if c != "verified") for row in rows}
    assert len(agreed) == len(split)


@pytest.mark.parametrize("scheme", SOIL, ids=label)
def test_units_are_known_for_the_property(scheme):
    if scheme.unit != "index":  # an index is no content: it is never converted
        assert house_factor(scheme.key, scheme.unit)[0] > 0


@pytest.mark.parametrize("scheme", TISSUE, ids=label)
def test_tissue_units_and_words(scheme):
    words = read_toml("tissue_words")
    assert scheme.unit in ("%", "mg/kg")
    assert name_of(scheme.key)
    assert any(scheme.stage in entry["tables"] for entry in words["stages"].values())
    assert any(scheme.organ in entry["tables"] for entry in words["organs"].values())


def test_every_extractant_can_be_reached_by_a_method():
    targets = set()
    for row in read_table("methods"):
        for target in filter(None, row["rate_as"].split(";")):
            targets.add(target.split(":")[-1] if target[:3] in ("om:", "cec") else target)
    unreached = {s.method for s in SOIL if s.default} - targets
    assert unreached == set()


def test_crops_and_properties_are_whole():
    groups = {s.crop for s in SCHEMES}
    for key in read_toml("crops"):
        assert set(crop(key).groups) <= groups
    for prop in properties().values():
        assert prop.hard[0] <= prop.soft[0] < prop.soft[1] <= prop.hard[1]
        assert prop.part_of is None or prop.part_of in properties()
        assert not (prop.logs and prop.never_logs)
    assert sources()["PRACT"].title == "common practice, no source"


def test_log_scale_of_the_concentrations():
    """Step 11 of the reference page on the belief."""
    logs = {key for key, prop in properties().items() if prop.logs}
    assert logs == {"p", "k", "s", "na", "zn", "cu", "mn", "fe", "b", "no3_n", "ec"}


def limits(level, lower, upper, target=False):
    return ClassLimits(level, lower, upper, target, False, "")


@pytest.mark.parametrize(
    "classes",
    [
        [limits("low", None, 5), limits("high", 6, None)],  # a gap
        [limits("low", None, 5), limits("high", 4, None)],  # an overlap
        [limits("low", 0, 5), limits("high", 5, None)],  # a closed end
        [limits("high", None, 5), limits("low", 5, None)],  # falling words
        [limits("low", None, 5, True), limits("high", 5, None, True)],  # two targets
    ],
)
def test_broken_classes_are_refused(classes):
    with pytest.raises(TableError):
        check_classes(classes, "here")


@pytest.mark.parametrize(
    ("row", "say"),
    [
        ("k,,seen", "source ''"),
        ("k,NOBODY,seen", "NOBODY"),
        ("k,UC_K,hearsay", "hearsay"),
        ("k,UC_K", "cells"),
    ],
)
def test_a_row_without_its_source_or_mark_is_refused(row, say):
    with pytest.raises(TableError, match=say):
        rows_from(f"key,source,verified\n{row}\n", "mine.csv")


def test_tables_hold_no_blank_lines():
    for name in NAMES:
        text = (resources.files("geo") / "tables" / f"{name}.csv").read_text(encoding="utf-8")
        assert all(any(row) for row in csv.reader(io.StringIO(text))), name
