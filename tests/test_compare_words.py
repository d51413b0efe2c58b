"""Sentences of a comparison: one rule for two laboratories, units everywhere, what was left out."""

import math
import re
from dataclasses import replace
from statistics import NormalDist

import pytest

from geo.checks import check_samples
from geo.compare import compare_records
from geo.comparing.comparable import about_survey, shift_sd
from geo.comparing.detect import detectable_single
from geo.export.changes import changes_document
from geo.farm import read_records
from geo.lookup import properties
from maps.changes import change_sentences, headline, summary_sentences, told_apart


@pytest.fixture(scope="module")
def documents(demo_farm):
    """Each block of the demo, compared."""
    found = {}
    for block in ("Poel", "Knieë", "Werfie"):
        first, second = (read_records(demo_farm, year, block) for year in (2024, 2025))
        found[block] = changes_document(compare_records(first, second, maps=False))
    return found


def test_another_laboratory_doubles_the_doubt_of_one_result():
    """zones-and-sampling.md, C1: pH 0.2 in place of 0.1, others double; in both years."""
    for key, value, logs, double in (
        ("ph_water", 6.0, False, 0.2),
        ("k", 120.0, True, 0.20),
        ("p", 30.0, True, 0.24),
        ("zn", 2.0, True, 0.30),
    ):
        one_laboratory = math.sqrt(2.0) * double / 2.0
        both = math.hypot(one_laboratory, shift_sd(key, value, logs=logs))
        assert both == pytest.approx(math.sqrt(2.0) * double)


def test_one_rule_of_two_laboratories_for_each_property(documents):
    """Shown or not, a mean alone is held against its own property's doubt, and says so."""
    rows = {row["key"]: row for row in documents["Werfie"]["changes"] if row["aim"]}
    block = {r["key"]: r for r in documents["Werfie"]["changes"] if r["area"] == "block"}
    ph, sulfate = rows["ph_water"], block["s"]
    assert ph["laboratories"] == pytest.approx(detectable_single(0.1 * math.sqrt(6.0)))
    assert math.log(sulfate["laboratories"]) == pytest.approx(
        detectable_single(0.15 * math.sqrt(6.0))
    )
    assert abs(ph["difference"]) < ph["laboratories"]
    assert sulfate["factor"] > sulfate["laboratories"]
    told = " ".join(change_sentences(documents["Werfie"]))
    assert "two laboratories alone may stand as far apart (0.48, 19 in 20)" in told
    assert "more than two laboratories stand apart (a factor of 2.05, 19 in 20)" in told


def test_files_that_name_no_laboratory(demo_farm):
    first, second = (read_records(demo_farm, year, "Werfie").layers[0] for year in (2024, 2025))
    unlike = about_survey(first, second)[0]
    assert "seems to come from another laboratory" in unlike
    assert "neither file names" in unlike
    alike = replace(second, cells={}), replace(first, cells={})
    assert about_survey(*alike)[0].startswith("One laboratory is taken for both years")
    one_named = about_survey(replace(first, laboratory="Soil Lab"), second)[0]
    assert "the file of 2025 does not name its laboratory" in one_named
    both_named = [replace(one, laboratory="Soil Lab") for one in (first, second)]
    assert not any("laboratory" in text for text in about_survey(*both_named))


@pytest.mark.parametrize("block", ["Poel", "Knieë", "Werfie"])
def test_every_figure_has_its_unit(documents, block):
    """A change in mg/kg or dS/m says so; pH has none; a minus is a minus."""
    for rows in told_apart(documents[block]):
        unit = properties()[rows[0]["key"]].unit
        words = " ".join(change_sentences({**documents[block], "changes": rows}))
        assert not re.search(r"[ (]-\d", words)
        for text in re.findall(r"(?:\): |: )([+\u2212][\d.]+)( ?[^\s,(]*)", words):
            assert unit in ("pH", "1") or text[1].strip(". ") == unit, text
    season = [s for s in change_sentences(documents[block]) if "season alone" in s]
    for line in season:
        assert re.search(
            r"moved (pH \(water\) by [+\u2212][\d.]+\.|potassium by .* mg/kg\.)$", line
        )


def test_stations_by_a_border_are_told_in_plain_words(documents):
    told = " ".join(change_sentences(documents["Poel"]))
    assert "P-07, P-28, P-29: so near a border between two rates that nobody can tell" in told
    assert "Left out, for a border" in told


def test_a_border_station_stood_on_both_sides(demo_farm):
    """Each stands, in one year or the other, within a receiver's error of the other rate."""
    first, second = (read_records(demo_farm, year, "Poel") for year in (2024, 2025))
    found = compare_records(first, second, maps=False)
    for name in found.spread.border:
        done = found.spread.done_kg_ha["lime"][found.pairs.ids.index(name)]
        # 0, 1.6 and 3.2 t/ha were planned: all three got a mean well between two of them, or were
        # found again on another rate.
        i = found.pairs.ids.index(name)
        apart = math.dist(found.pairs.first_xy[i], found.pairs.second_xy[i])
        assert apart > 3.0 or min(abs(done - rate) for rate in (0, 1600, 3200)) > 400


def test_an_open_question_says_which_station_waits(documents):
    told = " ".join(change_sentences(documents["Werfie"]))
    assert "W10" in told
    assert "Not compared until it is answered (2024): Two bags are called W09" in told


def test_the_summary_tells_what_was_meant_lessons_and_money(documents):
    poel = summary_sentences(documents["Poel"])
    assert any("pH (water) rose by" in line for line in poel)
    assert any("better known than the table" in line for line in poel)
    assert any(line.startswith("Spread: 12.4 t") for line in poel)
    assert len(poel) < len(change_sentences(documents["Poel"])) / 2
    werfie = " ".join(summary_sentences(documents["Werfie"]))
    assert "One more year is needed" in werfie
    assert "two laboratories alone" in werfie


def test_a_doubted_change_is_the_headline_with_its_doubt(documents):
    rows = [row for row in documents["Werfie"]["changes"] if row["key"] == "ph_water"]
    said = headline(rows)
    assert "fell by 0.39" in said
    assert "two laboratories" in said


def test_check_samples_of_one_laboratory_bear_no_shift(demo_farm):
    """The same laboratory named in both years: no doubt between laboratories is counted."""
    first, second = (read_records(demo_farm, year, "Werfie") for year in (2024, 2025))
    named = [
        replace(one, layers=(replace(one.layers[0], laboratory="Soil Lab"), *one.layers[1:]))
        for one in (first, second)
    ]
    assert check_samples(named[0].layer(None), first.block, first.planned).samples.laboratory
    found = compare_records(*named, maps=False).of("ph_water")
    assert found.laboratories is None
    assert found.verdict == "shown"


def test_a_change_worth_acting_on(documents):
    """zones-and-sampling.md, C1: 0.2 pH (Collins and Budden); C4: P(|D| > t) by the normal."""
    normal = NormalDist()
    for row in documents["Poel"]["changes"]:
        effect = row["effect"]
        if row["key"] not in ("ph_water", "ph_kcl") or effect is None:
            if effect is not None:
                assert effect["chance_worth"] is None
            continue
        assert effect["worth"] == 0.2
        # The standard error from p and the mean, with so many degrees that t is nearly normal.
        rough = abs(effect["difference"]) / normal.inv_cdf(1.0 - effect["p"] / 2.0)
        chance = 1.0 - normal.cdf((0.2 - effect["difference"]) / rough)
        assert effect["chance_worth"] == pytest.approx(chance, abs=0.05)
    told = " ".join(change_sentences(documents["Poel"]))
    assert "more than the 0.2 worth acting on in 9" in told
