"""farm.toml: every knob with its unit and default, and no slip of the pen lost."""

import dataclasses
import tomllib
from pathlib import Path

import pytest

from geo.errors import FarmError
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
        ("[spreader]\nwidth = 4.8", r"\[spreader\]: unknown key 'width'. Known: .*width_m"),
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


def test_a_slip_in_the_prices_is_named(tmp_path: Path):
    with pytest.raises(FarmError, match=r"prices.toml: unknown table 'material'"):
        written(
            tmp_path,
            '[tables]\nprices = "prices.toml"',
            prices="[material.gypsum]\nprice_per_t = 1",
        )


def test_a_block_may_have_a_spreader_of_its_own():
    settings = settings_from({"blocks": {"C": {"spreader": {"width_m": 2.0, "by_hand": True}}}})
    assert settings.spreader_of("C") == SpreaderSettings(width_m=2.0, by_hand=True)
    assert settings.spreader_of("A") == SpreaderSettings()


def test_without_the_year_of_planting_it_is_not_known_whether_vines_stand():
    assert BlockSettings().established(2024) is None
    assert BlockSettings(planted=2024).established(2024) is True
    assert BlockSettings(planted=2026).established(2024) is False
