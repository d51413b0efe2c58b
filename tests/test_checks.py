"""Each value alone, beside its row, beside its neighbours; and nothing thrown away unsaid."""

from dataclasses import replace
from datetime import date
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from shapely import Polygon

from geo.blocks import Block, BlockSettings, make_block, read_outlines
from geo.checks import check_samples
from geo.farm import create_farm, known_points, read_records, store_reading
from geo.findings import Finding
from geo.intake.files import read_file
from geo.intake.reading import Result
from geo.intake.samples import SampleSet

DEMO = Path(str(files("demo_geodata"))) / "ombervale"
SQUARE = Polygon([(0, 0), (200, 0), (200, 200), (0, 200)])


@pytest.fixture
def block():
    return Block("Square", "square", SQUARE, SQUARE, "EPSG:32734", 4.0)


def sample_set(columns, qualifiers=(), **more):
    """Twenty-five samples on a grid, without a laboratory."""
    n = len(next(iter(columns.values())))
    ids = [f"A-{i + 1:02d}" for i in range(n)]
    x, y = np.meshgrid(np.arange(20, 200, 40.0), np.arange(20, 200, 40.0))
    table = pd.DataFrame({"x_m": x.ravel()[:n], "y_m": y.ravel()[:n]} | columns, index=ids)
    signs = dict(qualifiers)
    cells = {
        (s, key): Result(
            s, s, key, f"{table.loc[s, key]:g}", float(table.loc[s, key]),
            signs.get((s, key), ""), "NH4OAc pH 7", "mg/kg", i + 2, key.upper(), file="lab.csv",
        )
        for key in columns
        for i, s in enumerate(ids)
    }  # fmt: skip
    samples = SampleSet(
        "Square", 2024, date(2024, 5, 14), "", (0.0, 15.0),
        dict.fromkeys(columns, "NH4OAc pH 7"), table, cells, (), table.iloc[:0], (),
    )  # fmt: skip
    return replace(samples, **more)


def soil(seed=1, n=25, centre=100.0, spread=0.35):
    return centre * np.exp(np.random.default_rng(seed).normal(0, spread, n))


def rules(checked):
    return [f.rule for f in checked.findings]


def test_a_tenfold_value_is_asked_about_and_a_tenth_proposed(block):
    k = soil()
    k[7] = 1000.0
    checked = check_samples(sample_set({"k": k, "ca": soil(2, centre=600)}), block)
    (finding,) = [f for f in checked.findings if f.rule == "ten_times"]
    assert (finding.sample_ids, finding.keys) == (("A-08",), ("k",))
    assert (finding.file, finding.row, finding.column) == ("lab.csv", 9, "K")
    assert finding.repair == {"value": "100"}
    assert checked.open == (("A-08", "k"),)
    assert np.isnan(checked.usable.loc["A-08", "k"])
    assert checked.samples.table.loc["A-08", "k"] == 1000.0


def test_a_tenth_is_found_as_well(block):
    k = soil()
    k[3] = 9.0
    checked = check_samples(sample_set({"k": k}), block)
    (finding,) = [f for f in checked.findings if f.rule == "ten_times"]
    assert finding.repair == {"value": "90"}


def test_a_spot_rich_in_everything_is_left_alone(block):
    columns = {key: soil(i, centre=c) for i, (key, c) in
               enumerate((("k", 100), ("ca", 600), ("mg", 60)))}  # fmt: skip
    for values in columns.values():
        values[7] *= 10
    assert "ten_times" not in rules(check_samples(sample_set(columns), block))


@pytest.mark.parametrize("spread", [0.1, 0.35, 0.6])
def test_ordinary_soils_raise_no_false_alarm(block, spread):
    # 200 log-normal columns of 25 samples: at most one in a hundred may be asked about.
    asked = sum(
        "ten_times" in rules(check_samples(sample_set({"zn": soil(s, 25, 5.0, spread)}), block))
        for s in range(200)
    )
    assert asked <= 2


def test_a_value_a_person_has_decided_on_is_not_asked_about_again(block):
    k = soil()
    k[7] = 1000.0
    samples = sample_set({"k": k}, answered=frozenset({("A-08", "k")}))
    checked = check_samples(samples, block)
    assert checked.open == ()
    assert checked.usable.loc["A-08", "k"] == 1000.0


