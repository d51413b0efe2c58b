"""How many spots a budget pays, or a wanted doubt asks for: laws, and sums worked by hand."""

from dataclasses import replace

import pytest

from geo.errors import UsageError
from geo.planning.asking import share_budget, spending_note, spots_asked
from geo.planning.size import SizePoint, cost_of
from geo.settings import CostSettings
from maps.cli import main

#: Doubt falls with the root of the number, as for independent samples; 100 a spot.
CURVE = tuple(SizePoint(n, n**-0.5, 100.0 * n) for n in (3, 4, 9, 16, 25))


def asked(block, **wish):
    return spots_asked(block, CURVE, "ZAR", **wish)


@pytest.fixture(scope="module")
def block(poel):
    return poel.block


def test_cost_is_laboratory_and_hours():
    """10 samples at 600, 10 x 15 min and 1,500 m at 3 km/h = 3 h at 200: by hand 6,600."""
    costs = CostSettings(soil_sample=600.0, labour_per_h=200.0, minutes_per_station=15.0)
    assert cost_of(10, 1500.0, costs) == pytest.approx(6600.0)


@pytest.mark.parametrize(("budget", "spots"), [(300, 3), (899, 4), (900, 9), (1e6, 25)])
def test_a_budget_pays_as_many_as_it_can(block, budget, spots):
    assert asked(block, budget=budget) == spots


@pytest.mark.parametrize(("doubt", "spots"), [(0.5, 4), (0.34, 9), (0.2, 25)])
def test_a_wanted_doubt_asks_for_as_few_as_reach_it(block, doubt, spots):
    assert asked(block, doubt=doubt) == spots


def test_with_both_the_fewest_that_reach_the_doubt(block):
    assert asked(block, doubt=0.34, budget=2000) == 9
    # ui/README.md, section 3: `R 15 405`, a narrow space that does not break after the sign.
    with pytest.raises(UsageError, match=r"9 spots, R\u202f900\. The budget of R\u202f500 pays 4"):
        asked(block, doubt=0.34, budget=500)


def test_what_cannot_be_had_is_said(block):
    with pytest.raises(UsageError, match="ask for 20 % or more"):
        asked(block, doubt=0.1)
    with pytest.raises(UsageError, match="R\u202f299 does not pay 3 spots"):
        asked(block, budget=299)
    free = [SizePoint(3, 0.5, 0.0), SizePoint(6, 0.4, 0.0)]
    with pytest.raises(UsageError, match="soil_sample and labour_per_h are 0"):
        spots_asked(block, free, "", budget=100)


def test_a_budget_is_shared_as_the_usual_numbers_cost():
    assert share_budget(1000.0, [4, 16], [CURVE, CURVE]) == pytest.approx([200.0, 800.0])


@pytest.mark.parametrize(
    "words",
    [["--spots", "9", "--budget", "900"], ["--budget", "0"], ["--doubt", "100"], ["--doubt", "0"]],
)
def test_words_that_do_not_fit_are_refused(tmp_path, capsys, words):
    assert main(["plan", str(tmp_path), "--season", "2026", *words]) == 2
    assert "soilquilt: " in capsys.readouterr().err


def test_the_samples_stand_beside_what_they_steer(poel):
    # By hand: the priced sums of the survey's own prescription; above them it is said.
    priced = sum(value or 0.0 for value in poel.prescription.costs.values())
    assert priced > 0
    dear, cheap = (spending_note(priced + more, poel, "ZAR") for more in (1000.0, -1.0))
    assert f"costs R {5 * round(priced / 5):,}".replace(",", " ").replace(" ", "\u202f") in (
        dear.replace("costs ", "costs\u202f")
    )
    assert "cost more than the spreading" in dear
    assert "cost more than" not in cheap
    nothing = replace(poel, prescription=replace(poel.prescription, costs={}))
    assert "asks for nothing to buy" in spending_note(100.0, nothing, "ZAR")
    assert spending_note(100.0, None, "ZAR") == spending_note(0.0, poel, "ZAR") == ""
