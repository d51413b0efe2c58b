"""Every way in which a file can mislead, each a copy of a demo file with one change."""

import io
import zipfile
from importlib.resources import files
from pathlib import Path

import openpyxl
import pytest
from pyproj import Transformer

from geo.blocks import BlockSettings, make_block, read_outlines
from geo.errors import IntakeError, UsageError
from geo.intake.coordinates import read_place
from geo.intake.files import read_file

DEMO = Path(str(files("demo_geodata"))) / "ombervale"
GPS = (DEMO / "gps_2024.csv").read_text("utf-8")
LAB = (DEMO / "lab_2024.csv").read_text("cp1252")

SMALL = """Sample,pH (H2O),P Olsen mg/kg,K mg/kg
A-01,6.1,20,120
A-02,6.4,25,140
A-03,6.2,22,130
"""


def demo_blocks():
    names = ("outline_poel.shp", "outline_kniee.geojson", "outline_werfie.kml")
    return [make_block(read_outlines(DEMO / n)[0][0], BlockSettings()) for n in names]


def table_file(folder, text, name="lab.csv"):
    path = folder / name
    path.write_text(text, "utf-8")
    return path


@pytest.fixture(scope="module")
def blocks():
    return demo_blocks()


@pytest.fixture(scope="module")
def gps(blocks):
    return read_file(DEMO / "gps_2024.csv", season=2024, blocks=blocks)


def opens(reading):
    return [f for f in reading.findings if f.severity == "open"]


def rules(reading):
    return [f.rule for f in reading.findings]


def values(reading, key):
    return {r.sample_id: r.value for r in reading.results if r.key == key}


def places(path, change):
    """The GPS log with latitude and longitude changed."""
    lines = GPS.splitlines()
    out = [lines[0]]
    for line in lines[1:]:
        name, lat, lon, *rest = line.split(",")
        out.append(",".join([name, *change(lat, lon), *rest]))
    path.write_text("\n".join(out), "utf-8")
    return path


# Places


@pytest.mark.parametrize(
    ("rule", "change", "word"),
    [
        ("lat_lon_swapped", lambda lat, lon: (lon, lat), "swapped"),
        ("minus_lost", lambda lat, lon: (lat.lstrip("-"), lon), "minus"),
    ],
)
def test_misread_axes_are_proposed_and_mended_only_if_agreed(
    tmp_path, blocks, gps, rule, change, word
):
    path = places(tmp_path / "gps.csv", change)
    asked = read_file(path, blocks=blocks)
    (question,) = opens(asked)
    assert (question.rule, len(question.sample_ids)) == (rule, 81)
    assert word in question.message
    assert asked.points[1].lat != gps.points[1].lat
    agreed = read_file(path, blocks=blocks, accept=[rule])
    assert [(p.lon, p.lat) for p in agreed.points] == [(p.lon, p.lat) for p in gps.points]
    assert [f.rule for f in opens(agreed)] == ["outside_block"]


def test_decimal_commas_in_coordinates_are_read(tmp_path, blocks, gps):
    text = GPS.replace(",", ";").replace(".", ",")
    path = tmp_path / "gps.csv"
    path.write_text(text, "utf-8")
    reading = read_file(path, blocks=blocks)
    assert [(p.lon, p.lat) for p in reading.points] == [(p.lon, p.lat) for p in gps.points]


def test_grid_numbers_need_their_system_and_one_is_proposed(tmp_path, blocks, gps):
    to_grid = Transformer.from_crs(4326, 2048, always_xy=True)

    def grid(lat, lon):
        x, y = to_grid.transform(float(lon), float(lat))
        return f"{y:.2f}", f"{x:.2f}"

    path = places(tmp_path / "gps.csv", grid)
    path.write_text(path.read_text().replace("lat,lon", "Y,X", 1))
    asked = read_file(path, blocks=blocks)
    (question,) = opens(asked)
    assert (question.rule, question.repair) == ("no_system", {"crs": "EPSG:2048"})
    assert asked.points == ()
    given = read_file(path, blocks=blocks, crs="EPSG:2048")
    assert [p.lon for p in given.points] == pytest.approx([p.lon for p in gps.points], abs=2e-7)
    agreed = read_file(path, blocks=blocks, accept=["no_system"])
    assert agreed.points == given.points