def test_an_impossible_pair_opens_both_ph_and_offers_the_swap(block):
    water = 5.5 + 0.1 * np.arange(25) / 25
    kcl = water - 0.8
    water[4], kcl[4] = kcl[4], water[4]
    checked = check_samples(sample_set({"ph_water": water, "ph_kcl": kcl}), block)
    (finding,) = [f for f in checked.findings if f.rule == "impossible_pair"]
    assert finding.repair == {"swap": "ph_water ph_kcl"}
    assert checked.open == (("A-05", "ph_water"), ("A-05", "ph_kcl"))


def test_a_lost_decimal_sign_of_ph_is_offered_back(block):
    ph = np.full(25, 5.5)
    ph[2] = 54.0
    checked = check_samples(sample_set({"ph_water": ph}), block)
    (finding,) = [f for f in checked.findings if f.rule == "implausible"]
    assert finding.repair == {"value": "5.4"}


@pytest.mark.parametrize(
    ("many", "said"), [(1, "1 value lies outside the usual"), (2, "2 values lie outside the usual")]
)
def test_unusual_values_are_counted_in_words_that_agree(block, many, said):
    mg = soil(3, centre=150.0, spread=0.1)
    mg[:many] = 19.3 if many == 1 else (19.3, 18.4)
    checked = check_samples(sample_set({"mg": mg}), block)
    messages = [f.message for f in checked.findings if f.rule == "unusual"]
    assert [m.startswith(f"Magnesium: {said} 20 to 2000 mg/kg") for m in messages] == [True]


def test_below_a_limit_half_of_it_stands_in_and_above_the_limit_itself(block):
    values = soil()
    values[0], values[1] = 5.0, 300.0
    checked = check_samples(
        sample_set({"s": values}, {("A-01", "s"): "<", ("A-02", "s"): ">"}), block
    )
    assert checked.usable.loc[["A-01", "A-02"], "s"].tolist() == [2.5, 300.0]
    assert checked.censored == {("A-01", "s"): ("<", 5.0), ("A-02", "s"): (">", 300.0)}
    assert {"below_limit", "above_limit"} <= set(rules(checked))


def test_below_an_unknown_limit_stays_open(block):
    samples = sample_set({"b": soil(centre=0.5)})
    cells = dict(samples.cells)
    cells["A-01", "b"] = replace(cells["A-01", "b"], value=None, qualifier="<", text="nd")
    checked = check_samples(replace(samples, cells=cells), block)
    assert checked.open == (("A-01", "b"),)
    assert np.isnan(checked.usable.loc["A-01", "b"])


def test_repeats_are_averaged_and_kept(block):
    samples = sample_set({"k": soil()})
    first = samples.cells["A-03", "k"]
    twice = (replace(first, value=100.0), replace(first, value=120.0, repeat=1))
    checked = check_samples(replace(samples, repeats={("A-03", "k"): twice}), block)
    assert checked.usable.loc["A-03", "k"] == 110.0
    assert checked.repeats == {("A-03", "k"): (100.0, 120.0)}


def test_a_sample_outside_is_in_no_map_until_it_is_moved(block):
    samples = sample_set({"k": soil()})
    samples.table.loc["A-25", "x_m"] = 212.0
    checked = check_samples(samples, block)
    (finding,) = [f for f in checked.findings if f.rule == "outside_block"]
    assert "12.0 m outside Square" in finding.message
    assert checked.left_out == (("A-25", "12.0 m outside Square"),)
    assert np.isnan(checked.usable.loc["A-25", "k"])


def test_its_planned_spot_is_offered_if_one_is_known(block):
    samples = sample_set({"k": soil()})
    samples.table.loc["A-25", "x_m"] = 212.0
    checked = check_samples(samples, block, planned={"A-25": (18.0, -34.0)})
    (finding,) = [f for f in checked.findings if f.rule == "outside_block"]
    assert finding.repair == {"lon": "18.0", "lat": "-34.0"}


def test_a_sample_in_a_hole_is_outside(block):
    pond = Polygon([(90, 90), (110, 90), (110, 110), (90, 110)])
    pierced = replace(block, outline=SQUARE.difference(pond))
    samples = sample_set({"k": soil()})  # A-13 lies at 100, 100
    assert [s for s, _ in check_samples(samples, pierced).left_out] == ["A-13"]


def test_a_metre_outside_is_the_noise_of_a_receiver(block):
    samples = sample_set({"k": soil()})
    samples.table.loc["A-25", "x_m"] = 201.0
    checked = check_samples(samples, block)
    assert checked.left_out == ()
    assert "edge_of_block" in rules(checked)


