"""The whole flow of one block in one call, on the demo farm as its files come."""

import numpy as np
import pytest

from geo.errors import FarmError
from geo.season import run_season
from maps.answer import Answer
from maps.commands.demo import add_season, make_demo_farm


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season") / "ombervale"
    make_demo_farm(folder, Answer(document={"findings": []}))
    add_season(folder, 2024, Answer(document={"findings": []}))
    return folder


@pytest.fixture(scope="module")
def werfie(farm):
    return run_season(farm, 2024, "Werfie")


def test_every_stage_speaks_of_the_same_block(werfie):
    assert werfie.block.name == "Werfie"
    assert {r.amendment for r in werfie.requirements} == {z.amendment for z in werfie.zone_maps}
    assert werfie.prescription.block == "Werfie"


def test_a_block_above_the_limit_for_lime_is_never_offered_lime(werfie):
    # Demo scenario, section 9: block C has pH 7.6 to 8.0.
    assert "lime" not in {rate.amendment for rate in werfie.prescription.rates}
    held = {one.amendment: one.reason for one in werfie.prescription.held}
    assert "lime" in held
    # Above pH 7.3 without a CaCO3 test no sulfur rate either.
    assert "CaCO3" in held["sulfur"]


def test_what_was_not_analysed_has_no_surface(werfie):
    assert "b" in werfie.checked.samples.not_analysed
    assert "b" not in werfie.surfaces


def test_a_bag_in_question_is_in_no_surface(werfie):
    # Planted defect 6: W09 stands in the file twice and W10 not at all; 13 of 15 remain.
    assert {sample for sample, _ in werfie.checked.open} == {"W09"}
    assert werfie.surfaces["k"].n == 13


def test_the_same_input_gives_the_same_season(farm, werfie):
    again = run_season(farm, 2024, "Werfie")
    for one, other in zip(werfie.requirements, again.requirements, strict=True):
        assert np.array_equal(one.draws, other.draws)
    assert again.prescription == werfie.prescription


def test_the_block_must_be_named_where_there_are_several(farm):
    with pytest.raises(FarmError, match="Say which block: this farm has Poel, Knieë, Werfie"):
        run_season(farm, 2024)


def test_a_layer_nobody_sampled_is_refused_with_those_there_are(farm):
    with pytest.raises(FarmError, match=r"no soil samples of 2024 from 30-60 cm. There are 0-15"):
        run_season(farm, 2024, "Werfie", layer_cm=(30.0, 60.0))


def test_a_season_without_samples_is_refused(farm):
    with pytest.raises(FarmError, match="no soil samples of 1999"):
        run_season(farm, 1999, "Werfie")
