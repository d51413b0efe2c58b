"""zones.gpkg, zones.geojson and zones.kml, read by readers that did not write them."""

import itertools
import json
import shutil
import sqlite3
import struct
import subprocess
from pathlib import Path

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from lxml import etree
from shapely.geometry import Polygon, shape

from geo.export.kml import write_zones_kml
from geo.export.taskgrid import geodesic_m2
from geo.export.vectors import write_zones_geojson, write_zones_geopackage

DATA = Path(__file__).parent / "data" / "schemas"
KML = "{http://www.opengis.net/kml/2.2}"


@pytest.fixture(scope="module")
def folder(poel, kniee, tmp_path_factory):
    place = tmp_path_factory.mktemp("vectors")
    for season in (poel, kniee):
        write_zones_geopackage(season, place / f"{season.block.slug}.gpkg")
        write_zones_geojson(season, place / f"{season.block.slug}.geojson")
        write_zones_kml(season, place / f"{season.block.slug}.kml")
    return place


def geojson(folder, name):
    return json.loads((folder / f"{name}.geojson").read_text(encoding="utf-8"))


def signed_area(ring):
    return sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in itertools.pairwise(ring)) / 2


@pytest.mark.parametrize("name", ["poel", "kniee"])
def test_geojson_follows_rfc_7946(folder, name):
    """No crs member (section 4), rings right-handed (3.1.6), WGS84, not too many digits (11.2)."""
    text = (folder / f"{name}.geojson").read_text(encoding="utf-8")
    document = json.loads(text, parse_constant=lambda word: pytest.fail(word))
    assert document["type"] == "FeatureCollection"
    assert "crs" not in document
    for feature in document["features"]:
        assert feature["type"] == "Feature"
        assert feature["geometry"]["type"] == "MultiPolygon"
        for polygon in feature["geometry"]["coordinates"]:
            assert all(ring[0] == ring[-1] and len(ring) >= 4 for ring in polygon)
            assert signed_area(polygon[0]) > 0
            assert all(signed_area(ring) < 0 for ring in polygon[1:])
            for lon, lat in polygon[0]:
                assert 19.9 < lon < 20.1
                assert -34.1 < lat < -33.9
                assert len(repr(lon).partition(".")[2]) <= 7


def test_layers_are_the_materials_and_their_overlay(folder, kniee):
    layers = {f["properties"]["layer"] for f in geojson(folder, "kniee")["features"]}
    materials = {rate.material for rate in kniee.prescription.rates}
    assert len(materials) == 2
    assert materials | {"all"} <= layers


@pytest.mark.parametrize("name", ["poel", "kniee"])
def test_zones_of_each_layer_are_the_block(folder, name, request):
    """Union of zones = block, without gap or overlap, to what rounding to 1e-7 degree does."""
    block = request.getfixturevalue(name).block.lonlat
    by_layer = {}
    for feature in geojson(folder, name)["features"]:
        by_layer.setdefault(feature["properties"]["layer"], []).append(shape(feature["geometry"]))
    for shapes in by_layer.values():
        union = shapely.union_all(shapes)
        assert union.symmetric_difference(block).area < 1e-4 * block.area
        assert sum(s.area for s in shapes) == pytest.approx(block.area, rel=1e-4)


@pytest.mark.parametrize("name", ["poel", "kniee"])
def test_product_is_rate_times_geodesic_area(folder, name, request):
    """Demo scenario section 9: sum of rate x area equals the purchase list within 0.5 %.

    Areas by GeographicLib (Karney, 2013), which the program does not use.
    """
    season = request.getfixturevalue(name)
    kg = dict.fromkeys(season.prescription.totals_kg, 0.0)
    for feature in geojson(folder, name)["features"]:
        properties = feature["properties"]
        if properties["layer"] != "all" and "material" in properties:
            hectares = karney_m2(shape(feature["geometry"])) / 1e4
            assert hectares == pytest.approx(properties["hectares"], rel=1e-3)
            kg[properties["material"]] += hectares * properties["rate_kg_ha"]
    for material, total in season.prescription.totals_kg.items():
        assert kg[material] == pytest.approx(total, rel=5e-3)


