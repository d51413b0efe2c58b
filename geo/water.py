"""What irrigation water brings: salt, and the sodium that its SAR leaves on the clay."""

from __future__ import annotations

from geo.settings import BlockSettings
from geo.units import esp_from_sar, salt_kg_ha

SALT_SOURCES = ("SA_IRR",)
#: The curve from SAR to ESP is from memory: it informs, no rate hangs on it.
SODIUM_SOURCES = ("HB60",)


def salt_words(site: BlockSettings) -> str | None:
    """The salt that a season's water brings; None where EC or amount is not known."""
    ec, water_mm = site.irrigation_ec_ds_m, site.irrigation_mm
    if ec is None or water_mm is None:
        return None
    salt = float(salt_kg_ha(ec, water_mm))
    return (
        f"{water_mm:g} mm of water at {ec:g} dS/m bring about {salt:,.0f} kg/ha of salt a season: "
        "rain or extra water must carry it below the roots"
    )


def sodium_words(site: BlockSettings, aim_esp: float) -> str | None:
    """Where the water's SAR drives the soil's ESP; None where the SAR is not known."""
    if site.irrigation_sar is None:
        return None
    expected = float(esp_from_sar(site.irrigation_sar))
    head = f"Water of SAR {site.irrigation_sar:g} tends to an ESP of about {expected:.0f} %"
    memory = "(the curve is from memory, please check)"
    if expected > aim_esp:
        return (
            f"{head} {memory}, above the aim of {aim_esp:g}: gypsum has to be repeated, or given "
            "with the water, while this water is used."
        )
    return f"{head} {memory}: it does not undo the gypsum."
