"""Spreader files read back by readers that did not write them (pyshp, GDAL), and by their bytes.

Format facts: ESRI Shapefile Technical Description, 1998 (from memory), re-read from written files;
what controllers expect: two published operator manuals, makers not named.
"""

import itertools
import shutil
import struct
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import shapefile
import shapely
from pyproj import Geod
from shapely import MultiPolygon
from shapely.geometry import shape

from geo.errors import ExportError
from geo.export.layers import short_name, written_rate
from geo.export.readme import readme_text
from geo.export.shapefile import SUFFIXES, verify_shapefile, write_shapefile
from geo.settings import ControllerSettings, Settings

PROFILE = ControllerSettings()


def ring_area(points):
    return sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in itertools.pairwise(points)) / 2


def records(path):
    with shapefile.Reader(str(path)) as reader:
        assert reader.shapeType == 5
        fields = [tuple(field)[:4] for field in reader.fields if field[0] != "DeletionFlag"]
        return fields, [(r.shape, r.record[0]) for r in reader.shapeRecords()]


def test_pyshp_reads_single_parts_one_numeric_field_and_the_hole(layer, tmp_path):
    write_shapefile(layer, tmp_path, "NOORLIME", PROFILE)
    fields, found = records(tmp_path / "NOORLIME")
    assert [(name, str(kind)[-1], width, dec) for name, kind, width, dec in fields] == [
        ("RATE", "N", 9, 0)
    ]
    assert sorted(rate for _, rate in found) == [1200, 2500, 2500]
    assert sum(len(s.parts) for s, _ in found) == 4
    for one, _ in found:
        starts = [*one.parts, len(one.points)]
        rings = [one.points[a:b] for a, b in itertools.pairwise(starts)]
        assert all(ring[0] == ring[-1] for ring in rings)
        assert ring_area(rings[0]) < 0  # outer rings clockwise
        assert all(ring_area(ring) > 0 for ring in rings[1:])  # holes counter-clockwise


def test_product_in_the_file_is_the_product_of_the_plan(layer, tmp_path):
    """Geodesic area times rate, summed over what pyshp reads: within 0.1 % of the plan."""
    write_shapefile(layer, tmp_path, "NOORLIME", PROFILE)
    geod = Geod(ellps="WGS84")
    _, found = records(tmp_path / "NOORLIME")
    kg = sum(
        abs(geod.geometry_area_perimeter(shape(one.__geo_interface__))[0]) / 1e4 * rate
        for one, rate in found
    )
    assert kg == pytest.approx(layer.total_kg, rel=1e-3)


