"""Rates of zones: quantile, cap, product, rounding, totals, money."""

import dataclasses
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, box

from geo.blocks import Block
from geo.export.layers import to_lonlat
from geo.grids import grid_over
from geo.materials import materials_of
from geo.prescribing.purchase import purchase_list, spend_first
from geo.prescription import bought_kg, prescribe, rate_step_kg_ha, round_rate
from geo.reasons import About, Reason
from geo.requirements.draws import Requirement
from geo.settings import BlockSettings, CostSettings, Settings
from geo.zones import Zone, ZoneMap

E, N, CRS = 407_000.0, 6_240_000.0, "EPSG:32734"
OUTLINE = box(E, N, E + 200, N + 100)
BLOCK = Block("Noordkamp", "noordkamp", OUTLINE, to_lonlat(OUTLINE, CRS), CRS, 2.0, BlockSettings())
GRID = grid_over(OUTLINE, CRS, 5.0)
WEST = GRID.cells()[:, 0] < E + 100
PRICES = Settings(
    materials={
        "calcitic_lime": {"price_per_t": 950.0},
        "potassium_sulfate": {"price_per_t": 18500.0, "bag_kg": 25.0},
        "potassium_magnesium_sulfate": {"price_per_t": 9000.0, "bag_kg": 25.0},
        "kieserite": {"price_per_t": 9000.0, "bag_kg": 25.0},
    },
    costs=CostSettings(
        spreading_uniform_per_ha=420.0, spreading_zones_per_ha=560.0, delivery_per_t=180.0,
        delivery_minimum_t=5.0,
    ),
)  # fmt: skip


def requirement(amendment="lime", draws=None, *, cost=(1.0, 1.0), cap=None, share=1.0, **more):
    if draws is None:
        rng = np.random.default_rng(7)
        draws = np.where(WEST, 2500.0, 1200.0) + 300 * rng.standard_normal((80, WEST.size))
    inputs = {"product": ("calcitic_lime", "", "")} if amendment == "lime" else {}
    return Requirement(
        amendment=amendment, unit="kg/ha", grid=GRID, draws=np.maximum(draws, 0).astype(np.float32),
        cost_too_little=cost[0], cost_too_much=cost[1], verdict="useful", held=None,
        none_needed=None, reasons=("because",), sources=("OSU9585",), from_memory=False,
        cap_kg_ha=cap, treated_share=share, inputs=inputs, alternatives={}, **more,
    )  # fmt: skip


def two_zones(amendment="lime"):
    labels = GRID.spread(np.where(WEST, 1, 2), outside=0).astype(np.int16)
    shapes = [box(E, N, E + 100, N + 100), box(E + 100, N, E + 200, N + 100)]
    zones = tuple(Zone(i + 1, MultiPolygon([s]), 1.0, {}, ()) for i, s in enumerate(shapes))
    return ZoneMap(amendment, zones, GRID, labels, "shown", "", 0.0, 1.0, {})


def plan_of(*requirements, settings=PRICES, maps=None):
    maps = [two_zones(r.amendment) for r in requirements] if maps is None else maps
    return prescribe(maps, requirements, BLOCK, settings)


def test_a_zone_gets_the_quantile_of_places_and_draws_as_product():
    asked = requirement(cost=(2.0, 3.0))
    plan = plan_of(asked)
    for rate, cells in zip(plan.rates, (WEST, ~WEST), strict=True):
        pure = np.sort(asked.draws[:, cells].ravel())
        share_below = np.searchsorted(pure, rate.rate_kg_ha * 0.85) / pure.size
        assert share_below == pytest.approx(0.4, abs=0.008)
        assert rate.low_kg_ha < rate.rate_kg_ha < rate.high_kg_ha
        inside = np.mean((pure / 0.85 >= rate.low_kg_ha) & (pure / 0.85 <= rate.high_kg_ha))
        assert inside == pytest.approx(2 / 3, abs=0.01)


