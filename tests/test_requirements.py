"""Draws through the rules on blocks made up here; tables and laws are tested beside the rules."""

import dataclasses
from datetime import date

import numpy as np
import pandas as pd
import pytest
from shapely import box

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.export.layers import to_lonlat
from geo.intake.reading import Application, TissueTest
from geo.intake.samples import SampleSet
from geo.lookup import Tables
from geo.ratings import rate_samples
from geo.requirements import lime
from geo.requirements.draws import QUESTIONS, find_requirements, requirement_grid
from geo.settings import BlockSettings, Settings, SpreaderSettings
from geo.surfaces import Surface
from geo.units import KG_PER_LB

E, N, CRS = 407_000.0, 6_240_000.0, "EPSG:32734"
OUTLINE = box(E, N, E + 200, N + 150)
SITE = BlockSettings(
    planted=2006, row_azimuth_deg=25.0, row_spacing_m=2.4, bulk_density_mg_m3=1.4,
    clay_pct=17.0, amended_depth_cm=15.0, yield_t_ha=8.0, drainage="yes",
)  # fmt: skip
METHODS = {
    "ph_water": "water 1:2.5", "buffer_ph": "Sikora", "k": "NH4OAc pH 7", "mg": "NH4OAc pH 7",
    "ca": "NH4OAc pH 7", "p": "Mehlich-3", "b": "hot water", "exch_acidity": "pH 7",
}  # fmt: skip
SOIL = {"ph_water": 5.4, "buffer_ph": 6.5, "k": 60.0, "mg": 62.0, "ca": 620.0, "p": 16.0, "b": 0.2}
UNITS = {"ph_water": "pH", "buffer_ph": "pH", "esp": "%", "ecec": "cmol(+)/kg"}


def block_of(**site):
    settings = dataclasses.replace(SITE, **site)
    return Block("Noordkamp", "noordkamp", OUTLINE, to_lonlat(OUTLINE, CRS), CRS, 3.0, settings)


def samples_of(soil, season=2024):
    n = 12
    table = pd.DataFrame({k: np.full(n, v) for k, v in soil.items()}, [f"S{i}" for i in range(n)])
    table["x_m"], table["y_m"] = E + 15.0 * np.arange(n), N + 10.0 * np.arange(n)
    made = SampleSet(
        block="Noordkamp", season=season, sampled_on=date(season, 5, 15), laboratory="",
        depth_cm=(0.0, 15.0), methods=METHODS, table=table, cells={}, not_analysed=(),
        composites=table.iloc[:0], findings=(),
    )  # fmt: skip
    return CheckedSamples(made, table, (), (), (), {}, {})


def surface_of(key, value, grid, sd=0.0):
    flat = np.where(grid.inside, value, np.nan)
    unit = UNITS.get(key, "mg/kg")
    return Surface(
        key, unit, METHODS.get(key, ""), grid, flat, np.where(grid.inside, sd, np.nan), flat, flat,
        None, None, "below", False, None, None, "weak", "", 12, value, value - sd, value + sd, (),
    )  # fmt: skip


def ask(soil=SOIL, *, season=2024, tissue=(), applications=(), sd=0.0, settings=None, only=None,
        tables=None, **site):  # fmt: skip
    block, settings = block_of(**site), settings or Settings()
    checked = samples_of(soil, season)
    grid = requirement_grid(block, settings)
    surfaces = {key: surface_of(key, value, grid, sd) for key, value in soil.items()}
    ratings = rate_samples(checked, tissue, block)
    found = find_requirements(
        surfaces, ratings, checked, block, settings, season, tissue, applications,
        grid=grid, count=50, only=only, tables=tables,
    )  # fmt: skip
    return {r.amendment: r for r in found}


def leaf(name, organ="petiole", stage="full bloom", **values):
    units = {"k": "%", "mg": "%", "b": "mg/kg"}
    kept = {k: (v, units[k]) for k, v in values.items()}
    return TissueTest(name, "Noordkamp", "", stage, organ, date(2024, 11, 12), kept)


def limed(day, kg_ha=3200.0, where=None, placement="surface, full width"):
    wkt = to_lonlat(where, CRS).wkt if where is not None else ""
    return Application(
        day, "Noordkamp", "", "calcitic lime", "lime", "85 % CaCO3-eq", kg_ha, None, placement, wkt
    )


