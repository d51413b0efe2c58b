"""Outlines in every format and system, with the oddities people send."""

import json
import math
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
import shapefile
import shapely
from pyproj import Transformer
from shapely import Polygon

from geo.blocks import BlockSettings, Outline, make_block, read_outlines, slug
from geo.crs import crs_name, utm_of
from geo.errors import IntakeError
from geo.outlines.polygons import geodesic_area_ha
from geo.received import MOST_UPLOAD_BYTES

# The demo farm's specification: local metres around lon 20, lat -33.97.
LOCAL = "+proj=tmerc +lat_0=-33.97 +lon_0=20 +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m +no_defs"
POND = [(-180.6, 73.9), (-201.4, 84.0), (-226.6, 70.7), (-225.2, 50.3), (-208.6, 46.0)]
POEL = [(-362, -38), (-331, 152), (-214, 216), (-68, 204), (-41, 62), (-64, -72), (-208, -97)]
KNIEE = [(-20, -205), (246, -211), (244, -124), (57, -118), (55, 34), (-22, 30)]


def moved(ring, crs):
    change = Transformer.from_crs(LOCAL, crs, always_xy=True)
    return [change.transform(x, y) for x, y in [*ring, ring[0]]]


def clockwise(ring):
    return ring if not Polygon(ring).exterior.is_ccw else ring[::-1]


def write_shapefile(stem: Path, rings, prj=None, records=("Poel",), encoding="utf-8"):
    with shapefile.Writer(str(stem), shapeType=5, encoding=encoding) as writer:
        writer.field("NAME", "C", 40)
        for ring_set, name in zip(rings if len(records) > 1 else [rings], records, strict=True):
            writer.poly(ring_set)
            writer.record(name)
    if prj:
        from pyproj import CRS

        stem.with_suffix(".prj").write_text(CRS.from_user_input(prj).to_wkt("WKT1_ESRI"))


def geojson(*features, **members):
    return json.dumps(
        {
            "type": "FeatureCollection",
            "features": [{"type": "Feature", "properties": p, "geometry": g} for p, g in features],
            **members,
        }
    )


def polygon(*rings):
    return {"type": "Polygon", "coordinates": [[list(xy) for xy in ring] for ring in rings]}


@pytest.fixture
def kniee(tmp_path):
    path = tmp_path / "kniee.geojson"
    path.write_text(geojson(({"name": "Knieë"}, polygon(moved(KNIEE, 4326)))), "utf-8")
    return read_outlines(path)[0][0]


# Areas: worked values of the formats reference, section 4.3 (PROJ and GeographicLib agree).
WORKED = [
    ("EPSG:32611", 8579.297, 8580.28,
     [(-119.5, 46.2), (-119.499, 46.2), (-119.499, 46.201), (-119.5, 46.201)]),
    ("EPSG:32610", 144642.386, 144716.84,
     [(-120.002, 46.25), (-119.998, 46.2495), (-119.9975, 46.253), (-120.0005, 46.2542),
      (-120.0025, 46.252)]),
    ("EPSG:32759", 257269.868, 257435.60,
     [(173.9, -41.52), (173.906, -41.519), (173.9055, -41.514), (173.902, -41.515),
      (173.8995, -41.5165)]),
]  # fmt: skip


@pytest.mark.parametrize(("crs", "area_m2", "planar_m2", "ring"), WORKED)
def test_areas_agree_with_worked_values(crs, area_m2, planar_m2, ring):
    block = make_block(Outline("a", Polygon(ring), "f", 1, ""), BlockSettings())
    assert block.area_ha * 1e4 == pytest.approx(area_m2, abs=2e-3)
    if crs != "EPSG:32610":  # that block lies across a zone border: either zone is right
        assert block.crs == crs
    assert block.outline.area == pytest.approx(planar_m2, rel=2e-6)


def test_an_area_across_the_antimeridian_is_the_worked_value():
    """Case E of the same section: 47187.865 m2, with longitudes on either side of 180."""
    ring = [(179.999, -16.8), (-179.999, -16.8), (-179.999, -16.798), (179.999, -16.798)]
    assert geodesic_area_ha(Polygon(ring)) * 1e4 == pytest.approx(47187.865, abs=2e-3)