def test_a_grid_with_its_axes_turned_is_found(tmp_path, blocks, gps):
    # A copy of the survey grid that points east and north carries both signs the other way round.
    to_grid = Transformer.from_crs(4326, 2048, always_xy=True)

    def grid(lat, lon):
        x, y = to_grid.transform(float(lon), float(lat))
        return f"{-y:.2f}", f"{-x:.2f}"

    path = places(tmp_path / "gps.csv", grid)
    path.write_text(path.read_text().replace("lat,lon", "Y,X", 1))
    asked = read_file(path, blocks=blocks, crs="EPSG:2048")
    assert [f.rule for f in opens(asked)] == ["axes_turned"]
    agreed = read_file(path, blocks=blocks, crs="EPSG:2048", accept=["axes_turned"])
    assert [p.lon for p in agreed.points] == pytest.approx([p.lon for p in gps.points], abs=2e-7)


def test_an_old_datum_is_found_by_the_stations_of_another_season(tmp_path, blocks, gps):
    to_grid = Transformer.from_crs(4326, 22279, always_xy=True)
    back = Transformer.from_crs(2048, 4326, always_xy=True)

    def shifted(lat, lon):
        lon2, lat2 = back.transform(*to_grid.transform(float(lon), float(lat)))
        return f"{lat2:.7f}", f"{lon2:.7f}"

    path = places(tmp_path / "gps.csv", shifted)
    asked = read_file(path, blocks=blocks, known_points=gps.points)
    question = next(f for f in opens(asked) if f.rule == "place_shift")
    assert "29" in question.message  # the specification says 295.5 m
    assert "older datum" in question.message
    agreed = read_file(path, blocks=blocks, known_points=gps.points, accept=["place_shift"])
    assert [p.lon for p in agreed.points] == pytest.approx([p.lon for p in gps.points], abs=2e-6)


# Ids


def test_ids_that_became_dates_are_proposed_back(tmp_path, blocks, gps):
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    text = LAB
    for number, month in enumerate(months, start=1):
        text = text.replace(f"\n2-{number:02d};", f"\n02-{month};")
    path = table_file(tmp_path, text)
    asked = read_file(path, blocks=blocks, known_points=gps.points)
    dates = [f for f in opens(asked) if f.rule == "ids_as_dates"]
    assert [f.repair["sample"] for f in dates] == [f"2-{n:02d}" for n in range(1, 13)]
    assert "2-01" not in values(asked, "k")
    agreed = read_file(path, blocks=blocks, known_points=gps.points, accept=["ids_as_dates"])
    plain = read_file(DEMO / "lab_2024.csv", blocks=blocks, known_points=gps.points)
    assert values(agreed, "k") == values(plain, "k")


def test_an_id_near_a_known_one_is_proposed(tmp_path, blocks, gps):
    path = table_file(tmp_path, LAB.replace("\n2-03;", "\nK-03;"))
    asked = read_file(path, blocks=blocks, known_points=gps.points)
    question = next(f for f in opens(asked) if f.rule == "id_near_miss")
    assert question.sample_ids == ("K-03",)
    assert question.repair == {"sample": "2-03"}


# Cells


def with_cell(tmp_path, column, text, row="P-02"):
    lines = LAB.splitlines()
    headings = lines[1].split(";")
    for i, line in enumerate(lines):
        if line.startswith(f"{row};"):
            cells = line.split(";")
            cells[headings.index(column)] = text
            lines[i] = ";".join(cells)
    return table_file(tmp_path, "\n".join(lines))


def test_thousands_parted_by_a_blank_are_read_and_said(tmp_path):
    reading = read_file(with_cell(tmp_path, "Fe", "1 146,0"))
    assert values(reading, "fe")["P-02"] == 1146.0
    assert "thousands" in rules(reading)


