"""The steps inside zoning: rates that can be set, loss at a rate, a raster that can be driven."""

import numpy as np
import pytest
from scipy import ndimage, stats

from geo.zoning.breaks import natural_breaks, rate_breaks
from geo.zoning.drivable import (
    Footprint,
    fill_headlands,
    make_drivable,
    merge_small_pieces,
    opened,
    spread,
    too_narrow,
)
from geo.zoning.loss import LossCurves, loss_by_draw, loss_curves, normal_loss, rates_to_set


@pytest.mark.parametrize(
    ("top", "step", "least", "cap", "expected"),
    [
        (100, 25, 0, None, [0, 25, 50, 75, 100]),
        (90, 25, 0, None, [0, 25, 50, 75, 100]),
        (200, 25, 60, None, [0, 75, 100, 125, 150, 175, 200]),
        (200, 25, 60, 130, [0, 75, 100, 125]),
        (3, 0.5, 60, 1.2, [0, 0.5, 1.0]),
        (10, 25, 60, None, [0, 75]),
        (10, 25, 0, 20, [0]),
    ],
)
def test_rates_are_steps_from_the_least_to_the_cap(top, step, least, cap, expected):
    assert rates_to_set(top, step, least, cap).tolist() == expected


def test_no_rate_lies_between_nothing_and_the_least_or_above_the_cap():
    rng = np.random.default_rng(0)
    for _ in range(200):
        top, step, least = rng.uniform(0, 5000), rng.uniform(1, 500), rng.uniform(0, 1000)
        cap = rng.uniform(1000, 6000)
        rates = rates_to_set(top, step, least, cap)
        assert rates[0] == 0
        assert (rates[1:] >= least - 1e-6).all()
        assert (rates <= cap + 1e-6).all()
        assert (np.diff(rates) > 0).all()


def test_loss_curves_are_the_mean_loss_over_the_draws():
    """Against the sum written out (many more cells than one chunk holds)."""
    rng = np.random.default_rng(1)
    draws = np.maximum(0, rng.normal(1000, 700, (300, 4000))).astype(np.float32)
    rates = np.array([0.0, 500.0, 750.0, 1000.0, 3000.0])
    curves = loss_curves(draws, rates, 2.0, 3.0)
    for level, rate in enumerate(rates):
        short, over = np.maximum(draws - rate, 0), np.maximum(rate - draws, 0)
        assert curves.loss[:, level] == pytest.approx((2 * short + 3 * over).mean(0), rel=1e-5)
    by_draw = loss_by_draw(draws, np.full(4000, 750.0), 2.0, 3.0)
    assert by_draw.mean() == pytest.approx(curves.loss[:, 2].mean(), rel=1e-5)


@pytest.mark.parametrize(("short", "over"), [(1, 1), (3, 1), (1, 3), (1, 4)])
def test_the_best_rate_is_the_quantile_that_the_costs_ask_for(short, over):
    """Newsvendor rule: the quantile short / (short + over), to a step."""
    rng = np.random.default_rng(2)
    draws = rng.gamma(3, 300, (4000, 1)).astype(np.float32)
    rates = np.arange(0, 6000, 10.0)
    best = rates[loss_curves(draws, rates, short, over).best_of_cells()[0]]
    assert best == pytest.approx(np.quantile(draws, short / (short + over)), abs=10)


def test_more_fear_of_too_little_never_lowers_a_rate():
    rng = np.random.default_rng(3)
    draws = np.maximum(0, rng.normal(800, 600, (200, 50))).astype(np.float32)
    rates = np.arange(0, 3000, 50.0)
    last = np.zeros(50)
    for ratio in (0.25, 0.5, 1, 2, 4):
        best = rates[loss_curves(draws, rates, ratio, 1.0).best_of_cells()]
        assert (best >= last).all()
        last = best


@pytest.mark.parametrize("tau", [0.25, 0.75])
def test_doubt_raises_a_rate_above_the_middle_and_lowers_it_below(tau):
    """The loss of a normal belief, in closed form, has its least at mean + z sd."""
    rates = np.linspace(0, 12, 2401)
    best = []
    for sd in (0.5, 1.0, 2.0):
        losses = [normal_loss(rate, 6.0, sd, tau, 1 - tau) for rate in rates]
        best.append(rates[int(np.argmin(losses))])
        assert best[-1] == pytest.approx(6 + stats.norm.ppf(tau) * sd, abs=0.01)
    assert np.all(np.diff(best) * (tau - 0.5) > 0)