def test_a_hole_is_taken_off_the_area_whichever_way_it_is_wound():
    outer, hole = WORKED[0][3], [(-119.4996, 46.2004), (-119.4996, 46.2005), (-119.4995, 46.2005)]
    turned = Polygon(outer, [hole]), Polygon(outer, [hole[::-1]])
    expected = geodesic_area_ha(Polygon(outer)) - geodesic_area_ha(Polygon(hole))
    assert [geodesic_area_ha(area) for area in turned] == pytest.approx([expected] * 2)


def test_the_zone_is_that_of_the_place_itself_beside_the_antimeridian():
    # Formats reference 4.1: the centre of a bounding box would give a zone near Greenwich.
    assert utm_of(179.999, -16.8) == "EPSG:32760"
    assert utm_of(-179.999, -16.8) == "EPSG:32701"


def test_a_place_beyond_utm_is_refused():
    with pytest.raises(IntakeError, match="swapped"):
        utm_of(-33.97, 119.9)


@pytest.mark.parametrize("name", ["CON", "..", "a/b\\c", "Knieë", "", "x" * 90, "{{7*7}}", "北"])
def test_a_slug_is_a_safe_folder_name(name):
    made = slug(name)
    assert made
    assert len(made) <= 40
    assert set(made) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
    assert made not in ("con", ".", "..")


def test_a_geojson_gives_name_place_and_hectares(kniee):
    block = make_block(kniee, BlockSettings())
    assert (kniee.name, block.slug, block.crs) == ("Knieë", "kniee", "EPSG:32734")
    assert block.area_ha == pytest.approx(3.492, abs=5e-4)  # demo specification, section 1
    assert block.outline.area / 1e4 == pytest.approx(3.490, abs=5e-4)


def test_a_shapefile_on_a_grid_that_points_west_and_south_lies_right(tmp_path):
    ring, pond = clockwise(moved(POEL, 2048)), clockwise(moved(POND, 2048))[::-1]
    write_shapefile(tmp_path / "poel", [ring, pond], prj=2048)
    (outline,), findings = read_outlines(tmp_path / "poel.shp")
    assert findings == ()
    assert len(outline.lonlat.interiors) == 1
    west, south, *_ = Polygon(moved(POEL, 4326)).bounds
    assert outline.lonlat.bounds[:2] == pytest.approx((west, south), abs=1e-8)
    assert "Lo19" in outline.crs_read


def test_a_zipped_shapefile_reads_the_same(tmp_path):
    write_shapefile(tmp_path / "a", [clockwise(moved(POEL, 32734))], prj=32734)
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for suffix in (".shp", ".shx", ".dbf", ".prj"):
            archive.write(tmp_path / f"a{suffix}", f"farm/A{suffix.upper()}")
    plain, _ = read_outlines(tmp_path / "a.shp")
    zipped, _ = read_outlines(tmp_path / "a.zip")
    assert plain[0].lonlat.equals(zipped[0].lonlat)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_a_name_survives_either_code_page_without_a_cpg(tmp_path, encoding):
    ring = clockwise(moved(KNIEE, 4326))
    write_shapefile(tmp_path / "a", [ring], prj=4326, records=("Knieë",), encoding=encoding)
    assert read_outlines(tmp_path / "a.shp")[0][0].name == "Knieë"


@pytest.mark.parametrize("suffix", ["kml", "kmz"])
def test_kml_and_kmz_keep_the_name_and_the_hole(tmp_path, suffix):
    def ring(points):
        text = " ".join(f"{x},{y},0" for x, y in points)
        return f"<LinearRing><coordinates>\n{text}\n</coordinates></LinearRing>"

    kml = (
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark>'
        f"<name> Poel </name><Polygon><outerBoundaryIs>{ring(moved(POEL, 4326))}</outerBoundaryIs>"
        f"<innerBoundaryIs>{ring(moved(POND, 4326))}</innerBoundaryIs></Polygon></Placemark>"
        "</Document></kml>"
    )
    path = tmp_path / f"werf.{suffix}"
    if suffix == "kml":
        path.write_text(kml)
    else:
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("doc.kml", kml)
    (outline,), _ = read_outlines(path)
    assert outline.name == "Poel"
    assert len(outline.lonlat.interiors) == 1


