"""report.pdf and field.html: read back with other programs, with hostile names, same bytes."""

import csv
import itertools
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pytest
import shapely

from geo.crs import to_metric
from geo.grids import Grid
from maps.assets import TEMPLATES
from maps.drawing import classlines, drawings, prints
from maps.paper.field import field_data, field_page
from maps.paper.reportdata import report_data
from maps.paper.sheetdata import driver_rows
from maps.report import report_pdf, write_report

HOSTILE = (
    '#panic("x") *[a](b)* $x$ @ref <script>alert(1)</script> {{7*7}} {% bad "; ' + "long " * 40
)
poppler = pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="poppler is not installed")


def tool(name, path, *options):
    done = subprocess.run([name, *options, path, *(["-"] if name == "pdftotext" else [])],
                          capture_output=True, text=True, check=True)  # fmt: skip
    return done.stdout


@pytest.fixture(scope="module")
def printed(poel, kniee, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    for season in (poel, kniee):
        (folder / season.block.slug).mkdir()
        write_report(season, folder / season.block.slug)
    return folder


@poppler
def test_it_is_tagged_has_a_title_and_no_date(printed):
    """PDF/UA-1 (ISO 14289-1) asks for tags, a title and a language."""
    path = printed / "kniee" / "report.pdf"
    said = tool("pdfinfo", path)
    assert re.search(r"Tagged:\s+yes", said)
    assert re.search(r"Title:\s+Knieë 2025, Ombervale", said)
    assert "CreationDate" not in said
    assert "PDF/UA-1" in said or b"pdfuaid" in path.read_bytes()


@poppler
def test_the_first_page_says_what_to_spread_where(printed, poel):
    text = tool("pdftotext", printed / "poel" / "report.pdf", "-l", "1", "-layout")
    assert "Lime for Poel" in text
    for word in ("For the driver", "To buy", "How sure is this?", "One rate instead?", "Mind",
                 "What was really spread", "Rows left"):  # fmt: skip
        assert word in text
    rates = [r for r in poel.prescription.rates if r.amendment == "lime"]
    swath = poel.settings.spreader_of("Poel").width_m
    for rate in rates:
        if rate.rate_kg_ha:
            kilograms = rate.rate_kg_ha * swath * 100 / 10_000
            assert f"{kilograms:.0f}" in text


@poppler
def test_a_sheet_names_the_other_sheets_and_their_pages(printed):
    pages = tool("pdftotext", printed / "kniee" / "report.pdf").split("\f")
    (said,) = re.findall(r"Also to spread here: potassium, .* page (\d+)\.", pages[0])
    assert "Potassium for Knieë" in pages[int(said) - 1]
    assert "Also to spread here: gypsum" in pages[int(said) - 1]


@poppler
def test_every_section_the_adviser_needs_is_there(printed):
    text = tool("pdftotext", printed / "poel" / "report.pdf")
    wanted = ["Why these rates", "What has no rate, and why", "The soil of Poel", "Maps of Poel"]
    for word in [*wanted, "What the files held", "Sources", "How this was made"]:
        assert word in text
    assert "not analysed" in text
    assert "Decision" not in text
    assert "no recommendation of record" in text


@poppler
@pytest.mark.parametrize(
    ("paper", "size"), [("a4", "595.276 x 841.89"), ("us-letter", "612 x 792")]
)
def test_both_papers(kniee, tmp_path, paper, size):
    write_report(kniee, tmp_path, paper)
    assert f"{size} pts" in tool("pdfinfo", tmp_path / "report.pdf")


def test_same_season_same_bytes(printed, kniee, tmp_path):
    write_report(kniee, tmp_path)
    again = (tmp_path / "report.pdf").read_bytes()
    assert again == (printed / "kniee" / "report.pdf").read_bytes()


def hostile(season):
    block = replace(season.block, name=HOSTILE)
    settings = replace(season.settings, name=HOSTILE, blocks={HOSTILE: block.site})
    return replace(season, block=block, settings=settings)


@poppler
def test_a_hostile_or_long_name_is_only_text_on_paper(kniee, tmp_path):
    write_report(hostile(kniee), tmp_path)
    text = " ".join(tool("pdftotext", tmp_path / "report.pdf").split())
    assert '#panic("x") *[a](b)* $x$ @ref <script>alert(1)</script> {{7*7}}' in text


@poppler
def test_a_letter_without_a_font_does_not_stop_the_run(kniee, tmp_path):
    """PDF/UA-1 forbids letters without a glyph; no font has this one of the private planes."""
    block = replace(kniee.block, name="Kraal \U000f1234 7")
    write_report(replace(kniee, block=block), tmp_path)
    text = tool("pdftotext", tmp_path / "report.pdf")
    assert "Kraal ? 7" in text
    assert "printed as question marks" in " ".join(text.split())


@poppler
@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("name", ["poel", "kniee"])
def test_the_sheet_for_the_driver_is_one_page(request, tmp_path, name, paper):
    write_report(request.getfixturevalue(name), tmp_path, paper)
    first = tool("pdftotext", tmp_path / "report.pdf", "-l", "1")
    assert "For the driver" in first
    assert "Rows left" in first


@poppler
def test_a_farm_in_pounds_and_acres_reads_pounds_and_acres(poel, tmp_path):
    """1 kg/ha = 0.892179 lb/ac, 1 ha = 2.471054 ac, kg per 100 m x 0.671969 = lb per 100 ft."""
    season = replace(poel, settings=replace(poel.settings, units="us"))
    data = report_data(season)
    (rate,) = [r for r in poel.prescription.rates if r.zone_id == 1 and r.amendment == "lime"]
    row = next(r for r in data["materials"][0]["driver"] if r["zone"] == "1")
    assert row["rate"] == f"{rate.rate_kg_ha * 0.892179:.0f} lb/ac"
    assert row["area"] == f"{rate.area_ha * 2.471054:.2f}"
    assert float(row["drive"]) == pytest.approx(rate.rate_kg_ha * 0.048 * 0.671969, abs=0.5)
    write_report(season, tmp_path)
    text = tool("pdftotext", tmp_path / "report.pdf", "-l", "1", "-layout")
    assert "lb in 100 ft" in text
    assert "t/ha" not in text
    assert "kg/ha" in text  # the unit of the spreader file, which is the controller's


class Elements(HTMLParser):
    def __init__(self):
        super().__init__()
        self.found, self.links = [], []

    def handle_starttag(self, tag, attrs):
        self.found.append(tag)
        self.links += [v for k, v in attrs if k in ("src", "href") and v]


def test_a_hostile_name_is_only_text_on_the_phone(kniee):
    plain, wild = Elements(), Elements()
    plain.feed(field_page(field_data(kniee)))
    wild.feed(field_page(field_data(hostile(kniee))))
    assert plain.found.count("script") == wild.found.count("script") == 2
    assert plain.found == wild.found


def test_the_field_page_needs_nothing_from_outside(poel):
    page = field_page(field_data(poel))
    elements = Elements()
    elements.feed(page)
    assert elements.links == ["data:,"]
    assert not re.findall(r"(?:https?:)?//(?!www\.w3\.org/2000/svg)[a-z]", page)
    assert "url(" not in page


def test_the_field_page_tells_zone_rows_and_kilograms(poel):
    page = field_page(field_data(poel))
    for row in driver_rows(poel, "lime"):
        assert f"<strong>{row['rate']}</strong>" in page
        assert f"<strong>{row['drive']}</strong>" in page
    assert page.count('class="hit"') == len(driver_rows(poel, "lime"))


def test_place_on_the_phone_is_where_pyproj_puts_it(poel):
    """The page's affine against pyproj's full projection, at samples: within 5 cm and 0.05 row."""
    from pyproj import Transformer

    place = field_data(poel)["place"]
    table = poel.checked.usable[["lon", "lat"]].dropna().to_numpy(float)
    forward = Transformer.from_crs("EPSG:4326", poel.block.crs, always_xy=True).transform
    xy = np.column_stack(forward(table[:, 0], table[:, 1]))
    paper = drawings.paper_for(poel.block.outline, 350.0, 430.0)
    design = np.column_stack([np.ones(len(table)), table - place["middle"]])
    found = design @ np.array(place["fit"]).T
    assert np.abs(found[:, :2] - paper.points(xy)).max() / paper.scale < 0.05
    site = poel.block.site
    turn = np.radians(site.row_azimuth_deg)
    left = np.array([-np.cos(turn), np.sin(turn)])
    corners = shapely.get_coordinates(poel.block.outline) @ left
    rows = (corners.max() - xy @ left) / site.row_spacing_m + 0.5
    assert np.abs(found[:, 2] - rows).max() < 0.05


# Grey-safe: on a grey printer the stitches alone must tell the zones apart.
@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_the_more_is_spread_the_closer_the_stitches(count):
    rates = [float(500 * k) for k in range(count, 0, -1)]
    letters = [stitch for _, stitch in drawings.zone_looks([*rates, 0.0])]
    assert letters[-1] == ""
    assert len(set(letters)) == count + 1
    shape = shapely.box(0, 0, 100, 100)
    paper = drawings.paper_for(shape, 200, 200)
    ink = [drawn_length(drawings.stitches(shape, paper, letter, 25.0)) for letter in letters]
    assert all(more > 1.25 * less for more, less in itertools.pairwise(ink))


def drawn_length(path):
    total = 0.0
    for x1, y1, x2, y2 in re.findall(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", path):
        total += ((float(x2) - float(x1)) ** 2 + (float(y2) - float(y1)) ** 2) ** 0.5
    return total


def test_stitches_stay_inside_their_zone():
    ring = shapely.Point(50, 50).buffer(45) - shapely.Point(50, 50).buffer(15)
    paper = drawings.paper_for(ring, 300, 300)
    path = drawings.stitches(ring, paper, "A", 40.0)
    drawn = shapely.transform(ring, paper.points)
    ends = re.findall(r"[ML]([\d.]+) ([\d.]+)", path)
    assert len(ends) > 200
    assert all(drawn.contains(shapely.Point(float(x), float(y))) for x, y in ends)


def test_stitches_run_along_the_rows():
    """Azimuth is clockwise from north (x east, y down on paper): 90 degrees is a level stitch."""
    shape = shapely.box(0, 0, 100, 100)
    paper = drawings.paper_for(shape, 200, 200)
    for azimuth, level, upright in ((90.0, True, False), (0.0, False, True)):
        path = drawings.stitches(shape, paper, "B", azimuth)
        x1, y1, x2, y2 = map(float, re.search(r"M(\S+) (\S+?)L(\S+) ([\d.]+)", path).groups())
        assert (abs(y2 - y1) < 0.11) is level
        assert (abs(x2 - x1) < 0.11) is upright


def cone(side=60):
    """Distance from the middle of a square of one metre cells: its lines are circles."""
    grid = Grid((0.0, side), 1.0, (side, side), "EPSG:32734", np.ones((side, side), bool))
    away = np.linalg.norm(grid.centres() - side / 2, axis=1)
    return grid, away.reshape(grid.shape)


@pytest.mark.parametrize("radius", [5.0, 12.5, 24.0])
def test_the_line_of_a_limit_on_a_cone_is_a_circle(radius):
    """Length 2 pi r and area pi r^2; straight pieces of about a metre stay within r^-2 / 8."""
    (line,) = classlines.class_lines(cone()[1], cone()[0], radius)
    assert line.is_closed
    assert line.length == pytest.approx(2 * np.pi * radius, rel=0.02)
    assert shapely.Polygon(line).area == pytest.approx(np.pi * radius**2, rel=0.02)


def test_a_name_stands_in_its_own_class_clear_of_samples_or_nowhere():
    grid, away = cone()
    taken = np.array([[30.0, 30.0], [30.0, 50.0]])
    names = classlines.class_names(away, grid, ["low", "medium", "very high"], [14, 41], 4.0, taken)
    assert [name.words for name in names] == ["low", "medium"]  # corners hold no "very high"
    for name, (low, high) in zip(names, [(0, 14), (14, 41)], strict=True):
        assert low < np.hypot(name.x_m - 30, name.y_m - 30) < high
        assert np.linalg.norm(taken - [name.x_m, name.y_m], axis=1).min() > 4.0 / 3


def test_samples_of_three_kinds_of_class_differ_without_colour():
    paper = drawings.paper_for(shapely.box(0, 0, 100, 100), 200, 200)
    levels = ["very_low", "low", "medium", "high", "very_high"]
    marks = [drawings.class_marks([(50, 50)], paper, [level], ["#fff"]) for level in levels]
    assert marks[0] == marks[1] != marks[2] != marks[3] == marks[4] != marks[0]


def test_a_sample_that_is_in_no_map_stands_on_no_map(poel):
    """The question of a place outside the block is open: the maps are made without the sample."""
    name = str(poel.checked.usable.index[0])
    left_out = replace(poel.checked, left_out=((name, "9.7 m outside Poel"),))
    count = len(prints.mapped_places(poel))
    assert len(prints.mapped_places(replace(poel, checked=left_out))) == count - 1


@poppler
def test_a_figure_and_its_unit_stand_on_one_line(printed):
    for name in ("poel", "kniee"):
        text = tool("pdftotext", printed / name / "report.pdf")
        assert not re.findall(r"\d\n(?:%|t/ha|kg/ha|mg/kg|cmol)[^\n]*", text)


def test_mass_times_price_is_the_sum_beside_it(poel):
    """What a reader multiplies: 12.46 t at R 1 010 a tonne is R 12 585, to the nearest 5."""
    (material,) = report_data(poel)["materials"]
    words, money = material["buy"][0]
    tonnes, price = re.fullmatch(r"([\d.]+) t .* at R\s([\d\s]+) a tonne", words).groups()
    said = float(re.sub(r"[^\d]", "", money))
    assert float(tonnes) * float(re.sub(r"\s", "", price)) == pytest.approx(said, abs=10)


def test_one_row_of_a_table_is_one_property_and_open_questions_stand_out(poel):
    data = report_data(poel)
    names = [row["name"] for row in data["ratings"]]
    assert len(names) == len(set(names))
    opened = [f for f in data["findings"] if f["open"]]
    assert len(opened) == sum(f.severity == "open" for f in poel.checked.findings)
    assert report_pdf(data)[:5] == b"%PDF-"


def test_the_purchase_adds_up(poel):
    (material,) = report_data(poel)["materials"]
    amounts = [int("".join(c for c in money if c.isdigit())) for _, money in material["buy"]]
    assert sum(amounts[:-1]) == pytest.approx(amounts[-1], abs=10)  # each to the nearest 5
    assert amounts[-1] == pytest.approx(poel.prescription.costs["lime"], abs=2.5)


def test_numbers_on_a_map_do_not_cover_each_other():
    rng = np.random.default_rng(7)
    places = rng.uniform(0, 200, (30, 2))
    places[1] = places[0]  # the same spot twice
    labels = drawings.pushed_apart(places, 16.0)
    away = np.linalg.norm(labels[:, None] - labels[None], axis=2)[np.triu_indices(30, 1)]
    assert away.min() > 15.5
    alone = np.linalg.norm(places[:, None] - places[None], axis=2)
    np.fill_diagonal(alone, np.inf)
    far = alone.min(axis=1) > 40.0
    assert np.abs(labels[far] - places[far]).max(initial=0.0) < 8.0


def contrast(one, other):
    """WCAG 2.2, definitions of contrast ratio and relative luminance."""
    lights = []
    for color in (one, other):
        digits = color[1:] if len(color) == 7 else "".join(2 * c for c in color[1:])
        share = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in share]
        lights.append(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)
    return max(lights) / min(lights)


@pytest.mark.parametrize("page", ["field.html", "plan-field.html"])
def test_words_on_the_phone_stand_out_by_day_and_by_night(page):
    """WCAG 2.2, 1.4.6: 7 to 1 for text; 1.4.11: 3 to 1 for what marks a choice."""
    text = (TEMPLATES / page).read_text(encoding="utf-8")
    roots = re.findall(r":root {([^}]*)}", text)
    assert len(roots) == 3  # day, night, paper
    for root in roots:
        color = dict(re.findall(r"--(\w+): (#\w+)", root))
        assert contrast(color["ink"], color["paper"]) >= 7
        assert contrast(color["ink2"], color["paper"]) >= 7
        assert contrast(color["thread"], color["paper"]) >= 4.5
        assert contrast(color["edge"], color["paper"]) >= 3


@pytest.mark.browser
def test_the_phone_page_prints_every_material_and_no_button(kniee, chromium, tmp_path):
    path = tmp_path / "field.html"
    path.write_text(field_page(field_data(kniee)), encoding="utf-8")
    page = chromium.new_page()
    page.goto(path.as_uri())
    panels, button = page.get_by_role("tabpanel", include_hidden=True), page.locator("#locate")
    assert [panel.is_visible() for panel in panels.all()].count(True) == 1
    page.emulate_media(media="print")
    assert panels.count() > 1
    assert all(panel.is_visible() for panel in panels.all())
    assert not button.is_visible()
    page.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [320, 390, 768])
