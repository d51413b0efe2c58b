"""A border drawn on the zones page: what is tried is not stored, what is kept can be taken back."""

import json
import re
import tomllib

import pytest
from starlette.testclient import TestClient

from geo.errors import UsageError
from geo.farm import read_blocks
from geo.settings import read_settings
from maps.app import create_app
from maps.pages.handzones import boundary_of
from maps.serving.farmtext import with_key, without_key

BASE = "http://127.0.0.1:8000"
#: From edge to edge of Poel, north of its pond: the geometry is that of the demo's own outline.
ACROSS = [[[-33.9692, 19.9955], [-33.9698, 20.0000]]]
FOOTNOTE = "# a person's own words"


@pytest.fixture
def farm(demo_farm, tmp_path):
    import shutil

    folder = tmp_path / "ombervale"
    shutil.copytree(demo_farm, folder)
    toml = folder / "farm.toml"
    toml.write_text(toml.read_text("utf-8") + f"\n{FOOTNOTE}\n", encoding="utf-8")
    return folder


def client_of(folder, origin=BASE) -> TestClient:
    headers = {"origin": origin, "x-soilquilt": "1"}
    return TestClient(create_app(folder), base_url=BASE, headers=headers)


def post(client, what, lines=ACROSS, amendment="lime"):
    sent = {"amendment": amendment, "lines": lines}
    return client.post(f"/2024/poel/border/{what}", json=sent)


def test_a_border_is_tried_kept_and_taken_back(farm):
    client, toml = client_of(farm), farm / "farm.toml"
    before = toml.read_text("utf-8")
    tried = post(client, "try")
    assert tried.status_code == 200, tried.text
    told = tried.json()
    assert toml.read_text("utf-8") == before
    assert told["material"]["verdict"] == "own"
    assert told["computed"]["verdict"] != "own"
    # The hectares of the parts are printed to 0.01 ha; together they are the block.
    area = next(b.area_ha for b in read_blocks(farm) if b.name == "Poel")
    assert sum(float(z["ha"]) for z in told["material"]["zones"]) == pytest.approx(area, abs=0.01)
    # Another rate, another fill: also where no zone gets nothing.
    looks = {(z["rateKgHa"], z["fill"]) for z in told["material"]["zones"]}
    assert len({fill for _, fill in looks}) == len({rate for rate, _ in looks}) > 1
    # What is spread is the rates times the hectares.
    total = sum(z["rateKgHa"] * float(z["ha"]) for z in told["material"]["zones"])
    assert told["material"]["totalKg"] == pytest.approx(total, rel=0.005)

    assert "Kept" in post(client, "keep").json()["said"]
    kept = read_settings(toml).block("Poel").boundaries
    assert list(kept) == ["lime"]
    numbers = [float(n) for n in re.findall(r"-?\d+\.\d+", kept["lime"])]
    assert numbers == [19.9955, -33.9692, 20.0, -33.9698]
    assert FOOTNOTE in toml.read_text("utf-8")

    assert "Taken back" in post(client, "away").json()["said"]
    assert not read_settings(toml).block("Poel").boundaries
    again = post(client, "away")
    assert again.status_code == 409
    assert "no border" in again.json()["error"]


def test_what_cannot_be_driven_is_neither_shown_nor_kept(farm):
    client, toml = client_of(farm), farm / "farm.toml"
    before = toml.read_text("utf-8")
    beside = [[[-33.90, 19.9955], [-33.90, 20.0000]]]
    for what in ("try", "keep"):
        answer = post(client, what, beside)
        assert answer.status_code == 409
        assert "does not cut the block in two" in answer.json()["error"]
    assert toml.read_text("utf-8") == before


@pytest.mark.parametrize("what", ["try", "keep", "away"])
def test_a_border_from_elsewhere_or_by_get_changes_nothing(farm, what):
    before = (farm / "farm.toml").read_bytes()
    assert post(client_of(farm, "http://evil.example"), what).status_code == 403
    assert client_of(farm).get(f"/2024/poel/border/{what}").status_code in (404, 405)
    assert (farm / "farm.toml").read_bytes() == before


