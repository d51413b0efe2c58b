"""The zones page through the in-memory client: what a wish answers, what Keep writes."""

import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from starlette.testclient import TestClient

from geo.prescription import prescribe
from geo.season import run_season
from geo.settings import read_settings
from maps.app import create_app
from maps.serving import trying
from maps.serving.trying import Wish
from maps.serving.workspace import Workspace

BASE = "http://127.0.0.1:8000"
#: A coarse lime of the farm's own: half as strong as the table's 85 %.
OWN = '\n[materials.coarse]\namendment = "lime"\nname = "coarse lime"\neffective_pct = 42.5\n'


@pytest.fixture(scope="module")
def client(demo_farm, tmp_path_factory):
    folder = tmp_path_factory.mktemp("zones") / "ombervale"
    ignored = shutil.ignore_patterns("changes", "seasons", "plans")
    shutil.copytree(demo_farm, folder, ignore=ignored)
    with (folder / "farm.toml").open("a", encoding="utf-8") as file:
        file.write(OWN)
    client = TestClient(create_app(folder), base_url=BASE, headers={"origin": BASE})
    client.farm = folder
    return client


def ask(client, what, **wish):
    return client.post(f"/2024/poel/{what}", json={"amendment": "lime", **wish},
                       headers={"x-soilquilt": "1"})  # fmt: skip


def tried(client, **wish):
    answer = ask(client, "try", **wish)
    assert answer.status_code == 200, answer.text
    return answer.json()["material"]


def money(words):
    return float(re.sub(r"[^\d]", "", words))


def test_a_lime_half_as_strong_takes_twice_as_much(client):
    """One kilogram counts by its neutralising value, so the mass goes by 1 / value."""
    strong = tried(client, product="calcitic_lime", most_zones=1)
    weak = tried(client, product="coarse", most_zones=1)
    assert weak["material"] == "coarse"
    # Rates are rounded to 10 kg/ha; passes under a cap are not shared out otherwise.
    assert weak["totalKg"] / strong["totalKg"] == pytest.approx(85 / 42.5, rel=0.02)


def test_a_try_says_where_it_rests_on_fewer_draws_than_a_run(client):
    """Counted in the season itself: what a run stored, and what the try was worked out from."""
    work = Workspace(client.farm)
    block = work.block("poel")
    lime = [r for r in work.live(2024, block).season.requirements if r.amendment == "lime"]
    (few,) = work.tried(2024, block, "lime", Wish(target_ph=6.4)).requirements
    assert len(few.draws) < len(lime[0].draws)
    said = tried(client, target_ph=6.4)["fewer"]
    assert [int(n) for n in re.findall(r"\d+", said)] == [len(few.draws), len(lime[0].draws)]
    for wish in ({"most_zones": 1}, {"price_per_t": 700}, {"little": 1, "much": 3}):
        assert tried(client, **wish)["fewer"] == ""


def test_a_lower_price_costs_less_for_the_same_tonnes(client):
    dear = tried(client, product="calcitic_lime", price_per_t=1000)
    cheap = tried(client, product="calcitic_lime", price_per_t=500)
    assert cheap["totalKg"] == dear["totalKg"]
    saved = 0.5 * cheap["totalKg"]  # 500 a tonne
    assert money(dear["cost"]) - money(cheap["cost"]) == pytest.approx(saved, abs=10)


@pytest.mark.parametrize("product", ["kieserite", "hydrated_lime", "no such thing"])
@pytest.mark.parametrize("what", ["try", "keep"])
def test_a_product_that_cannot_meet_the_need_is_refused(client, what, product):
    before = (client.farm / "farm.toml").read_bytes()
    answer = ask(client, what, product=product)
    assert answer.status_code == 409
    assert "cannot be used for lime" in answer.json()["error"]
    assert "calcitic_lime" in answer.json()["error"]
    assert (client.farm / "farm.toml").read_bytes() == before


def test_a_run_gives_what_was_kept_and_it_can_be_taken_back(client):
    path = client.farm / "farm.toml"
    before = path.read_bytes()
    wish = {"product": "coarse", "price_per_t": 400}
    shown = tried(client, **wish)
    kept = ask(client, "keep", **wish).json()
    settings = read_settings(path)
    assert settings.block("Poel").product == {"lime": "coarse"}
    assert settings.materials["coarse"]["price_per_t"] == 400.0
    plan = run_season(client.farm, 2024, "Poel", test_zones=False).prescription
    lime = [rate for rate in plan.rates if rate.amendment == "lime"]
    assert {rate.material for rate in lime} == {"coarse"}
    assert [rate.rate_kg_ha for rate in lime] == [z["rateKgHa"] for z in shown["zones"]]
    assert plan.costs["lime"] == pytest.approx(money(shown["cost"]), abs=5)
    assert ask(client, "keep/back", mark="of another change").status_code == 409
    assert ask(client, "keep/back", mark=kept["mark"]).status_code == 200
    assert path.read_bytes() == before


def test_another_site_cannot_take_back(client):
    answer = client.post(
        "/2024/poel/keep/back", json={"mark": ""}, headers={"origin": "http://evil.example"}
    )
    assert answer.status_code == 403


def test_products_offered_neutralise_and_bear_the_farms_own(client):
    work = Workspace(client.farm)
    offered = {p.key: p.content("lime") for p in work.products(work.block("poel"), "lime")}
    assert offered["coarse"] == pytest.approx(0.425)
    assert {"calcitic_lime", "dolomitic_lime"} <= offered.keys()
    assert "kieserite" not in offered  # a magnesium sulfate neutralises nothing


