"""Materials: analyses against chemistry, choice by cost, the small programme of blends."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import FarmError, TableError
from geo.lookup import read_table
from geo.materials import (
    candidates,
    caution_texts,
    choose_material,
    general_cautions,
    least_cost_blend,
    materials_of,
    nutrients_brought,
    table_materials,
)
from geo.settings import Settings
from geo.units import ATOMIC_WEIGHT, element_from_compound

PRICES = {
    "potassium_sulfate": {"price_per_t": 18500.0, "bag_kg": 25.0},
    "potassium_chloride": {"price_per_t": 9000.0},
    "potassium_magnesium_sulfate": {"price_per_t": 11000.0},
    "kieserite": {"price_per_t": 9000.0},
}
FARM = Settings(materials=PRICES)


@pytest.mark.parametrize(
    ("key", "element", "oxide", "grade"),
    [  # grades printed on the bag: CORNK, ANR174
        ("potassium_sulfate", "k", "K2O", 50),
        ("potassium_chloride", "k", "K2O", 60),
        ("potassium_magnesium_sulfate", "k", "K2O", 22),
        ("potassium_nitrate", "k", "K2O", 44),
        ("triple_superphosphate", "p", "P2O5", 46),
        ("monoammonium_phosphate", "p", "P2O5", 52),
    ],
)
def test_an_analysis_is_the_element_of_its_grade(key, element, oxide, grade):
    percent = table_materials()[key].analysis[element]
    assert percent == pytest.approx(element_from_compound(float(grade), oxide), abs=0.06)


@pytest.mark.parametrize(
    ("key", "formula", "element", "share_of_pure"),
    [  # CHEM, from atomic weights
        ("magnesium_sulfate_heptahydrate", {"Mg": 1, "S": 1, "O": 11, "H": 14}, "Mg", 1.0),
        ("copper_sulfate", {"Cu": 1, "S": 1, "O": 9, "H": 10}, "Cu", 1.0),
        ("gypsum", {"Ca": 1, "S": 1, "O": 6, "H": 4}, "Ca", 0.987),
    ],
)
def test_an_analysis_is_that_of_its_formula(key, formula, element, share_of_pure):
    mass = sum(ATOMIC_WEIGHT[e] * n for e, n in formula.items())
    percent = 100 * ATOMIC_WEIGHT[element] / mass * share_of_pure
    assert table_materials()[key].analysis[element.lower()] == pytest.approx(percent, abs=0.1)


def test_every_row_holds_source_and_unit():
    for row in read_table("materials"):
        assert row["unit"] or row["quantity"] in ("name", "amendment", "organic", "cautions")


def test_cheapest_per_unit_of_nutrient_is_chosen():
    assert choose_material("potassium", FARM).key == "potassium_chloride"
    assert choose_material("potassium", FARM, no_chloride=True).key == "potassium_sulfate"


def test_quicklime_and_slaked_lime_are_never_offered():
    assert {m.key for m in candidates("lime", Settings())} == {
        "calcitic_lime", "dolomitic_lime", "pelletised_lime"
    }  # fmt: skip


def test_organic_switch_hides_what_is_barred():
    farm = Settings(organic=True)
    assert "potassium_chloride" not in {m.key for m in candidates("potassium", farm)}
    assert choose_material("phosphorus", farm) is None
    assert any("certifier" in text for text in general_cautions(organic=True))


def test_own_figures_go_before_the_table_and_say_so():
    farm = Settings(materials={"calcitic_lime": {"effective_pct": 72.0}})
    own = materials_of(farm)["calcitic_lime"]
    assert own.content("lime") == pytest.approx(0.72)
    assert own.yours
    assert not own.from_memory


def test_strength_from_the_sieves_of_a_delivery():
    # S06, CORNCCA
    delivery = {"cce_pct": 92.0, "passing_pct": {"20": 98, "60": 75, "100": 60}}
    own = materials_of(Settings(materials={"calcitic_lime": delivery}))["calcitic_lime"]
    assert own.effective_pct == pytest.approx(74.7, abs=0.2)


def test_moist_product_counts_less():
    moist = table_materials()["agricultural_gypsum"]
    assert moist.content("gypsum") == pytest.approx(0.944 * (1 - 0.265))


@pytest.mark.parametrize(
    ("own", "words"),
    [({"prise_per_t": 3.0}, "unknown key"), ({"price_per_t": 3.0}, "say what it is for")],
)
def test_a_slip_in_farm_toml_is_refused(own, words):
    with pytest.raises(FarmError, match=words):
        materials_of(Settings(materials={"my_product": own}))


def offered(*keys):
    known = materials_of(FARM)
    return [known[key] for key in keys]


def test_one_product_serves_two_needs_where_that_is_cheaper():
    # By hand: 18.3 kg K and 11 kg Mg are 100 kg of K-Mg sulfate, 1100; apart 44.1 kg of 0-0-50
    # (816) and 68.75 kg of kieserite (619).
    blend = least_cost_blend(
        {"k": 18.3, "mg": 11.0},
        offered("potassium_sulfate", "potassium_magnesium_sulfate", "kieserite"),
    )
    assert blend.rates_kg_ha == pytest.approx({"potassium_magnesium_sulfate": 100.0})
    assert blend.cost_per_ha == pytest.approx(1100.0)


@given(st.floats(0, 150), st.floats(0, 60))
def test_a_blend_meets_every_need_at_no_more_than_single_products_cost(k, mg):
    blend = least_cost_blend(
        {"k": k, "mg": mg}, offered("potassium_sulfate", "potassium_magnesium_sulfate", "kieserite")
    )
    assert blend.supplied["k"] >= k - 1e-5
    assert blend.supplied["mg"] >= mg - 1e-5
    apart = k / 0.415 * 18.5 + mg / 0.16 * 9.0
    assert blend.cost_per_ha <= apart + 1e-2


def test_a_chloride_limit_binds_and_an_impossible_one_has_no_answer():
    both = offered("potassium_chloride", "potassium_sulfate")
    blend = least_cost_blend({"k": 49.8}, both, most={"cl": 22.6})
    assert blend.supplied["cl"] <= 22.6 + 1e-6
    assert set(blend.rates_kg_ha) == {"potassium_chloride", "potassium_sulfate"}
    assert least_cost_blend({"k": 49.8}, both[:1], most={"cl": 10.0}) is None


def test_a_salt_limit_binds():
    # RADER43 (values from memory): chloride 116, sulfate 44.5
    both = offered("potassium_chloride", "potassium_sulfate")
    index = {"potassium_chloride": 116.0, "potassium_sulfate": 44.5}
    free = least_cost_blend({"k": 49.8}, both, salt_most=200.0, salt_index=index)
    bound = least_cost_blend({"k": 49.8}, both, salt_most=80.0, salt_index=index)
    assert set(free.rates_kg_ha) == {"potassium_chloride"}
    assert sum(bound.rates_kg_ha[k] * index[k] / 100 for k in bound.rates_kg_ha) <= 80 + 1e-6


def test_equal_cost_takes_the_fewer_passes():
    # Two products at the price of their parts: one that holds both wins over two that hold one.
    farm = Settings(
        materials={
            "only_k": {"amendment": "potassium", "analysis": {"k": 50.0}, "price_per_t": 500.0},
            "only_mg": {"amendment": "magnesium", "analysis": {"mg": 50.0}, "price_per_t": 500.0},
            "both": {
                "amendment": "potassium", "analysis": {"k": 25.0, "mg": 25.0}, "price_per_t": 500.0,
            },
        }
    )  # fmt: skip
    known = materials_of(farm)
    blend = least_cost_blend(
        {"k": 20.0, "mg": 20.0}, [known[k] for k in ("only_k", "only_mg", "both")]
    )
    assert set(blend.rates_kg_ha) == {"both"}


def test_a_blend_needs_prices():
    with pytest.raises(TableError, match="price_per_t"):
        least_cost_blend({"k": 10.0}, [table_materials()["potassium_sulfate"]])


def test_every_caution_a_material_names_exists():
    known = {row["key"] for row in read_table("cautions")}
    for material in table_materials().values():
        assert set(material.cautions) <= known
    assert "goggles" in caution_texts(["sulfur"])[0]


def test_no_caution_fixes_a_distance():
    import re

    for row in read_table("cautions"):
        assert not re.search(r"\d+ ?(m|ft|feet|metres)\b", row["text"])


def test_compost_is_credited_by_its_own_analysis():
    # 10 t/ha of a lot with 60 % water, 1.5 % N and 0.8 % K in dry matter: 60 kg N, 32 kg K
    lot = {"moisture_pct": 60.0, "analysis": {"n": 1.5, "k": 0.8}}
    compost = materials_of(Settings(materials={"compost": lot}))["compost"]
    brought = nutrients_brought(compost, 10_000.0)
    assert brought["n"] == pytest.approx(60)
    assert brought["k"] == pytest.approx(32)
    assert compost.yours
