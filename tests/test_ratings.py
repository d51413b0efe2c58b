"""Ratings against published classes; C numbers are check cases of the reference pack on ratings."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student
from shapely import box

from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.intake.reading import Result
from geo.intake.samples import SampleSet
from geo.lookup import Tables, farm_tables
from geo.rating.methods import match_method, resolve_method
from geo.rating.schemes import LEVELS, classify, finding_of, soil_schemes
from geo.ratings import class_chances, level_words, rate_samples
from geo.settings import BlockSettings
from geo.units import cmol_of

METHODS = {
    "ph_water": "water 1:2.5",
    "ph_kcl": "1 M KCl",
    "oc": "Walkley-Black",
    "p": "Mehlich-3",
    "k": "NH4OAc pH 7",
    "ca": "NH4OAc pH 7",
    "mg": "NH4OAc pH 7",
    "na": "NH4OAc pH 7",
    "s": "Ca-phosphate",
    "zn": "DTPA",
    "mn": "DTPA",
    "fe": "DTPA",
    "cu": "DTPA",
    "b": "hot water",
    "ec": "saturation extract",
}


def survey(values, methods=None, units=None, **checks):
    """A checked survey of samples S1, S2, ... by hand; `values` maps key -> list."""
    ids = [f"S{i + 1}" for i in range(len(next(iter(values.values()))))]
    table = pd.DataFrame(values, index=ids, dtype=float)
    methods = METHODS if methods is None else methods
    cells = {
        (i, key): Result(i, i, key, "", 1.0, "", methods.get(key, ""), unit, 1, key)
        for key, unit in (units or {}).items()
        for i in ids
    }
    samples = SampleSet(
        block="A",
        season=2024,
        sampled_on=None,
        laboratory="",
        depth_cm=(0, 15),
        methods=methods,
        table=table,
        cells=cells,
        not_analysed=checks.pop("not_analysed", ()),
        composites=checks.pop("composites", table.iloc[:0]),
        findings=(),
    )
    blank = {"findings": (), "left_out": (), "open": (), "censored": {}, "repeats": {}}
    return CheckedSamples(samples=samples, usable=table, **(blank | checks))


def block(crop="wine_grape", **site):
    square = box(0, 0, 100, 100)
    return Block("A", "a", square, square, "EPSG:32734", 1.0, BlockSettings(crop=crop, **site))


def rate(values, crop="wine_grape", tables=None, clay_pct=17.0, **more):
    checked = survey({key: [value] for key, value in values.items()}, **more)
    return rate_samples(checked, (), block(crop, clay_pct=clay_pct), tables)


def one(key, value, method=None, crop="wine_grape", **more):
    methods = None if method is None else {key: method}
    return rate({key: value}, crop=crop, methods=methods, **more).block[key]


@pytest.mark.parametrize(
    ("value", "level", "index"),
    [(18, "medium", "2"), (24, "medium", "2"), (30, "high", "3")],
)
def test_olsen_index(value, level, index):
    """C14 [NISR_2019_81]: 18 and 24 mg/L are index 2, 30 mg/L index 3."""
    rating = one("p", value, "Olsen", "field_crop", units={"p": "mg/L"})
    assert (rating.level, rating.source) == (level, "NISR_2019_81")
    assert LEVELS.index(rating.level) == int(index)


@pytest.mark.parametrize(
    ("key", "method", "value", "level"),
    [
        ("p", "Olsen", 12, "low"),  # between low and optimal
        ("k", "NH4OAc pH 7", 200, "medium"),  # optimal
        ("zn", "DTPA", 0.2, "very_low"),
    ],
)
def test_orchard(key, method, value, level):
    """C15 [WSU_EM119]."""
    rating = one(key, value, method, "orchard")
    assert (rating.level, rating.source) == (level, "WSU_EM119")
    assert rating.target == (level == "medium")


@pytest.mark.parametrize(("ohm", "level"), [(300, "medium"), (250, "low"), (190, "very_low")])
def test_paste_resistance_is_a_hazard_when_low(ohm, level):
    """C17 [SA_WINE]: vines suffer under 300 ohm, the soil is saline under 200."""
    rating = one("paste_resistance", ohm)
    assert rating.level == level
    assert rating.finding == ("safe" if ohm >= 300 else "hazard")


def test_saturation_of_the_exchange_complex():
    """C6 [IDEALSOIL]: CEC 11.4; Ca 1250, Mg 116, K 89, Na 26 ppm are 55, 8.5, 2.0, 1.0 %."""
    printed = {"ca": (1250, 55), "mg": (116, 8.5), "k": (89, 2.0), "na": (26, 1.0)}
    for key, (mg_kg, percent) in printed.items():
        assert 100 * cmol_of(key, mg_kg) / 11.4 == pytest.approx(percent, rel=0.02)


@pytest.mark.parametrize(
    ("value", "clay", "level"),
    [
        (49, 8, "low"),  # [SA_TABLE]: 50-80 mg/kg suffices under 10 % clay
        (60, 8, "medium"),
        (60, 17, "low"),  # 90-140 above
        (95, 17, "medium"),
        (150, 17, "high"),
    ],
)
def test_potassium_by_texture(value, clay, level):
    rating = one("k", value, clay_pct=clay)
    assert (rating.level, rating.source) == (level, "SA_TABLE")


def test_texture_of_the_sample_then_the_block_then_the_farm():
    sample = rate({"k": 60, "clay": 8}).soil
    assert next(r for r in sample if r.key == "k").why.count("sample's own") == 1
    checked = survey({"k": [60, 60], "clay": [8, np.nan]})
    ratings = rate_samples(checked, (), block(clay_pct=30))
    second = next(r for r in ratings.soil if (r.sample_id, r.key) == ("S2", "k"))
    assert "median of the block" in second.why
    assert "farm.toml" in one("k", 60, clay_pct=17).why
    assert one("k", 60, clay_pct=None).level == "ask"


@pytest.mark.parametrize(
    ("clay", "ph_kcl", "critical"),
    [(4, 4.5, 20), (10, 4.5, 25), (20, 5.5, 25), (15, 5.5, 20), (5, 6.5, 10), (20, 6.0, 15)],
)
def test_bray_norms_by_texture_and_ph(clay, ph_kcl, critical):
    """Section 2.1 of the ratings pack [SA_WINE]; 15 % clay still counts as loamy."""
    values = {"p": 18, "ph_kcl": ph_kcl}
    methods = METHODS | {"p": "Bray-1"}
    level = rate(values, methods=methods, clay_pct=clay).critical["p"]
    assert (level.value, level.side, level.source) == (critical, "below", "SA_WINE")


def test_mehlich_phosphorus_of_vines_falls_back():
    """No wine-grape table for Mehlich-3: field crops' 72 lb/ac [NJAES_M3], 36 mg/kg, said aloud."""
    ratings = rate({"p": 16})
    rating = ratings.block["p"]
    assert rating.fallback
    assert "fall-back to field crops" in rating.why
    assert (rating.value, rating.unit, rating.level) == (32, "lb/ac", "low")
    assert ratings.critical["p"].value == pytest.approx(36)
    assert ratings.critical["p"].fallback


