"""Gypsum rules against published examples (tests/data/amendment_cases.csv)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.requirements import gypsum
from geo.requirements.shared import figure

SITE = {"depth_cm": 15.0, "bulk_density_mg_m3": 1.4, "stones_pct": 0.0}


def test_published_example():
    # S09 and S10, ALI11 example 8.7: CEC 22, ESP 35 to 15, 40 cm
    sodium = np.array(22 * (35 - 15) / 100)
    rule = figure("gypsum", "rule_t_ha_30cm").value
    tonnes = float(gypsum.rule_gypsum_t_ha(sodium, 40, rule))
    assert tonnes == pytest.approx(22.58, abs=0.05)
    assert tonnes * figure("gypsum", "field_factor").value == pytest.approx(28.23, abs=0.05)


def test_oster_equation():
    # S11, OSTER
    tonnes = gypsum.oster_gypsum_t_ha(
        np.array(15), np.array(20), depth_m=0.30, bulk_density_mg_m3=1.4, final_esp=5,
        efficiency=1.1, purity_pct=90,
    )  # fmt: skip
    assert float(tonnes) == pytest.approx(8.83, abs=0.05)


def test_sodium_rule():
    # S12, SAWINE: 460 mg/kg exchangeable, 300 mm
    sodium = gypsum.exchangeable_sodium_cmol_kg(np.array(460.0), soluble_mg_kg=0.0)
    rule = figure("gypsum", "rule_t_ha_300mm").value
    assert float(gypsum.rule_gypsum_t_ha(sodium, 30, rule)) == pytest.approx(6.8, abs=0.05)


def test_no_rate_at_or_below_the_trigger():
    rates = gypsum.gypsum_requirement_kg_ha(np.array([6.0, 10.0, 10.1]), np.array(5.0), **SITE)
    assert rates[0] == rates[1] == 0
    assert rates[2] > 0


@given(st.floats(0, 40), st.floats(0, 20), st.floats(1, 30))
def test_never_less_for_more_sodium(esp, more, cec):
    low, high = gypsum.gypsum_requirement_kg_ha(np.array([esp, esp + more]), np.array(cec), **SITE)
    assert high >= low - 1e-9


def test_twice_the_depth_is_twice_the_gypsum_and_stones_need_none():
    once = gypsum.gypsum_requirement_kg_ha(np.array(15.0), np.array(8.0), **SITE)
    deep = {**SITE, "depth_cm": 30.0}
    stony = {**SITE, "stones_pct": 20.0}
    assert gypsum.gypsum_requirement_kg_ha(np.array(15.0), np.array(8.0), **deep) == pytest.approx(
        2 * once
    )
    assert gypsum.gypsum_requirement_kg_ha(np.array(15.0), np.array(8.0), **stony) == pytest.approx(
        0.8 * once
    )


@pytest.mark.parametrize(("drainage", "waits"), [("yes", False), ("no", True), (None, True)])
def test_gypsum_waits_for_drainage(drainage, waits):
    assert (gypsum.drainage_question(drainage) is not None) == waits
