"""Zoning against the reference cases of tests/data/zones-cases.json.

Each case names what it was checked with: R (e1071, classInt, mahalanobis, aov, gstat),
scikit-learn, jenkspy, mapclassify, shapely, enumeration of every assignment, or integration.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy import stats

from geo.geostatistics.simulation import posterior
from geo.grids import Grid
from geo.variogram import VariogramModel
from geo.zoning.breaks import natural_breaks, rate_breaks
from geo.zoning.clusters import fuzzy_memberships, mahalanobis, weighted_kmeans
from geo.zoning.criteria import area_sum, coverage, gap, opening, outside, overlap, width
from geo.zoning.indices import (
    fuzzy_indices,
    held_out_variance_reduction,
    promised_variance_reduction,
    variance_reduction,
    xie_beni,
)
from geo.zoning.loss import (
    levels_of,
    loss_by_draw,
    loss_curves,
    normal_loss,
    quantiles_of,
    rates_to_set,
)
from geo.zoning.outlines import zone_outlines

BOOK = json.loads((Path(__file__).parent / "data" / "zones-cases.json").read_text("utf-8"))
IRIS = np.array(BOOK["datasets"]["iris_raw"]["rows"], dtype=float)
SPECIES = np.array(BOOK["datasets"]["iris_raw"]["species"])


def cases(prefix: str):
    found = [case for case in BOOK["cases"] if case["id"].startswith(prefix)]
    assert found
    return pytest.mark.parametrize("case", found, ids=[case["id"] for case in found])


def near(case, expected):
    tolerance = case["tol"]
    return pytest.approx(expected, abs=tolerance.get("abs", 0), rel=tolerance.get("rel", 0))


@cases("fuzzy-")
def test_fuzzy_indices_at_fixed_memberships(case):
    found = fuzzy_indices(np.array(case["input"]["U"]))
    for key, index in (("PC", "pc"), ("PE", "pe"), ("FPI", "fpi"), ("MPE", "mpe"), ("NCE", "nce")):
        assert found[index] == near(case, case["expect"][key])
    assert found["confusion"] == near(case, case["expect"]["confusion_mean"])


@cases("fcm-iris")
def test_fuzzy_means_converge_to_the_reference(case):
    z = (IRIS - IRIS.mean(axis=0)) / IRIS.std(axis=0, ddof=1)
    given, expect = case["input"], case["expect"]
    u, centres = fuzzy_memberships(z, given["c"], exponent=given["m"])
    order = np.argsort(centres[:, 0])
    assert centres[order] == near(case, np.array(expect["centres_sorted_by_first_coordinate"]))
    found = fuzzy_indices(u)
    for key, index in (("PC", "pc"), ("PE", "pe"), ("FPI", "fpi"), ("NCE", "nce")):
        assert found[index] == near(case, expect[key])
    if "XB" in expect and given["m"] == 2.0:
        assert xie_beni(z, u, centres) == near(case, expect["XB"])


@cases("breaks-")
def test_natural_breaks_are_the_best_breaks(case):
    given, expect = case["input"], case["expect"]
    values = np.array(given.get("x", IRIS[:, 2]), dtype=float)
    weights = np.array(given.get("w", np.ones(len(values))), dtype=float)
    limits = natural_breaks(values, given["k"], weights)
    assert limits.tolist() == near(case, expect["upper_limits_inclusive"])
    classes = np.searchsorted(limits, values)
    judged = variance_reduction(values, classes, weights)
    assert judged["ssw"] == near(case, expect["SSE"])
    assert judged["rv"] == near(case, expect["GVF"])


@cases("kmeans-exh")
@pytest.mark.parametrize("kind", ["unweighted", "weighted"])
def test_kmeans_finds_the_best_of_all_assignments(case, kind):
    x = np.array(case["input"]["X"])
    weights = np.array(case["input"]["weights"]) if kind == "weighted" else np.ones(len(x))
    labels, total = weighted_kmeans(
        x, case["input"]["k"], weights, np.random.default_rng(0), starts=40
    )
    expect = case["expect"][kind]
    assert total == near(case, expect["J"])
    assert len(set(zip(labels.tolist(), expect["labels"], strict=True))) == case["input"]["k"]


@cases("mahal-")
def test_mahalanobis_distance(case):
    covariance = np.cov(IRIS.T)
    rows, pairs = case["input"]["rows0"], np.array(case["input"]["pairs0"])
    to_mean = mahalanobis(IRIS[rows] - IRIS.mean(axis=0), covariance)
    assert to_mean == near(case, np.array(case["expect"]["d2_to_mean"]))
    apart = mahalanobis(IRIS[pairs[:, 0]] - IRIS[pairs[:, 1]], covariance)
    assert apart == near(case, np.array(case["expect"]["pair_d2"]))


@cases("anova-")
def test_variance_reduction_and_f(case):
    given, expect = case["input"], case["expect"]
    values, zones = given["y"], given.get("g")
    if zones is None:
        values, zones = IRIS[:, 2], SPECIES
    found = variance_reduction(values, zones)
    plain = expect.get("unweighted", expect)
    for key in ("SST", "SSW", "SSB", "RV", "F", "omega2", "RV_adj"):
        assert found[key.lower()] == near(case, plain[key])
    if "weighted" in expect:
        weighted = variance_reduction(values, zones, given["w"])
        assert weighted["rv"] == near(case, expect["weighted"]["RV"])


@cases("heldout-")
def test_variance_reduction_on_held_out_samples(case):
    given = case["input"]
    found = held_out_variance_reduction(
        given["train_y"], given["train_g"], given["test_y"], given["test_g"]
    )
    assert found == near(case, case["expect"]["RV_heldout"])


@cases("krig-limited-")
def test_what_a_kriged_surface_can_promise(case):
    given, expect = case["input"], case["expect"]
    found = promised_variance_reduction(
        given["mu"], given["var"], np.array(given["zone"]), given["area"]
    )
    assert found["surface"] == near(case, expect["RV_on_surface"])
    assert found["expected"] == near(case, expect["RV_expected_truth"])
    assert found["ceiling"] == near(case, expect["RV_ceiling_any_zoning"])


@cases("width-")
def test_opening_with_mitred_corners(case):
    shape = shapely.from_wkt(case["input"]["wkt"])
    for test in case["expect"]["tests"]:
        left = opening(shape, test["width"])
        assert left.area == near(case, test["opened_area"])
    # Next to a large second zone the narrow one is judged by what it loses itself.
    neighbour = shapely.box(-200, -200, 300, 300).difference(shape)
    whole = shapely.box(-200, -200, 300, 300)
    for test in case["expect"]["tests"]:
        if test["share_lost"] > 0.02:
            assert not width([shape, neighbour], whole, test["width"]).met


@cases("coverage-")
def test_gaps_overlaps_and_borders(case):
    block = shapely.from_wkt(case["input"]["block"])
    zones = [shapely.from_wkt(text) for text in case["input"]["zones"]]
    expect = case["expect"]
    total, area = block.area, shapely.union_all(zones).area
    assert area == near(case, expect["union_area"])
    assert area_sum(zones, block).value * total == near(case, abs(expect["sum_area"] - total))
    assert overlap(zones, block).value * total == near(case, expect["overlap_area"])
    assert gap(zones, block).value * total == near(case, expect["gap_area"])
    assert outside(zones, block).value * total == near(case, expect["outside_area"])
    assert coverage(zones, gap_m=1.0).met == expect["coverage_is_valid_gap1"]


@cases("clip-area")
def test_areas_of_a_label_raster_clipped_to_a_block(case):
    given = case["input"]
    labels = np.array(given["labels_row0_is_south"])[::-1] - 1
    rows, columns = labels.shape
    grid = Grid(
        (given["origin"][0], given["origin"][1] + rows * given["cell"]),
        given["cell"],
        labels.shape,
        "EPSG:32634",
        np.ones((rows, columns), bool),
    )
    block = shapely.from_wkt(given["block_wkt"])
    outlines = zone_outlines(labels, grid, block, margin_m=10.0, tolerance_m=0.0, smallest_m2=0.0)
    for label, area in case["expect"]["area_by_label"].items():
        assert outlines[int(label) - 1].area == near(case, area)


@cases("newsvendor-")
def test_loss_of_a_rate_under_doubt(case):
    given, expect = case["input"], case["expect"]
    if "m_log" in given:
        short, over = given["ku"], given["ko"]
        chances = (np.arange(200_000) + 0.5) / 200_000
        need = np.exp(given["m_log"] + given["s_log"] * stats.norm.ppf(chances))
        rate = np.quantile(need, short / (short + over))
        # Draws instead of the integral: one in ten thousand is their own error.
        assert rate == pytest.approx(expect["q_star"], rel=1e-4)
        loss = np.maximum(short * (need - rate), over * (rate - need)).mean()
        assert loss == pytest.approx(expect["EL_min"], rel=1e-3)
        return
    args = given["mu"], given["sigma"], given["ku"], given["ko"]
    assert normal_loss(expect["q_star_R_ge_0"], *args) == near(case, expect["EL_at_q_star_R_ge_0"])
    plugin = max(0.0, given["mu"])
    assert normal_loss(plugin, *args) == near(case, expect["EL_at_plugin_max0_mu"])


@cases("zone-rate")
def test_zone_rates_from_draws_are_the_best_two_zones(case):
    given, expect = case["input"], case["expect"]
    mean, sd = np.array(given["mu"]), np.array(given["s"])
    # Areas as numbers of equal cells; draws at even shares of the normal law.
    times = np.round(4 * np.array(given["a"])).astype(int)
    z = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
    draws = np.maximum(0, mean + z[:, None] * sd).repeat(times, axis=1).astype(np.float32)
    rates = np.arange(0, 4.5, 0.01)
    curves = loss_curves(draws, rates, given["ku"], given["ko"])
    everyone = np.ones(times.sum(), bool)
    assert rates[curves.best_of(everyone)] == pytest.approx(expect["uniform_q"], abs=0.01)
    assert curves.loss.sum(axis=0).min() / 4 == pytest.approx(expect["uniform_EL"], rel=2e-3)
    cell = rates[curves.best_of_cells()][np.cumsum(times) - 1]
    assert cell == pytest.approx(np.array(expect["cell_q"]), abs=0.02)
    labels = rate_breaks(curves, 2)[1]
    low = np.flatnonzero(labels[np.cumsum(times) - 1] == 0)
    assert set(low.tolist()) == set(expect["two_zone_low_members"])
    loss = sum(curves.loss[labels == k].sum(axis=0).min() for k in (0, 1)) / 4
    assert loss == pytest.approx(expect["two_zone_EL_any_partition"], rel=2e-3)


@cases("rate-dp")
def test_breaks_of_known_rates_are_the_best_of_all(case):
    given, expect = case["input"], case["expect"]
    asked = np.repeat(given["rates_needed"], given["area"])
    draws = asked[None].astype(np.float32)
    rates = np.unique(asked)
    curves = loss_curves(draws, rates, given["ku"], given["ko"])
    for count, labels in enumerate(rate_breaks(curves, len(expect)), start=1):
        rate = np.array([rates[curves.best_of(labels == k)] for k in range(count)])
        loss = loss_by_draw(draws, rate[labels], given["ku"], given["ko"])[0] * len(asked)
        # The draws are float32.
        assert loss == pytest.approx(expect[str(count)]["loss"], rel=1e-6)


@cases("zone-post")
def test_zone_means_are_known_jointly(case):
    """Zones share samples and the unknown mean, so their difference is better known than apart."""
    given, expect = case["input"], case["expect"]
    model = VariogramModel(
        kind="spherical",
        nugget=0.0,
        partial_sill=given["psill"],
        range_m=given["range"],
        noise=given["nugget"],
    )
    cells = np.array(given["cells"])
    joint = posterior(model, np.array(given["P"], float), np.array(given["z"]), cells)
    zones = np.array(given["zone"])
    shares = np.array([(zones == k) / (zones == k).sum() for k in (1, 2)])
    assert shares @ joint.mean == near(case, np.array(expect["zone_mean"]))
    covariance = shares @ joint.covariance @ shares.T
    assert covariance == near(case, np.array(expect["zone_cov"]))
    difference = np.array([-1, 1]) @ covariance @ np.array([-1, 1])
    assert np.sqrt(difference) == near(case, expect["sd_diff"])


@pytest.mark.parametrize("ties", [False, True])
def test_quantiles_of_many_values_are_those_of_all_put_in_order(ties):
    """Against numpy's own quantile, to the last digit; draws of a rule hold many zeros."""
    rng = np.random.default_rng(5)
    draws = np.maximum(rng.normal(300, 900, (40, 5000)), 0).astype(np.float32)
    draws = np.round(draws, -2) if ties else draws
    levels = (0.0, 1 / 6, 0.41, 0.75, 5 / 6, 1.0)
    assert quantiles_of(draws, levels).tolist() == np.quantile(draws, levels).tolist()
    # In order, a sample of every so many values still brackets each.
    ordered = np.sort(draws.ravel())
    assert quantiles_of(ordered, levels).tolist() == np.quantile(ordered, levels).tolist()


def test_levels_of_draws_are_those_a_search_finds():
    """Against numpy's search, with draws on the rates themselves and next to them."""
    rng = np.random.default_rng(6)
    for rates in (rates_to_set(5000, 500, 1000, None), rates_to_set(13, 0.7, 2.1, 9.9)):
        limits = rates.astype(np.float32)
        draws = np.concatenate(
            [
                limits,
                np.nextafter(limits, np.float32(np.inf)),
                np.nextafter(limits[1:], np.float32(0)),
                rng.uniform(0, 1.3 * rates.max(), 4000).astype(np.float32),
            ]
        )
        assert levels_of(rates, draws).tolist() == np.searchsorted(limits, draws).tolist()