def test_the_chain_goes_from_the_quantile_over_product_and_cap_to_the_spreader():
    asked = requirement(draws=np.full((5, WEST.size), 5000.0), cap=2200.0)
    rate = plan_of(asked).rates[0]
    by_step = {link.step: link for link in rate.chain}
    assert list(by_step) == ["quantile", "product", "cap", "rounding", "passes"]
    assert by_step["quantile"].value == pytest.approx(5000)
    assert by_step["product"].value == pytest.approx(5000 / 0.85)
    assert by_step["cap"].value == pytest.approx(2200 / 0.85)
    assert by_step["rounding"].value == rate.rate_kg_ha
    assert by_step["product"].sources == ("PRACT",)


def test_totals_are_the_sum_of_rate_times_area_as_spread():
    plan = plan_of(requirement())
    total = sum(r.rate_kg_ha * r.area_ha for r in plan.rates)
    assert plan.totals_kg == {"calcitic_lime": pytest.approx(total)}
    assert all(r.rate_kg_ha == round(r.rate_kg_ha) for r in plan.rates)


@given(st.floats(100, 20_000), st.floats(500, 5000), st.floats(0.2, 1.0))
def test_no_pass_is_above_its_cap_in_the_treated_strip(need, cap, share):
    asked = requirement(draws=np.full((5, WEST.size), need), cap=cap, share=share)
    for rate in plan_of(asked).rates:
        for one in rate.passes:
            assert one * 0.85 <= cap * share + 1e-6
        if need > cap * share and rate.rate_kg_ha > 0:
            left = need / 0.85 - sum(rate.passes)
            assert left <= max(1.0, 0.01 * cap * share / 0.85)  # the later passes carry the rest


def test_what_rounding_leaves_is_no_pass_of_its_own():
    # 3790 kg/ha of product under a cap of 2588: 1202 are left, and a spreader sets 1200 of them.
    asked = requirement(draws=np.full((5, WEST.size), 3221.5), cap=2200.0)
    assert plan_of(asked).rates[0].passes == (2588.0, 1200.0)


def test_a_cap_without_a_second_pass_says_ask():
    asked = requirement("potassium", np.full((5, WEST.size), 300.0), cap=150.0)
    rate = plan_of(asked).rates[0]
    assert rate.passes == (rate.rate_kg_ha,)
    assert rate.rate_kg_ha * materials_of(PRICES)[rate.material].content("potassium") <= 150.0
    assert any("adviser" in reason for reason in rate.reasons)


@given(st.floats(0, 1e5), st.floats(1, 1e5))
def test_rounding_is_close_and_never_over_the_cap(rate, cap):
    rounded = round_rate(min(rate, cap), cap)
    assert rounded <= cap
    step = 10.0 if rate >= 500 else 5.0 if rate >= 100 else 1.0 if rate >= 20 else 0.0100001
    assert abs(rounded - min(rate, cap)) <= step


def test_dearer_shortage_never_lowers_a_rate():
    ratios = [(1.0, 4.0), (2.0, 3.0), (1.0, 1.0), (3.0, 1.0)]
    rates = [plan_of(requirement(cost=c)).rates[0].rate_kg_ha for c in ratios]
    assert rates == sorted(rates)


def test_below_what_a_spreader_throws_the_nearer_of_none_and_least_is_taken():
    # Lime: about 1 t/ha (common practice)
    small, near = (plan_of(requirement(draws=np.full((5, WEST.size), d))) for d in (200.0, 800.0))
    assert small.rates == ()
    assert small.held[0].kind == "none_needed"
    assert near.rates[0].rate_kg_ha == pytest.approx(1000 / 0.85, abs=5)


def test_zones_lose_no_more_than_one_rate():
    plan = plan_of(requirement())
    assert plan.uniform["lime"].expected_loss_ratio > 1
    assert 0 < plan.relief["lime"] <= 1


