"""Zone verdicts in sentences with their numbers."""

from __future__ import annotations

from geo.zoning.choice import LEAST_SAVING_PCT, SHOWN_CHANCE, Choice, Split

#: From so many samples a map without a pattern speaks for an even block; a third to a half of the
#: real patterns are missed with fewer (own simulations).
FEW_SAMPLES = 30

#: Where driving keeps less than this of the saving, it is said.
MUCH_KEPT = 0.75

NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight")


def say_verdict(choice: Choice, split: Split, verdict: str, samples: int) -> tuple[str, str]:
    """Zone verdict and its sentence.

    Parameters
    ----------
    choice, split : Choice, Split
        What was weighed, and the split that is drawn.
    verdict : str
        Of the maps behind it: "useful", "weak" or "none".
    samples : int
        Most samples behind any of them.
    """
    close = " This is close: other draws might decide otherwise." if choice.close else ""
    if split.count > 1:
        if split.saving_pct < MUCH_KEPT * split.undriven_pct:
            close += (
                f" Patches too small to drive would have saved {split.undriven_pct:.0f} %: fewer "
                "zones, or a narrower swath, lose less of it."
            )
        count, tens = number_word(split.count), round(10 * split.chance)
        saving = f"rates that miss cost {split.saving_pct:.0f} % less than with one rate"
        if split.chance >= SHOWN_CHANCE and verdict == "useful":
            chance = round(100 * split.chance)
            return "shown", (
                f"{count} zones, shown by these samples: {saving}, and less in {chance} of 100 "
                f"draws.{close}"
            )
        return "likely", (
            f"{count} zones, likely: in {tens} of 10 draws they beat one rate; {saving}.{close}"
        )
    return _say_one(choice.refused, verdict, samples, close)


def _say_one(refused: Split | None, verdict: str, samples: int, close: str) -> tuple[str, str]:
    if verdict == "none" and samples < FEW_SAMPLES:
        return "too_few", (
            f"Too few samples to tell zones apart: one rate. {samples} samples do not show a "
            "pattern that a map could follow."
        )
    saving = 0.0 if refused is None else max(0.0, refused.saving_pct)
    if refused is None or saving < LEAST_SAVING_PCT:
        return "one_rate", (
            f"One rate: the block is even enough. Zones would take {saving:.0f} % off what a wrong "
            f"rate costs, under the {LEAST_SAVING_PCT:.0f} % that makes them worth driving.{close}"
        )
    zones = number_word(refused.count)
    might = f"{zones} zones might take {saving:.0f} % off what a wrong rate costs"
    if verdict == "none":
        return "too_few", (
            f"Too few samples to tell zones apart: one rate. {might}, but {samples} samples do not "
            "show a pattern that a map could follow."
        )
    return "too_few", (
        f"Too few samples to tell zones apart: one rate. {might}, but beat one rate in only "
        f"{round(100 * refused.chance)} of 100 draws.{close}"
    )


def say_too_small(area_ha: float, smallest_ha: float) -> str:
    """Why a block gets one rate whatever its soil is."""
    return (
        f"One rate: {area_ha:.2f} ha is too small for two zones of at least {smallest_ha:.2f} ha."
    )


def number_word(count: int) -> str:
    """A count of zones as it begins a sentence."""
    return NUMBERS[count] if count < len(NUMBERS) else str(count)
