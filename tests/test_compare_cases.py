"""Change against the shared reference cases (R power.t.test, full cokriging, direct algebra).

`data/sampling-cases.json` says for each case what it was checked with, and its tolerance.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from geo.comparing.cokriging import cokrige_change, model_of_differences
from geo.comparing.detect import (
    between,
    chance_beyond,
    correlated_mean,
    detectable_mean,
    detectable_single,
    discoveries,
    mean_of,
    power_of,
)
from geo.kriging import krige
from geo.variogram import VariogramModel

FILE = Path(__file__).parent / "data" / "sampling-cases.json"
CASES = {case["id"]: case for case in json.loads(FILE.read_text(encoding="utf-8"))["cases"]}
KINDS = {"sph": "spherical", "exp": "exponential"}


def named(start):
    return [name for name in CASES if name.startswith(start)]


def model_of(figures):
    kind, noise, sill, range_m = figures
    return VariogramModel(kind=KINDS[kind], noise=noise, partial_sill=sill, range_m=range_m)


def cell_centres(across, up, width=1.0, height=1.0):
    x, y = np.meshgrid(
        (np.arange(across) + 0.5) / across * width, (np.arange(up) + 0.5) / up * height
    )
    return np.column_stack([x.ravel(), y.ravel()])


@pytest.mark.parametrize("name", named("mdc-"))
def test_detectable_change_is_that_of_the_exact_paired_t_test(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    sd, n = given["sd_difference"], given["n"]
    assert detectable_mean(sd, n) == pytest.approx(expect["mdc_exact_paired_t"], abs=1e-7)
    assert detectable_single(sd) == pytest.approx(expect["single_site_95"], abs=1e-7)


def test_power_is_that_of_the_noncentral_t():
    # scipy's noncentral t, an independent routine.
    for n, change in ((5, 0.3), (12, 0.15), (30, 0.05)):
        sd, critical = 0.2, scipy.stats.t.ppf(0.975, n - 1)
        away = change * np.sqrt(n) / sd
        exact = scipy.stats.nct.sf(critical, n - 1, away) + scipy.stats.nct.cdf(
            -critical, n - 1, away
        )
        assert power_of(change, sd, n) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize("name", named("bh"))
def test_false_discovery_control(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    stands = discoveries(np.array(given["p"]), given["q"])
    assert int(stands.sum()) == expect["rejected"]
    assert stands[: expect["rejected"]].all()


def test_mean_of_correlated_differences():
    given, expect = CASES["mean-change1"]["input"], CASES["mean-change1"]["expect"]
    xy, d = np.array(given["points"]), np.array(given["differences"])
    model = model_of(given["variogram_of_differences"])
    found = correlated_mean(model, xy, d, cell_centres(20, 12, 200.0, 120.0))
    assert found.mean == pytest.approx(expect["gls_mean"], rel=1e-8)
    assert found.se == pytest.approx(expect["gls_se"], rel=1e-8)
    assert found.effective_n == pytest.approx(expect["n_effective"], rel=1e-8)
    assert found.block_mean == pytest.approx(expect["block_mean_change"], rel=1e-8)
    assert found.block_sd == pytest.approx(expect["block_mean_change_sd"], rel=1e-8)
    plain = mean_of(d)
    assert plain.mean == pytest.approx(expect["ols_mean"], rel=1e-8)
    assert plain.mean / plain.se == pytest.approx(expect["ols_t"], rel=1e-8)
    assert plain.p == pytest.approx(expect["ols_p"], rel=1e-8)


@pytest.mark.parametrize("name", named("change-map"))
def test_variance_of_the_mapped_change(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    model, rho = model_of(given["variogram"]), given["rho"]
    first, second = np.array(given["P1"]), np.array(given["P2"])
    cells = cell_centres(22, 22)
    found = cokrige_change(
        model, rho, (first, np.zeros(len(first))), (second, np.zeros(len(second))), cells
    )
    assert found.variance.mean() == pytest.approx(expect["mean_var_diff_cokriging"], abs=1e-9)
    assert found.variance.max() == pytest.approx(expect["max_var_diff_cokriging"], abs=1e-9)
    naive = krige(model, first, np.zeros(len(first)), cells).variance
    naive = naive + krige(model, second, np.zeros(len(second)), cells).variance
    assert naive.mean() == pytest.approx(expect["mean_var_naive_sum"], abs=1e-9)
    if "mean_var_kriging_of_differences" in expect:
        alone = krige(model_of_differences(model, rho), first, np.zeros(len(first)), cells)
        assert alone.variance.mean() == pytest.approx(
            expect["mean_var_kriging_of_differences"], abs=1e-9
        )


def test_kriging_differences_equals_cokriging_at_the_same_places():
    rng = np.random.default_rng(4)
    xy, cells = rng.random((14, 2)) * 100.0, rng.random((30, 2)) * 100.0
    before, after = rng.normal(size=14), rng.normal(size=14)
    model = VariogramModel("exponential", nugget=0.1, noise=0.1, partial_sill=0.8, range_m=30.0)
    both = cokrige_change(model, 0.7, (xy, before), (xy, after), cells)
    alone = krige(model_of_differences(model, 0.7), xy, after - before, cells)
    assert both.estimate == pytest.approx(alone.estimate, abs=1e-9)
    # krige counts the micro-scale nugget of a new place, the mapped change leaves it out.
    assert both.variance == pytest.approx(alone.variance - 0.2, abs=1e-9)


def test_treated_less_control_is_welch():
    treated, control = np.array([0.3, 0.5, 0.4, 0.45]), np.array([-0.2, 0.1, -0.1, 0.3, -0.4, 0.0])
    found = between(treated, control)
    # scipy's Welch test, an independent routine.
    exact = scipy.stats.ttest_ind(treated, control, equal_var=False)
    assert found.p == pytest.approx(exact.pvalue, rel=1e-10)
    assert found.interval() == pytest.approx(tuple(exact.confidence_interval()), rel=1e-9)


def test_a_shared_shift_is_not_averaged_away():
    many = np.tile([0.1, 0.3], 500)
    assert mean_of(many, shift_sd=0.25).se > 0.25
    assert mean_of(many).se < 0.01


def test_chance_of_a_change_that_matters():
    # Certain of 0 +- sd: both tails of the normal at one sd.
    chance = chance_beyond(np.array([0.0]), np.array([0.2]), 0.2)
    assert chance == pytest.approx(2 * scipy.stats.norm.sf(1.0))