@pytest.mark.parametrize("text", ["nd", "<LOD", "tr"])
def test_not_detected_takes_the_one_limit_of_its_column(tmp_path, text):
    reading = read_file(with_cell(tmp_path, "Zn", text))
    (cell,) = [r for r in reading.results if (r.sample_id, r.key) == ("P-02", "zn")]
    assert (cell.value, cell.qualifier, cell.text) == (0.3, "<", text)
    assert "limit_of_column" in rules(reading)


def test_not_detected_without_any_limit_is_asked_about(tmp_path):
    reading = read_file(with_cell(tmp_path, "Cu", "nd"))
    question = next(f for f in opens(reading) if f.rule == "limit_unknown")
    assert (question.sample_ids, question.keys) == (("P-02",), ("cu",))
    (cell,) = [r for r in reading.results if (r.sample_id, r.key) == ("P-02", "cu")]
    assert (cell.value, cell.qualifier) == (None, "<")


@pytest.mark.parametrize("text", ["-", "", "n.a.", "not run"])
def test_a_blank_is_missing_and_never_nought(tmp_path, text):
    reading = read_file(with_cell(tmp_path, "Zn", text))
    (cell,) = [r for r in reading.results if (r.sample_id, r.key) == ("P-02", "zn")]
    assert (cell.value, cell.qualifier) == (None, "missing")


def test_nought_is_asked_about_and_read_as_below_only_if_agreed(tmp_path):
    path = with_cell(tmp_path, "Zn", "0")
    question = next(f for f in opens(read_file(path)) if f.rule == "zero_cells")
    assert (question.sample_ids, question.keys) == (("P-02",), ("zn",))
    agreed = read_file(path, accept=["zero_cells"])
    (cell,) = [r for r in agreed.results if (r.sample_id, r.key) == ("P-02", "zn")]
    assert (cell.value, cell.qualifier) == (0.3, "<")


@pytest.mark.parametrize("text", ["-999", "9999"])
def test_a_stand_in_number_is_missing_with_a_note(tmp_path, text):
    reading = read_file(with_cell(tmp_path, "Zn", text))
    assert "sentinel" in rules(reading)
    assert values(reading, "zn")["P-02"] is None


@pytest.mark.parametrize("text", ["0,30*", "0,1-0,2", "~5", "VH"])
def test_a_cell_not_understood_keeps_its_text_and_asks(tmp_path, text):
    reading = read_file(with_cell(tmp_path, "Zn", text))
    question = next(f for f in opens(reading) if f.rule == "cell_not_understood")
    assert (question.row, question.column) == (5, "Zn")
    assert text in question.message


def test_a_thousand_or_a_fraction_is_asked_about(tmp_path):
    path = table_file(tmp_path, SMALL.replace("120", '"1,234"'))
    question = next(f for f in opens(read_file(path)) if f.rule == "decimal_sign")
    assert "1234 or 1.234" in question.message


# Columns


def test_oxides_become_elements_and_it_is_said(tmp_path):
    # Factors of the ratings reference, section 1.1: P2O5 = 2.291 P, K2O = 1.205 K.
    text = SMALL.replace("P Olsen mg/kg", "P2O5 Olsen mg/kg").replace("K mg/kg", "K2O mg/kg")
    reading = read_file(table_file(tmp_path, text))
    assert values(reading, "p")["A-01"] == pytest.approx(20 / 2.291, rel=5e-4)
    assert values(reading, "k")["A-01"] == pytest.approx(120 / 1.205, rel=5e-4)
    assert rules(reading).count("expressed_as") == 2
    assert {r.method for r in reading.results if r.key == "p"} == {"Olsen"}


