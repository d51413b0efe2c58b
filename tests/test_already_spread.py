"""The driver's readme says what the ground already got since it was sampled."""

from types import SimpleNamespace

from geo.export.folder import already_spread


def season(*reasons):
    rates = [SimpleNamespace(material="dolomitic_lime", reasons=reasons) for _ in range(2)]
    return SimpleNamespace(prescription=SimpleNamespace(rates=rates))


SAID = "On record after this sampling, 2024-07-09: calcitic lime, 3200 kg/ha."


def test_lime_on_record_after_the_sampling_is_a_warning_said_once():
    (warning,) = already_spread(season("Why.", SAID), "dolomitic_lime")
    assert "twice" in warning
    assert SAID in warning


def test_no_warning_for_another_product_or_without_a_record():
    assert already_spread(season("Why."), "dolomitic_lime") == ()
    assert already_spread(season(SAID), "gypsum") == ()