def test_critical_levels_of_the_demo_methods():
    """Targets of the pack: pH 6.0, Mg 120 (>6 % clay), B 0.3 hot water; ECe 1.5 from memory."""
    values = {"ph_water": 5.5, "mg": 62, "b": 0.32, "ec": 1.0}
    critical = rate(values).critical
    assert {key: level.value for key, level in critical.items() if key != "mg_k"} == {
        "ph_water": 6.0,
        "mg": 120,
        "b": 0.3,
        "ec": 1.5,
    }
    assert critical["ec"].side == "above"
    assert critical["ec"].from_memory
    assert not critical["mg"].from_memory


def test_organic_carbon_goes_to_the_organic_matter_table():
    """x 1.724 [RL2011_T6.1], flagged; 1.2 % OC is 2.07 % OM, target from 2 % [UMN_T29]."""
    ratings = rate({"oc": 1.2})
    rating = ratings.block["oc"]
    assert (rating.level, rating.source) == ("medium", "UMN_T29")
    assert rating.value == pytest.approx(2.0688)
    assert "1.724" in rating.why
    assert ratings.critical["oc"].value == pytest.approx(2 / 1.724)


@pytest.mark.parametrize(
    ("key", "method", "level"),
    [
        ("p", "Colwell", "low"),  # own table [RL2011_T9.4], not Olsen's
        ("k", "", "ask"),
        ("k", "exchangeable", "ask"),
        ("k", "Bray", "no_table"),
        ("k", "Morgan", "no_table"),
        ("s", "", "ask"),
        ("zn", "our own brew", "ask"),
        ("b", "", "ask"),
        ("ph_water", "saturated paste", "ask"),
        ("no3_n", "KCl", "no_table"),  # never on vines
        ("p", "Mehlich-1", "ask"),  # Piedmont or Coastal Plain
        ("mn", "Mehlich-3", "no_table"),  # only an index is published
    ],
)
def test_the_method_must_match(key, method, level):
    assert one(key, 12, method).level == level


