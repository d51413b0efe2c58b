"""Draw a block's outline on the map, or another one for a block on file: data, checks, storing."""

from __future__ import annotations

import getpass
import json
import math
import tempfile
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import mapping

from geo.blocks import Block, Outline, slug
from geo.crs import Place, to_lonlat
from geo.errors import FarmError, UsageError
from geo.farm import create_farm, known_points, store_reading
from geo.intake.coordinates import read_place
from geo.intake.reading import Reading
from geo.lookup import read_toml
from geo.outlines.drawn import Drawing, DrawingError, drawing_of, drawn_area, overlaps_ha
from geo.outlines.polygons import Area, geodesic_area_ha, geodesic_length_m
from geo.received import MOST_NAME_CHARACTERS
from geo.settings import Settings
from geo.settings_text import settings_text
from geo.store.corrections import Change
from geo.store.database import now
from geo.store.originals import digest
from geo.store.rows import fold
from geo.upkeep import earlier_outlines, redraw_block
from maps.drawing.furniture import row_lines
from maps.paper.measures import Measures, measures_of
from maps.serving import farmtext
from maps.serving.workspace import Workspace

Data = dict[str, Any]

#: Narrow space that does not break, between thousands.
NARROW = "\u202f"


@dataclass(frozen=True)
class Asked:
    """What the page sends: the drawing, and what is said of the block.

    `slug` names a block on file; without it the drawing becomes a new one.
    """

    drawing: Drawing
    slug: str = ""
    name: str = ""
    crop: str = ""
    row_azimuth_deg: float | None = None
    who: str = ""
    why: str = ""


def outline(work: Workspace, base: str, block: Block | None) -> Data:
    """Context of the page: a block to redraw, or None for a new one."""
    others = [one for one in work.blocks() if block is None or one.slug != block.slug]
    crops = read_toml("crops")
    return {
        "block": block.name if block else "",
        "first": not work.exists,
        "crops": [{"key": key, "name": entry["name"]} for key, entry in crops.items()],
        "who": _user(),
        "earlier": [] if block is None else _earlier(work, block),
        "data": {
            "base": base,
            "slug": block.slug if block else "",
            "units": _measured(work).words,
            "drawing": _rings(block.lonlat) if block else {"pieces": [[]], "holes": []},
            "earlier": [] if block is None else _earlier_rings(work, block),
            "others": [
                {
                    "name": one.name,
                    "outline": mapping(one.lonlat),
                    "rows": mapping(to_lonlat(row_lines(one), one.crs)),
                }
                for one in others
            ],
            "samples": [[p.lat, p.lon] for p in _places(work)],
        },
    }


def _measured(work: Workspace) -> Measures:
    return measures_of(work.settings() if work.exists else Settings())


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""


def _places(work: Workspace) -> tuple[Any, ...]:
    return known_points(work.folder) if work.exists else ()


def _rings(area: Area) -> Data:
    drawing = drawing_of(area)
    return {"pieces": drawing.pieces, "holes": drawing.holes}


def _earlier(work: Workspace, block: Block) -> list[Data]:
    return [
        {"until": one.at[:10], "who": one.who, "why": one.why,
         "area": _measured(work).area_words(geodesic_area_ha(one.lonlat))}
        for one in earlier_outlines(work.folder, block.name)
    ]  # fmt: skip


def _earlier_rings(work: Workspace, block: Block) -> list[Data]:
    return [_rings(one.lonlat) for one in earlier_outlines(work.folder, block.name)]


# What the page sends


def asked_of(sent: Any) -> Asked:
    """The page's words, read with care."""
    try:
        drawing = Drawing(_read_rings(sent["pieces"]), _read_rings(sent.get("holes", [])))
        azimuth = sent.get("azimuth")
        degrees = None if azimuth in (None, "") else float(str(azimuth).replace(",", "."))
        words = {k: str(sent.get(k) or "").strip() for k in ("slug", "name", "crop", "who", "why")}
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        raise UsageError("Send rings of corners, each longitude and latitude in degrees.") from None
    if degrees is not None and not (math.isfinite(degrees) and 0 <= degrees <= 360):
        raise UsageError("The direction of the rows is between 0 and 360 degrees.")
    words["name"] = _plain(words["name"])
    return Asked(drawing, row_azimuth_deg=degrees, **words)


def _plain(name: str) -> str:
    """A name without the control characters that no settings file can hold."""
    kept = "".join(letter for letter in name if unicodedata.category(letter) != "Cc")
    return unicodedata.normalize("NFC", kept).strip()


def _read_rings(sent: Any) -> tuple[tuple[Place, ...], ...]:
    rings = [tuple((float(c[0]), float(c[1])) for c in ring) for ring in sent]
    return tuple(ring for ring in rings if ring)


def place_of(text: str) -> Data:
    """A typed place, as the page uses it."""
    place = read_place(text)
    if place is None or abs(place[0]) > 180 or abs(place[1]) > 90:
        return {
            "error": f"“{text[:60]}” is not a place. Write latitude, longitude, such as "
            "-33.9697, 19.9964."
        }
    return {"lon": place[0], "lat": place[1]}


# Checks


