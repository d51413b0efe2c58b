"""A reason is text to whoever shows it, and known by its kind to whoever looks for it."""

import json
import pickle

from geo.export.seasonfile import plain
from geo.reasons import About, Reason, about_of, reasons_about

SPREAD = Reason("In August 3 t of lime went on.", About.SPREAD_SINCE)


def test_it_is_found_by_what_it_is_about_whatever_it_says():
    said = ("plain words", SPREAD, Reason("On record after this sampling: nothing."))
    assert reasons_about(said, About.SPREAD_SINCE) == [SPREAD]
    assert reasons_about(said, About.CREDIT, About.COSTS) == []
    assert [about_of(one) for one in said] == [About.OTHER, About.SPREAD_SINCE, About.OTHER]


def test_files_and_pages_take_it_as_text():
    assert json.dumps(plain((SPREAD,))) == '["In August 3 t of lime went on."]'
    assert " ".join(["So:", SPREAD]) == "So: In August 3 t of lime went on."
    assert {SPREAD} == {"In August 3 t of lime went on."}


def test_it_keeps_its_kind_on_the_way_to_another_process():
    assert about_of(pickle.loads(pickle.dumps(SPREAD))) is About.SPREAD_SINCE