def test_two_samples_at_one_place_are_both_kept(block):
    samples = sample_set({"k": soil()})
    samples.table.loc["A-02", ["x_m", "y_m"]] = samples.table.loc["A-01", ["x_m", "y_m"]].to_numpy()
    checked = check_samples(samples, block)
    assert rules(checked).count("same_place") == 1
    assert checked.usable.loc[["A-01", "A-02"], "k"].notna().all()


def test_a_question_of_the_file_keeps_its_values_out(block):
    question = Finding("unit_missing", "open", "K has no unit.", sample_ids=("A-01", "A-02"),
                       keys=("k",))  # fmt: skip
    checked = check_samples(sample_set({"k": soil(), "ca": soil(2)}, findings=(question,)), block)
    assert checked.open == (("A-01", "k"), ("A-02", "k"))
    assert checked.usable.loc["A-01", "ca"] > 0


def test_findings_come_in_order_of_consequence(block):
    k = soil()
    k[7], k[0] = 1000.0, 19.0
    order = [f.severity for f in check_samples(sample_set({"k": k}), block).findings]
    assert order == sorted(order, key=("refused", "open", "warning", "note").index)


def test_the_exchange_capacity_is_the_sum_of_charges(block):
    # 1 cmol(+)/kg is Ca 200.4, Mg 121.5, K 391, Na 229.9 mg/kg (ratings reference, section 1.1).
    columns = {"ca": 1002.0, "mg": 243.0, "k": 195.5, "na": 114.95, "exch_acidity": 2.0}
    samples = sample_set({key: np.full(9, value) for key, value in columns.items()})
    row = check_samples(samples, block).usable.iloc[0]
    assert row["ecec"] == pytest.approx(5 + 2 + 0.5 + 0.5 + 2)
    assert row["esp"] == pytest.approx(5.0)
    assert row["base_saturation"] == pytest.approx(80.0)
    assert row["ca_mg"] == pytest.approx(2.5)


def test_cations_of_another_extractant_give_no_exchange_capacity(block):
    samples = sample_set({key: np.full(9, 100.0) for key in ("ca", "mg", "k", "na")})
    checked = check_samples(
        replace(samples, methods=dict.fromkeys(samples.methods, "Mehlich-3")), block
    )
    assert "ecec" not in checked.usable
    assert "ca_mg" in checked.usable


def test_nothing_that_was_given_is_changed(block):
    k = soil()
    k[7] = 1000.0
    samples = sample_set({"k": k})
    before = samples.table.copy()
    check_samples(samples, block)
    pd.testing.assert_frame_equal(samples.table, before)


@pytest.mark.parametrize("n", [1, 2, 5])
def test_few_samples_and_equal_ones_are_no_trouble(block, n):
    checked = check_samples(sample_set({"k": np.full(n, 100.0)}), block)
    assert checked.open == ()
    assert len(checked.usable) == n


# The demo farm: seven planted defects, and nothing else (its written specification, section 6)


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = tmp_path_factory.mktemp("farm") / "ombervale"
    names = ("outline_poel.shp", "outline_kniee.geojson", "outline_werfie.kml")
    outlines = [read_outlines(DEMO / n)[0][0] for n in names]
    blocks = [make_block(outline, BlockSettings()) for outline in outlines]
    create_farm(folder, outlines)
    for name, season in (("gps_2024.csv", 2024), ("lab_2024.csv", 2024), ("lab_2025.csv", 2025)):
        reading = read_file(
            DEMO / name, season=season, blocks=blocks, known_points=known_points(folder, season)
        )
        store_reading(folder, reading, season)
    return folder


def checked_layers(farm, season, block):
    records = read_records(farm, season, block)
    return [check_samples(samples, records.block) for samples in records.layers]


def test_poel_2024_asks_for_one_potassium_and_one_pair_of_ph(farm):
    (checked,) = checked_layers(farm, 2024, "Poel")
    assert len(checked.samples.table) == 38
    assert set(checked.open) == {("P-05", "ph_water"), ("P-05", "ph_kcl"), ("P-24", "k")}
    tenth = next(f for f in checked.findings if f.rule == "ten_times")
    assert (tenth.file, tenth.row, tenth.column) == ("lab_2024.csv", 28, "K")
    assert tenth.repair == {"value": "0.204"}
    assert {"same_place", "measured_twice"} <= set(rules(checked))
    assert checked.usable.loc["P-17", "ph_water"] == pytest.approx(5.15)


