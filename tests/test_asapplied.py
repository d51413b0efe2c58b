"""Logs and records on the grid, against the log's own product and figures worked by hand."""

import csv
import io
from dataclasses import replace
from datetime import date
from importlib.resources import files

import numpy as np
import pytest
import shapely
from shapely import box

from geo.asapplied import as_applied, by_zone
from geo.blocks import Block, make_block, read_outlines
from geo.export.applied import season_applied, write_applied
from geo.export.layers import to_lonlat
from geo.farm import read_records
from geo.grids import grid_over
from geo.intake.files import read_file
from geo.intake.reading import Application, LoggedRate
from geo.settings import BlockSettings

E, N, CRS = 407_000.0, 6_240_000.0, "EPSG:32734"
DAY = date(2024, 7, 9)
DEMO = files("demo_geodata") / "ombervale"


def field(width=48.0, height=100.0):
    outline = box(E, N, E + width, N + height)
    return Block("x", "x", outline, to_lonlat(outline, CRS), CRS, width * height / 1e4)


def record(rate, where=None, zone="all", **more):
    text = "" if where is None else to_lonlat(where, CRS).wkt
    given = {"area_ha": None} | more
    return Application(
        DAY, "x", zone, "lime", "lime", "", rate, placement="", where_lonlat=text, **given
    )


def log(xy, rates, day="2024-07-09"):
    lonlat = [to_lonlat(shapely.Point(p), CRS) for p in xy]
    return [
        LoggedRate(f"{day}T08:00:00+02:00", p.x, p.y, None, rate)
        for p, rate in zip(lonlat, rates, strict=True)
    ]


def passes(across, rate):
    """Points every 2 m along passes at `across` metres from the west."""
    xy = [(E + u, N + v) for u in across for v in np.arange(1.0, 100.0, 2.0)]
    return log(xy, [rate] * len(xy))


def test_records_with_places_fill_their_places():
    block = field()
    grid = grid_over(block.outline, CRS, 1.0)
    west, east = box(E, N, E + 12, N + 100), box(E + 12, N, E + 48, N + 100)
    done = as_applied("lime", [record(3200, west), record(1600, east)], [], block, grid, 4.8)
    # 0.12 ha at 3.2 t/ha and 0.36 ha at 1.6 t/ha are 384 and 576 kg
    assert done.planned_kg(block.area_ha) == pytest.approx(960)
    assert done.done_kg(block.area_ha) == pytest.approx(960)
    assert done.logged_share == 0


def test_a_log_goes_before_the_record_where_it_has_points():
    block = field()
    grid = grid_over(block.outline, CRS, 1.0)
    points = passes([2.4, 7.2, 12.0, 16.8, 21.6], 900.0)  # the western half, five swaths of 4.8 m
    done = as_applied("lime", [record(1000)], points, block, grid, 4.8)
    zones = by_zone(done, [box(E, N, E + 24, N + 100), box(E + 26, N, E + 48, N + 100)])
    assert zones[0].planned_kg_ha == zones[1].planned_kg_ha == pytest.approx(1000)
    assert zones[0].done_kg_ha == pytest.approx(900)
    assert zones[1].done_kg_ha == pytest.approx(1000)
    assert 0.5 <= done.logged_share < 0.53


def test_overlapping_swaths_are_not_counted_twice():
    block = field()
    grid = grid_over(block.outline, CRS, 1.0)
    points = passes(np.arange(1.2, 48, 2.4), 500.0)  # rows of points half a swath apart
    done = as_applied("lime", [record(500)], points, block, grid, 4.8)
    assert done.done_kg(block.area_ha) == pytest.approx(240)


def test_a_log_of_another_day_is_another_job():
    block = field()
    grid = grid_over(block.outline, CRS, 2.0)
    points = [replace(p, time="2024-09-01T08:00:00") for p in passes([2.4, 7.2], 900.0)]
    done = as_applied("lime", [record(1000)], points, block, grid, 4.8)
    assert done.done_kg(block.area_ha) == pytest.approx(480)