def test_header_bytes(layer, tmp_path):
    write_shapefile(layer, tmp_path, "NOORLIME", PROFILE)
    for suffix in (".shp", ".shx"):
        content = (tmp_path / f"NOORLIME{suffix}").read_bytes()
        assert struct.unpack(">i", content[:4])[0] == 9994
        assert 2 * struct.unpack(">i", content[24:28])[0] == len(content)


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's own tools are not installed")
def test_gdal_tools_read_it(layer, tmp_path):
    write_shapefile(layer, tmp_path, "NOORLIME", PROFILE)
    text = subprocess.run(
        ["ogrinfo", "-ro", "-al", "-so", tmp_path / "NOORLIME.shp"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "Geometry: Polygon" in text
    assert "RATE: Integer (9.0)" in text
    assert "WGS 84" in text or "WGS_1984" in text


def test_small_rates_keep_two_decimals(layer, tmp_path):
    small = replace(layer, rates_kg_ha=(3.25, 0.0))
    write_shapefile(small, tmp_path, "NOORBORO", PROFILE)
    fields, found = records(tmp_path / "NOORBORO")
    assert fields[0][2:] == (10, 2)
    assert sorted(rate for _, rate in found) == [0.0, 3.25, 3.25]


def test_pounds_per_acre_when_the_farm_says_so(layer, tmp_path):
    write_shapefile(layer, tmp_path, "NOORLIME", replace(PROFILE, rate_unit="lb/ac"))
    _, found = records(tmp_path / "NOORLIME")
    # 1 kg/ha = 0.892179 lb/ac (definition of pound and acre)
    assert sorted(rate for _, rate in found) == [1071, 2230, 2230]


def test_same_layer_same_bytes(layer, tmp_path):
    for name in "ab":
        (tmp_path / name).mkdir()
        write_shapefile(layer, tmp_path / name, "NOORLIME", PROFILE)
    for suffix in SUFFIXES:
        a, b = ((tmp_path / n / f"NOORLIME{suffix}").read_bytes() for n in "ab")
        assert a == b


def test_too_many_polygons_are_joined_where_least_moves(layer, tmp_path):
    """Three parts into two: the 0.5 ha part at 1300 kg/ha difference moves 650 kg, by hand."""
    report = write_shapefile(layer, tmp_path, "NOORLIME", replace(PROFILE, max_polygons=2))
    _, found = records(tmp_path / "NOORLIME")
    assert len(found) == report.polygons == 2
    assert report.joined_parts == 1
    assert report.moved_kg == pytest.approx(650, rel=2e-3)
    text = readme_text([(layer, report)], Settings(), [])
    assert "1 part(s) took the rate of a neighbour" in text


def test_joined_parts_still_cover_the_block(layer, tmp_path):
    write_shapefile(layer, tmp_path, "NOORLIME", replace(PROFILE, max_polygons=1))
    _, found = records(tmp_path / "NOORLIME")
    assert len(found) == 1
    block = layer.block.lonlat
    missed = shape(found[0][0].__geo_interface__).symmetric_difference(block)
    assert missed.area < 1e-4 * block.area  # coordinates are written to 1e-8 degree


def test_parts_that_do_not_touch_are_never_joined(layer, tmp_path):
    """Of the first zone alone, two parts stay apart: the controller cannot be met, and it says."""
    apart = replace(layer, zones=layer.zones[:1], rates_kg_ha=layer.rates_kg_ha[:1])
    with pytest.raises(ExportError, match=r"2 polygons that do not touch.*reads 1"):
        write_shapefile(apart, tmp_path, "NOORLIME", replace(PROFILE, max_polygons=1))


def test_a_file_that_cannot_shrink_enough_is_refused(layer, tmp_path):
    with pytest.raises(ExportError, match="kB"):
        write_shapefile(layer, tmp_path, "NOORLIME", replace(PROFILE, max_kb=0.3))


def test_a_large_file_is_simplified_and_says_by_how_much(layer, tmp_path):
    """An outline with a vertex each 0.5 m, wavering by 2 cm: the limit needs fewer vertices."""
    waver = [
        MultiPolygon([_wavering(part) for part in zone.outline.geoms]) for zone in layer.zones[1:]
    ]
    fine = replace(
        layer,
        zones=tuple(replace(z, outline=o) for z, o in zip(layer.zones[1:], waver, strict=True)),
        rates_kg_ha=(1200.0,),
    )
    full = write_shapefile(fine, tmp_path, "FULL", PROFILE)
    small = write_shapefile(fine, tmp_path, "SMALL", replace(PROFILE, max_kb=full.kilobytes / 2))
    assert small.simplified_m > 0
    assert small.kilobytes <= full.kilobytes / 2
    assert "simplified by" in readme_text([(fine, small)], Settings(), [])


def _wavering(part):
    dense = shapely.segmentize(part, 0.5)
    sway = itertools.cycle((0.02, -0.02))
    return shapely.transform(dense, lambda xy: xy + np.array([[next(sway), 0.0] for _ in xy]))


@pytest.mark.parametrize("rate", [float("nan"), float("inf"), -1.0])
def test_no_rate_that_is_not_a_rate(layer, tmp_path, rate):
    with pytest.raises((ExportError, ValueError, OverflowError)):
        write_shapefile(replace(layer, rates_kg_ha=(rate, 0.0)), tmp_path, "BAD", PROFILE)


def test_a_damaged_file_does_not_pass_the_check(layer, tmp_path):
    from geo.export.layers import lonlat_parts

    write_shapefile(layer, tmp_path, "NOORLIME", PROFILE)
    table = tmp_path / "NOORLIME.dbf"
    table.write_bytes(table.read_bytes().replace(b"2500", b"2600"))
    with pytest.raises(ExportError, match="rate"):
        verify_shapefile(tmp_path / "NOORLIME", lonlat_parts(layer), PROFILE)


def test_names_have_eight_characters_and_do_not_meet(layer):
    taken: set[str] = set()
    names = [short_name(layer, taken) for _ in range(12)]
    assert len(set(names)) == 12
    assert all(len(name) <= 8 and name.isascii() and name.isupper() for name in names)


def test_files_of_neighbours_do_not_overwrite_each_other_on_one_stick(layer):
    """Every block is written by itself and knows no other; the name alone must tell them apart."""
    blocks = [f"Block {n}" for n in range(1, 13)] + ["Home East", "Home West", "Poel", "Knieë"]
    named = [replace(layer, block=replace(layer.block, name=name)) for name in blocks]
    names = [short_name(one, set()) for one in named]
    assert len(set(names)) == len(blocks)
    assert all(len(name) <= 8 and name.isascii() and name.isupper() for name in names)
    assert names[-1].startswith("KNIE")


@pytest.mark.parametrize(("rate", "written"), [(2499.6, 2500), (19.994, 19.99), (20.4, 20), (0, 0)])
def test_rounding_of_the_written_rate(rate, written):
    assert written_rate(rate, "kg/ha") == written


def test_readme_tells_what_the_file_cannot(layer, tmp_path):
    report = write_shapefile(layer, tmp_path, "NOORLIME", PROFILE)
    text = readme_text([(layer, report)], Settings(name="Ombervale"), ["Goggles and mask."])
    assert text.isascii()
    assert "\r\n" in text
    assert "Units are not stored in the shapefile" in text
    # 2500 kg/ha over 6 m by 100 m = 0.06 ha is 150 kg; a tray of 0.25 m2 catches 62.5 g
    assert "150.0 kg per 100 m at 6 m swath; 62.5 g in a tray" in text
    assert "Goggles and mask." in text
