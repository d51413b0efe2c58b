"""The list to buy: the same lines, money and order as the files of each block."""

import csv
import re
import shutil

import pytest
from starlette.testclient import TestClient

from geo.export.folder import write_season
from maps.app import create_app
from maps.pages.buy import buy
from maps.serving.workspace import Workspace
from maps.wording import money

BASE = "http://127.0.0.1:8000"


@pytest.fixture(scope="module")
def work(demo_farm, poel, kniee, tmp_path_factory):
    """A copy of the farm in which Poel was run for 2024 and Knieë for 2025."""
    folder = tmp_path_factory.mktemp("buy") / "ombervale"
    ignored = shutil.ignore_patterns("changes", "seasons", "plans")
    shutil.copytree(demo_farm, folder, ignore=ignored)
    for season in (poel, kniee):
        write_season(season, folder / "seasons" / str(season.season) / season.block.slug)
    return Workspace(folder)


def files_of(work, season):
    """Lines of every buy.csv of a season, with their block."""
    for path in sorted((work.folder / "seasons" / str(season)).glob("*/buy.csv")):
        block = work.block(path.parent.name)
        with path.open(encoding="utf-8", newline="") as file:
            yield from ((block.name, row) for row in csv.DictReader(file))


@pytest.mark.parametrize("season", [2024, 2025])
def test_the_page_lists_what_the_files_list(work, season):
    """buy.csv is written by the run; the page must say the same, line by line."""
    written = [(name, row) for name, row in files_of(work, season) if float(row["buy_kg"]) > 0]
    rows = buy(work, season)["rows"]
    assert rows
    assert len(rows) == len(written)
    assert {row["block"] for row in rows} == {name for name, _ in written}


@pytest.mark.parametrize("season", [2024, 2025])
def test_the_total_is_the_sum_of_all_costs_of_the_plans(work, season):
    costs = [
        cost
        for block in work.blocks()
        if (document := work.document(season, block.slug))
        for cost in document["costs"].values()
    ]
    assert buy(work, season)["total"] == money(sum(costs), "ZAR")


def test_whole_bags_are_bought_and_the_order_of_spending_is_told(work):
    """Knieë 2025 asks for less than one 25 kg bag of potash, and for gypsum before it."""
    found = buy(work, 2025)
    bag = next(row for row in found["rows"] if "potassium" in row["material"])
    assert bag["buy"] == "1 bag of 25 kg"
    assert [line["word"] for line in found["first"][0]["lines"]] == ["Gypsum", "Potassium"]
    page = TestClient(create_app(work.folder), base_url=BASE).get("/2025/buy").text
    assert "if money is short" in page
    # Demo scenario, section 8: delivery costs 180 a tonne; how it is counted is said.
    assert page.count("for each product and block by itself") == 1
    assert all("one truck" in row["delivery"] for _, row in files_of(work, 2025))
    assert "1 bag of 25 kg" in page


def test_one_thing_to_buy_needs_no_order(work):
    assert buy(work, 2024)["first"] == []


def test_a_line_without_a_price_gives_no_total(work, monkeypatch):
    """A sum that leaves a line out would look like the whole bill."""
    document = work.document

    def unpriced(season, slug):
        found = document(season, slug)
        return found and {**found, "costs": dict.fromkeys(found["costs"])}

    monkeypatch.setattr(work, "document", unpriced)
    found = buy(work, 2024)
    assert found["total"] == ""
    assert {row["cost"] for row in found["rows"]} == {"no price yet"}


def test_the_page_leads_on_to_the_spreader_files_of_what_is_bought(work):
    client = TestClient(create_app(work.folder), base_url=BASE)
    for season in (2024, 2025):
        page = client.get(f"/{season}/buy").text
        bought = {row["block"] for row in buy(work, season)["rows"]}
        links = re.findall(rf'href="(/{season}/\w+/spread)">Spreader files of ([^<]+)</a>', page)
        assert {name for _, name in links} == bought
        assert all(client.get(url).status_code == 200 for url, _ in links)


def test_with_nothing_to_buy_the_page_leads_back_to_the_farm(work):
    page = TestClient(create_app(work.folder), base_url=BASE).get("/2023/buy").text
    assert "Nothing to buy for 2023" in page
    assert ">To the farm: what comes next</a>" in page
