"""Workbooks: numbers, texts beside them and days mean what the writer meant by them.

A workbook keeps numbers and dates as such (ECMA-376, part 1, 18.18.11: cell types n, d, s); only
its texts carry a decimal mark and an order of day and month.
"""

from datetime import date, datetime

import openpyxl
import pytest

from geo.intake.files import read_file

HEADER = ["Sample", "Date", "pH (H2O)", "Zn mg/kg", "K mg/kg"]


@pytest.fixture
def workbook(tmp_path):
    def writing(*rows, formats=()):
        book = openpyxl.Workbook()
        sheet = book.active
        for row in (HEADER, *rows):
            sheet.append(row)
        for cell, number_format in formats:
            sheet[cell].number_format = number_format
        book.save(tmp_path / "lab.xlsx")
        return read_file(tmp_path / "lab.xlsx", season=2024)

    return writing


def cells(reading, key):
    return [(r.value, r.qualifier) for r in reading.results if r.key == key]


def test_limits_written_as_text_are_read_with_the_mark_of_the_texts(workbook):
    reading = workbook(
        ["P-01", None, 5.3, "<0,300", 1146.5],
        ["P-02", None, 6.1, "< 0,3", 98.25],
        ["P-03", None, 5.9, 1.25, "1.146,5"],
    )
    assert cells(reading, "zn") == [(0.3, "<"), (0.3, "<"), (1.25, "")]
    assert cells(reading, "k") == [(1146.5, ""), (98.25, ""), (1146.5, "")]
    assert cells(reading, "ph_water") == [(5.3, ""), (6.1, ""), (5.9, "")]
    assert [f.rule for f in reading.findings if f.severity == "open"] == []


def test_days_written_as_text_put_the_day_first_beside_decimal_commas(workbook):
    reading = workbook(["P-01", "03/06/2024", 5.3, "<0,3", 98.25])
    assert {r.sampled_on for r in reading.results} == {date(2024, 6, 3)}


def test_days_written_as_text_put_the_month_first_beside_decimal_points(workbook):
    reading = workbook(["P-01", "03/06/2024", 5.3, "<0.3", 98.25])
    assert {r.sampled_on for r in reading.results} == {date(2024, 3, 6)}


@pytest.mark.parametrize("number_format", ["yyyy-mm-dd", "d/m/yyyy", "m/d/yy", "d-mmm"])
def test_real_dates_are_read_whatever_they_look_like(workbook, number_format):
    reading = workbook(
        ["P-01", datetime(2024, 6, 3), 5.3, 0.4, 98.25],
        ["P-02", date(2024, 6, 4), 5.3, 0.4, 98.25],
        formats=[("B2", number_format), ("B3", number_format)],
    )
    days = {r.sample_id: r.sampled_on for r in reading.results}
    assert days == {"P-01": date(2024, 6, 3), "P-02": date(2024, 6, 4)}