def test_places_that_ask_alike_are_never_split():
    rng = np.random.default_rng(4)
    draws = np.repeat(rng.integers(0, 6, (1, 40)) * 100, 1, axis=0).astype(np.float32)
    curves = loss_curves(draws, np.arange(0, 600, 100.0), 1.0, 1.0)
    for labels in rate_breaks(curves, 4):
        for asked in np.unique(draws):
            assert len(np.unique(labels[draws[0] == asked])) == 1


def test_classes_cannot_outnumber_the_rates():
    curves = LossCurves(np.array([0.0, 1.0]), np.array([[0, 1], [1, 0], [0, 1]], np.float32))
    assert len(rate_breaks(curves, 4)) == 2
    assert natural_breaks(np.array([1.0, 2.0, 2.0]), 4).tolist() == [1.0, 2.0]


@pytest.mark.parametrize("size", [(1, 1), (2, 3), (3, 2), (4, 4), (3, 7), (2, 6)])
def test_opening_agrees_with_scipy(size):
    """The reference is scipy.ndimage.binary_opening, and for even windows the definition."""
    rng = np.random.default_rng(5)
    mask = ndimage.gaussian_filter(rng.normal(size=(60, 80)), 2.5) > 0
    kept = opened(mask, *size)
    covered = np.zeros_like(mask)
    for row in range(mask.shape[0] - size[0] + 1):
        for column in range(mask.shape[1] - size[1] + 1):
            window = np.s_[row : row + size[0], column : column + size[1]]
            if mask[window].all():
                covered[window] = True
    assert np.array_equal(kept, covered)
    if size[0] % 2 and size[1] % 2:
        assert np.array_equal(kept, ndimage.binary_opening(mask, np.ones(size)))


def test_headlands_take_the_zone_beside_them():
    grid = np.array([[-1, 0, 1, 1, 1, 0, 0], [0, 0, 1, -1, 1, 0, -1]])
    filled = fill_headlands(grid, 1)
    assert filled.tolist() == [[-1, 1, 1, 1, 1, 0, 0], [0, 0, 0, -1, 1, 0, -1]]


def test_a_small_piece_joins_the_cheaper_neighbour():
    """The piece of 2 between 0 and 1 would cost less in 1, though it borders more on 0."""
    grid = np.array([[0, 0, 0, 0, 0], [0, 0, 2, 2, 1], [0, 0, 0, 1, 1], [0, 0, 1, 1, 1]])
    inside = grid >= 0
    cost = np.stack([np.full(20, 5.0), np.full(20, 3.0), np.full(20, 0.0)])
    merged = merge_small_pieces(grid, inside, cost, 3)
    assert (merged[1, 2], merged[1, 3]) == (1, 1)
    assert 2 not in merged


def test_a_whole_part_of_the_block_stays_however_small():
    grid = np.full((6, 9), -1)
    grid[:, :5] = 0
    grid[2:4, 7:] = 1
    cost = np.zeros((2, int((grid >= 0).sum())))
    assert np.array_equal(merge_small_pieces(grid, grid >= 0, cost, 10), grid)


def test_drivable_zones_are_wide_long_and_large():
    rng = np.random.default_rng(6)
    inside = np.ones((80, 120), bool)
    inside[:20, :30] = False
    footprint = Footprint(across=3, along=7, vote_along=5, headland=3, smallest_piece=120)
    for seed in range(5):
        rough = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=inside.shape), 4)
        asked = 1000 * (rough[inside] - rough.min()) / np.ptp(rough)
        draws = np.maximum(0, asked + 50 * rng.normal(size=(20, 1))).astype(np.float32)
        curves = loss_curves(draws, np.arange(0, 1300, 50.0), 1.0, 1.0)
        start = rate_breaks(curves, 3)[2]

        def price(labels, curves=curves):
            zones = [curves.loss[:, curves.best_of(labels == k)] for k in range(labels.max() + 1)]
            return np.array(zones)

        labels = spread(make_drivable(start, inside, price, footprint), inside)
        before = too_narrow(spread(start, inside), inside, footprint).mean()
        after = too_narrow(labels, inside, footprint).mean()
        # The field is rough, a patch being about as long as the shortest stretch.
        assert after <= min(0.04, before / 4)
        for zone in np.unique(labels[inside]):
            pieces, count = ndimage.label(labels == zone)
            assert ndimage.sum_labels(labels == zone, pieces, range(1, count + 1)).min() >= 120
