"""What changed between two seasons, in sentences and as one page that opens from disk."""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from geo.lookup import properties
from maps.assets import STATIC, TEMPLATES
from maps.wording import AMENDMENT_WORDS, MINUS, amount_words, money, number, sentence, signed

Document = dict[str, Any]
Row = Mapping[str, Any]

VERDICT_WORDS = {
    "shown": "Change shown, beyond doubt.",
    "not_shown": "No change shown",
    "refused": "Not compared",
}


def change_sentences(document: Document) -> list[str]:
    """A comparison in sentences: what could be seen first, then what was found."""
    first, second = document["years"]
    block = document["block"]
    apart = document["relocation_m"]
    found = [
        f"{block}, {first} to {second}: {len(document['stations'])} stations sampled in both years"
        + (f", found again within {apart:.1f} m." if apart is not None else "."),
        *document["warnings"],
    ]
    if document["moved"]:
        names = ", ".join(f"{name} ({metres:.0f} m)" for name, metres in document["moved"])
        found.append(f"Not the same spot any more, so not compared: {names}.")
    if document["border"]:
        found.append(
            f"Too near a border to tell what they got, left out of the groups: "
            f"{', '.join(document['border'])}."
        )
    for rows in told_apart(document):
        found += _property_sentences(rows)
    found += quiet(document)
    found += refusals(document)
    for response in document["responses"]:
        found += response_sentences(response, block)
    found += money_sentences(document)
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


def name_of(key: str) -> str:
    """The word people read, with its first letter large."""
    name = str(properties()[key].name)
    return name if name.startswith("pH") else name[:1].upper() + name[1:]


def _unit(row: Row) -> str:
    return "" if row["unit"] in {"pH", "1"} else f" {row['unit']}"


def figure(value: float | None, row: Row) -> str:
    """A difference with its sign: pH to 0.01, the rest two digits."""
    if value is None or not math.isfinite(value):
        return "not known"
    text = f"{abs(value):.2f}" if row["unit"] == "pH" else number(abs(value))
    return (MINUS if value < 0 else "+") + text


def plain_figure(value: float | None, row: Row) -> str:
    """The same without a sign."""
    return figure(value, row).lstrip("+" + MINUS)


def seen_words(value: float | None, row: Row) -> str:
    """A change that could be seen: an amount, or a factor where logs are compared."""
    if value is None or not math.isfinite(value):
        return "no change at all"
    if row["factor"] is not None:
        return f"a factor of {value:.2f}"
    return f"{plain_figure(value, row)}{_unit(row)}"


def _property_sentences(rows: list[Row]) -> list[str]:
    whole = rows[0]
    found = [
        f"{name_of(whole['key'])}: a change of {seen_words(whole['detectable_single'], whole)} at "
        "one station may be noise."
    ]
    told = rows[1:] or rows
    return [*found, *(f"  {row_sentence(row)}" for row in told)]


def row_sentence(row: Row) -> str:
    """One area: stations, what they could show, what they show, and against what."""
    stations = f"{row['n']} station{'' if row['n'] == 1 else 's'}"
    area = "the whole block" if row["area"] == "block" else row["area"]
    said = f"{area[:1].upper()}{area[1:]} ({stations}"
    said += f", {seen_words(row['detectable'], row)} could be seen): " if row["n"] > 1 else "): "
    said += f"{figure(row['difference'], row)}{_unit(row)}"
    if row["sd"] is not None:
        said += f" (sd {plain_figure(row['sd'], row)})"
    if row["factor"] is not None:
        said += f", factor {row['factor']:.2f}"
    effect = row["effect"]
    if effect is None:
        told = row["verdict"] == "shown" or row["aim"]
        verdict = _verdict(row)
        return said + (f". {verdict}." if told else ".")
    return said + ". " + effect_sentence(row)


def _verdict(row: Row) -> str:
    words = VERDICT_WORDS[row["verdict"]].rstrip(".")
    return f"{words}: {row['why']}" if row["why"] else words


