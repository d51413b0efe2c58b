"""The settings form: each knob with its help, refused at its field, remarks in farm.toml kept."""

import json
import tomllib
from pathlib import Path

import pytest
from shapely import box
from starlette.testclient import TestClient

from geo.blocks import Outline
from geo.farm import create_farm
from geo.settings import read_settings
from geo.settings_text import EXPLAINED
from maps.app import create_app
from maps.pages.settings import sections
from maps.serving.farmtext import with_key, without_key

BASE = "http://127.0.0.1:8000"
TARGET = json.dumps(["blocks", 'The "old" yard', "target_ph"])
TEXT = """\
# My own remark.
[farm]
name = "Hill # farm"   # 'quoted' and "quoted" # remark
units = "metric"       # "metric" or "us"

[blocks.'The "old" yard']
# target_ph =          # pH in water to lime to
planted = 2006         # replanted after "the flood"
"""


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    folder = tmp_path / "hill"
    yard = box(20.0, -34.0, 20.002, -33.998)
    create_farm(folder, [Outline('The "old" yard', yard, "", 1, "EPSG:4326")], TEXT)
    return folder


def client_of(folder: Path) -> TestClient:
    return TestClient(create_app(folder), base_url=BASE, headers={"origin": BASE})


def test_every_explained_knob_is_a_field(farm):
    """A form that forgets a key sends people back to the text."""
    settings = read_settings(farm / "farm.toml")
    shown = {(k.table[0], k.key) for _, _, ks in sections(settings, ['The "old" yard']) for k in ks}
    for table, words in EXPLAINED.items():
        if table == "ground":
            continue  # asked on the same page, with what it gives away
        name = "blocks" if table == "block" else table
        missing = {key for key in words if (name, key) not in shown} - {
            "placement",
            "product",
            "boundaries",
        }
        assert missing == set(), table


def test_a_change_keeps_every_remark(farm):
    client = client_of(farm)
    client.post("/settings", data={TARGET: "6,3", json.dumps(["farm", "units"]): "us"})
    text = (farm / "farm.toml").read_text()
    assert read_settings(farm / "farm.toml").block('The "old" yard').target_ph == 6.3
    for remark in ("# My own remark.", '# "metric" or "us"', "# pH in water", '"the flood"'):
        assert remark in text
    assert 'units = "us"' in text
    client.post("/settings", data={TARGET: ""})
    assert read_settings(farm / "farm.toml").block('The "old" yard').target_ph is None


@pytest.mark.parametrize("said", ["sixish", "61", "-1", "1e2", "nan"])
def test_a_wrong_value_is_told_at_its_field_and_changes_nothing(farm, said):
    before = (farm / "farm.toml").read_bytes()
    page = client_of(farm).post("/settings", data={TARGET: said})
    assert page.status_code == 200
    assert page.text.count('aria-invalid="true"') == 1
    assert f'value="{said}"' in page.text, "what was typed stays in the field"
    assert (farm / "farm.toml").read_bytes() == before


def test_the_form_as_shown_changes_nothing(farm):
    """Saving an untouched form must not write defaults into farm.toml."""
    import re
    from html import unescape

    client, before = client_of(farm), (farm / "farm.toml").read_bytes()
    page = client.get("/settings").text
    form = page[page.index('class="knobs"') : page.index("The same as text")]
    said = {
        unescape(n): unescape(v)
        for n, v in re.findall(r'<input id="k\d+" name="([^"]+)" value="([^"]*)"', form)
    }
    for name, inside in re.findall(r'<select id="k\d+" name="([^"]+)"[^>]*>(.*?)</select>', form):
        chosen = re.search(r'value="([^"]*)" selected', inside)
        said[unescape(name)] = chosen[1] if chosen else ""
    assert len(said) > 50
    client.post("/settings", data=said)
    assert (farm / "farm.toml").read_bytes() == before


def test_a_layout_that_lines_cannot_change_is_refused_whole(farm):
    text = TEXT.replace('[farm]\nname = "Hill # farm"', 'farm.name = "Hill"\n[grid]\nseed = 3')
    text = text.replace('units = "metric"       # "metric" or "us"\n', "")
    (farm / "farm.toml").write_text(text)
    page = client_of(farm).post("/settings", data={json.dumps(["farm", "currency"]): "EUR"})
    assert "in the text below" in page.text
    assert (farm / "farm.toml").read_text() == text


def test_a_slip_in_the_text_is_named_with_the_nearest_word_and_nothing_is_kept(farm):
    before = (farm / "farm.toml").read_text(encoding="utf-8")
    page = client_of(farm).post("/settings", data={"text": before + "\n[cost]\nsoil_sample = 1\n"})
    assert "unknown table &#39;cost&#39;. Did you mean &#39;costs&#39;?" in page.text
    assert (farm / "farm.toml").read_text(encoding="utf-8") == before


