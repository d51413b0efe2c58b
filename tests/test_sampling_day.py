"""The day of sampling: by the receiver, else as the file says, a laboratory's day last."""

from datetime import date

import pytest

from demo_geodata import OUTLINES, files
from geo.blocks import read_outlines
from geo.farm import create_farm, read_records, store_reading
from geo.intake.files import read_file


@pytest.fixture
def farm(tmp_path):
    outlines = [read_outlines(files() / name)[0][0] for name in OUTLINES]
    create_farm(tmp_path / "farm", outlines)
    return tmp_path / "farm"


def add(farm, path):
    store_reading(farm, read_file(path, season=2024), 2024)


def test_the_receivers_days_go_before_the_date_in_the_results(farm):
    add(farm, files() / "lab_2024.csv")
    # The only date in the results is that of the report (specification of the demo farm).
    assert read_records(farm, 2024, "Poel").layer().sampled_on == date(2024, 6, 3)
    add(farm, files() / "gps_2024.csv")
    # section 3 of that specification: sampled from 14 to 16 May 2024
    assert read_records(farm, 2024, "Poel").layer().sampled_on == date(2024, 5, 14)
    assert read_records(farm, 2024, "Werfie").layer().sampled_on == date(2024, 5, 16)


def test_a_receiver_whose_clock_was_never_set_is_not_believed(farm, tmp_path):
    text = (files() / "gps_2024.csv").read_text("utf-8").replace("2024-05-1", "1980-01-1")
    (tmp_path / "gps.csv").write_text(text, "utf-8")
    add(farm, files() / "lab_2024.csv")
    add(farm, tmp_path / "gps.csv")
    assert read_records(farm, 2024, "Poel").layer().sampled_on == date(2024, 6, 3)


@pytest.mark.parametrize(
    ("headings", "day"),
    [
        ("Date,Sampled", date(2024, 5, 2)),
        ("Sampled,Date", date(2024, 5, 1)),
        ("Date reported,Date", date(2024, 5, 2)),
        ("Date reported,Other", date(2024, 5, 1)),
    ],
)
def test_a_heading_that_speaks_of_sampling_goes_first_and_a_report_last(tmp_path, headings, day):
    path = tmp_path / "lab.csv"
    path.write_text(f"Sample,{headings},K mg/kg\nA-1,2024-05-01,2024-05-02,80\n", "utf-8")
    assert {r.sampled_on for r in read_file(path, season=2024).results} == {day}