def test_the_grid_follows_rows_and_swath():
    block = block_of()
    wide = Settings(spreader=SpreaderSettings(width_m=4.8))
    grid = requirement_grid(block, wide)
    assert grid.turn_deg == pytest.approx(65.0)
    assert 4.8 / 3 - 1e-9 <= grid.spacing_m <= 4.8 / 2 + 1e-9
    assert grid.inside.sum() < 20_000


def test_lime_is_the_printed_cell_on_the_amended_layer():
    # OSU9585: Sikora 6.5 to 6.0 is 1.2 ton/ac in 6 inches
    found = ask(stones_pct=12.0)["lime"]
    by_hand = 1.2 * 2000 * KG_PER_LB / 0.40468564224 * 15 / 15.24 * 0.88
    assert found.kind == "rate"
    assert found.draws == pytest.approx(by_hand, rel=1e-5)
    assert "OSU9585" in found.sources
    assert found.inputs["product"][0] == "dolomitic_lime"
    assert found.quantile == pytest.approx(0.4)


def test_before_planting_the_target_is_higher_and_too_little_costs_as_much():
    # OSU9585: Sikora 6.5 to 6.4 is 1.8 ton/ac
    found = ask(planted=2030)["lime"]
    by_hand = 1.8 * 2000 * KG_PER_LB / 0.40468564224 * 15 / 15.24
    assert found.draws == pytest.approx(by_hand, rel=1e-5)
    assert found.quantile == 0.5


def test_every_possible_lime_method_is_shown():
    soil = {**SOIL, "exch_acidity": 1.2, "ecec": 5.0, "base_saturation": 76.0}
    names = " ".join(ask(soil)["lime"].alternatives)
    for word in ("Sikora", "Eksteen", "base saturation", "texture"):
        assert word in names


def test_no_lime_above_the_action_level_even_with_a_buffer_test():
    found = ask({**SOIL, "ph_water": 6.8})["lime"]
    assert found.none_needed.startswith("No lime here: pH 6.8")
    assert found.held is None


def test_a_buffer_below_the_table_is_referred():
    assert "below 4.8" in ask({**SOIL, "buffer_ph": 4.6})["lime"].held


def test_lime_on_file_is_credited_where_it_lies():
    west = box(E, N, E + 100, N + 150)
    found = ask(season=2025, applications=[limed(date(2024, 5, 15), where=west)])["lime"]
    bare = ask(season=2025)["lime"]
    months = 365 / 30.4375
    credit = 3200 * 0.85 * lime.not_reacted_share(months, incorporated=False)
    limed_cells = found.grid.cells()[:, 0] < E + 100
    left = np.maximum(bare.draws[:, limed_cells] - credit, 0)
    assert found.draws[:, limed_cells] == pytest.approx(left, rel=1e-5)
    assert found.draws[:, ~limed_cells] == pytest.approx(bare.draws[:, ~limed_cells])
    assert any("credited" in reason for reason in found.reasons)


def test_lime_after_the_sampling_is_the_growers_own_decision():
    found = ask(applications=[limed(date(2024, 7, 9))])["lime"]
    assert found.draws == pytest.approx(ask()["lime"].draws)
    assert any("own decision" in reason for reason in found.reasons)


def test_the_record_with_an_outline_stands_for_the_one_without():
    west = box(E, N, E + 100, N + 150)
    day = date(2024, 5, 15)
    both = ask(season=2025, applications=[limed(day), limed(day, where=west)])["lime"]
    one = ask(season=2025, applications=[limed(day, where=west)])["lime"]
    assert both.draws == pytest.approx(one.draws)


def test_potassium_waits_for_the_leaf():
    held = ask()["potassium"]
    assert held.kind == "held"
    assert "petiole" in held.held
    short = ask(tissue=[leaf("T3", k=0.95)])["potassium"]  # UC_K: 1.0 % or less may be deficient
    assert short.kind == "rate"
    assert any("T3" in reason for reason in short.reasons)
    assert ask(tissue=[leaf("T1", k=1.85)])["potassium"].kind == "held"


