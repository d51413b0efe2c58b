"""Plans against the shared reference cases (R gstat, PyKrige, exhaustive search, closed forms).

`data/sampling-cases.json` says for each case what it was checked with, and its tolerance.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.random import default_rng

from geo.kriging import krige, own_variance, regular_support
from geo.planning.constraints import Rows, allowed_area, candidates, too_close, within
from geo.planning.design import coverage, onto_candidates
from geo.planning.exchange import Exchange, Problem, choose_greedily, polish
from geo.planning.quality import (
    closest_pair_m,
    core_error,
    kriging_variance,
    largest_gap_m,
    mean_squared_distance,
    ring,
    variogram_error,
)
from geo.planning.signals import signal_of_model
from geo.planning.value import rate_loss, rate_value, value_at_limit
from geo.planning.walk import distances_m, shortest_way, way_length_m
from geo.variogram import VariogramModel

DATA = Path(__file__).parent / "data"
FILE = json.loads((DATA / "sampling-cases.json").read_text(encoding="utf-8"))
CASES = {case["id"]: case for case in FILE["cases"]}
VALUES = {
    case["id"]: case
    for case in json.loads((DATA / "zones-cases.json").read_text(encoding="utf-8"))["cases"]
    if case["id"].startswith("evsi")
}
KINDS = {"sph": "spherical", "exp": "exponential"}


def named(*starts):
    return [name for name in CASES if name.startswith(starts)]


def model_of(figures):
    kind, nugget, sill, range_m = figures
    return VariogramModel(kind=KINDS[kind], noise=nugget, partial_sill=sill, range_m=range_m)


def cell_centres(across, up, width=1.0, height=1.0):
    x, y = np.meshgrid((np.arange(across) + 0.5) / across * width,
                       (np.arange(up) + 0.5) / up * height)  # fmt: skip
    return np.column_stack([x.ravel(), y.ravel()])


def spots_of(case):
    design = case["input"]["design"]
    return np.array(FILE["designs"][design] if isinstance(design, str) else design)


@pytest.mark.parametrize("name", named("kv-grid", "kv-tri", "kv-quin", "kv-rand", "kv-rect"))
def test_kriging_variance_of_a_design(name):
    case = CASES[name]
    if "rect" in name:
        cells = cell_centres(int(case["input"]["eval"].split(" x ")[0]), 13, 200.0, 100.0)
    else:
        cells = cell_centres(22, 22)
    signal, spots = signal_of_model(model_of(case["input"]["variogram"])), spots_of(case)
    plain = kriging_variance(signal, spots, cells) + signal.error
    expect = case["expect"]
    assert plain.mean() == pytest.approx(expect["mean_OK"], abs=1e-9)
    assert plain.max() == pytest.approx(expect["max_OK"], abs=1e-9)
    if "mean_UK_linear" in expect:
        trend = kriging_variance(signal, spots, cells, drift=spots, drift_places=cells)
        trend = trend + signal.error
        assert trend.mean() == pytest.approx(expect["mean_UK_linear"], abs=1e-9)
        assert trend.max() == pytest.approx(expect["max_UK_linear"], abs=1e-9)


@pytest.mark.parametrize("name", named("geom-"))
def test_gaps_and_coverage_of_a_design(name):
    spots, expect = spots_of(CASES[name]), CASES[name]["expect"]
    cells = cell_centres(22, 22)
    assert largest_gap_m(spots, cells) == pytest.approx(expect["max_gap_on_E"], abs=1e-9)
    assert mean_squared_distance(spots, cells) == pytest.approx(expect["mssd_on_E"], abs=1e-9)
    assert closest_pair_m(spots) == pytest.approx(expect["min_pair_distance"], abs=1e-9)


def test_variance_of_the_soil_where_a_node_is_a_sample():
    case = CASES["kv-coincident"]
    signal, spots = signal_of_model(model_of(case["input"]["variogram"])), spots_of(case)
    filtered = kriging_variance(signal, spots, cell_centres(20, 20)).mean()
    assert filtered == pytest.approx(case["expect"]["mean_filtered"], abs=1e-9)
    everywhere = case["expect"]["mean_new_observation_everywhere"]
    assert filtered + signal.error == pytest.approx(everywhere, abs=1e-9)


@pytest.mark.parametrize("name", named("size-"))
def test_variance_falls_with_the_number_of_spots_as_tabled(name):
    case = CASES[name]
    signal = signal_of_model(model_of(case["input"]["variogram"]))
    cells = cell_centres(31, 31)
    for count, mean in zip(case["input"]["n"], case["expect"]["mean_filtered"], strict=True):
        side = round(count**0.5)
        found = kriging_variance(signal, cell_centres(side, side), cells).mean()
        assert found == pytest.approx(mean, abs=1e-9)


@pytest.mark.parametrize("name", named("mssd-exact"))
def test_mean_squared_distance_of_a_square_grid(name):
    across, up = (int(k) for k in CASES[name]["input"]["design"].split()[0].split("x"))
    # The mean over a lattice of cell centres lacks the spread inside a cell.
    fine = 600
    found = mean_squared_distance(cell_centres(across, up), cell_centres(fine, fine))
    exact = found + 2.0 / (12.0 * fine**2)
    assert exact == pytest.approx(CASES[name]["expect"]["mssd"], abs=1e-9)


@pytest.mark.parametrize("name", named("coverage-k"))
def test_coverage_comes_near_the_best_known(name):
    case = CASES[name]
    cells = cell_centres(40, 40)
    spots = coverage(cells, case["input"]["k"], default_rng(1))
    assert mean_squared_distance(spots, cells) <= 1.02 * case["expect"]["best_known_mssd"]


def infill_problem(case, cells):
    return Problem(
        signal=signal_of_model(model_of(case["input"]["variogram"])),
        nodes=cells,
        weights=np.full(len(cells), 1.0 / len(cells)),
        places=cell_centres(10, 10),
        fixed=np.array(case["input"]["existing"]),
        keep_off=np.empty((0, 2)),
        spacing_m=0.0,
    )


def test_gain_of_every_single_new_spot():
    case = CASES["infill1"]
    exchange = Exchange(infill_problem(case, cell_centres(22, 22)), np.empty(0, dtype=np.int64))
    base, gains = exchange.mean_variance(), exchange.gains_of_adding()
    expect = case["expect"]
    assert base == pytest.approx(expect["base_mean_filtered"], abs=1e-9)
    order = np.argsort(-gains)
    assert order[0] == expect["best_single_index"]
    assert base - gains[order[0]] == pytest.approx(expect["best_single_mean"], abs=1e-9)
    assert base - gains[order[1]] == pytest.approx(expect["second_best_single_mean"], abs=1e-9)


def test_best_pair_of_new_spots():
    case = CASES["infill1"]
    problem = infill_problem(case, cell_centres(22, 22))
    greedy = choose_greedily(problem, 2)
    assert list(greedy) == [case["expect"]["best_single_index"],
                            case["expect"]["greedy_second_index"]]  # fmt: skip
    best = polish(problem, np.array([0, 99]))
    assert sorted(best) == case["expect"]["best_pair"]
    mean = Exchange(problem, best).mean_variance()
    assert mean == pytest.approx(case["expect"]["best_pair_mean"], abs=1e-9)


def test_change_of_a_swap_equals_working_it_out_afresh():
    # A law: the algebra of one swap against the kriging variance of the plan after it.
    problem = infill_problem(CASES["infill1"], cell_centres(11, 11))
    chosen = np.array([5, 42, 77])
    exchange = Exchange(problem, chosen)
    change, before = exchange.changes(), exchange.mean_variance()
    for j, s in ((0, 63), (1, 8), (2, 91)):
        moved = chosen.copy()
        moved[j] = s
        spots = np.vstack([problem.fixed, problem.places[moved]])
        after = kriging_variance(problem.signal, spots, problem.nodes).mean()
        assert change[j, s] == pytest.approx(after - before, abs=1e-9)
    exchange.swap(1, 8)
    fresh = Exchange(problem, np.array([5, 8, 77]))
    assert exchange.changes() == pytest.approx(fresh.changes(), abs=1e-10)


@pytest.mark.parametrize("name", named("reml-"))
def test_what_a_design_tells_of_its_variogram(name):
    case = CASES[name]
    spots = np.array(case["input"]["points"])
    found = variogram_error(model_of(case["input"]["variogram"]), spots, cell_centres(15, 15))
    expect = case["expect"]
    assert found.information == pytest.approx(np.array(expect["fisher"]), rel=1e-5)
    names = ("se_nugget", "se_psill", "se_range")
    assert found.sd == pytest.approx([expect[name] for name in names], rel=1e-5)
    assert found.added.mean() == pytest.approx(expect["mean_tau2"], rel=1e-5)


@pytest.mark.parametrize("name", named("composite"))
def test_error_of_a_bag_of_cores(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    nugget = given["variogram"][1]
    signal = signal_of_model(model_of(given["variogram"]))
    middle = given["k"] == 1 or "centre +" in given["layout"]
    cores = ring(given["k"] - middle, given["radius"], middle=middle)
    found = core_error(signal, cores, cell_centres(20, 20, 10.0, 10.0) - 5.0, nugget,
                       given["lab_var"])  # fmt: skip
    assert found.value == pytest.approx(expect["var_of_composite_value"], abs=1e-9)
    assert found.against_cell == pytest.approx(expect["error_var_vs_block_mean"], abs=1e-9)
    assert found.against_middle == pytest.approx(expect["error_var_vs_centre_signal"], abs=1e-9)


@pytest.mark.parametrize("name", named("gammabar"))
def test_mean_semivariance_inside_a_square(name):
    # The dispersion within a block, by the same rule as `krige` with a support.
    given = CASES[name]["input"]
    model = model_of([given["model"], 0.0, 1.0, given["range_over_side"]])
    found = 1.0 - own_variance(model, regular_support(1.0, 1.0, nodes=50))
    expect = CASES[name]["expect"]["discretised_50x50_incl_zero_pairs"]
    assert found == pytest.approx(expect, abs=1e-7)


@pytest.mark.parametrize("name", named("walk"))
def test_walking_order(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    xy = np.array(given["points"])
    closed = shortest_way(xy, closed=True, start=given["start"])
    opened = shortest_way(xy, closed=False, start=given["start"])
    assert closed[0] == opened[0] == given["start"]
    assert sorted(closed) == sorted(opened) == list(range(len(xy)))
    best = expect["optimal_closed_length"]
    assert way_length_m(distances_m(xy), closed, closed=True) <= 1.05 * best
    assert way_length_m(distances_m(xy), closed, closed=True) >= best - 1e-6
    best = expect["optimal_open_from_start"]
    assert best - 1e-6 <= way_length_m(distances_m(xy), opened, closed=False) <= 1.05 * best


@pytest.mark.parametrize("name", named("row-snap"))
def test_snap_to_the_row(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    rows = Rows(given["row_azimuth_deg"], given["row_spacing"], tuple(given["row0_through"]))
    point = np.array([given["point"]])
    assert rows.row_of(point)[0] == expect["row_index"]
    assert rows.snap(point)[0] == pytest.approx(expect["snapped"], abs=1e-9)
    assert np.hypot(*(rows.snap(point) - point)[0]) == pytest.approx(expect["moved"], abs=1e-9)


@pytest.mark.parametrize("name", named("allowed-"))
def test_edge_and_no_go_areas(name):
    given = CASES[name]["input"]
    area = allowed_area(
        shapely.from_wkt(given["block_wkt"]),
        given["edge_buffer"],
        [shapely.from_wkt(given["exclusion_wkt"])],
        given["exclusion_buffer"],
    )
    assert list(within(area, np.array(given["points"]))) == CASES[name]["expect"]["allowed"]


def test_worth_of_one_spot_where_a_limit_is_near():
    case = CASES["evsi-spot1"]
    given, expect = case["input"], case["expect"]
    model = model_of(given["variogram"])
    signal, old = signal_of_model(model), np.array(given["existing"])
    cells, places = cell_centres(22, 22), cell_centres(10, 10)
    mean = krige(model, old, np.array(given["z"]), cells).estimate
    now = kriging_variance(signal, old, cells)
    assert mean.mean() == pytest.approx(expect["mean_mu"], abs=1e-9)
    perfect = value_at_limit(mean, np.sqrt(now), given["threshold"]).mean()
    assert perfect == pytest.approx(expect["EVPI_mean"], abs=1e-9)
    worth = []
    for place in places:
        later = kriging_variance(signal, np.vstack([old, place]), cells)
        moves = np.sqrt(np.maximum(now - later, 0.0))
        worth.append(value_at_limit(mean, moves, given["threshold"]).mean())
    assert int(np.argmax(worth)) == expect["best_index"]
    assert max(worth) == pytest.approx(expect["best_EVSI"], abs=1e-9)
    assert worth[:5] == pytest.approx(expect["EVSI_first_five"], abs=1e-9)


@pytest.mark.parametrize("name", [name for name in VALUES if "binary" in name])
def test_worth_of_a_sample_for_a_choice_at_a_limit(name):
    given, expect = VALUES[name]["input"], VALUES[name]["expect"]
    moves = (given["sd_now"] ** 2 - given["sd_after"] ** 2) ** 0.5
    assert moves == pytest.approx(expect["s_preposterior"], abs=1e-8)
    for d, worth in ((moves, expect["EVSI"]), (given["sd_now"], expect["EVPI"])):
        found = value_at_limit(np.array([given["mu"]]), d, given["threshold"], given["slope"])
        assert found[0] == pytest.approx(worth, abs=1e-8)


@pytest.mark.parametrize("name", [name for name in VALUES if "rate" in name])
def test_worth_of_a_sample_for_a_rate(name):
    given, expect = VALUES[name]["input"], VALUES[name]["expect"]
    costs = (given["ku"], given["ko"])
    now = rate_loss(np.array([given["mu"]]), np.array([given["sd_now"]]), *costs)[0]
    assert now == pytest.approx(expect["EL_now"], abs=1e-8)
    worth = rate_value(given["mu"], given["sd_now"], given["sd_after"], *costs)
    assert worth == pytest.approx(expect["EVSI"], abs=1e-8)


@pytest.mark.parametrize("name", named("plan-bar-"))
def test_plan_comes_within_two_percent_of_the_best_known(name):
    given, expect = CASES[name]["input"], CASES[name]["expect"]
    block = shapely.from_wkt(given["block_wkt"])
    area = allowed_area(block, given["headland_buffer"],
                        [shapely.from_wkt(given["exclusion_wkt"])],
                        given["exclusion_buffer"])  # fmt: skip
    old = np.array(given["existing"])
    signal = signal_of_model(model_of(given["variogram"]))
    places = candidates(area, None, 5000)
    nodes = candidates(block, None, 900)
    problem = Problem(signal, nodes, np.full(len(nodes), 1 / len(nodes)), places, old, old,
                      given["min_spacing"])  # fmt: skip
    wanted = coverage(nodes, given["n_new"], default_rng(4), fixed=old)
    chosen = polish(problem, onto_candidates(wanted, places, old, given["min_spacing"]))
    spots = places[chosen]
    # Some centres lie exactly on the outline: halves of 5 m are exact in binary, fractions not.
    cells = np.array([[2.5 + 5.0 * i, 2.5 + 5.0 * j] for j in range(60) for i in range(70)])
    cells = cells[within(block, cells)]
    assert len(cells) == given["n_eval"]
    none = kriging_variance(signal, old, cells).mean()
    assert none == pytest.approx(expect["mean_filtered_none"], abs=1e-9)
    mean = kriging_variance(signal, np.vstack([old, spots]), cells).mean()
    assert mean <= 1.02 * expect["best_known_mean_filtered"]
    assert len(spots) == given["n_new"]
    assert within(area, spots).all()
    assert closest_pair_m(np.vstack([old, spots])) >= given["min_spacing"]
    assert not too_close(spots, old, given["min_spacing"]).any()