def test_money_is_product_delivery_and_spreading():
    asked = requirement(draws=np.where(WEST, 1700.0, 3400.0) * np.ones((5, 1)))
    plan = plan_of(asked)
    # 2 t and 4 t: 6 t x 950, 6 t delivered at 180, 2 ha at 560
    assert plan.costs["lime"] == pytest.approx(6 * 950 + 6 * 180 + 2 * 560)
    one = plan.uniform["lime"]
    tonnes = one.total_kg / 1000
    assert one.cost == pytest.approx(tonnes * 950 + max(tonnes, 5) * 180 + 2 * 420)


def test_without_a_price_there_is_no_cost():
    assert plan_of(requirement(), settings=Settings()).costs["lime"] is None


def test_bags_are_rounded_up_once_for_all_blocks():
    asked = requirement("potassium", np.full((5, WEST.size), 40.0))
    settings = dataclasses.replace(
        PRICES, materials={"potassium_sulfate": {"price_per_t": 18500.0, "bag_kg": 25.0}}
    )
    plan = plan_of(asked, settings=settings)
    both = purchase_list([plan, plan], settings)[0]
    assert both.needed_kg == pytest.approx(2 * plan.totals_kg["potassium_sulfate"])
    assert both.needed_kg <= both.bought_kg < both.needed_kg + 25
    assert both.bags * 25 == both.bought_kg
    assert bought_kg(50.0, materials_of(settings)["potassium_sulfate"]) == 50.0


def test_held_and_unneeded_amendments_are_told_apart():
    held = dataclasses.replace(requirement("potassium"), held="Wait.", kind="held")
    none = dataclasses.replace(requirement("sulfur"), none_needed="No.", kind="none_needed")
    plan = plan_of(held, none)
    assert plan.rates == ()
    assert {(h.amendment, h.kind, h.reason) for h in plan.held} == {
        ("potassium", "held", "Wait."), ("sulfur", "none_needed", "No.")
    }  # fmt: skip


def test_what_one_product_brings_is_not_bought_again():
    # K-Mg sulfate (K 18.3, Mg 11) at this price serves both; its magnesium covers the need of it.
    k = requirement("potassium", np.full((5, WEST.size), 36.6))
    mg = requirement("magnesium", np.full((5, WEST.size), 20.0))
    plan = plan_of(k, mg)
    assert set(plan.totals_kg) == {"potassium_magnesium_sulfate"}
    assert [h.amendment for h in plan.held] == ["magnesium"]


def test_what_a_product_brings_counts_only_where_it_is_spread():
    # K-Mg sulfate (K 18.3, Mg 11 %) in the west alone leaves the magnesium of the east due.
    k = requirement("potassium", np.where(WEST, 36.6, 0.0) * np.ones((5, 1)))
    mg = requirement("magnesium", np.full((5, WEST.size), 20.0))
    only_kmg = dataclasses.replace(
        PRICES,
        materials={**PRICES.materials, "potassium_sulfate": {"price_per_t": 1e6, "bag_kg": 25.0}},
    )
    plan = plan_of(k, mg, settings=only_kmg)
    west, east = (
        {r.amendment: r for r in plan.rates if r.zone_id == zone_id} for zone_id in (1, 2)
    )
    assert west["potassium"].material == "potassium_magnesium_sulfate"
    assert west["magnesium"].rate_kg_ha == 0
    content = materials_of(only_kmg)[east["magnesium"].material].content("magnesium")
    assert east["magnesium"].rate_kg_ha * content == pytest.approx(20.0, rel=0.02)


def test_a_blend_keeps_the_cap_of_each_element():
    # The cheapest product would bring more magnesium than the cap: it is not taken for potassium.
    k = requirement("potassium", np.full((5, WEST.size), 100.0))
    mg = requirement("magnesium", np.full((5, WEST.size), 10.0), cap=15.0)
    plan = plan_of(k, mg)
    known = materials_of(PRICES)
    brought = sum(
        r.rate_kg_ha * known[r.material].analysis.get("mg", 0.0) / 100
        for r in plan.rates
        if r.zone_id == 1
    )
    assert brought <= 15.0 + 0.5