def effect_sentence(row: Row) -> str:
    """Treated ground against untreated, and what the table expected."""
    effect = row["effect"]
    if row["factor"] is None:
        middle = figure(effect["difference"], row)
        ends = f"{figure(effect['low'], row)} to {figure(effect['high'], row)}"
    else:
        middle = f"factor {effect['difference']:.2f}"
        ends = f"{effect['low']:.2f} to {effect['high']:.2f}"
    said = f"Against {effect['against']}: {middle} ({ends}, 19 in 20)"
    if effect["expected"] is not None:
        said += f"; the table expects {figure(effect['expected'], row)}"
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
    unit = response["unit"]
    table = f"{signed_figure(response['prior'])} {unit}"
    own = (
        f"{name[:1].upper()}{name[1:]} ({response['material']}): the table says {table}; with what "
        f"{block} showed, {signed_figure(response['value'])} "
        f"({signed_figure(response['low'])} to {signed_figure(response['high'])}, 19 in 20)."
    )
    measured = response["measured"]
    if measured["untreated"] >= 2:
        own += (
            f" {measured['treated']} treated and {measured['untreated']} untreated stations; the "
            f"season alone moved it by {signed_figure(measured['season'])}."
        )
    if response["used"]:
        end = (
            f"{block} is now better known than the table: the next rate uses "
            f"{signed_figure(response['value'])} {unit}."
        )
    else:
        against = " ".join(response["against"])
        stays = signed_figure(response["prior"])
        end = f"One more year is needed; the table's {stays} stays. {against}"
    return [own, "  " + " ".join([end, *response["notes"]])]


def signed_figure(value: float | None) -> str:
    """A response with its sign, two digits or three."""
    if value is None:
        return "not known"
    digits = 2 if abs(value) >= 0.1 else 3
    return signed(f"{value:.{digits}f}")


def money_sentences(document: Document) -> list[str]:
    """What was spent, and what one rate for the whole block would have cost."""
    currency = document["money"]["currency"]
    found = []
    for spent in document["money"]["spent"]:
        said = f"Spread: {amount_words(spent['product_kg'])} of {spent['product']}"
        said += f", {money(spent['cost'], currency)}" if spent["cost"] is not None else ""
        more = spent["uniform_kg"] - spent["product_kg"]
        if more > 0.02 * spent["product_kg"]:
            said += (
                ". One rate for the whole block that gives no place less would have taken "
                f"{amount_words(spent['uniform_kg'])}"
            )
            if spent["saved"] is not None:
                said += f", {money(spent['saved'], currency)} more"
        found.append(sentence(said))
    return found


def write_changes_page(
    documents: Iterable[Document],
    pictures: Mapping[str, list[Document]],
    path: Path,
    farm: str,
    seams: Mapping[str, Mapping[str, Document]],
) -> None:
    """Write map.html: each block's changes, its pictures and what it taught.

    `seams` holds, by block and key, the maps of both years where both were run.
    """
    from jinja2 import Environment, FileSystemLoader, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
    )
    documents = list(documents)
    blocks = [
        {
            "name": one["block"],
            "opening": [s for s in change_sentences(one) if not s.startswith("  ")][:1],
            "warnings": one["warnings"],
            "tables": [
                table(rows, pictures.get(one["block"], []))
                | {"both": seams.get(one["block"], {}).get(rows[0]["key"])}
                for rows in told_apart(one)
            ],
            "quiet": quiet(one),
            "refused": refusals(one),
            "responses": [response_sentences(r, one["block"]) for r in one["responses"]],
            "money": money_sentences(one),
            "pictures": pictures.get(one["block"], []),
        }
        for one in documents
    ]
    years: list[int] = next((one["years"] for one in documents), [])
    script = (STATIC / "seam.js").read_text(encoding="utf-8")
    text = environment.get_template("changes.html").render(
        farm=farm,
        years=years,
        blocks=blocks,
        seam_css=(STATIC / "seam.css").read_text(encoding="utf-8"),
        seam_js=script,
        seam_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )
    path.write_text(text, encoding="utf-8")


def table(rows: list[Row], pictures: list[Document]) -> Document:
    """A property's rows in words, and its chart."""
    whole = rows[0]
    return {
        "chart": next((p["chart"] for p in pictures if p["key"] == whole["key"]), ""),
        "name": name_of(whole["key"]),
        "noise": seen_words(whole["detectable_single"], whole),
        "rows": [
            {
                "area": "whole block" if row["area"] == "block" else row["area"],
                "n": row["n"],
                "seen": seen_words(row["detectable"], row) if row["n"] > 1 else "",
                "found": f"{figure(row['difference'], row)}{_unit(row)}"
                + (f", factor {row['factor']:.2f}" if row["factor"] is not None else ""),
                "sd": plain_figure(row["sd"], row) if row["sd"] is not None else "",
                "verdict": _verdict(row) + ".",
                "effect": effect_sentence(row) if row["effect"] else "",
            }
            for row in rows
        ],
    }
