"""What changed between two seasons, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geo.comparing.treatments import GPS_M
from geo.lookup import properties
from geo.money import MINUS
from geo.response import MOST_CHANGE
from maps.changefigures import (
    VERDICT_WORDS,
    Row,
    chance_words,
    effect_words,
    figure,
    found_words,
    name_of,
    noise_words,
    scatter_words,
    seen_words,
    signed_figure,
    stations_words,
    unit_of,
    verdict_words,
    zone_words,
)
from maps.changemoney import money_sentences
from maps.wording import AMENDMENT_WORDS

Document = dict[str, Any]


def change_sentences(document: Document) -> list[str]:
    """A comparison in sentences: what could be seen first, then what was found."""
    block = document["block"]
    found = [_opening(document), *document["warnings"], *stations_sentences(document)]
    zoned = by_property(document)
    for rows in told_apart(document):
        found += _property_sentences(rows)
        if rows in leading(document):
            found += zone_sentences(zoned[rows[0]["key"]], document["years"][0])
    found += quiet(document)
    found += refusals(document)
    for response in document["responses"]:
        found += response_sentences(response, block)
    found += money_sentences(document)
    return found


def _opening(document: Document) -> str:
    first, second = document["years"]
    apart = document["relocation_m"]
    return (
        f"{document['block']}, {first} to {second}: {len(document['stations'])} stations sampled "
        "in both years" + (f", found again within {apart:.1f} m." if apart is not None else ".")
    )


def stations_sentences(document: Document) -> list[str]:
    """Stations that count nowhere, or not everywhere, and why."""
    (first, second), found = document["years"], []
    if document["only_second"]:
        names = ", ".join(document["only_second"])
        found.append(f"Of {second} alone, nothing in {first} to compare with: {names}.")
    found += [
        f"Not compared until it is answered ({year}): {text}" for year, text in document["waiting"]
    ]
    if document["moved"]:
        names = ", ".join(f"{name} ({metres:.0f} m)" for name, metres in document["moved"])
        found.append(f"Not the same spot any more, so not compared: {names}.")
    if document["border"]:
        names = ", ".join(document["border"])
        found.append(
            f"{names}: so near a border between two rates that nobody can tell what they got, for "
            f"a receiver is good to about {GPS_M:g} m. They count for the whole block, but not "
            "with what was spread."
        )
    return found


def by_property(document: Document) -> dict[str, list[Row]]:
    """Compared rows by property key, in reading order."""
    found: dict[str, list[Row]] = {}
    for row in document["changes"]:
        if row["verdict"] != "refused":
            found.setdefault(row["key"], []).append(row)
    return found


def told_apart(document: Document) -> list[list[Row]]:
    """Properties of which something is to be told: moved by what was spread, or shown."""
    return [
        [row for row in rows if row["zone_id"] is None]
        for rows in by_property(document).values()
        if any(row["effect"] or row["aim"] or row["verdict"] == "shown" for row in rows)
    ]


def meant(document: Document) -> list[list[Row]]:
    """Of those, the properties that something was spread to move."""
    return [rows for rows in told_apart(document) if any(row["aim"] for row in rows)]


def leading(document: Document) -> list[list[Row]]:
    """Of those, the ones that tell most: of several pH the first, for all were meant alike."""
    aims = meant(document)
    first_ph = next((rows for rows in aims if rows[0]["unit"] == "pH"), None)
    return [rows for rows in aims if rows is first_ph or rows[0]["unit"] != "pH"]


def _property_sentences(rows: list[Row]) -> list[str]:
    whole = rows[0]
    found = [f"{name_of(whole['key'])}: at one station {noise_words(whole)} may be noise."]
    told = rows[1:] or rows
    return [*found, *(f"  {row_sentence(row)}" for row in told)]


def row_sentence(row: Row) -> str:
    """One area: stations, what they could show, what they show, and against what."""
    stations = stations_words(row)
    area = "the whole block" if row["area"] == "block" else row["area"]
    said = f"{area[:1].upper()}{area[1:]} ({stations}"
    said += f", {seen_words(row['detectable'], row)} could be seen): " if row["n"] > 1 else "): "
    said += found_words(row)
    if scatter := scatter_words(row):
        said += f" ({scatter})"
    effect = row["effect"]
    if effect is None:
        told = row["verdict"] == "shown" or row["aim"]
        return said + (f". {verdict_words(row)}." if told else ".")
    return said + ". " + effect_sentence(row)


def zone_sentences(rows: Sequence[Row], year: int) -> list[str]:
    """The same ground by the zones of the first year's run, in one line."""
    parts = [
        f"{zone_words(row)} {found_words(row)} ({stations_words(row)}"
        + (", change shown)" if row["verdict"] == "shown" else ")")
        for row in rows
        if row["zone_id"] is not None
    ]
    return [f"  By the zones of {year}: {'; '.join(parts)}."] if parts else []


