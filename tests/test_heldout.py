"""Variance reduction on samples that had no part in their zones: laws and a drawn truth."""

import re
from dataclasses import replace

import numpy as np
import pytest

from geo.season import step_kg_ha
from geo.zoning.heldout import folds, held_out_reductions
from geo.zoning.indices import held_out_variance_reduction
from maps.pagedata import page_data
from maps.paper.sheetdata import material_sheet


@pytest.mark.parametrize("count", [6, 15, 24, 25, 40])
def test_each_place_is_left_out_once(count):
    """Leave-one-out below 25 samples, else ten folds (zones-and-sampling.md, A3.1)."""
    parts = list(folds(count, np.random.default_rng(4)))
    assert sorted(np.concatenate(parts)) == list(range(count))
    assert len(parts) == (count if count < 25 else 10)


def test_a_zone_without_training_samples_is_taken_at_the_mean():
    """1 - ((5-4)^2 + (9-7)^2) / ((5-5)^2 + (9-5)^2), training mean 5, worked by hand."""
    train, zones = np.array([3.0, 5.0, 7.0]), np.array([0, 0, 1])
    found = held_out_variance_reduction(train, zones, np.array([5.0, 9.0]), np.array([0, 1]))
    assert found == pytest.approx(1 - 5 / 16)
    alone = held_out_variance_reduction(train, zones, np.array([5.5]), np.array([2]))
    assert alone == pytest.approx(0.0)


def reductions(season, values=None):
    split = [
        r for r, z in zip(season.requirements, season.zone_maps, strict=True) if len(z.zones) > 1
    ]
    checked = season.checked
    if values is not None:
        key = split[0].keys[0]
        checked = replace(checked, usable=checked.usable.assign(**{key: values}))
    steps = {r.amendment: step_kg_ha(r, season.block, season.settings) for r in split}
    return held_out_reductions(
        split, checked, season.ratings, season.block, season.settings, season.season, steps
    )


def test_zones_of_a_planted_pattern_hold_for_samples_left_out(poel):
    """Poel's pH was drawn with an acid corner (demo_geodata/truth), so its zones must hold."""
    found = reductions(poel)
    lime = next(one for one in poel.zone_maps if one.amendment == "lime")
    assert found["lime"] == pytest.approx(lime.indices["variance_reduction_cv"])
    assert 0 < found["lime"] < lime.indices["variance_reduction_surface"]


def test_shuffled_values_say_less_than_the_mean_or_nothing(poel):
    """Values without a place: the share left out must fall to nothing or below (A1.4: -0.47)."""
    ph = poel.checked.usable["ph_water"].to_numpy()
    shuffled = [
        reductions(poel, np.random.default_rng(seed).permutation(ph))["lime"] for seed in range(3)
    ]
    assert np.mean(shuffled) < reductions(poel)["lime"] / 2


@pytest.mark.parametrize(("share", "words"), [(0.297, "30 %"), (-0.43, "no better")])
def test_report_and_map_tell_the_share_left_out_and_never_a_negative_percentage(poel, share, words):
    zone_maps = tuple(
        replace(one, indices={**one.indices, "variance_reduction_cv": share})
        if one.amendment == "lime"
        else one
        for one in poel.zone_maps
    )
    told = replace(poel, zone_maps=zone_maps)
    on_map = next(m for m in page_data(told)["materials"] if m["amendment"] == "lime")["leftOut"]
    assert words in on_map
    assert on_map == material_sheet(told, "lime")["tested"]
    assert not re.search(r"[-\u2212]\d", on_map)