EXTRACTED = ("p", "k", "ca", "mg", "na", "s", "zn", "mn", "fe", "cu", "b")


@given(
    st.sampled_from([(s.key, s.method) for s in soil_schemes(Tables()) if s.key in EXTRACTED]),
    st.sampled_from(["DTPA", "EDTA", "Mehlich-3", "Mehlich-1", "Olsen", "Bray-1", "hot water"]),
)
def test_never_with_the_extractant_of_another(pair, method):
    """A table may rate a value only if the method named is its own extractant."""
    key, extractant = pair
    match = match_method(key, method)
    if match is not None and (key, extractant) in match.rate_as:
        assert method.lower() in extractant.lower()


def test_vines_by_dtpa_fall_back_to_orchard_not_to_edta():
    """Section 0 of the pack: DTPA Zn, Mn, Cu of vines go to the orchard table."""
    for key in ("zn", "mn", "cu"):
        rating = one(key, 0.3)
        assert (rating.source, rating.fallback) == ("WSU_EM119", True)
        assert one(key, 0.3, "EDTA").source == "SA_WINE"


def test_milligrams_in_a_litre_do_not_meet_a_table_in_a_kilogram():
    assert one("p", 20, "Mehlich-3", units={"p": "mg/L"}).level == "no_table"
    hazard = one("b", 0.6, "saturation extract", units={"b": "mg/L"})
    assert (hazard.finding, hazard.source) == ("hazard", "USDA_MAAS_B")  # 0.5-0.75 mg/L


HAZARDS = {"na": 300, "esp": 20, "sar": 5, "ec": 5, "caco3": 20, "cl": 900, "al_saturation": 40}


@pytest.mark.parametrize("key", HAZARDS)
def test_a_hazard_is_never_called_deficient(key):
    methods = METHODS | {"cl": "1:5 water"}
    for value in (0.01, HAZARDS[key]):
        rating = rate({key: value}, methods=methods).block[key]
        assert rating.sense == "hazard_high"
        assert rating.finding == ("safe" if value < 0.1 else "hazard")
        assert "deficient" not in level_words(rating)
        assert rating.finding not in ("low", "adequate")
    assert level_words(rating).startswith("hazard")


def test_magnesium_to_potassium_is_derived_on_equivalents():
    """Mg:K below 2.0 in equivalents warns [RL2011_15M1]: 121.5 mg Mg and 391 mg K are 1:1."""
    rating = rate({"mg": 121.5, "k": 391}).block["mg_k"]
    assert rating.value == pytest.approx(1.0)
    assert rating.finding == "hazard"
    assert rate({"mg": 365, "k": 391}).block["mg_k"].finding == "safe"


def test_effective_cec_is_labelled():
    rating = one("ecec", 8)
    assert rating.sense == "descriptive"
    assert "effective CEC" in rating.why


@pytest.mark.parametrize(
    ("key", "value", "method", "crop", "level", "source"),
    [
        ("b", 2.5, "hot water", "wine_grape", "high", "RL2011_12C1"),
        ("b", 6.0, "hot water", "wine_grape", "very_high", "RL2011_12C1"),
        ("zn", 6.0, "EDTA", "wine_grape", "very_high", "PRACT"),  # 10 x 0.5
    ],
)
def test_excess_watch(key, value, method, crop, level, source):
    """Section 0 of the pack: limits where the default has no class above the target."""
    rating = one(key, value, method, crop)
    assert (rating.level, rating.source, rating.excess) == (level, source, True)
    assert rating.finding == "high"
    assert not one(key, value / 10, method, crop).excess


def test_not_analysed_is_an_answer():
    ratings = rate({"ph_water": 6.2, "k": 100}, not_analysed=("b",))
    assert ratings.block["b"].level == "not_analysed"
    assert ratings.block["b"].value is None
    assert ratings.block["no3_n"].level == "not_analysed"
    assert level_words(ratings.block["zn"]) == "not analysed"
    assert "b" not in ratings.critical