def checked(work: Workspace, asked: Asked) -> Data:
    """Hectares and what is to be said of a drawing; `refused` is what must be mended first."""
    try:
        area = drawn_area(asked.drawing)
    except DrawingError as error:
        return {"refused": str(error), "place": error.place}
    block = work.block(asked.slug) if asked.slug else None
    return {
        "refused": "",
        "ha": geodesic_area_ha(area),
        "facts": _facts(area, _measured(work)),
        "notes": [_measured(work).said(note) for note in _notes(work, area, block)],
        "lacks": _lacks(work, asked, area, block),
    }


def _facts(area: Area, measured: Measures) -> str:
    edge_m = geodesic_length_m(shapely.boundary(area))
    drawing = drawing_of(area)
    corners = sum(len(ring) for ring in (*drawing.pieces, *drawing.holes))
    length = f"{float(measured.of_row(edge_m)):,.0f}".replace(",", NARROW)
    return f"{corners} corners, {length} {measured.words['length']} around"


def _notes(work: Workspace, area: Area, block: Block | None) -> list[str]:
    """What a person should see before storing; nothing of it forbids to."""
    others = [one for one in work.blocks() if block is None or one.slug != block.slug]
    notes = [
        f"It lies over {name} by {size:.2f} ha. A sample there counts for one block only."
        for name, size in overlaps_ha(area, others).items()
    ]
    if block is None:
        return notes
    change_ha = geodesic_area_ha(area) - block.area_ha
    if abs(change_ha) >= 0.005:
        word = "more" if change_ha > 0 else "less"
        notes.append(f"{abs(change_ha):.2f} ha {word} than on file ({block.area_ha:.2f} ha).")
    points = shapely.MultiPoint([(p.lon, p.lat) for p in _places(work)])
    lost = points.intersection(block.lonlat).difference(area)
    won = points.intersection(area).difference(block.lonlat)
    if not lost.is_empty:
        notes.append(f"{_count(lost)} of {block.name} would lie outside.")
    if not won.is_empty:
        notes.append(f"{_count(won)} would come to lie inside.")
    return notes


def _count(points: Any) -> str:
    number = len(shapely.get_parts(points))
    return "One sampling place" if number == 1 else f"{number} sampling places"


def _lacks(work: Workspace, asked: Asked, area: Area, block: Block | None) -> str:
    """What must be said before it can be stored."""
    if block is not None:
        if shapely.equals(area, block.lonlat):
            return "Nothing was moved yet."
        return "" if asked.why else "Say why the outline is another one now."
    if not asked.name:
        return "Give the block a name."
    if len(asked.name) > MOST_NAME_CHARACTERS:
        return f"A name has at most {MOST_NAME_CHARACTERS} letters."
    if fold(asked.name) in {fold(one.name) for one in work.blocks()}:
        return f"There is a block {asked.name} already. Choose another name."
    return ""


# Storing


def store(work: Workspace, asked: Asked) -> str:
    """Store a drawing as a new block, or as the new outline of one; what was done, in a sentence.

    Raises
    ------
    DrawingError, UsageError, FarmError
        If it cannot be stored; nothing is changed then.
    """
    area = drawn_area(asked.drawing)
    block = work.block(asked.slug) if asked.slug else None
    lacks = _lacks(work, asked, area, block)
    if lacks:
        raise UsageError(lacks)
    if block is not None:
        return redraw_block(work.folder, block.name, area, Change(0, asked.who, asked.why))
    if asked.crop and asked.crop not in read_toml("crops"):
        raise UsageError(f"There is no crop {asked.crop!r} in our tables.")
    with tempfile.TemporaryDirectory(prefix="soilquilt-") as temporary:
        path = Path(temporary) / f"drawn-{slug(asked.name)}.geojson"
        path.write_text(_geojson(asked, area), encoding="utf-8")
        drawn = Outline(asked.name, area, path.name, 1, "drawn on the map (WGS84)")
        if work.exists:
            _add(work.folder, path, drawn, asked)
        else:
            text = with_site(settings_text(work.folder.resolve().name, [asked.name]), asked)
            create_farm(work.folder, [drawn], text, files=[path])
    return f"{asked.name} is stored: {geodesic_area_ha(area):.2f} ha."


def _add(farm: Path, path: Path, drawn: Outline, asked: Asked) -> None:
    """A further block, then what farm.toml says of it."""
    reading = Reading(str(path), digest(path), ("outlines",), outlines=(drawn,))
    if store_reading(farm, reading, None, who=asked.who).already:
        raise FarmError("This drawing is stored already.")
    text = (farm / "farm.toml").read_text(encoding="utf-8")
    changed = with_site(text, asked)
    if changed != text:
        farmtext.write_settings_text(farm, changed)


def with_site(text: str, asked: Asked) -> str:
    """farm.toml with crop and direction of the rows of the block."""
    place = ("blocks", asked.name)
    if asked.crop:
        text = farmtext.with_key(text, place, "crop", f'"{asked.crop}"')
    if asked.row_azimuth_deg is not None:
        text = farmtext.with_key(text, place, "row_azimuth_deg", f"{asked.row_azimuth_deg:g}")
    return text


def _geojson(asked: Asked, area: Area) -> str:
    """The drawing as a file of its own, kept as the original (RFC 7946)."""
    feature = {
        "type": "Feature",
        "properties": {"name": asked.name, "drawn_by": asked.who, "drawn_at": now()},
        "geometry": mapping(area),
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, ensure_ascii=False)