def effect_sentence(row: Row) -> str:
    """Treated ground against untreated, and what the table expected."""
    effect = row["effect"]
    expected = effect["expected"]
    said = f"Against {effect['against']}: {effect_words(row)}"
    if effect["chance_worth"] is not None:
        said += (
            f", more than the {effect['worth']:g} worth acting on in "
            f"{chance_words(effect['chance_worth'])}"
        )
    if expected is not None:
        said += f"; the table expects {figure(expected, row)}{unit_of(row)}"
        if row["factor"] is not None and row["before"]:
            said += f", a factor of {1.0 + expected / row['before']:.2f}"
    return said + ". " + VERDICT_WORDS[effect["verdict"]].rstrip(".") + "."


def quiet(document: Document) -> list[str]:
    """Properties of which no change is shown, with what could have been seen."""
    told = {rows[0]["key"] for rows in told_apart(document)}
    still = [
        f"{properties()[key].name} ({seen_words(rows[0]['detectable'], rows[0])})"
        for key, rows in by_property(document).items()
        if key not in told
    ]
    if not still:
        return []
    return [f"No change shown, with what could have been seen over the block: {', '.join(still)}."]


def refusals(document: Document) -> list[str]:
    """What is not compared, and why; what is compared on terms."""
    found = [
        f"{name_of(row['key'])} is not compared: {row['why']}."
        for row in document["changes"]
        if row["verdict"] == "refused"
    ]
    terms = {
        f"{name_of(row['key'])}: {text}"
        for row in document["changes"]
        for text in row["warnings"]
        if row["area"] == "block"
    }
    return found + sorted(terms)


def response_sentences(response: Row, block: str) -> list[str]:
    """What the block taught beside the table."""
    name = str(AMENDMENT_WORDS.get(response["amendment"], response["amendment"]))
    unit, prop = response["unit"], properties()[response["key"]]
    own = (
        f"{name[:1].upper()}{name[1:]} ({response['material']}): the table says "
        f"{signed_figure(response['prior'])} {unit}; with what {block} showed, "
        f"{signed_figure(response['value'])} ({signed_figure(response['low'])} to "
        f"{signed_figure(response['high'])}, 19 in 20)."
    )
    measured = response["measured"]
    if measured["untreated"] >= 2:
        season = {"unit": prop.unit}
        own += (
            f" {measured['treated']} treated and {measured['untreated']} untreated stations; the "
            f"season alone moved {prop.name} by {figure(measured['season'], season)}"
            f"{unit_of(season)}."
        )
    if response["used"]:
        end = (
            f"{block} is now better known than the table: the next rate rests on "
            f"{signed_figure(response['value'])} {unit}, which makes it the table's × "
            f"{response['rate_factor']:.2f} (never more than {MOST_CHANGE:.0%} either way)."
        )
        if response["amendment"] == "lime" and response["rate_factor"] > 1.0:
            end += " It is not raised while lime that has not reacted is credited."
    else:
        against = " ".join(response["against"])
        stays = signed_figure(response["prior"])
        end = f"One more year is needed; the table's {stays} {unit} stays. {against}"
    return [own, "  " + " ".join([end, *response["notes"]])]


