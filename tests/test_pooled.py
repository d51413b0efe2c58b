"""What a first survey borrows from the farm's other blocks: laws of the pooled signal."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import shapely
from numpy.random import default_rng

from geo.belief.frame import frame_of
from geo.export.folder import write_season
from geo.export.seasonfile import season_document, season_versions
from geo.planning.elsewhere import elsewhere_from, elsewhere_of
from geo.planning.quality import kriging_variance
from geo.planning.signals import mean_signal, pooled_signal
from geo.planning.size import size_curve
from geo.sampling import Known, Wishes, plan_block
from geo.settings import CostSettings, Settings
from maps.cli import main
from maps.commands.plan import known_of

BLOCK = shapely.box(0.0, 0.0, 120.0, 200.0)
FRAME = frame_of(BLOCK, 25.0)
PLACES = default_rng(4).uniform((0, 0), (120, 200), (50, 2))


@pytest.fixture(scope="module")
def beliefs(poel):
    return [one.belief for one in poel.surfaces.values() if one.belief is not None]


def test_with_no_other_block_what_is_usual_stands():
    pooled, usual = pooled_signal([[]], FRAME), mean_signal(None, FRAME)
    assert np.allclose(pooled.covariance(PLACES, PLACES), usual.covariance(PLACES, PLACES))
    assert pooled.error == pytest.approx(usual.error)


def test_the_whole_variance_is_one_whatever_the_units(beliefs):
    # Weights of the models sum to 1; potassium in mg/kg must not outweigh pH.
    pooled = pooled_signal([beliefs, beliefs[:1]], FRAME)
    grid = np.stack(np.meshgrid(np.arange(2.5, 120, 5), np.arange(2.5, 200, 5)), -1).reshape(-1, 2)
    usual = mean_signal(None, FRAME)
    whole = float(usual.own(grid).mean()) + usual.error
    assert float(pooled.own(grid).mean()) + pooled.error == pytest.approx(whole, abs=0.05)


def test_it_is_a_covariance_and_lies_between_its_parts(beliefs):
    pooled, usual = pooled_signal([beliefs], FRAME), mean_signal(None, FRAME)
    matrix = pooled.covariance(PLACES, PLACES)
    assert np.linalg.eigvalsh(matrix).min() > -1e-8
    # One block and the usual: half and half.
    two = pooled_signal([beliefs, beliefs], FRAME)
    theirs = 2.0 * matrix - usual.covariance(PLACES, PLACES)
    expected = (2.0 * theirs + usual.covariance(PLACES, PLACES)) / 3.0
    assert np.allclose(two.covariance(PLACES, PLACES), expected)


def test_more_spots_never_leave_more_doubt(beliefs):
    pooled = pooled_signal([beliefs], FRAME)
    alone = kriging_variance(pooled, PLACES[:20], PLACES[30:])
    more = kriging_variance(pooled, PLACES[:30], PLACES[30:])
    assert np.all(more <= alone + 1e-9)
    costs = CostSettings()
    curve = size_curve(
        pooled, PLACES, np.empty((0, 2)), [5, 20], costs, lambda _: 0.0, default_rng(0)
    )
    assert curve[1].doubt < curve[0].doubt


def test_a_first_survey_says_whose_soil_it_borrows(poel):
    settings, rng = Settings(), default_rng(0)
    alone = plan_block(poel.block, 2027, Wishes(8), Known(), settings, rng)
    beside = plan_block(
        poel.block, 2027, Wishes(8), Known(elsewhere=(elsewhere_of(poel),)), settings, rng
    )
    assert "no other block with a survey" in " ".join(alone.notes)
    assert f"own {poel.block.name} in equal parts" in " ".join(beside.notes)
    assert beside.quality.doubt_after != alone.quality.doubt_after


def test_models_kept_in_a_file_plan_the_same_spots(poel):
    """season.json, read again, stands in for the run; nothing else may be planned with it."""
    versions = season_versions()
    document = json.loads(json.dumps(season_document(poel)))
    kept = elsewhere_from(document, poel.checked, poel.block, versions)
    ran = elsewhere_of(poel)
    assert [m.weights.tolist() for m in kept.models] == [m.weights.tolist() for m in ran.models]
    plans = [
        plan_block(poel.block, 2027, Wishes(8), Known(elsewhere=(one,)), Settings(), default_rng(0))
        for one in (ran, kept)
    ]
    assert plans[0].spots == plans[1].spots
    assert plans[0].quality.doubt_after == plans[1].quality.doubt_after


def test_models_made_from_something_else_are_not_taken(poel):
    versions = season_versions()
    document = json.loads(json.dumps(season_document(poel)))
    usable = poel.checked.usable.copy()
    usable.loc[usable.index[0], "k"] *= 1.01
    other = replace(poel.checked, usable=usable)
    moved = replace(poel.block, outline=poel.block.outline.buffer(-1.0))
    turned = replace(poel.block, site=replace(poel.block.site, row_azimuth_deg=26.0))
    assert elsewhere_from(document, other, poel.block, versions) is None
    assert elsewhere_from(document, poel.checked, moved, versions) is None
    assert elsewhere_from(document, poel.checked, turned, versions) is None
    assert elsewhere_from(document, poel.checked, poel.block, versions | {"numpy": "0"}) is None
    assert elsewhere_from({}, poel.checked, poel.block, versions) is None


def test_only_stale_blocks_are_worked_out_again(demo_farm, poel, tmp_path, monkeypatch):
    folder = tmp_path / "ombervale"
    shutil.copytree(demo_farm, folder, ignore=shutil.ignore_patterns("changes", "seasons"))
    ring = [[20.01, -33.97], [20.012, -33.97], [20.012, -33.972], [20.01, -33.97]]
    area = {"type": "Polygon", "coordinates": [ring]}
    drawn = {"type": "Feature", "properties": {"name": "Nuwe land"}, "geometry": area}
    (tmp_path / "new.geojson").write_text(json.dumps(drawn))
    assert main(["add", str(folder), str(tmp_path / "new.geojson")]) == 0
    write_season(poel, folder / "seasons" / "2024" / "poel")
    ran = []

    def run_season(_farm, _season, block, **_):
        ran.append(block)
        return replace(poel, block=replace(poel.block, name=block))

    monkeypatch.setattr("geo.season.run_season", run_season)
    _, known = known_of(folder, "Nuwe land", 2025)
    assert ran == ["Knieë", "Werfie"]  # Poel's models are on file, another block changes nothing
    assert [other.block for other in known.elsewhere] == ["Poel", "Knieë", "Werfie"]