def test_without_a_line_of_units_every_column_is_asked_about(tmp_path):
    lines = LAB.splitlines()
    path = table_file(tmp_path, "\n".join([*lines[:2], *lines[3:]]))
    reading = read_file(path)
    missing = {f.keys[0]: f for f in opens(reading) if f.rule == "unit_missing"}
    assert {"k", "ca", "mg", "na", "p", "s", "zn", "ec", "exch_acidity", "oc"} - set(missing) == {
        "oc"
    }  # 'OC %' says its own
    assert "ph_water" not in missing
    assert missing["k"].repair == {"unit": "cmol(+)/kg"}
    assert missing["p"].repair == {"unit": "mg/kg"}
    said = read_file(path, units={"k": "cmol(+)/kg"})
    assert values(said, "k")["P-01"] == pytest.approx(0.31 * 391.0)


def test_a_unit_that_cannot_be_is_asked_about(tmp_path):
    reading = read_file(table_file(tmp_path, SMALL.replace("K mg/kg", "K kg/ha")))
    question = next(f for f in opens(reading) if f.rule == "unit_unknown")
    assert question.keys == ("k",)


def test_pounds_an_acre_are_halved_and_said(tmp_path):
    # 2 lb/ac = 1 mg/kg for a slice of 2 million lb (ratings reference, section 1.1).
    reading = read_file(table_file(tmp_path, SMALL.replace("K mg/kg", "K lb/ac")))
    assert values(reading, "k")["A-01"] == 60.0
    assert "unit_assumes" in rules(reading)


def test_one_property_in_two_columns_keeps_one_and_says_so(tmp_path):
    text = SMALL.replace("K mg/kg", "P Bray-1 mg/kg")
    reading = read_file(table_file(tmp_path, text))
    assert "column_twice" in rules(reading)
    assert {r.column for r in reading.results if r.key == "p"} == {"P Olsen mg/kg"}


