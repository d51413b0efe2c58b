"""The farm's own tables reach every stage, and whose table was used is said."""

import json
import shutil

import pytest

from geo.errors import TableError
from geo.export.seasonfile import season_document
from geo.export.tables import rate_rows
from geo.lookup import farm_tables, read_table
from geo.materials import materials_of, with_own_materials
from geo.season import run_season
from geo.settings import Settings

SOIL_HEADER = (
    "key,extractant,clay_pct,ph_kcl,condition,unit,crop,level,lower,upper,is_default,is_target,"
    "sense,source\n"
)
SOIL = (
    SOIL_HEADER
    + """\
k,NH4OAc,,,,mg/kg,wine_grape,low,,400,1,0,need,yours
k,NH4OAc,,,,mg/kg,wine_grape,medium,400,500,1,1,need,yours
k,NH4OAc,,,,mg/kg,wine_grape,high,500,,1,0,need,yours
"""
)
NORMS = """\
key,crop,method,clay_from,clay_below,ph_kcl_from,ph_kcl_below,norm,most,unit,source,is_default
k,wine_grape,NH4OAc,,,,,400,,mg/kg,yours,1
"""
TISSUE = """key,organ,stage,species,unit,crop,level,lower,upper,is_default,is_target,sense,source
k,petiole,full bloom,,%,wine_grape,low,,9,1,0,need,yours
k,petiole,full bloom,,%,wine_grape,medium,9,,1,1,need,yours
"""
LIMITS = """name,value,unit,source,is_default
cap_k,60,kg K/ha,yours,1
"""
MATERIALS = """key,quantity,value,unit,source,is_default
kelp_ash,name,kelp ash,,yours,1
kelp_ash,amendment,potassium,,yours,1
kelp_ash,k,12,%,yours,1
kelp_ash,organic,yes,,yours,1
kelp_ash,cautions,dust,,yours,1
"""
TOML = """
[tables.rate]
p = "UMN_T29"

[materials.kelp_ash]
price_per_t = 10.0
"""


@pytest.fixture(scope="module")
def farm(demo_farm, tmp_path_factory):
    folder = tmp_path_factory.mktemp("own") / "farm"
    shutil.copytree(demo_farm, folder)
    files = {
        "soil_sufficiency": SOIL, "nutrient_norms": NORMS, "tissue_sufficiency": TISSUE,
        "nutrient_rates": LIMITS, "materials": MATERIALS,
    }  # fmt: skip
    for subject, text in files.items():
        (folder / f"my_{subject}.csv").write_text(text, encoding="utf-8")
    listed = "".join(f'{subject} = "my_{subject}.csv"\n' for subject in files)
    settings = (folder / "farm.toml").read_text(encoding="utf-8")
    settings = settings.replace("[tables]\n", "[tables]\n" + listed)
    (folder / "farm.toml").write_text(settings + TOML, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def season(farm):
    return run_season(farm, 2025, "Werfie")


def test_own_limits_rate_and_are_named(season):
    rating = season.ratings.block["k"]
    assert (rating.level, rating.source) == ("low", "yours")
    assert "your own table" in rating.why
    assert season.ratings.critical["k"].value == 400


def test_a_scheme_of_choice_rates(season):
    # soil-ratings.csv: UMN_T29 wants P above 20, extractant unstated: only by choice
    assert season.ratings.block["p"].source == "UMN_T29"


def test_own_norm_tissue_limit_cap_and_material_make_the_rate(season):
    # T5 (petiole, full bloom) reads 3.4 % K: short only by the table above.
    rates = [r for r in season.prescription.rates if r.amendment == "potassium"]
    assert {r.material for r in rates} == {"kelp_ash"}
    assert all("yours" in r.sources for r in rates)
    assert 0 < max(r.rate_kg_ha for r in rates) <= 60 / 0.12
    assert any("T5" in reason for reason in rates[0].reasons)


def test_the_files_say_whose_table_it_was(season):
    document = json.dumps(season_document(season))
    assert "my_nutrient_norms.csv" in document
    row = next(r for r in rate_rows(season) if r.get("amendment") == "potassium")
    assert "yours" in row["sources"]


def test_every_table_of_rules_takes_the_farms_own_figure(tmp_path):
    """Own caps, action levels, rows and costs are read before ours."""
    from geo.requirements import gypsum, lime, micronutrients, potassium, sulfur
    from geo.requirements.shared import figure

    def own(subject, header, *lines):
        (tmp_path / f"{subject}.csv").write_text("\n".join([header, *lines]), encoding="utf-8")
        return farm_tables(tmp_path, {subject: f"{subject}.csv"})

    names = "name,value,unit,source,is_default"
    limits = own("lime_limits", names, "cap_incorporated,5000,kg/ha,yours,1")
    assert lime.pass_cap_kg_ha(20, incorporated=True, tables=limits) == 5000
    assert lime.pass_cap_kg_ha(20, incorporated=True) == 9000
    limits = own("sulfur_limits", names, "cap,300,kg/ha,yours,1")
    assert sulfur.pass_cap_kg_ha(30, limits) == 300
    limits = own("gypsum", names, "trigger_esp,6,%,yours,1")
    asked = gypsum.gypsum_requirement_kg_ha(
        8.0, 10.0, depth_cm=15, bulk_density_mg_m3=1.4, stones_pct=0, tables=limits
    )
    assert asked > 0
    assert figure("gypsum", "trigger_esp", limits).source == "yours"
    limits = own("nutrient_rates", names, "cap_b,0.5,kg/ha,yours,1", "cap_k,90,kg/ha,yours,1")
    assert micronutrients.boron_cap_kg_ha(limits) == 0.5
    assert potassium.potassium_cap_kg_ha(limits) == 90
    rows = own(
        "lime_requirement",
        "buffer,buffer_ph,target_ph,lime_ton_ac,depth_in,source,is_default",
        "sikora,6.0,6.0,4,6,yours,1",
        "sikora,7.0,6.0,0,6,yours,1",
    )
    table = lime.buffer_table("sikora", rows)
    assert table.source == "yours"
    assert list(table.columns) == [6.0]  # no row of ours is mixed in


def test_materials_are_added_to_but_never_replaced(tmp_path):
    (tmp_path / "m.csv").write_text(MATERIALS, encoding="utf-8")
    added = with_own_materials(Settings(), farm_tables(tmp_path, {"materials": "m.csv"}))
    known = materials_of(added)
    assert known["kelp_ash"].content("potassium") == pytest.approx(0.12)
    assert len(known) == 1 + len({row["key"] for row in read_table("materials")})
    with pytest.raises(TableError, match="added to"):
        with_own_materials(Settings(), farm_tables(tmp_path, {"replace": {"materials": "m.csv"}}))
