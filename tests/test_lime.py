"""Lime rules against published examples and tables; the laws every rate must keep.

Worked cases: tests/data/amendment_cases.csv, each with its source. Printed breaks, where a rate may
rise with the soil test or is not proportional: the end of a buffer table (6.9 for Sikora), its step
between 5.8 and 5.7 (two regressions joined), and Ca:Mg 6 in Eksteen's formula.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import TableError
from geo.lookup import read_table
from geo.requirements import lime
from geo.requirements.shared import Layer, figure, figures
from geo.units import kg_ha_from_lb_ac, lb_ac_from_kg_ha, t_ha_from_ton_ac, ton_ac_from_t_ha

SIKORA = lime.buffer_table("sikora")
HALF_FOOT = Layer(15.24, 1.3)


def test_mehlich_example():
    # S01, NCDA prints 0.76 although 1.2 x 0.625 = 0.75
    tonnes = lime.mehlich_lime_t_ha(np.array(1.2), np.array(5.0), target_ph=6.0)
    assert float(ton_ac_from_t_ha(tonnes)) == pytest.approx(0.75, abs=0.02)


@pytest.mark.parametrize(
    ("buffer_ph", "target", "ton_ac"),
    [  # OSU9585; S02 is the first
        (6.0, 5.6, 1.7),
        (6.8, 6.0, 0.4),
        (5.8, 6.0, 3.1),
        (5.7, 6.0, 4.0),
        (4.8, 7.2, 23.2),
    ],
)
def test_sikora_table_cells(buffer_ph, target, ton_ac):
    tonnes = lime.buffer_lime_t_ha(np.array([buffer_ph]), target, SIKORA)
    assert float(ton_ac_from_t_ha(tonnes)[0]) == pytest.approx(ton_ac, abs=0.005)


def test_sikora_is_read_between_neighbours_only():
    # 6.65 to 6.0 lies between the printed 0.9 and 0.7; 5.75 between 3.1 and 4.0 (the break).
    at = lime.buffer_lime_t_ha(np.array([6.65, 5.75]), 6.0, SIKORA)
    assert ton_ac_from_t_ha(at) == pytest.approx([0.8, 3.55], abs=1e-9)
    # A target between columns: 6.2 between 2.5 (to 6.0) and 3.5 (to 6.4) at buffer pH 6.0.
    assert ton_ac_from_t_ha(lime.buffer_lime_t_ha(np.array([6.0]), 6.2, SIKORA)) == pytest.approx(
        [3.0]
    )


def test_nothing_above_the_table_and_no_answer_below_it():
    above, below = lime.buffer_lime_t_ha(np.array([6.95, 4.75]), 6.4, SIKORA)
    assert above == 0
    assert np.isnan(below)


def test_a_target_outside_the_table_is_refused():
    with pytest.raises(TableError, match="target_ph"):
        lime.buffer_lime_t_ha(np.array([6.0]), 7.5, SIKORA)


def test_cells_that_were_inferred_and_the_smp_table_say_so():
    marks = {(r["buffer_ph"], r["target_ph"]): r["verified"] for r in read_table("lime_requirement")
             if r["buffer"] == "sikora"}  # fmt: skip
    assert {k for k, v in marks.items() if v == "inferred"} == {
        ("5.1", "6.8"), ("5.0", "6.8"), ("4.9", "6.8")
    }  # fmt: skip
    assert lime.buffer_table("smp").from_memory
    assert not SIKORA.from_memory


def test_adams_evans_worked_arithmetic():
    # amendment-rates section 1.4, our arithmetic from the equation (which is from memory)
    tonnes = lime.adams_evans_lime_t_ha(np.array(7.70), np.array(5.2), target_ph=6.5)
    assert float(lb_ac_from_kg_ha(tonnes * 1000)) == pytest.approx(2109, abs=10)
    assert float(lime.adams_evans_saturation(np.array(5.2))) == pytest.approx(0.628, abs=0.001)


def test_base_saturation_example():
    # S03, BRAGR10: 3.5 t/ha of a lime of PRNT 80 %
    pure = lime.base_saturation_lime_t_ha(np.array(5.46), np.array(8.42), target_pct=60)
    assert float(pure) / 0.80 == pytest.approx(3.5, abs=0.05)


def test_texture_example():
    # S04, SFS: "about 3" for a clay loam from 4.5 to 5.5; 2.7 by the figure
    pure = lime.texture_lime_t_ha(np.array(4.5), 5.5, "clay loam", np.array(1.0))
    assert float(pure) == pytest.approx(2.7, abs=0.05)


def test_texture_adds_for_carbon_only_where_lime_is_due():
    with_carbon = lime.texture_lime_t_ha(np.array([4.5, 6.0]), 5.5, "clay loam", np.array(1.5))
    assert with_carbon == pytest.approx([1 / 0.37 + 0.4, 0.0])


@pytest.mark.parametrize(
    ("acidity", "ca", "mg", "organic", "tonnes"),
    [
        (1.2, 1.5, 0.2, 0.8, 7.49),  # S05, SAWINE formula, Ca:Mg above 6
        (1.2, 1.5, 0.5, 0.8, (12 - 1.25 * 1.5) * 0.727),  # Ca:Mg below 6
        (1.2, 1.5, 0.2, 2.5, 7.49 * 0.6),  # organic matter 2-3 %
        (0.1, 4.0, 1.0, 0.8, 0.0),  # floor at 0
    ],
)
def test_eksteen(acidity, ca, mg, organic, tonnes):
    found = lime.eksteen_lime_t_ha(*(np.array(v) for v in (acidity, ca, mg, organic)))
    assert float(found) == pytest.approx(tonnes, abs=0.05)


def test_neutralizing_value_from_sieves():
    # S06, CORNCCA scheme
    assert lime.neutralizing_pct(92, {20: 98, 60: 75, 100: 60}) == pytest.approx(74.7, abs=0.2)
    with pytest.raises(TableError, match="mesh 60"):
        lime.neutralizing_pct(92, {20: 98, 100: 60})


@pytest.mark.parametrize("scheme", ["new_york", "mississippi", "8-20-60", "oregon"])
def test_a_powder_is_worth_its_cce_and_gravel_nothing(scheme):
    meshes = [8, 10, 20, 40, 50, 60, 100]
    assert lime.neutralizing_pct(96, dict.fromkeys(meshes, 100.0), scheme) == pytest.approx(96)
    assert lime.neutralizing_pct(96, dict.fromkeys(meshes, 0.0), scheme) == pytest.approx(0)


@pytest.mark.parametrize(
    ("ratio", "mg", "clay", "dolomite"),
    [  # default order of amendment-rates 1.10
        (3.0, 62.0, 17.0, True),
        (8.0, None, 30.0, True),
        (3.0, None, 10.0, True),
        (3.0, None, 30.0, False),
        (8.0, 130.0, 10.0, False),  # magnesium above sufficiency goes before the other three
    ],
)
def test_dolomite_by_default_order(ratio, mg, clay, dolomite):
    assert (lime.dolomite_reason(ratio, mg, clay, enough_mg=120.0) is not None) == dolomite


def test_credit_of_lime_on_file_is_straight_lines():
    # amendment-rates 1.1, common practice: 1 on the day, 0.5 at 12 months, 0 at the end
    share = [lime.not_reacted_share(m, incorporated=False) for m in (0, 6, 12, 24, 36, 48)]
    assert share == pytest.approx([1, 0.75, 0.5, 0.25, 0, 0])
    assert lime.not_reacted_share(24, incorporated=True) == 0


def test_mehlich_residual_credit():
    # NCDA: 8 % a month on mineral, 16 % on organic soil
    assert lime.mehlich_credit_share(6) == pytest.approx(0.52)
    assert lime.mehlich_credit_share(7, organic=True) == 0


@pytest.mark.parametrize(
    ("clay", "incorporated", "cap"),
    [(None, False, 2200), (10, False, 2200), (15, False, 4500), (10, True, 9000)],
)
def test_pass_caps(clay, incorporated, cap):
    assert lime.pass_cap_kg_ha(clay, incorporated=incorporated) == cap
    low, high = (figure("lime_limits", n).value for n in ("top_dressed_low", "top_dressed_high"))
    if not incorporated:  # OSU9057: 1-2 ton/ac
        assert t_ha_from_ton_ac(low) * 1000 * 0.98 <= cap <= t_ha_from_ton_ac(high) * 1000 * 1.01


def test_twice_the_depth_is_twice_the_lime_and_stones_need_none():
    once = lime.for_layer(np.array([2.0]), HALF_FOOT, 15.24)
    twice = lime.for_layer(np.array([2.0]), Layer(30.48, 1.3), 15.24)
    stony = lime.for_layer(np.array([2.0]), Layer(15.24, 1.3, 25.0), 15.24)
    assert twice == pytest.approx(2 * once)
    assert stony == pytest.approx(0.75 * once)
    assert once == pytest.approx([2000])


@given(st.floats(4.8, 6.9), st.floats(0.0, 1.0), st.floats(5.6, 7.2))
def test_sikora_lime_never_rises_with_buffer_ph(buffer_ph, more, target):
    # Inside the table; its printed break at 5.8-5.7 is a steeper fall, not a rise.
    low, high = lime.buffer_lime_t_ha(np.array([buffer_ph, buffer_ph + more]), target, SIKORA)
    assert high <= low + 1e-9


@given(st.floats(3.5, 6.5), st.floats(0, 1), st.floats(0, 3), st.floats(5.5, 6.5))
def test_mehlich_lime_never_rises_with_ph(ph, more, acidity, target):
    low, high = lime.mehlich_lime_t_ha(np.array(acidity), np.array([ph, ph + more]), target)
    assert high <= low + 1e-9


@given(st.floats(4.5, 6.4), st.floats(0, 1), st.floats(7.0, 8.0), st.floats(6.0, 6.8))
def test_adams_evans_lime_never_rises_with_ph(ph, more, buffer_ph, target):
    pair = np.array([ph, ph + more])
    low, high = lime.adams_evans_lime_t_ha(np.array(buffer_ph), pair, target)
    assert high <= low + 1e-9


@given(st.floats(0, 3), st.floats(0.1, 8), st.floats(0.05, 3), st.floats(0, 1))
def test_eksteen_lime_never_falls_with_acidity_nor_rises_with_calcium(acidity, ca, mg, more):
    def rate(h, calcium):
        return float(lime.eksteen_lime_t_ha(*(np.array(v) for v in (h, calcium, mg, 0.5))))

    assert rate(acidity + more, ca) >= rate(acidity, ca) - 1e-9
    same_side = (ca >= 6 * mg) == (ca + more >= 6 * mg)
    if same_side:  # across Ca:Mg 6 the published formula has a break
        assert rate(acidity, ca + more) <= rate(acidity, ca) + 1e-9


@given(st.floats(1, 40), st.floats(0, 100), st.floats(0, 50))
def test_lime_by_base_saturation_never_rises_with_it(cec, saturation, more):
    now, later = (
        lime.base_saturation_lime_t_ha(cec, min(s, 100.0), 60.0)
        for s in (saturation, saturation + more)
    )
    assert later <= now + 1e-9


@given(st.floats(3.5, 8.5), st.floats(0, 2), st.sampled_from(["sand", "sandy loam", "clay"]))
def test_lime_by_texture_never_rises_with_ph(ph, more, texture):
    now, later = (
        float(lime.texture_lime_t_ha(np.asarray(p), 6.0, texture, np.asarray(2.0)))
        for p in (ph, ph + more)
    )
    assert later <= now + 1e-9


@given(st.floats(0, 1e5))
def test_rates_survive_the_round_trip_to_pounds(kg_ha):
    assert kg_ha_from_lb_ac(lb_ac_from_kg_ha(kg_ha)) == pytest.approx(kg_ha)


def test_every_constant_has_a_unit_or_says_why():
    for one in figures("lime_limits").values():
        assert one.unit, one.name