def test_a_phone_says_where_it_stands(poel, chromium, tmp_path, width):
    """Zone by shapely, row by the sample list; nothing asked of the network, nothing cut off."""
    data = field_data(poel)
    (tmp_path / "field.html").write_text(field_page(data), encoding="utf-8")
    spot = data["spots"][5]
    lon, lat = float(spot["lon"]), float(spot["lat"])
    place = to_metric(shapely.Point(lon, lat), poel.block.crs)
    lime = next(z for z in poel.zone_maps if z.amendment == "lime")
    zone = next(z.zone_id for z in lime.zones if z.outline.contains(place))
    trouble = []
    context = chromium.new_context(
        viewport={"width": width, "height": 700},
        geolocation={"longitude": lon, "latitude": lat, "accuracy": 4},
        permissions=["geolocation"],
    )
    page = context.new_page()
    page.on("console", lambda message: trouble.append(message.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("request", lambda r: r.url.startswith(("file:", "data:")) or trouble.append(r.url))
    page.set_default_timeout(120_000)
    page.goto((tmp_path / "field.html").as_uri())
    page.click("#locate")
    page.wait_for_function("document.getElementById('here').textContent.includes('sure')")
    said = page.inner_text("#here")
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.click("#tab-spots")
    shown = page.is_visible("#view-spots") and not page.is_visible("#view-lime")
    context.close()
    assert said == f"zone {zone}, row {spot['row']}; sure to 4 m"
    assert wide <= width
    assert shown
    assert trouble == []


def test_a_sheet_warns_of_its_own_product_alone(kniee):
    """Knieë gets gypsum and potash; the cautions are those of geo/tables/cautions.csv."""
    with (files("geo") / "tables" / "cautions.csv").open(encoding="utf-8", newline="") as table:
        rows = list(csv.DictReader(table))
    general = {row["text"] for row in rows if row["amendment"] == "all" and row["key"] != "organic"}
    sheets = {
        sheet["title"].split()[0]: set(sheet["mind"]) for sheet in report_data(kniee)["materials"]
    }
    assert {"Gypsum", "Potassium"} <= set(sheets)
    own = {name: found - general for name, found in sheets.items()}
    for name, found in sheets.items():
        assert general <= found, name
    assert any("goggles" in text for text in own["Gypsum"])
    assert not any("Potassium" in text for text in own["Gypsum"])
    assert any("winemaker" in text for text in own["Potassium"])


def test_one_rate_is_not_offered_instead_of_one_rate(kniee):
    """Where the zones are one, nothing stands in for them and no zone needs a name."""
    (gypsum,) = [m for m in report_data(kniee)["materials"] if m["title"].startswith("Gypsum")]
    assert gypsum["uniform"]
    zone_map = next(z for z in kniee.zone_maps if z.amendment == "gypsum")
    rate = next(r for r in kniee.prescription.rates if r.amendment == "gypsum")
    whole = replace(zone_map, zones=zone_map.zones[:1])
    one = replace(
        kniee,
        zone_maps=tuple(whole if z is zone_map else z for z in kniee.zone_maps),
        prescription=replace(kniee.prescription, rates=(rate,)),
    )
    (sheet,) = report_data(one)["materials"]
    assert sheet["uniform"] == ""
    assert not any("zone 1" in line for line in sheet["sure"][-1:])
