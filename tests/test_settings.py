"""farm.toml: every knob with its unit and default, and no slip of the pen lost."""

import dataclasses
import tomllib
from pathlib import Path

import pytest

from demo_geodata import files
from geo.blocks import read_outlines
from geo.errors import FarmError
from geo.farm import create_farm
from geo.lookup import read_table
from geo.requirements.draws import QUESTIONS
from geo.settings import (
    BlockSettings,
    ControllerSettings,
    CostSettings,
    GridSettings,
    GroundSettings,
    Settings,
    SpreaderSettings,
    read_settings,
    settings_from,
)
from geo.settings_text import EXPLAINED, settings_text
from geo.settings_words import AMENDMENTS, COST_RATIOS
from maps.cli import main


def written(folder: Path, text: str, **beside: str) -> Settings:
    (folder / "farm.toml").write_text(text, encoding="utf-8")
    for name, content in beside.items():
        (folder / f"{name}.toml").write_text(content, encoding="utf-8")
    return read_settings(folder / "farm.toml")


def test_a_new_farm_toml_says_what_the_defaults_are(tmp_path: Path):
    settings = written(tmp_path, settings_text("Hill farm", ["Poel"]))
    assert settings == Settings(name="Hill farm", blocks={"Poel": BlockSettings()})


@pytest.mark.parametrize(
    ("table", "record"),
    [
        ("grid", GridSettings), ("spreader", SpreaderSettings), ("costs", CostSettings),
        ("controller", ControllerSettings), ("ground", GroundSettings), ("block", BlockSettings),
    ],
)  # fmt: skip
def test_every_key_stands_in_a_new_farm_toml_with_its_meaning(table: str, record: type):
    keys = {field.name for field in dataclasses.fields(record)} - {"spreader"}
    assert set(EXPLAINED[table]) == keys


@pytest.mark.parametrize("name", ["Knieë", 'the "old" yard', "a\\b", "two\nlines", "[x] # y", "北"])
def test_any_block_name_survives_the_file(name: str):
    text = settings_text("farm", [name])
    assert list(tomllib.loads(text)["blocks"]) == [name]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[spreader]\nwidth = 4.8", r"\[spreader\]: unknown key 'width'. .*mean 'width_m'"),
        ("[spreder]\nwidth_m = 4.8", "unknown table 'spreder'"),
        ("[grid]\nspacing_m = 'fine'", "'fine' is not a number"),
        ("[spreader]\nby_hand = 'yes'", "should be true or false"),
        ("[grid\nspacing_m = 2", "cannot be read"),
        ("[blocks.A]\nplanted = true", "True is not a number"),
        ('[tables]\nprices = "prices.toml"', "no file 'prices.toml'"),
        ('[tables]\nprices = "../prices.toml"', "outside the farm"),
    ],
)
def test_a_slip_of_the_pen_is_named(tmp_path: Path, text: str, says: str):
    with pytest.raises(FarmError, match=says):
        written(tmp_path, text)