def test_merged_header_cells_of_a_workbook_are_taken_together(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Sample", "pH (H2O)", "Exchangeable cations (NH4OAc)", None, None, "Mehlich-3"])
    sheet.append([None, None, "K", "Ca", "Mg", "P"])
    sheet.append([None, None, "cmol(+)/kg", "cmol(+)/kg", "cmol(+)/kg", "mg/kg"])
    for row in (["A-01", 6.1, 0.2, 3.5, 1.0, 20], ["A-02", 6.4, 0.3, 4.5, 1.2, "<5"]):
        sheet.append(row)
    for cells in ("A1:A2", "B1:B2", "C1:E1"):
        sheet.merge_cells(cells)
    book.save(tmp_path / "lab.xlsx")
    reading = read_file(tmp_path / "lab.xlsx")
    assert values(reading, "ca")["A-01"] == pytest.approx(3.5 * 200.4)
    methods = {r.key: r.method for r in reading.results}
    assert methods["mg"] == "NH4OAc pH 7"
    assert methods["p"] == "Mehlich-3"
    assert {r.row for r in reading.results} == {4, 5}


def test_a_workbook_reads_like_its_csv(tmp_path):
    book = openpyxl.Workbook()
    for line in SMALL.splitlines():
        book.active.append([_typed(cell) for cell in line.split(",")])
    book.save(tmp_path / "lab.xlsx")
    from_book, from_csv = read_file(tmp_path / "lab.xlsx"), read_file(table_file(tmp_path, SMALL))
    assert [(r.sample_id, r.key, r.value) for r in from_book.results] == [
        (r.sample_id, r.key, r.value) for r in from_csv.results
    ]


def _typed(cell):
    try:
        return float(cell)
    except ValueError:
        return cell


# Small and odd tables


@pytest.mark.parametrize("count", [1, 2, 5])
def test_few_samples_are_read(tmp_path, count):
    text = "\n".join(SMALL.splitlines()[: count + 1])
    assert len(values(read_file(table_file(tmp_path, text)), "k")) == min(count, 3)


def test_a_row_that_names_a_block_is_a_composite(tmp_path, blocks):
    path = table_file(tmp_path, SMALL.replace("A-01", "knieë"))
    reading = read_file(path, blocks=blocks)
    assert "Knieë" in values(reading, "k")
    assert "composite" in rules(reading)
    assert reading.points == ()


def test_a_row_without_an_id_is_left_out_and_said(tmp_path):
    reading = read_file(table_file(tmp_path, SMALL.replace("A-02", "")))
    (found,) = [f for f in reading.findings if f.rule == "row_not_used"]
    assert found.row == 3
    assert set(values(reading, "k")) == {"A-01", "A-03"}


def test_words_of_a_column_not_understood_are_only_noted(tmp_path):
    lines = SMALL.splitlines()
    told = [lines[0] + ",Nova", *(f"{line},deep red" for line in lines[1:] if line)]
    reading = read_file(table_file(tmp_path, "\n".join(told) + "\n"))
    (found,) = [f for f in reading.findings if f.rule == "columns_not_used"]
    assert (found.severity, found.column) == ("note", "Nova")


def test_a_column_not_understood_is_said_and_can_be_named(tmp_path):
    text = SMALL.replace("K mg/kg", "Nova mg/kg")
    unknown = next(f for f in read_file(table_file(tmp_path, text)).findings
                   if f.rule == "columns_not_used")  # fmt: skip
    assert "Nova" in unknown.message
    # It holds numbers and may be what is sought: it stands among the things to look at.
    assert (unknown.severity, "--map-column" in unknown.proposal) == ("warning", True)
    named = read_file(table_file(tmp_path, text), columns={"Nova mg/kg": "k"})
    assert values(named, "k")["A-01"] == 120.0


def test_a_key_that_does_not_exist_is_wrong_use(tmp_path):
    path = table_file(tmp_path, SMALL)
    with pytest.raises(UsageError, match="neither a property nor a role"):
        read_file(path, columns={"K mg/kg": "kalium"})
    with pytest.raises(UsageError, match="no column"):
        read_file(path, columns={"Nothing": "k"})


# Hostile and foreign files


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"%PDF-1.7 ...", "ask the laboratory for CSV or XLSX"),
        (b"\xd0\xcf\x11\xe0....", "xlsx"),
        (b"\x7fELF", "program"),
        (b"\x89PNG", "picture"),
        (b"hello\nworld\n", "no line of headings"),
        (b"a,b\n\x00,1\n", "NUL"),
        (b'id,K mg/kg\n"A-01,3\nA-02,4\n', "quotation mark"),
    ],
)
def test_what_is_no_table_is_refused_in_one_sentence(tmp_path, data, word):
    (tmp_path / "lab.csv").write_bytes(data)
    with pytest.raises(IntakeError, match=word):
        read_file(tmp_path / "lab.csv")


def test_40_mb_are_refused_unread(tmp_path):
    with (tmp_path / "lab.csv").open("wb") as file:
        file.truncate(40_000_000)
    with pytest.raises(IntakeError, match="40 MB; 20 is the most"):
        read_file(tmp_path / "lab.csv")


def test_a_workbook_with_a_cell_at_the_end_of_the_world_is_read_in_part(tmp_path):
    book = openpyxl.Workbook()
    for line in SMALL.splitlines():
        book.active.append([_typed(cell) for cell in line.split(",")])
    book.active["XFD1048576"] = "far"
    book.save(tmp_path / "lab.xlsx")
    assert len(values(read_file(tmp_path / "lab.xlsx"), "k")) == 3


def test_a_zip_that_is_no_workbook_is_refused(tmp_path):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("../evil.csv", "id,K\n")
    (tmp_path / "lab.zip").write_bytes(data.getvalue())
    with pytest.raises(IntakeError, match="outside its own folder"):
        read_file(tmp_path / "lab.zip")


KML = """<kml xmlns="http://www.opengis.net/kml/2.2"><Document>
<Placemark><name>Nek</name><Polygon><outerBoundaryIs><LinearRing><coordinates>
20.010,-33.970 20.013,-33.970 20.013,-33.972 20.010,-33.972 20.010,-33.970
</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>
<Placemark><name>N-01</name><Point><coordinates>20.0111,-33.9711,0</coordinates></Point></Placemark>
<Placemark><name>N-02</name><Point><coordinates>20.0122,-33.9731,0</coordinates></Point></Placemark>
</Document></kml>"""