@pytest.mark.parametrize("key", ["boron", "magnesium"])
def test_a_limit_from_memory_never_releases(key):
    # Petiole limits at bloom for Mg and B are from memory (soil-ratings section 3)
    found = ask(tissue=[leaf("T1", b=20.0, mg=0.20)])[key]
    assert found.kind == "held"
    assert "memory" in found.held


def test_a_leaf_without_its_organ_releases_nothing():
    assert ask(tissue=[leaf("T3", organ="", k=0.95)])["potassium"].kind == "held"


def test_before_planting_the_soil_alone_decides():
    found = ask(planted=2030)
    assert found["potassium"].kind == found["boron"].kind == "rate"
    assert found["boron"].draws.max() <= 1.1  # the ceiling


def test_unknown_planting_is_asked():
    assert "planted" in ask(planted=None)["potassium"].held


def test_phosphorus_by_a_field_crop_extractant_makes_no_rate():
    found = ask(planted=2030)["phosphorus"]
    assert found.kind == "no_data"
    assert "Mehlich-3" in found.held


def test_not_analysed_is_not_zero():
    soil = {k: v for k, v in SOIL.items() if k != "b"}
    found = ask(soil)["boron"]
    assert found.kind == "no_data"
    assert found.draws.shape[0] == 0
    assert "not analysed" in found.held


def test_copper_nitrogen_and_zinc_never_have_a_soil_rate():
    found = ask({**SOIL, "cu": 0.1, "zn": 0.1, "no3_n": 1.0}, planted=2030)
    for name in ("copper", "nitrogen", "zinc", "iron"):
        assert found[name].kind != "rate"
        assert not found[name].draws.any()


def test_sulfur_waits_for_free_lime():
    soil = {**SOIL, "ph_water": 7.8}
    assert "CaCO3" in ask(soil)["sulfur"].held
    free = ask(soil, free_lime_pct=0.0)["sulfur"]
    assert free.kind == "rate"
    assert free.cap_kg_ha == 450
    assert ask(soil, free_lime_pct=2.0)["sulfur"].kind == "not_worthwhile"


def test_no_sulfur_for_a_block_of_mild_ph_that_was_limed():
    found = ask({**SOIL, "ph_water": 5.6}, season=2025, applications=[limed(date(2024, 7, 9))])
    assert found["sulfur"].kind == "none_needed"


def test_gypsum_waits_for_drainage_and_says_upper_limit():
    soil = {**SOIL, "esp": 14.0, "ecec": 8.0}
    found = ask(soil)["gypsum"]
    assert found.kind == "rate"
    assert any("Upper limit" in reason for reason in found.reasons)
    assert any("ECEC" in reason for reason in found.reasons)
    # OSTER by hand: 8.6 x 1.1 x 0.15 x 1.4 x 8 x 9 / 100 t/ha
    assert found.draws == pytest.approx(8.6 * 1.1 * 0.15 * 1.4 * 8 * 9 / 100 * 1000, rel=1e-5)
    assert "drain" in ask(soil, drainage=None)["gypsum"].held
    assert ask({**soil, "esp": 8.0})["gypsum"].none_needed.endswith("structure and water.")


def test_a_band_takes_its_share_of_correction_but_all_of_removal():
    # CORNGRAPE (S13): 36 in band, 9 ft rows treat a third of the block
    band = {
        "placement": {"default": "full width", "potassium": "band"},
        "band_width_m": 36 * 0.0254,
        "row_spacing_m": 9 * 0.3048,
    }
    found = ask(tissue=[leaf("T3", k=0.95)], **band)["potassium"]
    assert found.treated_share == pytest.approx(1 / 3)
    removal = 1.98 * 8  # TEUBES
    full = (90 - 60) * 2.1 / 2
    assert found.draws == pytest.approx(full / 3 + removal, rel=1e-5)


def test_results_do_not_depend_on_what_else_is_asked():
    everything = ask(sd=0.3)["lime"]
    alone = ask(sd=0.3, only=["lime"])["lime"]
    assert np.array_equal(everything.draws, alone.draws)
    other = ask(sd=0.3, season=2025, only=["lime"])["lime"]
    assert not np.array_equal(other.draws, alone.draws)