def test_conflicts_and_order_of_the_year():
    lime, sulfur = requirement(), requirement("sulfur", np.full((5, WEST.size), 300.0))
    plan = plan_of(lime, sulfur)
    assert any("lime and sulfur" in text for text in plan.conflicts)
    assert [text.split(":")[0] for text in plan.order[:2]] == ["Lime", "Sulfur"]
    assert any("goggles" in text for text in plan.cautions)
    assert any("local rule" in text for text in plan.cautions)


def test_money_goes_first_where_a_unit_of_it_helps_most():
    k = requirement("potassium", np.full((5, WEST.size), 40.0))
    plan = plan_of(requirement(), k)
    lines = spend_first(plan, money=plan.costs["potassium"])
    per_money = [plan.relief[line.amendment] / line.cost for line in lines]
    assert per_money == sorted(per_money, reverse=True)
    assert lines[-1].so_far == pytest.approx(sum(plan.costs.values()))
    assert lines[0].affordable
    assert not lines[-1].affordable


def test_steps_are_in_the_unit_of_the_draws():
    # amendment-rates 7 (common practice): 0.5 t/ha lime, 25 kg/ha fertiliser
    known = materials_of(Settings())
    assert rate_step_kg_ha("lime", known["calcitic_lime"]) == pytest.approx(425)
    assert rate_step_kg_ha("potassium", known["potassium_sulfate"]) == pytest.approx(10.375)


def test_a_hold_says_what_was_spread_all_the_same():
    said = Reason("250 kg/ha of potassium sulfate went on in August.", About.SPREAD_SINCE)
    asked = replace(requirement("potassium"), kind="held", held="Held.", reasons=(said,))
    assert plan_of(asked).held[0].reason == f"Held. {said}"


def test_the_growers_product_goes_before_the_cheapest_and_counts_by_its_content():
    """The need stays, so the mass goes by 1 / neutralising value."""
    weak = {"amendment": "lime", "effective_pct": 42.5, "price_per_t": 5000.0}
    settings = replace(PRICES, materials={**PRICES.materials, "coarse": weak})
    site = BlockSettings(product={"lime": "coarse"})
    asked = requirement()
    ours = plan_of(asked, settings=settings)
    own = prescribe([two_zones()], [asked], replace(BLOCK, site=site), settings)
    assert {rate.material for rate in own.rates} == {"coarse"}
    for theirs, rate in zip(ours.rates, own.rates, strict=True):
        # 10 kg/ha of rounding on either side, common practice.
        assert rate.rate_kg_ha == pytest.approx(2 * theirs.rate_kg_ha, abs=15)
    assert "The product is your choice: coarse, as farm.toml says." in own.rates[0].reasons


def test_the_growers_potassium_is_not_blended_away():
    asked = [requirement("potassium"), requirement("magnesium")]
    site = BlockSettings(product={"potassium": "potassium_sulfate"})
    plan = prescribe([two_zones(r.amendment) for r in asked], asked,
                     replace(BLOCK, site=site), PRICES)  # fmt: skip
    blended = plan_of(*asked)  # one product that brings both is cheaper here
    taken = [{r.material for r in p.rates if r.amendment == "potassium"} for p in (blended, plan)]
    assert taken == [{"potassium_magnesium_sulfate"}, {"potassium_sulfate"}]


def test_two_elements_due_without_a_price_are_met_one_by_one():
    """Without prices no blend is the cheapest; each need is still met."""
    asked = [requirement("potassium"), requirement("magnesium")]
    plan = plan_of(*asked, settings=Settings())
    assert {rate.amendment for rate in plan.rates if rate.rate_kg_ha > 0} == {
        "potassium",
        "magnesium",
    }