GPX = """<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="-33.9711" lon="20.0111"><name>N-01</name></wpt>
<wpt lat="-33.9731" lon="20.0122"><name>N-02</name></wpt>
<trk><name>Nek</name><trkseg><trkpt lat="-33.970" lon="20.010"/><trkpt lat="-33.970" lon="20.013"/>
<trkpt lat="-33.972" lon="20.013"/><trkpt lat="-33.972" lon="20.010"/>
<trkpt lat="-33.970" lon="20.010"/></trkseg></trk></gpx>"""


@pytest.mark.parametrize(("name", "text"), [("nek.kml", KML), ("nek.gpx", GPX)])
def test_outlines_and_places_in_one_map_are_both_taken(tmp_path, blocks, name, text):
    (tmp_path / name).write_text(text, "utf-8")
    reading = read_file(tmp_path / name, blocks=blocks)
    assert reading.kinds == ("outlines", "points")
    assert [o.name for o in reading.outlines] == ["Nek"]
    places = [(p.sample_id, p.lon, p.lat) for p in reading.points]
    assert places == [("N-01", 20.0111, -33.9711), ("N-02", 20.0122, -33.9731)]
    assert "points_beside_outlines" not in rules(reading)
    # the second one lies south of the outline that came with it
    (outside,) = [f for f in reading.findings if f.rule == "outside_block"]
    assert (outside.sample_ids, "outside Nek" in outside.message) == (("N-02",), True)


def test_outlines_read_alone_say_that_places_stand_beside_them(tmp_path):
    (tmp_path / "nek.kml").write_text(KML, "utf-8")
    outlines, findings = read_outlines(tmp_path / "nek.kml")
    assert [o.name for o in outlines] == ["Nek"]
    assert [f.severity for f in findings if f.rule == "points_beside_outlines"] == ["warning"]


def test_a_gpx_of_waypoints_gives_places(tmp_path, blocks):
    (tmp_path / "spots.gpx").write_text(
        '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="-33.9697571" lon="19.9964570"><name>p-1</name></wpt>'
        '<wpt lat="-33.9692463" lon="19.9965617"><name>P-02</name></wpt></gpx>'
    )
    reading = read_file(tmp_path / "spots.gpx", blocks=blocks)
    assert reading.kinds == ("points",)
    assert [p.sample_id for p in reading.points] == ["P-01", "P-02"]


def test_a_leaf_test_without_an_organ_is_kept_and_said(tmp_path, blocks):
    text = (DEMO / "tissue_2024_25.csv").read_text("utf-8").replace(",petiole,", ",,", 1)
    path = table_file(tmp_path, text)
    reading = read_file(path, blocks=blocks)
    assert reading.tissue[0].organ == ""
    assert rules(reading) == ["tissue_not_rated"]


# The demo's own trap files, each a copy of one file with one change

TRAPS = {
    "no_prj": "no_system",
    "turned": "axes_turned",
    "pond_apart": "outline_inside",
    "pond_wound_wrong": "outline_winding",
    "lat_lon_swapped": "lat_lon_swapped",
    "minus_lost": "minus_lost",
    "decimal_commas": "outside_block",  # the planted one, and nothing else
    "bow_tie": "outline_crosses",
    "sliver": "outline_sliver",
    "ids_as_dates": "ids_as_dates",
    "thousands": "thousands",
    "not_detected": "limit_unknown",
    "oxides": "expressed_as",
    "no_units": "unit_missing",
    "merged_header": "decimal_mixed",
}


@pytest.fixture(scope="module")
def traps(tmp_path_factory):
    from demo_geodata import traps

    return traps.write(tmp_path_factory.mktemp("traps"))


@pytest.mark.parametrize(("trap", "rule"), TRAPS.items())
def test_every_trap_of_the_demo_is_named(traps, blocks, gps, trap, rule):
    path = traps[trap]
    others = blocks[1:] if path.name.startswith("outline") else blocks
    reading = read_file(path, season=2024, blocks=others, known_points=gps.points)
    assert rule in rules(reading)