@pytest.mark.parametrize(
    "lines",
    [None, [], [[]], "x", [[[1, 2]]], [[[1, 2], [3]]], [[[1, 2], ["a", 3]]], [[[91, 2], [3, 4]]],
     [[[1, 181], [3, 4]]], [[[1, 2]] * 501], json.loads("[[[1, 2], [NaN, 3]]]")],
)  # fmt: skip
def test_what_is_not_a_border_is_refused(lines):
    with pytest.raises(UsageError, match=r"border|place"):
        boundary_of(lines)


def test_a_run_follows_the_kept_border_and_then_the_samples_again(demo_farm, poel, tmp_path):
    """The same farm.toml gives the same map; without the key it is the map from before."""
    import shutil

    import numpy as np

    from geo.errors import FarmError
    from geo.season import run_season
    from maps.serving import farmtext

    folder = tmp_path / "ombervale"
    shutil.copytree(demo_farm, folder)
    plain = (folder / "farm.toml").read_text("utf-8")
    table, line = ("blocks", "Poel", "boundaries"), f'"{boundary_of(ACROSS)}"'

    def lime(text):
        farmtext.write_settings_text(folder, text)
        found = run_season(folder, 2024, "Poel")
        return next(m for m in found.zone_maps if m.amendment == "lime")

    own = lime(farmtext.with_key(plain, table, "lime", line))
    assert (own.verdict, len(own.zones)) == ("own", 2)
    # Zones tested on samples left out are those the samples gave, not the grower's.
    assert "variance_reduction_cv" not in own.indices
    # The place of each cell against the line itself: north of it or south.
    (west, east), grid = ACROSS[0], own.grid
    from pyproj import Transformer

    to_lonlat = Transformer.from_crs(grid.crs, 4326, always_xy=True)
    lon, lat = to_lonlat.transform(*grid.cells().T)
    border = west[0] + (lon - west[1]) * (east[0] - west[0]) / (east[1] - west[1])
    labels = own.labels[grid.inside]
    north = labels[lat > border + 3e-5]
    south = labels[lat < border - 3e-5]
    assert len(np.unique(north)) == len(np.unique(south)) == 1
    assert north[0] != south[0]

    before = next(m for m in poel.zone_maps if m.amendment == "lime")
    again = lime(plain)
    assert again.why == before.why
    assert np.array_equal(again.labels, before.labels)

    with pytest.raises(FarmError, match=r"unknown amendment .limes"):
        lime(farmtext.with_key(plain, table, "limes", line))


@pytest.mark.parametrize(
    ("text", "table"),
    [
        ('[blocks.Poel]\nboundaries = { gypsum = "L (1 2, 3 4)" }  # ours\ncrop = "x"\n', "Poel"),
        ('[blocks."Knie#ë"]\nboundaries = {gypsum="L (1 2, 3 4)"}\n[farm]\nname = "f"\n', "Knie#ë"),
        ("[blocks.Poel]\nboundaries = {}\n", "Poel"),
        ('[blocks.Poel]\ncrop = "x"\n', "Poel"),
    ],
)
def test_a_border_goes_into_farm_toml_however_the_others_are_written(text, table):
    """Read by the standard library's TOML reader: one value more, then one less, no other."""
    place = ("blocks", table, "boundaries")
    before = tomllib.loads(text)
    once = with_key(text, place, "lime", '"L (5 6, 7 8)"')
    after = tomllib.loads(once)
    assert after["blocks"][table]["boundaries"].pop("lime") == "L (5 6, 7 8)"
    before["blocks"][table].setdefault("boundaries", {})
    assert after == before
    assert once.count("# ours") == text.count("# ours")
    gone = tomllib.loads(without_key(once, place, "lime"))
    assert gone == before
