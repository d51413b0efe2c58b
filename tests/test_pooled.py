"""What a first survey borrows from the farm's other blocks: laws of the pooled signal."""

import numpy as np
import pytest
import shapely
from numpy.random import default_rng

from geo.belief.frame import frame_of
from geo.planning.quality import kriging_variance
from geo.planning.signals import mean_signal, pooled_signal
from geo.planning.size import size_curve
from geo.sampling import Known, Wishes, plan_block
from geo.settings import CostSettings, Settings

BLOCK = shapely.box(0.0, 0.0, 120.0, 200.0)
FRAME = frame_of(BLOCK, 25.0)
PLACES = default_rng(4).uniform((0, 0), (120, 200), (50, 2))


@pytest.fixture(scope="module")
def beliefs(poel):
    return [one.belief for one in poel.surfaces.values() if one.belief is not None]


def test_with_no_other_block_what_is_usual_stands():
    pooled, usual = pooled_signal([[]], FRAME), mean_signal(None, FRAME)
    assert np.allclose(pooled.covariance(PLACES, PLACES), usual.covariance(PLACES, PLACES))
    assert pooled.error == pytest.approx(usual.error)


def test_the_whole_variance_is_one_whatever_the_units(beliefs):
    # Weights of the models sum to 1; potassium in mg/kg must not outweigh pH.
    pooled = pooled_signal([beliefs, beliefs[:1]], FRAME)
    grid = np.stack(np.meshgrid(np.arange(2.5, 120, 5), np.arange(2.5, 200, 5)), -1).reshape(-1, 2)
    usual = mean_signal(None, FRAME)
    whole = float(usual.own(grid).mean()) + usual.error
    assert float(pooled.own(grid).mean()) + pooled.error == pytest.approx(whole, abs=0.05)


def test_it_is_a_covariance_and_lies_between_its_parts(beliefs):
    pooled, usual = pooled_signal([beliefs], FRAME), mean_signal(None, FRAME)
    matrix = pooled.covariance(PLACES, PLACES)
    assert np.linalg.eigvalsh(matrix).min() > -1e-8
    # One block and the usual: half and half.
    two = pooled_signal([beliefs, beliefs], FRAME)
    theirs = 2.0 * matrix - usual.covariance(PLACES, PLACES)
    expected = (2.0 * theirs + usual.covariance(PLACES, PLACES)) / 3.0
    assert np.allclose(two.covariance(PLACES, PLACES), expected)


def test_more_spots_never_leave_more_doubt(beliefs):
    pooled = pooled_signal([beliefs], FRAME)
    alone = kriging_variance(pooled, PLACES[:20], PLACES[30:])
    more = kriging_variance(pooled, PLACES[:30], PLACES[30:])
    assert np.all(more <= alone + 1e-9)
    costs = CostSettings()
    curve = size_curve(
        pooled, PLACES, np.empty((0, 2)), [5, 20], costs, lambda _: 0.0, default_rng(0)
    )
    assert curve[1].doubt < curve[0].doubt


def test_a_first_survey_says_whose_soil_it_borrows(poel):
    settings, rng = Settings(), default_rng(0)
    alone = plan_block(poel.block, 2027, Wishes(8), Known(), settings, rng)
    beside = plan_block(poel.block, 2027, Wishes(8), Known(elsewhere=(poel,)), settings, rng)
    assert "no other block with a survey" in " ".join(alone.notes)
    assert f"own {poel.block.name} in equal parts" in " ".join(beside.notes)
    assert beside.quality.doubt_after != alone.quality.doubt_after
