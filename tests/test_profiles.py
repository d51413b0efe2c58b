"""Last year's layout of a laboratory is put over a file that looks the same, and over no other."""

from pathlib import Path

import pytest
from shapely import box
from starlette.testclient import TestClient

from geo.blocks import Outline
from geo.farm import create_farm, read_records
from geo.intake.files import read_file
from geo.store.stations import layouts
from maps.app import create_app
from maps.cli import main

HEAD = "Agri Lab, report {n}\nsample,lat,lon,pH (H2O),Exch one,P\n"
ROWS = "W{a},-33.999,20.001,6.1,{k},31\nW{b},-33.9985,20.0005,5.9,{k},28\n"
#: mg in a kg that 1 cmol(+) of K weighs: 39.0983 g/mol, one charge (IUPAC 2021) x 10.
K_MG_PER_CMOL = 390.983


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    folder = tmp_path / "hill"
    yard = box(20.0, -34.0, 20.002, -33.998)
    create_farm(folder, [Outline("Yard", yard, "", 1, "EPSG:4326")])
    first = tmp_path / "lab24.csv"
    first.write_text(HEAD.format(n="2024-17") + ROWS.format(a=1, b=2, k=0.31))
    words = ["--map-column", "Exch one=k", "--unit", "k=cmol(+)/kg", "--unit", "p=mg/kg",
             "--method", "p=Mehlich-3", "--method", "k=NH4OAc pH 7"]  # fmt: skip
    assert main(["add", str(folder), str(first), "--season", "2024", *words]) == 0
    return folder


def next_year(farm: Path, text: str = HEAD, name: str = "lab25.csv") -> Path:
    path = farm.parent / name
    path.write_text(text.format(n="2025-04") + ROWS.format(a=1, b=2, k=0.25))
    return path


def test_meanings_units_and_methods_come_from_last_year(farm, capsys):
    assert main(["add", str(farm), str(next_year(farm)), "--season", "2025"]) == 0
    said = capsys.readouterr().out
    assert "read as last year's file: lab24.csv" in said
    samples = read_records(farm, 2025, "Yard").layer()
    assert samples.table["k"].iloc[0] == pytest.approx(0.25 * K_MG_PER_CMOL, rel=1e-3)
    assert samples.methods["p"] == "Mehlich-3"
    assert "extractant" not in said


def test_it_is_read_by_itself_where_that_is_asked(farm, capsys):
    main(["add", str(farm), str(next_year(farm)), "--season", "2025", "--anew"])
    said = capsys.readouterr().out
    assert "last year's file" not in said
    assert "Exch one not understood" in said


@pytest.mark.parametrize(
    "text",
    [
        HEAD.replace("Agri Lab", "Other Lab"),
        HEAD.replace(",P\n", ",Zn\n"),
        HEAD.replace("pH (H2O),Exch one", "Exch one,pH (H2O)"),
    ],
)
def test_another_laboratory_or_layout_is_another_file(farm, text):
    reading = read_file(next_year(farm, text), season=2025, profiles=layouts(farm))
    assert not any(f.rule == "as_last_year" for f in reading.findings)
    assert not any(r.key == "k" for r in reading.results)


def test_what_the_file_or_a_person_says_goes_before(farm):
    path = next_year(farm)
    reading = read_file(
        path, season=2025, profiles=layouts(farm), units={"k": "mg/kg"}, methods={"p": "Olsen"}
    )
    potassium = next(r for r in reading.results if r.key == "k")
    assert potassium.value == 0.25
    assert {r.method for r in reading.results if r.key == "p"} == {"Olsen"}
    named = HEAD.replace(",P\n", ",P\n,,,,,mg/kg P2O5\n")
    reading = read_file(next_year(farm, named, "b.csv"), season=2025, profiles=layouts(farm))
    phosphorus = next(r for r in reading.results if r.key == "p")
    assert phosphorus.unit_read == "mg/kg P2O5"