def test_missing_and_open_cells():
    checked = survey({"k": [100, np.nan, np.nan]}, open=(("S3", "k"),))
    levels = [r.level for r in rate_samples(checked, (), block(clay_pct=17)).soil]
    assert levels == ["medium", "not_analysed", "ask"]


def test_a_value_below_detection_says_so():
    rating = rate({"s": 2.5}, censored={("S1", "s"): ("<", 5.0)}).soil[0]
    assert "<5" in rating.why


def test_a_sample_left_out_is_not_rated():
    checked = survey({"k": [100, 100]}, left_out=(("S2", "lost"),))
    assert {r.sample_id for r in rate_samples(checked, (), block(clay_pct=17)).soil} == {"S1"}


def test_composites_are_rated():
    composite = pd.DataFrame({"k": [70.0]}, index=["A"])
    checked = survey({"k": [100]}, composites=composite)
    ratings = rate_samples(checked, (), block(clay_pct=17)).soil
    assert [(r.sample_id, r.level) for r in ratings] == [("S1", "medium"), ("A", "low")]


def test_memory_stands_on_the_rating():
    """CaCl2 limits are derived by an offset, not published: the pack marks them memory."""
    assert one("ph_cacl2", 5.0, "0.01 M CaCl2").from_memory
    assert not one("ph_kcl", 5.0).from_memory


def test_another_published_scheme_can_be_chosen():
    """[UMN_T29] wants K above 150, extractant unstated: only by choice, and said."""
    rating = one("k", 120, tables=Tables(choice={"k": "UMN_T29"}))
    assert (rating.source, rating.level) == ("UMN_T29", "low")
    assert "not stated" in rating.why
    piedmont = Tables(choice={"p": "UGA_WGP; Piedmont"})
    assert one("p", 12, "Mehlich-1", tables=piedmont).level == "medium"  # 24 of 21-40 lb/ac


def test_a_table_of_your_own_rates_and_is_named(tmp_path):
    header = (
        "key,extractant,clay_pct,ph_kcl,condition,unit,crop,level,lower,upper,"
        "is_default,is_target,sense,source"
    )
    rows = [
        "k,NH4OAc,,,,mg/kg,wine_grape,low,,110,1,0,need,yours",
        "k,NH4OAc,,,,mg/kg,wine_grape,medium,110,,1,1,need,yours",
    ]
    (tmp_path / "mine.csv").write_text("\n".join([header, *rows]), encoding="utf-8")
    rating = one("k", 100, tables=farm_tables(tmp_path, {"soil_sufficiency": "mine.csv"}))
    assert (rating.level, rating.source) == ("low", "yours")
    assert "your own table" in rating.why


def test_units_of_the_table_or_of_the_print():
    """[WSU_EM119] prints K in ppm and in meq; the unit as printed decides between the two."""
    printed = one("k", 0.5 * 391, crop="orchard", units={"k": "meq/100 g"})
    assert (printed.unit, printed.level) == ("meq/100 g", "medium")
    assert one("k", 0.5 * 391, crop="orchard").unit == "mg/kg"


@pytest.mark.parametrize(
    ("key", "text", "method"),
    [
        ("ph_water", "pH (H2O) 1:2.5", "water 1:2.5"),
        ("k", "Exchangeable, NH4OAc pH 7", "NH4OAc pH 7"),
        ("p", "P-M3 (ICP)", "Mehlich-3"),
        ("p", "Bray II", "Bray-2"),
        ("p", "bicarbonate P 1:100, 16 h", "Colwell"),
        ("b", "hot 0.01 M CaCl₂", "hot 0.01 M CaCl2"),
        ("s", "mono-calcium phosphate", "Ca-phosphate"),
        ("buffer_ph", "SMP buffer", "SMP"),
        ("zn", "unheard of", "unheard of"),
    ],
)
def test_words_of_laboratories(key, text, method):
    assert resolve_method(key, text) == method


@given(st.sampled_from(soil_schemes(Tables())), st.floats(0, 1e4), st.floats(0, 1e4))
def test_more_is_never_a_lower_class(scheme, one_value, other):
    low, high = sorted((one_value, other))
    first, second = classify(scheme, low), classify(scheme, high)
    assert LEVELS.index(first.level) <= LEVELS.index(second.level)
    if scheme.sense == "need":
        order = ("low", "adequate", "high")
        assert order.index(finding_of(scheme, first)) <= order.index(finding_of(scheme, second))


