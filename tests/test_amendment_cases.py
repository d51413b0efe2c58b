"""The twenty worked cases of tests/data/amendment_cases.csv, each with its source in the file."""

import csv
from pathlib import Path

import numpy as np
import pytest

from geo.lookup import read_table
from geo.requirements import gypsum, lime, sulfur
from geo.requirements.nutrients import build_up_kg_ha
from geo.requirements.shared import Layer, figure
from geo.units import (
    element_from_compound,
    kg_ha_from_lb_1000ft2,
    ton_ac_from_t_ha,
)

TEXT = (Path(__file__).parent / "data" / "amendment_cases.csv").read_text(encoding="utf-8")
CASES = list(csv.DictReader(TEXT.splitlines()))


def _sulfur_loam(ph, target):
    found = sulfur.table_sulfur_kg_ha(np.array(ph), "loam", target, Layer(15.24, 1.3))
    return float(found["per_ph"]) / kg_ha_from_lb_1000ft2(1.0)


def _cell(name, column, **wanted):
    rows = read_table(name)
    return float(next(r for r in rows if all(r[k] == v for k, v in wanted.items()))[column])


def _rule(rule, safety):
    sodium = np.array(22 * (35 - 15) / 100)
    tonnes = gypsum.rule_gypsum_t_ha(sodium, 40, figure("gypsum", rule).value)
    return float(tonnes) * safety


def _oster():
    return gypsum.oster_gypsum_t_ha(
        np.array(15), np.array(20), depth_m=0.3, bulk_density_mg_m3=1.4, final_esp=5,
        efficiency=1.1, purity_pct=90,
    )  # fmt: skip


def _sodium_rule():
    sodium = gypsum.exchangeable_sodium_cmol_kg(np.array(460.0))
    return gypsum.rule_gypsum_t_ha(sodium, 30, figure("gypsum", "rule_t_ha_300mm").value)


SIKORA = lime.buffer_table("sikora")
ANSWERS = {
    "S01": lambda: ton_ac_from_t_ha(lime.mehlich_lime_t_ha(np.array(1.2), np.array(5.0), 6.0)),
    "S02": lambda: ton_ac_from_t_ha(lime.buffer_lime_t_ha(np.array(6.0), 5.6, SIKORA)),
    "S03": lambda: lime.base_saturation_lime_t_ha(np.array(5.46), np.array(8.42), 60) / 0.80,
    "S04": lambda: lime.texture_lime_t_ha(np.array(4.5), 5.5, "clay loam", np.array(1.0)),
    "S05": lambda: lime.eksteen_lime_t_ha(*(np.array(v) for v in (1.2, 1.5, 0.2, 0.8))),
    "S06": lambda: lime.neutralizing_pct(92, {20: 98, 60: 75, 100: 60}, "new_york"),
    "S07": lambda: _sulfur_loam(8.5, 6.5),
    "S08": lambda: sulfur.free_lime_sulfur_kg_ha(np.array(1.0), Layer(15, 1.3)) / 1000,
    "S09": lambda: _rule("rule_t_ha_30cm", 1.0),
    "S10": lambda: _rule("rule_t_ha_30cm", figure("gypsum", "field_factor").value),
    "S11": _oster,
    "S12": _sodium_rule,
    "S14": lambda: build_up_kg_ha(np.array(22.0), 30, Layer(30, 1.5), 1),
    "S15": lambda: 55 / figure("nutrient_rates", "tri_state_p2o5").value,
    "S16": lambda: 30 * _cell("crop_removal", "value", element="k", basis="uptake"),
    "S17": lambda: ton_ac_from_t_ha(1.0),
    "S18": lambda: -_cell("materials", "value", key="ammonium_sulfate", quantity="caco3_per_100"),
    "S19": lambda: _cell("sulfur_requirement", "amount", table="to_4.5", texture="loam", ph="6.5"),
    "S20": lambda: element_from_compound(100.0, "P2O5"),
}


@pytest.mark.parametrize("case", [c for c in CASES if c["case_id"] != "S13"],
                         ids=lambda c: f"{c['case_id']} {c['topic']} ({c['source']})")  # fmt: skip
def test_worked_case(case):
    found = float(ANSWERS[case["case_id"]]())
    assert found == pytest.approx(float(case["expected"]), abs=float(case["tolerance"]))


def test_every_case_is_answered():
    # S13, the treated band, is about a block: test_requirements has it.
    assert {c["case_id"] for c in CASES} == {*ANSWERS, "S13"}
