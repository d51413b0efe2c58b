"""Whoever spreads reads what the ground already got since it was sampled."""

import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from geo.export.readme import SPREAD_TWICE, already_spread
from geo.reasons import About, Reason, about_of
from maps.page import map_page
from maps.pagedata import page_data
from maps.paper.field import field_data, field_page
from maps.paper.reportdata import report_data
from maps.report import report_pdf

SAID = Reason(
    "On record after this sampling, 2024-07-09: calcitic lime, 3200 kg/ha.", About.SPREAD_SINCE
)


@pytest.fixture(scope="module")
def limed(poel):
    """The demo block with a record of lime later than its samples."""
    rates = tuple(
        replace(rate, reasons=(*rate.reasons, SAID)) if rate.amendment == "lime" else rate
        for rate in poel.prescription.rates
    )
    return replace(poel, prescription=replace(poel.prescription, rates=rates))


@pytest.fixture(scope="module")
def unlimed(poel):
    """The demo block as if nothing had been spread since."""
    rates = tuple(
        replace(
            rate, reasons=tuple(r for r in rate.reasons if about_of(r) is not About.SPREAD_SINCE)
        )
        for rate in poel.prescription.rates
    )
    return replace(poel, prescription=replace(poel.prescription, rates=rates))


def test_lime_on_record_after_the_sampling_is_said_once(limed):
    assert already_spread(limed.prescription.rates).count(SAID) == 1


def test_no_warning_without_a_record(unlimed):
    assert already_spread(unlimed.prescription.rates) == ()
    assert SPREAD_TWICE not in field_page(field_data(unlimed))
    assert "twice" in page_data(unlimed)["materials"][0]
    assert page_data(unlimed)["materials"][0]["twice"] == []


def test_the_phone_page_warns_above_its_table(limed):
    text = field_page(field_data(limed))
    assert text.index(SPREAD_TWICE) < text.index(SAID) < text.index("<table>")


def test_the_map_carries_the_warning_with_its_material(limed):
    material = page_data(limed)["materials"][0]
    assert material["twice"][0] == SPREAD_TWICE
    assert SAID in material["twice"]
    assert "material.twice" in map_page(page_data(limed))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler reads the PDF back")
def test_the_report_warns_on_its_first_page(limed, tmp_path):
    path = tmp_path / "report.pdf"
    path.write_bytes(report_pdf(report_data(limed)))
    read = subprocess.run(
        ["pdftotext", "-l", "1", str(path), "-"], capture_output=True, text=True, check=True
    ).stdout
    words = re.sub(r"\s+", " ", read)
    assert SPREAD_TWICE in words
    assert SAID in words