@pytest.mark.parametrize(
    ("values", "rule"),
    [
        ({"ph_water": 5.2}, "acid"),  # [WCSS2006] [OENO_LIME]
        ({"ph_water": 8.2}, "alkaline"),  # [RL2011_4]
        ({"ca_mg": 5}, "ca_to_mg"),  # [RL2011_15M1]
        ({"mg": 100, "k": 391}, "mg_to_k"),
        ({"caco3": 5, "p": 20}, "lime_in_extract"),  # Bray-1 fails above 2 % lime [RL2011_9E]
        ({"b": 0.5}, "boron_margin"),  # [SA_WINE]
    ],
)
def test_interactions_are_noted(values, rule):
    notes = rate(values, methods=METHODS | {"p": "Bray-1"}).notes
    assert rule in {note.rule for note in notes}
    assert all("[" in note.message for note in notes)


def test_no_interaction_where_there_is_none():
    assert rate({"ph_water": 6.5, "ca_mg": 3, "k": 60, "mg": 150}).notes == ()


CLASSES = (
    ("low", None, 90.0, False),
    ("medium", 90.0, 140.0, True),
    ("high", 140.0, None, False),
)


def test_class_chances_are_those_of_students_t():
    """Against scipy.stats' own distribution; certain when there is no doubt."""
    chances = class_chances(CLASSES, mean=100.0, sd=20.0, dof=14, logs=False)
    assert float(chances["low"]) == pytest.approx(student.cdf(-0.5, 14))
    assert float(chances["high"]) == pytest.approx(student.sf(2.0, 14))
    logs = class_chances(CLASSES, mean=np.log(100.0), sd=0.2, dof=14, logs=True)
    assert float(logs["low"]) == pytest.approx(student.cdf(np.log(0.9) / 0.2, 14))
    sure = class_chances(CLASSES, mean=np.array([80.0, 120.0]), sd=1e-9, dof=14, logs=False)
    assert sure["low"].tolist() == pytest.approx([1, 0])
    assert sure["medium"].tolist() == pytest.approx([0, 1])


@given(st.floats(0, 400), st.floats(0.1, 200), st.floats(1, 60))
def test_class_chances_add_up(mean, sd, dof):
    chances = class_chances(CLASSES, mean, sd, dof, logs=False)
    assert sum(float(c) for c in chances.values()) == pytest.approx(1)
    assert all(-1e-12 <= float(c) <= 1 for c in chances.values())


def demo_column(year, column, block_letter):
    """Cells of a demo laboratory file for one block, first determination of each bag."""
    folder = Path(__file__).parent.parent / "demo_geodata" / "ombervale"
    encoding, sign = {2024: ("cp1252", ";"), 2025: ("utf-8-sig", ",")}[year]
    lines = (folder / f"lab_{year}.csv").read_text(encoding=encoding).splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("Sample"))
    cells = {}
    for row in csv.DictReader(lines[start:], delimiter=sign):
        if row["Sample"].startswith(block_letter):
            cells.setdefault(row["Sample"], row[column].replace(",", "."))
    return list(cells.values())


def test_boron_of_the_demo_block_in_2025():
    """Demo specification, section 9: low at 13 of 30 samples, limit 0.3 mg/kg by hot water."""
    cells = demo_column(2025, "B hot water ppm", "P")
    values = [float(c.lstrip("<")) / (2 if c.startswith("<") else 1) for c in cells]
    ratings = rate_samples(survey({"b": values}), (), block(clay_pct=17)).soil
    assert len(ratings) == 30
    assert sum(rating.finding == "low" for rating in ratings) == 13
    assert {rating.source for rating in ratings} == {"SA_WINE"}


def test_magnesium_of_the_demo_block_in_2024():
    """Demo specification, section 9: under 120 mg/kg at 37 of 38 samples."""
    cmol = [float(c) for c in demo_column(2024, "Mg", "P")]
    values = [121.5 * value for value in cmol]
    ratings = rate_samples(survey({"mg": values}), (), block(clay_pct=17)).soil
    assert (len(ratings), sum(rating.finding == "low" for rating in ratings)) == (38, 37)


def test_boron_of_2024_was_not_analysed():
    assert set(demo_column(2024, "B", "P")) == {"n.a."}