def test_kniee_2024_keeps_one_sample_out_and_one_in_a_layer_of_its_own(farm):
    top, deep = checked_layers(farm, 2024, "Knieë")
    assert (len(top.samples.table), len(deep.samples.table)) == (25, 1)
    assert [s for s, _ in top.left_out] == ["2-12"]
    assert {s for s, _ in top.open} == {"2-12"}
    assert (deep.samples.depth_cm, list(deep.usable.index)) == ((0.0, 30.0), ["2-13"])
    assert deep.open == ()


def test_werfie_2024_asks_which_bag_is_w10(farm):
    (checked,) = checked_layers(farm, 2024, "Werfie")
    assert {s for s, _ in checked.open} == {"W09"}
    assert checked.usable.loc["W09", "k"] != checked.usable.loc["W09", "k"]
    assert rules(checked).count("same_bag_twice") == 1


@pytest.mark.parametrize(("block", "count"), [("Poel", 30), ("Knieë", 20), ("Werfie", 10)])
def test_nothing_is_asked_in_2025(farm, block, count):
    (checked,) = checked_layers(farm, 2025, block)
    assert len(checked.samples.table) == count
    assert checked.open == ()
    assert checked.left_out == ()


@pytest.mark.parametrize("block", ["Poel", "Knieë", "Werfie"])
def test_boron_of_2024_is_not_analysed_and_not_nought(farm, block):
    for checked in checked_layers(farm, 2024, block):
        assert "b" in checked.samples.not_analysed
        assert checked.usable["b"].isna().all()


def test_what_was_not_analysed_is_said_of_the_block_and_layer_it_is_true_of(farm):
    said = {
        (block, checked.samples.depth_cm[1], finding.keys[0]): finding.message
        for block in ("Poel", "Knieë", "Werfie")
        for checked in checked_layers(farm, 2024, block)
        for finding in checked.findings
        if finding.rule == "not_analysed"
    }
    # Clay was analysed at 12 stations of the three blocks, none of them the one taken to 30 cm;
    # the buffer was run where pH is under 6.5, nowhere in Werfie (specification, section 6).
    assert {place[:2] for place in said if place[2] == "clay"} == {("Knieë", 30.0)}
    assert ("Werfie", 15.0, "buffer_ph") in said
    assert ("Poel", 15.0, "buffer_ph") not in said
    assert said["Werfie", 15.0, "buffer_ph"] == (
        "Buffer pH: not analysed in 2024 (Werfie, 0-15 cm; 'not run' in every cell)."
    )
    # a cell left blank is nothing to quote
    assert "every cell" not in said["Knieë", 30.0, "clay"]


def test_sodium_stands_high_in_the_foot_of_kniee(farm):
    # Specification section 9: ESP above 10 at 9 of the 12 stations of the foot, 5 of 14 in the
    # upright, counted over all 26; two of them are held back here.
    (top, _) = checked_layers(farm, 2024, "Knieë")
    number = top.usable.index.str.removeprefix("2-").astype(int)
    foot = top.usable.index[(number >= 12) & (number <= 16) | (number >= 20)]
    high = top.usable["esp"] > 10
    assert high[foot].sum() >= 7
    assert high.drop(foot).sum() <= 6


# Layout


@pytest.mark.parametrize(
    ("corners", "y_of", "said"),
    [
        (((0, 0), (200, 0), (200, 200), (0, 200)), lambda x: 100 + 0 * x, True),
        (((0, 0), (200, 0), (200, 200), (0, 200)), lambda x: x, True),  # the diagonal
        (((0, 0), (200, 0), (200, 200), (0, 200)), lambda x: 100 + 60 * (-1) ** (x // 20), False),
        (((0, 90), (200, 90), (200, 110), (0, 110)), lambda x: 100 + 0 * x, False),  # a strip
    ],
)
def test_samples_on_one_line_through_a_wide_block_are_said(corners, y_of, said):
    outline = Polygon(corners)
    block = Block("Square", "square", outline, outline, "EPSG:32734", outline.area / 1e4)
    samples = sample_set({"k": soil(n=9)})
    x = np.linspace(20, 180, 9)
    samples.table["x_m"], samples.table["y_m"] = x, y_of(x)
    checked = check_samples(samples, block)
    assert ("samples_in_line" in rules(checked)) is said
    assert checked.open == ()