def test_a_walked_gpx_track_becomes_an_outline_and_says_so(tmp_path):
    places = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in moved(KNIEE, 4326)[:-1])
    path = tmp_path / "walk.gpx"
    path.write_text(
        '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><trk>'
        f"<name>Foot</name><trkseg>{places}</trkseg></trk></gpx>"
    )
    outlines, findings = read_outlines(path)
    assert outlines == ()  # first and last corner lie 235 m apart: not closed by itself
    assert findings[0].rule == "outline_open"
    path.write_text(path.read_text().replace("</trkseg>", places.split("/>")[0] + "/></trkseg>"))
    (outline,), (finding,) = read_outlines(path)
    assert (outline.name, finding.rule) == ("Foot", "outline_walked")
    assert geodesic_area_ha(outline.lonlat) == pytest.approx(3.492, abs=5e-4)


def test_a_geopackage_gives_its_outlines(tmp_path):
    import geopandas

    import geo.gdal_guard  # noqa: F401

    frame = geopandas.GeoDataFrame(
        {"block": ["Knieë"]}, geometry=[Polygon(moved(KNIEE, 2049))], crs=2049
    )
    frame.to_file(tmp_path / "farm.gpkg", layer="blocks")
    (outline,), _ = read_outlines(tmp_path / "farm.gpkg")
    assert outline.name == "Knieë"
    assert geodesic_area_ha(outline.lonlat) == pytest.approx(3.492, abs=5e-4)


def test_an_old_crs_member_is_taken_at_its_word(tmp_path):
    path = tmp_path / "a.geojson"
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32734"}}
    path.write_text(geojson(({}, polygon(moved(KNIEE, 32734))), crs=crs))
    (outline,), _ = read_outlines(path)
    assert geodesic_area_ha(outline.lonlat) == pytest.approx(3.492, abs=5e-4)


# What is odd


def test_without_a_system_nothing_is_assumed_and_one_is_proposed(tmp_path, kniee):
    write_shapefile(tmp_path / "poel", [clockwise(moved(POEL, 2048))])
    outlines, (finding,) = read_outlines(tmp_path / "poel.shp", beside=[kniee.lonlat])
    assert outlines == ()
    assert (finding.rule, finding.severity) == ("no_system", "refused")
    assert finding.repair == {"crs": "EPSG:2048"}
    assert "Lo19" in finding.proposal
    (given,), _ = read_outlines(tmp_path / "poel.shp", crs="EPSG:2048")
    (agreed,), _ = read_outlines(tmp_path / "poel.shp", beside=[kniee.lonlat], accept=["no_system"])
    assert given.lonlat.equals(agreed.lonlat)
    assert given.lonlat.distance(kniee.lonlat) < 1e-3


def test_projected_numbers_called_degrees_are_not_believed(tmp_path, kniee):
    path = tmp_path / "a.geojson"
    path.write_text(geojson(({}, polygon(moved(POEL, 32734)))))
    outlines, (finding,) = read_outlines(path, beside=[kniee.lonlat])
    assert outlines == ()
    assert finding.repair == {"crs": "EPSG:32734"}


def test_an_outline_off_by_an_old_datum_is_found_by_known_stations(tmp_path):
    stations = moved([(-300, 0), (-250, 100), (-100, 150), (-100, -50), (-200, -60)], 4326)[:-1]
    write_shapefile(tmp_path / "poel", [clockwise(moved(POEL, 22279))], prj=2048)
    (outline,), findings = read_outlines(tmp_path / "poel.shp", known_points=stations)
    assert [f.rule for f in findings] == ["outline_shifted"]
    said = re.search(r"about (\d+) m \w+ and (\d+) m", findings[0].message)
    shift = math.hypot(*map(int, said.groups()))
    assert shift == pytest.approx(295.5, abs=60)  # specification: 295.5 m; stations are not centred
    write_shapefile(tmp_path / "right", [clockwise(moved(POEL, 22279))], prj=22279)
    (right,), none = read_outlines(tmp_path / "right.shp", known_points=stations)
    assert none == ()
    assert not right.lonlat.equals(outline.lonlat)


