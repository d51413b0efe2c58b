"""Spots of a plan stand beside what comes back: a sample outside may be moved to its own."""

import json
import math

import pytest
from shapely import box

from geo.blocks import Outline
from geo.checks import check_samples
from geo.farm import create_farm, read_records
from geo.store.planned import planned_places
from maps.cli import main
from maps.serving.answers import choices

#: Inside the block below. [deg]
SPOT = (20.001, -33.999)


@pytest.fixture
def farm(tmp_path):
    folder = tmp_path / "farm"
    create_farm(folder, [Outline("Land", box(20.0, -34.0, 20.002, -33.998), "x.kml", 1, "WGS84")])
    plan = folder / "plans" / "2026" / "plan.json"
    plan.parent.mkdir(parents=True)
    spots = [
        {"sample_id": name, "lon": SPOT[0] + east, "lat": SPOT[1]}
        for name, east in (("L-01", 0.0), ("L-02", 3e-4), ("L-03", 6e-4))
    ]
    plan.write_text(json.dumps({"schema": 1, "plans": [{"block": "Land", "spots": spots}]}))
    return folder


def results(folder, first):
    """A table with places; the first of three samples where it is said."""
    places = [first, (SPOT[0] + 3e-4, SPOT[1]), (SPOT[0] + 6e-4, SPOT[1])]
    rows = [f"L-0{n},{lat},{lon},6.{n}" for n, (lon, lat) in enumerate(places, start=1)]
    path = folder.parent / "lab.csv"
    path.write_text("\n".join(["sample,lat,lon,pH (water)", *rows]) + "\n")
    return path


def test_a_sample_outside_is_offered_its_planned_spot(farm, capsys):
    """A minute of arc is a nautical mile of 1,852 m, so 0.004 degrees north are about 445 m."""
    path = results(farm, (SPOT[0], SPOT[1] + 0.004))
    assert main(["add", str(farm), str(path), "--season", "2026"]) == 0
    assert " m from there, in Land." in capsys.readouterr().out
    records = read_records(farm, 2026, "Land")
    checked = check_samples(records.layer(), records.block, records.planned)
    (asked,) = [f for f in checked.findings if f.rule == "outside_block"]
    away_m = 0.004 * 60 * 1852
    said = int(asked.message.split("Its planned spot is ")[1].split(" m")[0])
    assert math.isclose(said, away_m, rel_tol=0.01)
    assert "outside Land" in asked.message
    assert (float(asked.repair["lon"]), float(asked.repair["lat"])) == SPOT
    assert choices(asked)[0] == ("agree", "Move to planned spot")


def test_planned_spots_are_no_stations_yet(farm):
    """The next plan repeats what was sampled, not what was only planned."""
    records = read_records(farm, 2026, "Land")
    assert set(records.planned) == {"L-01", "L-02", "L-03"}
    assert records.stations == {}
    assert read_records(farm, 2027, "Land").planned == {}  # another season's plan


@pytest.mark.parametrize("text", ["", "{", "[]", '{"plans": [{}]}', '{"plans": 3}'])
def test_a_damaged_plan_is_no_reason_to_stop(farm, text):
    (farm / "plans" / "2026" / "plan.json").write_text(text)
    assert planned_places(farm, 2026) == {}
    assert read_records(farm, 2026, "Land").planned == {}
