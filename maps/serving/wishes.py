"""A wish of the zones page as it is asked for, and as farm.toml keeps it."""

from __future__ import annotations

from typing import Any

from geo.blocks import Block
from geo.errors import UsageError
from geo.settings_text import toml_text
from maps.serving import farmtext
from maps.serving.trying import Wish, product_of
from maps.serving.workspace import Workspace


def keep(work: Workspace, season: int, block: Block, amendment: str, wish: Wish) -> str:
    """Write a wish into farm.toml; the mark of the new text, to take it back by."""
    # What cannot be tried must not be kept: a run would stop at it.
    work.tried(season, block, amendment, wish)
    bought = wish.product or product_of(work.live(season, block).season, amendment)
    farmtext.write_settings_text(work.folder, _with_wish(work, block, amendment, wish, bought))
    return farmtext.mark_of(work.folder)


def take_back(work: Workspace, mark: str) -> None:
    """Put the farm.toml from before a kept wish back, if nothing changed it since."""
    if farmtext.mark_of(work.folder) != mark:
        raise UsageError("farm.toml was changed again since. Change it back in Settings.")
    farmtext.take_back(work.folder)


def wish_of(asked: dict[str, Any]) -> Wish:
    """What a page asks for as a wish; what is left out stays as it is."""

    def figure(name: str) -> float | None:
        value = asked.get(name)
        try:
            return None if value in (None, "") else float(str(value))
        except ValueError:
            raise UsageError(f"{value!r} is not a number.") from None

    most = figure("most_zones")
    return Wish(
        most_zones=None if most is None else int(most),
        target_ph=figure("target_ph"),
        price_per_t=figure("price_per_t"),
        little=figure("little"),
        much=figure("much"),
        width_m=figure("width_m"),
        product=str(asked["product"]) if asked.get("product") else None,
    )


def _with_wish(work: Workspace, block: Block, amendment: str, wish: Wish, bought: str) -> str:
    """farm.toml with a wish in it; a price is written beside the product it is for."""
    text = (work.folder / "farm.toml").read_text(encoding="utf-8")
    place = ("blocks", block.name)
    if wish.target_ph is not None:
        text = farmtext.with_key(text, place, "target_ph", f"{wish.target_ph:g}")
    if wish.product is not None:
        chosen = {**block.site.product, amendment: wish.product}
        value = ", ".join(f"{k} = {toml_text(v)}" for k, v in chosen.items())
        text = farmtext.with_key(text, place, "product", f"{{ {value} }}")
    if wish.price_per_t is not None:
        price = f"{float(wish.price_per_t)}"
        text = farmtext.with_key(text, ("materials", bought), "price_per_t", price)
    if wish.most_zones is not None or wish.width_m is not None:
        machine = work.settings().spreader_of(block.name)
        most = wish.most_zones or machine.most_zones
        width = wish.width_m or machine.width_m
        spreader = (*place, "spreader")
        text = farmtext.with_key(text, spreader, "width_m", f"{float(width)}")
        text = farmtext.with_key(text, spreader, "speed_kmh", f"{machine.speed_kmh}")
        text = farmtext.with_key(text, spreader, "transition_s", f"{machine.transition_s}")
        text = farmtext.with_key(text, spreader, "by_hand", str(machine.by_hand).lower())
        text = farmtext.with_key(text, spreader, "most_zones", str(most))
    if wish.little is not None and wish.much is not None:
        ratio = f"[{wish.little:g}, {wish.much:g}]"
        text = farmtext.with_key(text, ("cost_ratios",), amendment, ratio)
    return text