def test_a_bow_tie_is_not_mended_unasked(tmp_path):
    ring = moved([(0, 0), (100, 100), (100, 0), (0, 100)], 4326)
    path = tmp_path / "a.geojson"
    path.write_text(geojson(({"name": "Tie"}, polygon(ring))))
    outlines, (finding,) = read_outlines(path)
    assert outlines == ()
    assert (finding.rule, finding.severity) == ("outline_crosses", "open")
    (mended,), _ = read_outlines(path, accept=["outline_crosses"])
    assert geodesic_area_ha(mended.lonlat) == pytest.approx(0.5, abs=1e-4)  # two triangles


def test_a_pond_drawn_by_itself_is_asked_about(tmp_path):
    path = tmp_path / "a.geojson"
    path.write_text(
        geojson(
            ({"name": "Pond"}, polygon(moved(POND, 4326))),
            ({"name": "Poel"}, polygon(moved(POEL, 4326))),
        )
    )
    (outline,), (finding,) = read_outlines(path)
    assert (finding.rule, finding.severity) == ("outline_inside", "open")
    assert "Make it a hole" in finding.proposal
    assert len(outline.lonlat.interiors) == 0
    (pierced,), _ = read_outlines(path, accept=["outline_inside"])
    assert len(pierced.lonlat.interiors) == 1


def test_a_pond_ring_wound_the_wrong_way_stays_a_hole(tmp_path):
    ring, pond = clockwise(moved(POEL, 4326)), clockwise(moved(POND, 4326))
    write_shapefile(tmp_path / "poel", [ring, pond], prj=4326)
    (outline,), findings = read_outlines(tmp_path / "poel.shp")
    assert len(outline.lonlat.interiors) == 1
    assert outline.lonlat.is_valid
    expected = geodesic_area_ha(Polygon(ring)) - geodesic_area_ha(Polygon(pond))
    assert geodesic_area_ha(outline.lonlat) == pytest.approx(expected)
    assert [f.rule for f in findings] in ([], ["outline_winding"])


def test_a_sliver_is_left_out_and_said(tmp_path):
    sliver = moved([(300, 0), (303, 0), (303, 1), (300, 1)], 4326)
    shape = {
        "type": "MultiPolygon",
        "coordinates": [polygon(moved(POEL, 4326))["coordinates"], polygon(sliver)["coordinates"]],
    }
    path = tmp_path / "a.geojson"
    path.write_text(geojson(({}, shape)))
    (outline,), (finding,) = read_outlines(path)
    assert outline.lonlat.geom_type == "Polygon"
    assert finding.rule == "outline_sliver"
    assert "3.0 m2" in finding.message
    assert outline.name == "a"


def test_a_block_wider_than_a_degree_is_refused():
    wide = Outline("w", Polygon([(20, -34), (22, -34), (22, -33.9)]), "f.kml", 1, "")
    with pytest.raises(IntakeError, match="more than a degree"):
        make_block(wide, BlockSettings())


def test_a_block_across_the_180th_meridian_is_told_what_to_do():
    """Land of Fiji lies there; in longitude and latitude its outline goes round the whole globe."""
    ring = [(179.998, -17.6), (-179.999, -17.6), (-179.999, -17.599), (179.998, -17.599)]
    with pytest.raises(IntakeError, match=r"180th meridian\. Split it"):
        make_block(Outline("Taveuni", Polygon(ring), "f.kml", 1, ""), BlockSettings())


# What is hostile


def test_a_zip_that_would_land_elsewhere_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("../a.shp", b"x")
    with pytest.raises(IntakeError, match="outside its own folder"):
        read_outlines(tmp_path / "a.zip")


@pytest.mark.parametrize(
    ("members", "word"),
    [
        ({f"{i}.shp": b"" for i in range(60)}, "60 files"),
        ({"a.shp": b"", "x/A.SHP": b""}, "Two files"),
        ({"a.shp": bytes(9_000_000)}, "too tightly"),
        ({"b.zip": b"PK"}, "another archive"),
        ({"c:a.shp": b""}, "outside"),
    ],
)
def test_a_dishonest_zip_is_refused(tmp_path, members, word):
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    with pytest.raises(IntakeError, match=word):
        read_outlines(tmp_path / "a.zip")


