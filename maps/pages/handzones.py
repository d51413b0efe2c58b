"""A zone border drawn by hand on the zones page: tried beside the computed zones, kept, let go."""

from __future__ import annotations

import math
from typing import Any

from geo.blocks import Block
from geo.errors import FarmError, UsageError
from geo.settings_text import toml_text
from maps.pagedata import materials_data
from maps.serving import farmtext
from maps.serving.trying import Wish, fewer_draws_words
from maps.serving.workspace import Workspace

Data = dict[str, Any]

#: More points than this in all lines together are no border a person drew.
MOST_POINTS = 500


def boundary_of(asked: Any) -> str:
    """Lines of (latitude, longitude) as a page sends them -> WKT in longitude and latitude.

    Raises
    ------
    UsageError
        If a line has fewer than two places, or a place is not a pair of degrees.

    Examples
    --------
    >>> boundary_of([[[-33.97, 19.99], [-33.96, 20.01]]])
    'LINESTRING (19.9900000 -33.9700000, 20.0100000 -33.9600000)'
    """
    lines = asked if isinstance(asked, list) else []
    if not lines or any(not isinstance(line, list) or len(line) < 2 for line in lines):
        raise UsageError("A border needs at least two points: click where it begins and ends.")
    if sum(len(line) for line in lines) > MOST_POINTS:
        raise UsageError(f"A border of more than {MOST_POINTS} points is too long.")
    return "; ".join(
        f"LINESTRING ({', '.join(_lonlat_words(place) for place in line)})" for line in lines
    )


def _lonlat_words(place: Any) -> str:
    right = isinstance(place, list) and len(place) == 2
    if not right or not all(isinstance(v, int | float) and math.isfinite(v) for v in place):
        raise UsageError("A place is a latitude and a longitude in degrees, as -33.97, 19.99.")
    lat, lon = place
    if abs(lat) > 90 or abs(lon) > 180:
        raise UsageError(f"{lat:g}, {lon:g} is no place: latitude first, then longitude.")
    return f"{lon:.7f} {lat:.7f}"


def tried(work: Workspace, season: int, block: Block, amendment: str, boundary: str) -> Data:
    """Zones, rates and money along a border, and of the computed zones; nothing is stored."""
    own = work.tried(season, block, amendment, Wish(boundary=boundary))
    computed = work.tried(season, block, amendment, Wish(boundary=""))
    found, beside = materials_data(own), materials_data(computed)
    if not found or own.zone_maps[0].verdict != "own":
        raise UsageError(f"No {amendment} is spread in {block.name}, so there is nothing to part.")
    return {
        "material": found[0] | {"fewer": fewer_draws_words(own)},
        "computed": beside[0] if beside else None,
        "losses": {
            "own": _loss_words(own.zone_maps[0].saving_pct),
            "computed": _loss_words(computed.zone_maps[0].saving_pct),
        },
    }


def _loss_words(saving_pct: float) -> str:
    """Expected loss beside that of one rate."""
    if abs(saving_pct) < 0.5:
        return "as one rate"
    return f"{saving_pct:.0f} % less than one rate"


def keep(work: Workspace, season: int, block: Block, amendment: str, boundary: str) -> Data:
    """Write a border into farm.toml, if it can be driven; the old text is kept."""
    tried(work, season, block, amendment, boundary)
    text = (work.folder / "farm.toml").read_text(encoding="utf-8")
    table = ("blocks", block.name, "boundaries")
    text = farmtext.with_key(text, table, amendment, toml_text(boundary))
    try:
        farmtext.write_settings_text(work.folder, text)
    except FarmError as error:
        raise UsageError(
            f"farm.toml holds the borders of {block.name} in a form that this page does not "
            f"change. Write them in Settings, as text, below a line "
            f"[blocks.{toml_text(block.name)}.boundaries], one line an amendment. ({error})"
        ) from None
    return {"said": "Kept in farm.toml. Run the season to make the files anew."}


def let_go(work: Workspace, block: Block, amendment: str) -> Data:
    """Take a border out of farm.toml, so that the computed zones come back."""
    text = (work.folder / "farm.toml").read_text(encoding="utf-8")
    table = ("blocks", block.name, "boundaries")
    changed = farmtext.without_key(text, table, amendment)
    if changed == text:
        raise UsageError(f"farm.toml holds no border of {amendment} in {block.name} to take back.")
    farmtext.write_settings_text(work.folder, changed)
    return {"said": "Taken back. Run the season: its zones come from the samples again."}