def test_chloride_is_offered_only_where_water_and_drainage_allow_it(client):
    """Common practice, no source: no potassium chloride where salt cannot be washed out."""
    work = Workspace(client.farm)
    block = work.block("poel")
    wet = replace(block, site=replace(block.site, drainage="no", irrigation_ec_ds_m=0.1))
    dry = replace(block, site=replace(block.site, drainage="yes", irrigation_ec_ds_m=0.1))
    keys = [{p.key for p in work.products(place, "potassium")} for place in (wet, dry)]
    assert keys[1] - keys[0] == {"potassium_chloride"}


def test_a_wish_is_answered_from_the_settings_as_they_are(client):
    """Worked out before or not, kept or taken back: an answer never comes from other settings."""
    wary = "\n[cost_ratios]\nlime = [1, 3]\n"  # dearer to overshoot: less is spread
    path = client.farm / "farm.toml"
    before = path.read_text("utf-8")
    usual = tried(client, most_zones=1)["totalKg"]
    path.write_text(before + wary, encoding="utf-8")
    assert tried(client, most_zones=1)["totalKg"] < usual
    path.write_text(before, encoding="utf-8")
    assert tried(client, most_zones=1)["totalKg"] == usual


def test_settings_changed_while_a_season_is_worked_out_are_worked_out_anew(client, monkeypatch):
    """The race made sure of: farm.toml changes between the start and the end of the work."""
    path = client.farm / "farm.toml"
    before = path.read_text("utf-8")
    work, ran = Workspace(client.farm), []

    def run_and_change(*asked, **words):
        ran.append(path.read_text("utf-8"))
        found = run_season(*asked, **words)
        if len(ran) == 1:
            path.write_text(before + "\n[cost_ratios]\nlime = [1, 3]\n", encoding="utf-8")
        return found

    monkeypatch.setattr("maps.serving.workspace.run_season", run_and_change)
    live = work.live(2024, work.block("poel"))
    assert len(ran) == 2
    assert live.season.settings.cost_ratios["lime"] == (1, 3)
    path.write_text(before, encoding="utf-8")


def test_a_price_leaves_the_zones_and_another_target_draws_them_anew(client):
    """Money is no part of the loss that zones are chosen by; the target pH is what lime is for."""
    work = Workspace(client.farm)
    live = work.live(2024, work.block("poel"))
    stored = next(z for z in live.season.zone_maps if z.amendment == "lime")
    dear = trying.tried(live, "lime", Wish(price_per_t=5000.0))
    assert dear.zone_maps[0] is stored
    assert dear.prescription.costs["lime"] > live.season.prescription.costs["lime"]
    # Worked out from the draws again it is the same plan: a price enters nothing but money.
    settings, place = trying.wished(
        live.season.settings, live.season.block, "lime", Wish(price_per_t=5000.0),
        trying.product_of(live.season, "lime"),
    )  # fmt: skip
    asked = next(r for r in live.season.requirements if r.amendment == "lime")
    anew = prescribe([stored], [asked], place, settings, live.tables)
    assert anew.rates == dear.prescription.rates
    assert anew.uniform == dear.prescription.uniform
    assert anew.costs == dear.prescription.costs
    other = trying.tried(live, "lime", Wish(target_ph=6.8))
    assert other.zone_maps[0] is not stored
    assert other.prescription.totals_kg != dear.prescription.totals_kg


def test_a_try_after_others_is_as_good_as_a_first_one(client):
    """What earlier tries left at hand changes no answer: a workspace of its own gives the same."""
    used, fresh = Workspace(client.farm), Workspace(client.farm)
    wishes = [Wish(target_ph=6.0), Wish(width_m=9.0), Wish(little=1, much=3), Wish(target_ph=6.4)]
    for wish in wishes:
        last = used.tried(2024, used.block("poel"), "lime", wish)
    alone = fresh.tried(2024, fresh.block("poel"), "lime", wishes[-1])
    assert last.prescription.totals_kg == alone.prescription.totals_kg
    assert (last.zone_maps[0].labels == alone.zone_maps[0].labels).all()


def test_fewer_draws_of_a_large_block_stand_for_all_of_them(client, monkeypatch):
    """Draws come in the order of their models: the first ones alone would know few of them."""
    monkeypatch.setattr(trying, "MOST_VALUES", 1_000)
    work = Workspace(client.farm)
    season = work.live(2024, work.block("poel")).season
    lime = next(r for r in season.requirements if r.amendment == "lime")
    # Each draw carries its own number.
    numbers = np.repeat(np.arange(400, dtype=np.float32)[:, None], 3, axis=1)
    kept = trying.lighter(replace(lime, draws=numbers)).draws[:, 0]
    assert len(kept) == len(set(kept)) == trying.TRIED_DRAWS
    assert np.mean(kept) == pytest.approx(np.mean(numbers), abs=2)
    assert np.diff(np.sort(kept)).max() <= 5  # no stretch of models is left out
    # Whole pairs of opposite sign.
    assert (kept[0::2] % 2 == 0).all()
    assert (kept[1::2] == kept[0::2] + 1).all()


def test_the_page_says_while_it_gets_ready(client):
    work, block = Workspace(client.farm), "poel"
    assert work.readiness(2024, work.block(block)) == "cold"
    work.warm(2024, work.block(block))
    assert work.readiness(2024, work.block(block)) in ("working", "ready")
    trying.make_ready(work.live(2024, work.block(block)))
    assert work.readiness(2024, work.block(block)) == "ready"
    assert client.get("/2024/poel/ready").json()["state"] in ("cold", "working", "ready")