def test_a_link_in_a_zip_is_refused(tmp_path):
    link = zipfile.ZipInfo("a.shp")
    link.external_attr = 0o120777 << 16
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(link, "/somewhere")
    with pytest.raises(IntakeError, match="a link"):
        read_outlines(tmp_path / "a.zip")


@pytest.mark.parametrize(
    "text",
    [
        '<!DOCTYPE kml [<!ENTITY a "aa">]><kml><Placemark><name>&a;</name></Placemark></kml>',
        '<!DOCTYPE kml SYSTEM "file:///x"><kml/>',
    ],
)
def test_xml_with_a_doctype_is_refused(tmp_path, text):
    (tmp_path / "a.kml").write_text(text)
    with pytest.raises(IntakeError, match="DOCTYPE"):
        read_outlines(tmp_path / "a.kml")


def test_xml_nested_without_end_is_refused(tmp_path):
    (tmp_path / "a.kml").write_text("<kml>" + "<a>" * 400 + "</a>" * 400 + "</kml>")
    with pytest.raises(IntakeError, match="too deep"):
        read_outlines(tmp_path / "a.kml")


def test_json_nested_without_end_is_refused(tmp_path):
    (tmp_path / "a.geojson").write_text("[" * 100_000)
    with pytest.raises(IntakeError, match="damaged"):
        read_outlines(tmp_path / "a.geojson")


@pytest.mark.parametrize(
    ("data", "word"),
    [(b"", "empty"), (b"%PDF-1.7", "pdf"), (b"\x7fELF..", "program"), (b'{"a": 1}', "no features")],
)
def test_what_is_no_outline_is_said(tmp_path, data, word):
    (tmp_path / "a.geojson").write_bytes(data)
    with pytest.raises(IntakeError, match=word):
        read_outlines(tmp_path / "a.geojson")


def test_a_file_too_large_is_not_opened(tmp_path):
    with (tmp_path / "a.geojson").open("wb") as file:
        file.truncate(2 * MOST_UPLOAD_BYTES)
    with pytest.raises(IntakeError, match="40 MB; 20 is the most"):
        read_outlines(tmp_path / "a.geojson")


def test_a_coordinate_that_is_no_number_is_refused(tmp_path):
    text = geojson(({}, polygon(moved(POEL, 4326)))).replace("19.99", "NaN, 19.99", 1)
    (tmp_path / "a.geojson").write_text(text)
    with pytest.raises(IntakeError):
        read_outlines(tmp_path / "a.geojson")


def test_only_the_wanted_formats_are_left_in_gdal():
    # In a child process: GDAL reads the environment when it is loaded.
    code = (
        "import geo.blocks, rasterio, pyogrio, geo.gdal_guard as g\n"
        "with rasterio.Env() as env: left = set(env.drivers())\n"
        "assert left | set(pyogrio.list_drivers()) <= set(g.KEPT), left\n"
        "assert {'GTiff', 'COG', 'GPKG'} <= left\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_a_virtual_file_in_disguise_is_not_opened(tmp_path):
    (tmp_path / "secret.csv").write_text("a,b\n1,2\n")
    vrt = (
        '<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>'
        f"{tmp_path}/secret.csv</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    (tmp_path / "x.geojson").write_text(vrt)
    with pytest.raises(IntakeError):
        read_outlines(tmp_path / "x.geojson")
    code = (
        "import geo.gdal_guard, pyogrio, sys\n"
        "try: pyogrio.read_info(sys.argv[1])\n"
        "except pyogrio.errors.DataSourceError: sys.exit(7)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "x.geojson")], capture_output=True, check=False
    )
    assert done.returncode == 7


def test_a_system_is_named_in_words():
    assert crs_name("EPSG:2048") == "Hartebeesthoek94 / Lo19 (EPSG:2048)"
    with pytest.raises(IntakeError, match="not a coordinate system"):
        crs_name("EPSG:999999")


def test_outlines_do_not_touch_what_they_were_given(kniee):
    before = kniee.lonlat.wkt
    make_block(kniee, BlockSettings())
    assert kniee.lonlat.wkt == before
    assert shapely.is_valid(kniee.lonlat)