def test_every_requirement_can_be_followed_to_its_figures():
    found = ask(tissue=[leaf("T3", k=0.95)])
    assert list(found) == list(QUESTIONS)
    for requirement in found.values():
        assert requirement.sources
        assert (requirement.held or requirement.none_needed) or requirement.kind == "rate"
        if requirement.kind == "rate":
            assert {"method", "formula", "depth", "bulk density", "stones"} <= set(
                requirement.inputs
            )


@pytest.mark.parametrize(
    ("soil", "name", "more"),
    [
        ({}, "lime", {"stones_pct": 12.0}),
        ({"ph_water": 7.8}, "sulfur", {"free_lime_pct": 0.0}),
        ({"esp": 14.0, "ecec": 8.0}, "gypsum", {}),
        ({}, "potassium", {"planted": 2030}),
        ({}, "magnesium", {"placement": {"default": "band"}, "band_width_m": 0.8}),
        ({}, "boron", {}),
    ],
)
def test_the_chain_ends_in_the_same_requirement_as_the_rule(soil, name, more):
    # A law: without doubt the rule at the mean is the rule everywhere.
    found = ask({**SOIL, **soil}, only=[name], **more)[name]
    links = found.steps({}, None)
    assert links[0].step == "soil test"
    end = next(link for link in links if link.step == "requirement")
    assert end.value == pytest.approx(float(found.draws.mean()), rel=1e-5)
    assert any(link.sources for link in links)


def test_boron_below_one_is_not_said_to_be_one():
    """A mean of 0.68 mg/kg, told whole, would read 1 mg/kg: three times a limit of 0.3."""
    found = ask({**SOIL, "b": 0.68}, only=["boron"], sd=0.17)["boron"]
    assert found.none_needed is not None
    assert "B 0.68 mg/kg on average" in found.none_needed


def test_what_a_band_lacks_is_named():
    band = {"placement": {"default": "band"}}
    cases = ((2.4, "band_width_m is"), (None, "band_width_m and row_spacing_m are"))
    for spacing, missing in cases:
        known = {**band, "planted": 2030, "row_spacing_m": spacing}
        said = ask({**SOIL, "k": 40.0}, only=["potassium"], **known)
        assert f"but {missing} not in farm.toml" in " ".join(said["potassium"].reasons)


def test_the_chain_is_that_of_the_zone_and_not_of_the_block():
    # OSU9585: Sikora 6.4 and 6.5 to 6.0 are 1.5 and 1.2 ton/ac
    links = ask(only=["lime"])["lime"].steps({"buffer_ph": 6.45, "ph_water": 5.2}, None)
    rows = [link.says for link in links if link.step == "table row"]
    assert [r.split("pH 6: ")[1][:10] for r in rows] == ["1.5 ton/ac", "1.2 ton/ac"]
    end = next(link for link in links if link.step == "requirement")
    by_hand = 1.35 * 2000 * KG_PER_LB / 0.40468564224 * 15 / 15.24
    assert end.value == pytest.approx(by_hand, rel=1e-5)
    none = ask(only=["lime"])["lime"].steps({"ph_water": 6.4}, None)
    assert next(link for link in none if link.step == "requirement").value == 0


def test_the_chain_of_a_hold_names_the_test_the_class_and_the_decision():
    links = ask(tissue=[leaf("T1", k=1.85)], only=["potassium"])["potassium"].steps({}, None)
    steps = [link.step for link in links]
    assert steps.index("soil test") < steps.index("tissue test") < steps.index("decision")
    test = next(link for link in links if link.step == "tissue test")
    assert "1.85 %" in test.says
    assert test.sources == ("UC_K",)


def test_above_the_excess_watch_none_is_applied():
    # RL2011_12C1: boron above 5 mg/kg (hot water) is very high
    soil = {**SOIL, "b": 6.0}
    none = ask(soil, only=["boron"], planted=2030)["boron"]
    assert none.kind == "none_needed"
    assert "excess watch" in none.none_needed
    doubtful = ask(soil, sd=3.0, only=["boron"], planted=2030)["boron"]
    stopped = next(link for link in doubtful.steps({}, None) if link.step == "decision")
    assert stopped.says.startswith("stop")
    assert doubtful.kind != "rate"


def dung(kg_ha, analysis="", product="cattle manure", day=date(2024, 7, 1), where=""):
    return Application(day, "Noordkamp", "", product, "organic", analysis, kg_ha, None, "", where)