def test_the_page_says_so_with_one_click_to_change(farm):
    base = "http://127.0.0.1:8000"
    client = TestClient(create_app(farm), base_url=base, headers={"origin": base})
    path = next_year(farm)
    client.post("/lab/files", files=[("files", (path.name, path.read_bytes()))],
                data={"season": "2025"})  # fmt: skip
    page = client.get("/lab").text
    assert "Read as last year&#39;s file: lab24.csv" in page
    assert "potassium, cmol(+)/kg" in page.lower()
    page = client.post("/lab/say", data={"file": path.name, "layout": "anew"}).text
    assert "Read as last year&#39;s" not in page
    page = client.post("/lab/say", data={"file": path.name, "layout": "before"}).text
    assert "Read as last year&#39;s file: lab24.csv" in page


def test_a_stored_file_is_read_again_in_one_step(farm):
    """Withdrawn and added with other words; nothing is changed before it is stored."""
    from geo.store.database import reading

    def stored():
        with reading(farm) as database:
            files = [
                (r["state"], r["sha256"])
                for r in database.execute("SELECT state, sha256 FROM files")
            ]
            units = {
                r[0] for r in database.execute("SELECT unit_read FROM results WHERE key = 'k'")
            }
        return files, units

    base = "http://127.0.0.1:8000"
    client = TestClient(create_app(farm), base_url=base, headers={"origin": base})
    (before,), units = stored()
    assert units == {"cmol(+)/kg"}
    client.post("/lab/again", data={"file": before[1]})
    words = {"file": "lab24.csv", "heading": "Exch one", "key": "k", "unit": "mg/kg"}
    client.post("/lab/say", data=words)
    assert stored() == ([before], units)
    client.post("/lab/store")
    files, units = stored()
    assert [state for state, _ in files] == ["withdrawn", "stored"]
    assert units == {"mg/kg"}
    assert client.post("/lab/again", data={"file": "0" * 64}).status_code == 409


@pytest.mark.parametrize(
    ("table", "shown"),
    [
        ("sample,lat,lon\nT2,-33.999,20.001\n", ("latitude", "-33.999000")),
        (
            "block,date,growth stage,organ,N %,K %\nYard,2025-11-12,full bloom,petiole,1.1,1.9\n",
            ("1.1 %", "1.9 %"),
        ),
        (
            "block,date,product,rate kg/ha,area ha\nYard,2025-05-02,dolomitic lime,2000,3.1\n",
            ("dolomitic lime", "2000"),
        ),
        (
            "sample,lat,lon,depth,pH (H2O),K mg/kg\nN1,45.0004,10.0003,0-30,6.1,140\n"
            "N2,45.0006,10.0009,30-60,6.4,120\n",
            (
                "N01",
                "45.000400",
                "10.000300",
                "latitude",
                "depth cm",
                "0 to 30",
                "30 to 60",
                "6.1",
                "140",
            ),
        ),
    ],
)
def test_a_typed_table_of_any_kind_shows_its_first_rows(farm, table, shown):
    base = "http://127.0.0.1:8000"
    client = TestClient(create_app(farm), base_url=base, headers={"origin": base})
    client.post("/lab/files", data={"table": table, "season": "2025"})
    page = client.get("/lab").text
    rows = page[page.index("First rows as understood") :]
    assert all(f"<td>{cell}</td>" in rows or f">{cell}</th>" in rows for cell in shown)
    assert "not used" not in page


def test_a_pdf_is_answered_with_what_to_do(farm):
    base = "http://127.0.0.1:8000"
    client = TestClient(create_app(farm), base_url=base, headers={"origin": base})
    client.post("/lab/files", files=[("files", ("lab.pdf", b"%PDF-1.4\n1 0 obj<<>>endobj\n"))])
    page = client.get("/lab").text
    assert "Nothing could be read" in page
    assert "ask the laboratory for CSV or XLSX, or type it" in page
