"""Nutrient rules against published figures (tests/data/amendment_cases.csv)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.lookup import read_table
from geo.requirements import magnesium, micronutrients, nitrogen, phosphorus, potassium
from geo.requirements.nutrients import build_up_kg_ha, crop_removal, find_norm
from geo.requirements.shared import Layer, figure
from geo.units import element_from_compound, kg_ha_from_lb_ac, ton_ac_from_t_ha

TOP = Layer(15, 1.4)
K_NORM = find_norm("k", "wine_grape", "NH4OAc pH 7", 17.0, None)


def test_phosphorus_correction():
    # S14, SAWINE: (30 - 22) x 4.5 kg P/ha per 300 mm, mass balance at bulk density 1.5
    assert float(build_up_kg_ha(np.array(22.0), 30, Layer(30, 1.5), 1)) == pytest.approx(
        36, abs=0.1
    )


def test_why_mass_balance_is_the_default():
    # amendment-rates 4.1: Mehlich-3 P 16 to 36, 15 cm, bulk density 1.4 takes 42 kg P/ha
    assert float(build_up_kg_ha(np.array(16.0), 36, TOP, 1)) == pytest.approx(42)
    p2o5 = kg_ha_from_lb_ac(figure("nutrient_rates", "tri_state_p2o5").value)
    assert 20 * element_from_compound(p2o5, "P2O5") == pytest.approx(196, abs=1)


def test_drawdown_example():
    # S15, OHIO12 prints about 3 ppm for 55 lb P2O5 at 20 lb per ppm
    assert 55 / figure("nutrient_rates", "tri_state_p2o5").value == pytest.approx(2.75, abs=0.3)


def test_whole_vine_uptake_is_held_apart_from_removal():
    # S16, SATABLE: 96 kg K/ha at 30 t/ha; uptake, so never the default of removal
    row = next(
        r for r in read_table("crop_removal") if (r["element"], r["basis"]) == ("k", "uptake")
    )
    assert float(row["value"]) * 30 == pytest.approx(96, abs=0.5)
    assert crop_removal("wine_grape", "k").kg_per_t == 1.98  # TEUBES


def test_no_crop_borrows_the_grapes_removal():
    assert crop_removal("apple", "k") is None


def test_fertiliser_acidity_is_held_as_printed():
    # S18, ANR174: 100 lb of ammonium sulfate take 110 lb CaCO3
    row = next(
        r for r in read_table("materials")
        if (r["key"], r["quantity"]) == ("ammonium_sulfate", "caco3_per_100")
    )  # fmt: skip
    assert -float(row["value"]) == pytest.approx(110, abs=1)


def test_units_of_the_cases():
    assert ton_ac_from_t_ha(1.0) == pytest.approx(0.44609, abs=5e-5)  # S17, OSTER
    assert element_from_compound(100.0, "P2O5") == pytest.approx(43.64, abs=0.01)  # S20, CHEM


def test_treated_strip_of_a_vineyard():
    # S13, CORNGRAPE: 36 in band, 9 ft rows, 60 ac: 20 ac treated, 80 lb at 4 lb per treated acre
    share = 36 / (9 * 12)
    assert 60 * share == pytest.approx(20, abs=0.1)
    assert 4 * 60 * share == pytest.approx(80, abs=0.1)


@pytest.mark.parametrize(
    ("method", "clay", "ph_kcl", "norm"),
    [  # SAWINE tables
        ("Bray-1", 4.0, 5.4, 15),
        ("Bray I", 20.0, 5.4, 25),
        ("Bray II", 20.0, 5.4, 35),
        ("Olsen", 10.0, 5.4, 14),
    ],
)
def test_phosphorus_norms_by_extractant_texture_and_ph(method, clay, ph_kcl, norm):
    assert find_norm("p", "wine_grape", method, clay, ph_kcl).norm == norm


@pytest.mark.parametrize(
    ("key", "method"), [("p", "Mehlich-3"), ("p", ""), ("k", "Mehlich-3"), ("zn", "DTPA")]
)
def test_another_extractant_makes_no_rate(key, method):
    assert find_norm(key, "wine_grape", method, 17.0, 5.4) is None


def test_potassium_over_two_years_and_removal():
    # (90 - 70) x 2.1 / 2 + 1.98 x 8
    rate = potassium.potassium_kg_ha(np.array([70.0, 95.0]), K_NORM, TOP, removal_kg_ha=1.98 * 8)
    assert rate == pytest.approx([36.84, 0.0])


def test_build_up_scales_with_the_strip_and_removal_does_not():
    rate = potassium.potassium_kg_ha(
        np.array([70.0]), K_NORM, TOP, removal_kg_ha=16.0, treated_share=0.25
    )
    assert rate == pytest.approx([21.0 * 0.25 + 16.0])


@pytest.mark.parametrize(
    ("rule", "key", "method"),
    [
        (potassium.potassium_kg_ha, "k", "NH4OAc"),
        (magnesium.magnesium_kg_ha, "mg", "NH4OAc"),
        (phosphorus.phosphorus_kg_ha, "p", "Bray-1"),
    ],
)
@given(test=st.floats(0, 300), more=st.floats(0, 100), removal=st.floats(0, 60))
def test_rate_never_rises_with_the_soil_test(rule, key, method, test, more, removal):
    norm = find_norm(key, "wine_grape", method, 17.0, 5.4)
    low, high = rule(np.array([test, test + more]), norm, TOP, removal_kg_ha=removal)
    assert high <= low + 1e-9


@given(st.floats(0, 200), st.floats(5, 60))
def test_twice_the_depth_is_twice_the_build_up(test, depth):
    once = build_up_kg_ha(np.array(test), 90, Layer(depth, 1.4), 2)
    twice = build_up_kg_ha(np.array(test), 90, Layer(2 * depth, 1.4), 2)
    assert float(twice) == pytest.approx(2 * float(once))


def test_boron_never_above_its_ceiling():
    norm = find_norm("b", "wine_grape", "hot water", None, None)
    for established in (True, False):
        rate = micronutrients.boron_kg_ha(np.array([0.1, 0.3]), norm, established=established)
        assert 0 < rate[0] <= 1.1
        assert rate[1] == 0
    # FP03: 1 lb/ac a year for 3-4 years was excessive; PC05: a third restored adequacy
    assert micronutrients.boron_kg_ha(np.array([0.1]), norm, established=True) == pytest.approx(
        kg_ha_from_lb_ac(0.333)
    )


def test_nitrogen_has_a_ceiling_and_no_rate():
    assert nitrogen.nitrogen_ceiling_kg_ha(8.0) == 40  # IOBC: 5 kg per tonne
    # amendment-rates 4.5: 2.72 lb N per acre-foot and ppm
    assert nitrogen.water_nitrogen_kg_ha(1.0, 304.8) == pytest.approx(kg_ha_from_lb_ac(2.72))


def test_figures_per_vine_are_shown_only():
    for row in read_table("nutrient_rates"):
        if "vine" in row["name"] and row["name"].endswith(("medium", "weak", "low", "high")):
            assert row["is_default"] == "0"