@pytest.mark.parametrize(
    ("trap", "word"), [("doctype", "DOCTYPE"), ("path_traversal", "outside its own folder")]
)
def test_hostile_traps_are_refused(traps, trap, word):
    with pytest.raises(IntakeError, match=word):
        read_file(traps[trap])


def test_an_outline_on_an_old_datum_lies_where_its_system_says(traps, blocks):
    (outline,) = read_file(traps["cape_datum"], blocks=blocks[1:]).outlines
    shift = outline.lonlat.hausdorff_distance(blocks[0].lonlat) * 111_000
    assert shift < 1.0  # 295.5 m if its datum were taken for the new one


def test_a_merged_header_reads_like_the_plain_table(traps, blocks, gps):
    plain = read_file(DEMO / "lab_2024.csv", blocks=blocks, known_points=gps.points)
    merged = read_file(traps["merged_header"], blocks=blocks, known_points=gps.points)
    for key in ("k", "ph_water", "zn", "p"):
        assert values(merged, key) == pytest.approx(values(plain, key))


def test_oxides_of_the_trap_give_the_elements_of_the_plain_table(traps, blocks, gps):
    plain = read_file(DEMO / "lab_2024.csv", blocks=blocks, known_points=gps.points)
    oxides = read_file(traps["oxides"], blocks=blocks, known_points=gps.points)
    for key, step in (("p", 0.5), ("k", 2.0)):  # half a step of rounding in the oxide column
        for sample_id, value in values(plain, key).items():
            assert values(oxides, key)[sample_id] == pytest.approx(value, abs=step)


@pytest.mark.parametrize(("trap", "count"), [("five_samples", 5), ("one_sample", 1),
                                             ("all_equal", 78)])  # fmt: skip
def test_few_and_equal_samples_raise_no_question(traps, blocks, gps, trap, count):
    reading = read_file(traps[trap], blocks=blocks, known_points=gps.points)
    assert len({r.sample_id for r in reading.results}) == count
    assert opens(reading) == []


def test_one_row_written_twice_is_used_once_and_said(tmp_path):
    text = SMALL + "A-03,6.2,22,130\n"
    reading = read_file(table_file(tmp_path, text))
    assert "row_twice" in rules(reading)
    assert len([r for r in reading.results if r.key == "k"]) == 3


def test_a_second_file_with_an_organ_of_its_own_keeps_it(traps, blocks):
    reading = read_file(traps["organ_differs"], blocks=blocks)
    assert "blade" in {t.organ for t in reading.tissue if t.stage == "full bloom"}


@pytest.mark.parametrize(
    ("text", "lat", "lon"),
    [
        ("46.200500, -119.499500", 46.2005, -119.4995),
        ("46°12'01.8\"N 119°29'58.2\"W", 46.2005, -119.4995),
        ("N46 12.030 W119 29.970", 46.2005, -119.4995),
        ("4612.0300,N,11929.9700,W", 46.2005, -119.4995),
        ("46,2005; -119,4995", 46.2005, -119.4995),
    ],
)
def test_every_way_of_writing_a_place(text, lat, lon):
    # Formats reference, section 3.8.
    assert read_place(text) == pytest.approx((lon, lat), abs=1e-9)


@pytest.mark.parametrize("text", ["46°12'61\"N 119°29'58\"W", "-46.2 S, 119 E", "46 O, 119 N", "x"])
def test_a_place_that_cannot_be_is_not_read(text):
    assert read_place(text) is None


@pytest.mark.parametrize("cell", ["n.a.", "nd", "-999", "0", ""])
def test_no_unit_is_asked_of_a_column_without_a_number(tmp_path, cell):
    text = f"Sample,pH,Cu\nA-01,5.1,{cell}\nA-02,5.3,{cell}\n"
    assert "unit_missing" not in rules(read_file(table_file(tmp_path, text)))
