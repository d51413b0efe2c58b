"""The user's own tables, crops, and what is refused."""

import pytest

from geo.errors import TableError
from geo.lookup import Tables, crop, farm_tables, read_table, read_toml

HEADER = (
    "key,extractant,clay_pct,ph_kcl,condition,unit,crop,level,lower,upper,"
    "is_default,is_target,sense,source"
)
OWN = f"""{HEADER}
k,NH4OAc,,,,mg/kg,wine_grape,low,,110,1,0,need,yours
k,NH4OAc,,,,mg/kg,wine_grape,medium,110,,1,1,need,yours
"""


def test_own_rows_come_before_ours(tmp_path):
    (tmp_path / "mine.csv").write_text(OWN, encoding="utf-8")
    tables = farm_tables(tmp_path, {"soil_sufficiency": "mine.csv"})
    rows = tables.rows("soil_sufficiency")
    assert rows[0]["source"] == "yours"
    assert rows[0]["verified"] == "yours"
    assert len(rows) == len(read_table("soil_sufficiency")) + 2
    assert tables.files == {"soil_sufficiency": "mine.csv"}


def test_a_table_can_be_replaced(tmp_path):
    (tmp_path / "mine.csv").write_text(OWN, encoding="utf-8")
    tables = farm_tables(tmp_path, {"replace": {"soil_sufficiency": "mine.csv"}})
    assert len(tables.rows("soil_sufficiency")) == 2


@pytest.mark.parametrize(
    ("text", "say"),
    [
        (OWN.replace(",yours", ","), "source"),
        (OWN.replace("sense,source", "source").replace("need,yours", "yours"), "sense"),
    ],
)
def test_own_tables_need_sources_and_columns(tmp_path, text, say):
    (tmp_path / "mine.csv").write_text(text, encoding="utf-8")
    with pytest.raises(TableError, match=say):
        farm_tables(tmp_path, {"soil_sufficiency": "mine.csv"})


@pytest.mark.parametrize("file", ["absent.csv", "../outside.csv"])
def test_own_tables_lie_in_the_farm(tmp_path, file):
    farm = tmp_path / "farm"
    farm.mkdir()
    (tmp_path / "outside.csv").write_text(OWN, encoding="utf-8")
    with pytest.raises(TableError, match="not in the farm folder"):
        farm_tables(farm, {"soil_sufficiency": file})


def test_an_unknown_table_is_refused():
    with pytest.raises(TableError, match="no table"):
        Tables().rows("moon_phases")


def test_fallback_order():
    """Section 0 of the ratings pack: table grape, wine grape, orchard, field crop."""
    order = ("table_grape", "wine_grape", "orchard", "field_crop")
    assert crop("table_grape").groups == order
    assert crop("wine_grape").groups == order[1:]
    assert crop("almond").groups == order[2:]


@pytest.mark.parametrize("key", [k for k, c in read_toml("crops").items() if c["perennial"]])
def test_nitrate_of_field_crops_never_rates_vines_or_trees(key):
    assert "field_crop" not in crop(key).groups_for("no3_n")


def test_an_unknown_crop_is_named_with_the_known_ones():
    with pytest.raises(TableError, match=r"'mango'.*wine_grape"):
        crop("mango")