def test_manure_after_the_sampling_counts_toward_the_potassium():
    # SAWINE Table 22: cattle manure 0.9 % K, 58 % water
    bare = ask(planted=2030, only=["potassium"])["potassium"]
    found = ask(planted=2030, only=["potassium"], applications=[dung(2000)])["potassium"]
    brought = 2000 * 0.42 * 0.9 / 100
    assert found.draws == pytest.approx(bare.draws - brought, rel=1e-4)
    assert any("cattle manure" in reason for reason in found.reasons)
    links = {link.step: link for link in found.steps({}, None)}
    assert links["credit"].value == pytest.approx(brought)
    assert links["requirement"].value == pytest.approx(float(found.draws.mean()), rel=1e-4)


def test_the_lots_own_analysis_goes_before_the_table():
    own = dung(2000, "K 1.5 %, moisture 40 %")
    bare = ask(planted=2030, only=["potassium"])["potassium"]
    found = ask(planted=2030, only=["potassium"], applications=[own])["potassium"]
    assert found.draws == pytest.approx(bare.draws - 2000 * 0.6 * 1.5 / 100, rel=1e-4)
    assert any("lot's own" in reason for reason in found.reasons)


def test_manure_that_the_soil_test_has_seen_is_not_counted_twice():
    before = dung(2000, day=date(2024, 3, 1))
    bare = ask(planted=2030, only=["potassium"])["potassium"]
    found = ask(planted=2030, only=["potassium"], applications=[before])["potassium"]
    assert found.draws == pytest.approx(bare.draws)


def test_manure_never_lowers_a_rate_below_nothing():
    found = ask(planted=2030, only=["potassium"], applications=[dung(50_000)])["potassium"]
    assert found.kind == "none_needed"
    assert not found.draws.any()


def test_nitrogen_says_what_the_water_brings_and_its_ceiling():
    # 2.72 lb/ac per acre-foot and ppm NO3-N (CHEM): 10 mg/L in 304.8 mm are 30.5 kg/ha;
    # IOBC: at most 5 kg N per tonne
    said = ask(irrigation_nitrate_n_mg_l=10.0, irrigation_mm=304.8, only=["nitrogen"])["nitrogen"]
    assert "30 kg N/ha" in said.held
    assert "40 kg N/ha at 8 t/ha" in said.held


def test_sodic_water_is_said_beside_the_gypsum():
    # HB60 (from memory): SAR 10 tends to ESP 11.9
    soil = {**SOIL, "esp": 14.0, "ecec": 8.0}
    found = ask(soil, irrigation_sar=10.0, only=["gypsum"])["gypsum"]
    assert any("ESP of about 12 %" in r and "repeated" in r for r in found.reasons)
    assert "HB60" in found.sources
    calm = ask(soil, irrigation_sar=2.0, only=["gypsum"])["gypsum"]
    assert any("does not undo" in r for r in calm.reasons)


def test_the_salt_of_the_water_is_a_note():
    # SA_IRR: 25 mm of 0.8 dS/m bring 128 kg/ha
    block = block_of(irrigation_ec_ds_m=0.8, irrigation_mm=25.0)
    notes = rate_samples(samples_of(SOIL), (), block).notes
    assert any("128 kg/ha of salt" in note.message for note in notes)


def test_own_cost_ratio_goes_before_the_default():
    own = Settings(cost_ratios={"lime": (3.0, 1.0)})
    assert ask(settings=own)["lime"].quantile == 0.75


def test_a_norm_of_the_farms_own_makes_a_rate_and_is_named():
    own = {
        "key": "p", "crop": "wine_grape", "method": "Mehlich-3", "clay_from": "", "clay_below": "",
        "ph_kcl_from": "", "ph_kcl_below": "", "norm": "30", "most": "", "unit": "mg/kg",
        "source": "yours", "verified": "", "is_default": "1", "note": "",
    }  # fmt: skip
    found = ask(tables=Tables(added={"nutrient_norms": (own,)}))["phosphorus"]
    assert found.kind == "rate"
    assert "yours" in found.sources
    # (30 - 16) x 2.1 / 4 years + 0.25 x 8 t/ha (TEUBES)
    assert found.draws == pytest.approx(14 * 2.1 / 4 + 2.0, rel=1e-5)