def karney_m2(geometry):
    total = 0.0
    for part in getattr(geometry, "geoms", [geometry]):
        for sign, ring in [(1, part.exterior), *((-1, hole) for hole in part.interiors)]:
            polygon = Geodesic.WGS84.Polygon()
            for lon, lat in list(ring.coords)[:-1]:
                polygon.AddPoint(lat, lon)
            total += sign * abs(polygon.Compute()[2])
    return total


# Worked values of pyproj and GeographicLib together; the first also by the closed formula of a cell
# between two parallels of the ellipsoid.
@pytest.mark.parametrize(
    ("ring", "m2"),
    [
        ([(-119.5, 46.2), (-119.499, 46.2), (-119.499, 46.201), (-119.5, 46.201)], 8579.297),
        (
            [(-120.002, 46.25), (-119.998, 46.2495), (-119.9975, 46.253), (-120.0005, 46.2542),
             (-120.0025, 46.252)],
            144642.386,
        ),
        (
            [(173.9, -41.52), (173.906, -41.519), (173.9055, -41.514), (173.902, -41.515),
             (173.8995, -41.5165)],
            257269.868,
        ),
        ([(-122.3, 38.3), (-122.295, 38.3), (-122.2975, 38.304)], 97096.803),
    ],
)  # fmt: skip
def test_areas_are_geodesic(ring, m2):
    assert geodesic_m2(Polygon(ring)) == round(m2)


def test_plain_sqlite_opens_the_geopackage(folder, poel):
    """OGC GeoPackage 1.3: application id, version, contents, geometry columns, blob magic."""
    db = sqlite3.connect(f"file:{folder / 'poel.gpkg'}?mode=ro&immutable=1", uri=True)
    try:
        assert db.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert db.execute("PRAGMA user_version").fetchone() == (10300,)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        contents = db.execute("SELECT table_name, data_type, srs_id FROM gpkg_contents").fetchall()
        assert {name for name, _, _ in contents} >= {"dolomitic_lime", "all"}
        assert {(kind, srs) for _, kind, srs in contents} == {("features", 32734)}
        (column,) = db.execute(
            "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = 'dolomitic_lime'"
        ).fetchone()
        rows = db.execute(f'SELECT "{column}", zone, hectares FROM dolomitic_lime').fetchall()
        zones = next(z for z in poel.zone_maps if z.amendment == "lime").zones
        assert [zone for _, zone, _ in rows] == [zone.zone_id for zone in zones]
        assert sum(ha for _, _, ha in rows) == pytest.approx(poel.block.area_ha, rel=1e-4)
        for blob, _, _ in rows:
            assert blob[:3] == b"GP\x00"
            assert struct.unpack("<i", blob[4:8]) == (32734,)
        assert not db.execute("SELECT name FROM sqlite_master WHERE name LIKE 'rtree%'").fetchall()
    finally:
        db.close()


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's own tools are not installed")
@pytest.mark.parametrize("name", ["poel.gpkg", "kniee.geojson", "kniee.kml"])
def test_gdal_itself_reads_them(folder, name):
    done = subprocess.run(
        ["ogrinfo", "-ro", "-al", "-so", folder / name], capture_output=True, text=True, check=True
    )
    assert "Feature Count" in done.stdout
    assert "ERROR" not in done.stderr
    assert "Warning" not in done.stderr


def test_kml_meets_the_schema(folder):
    """The subset schema of OGC 07-147r2; the minimal example shows that it accepts what it must."""
    schema = etree.XMLSchema(etree.parse(str(DATA / "kml-placemarks-subset.xsd")))
    assert schema.validate(etree.parse(str(DATA / "placemarks-minimal.kml")))
    for name in ("poel", "kniee"):
        assert schema.validate(etree.parse(str(folder / f"{name}.kml"))), schema.error_log


def test_kml_holds_a_folder_a_layer_and_the_pond(folder):
    tree = etree.parse(str(folder / "poel.kml"))
    folders = [f.findtext(f"{KML}name") for f in tree.iter(f"{KML}Folder")]
    assert "dolomitic_lime" in folders
    assert tree.find(f".//{KML}innerBoundaryIs") is not None
    assert tree.find(f".//{KML}description") is None


def test_same_season_same_bytes(folder, poel, tmp_path):
    write_zones_geopackage(poel, tmp_path / "poel.gpkg")
    write_zones_geojson(poel, tmp_path / "poel.geojson")
    write_zones_kml(poel, tmp_path / "poel.kml")
    for name in ("poel.gpkg", "poel.geojson", "poel.kml"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes(), name
