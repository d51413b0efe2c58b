"""What was spent and what one rate would have cost: by hand from the demo scenario.

Rates and areas: section 5; prices: section 8 (delivery 180/t, loose at least 5 t; spreading 420/ha
flat and 560/ha where the rate changes; 25 kg bags, rounded up). Ground that got nothing is not
driven over. Areas of the blocks are geodesic: section 1.
"""

import pytest

from geo.compare import compare_records
from geo.export.changes import changes_document
from geo.farm import read_records
from maps.changemoney import money_sentences


def worth_of(farm, block):
    records = (read_records(farm, year, block) for year in (2024, 2025))
    return compare_records(*records, maps=False)


@pytest.fixture(scope="module")
def poel(demo_farm):
    return worth_of(demo_farm, "Poel")


@pytest.fixture(scope="module")
def kniee(demo_farm):
    return worth_of(demo_farm, "Knieë")


@pytest.fixture(scope="module")
def werfie(demo_farm):
    return worth_of(demo_farm, "Werfie")


def test_lime_of_poel(poel):
    (lime,) = poel.worth.spent
    tonnes = 2.467 * 3.2 + 2.829 * 1.6
    assert lime.product_kg == pytest.approx(1000 * tonnes, rel=0.001)
    spent = tonnes * (950 + 180) + (2.467 + 2.829) * 560
    everywhere = 7.879 * 3.2 * (950 + 180) + 7.879 * 420
    assert lime.cost == pytest.approx(spent, rel=0.001)
    assert lime.saved == pytest.approx(everywhere - spent, rel=0.001)
    assert poel.worth.saved == lime.saved


def test_gypsum_and_potassium_of_kniee(kniee):
    gypsum, potassium = kniee.worth.spent
    # 4.13 t of gypsum are delivered at the price of 5 t; one rate on a part is flat spreading.
    spent = 2.5 * 1.652 * 870 + 5 * 180 + 1.652 * 420
    everywhere = 2.5 * 3.492 * (870 + 180) + 3.492 * 420
    assert gypsum.cost == pytest.approx(spent, rel=0.001)
    assert gypsum.saved == pytest.approx(everywhere - spent, rel=0.002)
    # 460.25 kg are 19 bags, 873 kg are 35.
    spent = 19 * 0.025 * (18500 + 180) + 1.841 * 420
    everywhere = 35 * 0.025 * (18500 + 180) + 3.492 * 420
    assert potassium.cost == pytest.approx(spent, rel=0.001)
    assert potassium.saved == pytest.approx(everywhere - spent, rel=0.002)


def test_two_passes_of_werfie(werfie):
    (sulfur,) = werfie.worth.spent
    # 2 x 123.9 kg are ten bags; the block is driven over twice.
    assert sulfur.cost == pytest.approx(10 * 0.025 * (9600 + 180) + 2 * 0.413 * 420, rel=0.002)
    assert sulfur.saved == pytest.approx(0.0, abs=1.0)


def test_the_money_is_told_with_what_it_moved(poel, kniee, werfie):
    lime = money_sentences(changes_document(poel))
    assert "R\u202f17\u202f005 (R\u202f11\u202f800 the product" in lime[0]
    # The zones' planted means are 0.40 and 0.80 above untreated ground; measured beside it.
    half, full = (e.effect.difference for e in poel.changes if e.key == "ph_water" and e.effect)
    assert lime[1] == (
        f"What it moved: pH (water) +{half:.2f} with 1.6 t/ha and +{full:.2f} with 3.2 t/ha, "
        "against nothing spread."
    )
    assert lime[2].endswith("more.")
    assert "against gypsum" in money_sentences(changes_document(kniee))[4]
    sulfur = money_sentences(changes_document(werfie))
    assert "no untreated ground" in sulfur[1]
    assert "nothing was saved or lost" in sulfur[2]


def test_a_product_without_a_price_says_so(poel):
    document = changes_document(poel)
    document["money"]["spent"][0] |= {"bill": None, "cost": None, "saved": None}
    first, _, last = money_sentences(document)
    assert "no price of it is on file" in first
    assert "R" not in last.removeprefix("One rate")
