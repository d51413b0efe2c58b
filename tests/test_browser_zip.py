"""A zip of a season's files, let fall on the page of an empty farm in a real Chromium."""

import base64
import io
import zipfile

import pytest

import demo_geodata

pytest.importorskip("playwright")

from playwright.sync_api import expect

from geo.farm import read_blocks, read_records
from maps.screenshots import serving

pytestmark = pytest.mark.browser

FILES = (
    "outline_poel.shp", "outline_poel.shx", "outline_poel.dbf", "outline_poel.prj",
    "outline_poel.cpg", "outline_werfie.kml", "outline_kniee.geojson", "gps_2024.csv",
    "lab_2024.csv", "tissue_2024_25.csv",
)  # fmt: skip


def mac_zip() -> bytes:
    """The files in a folder, as a Mac packs them: each with a shadow that is no file of ours."""
    files, made = demo_geodata.files(), io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in FILES:
            archive.write(files / name, f"Saison 2024/{name}")
            archive.writestr(
                f"__MACOSX/Saison 2024/._{name}", b"\x00\x05\x16\x07\x00\x02\x00\x00Mac"
            )
        archive.writestr("Saison 2024/.DS_Store", b"\x00\x00\x00\x01Bud1")
        archive.writestr("Saison 2024/report.pdf", b"%PDF-1.7")
        archive.writestr("Saison 2024/letter.docx", b"PK")
    return made.getvalue()


def drop(page, name: str, data: bytes) -> None:
    """One file let fall on the page, as a hand does it."""
    page.evaluate(
        """([name, text]) => {
          const dataTransfer = new DataTransfer();
          const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
          dataTransfer.items.add(new File([bytes], name));
          for (const kind of ["dragenter", "dragover", "drop"])
            document.body.dispatchEvent(new DragEvent(kind, { dataTransfer, bubbles: true }));
        }""",
        [name, base64.b64encode(data).decode("ascii")],
    )


def test_a_zip_dropped_on_an_empty_farm_is_taken_apart_shown_and_stored(
    new_tab, ready, tmp_path_factory
):
    folder = tmp_path_factory.mktemp("zip") / "ombervale"
    with serving(folder) as base:
        page = ready(new_tab(base), "/")
        drop(page, "Saison 2024.zip", mac_zip())
        page.wait_for_url("**/lab")
        main = page.locator("main")
        for words in ("outline of Poel", "outline of Werfie", "outline of Knieë", "81 places",
                      "10 tissue tests"):  # fmt: skip
            expect(main).to_contain_text(words)
        # What is in the zip and not read is said; what only the computer put there is not.
        expect(main).to_contain_text("report.pdf")
        expect(main).to_contain_text("ask the laboratory for CSV or XLSX")
        expect(main).to_contain_text("letter.docx")
        for words in ("_gps_2024", "DS_Store", "NUL"):
            expect(main).not_to_contain_text(words)
        assert not folder.exists()
        page.locator("#season").fill("2024")
        page.get_by_role("button", name="the year").click()
        expect(main).to_contain_text("80 soil samples")
        page.get_by_role("button", name="Store all").click()
        expect(page.get_by_role("button", name="Make the maps of 2024")).to_be_visible()
        trouble = page.trouble
        page.context.close()
    assert trouble == []
    assert [block.name for block in read_blocks(folder)] == ["Knieë", "Poel", "Werfie"]
    # Demo scenario: 14 stations in Werfie in the first season.
    assert len(read_records(folder, 2024, "Werfie").layers[0].table) == 14