BLOCK = r"farm\.toml, \[blocks\.\"A\"\]"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[spreader]\nwidht_m = 4.8", r"\[spreader\]: unknown key 'widht_m'. .*mean 'width_m'\?"),
        ("[farm]\ncurency = 'ZAR'", r"\[farm\]: unknown key 'curency'. .*mean 'currency'\?"),
        ("[farm]\ngrid = 1", r"\[farm\]: unknown key 'grid'"),
        ("[amendments]\nlime = 1", r"farm\.toml: unknown table 'amendments'. .*materials"),
        ("[Cost]\nsoil_sample = 1", r"unknown table 'Cost'. Did you mean 'costs'\?"),
        ("[cost_ratios]\nLime = [2, 3]", r"amendment 'Lime'. Did you mean 'lime'\?"),
        ("[cost_ratios]\nlime = 2", r"\[cost_ratios\], lime: two numbers are wanted"),
        ("[cost_ratios]\nlime = [2]", r"\[cost_ratios\], lime: two numbers are wanted"),
        ("[cost_ratios]\nlime = ['a', 2]", r"\[cost_ratios\], lime: 'a' is not a number"),
        ("[materials.gypsum]\nprice = 3", r"\[materials\.gypsum\]: .*'price'. .*'price_per_t'\?"),
        ("[materials]\ngypsum = 3", r"\[materials\.gypsum\]: a table is wanted here"),
        ("[blocks.A]\nrow_spaceing_m = 2", BLOCK + ": .*mean 'row_spacing_m'"),
        ("[blocks.A.placement]\npotash = 'band'", BLOCK + ", placement: .*'potash'"),
        ("[blocks.A.placement]\nlime = 'bnad'", BLOCK + ", placement, lime: .*mean 'band'"),
        ("[blocks.A.product]\nlyme = 'gypsum'", BLOCK + ", product: .*mean 'lime'"),
        ("[blocks.A.product]\nlime = 3", BLOCK + ", product, lime: 3 is not a text"),
        ("[blocks.A.boundaries]\nlimes = ''", BLOCK + ", boundaries: .*mean 'lime'"),
        ("[blocks.A.spreader]\nwide_m = 2", r"\]\.spreader: unknown key 'wide_m'"),
        ("[tables]\nprice = 'x.toml'", r"\[tables\]: unknown table 'price'. .*'prices'\?"),
        ("[tables.rate]\nK = 'UMN_T29'", r"\[tables\.rate\]: unknown property 'K'. .*'k'\?"),
        ("[tables.replace]\ncrop_remval = 'x'", r"\[tables\.replace\]: .*mean 'crop_removal'\?"),
    ],
)
def test_the_nearest_known_word_is_proposed(tmp_path: Path, text: str, says: str):
    with pytest.raises(FarmError, match=says):
        written(tmp_path, text)


def test_what_may_be_asked_for_is_what_the_rules_ask():
    assert set(AMENDMENTS) == set(QUESTIONS)
    costs = {row["key"] for row in read_table("cost_ratios")}
    assert costs <= set(COST_RATIOS)


def test_the_command_line_names_the_slip_and_ends_with_3(tmp_path: Path, capsys):
    create_farm(tmp_path / "farm", read_outlines(files() / "outline_werfie.kml")[0])
    toml = tmp_path / "farm" / "farm.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[amendmets]\n", encoding="utf-8")
    assert main(["check", str(tmp_path / "farm")]) == 3
    assert "farm.toml: unknown table 'amendmets'" in capsys.readouterr().err


def test_prices_of_their_own_file_yield_to_farm_toml(tmp_path: Path):
    settings = written(
        tmp_path,
        '[tables]\nprices = "prices.toml"\n[materials.gypsum]\nprice_per_t = 900\n'
        "[costs]\nsoil_sample = 600",
        prices="[materials.gypsum]\nprice_per_t = 870\nbag_kg = 25\n[materials.sodium_borate]\n"
        "price_per_t = 46000\n[costs]\nsoil_sample = 1\ntissue_sample = 480",
    )
    assert settings.materials == {
        "gypsum": {"price_per_t": 900, "bag_kg": 25},
        "sodium_borate": {"price_per_t": 46000},
    }
    assert (settings.costs.soil_sample, settings.costs.tissue_sample) == (600.0, 480.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[material.gypsum]\nprice_per_t = 1", "unknown table 'material'. .*mean 'materials'"),
        ("[materials.gypsum]\nprice_t = 1", r"\[materials.gypsum\]: .*mean 'price_per_t'"),
        ("[costs]\nsoil_samples = 1", r"\[costs\]: .*mean 'soil_sample'"),
    ],
)
def test_a_slip_in_the_prices_is_named(tmp_path: Path, text: str, says: str):
    with pytest.raises(FarmError, match=r"prices\.toml.*" + says):
        written(tmp_path, '[tables]\nprices = "prices.toml"', prices=text)


def test_a_block_may_have_a_spreader_of_its_own():
    settings = settings_from({"blocks": {"C": {"spreader": {"width_m": 2.0, "by_hand": True}}}})
    assert settings.spreader_of("C") == SpreaderSettings(width_m=2.0, by_hand=True)
    assert settings.spreader_of("A") == SpreaderSettings()


def test_without_the_year_of_planting_it_is_not_known_whether_vines_stand():
    assert BlockSettings().established(2024) is None
    assert BlockSettings(planted=2024).established(2024) is True
    assert BlockSettings(planted=2026).established(2024) is False
