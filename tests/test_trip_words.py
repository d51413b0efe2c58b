"""A pass that does little is offered with a word whether the trip pays."""

from dataclasses import replace

import pytest

from geo.prescribing.purchase import spend_first, trip_words
from maps.pagedata import materials_data


def test_a_bag_that_takes_away_a_twelfth_of_the_loss_is_asked_about(kniee):
    """Knieë 2025: one bag of potash for most of a trip's money; gypsum does more."""
    plan = kniee.prescription
    assert plan.relief["potassium"] < 0.10 < plan.relief["gypsum"]
    assert "weigh the cost of the trip" in trip_words(plan, "potassium")
    assert trip_words(plan, "gypsum") == ""
    whys = {line.amendment: line.why for line in spend_first(plan)}
    assert whys["potassium"] == trip_words(plan, "potassium")
    assert "trip" not in whys["gypsum"]
    shown = {one["amendment"]: one["trip"] for one in materials_data(kniee)}
    assert shown == {"potassium": trip_words(plan, "potassium"), "gypsum": ""}


@pytest.mark.parametrize(
    ("relief", "cost"),
    [(0.10, 2000.0), (0.66, 2000.0), (0.02, None), (0.02, 0.0), (None, 2000.0)],
)
def test_no_word_where_a_pass_does_more_or_costs_nothing_known(kniee, relief, cost):
    plan = replace(
        kniee.prescription,
        relief={} if relief is None else {"lime": relief},
        costs={"lime": cost},
    )
    assert trip_words(plan, "lime") == ""
