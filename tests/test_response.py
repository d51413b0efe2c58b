"""The block's own response: laws, published figures, and what was planted."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.random import default_rng
from shapely import box

from geo.chain import Link
from geo.grids import grid_over
from geo.lookup import read_table
from geo.reasons import About, Reason
from geo.requirements.draws import Requirement
from geo.requirements.learned import with_responses
from geo.response import (
    Measured,
    Prior,
    learn,
    lime_response,
    measure,
    sulfur_response,
    update,
)
from geo.season import run_season

PRIOR = Prior(0.32, 0.4, "SFS")


def made(slope, noise, rng, season=-0.1, rates=(0.0, 1.6, 3.2), each=8):
    spread = np.repeat(rates, each)
    return spread, season + slope * spread + noise * rng.normal(size=len(spread))


def response(measured, against=()):
    return learn("lime", "ph_water", "pH per t/ha", "lime", PRIOR, measured, 1, against)


def test_least_squares_is_that_of_numpy():
    rates, changes = made(0.24, 0.2, default_rng(1))
    found = measure(rates, changes, 0.0, 0.2)
    # numpy's polyfit with its covariance, an independent routine.
    (slope, season), covariance = np.polyfit(rates, changes, 1, cov="unscaled")
    scatter = np.sum((changes - season - slope * rates) ** 2) / (len(rates) - 2)
    assert found.slope == pytest.approx(slope)
    assert found.season == pytest.approx(season)
    assert found.se == pytest.approx(math.sqrt(covariance[0, 0] * scatter))


def test_posterior_is_the_weighted_mean_of_logs_where_both_are_sharp():
    # ln p = (ln p0/t0^2 + ln p1/t1^2)/(1/t0^2 + 1/t1^2), t1 = se/slope: section 10 of the
    # reference pack on rates, marked there as common practice.
    prior, slope, t1 = Prior(0.32, 0.025, ""), 0.31, 0.02
    value, low, high = update(prior, Measured(slope, t1 * slope, 1e6, 0.0, 0.0, 9, 9), 1)
    weights = np.array([prior.log_sd**-2, t1**-2])
    expected = np.exp(weights @ np.log([prior.value, slope]) / weights.sum())
    assert value == pytest.approx(expected, rel=1e-3)
    assert math.log(high / low) == pytest.approx(2 * 1.96 * weights.sum() ** -0.5, rel=0.03)


def test_planted_response_is_inside_its_range_19_times_in_20():
    inside = []
    for seed in range(300):
        # The truth is drawn from the prior, so the range must hold it as often as it says.
        rng = default_rng(seed)
        truth = PRIOR.value * math.exp(PRIOR.log_sd * rng.normal())
        found = response(measure(*made(truth, 0.2, rng), 0.0, 0.2))
        inside.append(found.low <= truth <= found.high)
    # 285 of 300 expected; fewer than 274 happens once in a thousand if 19 in 20 is true.
    assert sum(inside) >= 274


def test_season_of_the_check_strip_does_not_bend_the_response():
    quiet = measure(*made(0.24, 0.1, default_rng(3), season=0.0), 0.0, 0.2)
    swing = measure(*made(0.24, 0.1, default_rng(3), season=-0.5), 0.0, 0.2)
    assert swing.slope == pytest.approx(quiet.slope)
    assert swing.season == pytest.approx(quiet.season - 0.5)


def test_without_untreated_ground_the_season_stays_in_the_doubt():
    rates, changes = made(0.24, 0.01, default_rng(5), rates=(2.0,), each=200)
    alone = measure(rates, changes, 0.0, season_sd=0.2)
    assert alone.untreated == 0
    assert alone.se >= 0.2 / 2.0


def test_few_doubtful_stations_leave_the_table():
    found = response(measure(*made(0.24, 0.6, default_rng(8), each=2), 0.0, 0.2))
    assert not found.used
    assert found.rate_factor == 1.0
    assert found.against


def test_a_well_measured_block_replaces_the_table_within_30_percent():
    weak = response(measure(*made(0.10, 0.05, default_rng(2)), 0.0, 0.2))
    strong = response(measure(*made(0.90, 0.05, default_rng(2)), 0.0, 0.2))
    assert weak.used
    assert strong.used
    assert weak.rate_factor == pytest.approx(1.3)
    assert strong.rate_factor == pytest.approx(0.7)


def test_what_speaks_against_it_keeps_the_table():
    found = response(measure(*made(0.24, 0.1, default_rng(2)), 0.0, 0.2), ["Another depth."])
    assert not found.used
    assert found.against == ("Another depth.",)


def test_sulfur_lowers():
    measured = Measured(-0.05, 0.01, 12.0, 0.0, 0.05, 7, 7)
    found = learn("sulfur", "ph_water", "", "", Prior(0.08, 0.4, ""), measured, -1)
    assert found.low < found.value < found.high < 0.0


@pytest.mark.parametrize("texture", ["sand", "sandy loam", "clay loam", "clay"])
def test_published_rise_per_tonne(texture):
    # SFS prints the rise of pH per t/ha of pure lime in 0-10 cm; at bulk density 1.4 its buffer
    # capacity, printed without decimals, must give that rise back.
    rows = {
        row["quantity"]: float(row["value"])
        for row in read_table("lime_texture")
        if row["texture"] == texture
    }
    found = lime_response(rows["buffer_capacity_lime"], 1400.0, 100.0)
    assert found == pytest.approx(rows["ph_rise"], rel=0.03)


def test_published_fall_per_sulfur():
    # KSTATE: 7, 11 and 17 lb/1000 ft2 for one pH in sand, loam and clay, 6 in: 342, 537, 830 kg/ha.
    for capacity, kg_ha in ((10.0, 341.8), (16.0, 537.1), (25.0, 830.0)):
        fall = sulfur_response(capacity, 1.4 * 15.24 * 100.0, 100.0) * kg_ha / 100.0
        assert fall == pytest.approx(1.0, rel=0.05)


def asked(kind="rate"):
    grid = grid_over(box(0, 0, 20, 20), "EPSG:32734", 10.0)
    draws = np.full((8, 4), 1000.0, dtype=np.float32)

    def steps(_means, _cells):
        return (Link("requirement", "1000 kg/ha", 1000.0, "kg/ha"),)

    return Requirement(
        "lime", "kg/ha", grid, draws, 1.0, 1.0, "useful", None, None, ("By the table.",), (), False,
        None, 1.0, {}, {}, kind, steps=steps,
    )  # fmt: skip


def test_a_used_response_moves_the_rate_and_shows_both():
    known = response(measure(*made(0.28, 0.1, default_rng(2)), 0.0, 0.2))
    (found,) = with_responses([asked()], [known])
    factor = known.prior / known.value
    assert 1.0 < factor < 1.3
    assert found.draws.mean() == pytest.approx(1000.0 * factor, rel=1e-5)
    assert found.alternatives["table's response, not this block's"] == pytest.approx(1000.0)
    assert "better known than the table" in found.reasons[-1]
    links = found.steps({}, None)
    assert links[-1].value == pytest.approx(1000.0 * factor)
    assert links[0].value == 1000.0


def test_no_rate_is_raised_while_lime_that_has_not_reacted_is_credited():
    """One cause, lime still to react, must not count down (credit) and up (response)."""
    credit = Reason("Lime of 2024-11-20: 57% has not reacted yet.", About.CREDIT)
    credited = replace(asked(), reasons=("By the table.", credit))
    weak = response(measure(*made(0.28, 0.1, default_rng(2)), 0.0, 0.2))
    (found,) = with_responses([credited], [weak])
    assert weak.rate_factor > 1.0
    assert found.draws.mean() == 1000.0
    assert "not raised as well" in found.reasons[-1]
    own = found.alternatives["this block's response, not the table's"]
    assert own == pytest.approx(1000.0 * weak.rate_factor)
    strong = response(measure(*made(0.55, 0.1, default_rng(2)), 0.0, 0.2))
    (lowered,) = with_responses([credited], [strong])
    assert strong.rate_factor < 1.0
    assert lowered.draws.mean() == pytest.approx(1000.0 * strong.rate_factor)


def test_an_unused_response_leaves_the_rate_and_says_so():
    doubtful = response(measure(*made(0.24, 0.1, default_rng(2)), 0.0, 0.2), ["Another depth."])
    (found,) = with_responses([asked()], [doubtful])
    assert found.draws.mean() == 1000.0
    said = found.reasons[-1]
    assert "One more year is needed" in said
    # Both are shown: the block's own figure so far, and the table's that stays.
    assert (
        f"{doubtful.value:.2f} so far ({doubtful.low:.2f} to {doubtful.high:.2f}, 19 in 20)" in said
    )
    assert f"the table's {doubtful.prior:.2f} pH per t/ha stays" in said


def test_a_held_requirement_stays_as_it_is():
    known = response(measure(*made(0.24, 0.1, default_rng(2)), 0.0, 0.2))
    held = asked("held")
    assert with_responses([held], [known]) == (held,)


def test_what_a_block_taught_is_told_where_nothing_is_spread(demo_farm):
    """Poel in 2025: no pass of lime is worth it; both responses stand beside that all the same."""
    season = run_season(demo_farm, 2025, "Poel")
    (lime,) = (one for one in season.prescription.held if one.amendment == "lime")
    assert lime.kind == "none_needed"
    assert "This block's own response, 0.29 pH per t/ha" in lime.reason
    assert "weaker than the table's 0.37 pH per t/ha" in lime.reason
