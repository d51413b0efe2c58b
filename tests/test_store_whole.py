"""Storing several files and answers is one change: cut off anywhere, all of it or nothing is on."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from shapely import box

import geo.store.whole
from geo.blocks import Outline
from geo.errors import FarmError
from geo.farm import create_farm
from geo.store.corrections import Change, exclude_sample
from maps.serving import drafts

FILES = {
    "points.csv": "sample,lat,lon\nW1,-33.999,20.001\nW2,-33.9985,20.0005\n",
    "lab.csv": "sample,pH (H2O),K mg/kg\nW1,6.1,120\nW2,5.9,98\n",
}


@pytest.fixture
def draft(tmp_path: Path):
    farm = tmp_path / "hill"
    create_farm(farm, [Outline("Yard", box(20.0, -34.0, 20.002, -33.998), "", 1, "EPSG:4326")])
    draft = drafts.Draft(farm, 2024)
    for name, text in FILES.items():
        drafts.add_upload(draft, name, text.encode())
    drafts.look(draft)
    yield draft
    draft.close()


def records(farm: Path) -> str:
    with closing(sqlite3.connect(farm / "farm.gpkg")) as database:
        return "\n".join(line for line in database.iterdump() if "last_change" not in line)


class PowerCut(BaseException):
    """Not an Exception, so that nothing on the way up may catch it."""


@pytest.mark.parametrize(
    ("place", "turn"),
    [("store_reading", 1), ("store_reading", 2), ("season_findings", 1), ("take_over", 1)],
)
def test_cut_off_it_is_as_before(draft, monkeypatch, place, turn):
    before, calls = records(draft.farm), []
    real = getattr(drafts, place)

    def cut(*words, **named):
        calls.append(place)
        if len(calls) == turn:
            raise PowerCut
        return real(*words, **named)

    monkeypatch.setattr(drafts, place, cut)
    with pytest.raises(PowerCut):
        drafts.store(draft)
    assert records(draft.farm) == before
    assert not list(draft.farm.parent.glob(".storing-*"))
    monkeypatch.undo()
    assert len(drafts.store(draft).stored) == 2


def test_cut_off_inside_the_transaction_it_is_as_before(draft, monkeypatch):
    """The tables are half replaced when the cut comes."""
    before = records(draft.farm)
    some = {k: geo.store.whole.LAYERS[k] for k in ("files", "points")}

    class Cut(dict):
        def __iter__(self):
            yield from some
            raise PowerCut

    monkeypatch.setattr(geo.store.whole, "LAYERS", Cut())
    with pytest.raises(PowerCut):
        drafts.store(draft)
    assert records(draft.farm) == before


def test_what_another_window_stored_meanwhile_is_not_lost(draft, monkeypatch):
    drafts.store(draft)
    drafts.add_upload(draft, "more.csv", b"sample,pH (H2O),K mg/kg\nW3,6.3,110\n")
    drafts.look(draft)
    real = drafts.season_findings

    def meanwhile(*words):
        exclude_sample(draft.farm, Change(2024, "", "another window"), "W2")
        return real(*words)

    monkeypatch.setattr(drafts, "season_findings", meanwhile)
    with pytest.raises(FarmError, match="meanwhile"):
        drafts.store(draft)
    with closing(sqlite3.connect(draft.farm / "farm.gpkg")) as database:
        assert database.execute("SELECT count(*) FROM left_out").fetchone()[0] == 1
        assert database.execute("SELECT count(*) FROM files").fetchone()[0] == 2