def test_a_second_dressing_adds_to_a_logged_one():
    block = field()
    grid = grid_over(block.outline, CRS, 2.0)
    second = replace(record(300), applied_on=date(2024, 10, 20))
    points = passes(np.arange(2.4, 48, 4.8), 900.0)
    done = as_applied("lime", [record(1000), second], points, block, grid, 4.8)
    assert np.nanmean(done.planned_kg_ha) == pytest.approx(1300)
    assert np.nanmean(done.done_kg_ha) == pytest.approx(1200)


def test_a_record_of_a_part_without_a_place_is_named_and_not_spread_over_the_block():
    block = field()
    grid = grid_over(block.outline, CRS, 2.0)
    part = record(1000, zone="the foot", area_ha=0.1)
    done = as_applied("lime", [part], [], block, grid, 4.8)
    assert done.unplaced == (part,)
    assert done.done_kg(block.area_ha) == 0


def test_other_amendments_are_left_out():
    block = field()
    grid = grid_over(block.outline, CRS, 2.0)
    done = as_applied("gypsum", [record(1000)], [], block, grid, 4.8)
    assert np.nanmax(done.done_kg_ha) == 0


def test_demo_lime_is_what_the_scenario_spread():
    """Scenario of the demo farm: 12.42 t planned (1 m lattice), logged with 6 % noise and a lag."""
    outlines, _ = read_outlines(DEMO / "outline_poel.shp")
    poel = make_block(replace(outlines[0], name="Poel"), BlockSettings())
    zones = read_file(DEMO / "applied_zones_2024.geojson", season=2024, blocks=(poel,))
    points = read_file(DEMO / "asapplied_lime_2024.csv", season=2024, blocks=(poel,)).logged
    lime = [a for a in zones.applications if a.amendment == "lime" and a.block == "Poel"]
    grid = grid_over(poel.outline, poel.crs, 2.0)
    done = as_applied("lime", lime, points, poel, grid, 4.8)
    assert done.planned_kg(poel.area_ha) == pytest.approx(12_420, rel=0.005)
    assert done.done_kg(poel.area_ha) == pytest.approx(12_420, rel=0.02)
    assert done.logged_share > 0.97


def test_applied_csv_sets_done_beside_asked(demo_farm, poel, tmp_path):
    """Block row: 12.42 t of the demo scenario, and the zones' hectares and kilograms add up."""
    applied = season_applied(poel, read_records(demo_farm, 2024, "Poel"))
    assert [one.amendment for one in applied] == ["lime"]
    write_applied(poel, applied, tmp_path / "applied.csv")
    text = (tmp_path / "applied.csv").read_bytes().decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    *zones, block = rows
    assert block["zone"] == "all"
    assert float(block["done_kg"]) == pytest.approx(12_420, rel=0.02)
    assert int(block["logged_pct"]) > 97
    assert sum(float(z["hectares"]) for z in zones) == pytest.approx(poel.block.area_ha, rel=1e-3)
    assert sum(float(z["done_kg"]) for z in zones) == pytest.approx(12_420, rel=0.02)
    asked = {str(r.zone_id): r.rate_kg_ha for r in poel.prescription.rates}
    assert {z["zone"]: float(z["asked_kg_ha"]) for z in zones} == asked


def test_two_passes_of_sulfur_add_up(demo_farm):
    """Demo scenario section 5: 300 kg/ha twice on the whole of block C."""
    records = read_records(demo_farm, 2024, "Werfie")
    grid = grid_over(records.block.outline, records.block.crs, 2.0)
    done = as_applied("sulfur", records.applications, records.logged, records.block, grid, 2.0)
    assert np.nanmin(done.done_kg_ha) == np.nanmax(done.done_kg_ha) == pytest.approx(600)
