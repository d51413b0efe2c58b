"""One sample, equal samples, a handful: what is not known is said, never shown as no doubt."""

import json

import numpy as np
import pytest
from scipy import stats

from demo_geodata import OUTLINES, files, traps
from geo.noise import laboratory_sd
from maps.cli import main

#: The laboratory's own noise in pH: section C1 of the sampling reference, common practice.
PH_NOISE = 0.1

#: pH buffer of P-01 to P-05 in lab_2024.csv, read by eye.
FIVE_BUFFER_PH = (6.6, 6.5, 6.5, 6.6, 6.7)


@pytest.fixture(scope="module")
def trap(tmp_path_factory):
    return traps.write(tmp_path_factory.mktemp("traps"))


@pytest.fixture
def run(trap, tmp_path):
    """Run Poel 2024 from the usual stations and the results of a trap; its season.json."""

    def running(name):
        farm = tmp_path / "farm"
        outlines = [str(files() / outline) for outline in OUTLINES]
        assert main(["new", str(farm), "--outlines", *outlines]) == 0
        results = [str(files() / "gps_2024.csv"), str(trap[name])]
        assert main(["add", str(farm), *results, "--season", "2024"]) == 0
        assert main(["run", str(farm), "--season", "2024", "--block", "Poel"]) == 0
        return json.loads((farm / "seasons/2024/poel/season.json").read_text("utf-8"))

    return running


def test_one_sample_gives_a_rate_whose_range_is_said_to_be_unknown(run, capsys):
    document = run("one_sample")
    (rate,) = [r for r in document["rates"] if r["amendment"] == "lime"]
    assert rate["low_kg_ha"] < rate["rate_kg_ha"] <= rate["high_kg_ha"]
    assert not rate["range_known"]
    assert any("nothing about the rest of the block" in reason for reason in rate["reasons"])
    assert "real range not known" in capsys.readouterr().out
    assert document["surfaces"]["ph_water"]["mean_low"] is None


def test_equal_samples_are_no_surer_than_their_laboratory(run):
    document = run("all_equal")
    surface = document["surfaces"]["ph_water"]
    half = stats.t.ppf(5 / 6, surface["n"] - 1) * PH_NOISE
    assert surface["mean_high"] - surface["mean"] == pytest.approx(half, rel=1e-6)
    (rate,) = [r for r in document["rates"] if r["amendment"] == "lime"]
    assert rate["low_kg_ha"] < rate["high_kg_ha"]
    assert any("Every sample reads the same" in reason for reason in rate["reasons"])


def test_five_samples_give_a_range_as_wide_as_five_samples_are(run):
    surface = run("five_samples")["surfaces"]["buffer_ph"]
    buffer_ph = np.array(FIVE_BUFFER_PH)
    # they happen to lie closer together than one laboratory reads the same soil twice
    assert buffer_ph.std(ddof=1) < PH_NOISE
    half = stats.t.ppf(5 / 6, 4) * PH_NOISE / np.sqrt(5)
    assert surface["mean"] == pytest.approx(buffer_ph.mean(), abs=1e-9)
    assert surface["mean_high"] - surface["mean"] == pytest.approx(half, rel=1e-6)


@pytest.mark.parametrize("key", ["ph_water", "k", "zn", "ec"])
def test_noise_on_logs_is_that_of_the_value_over_the_value(key):
    assert laboratory_sd(key, 5.0, logs=True) == pytest.approx(laboratory_sd(key, 5.0) / 5.0)
