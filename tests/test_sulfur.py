"""Sulfur rules against published tables and chemistry (tests/data/amendment_cases.csv)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.requirements import sulfur
from geo.requirements.shared import Layer, figure, sulfur_texture
from geo.units import ATOMIC_WEIGHT, kg_ha_from_lb_1000ft2, kg_ha_from_lb_ac, lb_ac_from_kg_ha

SIX_INCH = Layer(15.24, 1.3)


def test_one_ph_unit_by_texture():
    # S07, KSTATE: loam from 8.5 to 6.5 takes 22 lb/1000 ft2
    found = sulfur.table_sulfur_kg_ha(np.array(8.5), "loam", 6.5, SIX_INCH)["per_ph"]
    assert float(found) == pytest.approx(kg_ha_from_lb_1000ft2(22.0), abs=0.5)


def test_free_lime_takes_sulfur_by_stoichiometry():
    # S08, CHEM: 1 % CaCO3, 15 cm, bulk density 1.3
    tonnes = float(sulfur.free_lime_sulfur_kg_ha(np.array(1.0), Layer(15, 1.3))) / 1000
    assert tonnes == pytest.approx(6.25, abs=0.05)
    weight = ATOMIC_WEIGHT
    lime = weight["Ca"] + weight["C"] + 3 * weight["O"]
    assert figure("sulfur_limits", "s_per_caco3").value == pytest.approx(
        weight["S"] / lime, rel=1e-3
    )


def test_acid_loving_table_is_held_as_printed():
    # S19, MICH-S: loam from 6.5 to 4.5; selectable, never a default
    from geo.lookup import read_table

    row = next(
        r for r in read_table("sulfur_requirement")
        if (r["table"], r["texture"], r["ph"]) == ("to_4.5", "loam", "6.5")
    )  # fmt: skip
    assert float(row["amount"]) == pytest.approx(2020, abs=5)
    assert row["unit"] == "lb/ac"
    assert row["is_default"] == "0"


def test_tables_disagree_as_published():
    # amendment-rates 2.2: sand from 8.5 to 6.5 is 684 / 1660 / 2242 kg/ha
    found = sulfur.table_sulfur_kg_ha(np.array(8.5), "sand", 6.5, SIX_INCH)
    assert float(found["per_ph"]) == pytest.approx(684, abs=2)
    assert float(found["to_6.5"]) == pytest.approx(1660, abs=2)
    handbook = float(found["handbook_to_6.5"])
    assert handbook == pytest.approx(kg_ha_from_lb_ac(2000.0) * 6 / 6.5, abs=2)
    low, high = sulfur.buffer_sulfur_kg_ha(np.array(8.5), "sand", 6.5, SIX_INCH)
    assert float(low) == pytest.approx(684, abs=2)
    assert float(high) == pytest.approx(max(float(v) for v in found.values()))


def test_no_sulfur_at_or_below_the_action_level():
    low, _ = sulfur.buffer_sulfur_kg_ha(np.array([6.4, 7.5]), "loam", 6.5, SIX_INCH)
    assert low.tolist() == [0, 0]


@given(
    st.floats(6.5, 9.0), st.floats(0, 1), st.sampled_from(["sand", "loam", "clay"]),
    st.sampled_from(["per_ph", "to_6.5", "handbook_to_6.5"]),
)  # fmt: skip
def test_each_table_never_asks_less_at_a_higher_ph(ph, more, texture, table):
    found = sulfur.table_sulfur_kg_ha(np.array([ph, ph + more]), texture, 6.5, SIX_INCH).get(table)
    if found is not None and np.isfinite(found).all():
        assert found[1] >= found[0] - 1e-9


def test_twice_the_depth_is_twice_the_sulfur():
    once, _ = sulfur.buffer_sulfur_kg_ha(np.array(8.2), "loam", 6.5, SIX_INCH)
    twice, _ = sulfur.buffer_sulfur_kg_ha(np.array(8.2), "loam", 6.5, Layer(30.48, 1.3))
    assert float(twice) == pytest.approx(2 * float(once))


@pytest.mark.parametrize(
    ("ph", "free_lime", "years", "gated"),
    [
        ([6.0, 7.3], None, [], True),
        ([6.0, 7.2], None, [], False),
        ([6.0, 6.5], None, [4.0], True),
        ([6.0, 6.5], None, [12.0], False),
        ([8.0], 0.0, [1.0], False),
    ],
)
def test_one_gate_a_block(ph, free_lime, years, gated):
    found = sulfur.free_lime_gate(np.array(ph), free_lime, years)
    assert (found is not None) == gated


def test_not_worthwhile_where_free_lime_takes_two_tonnes():
    # amendment-rates 2.3: 0.32 % in 15 cm at bulk density 1.3 takes 2 t/ha
    amount = float(sulfur.free_lime_sulfur_kg_ha(np.array(0.32), Layer(15, 1.3)))
    assert amount == pytest.approx(2000, abs=10)
    assert sulfur.not_worthwhile(amount + 10)
    assert not sulfur.not_worthwhile(1500.0)


def test_pass_caps_lie_near_the_published_split():
    # CLEM: 218-436 lb/ac per pass on turf
    assert sulfur.pass_cap_kg_ha(None) == sulfur.pass_cap_kg_ha(5.0) == 250
    assert sulfur.pass_cap_kg_ha(20.0) == 450
    assert lb_ac_from_kg_ha(250.0) == pytest.approx(218, rel=0.03)
    assert lb_ac_from_kg_ha(450.0) < 436


def test_unknown_texture_counts_as_sand():
    assert [sulfur_texture(c) for c in (None, 9.0, 10.0, 35.0)] == ["sand", "sand", "loam", "clay"]