@pytest.mark.parametrize("text", [TEXT, TEXT.replace("\n# target_ph", "\n#target_ph")])
def test_lines_are_changed_as_toml_reads_them(text):
    """Against tomllib: setting and unsetting a key changes that key and no other."""
    place = ("blocks", 'The "old" yard')
    once = with_key(text, place, "target_ph", "6.5")
    assert tomllib.loads(once)["blocks"][place[1]]["target_ph"] == 6.5
    assert once.count("target_ph") == 1
    assert tomllib.loads(without_key(once, place, "target_ph")) == tomllib.loads(text)


def test_a_retired_block_can_be_used_again(farm):
    from geo.farm import read_blocks
    from maps.cli import main

    name = 'The "old" yard'
    client = client_of(farm)
    slug = read_blocks(farm)[0].slug
    client.post("/settings/block", data={"block": slug, "reason": "grubbed"})
    assert read_blocks(farm) == ()
    assert "is retired" in client.get("/settings").text
    client.post("/settings/block", data={"retired": name, "reason": "a mistake"})
    assert [b.name for b in read_blocks(farm)] == [name]
    words = ["set", str(farm), "--block", name, "--reason", "x"]
    assert main([*words, "--retire"]) == 0
    assert main([*words, "--use-again"]) == 0
    assert [b.slug for b in read_blocks(farm)] == [slug]
    assert main([*words, "--use-again"]) != 0


PRODUCT = json.dumps(["blocks", 'The "old" yard', "product", "lime"])
RATIO = json.dumps(["cost_ratios", "lime_top_dressed"])
PLACED = json.dumps(["blocks", 'The "old" yard', "placement", "default"])


def test_product_placement_and_cost_ratio_are_set_by_form_and_taken_back(farm):
    client, path = client_of(farm), farm / "farm.toml"
    client.post(
        "/settings", data={PRODUCT: "dolomitic_lime", RATIO: "1,5 : 2", PLACED: "incorporated"}
    )
    settings = read_settings(path)
    yard = settings.block('The "old" yard')
    assert yard.product == {"lime": "dolomitic_lime"}
    assert yard.placement["default"] == "incorporated"
    assert settings.cost_ratios == {"lime_top_dressed": (1.5, 2.0)}
    assert "# My own remark." in path.read_text()
    page = client.get("/settings").text
    assert 'value="1.5 : 2"' in page
    assert '<option value="dolomitic_lime" selected>' in page
    client.post("/settings", data={PRODUCT: "", RATIO: "", PLACED: ""})
    settings = read_settings(path)
    assert settings.block('The "old" yard').product == {}
    assert settings.cost_ratios == {}
    # The zones page keeps a wish for lime as such; it can be seen and taken back here too.
    lime = json.dumps(["cost_ratios", "lime"])
    path.write_text(with_key(path.read_text(), ("cost_ratios",), "lime", "[1.0, 4.0]"))
    assert 'value="1 : 4"' in client.get("/settings").text
    client.post("/settings", data={lime: ""})
    assert read_settings(path).cost_ratios == {}


@pytest.mark.parametrize(
    ("field", "said", "word"),
    [
        (PRODUCT, "gypsum", "Choose one of"),
        (PLACED, "by aeroplane", "Choose one of"),
        (RATIO, "2", "Two figures are wanted"),
        (RATIO, "2 : 3 : 4", "Two figures are wanted"),
        (RATIO, "2 : 0", "from 0.05 to 100"),
        (RATIO, "two : 3", "is not a number"),
    ],
)
def test_a_wrong_product_or_ratio_is_told_at_its_field(farm, field, said, word):
    before = (farm / "farm.toml").read_bytes()
    page = client_of(farm).post("/settings", data={field: said})
    assert page.text.count('aria-invalid="true"') == 1
    assert word in page.text
    assert (farm / "farm.toml").read_bytes() == before


def test_a_product_that_stands_there_and_is_unknown_is_not_lost_by_other_changes(farm):
    path = farm / "farm.toml"
    own = 'product = { lime = "quarry_dust" }\nplanted = 2006 '
    path.write_text(path.read_text().replace("planted = 2006 ", own), encoding="utf-8")
    client = client_of(farm)
    assert '<option value="quarry_dust" selected>' in client.get("/settings").text
    client.post("/settings", data={PRODUCT: "quarry_dust", TARGET: "6.2"})
    yard = read_settings(path).block('The "old" yard')
    assert (yard.product, yard.target_ph) == ({"lime": "quarry_dust"}, 6.2)
