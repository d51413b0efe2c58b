"""Unit conversions against published worked cases; each names its source.

Keys in brackets are those of geo/tables/sources.toml; C and S numbers are the check cases of the
project's reference packs on ratings and rates.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo import units
from geo.errors import TableError
from geo.lookup import properties


def close(value: float, rel: float = 1e-3):
    return pytest.approx(value, rel=rel)


def test_phosphorus_of_an_acre_slice_halves():
    """C1 [AGBMPS]: 60 lb/ac is 30 ppm, and back."""
    assert units.to_house_unit("p", 60, "lb/ac")[0] == 30
    assert units.lb_ac_from_mg_kg(30) == 60


def test_pounds_of_oxide_from_ppm():
    """C3 [UMN_T29]: 30 ppm P and 150 ppm K are 60 and 300 lb/ac, 137 lb P2O5 and 361 lb K2O."""
    assert units.lb_ac_from_mg_kg(150) == 300
    assert units.compound_from_element(units.lb_ac_from_mg_kg(30), "P2O5") == close(137, 5e-3)
    assert units.compound_from_element(units.lb_ac_from_mg_kg(150), "K2O") == close(361, 2e-3)


def test_diluted_extract():
    """C4 [COURSE] Ex. 1: 50 g, 200 mL, 25 times, 4 ppm K: 400 ppm, 800 lb/ac, 1.02 meq/100 g."""
    potassium = units.mg_kg_from_extract(4, extract_ml=200, soil_g=50, dilution=25)
    assert potassium == 400
    assert units.lb_ac_from_mg_kg(potassium) == 800
    assert units.cmol_of("k", potassium) == close(1.02, 5e-3)


@pytest.mark.parametrize(
    ("key", "charge", "unit", "mg_kg"),
    [
        ("ca", 4, "meq/100 g", 800),  # C5 [COURSE2]
        ("al", 2, "cmol(+)/kg", 180),  # C5 [COURSE2]
        ("mg", 1, "meq/100g", 120),  # laboratories round to 200/120/390/230 [RL2011_A4]
        ("k", 1, "me/100g", 390),
        ("na", 10, "mmol(+)/kg", 230),
    ],
)
def test_charge_to_content(key, charge, unit, mg_kg):
    """Atomic weight over charge [RL2011_A4]; printed cases round, so 2 % is allowed."""
    assert units.to_house_unit(key, charge, unit)[0] == close(mg_kg, 0.02)


def test_calcium_at_a_share_of_the_exchange_capacity():
    """C7 [UCSC]: CEC 11, Ca at 65-75 % is 1430-1650 ppm (it rounds to 200); arithmetic only."""
    for share, ppm in ((0.65, 1430), (0.75, 1650)):
        assert units.to_house_unit("ca", share * 11, "meq/100 g")[0] == close(ppm, 5e-3)


@pytest.mark.parametrize(
    ("compound", "share"),
    [
        ("P2O5", 0.43642),  # T6 of the rates pack, stoichiometry [CHEM]
        ("K2O", 0.83014),
        ("MgO", 0.60304),
        ("CaO", 0.71470),
        ("SO4", 0.33375),
        ("NO3", 0.2259),  # [RL2011_A5]
        ("CaCO3", 1 / 2.497),  # computed in the ratings pack
    ],
)
def test_oxides_against_the_printed_factors(compound, share):
    assert units.element_share(compound) == close(share, 2e-4)


def test_a_hundred_kilograms_of_phosphate():
    """S20 [CHEM]: 100 kg P2O5 holds 43.64 kg P."""
    assert units.element_from_compound(100.0, "P2O5") == close(43.64, 2e-4)


@given(st.sampled_from(sorted(units.COMPOUNDS)), st.floats(0, 1e6))
def test_element_and_compound_round_trip(compound, amount):
    there = units.compound_from_element(amount, compound)
    assert units.element_from_compound(there, compound) == pytest.approx(amount)
    assert there >= amount


@pytest.mark.parametrize(
    ("function", "argument", "expected"),
    [
        (units.kg_ha_from_lb_ac, 400, 400 * 1.12085),  # section 6 of the rates pack [CHEM]
        (units.t_ha_from_ton_ac, 2.5, 5.604),
        (units.ton_ac_from_t_ha, 1, 0.44609),  # S17 [OSTER]
        (units.kg_ha_from_lb_1000ft2, 11, 537.07),
        (units.kg_ha_from_g_m2, 60, 600),
        (units.mg_m2_from_kg_ha, 350, 35_000),  # ISO 11783 writes mass per area in mg/m2
        (units.mmol_kg_from_mg_caco3_kg, 300, 5.995),
        (units.m_from_ft, 1, 0.3048),  # exact by definition
    ],
)
def test_rates_against_the_printed_factors(function, argument, expected):
    assert function(argument) == close(expected, 2e-4)


def test_row_metre():
    """Section 6 of the rates pack: 500 kg/ha in 2.4 m rows is 120 g a metre."""
    assert units.g_per_row_metre(500, 2.4) == close(120)


@pytest.mark.parametrize(
    ("depth_cm", "density", "kg_ha"),
    [
        (15, 1.3, 1.95),  # computed in section 1.1 of the ratings pack
        (20, 1.3, 2.6),
        (30, 1.5, 4.5),  # C11 [SA_WINE]: 1 mg P/kg over 300 mm takes 4.5 kg/ha
        (60, 1.5, 9.0),  # C11 [SA_WINE]
    ],
)
def test_layer(depth_cm, density, kg_ha):
    assert units.kg_ha_from_mg_kg(1.0, depth_cm, density) == close(kg_ha)


def test_stones_take_their_share_of_the_layer():
    """By volume: a layer of 12 % stones holds 88 % of the fine soil."""
    whole = units.layer_mass_t_ha(15, 1.4)
    assert whole == close(2100)  # 15 cm of 1.40 Mg/m3, arithmetic
    assert units.layer_mass_t_ha(15, 1.4, stones_pct=12) == close(0.88 * whole)


def test_other_slices():
    """Section 1.1 of the ratings pack: 12 in at the same density is x 3.6."""
    assert units.lb_ac_from_mg_kg(1.0, depth_in=12) == close(3.6)


def test_salt_brought_by_water():
    """C10 [SA_IRR]: 25 mm of 0.8 dS/m brings 128 kg salt/ha."""
    assert units.salt_kg_ha(0.8, 25) == close(128)


@pytest.mark.parametrize(("ohm", "ds_m"), [(300, 0.83), (200, 1.25)])
def test_paste_resistance(ohm, ds_m):
    """C17 [SA_IRR]."""
    assert units.ec_from_ohm(ohm) == close(ds_m, 5e-3)


def test_sodium_of_a_saturation_extract():
    """[HB60], from memory: ESP 15.2 at SAR 13, as the ratings pack computed it."""
    assert units.esp_from_sar(13.0) == close(15.2, 5e-3)
    assert units.sar_from_meq_l(na=10, ca=1.5, mg=0.5) == close(10)


@pytest.mark.parametrize(
    ("key", "value", "unit", "expected"),
    [
        ("ec", 1, "mmho/cm", 1),  # [RL2011_A5]: 1 dS/m = 1 mS/cm = 100 mS/m = 1000 uS/cm
        ("ec", 1, "mS/cm", 1),
        ("ec", 100, "mS/m", 1),
        ("ec", 1000, "µS/cm", 1),
        ("oc", 14.3, "g/kg", 1.43),
        ("p", 12, "ppm", 12),
        ("p", 100, "mg/kg P2O5", 43.64),
        ("k", 100, "ppm K2O", 83.0),
        ("k", 5, "mmolc/dm3", 195.5),
        ("no3_n", 44.27, "mg/kg NO3", 10),  # [RL2011_A5]
        ("s", 29.96, "ppm SO4", 10),  # [RL2011_A5]
        ("cl", 2, "meq/L", 70.9),  # [RL2011_14]
        ("ph_water", 6.1, "", 6.1),
        ("cec", 11.4, "meq/100 g", 11.4),
        ("ca", 3.2, "cmol kg⁻¹", 641.3),
    ],
)
def test_house_units(key, value, unit, expected):
    assert units.to_house_unit(key, value, unit)[0] == close(expected)


@pytest.mark.parametrize(
    ("key", "unit", "say"),
    [
        ("k", "bushels", "not a unit we know"),
        ("k", "", "not stated"),
        ("k", "kg/ha", "depth and density"),
        ("k", "%", "exchange capacity"),
        ("zn", "meq/100 g", "cannot become"),
        ("k", "mg/kg P2O5", "P2O5"),
    ],
)
def test_what_cannot_be_a_unit_is_refused_in_words(key, unit, say):
    with pytest.raises(TableError, match=say):
        units.to_house_unit(key, 1, unit)


def test_an_assumption_is_said():
    assert "slice" in units.to_house_unit("k", 200, "lb/ac")[1]
    assert "litre" in units.to_house_unit("p", 20, "mg/L")[1]
    assert units.to_house_unit("p", 20, "mg/kg")[1] == ""


def taken(key: str, unit: str) -> bool:
    try:
        units.house_factor(key, unit)
    except TableError:
        return False
    return True


PAIRS = [(k, u) for k in properties() for u in units.unit_words() if taken(k, u)]


@given(st.sampled_from(PAIRS), st.floats(-1e6, 1e6))
def test_house_unit_round_trip(pair, value):
    there, _ = units.to_house_unit(pair[0], value, pair[1])
    assert units.from_house_unit(pair[0], there, pair[1]) == pytest.approx(value)


@given(st.floats(0, 1e6), st.floats(1, 100), st.floats(0.5, 2), st.floats(0, 90))
def test_layer_round_trip(mg_kg, depth_cm, density, stones):
    there = units.kg_ha_from_mg_kg(mg_kg, depth_cm, density, stones)
    assert units.mg_kg_from_kg_ha(there, depth_cm, density, stones) == pytest.approx(mg_kg)


@given(st.floats(0, 1e6))
def test_imperial_round_trips(value):
    assert units.lb_ac_from_kg_ha(units.kg_ha_from_lb_ac(value)) == pytest.approx(value)
    assert units.t_ha_from_ton_ac(units.ton_ac_from_t_ha(value)) == pytest.approx(value)
    assert units.gal_ac_from_l_ha(units.l_ha_from_gal_ac(value)) == pytest.approx(value)
    assert units.om_from_oc(units.oc_from_om(value)) == pytest.approx(value)


def test_every_property_takes_its_own_house_unit():
    for key, prop in properties().items():
        assert units.to_house_unit(key, 2.0, prop.unit) == (2.0, "")