def property_state(rows: Sequence[Row]) -> str:
    """All rows of a property together: "shown", "not_shown" or "refused"."""
    if all(row["verdict"] == "refused" for row in rows):
        return "refused"
    shown = any(
        "shown" in (row["verdict"], (row["effect"] or {}).get("verdict", ""))
        for row in rows
        if row["zone_id"] is None
    )
    return "shown" if shown else "not_shown"


def headline(rows: Sequence[Row]) -> str:
    """What moved, in one sentence: treated ground first, then the untreated beside it."""
    first = rows[0]
    name, inside = name_of(first["key"]), properties()[first["key"]].name
    state = property_state(rows)
    if state == "refused":
        return f"{name} is not compared: {first['why']}."
    if state == "not_shown":
        return _not_shown(name, rows)
    treated = [r for r in rows if r["effect"] and r["effect"]["verdict"] == "shown"]
    if not treated:
        row = next(r for r in rows if r["verdict"] == "shown" and r["zone_id"] is None)
        where = "Over the block" if row["area"] == "block" else f"Where it got {row['area']}"
        return f"{where}, {inside} {_moved(row)}."
    most = max(treated, key=lambda row: abs(row["difference"]))
    said = f"Where it got {most['area']}, {inside} {_moved(most)}"
    other = next((r for r in rows if r["area"] == most["effect"]["against"]), None)
    if other is None:
        return f"{said}; against {most['effect']['against']} that is beyond doubt."
    return f"{said}; with {other['area']} it {_moved(other)}."


def headlines(document: Document) -> list[str]:
    """One a property that something was spread to move; one pH tells of the others."""
    return [headline(rows) for rows in leading(document)]


def _not_shown(name: str, rows: Sequence[Row]) -> str:
    """Nothing shown: what was meant to move and did not, what kept it back, or what could be seen.

    Treated ground beside untreated goes first: there a change of laboratory falls out.
    """
    beside = next((row for row in rows if row["aim"] and row["effect"]), None)
    if beside is not None:
        return (
            f"Where it got {beside['area']}, {properties()[beside['key']].name} {_moved(beside)}; "
            f"against {beside['effect']['against']} that is {effect_words(beside)}: not beyond "
            "doubt."
        )
    doubted = next((row for row in rows if row["why"] and row["zone_id"] is None), None)
    if doubted is not None:
        where = "over the block" if doubted["area"] == "block" else f"with {doubted['area']}"
        apart = seen_words(doubted["laboratories"], doubted)
        return (
            f"{name} {_moved(doubted)} {where}, and the stations agree; but two laboratories alone "
            f"may stand as far apart ({apart}, 19 in 20), so no change is shown."
        )
    seen = seen_words(rows[0]["detectable"], rows[0])
    return f"{name}: no change shown; {seen} over the block could have been seen."


def _moved(row: Row) -> str:
    if row["factor"] is not None:
        return f"changed by a factor of {row['factor']:.2f}"
    size = figure(row["difference"], row)
    return f"{'fell' if size.startswith(MINUS) else 'rose'} by {size[1:]}{unit_of(row)}"


def summary_sentences(document: Document) -> list[str]:
    """A comparison in short: what moved of what was meant to, what else, lessons and money."""
    aims = meant(document)
    others = [
        str(properties()[rows[0]["key"]].name)
        for rows in told_apart(document)
        if rows not in aims and property_state(rows) == "shown"
    ]
    found = [_opening(document), *headlines(document)]
    if others:
        found.append(f"Also moved beyond doubt: {', '.join(others)}.")
    for response in document["responses"]:
        own, end = response_sentences(response, document["block"])
        found += [own, end.strip()]
    return found + money_sentences(document)
