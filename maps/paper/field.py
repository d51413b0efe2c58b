"""field.html: one page for the phone, readable with no signal: zones, rates, rows, samples."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geo.export.driving import row_lines, rows_at
from geo.export.layers import to_lonlat
from geo.season import Season
from maps.assets import TEMPLATES
from maps.colors import ZONE_FILLS
from maps.drawing import drawings, prints
from maps.paper.measures import measures_of
from maps.paper.sheetdata import (
    Data,
    driver_rows,
    rates_of,
    spread_amendments,
    spread_sentence,
    twice,
    zone_map_of,
)
from maps.wording import AMENDMENT_WORDS

#: Size of the map, in points of its own; the phone stretches it to its width.
WIDTH, HEIGHT = 350.0, 430.0
#: Numbers of samples nearer than this would cover each other. [pt]
LABEL_PT = 16.0


def write_field(season: Season, folder: Path) -> None:
    """Write field.html for a season into its folder."""
    (folder / "field.html").write_text(field_page(field_data(season)), encoding="utf-8")


def field_page(data: Data) -> str:
    """The page as text; names are escaped, pictures hold only numbers of ours."""
    from jinja2 import Environment, FileSystemLoader, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("field.html").render(data=data)


def field_data(season: Season) -> Data:
    """Everything that field.html shows."""
    block, measured = season.block, measures_of(season.settings)
    paper = drawings.paper_for(block.outline, WIDTH, HEIGHT)
    return {
        "farm": season.settings.name,
        "units": measured.words,
        "block": block.name,
        "season": season.season,
        "hectares": measured.area_words(block.area_ha),
        "swath": measured.length(season.settings.spreader_of(block.name).width_m),
        "materials": [_material(season, name) for name in spread_amendments(season)],
        "blockMap": _base_map(season, paper),
        "spots": _spots(season),
        "cautions": [measured.said(one) for one in season.prescription.cautions],
        "place": _place(season, paper),
    }


def _material(season: Season, amendment: str) -> Data:
    zone_map, rates = zone_map_of(season, amendment), rates_of(season, amendment)
    return {
        "key": amendment,
        "word": AMENDMENT_WORDS.get(amendment, amendment).capitalize(),
        "say": spread_sentence(season, amendment),
        "twice": twice(season, amendment),
        "map": prints.zone_picture(
            season.block,
            zone_map,
            list(rates.values()),
            WIDTH,
            HEIGHT,
            hits=True,
            feet=season.settings.units == "us",
        ),
        "zones": driver_rows(season, amendment),
        "byRow": _rows(season, amendment),
    }


def _rows(season: Season, amendment: str) -> list[Data]:
    """Metres and kilograms of each planting row, by zone: for whoever counts rows or walks them."""
    from geo.export.driving import kg_by_row

    site, block = season.block.site, season.block
    if site.row_azimuth_deg is None or not site.row_spacing_m:
        return []
    rates, measured = rates_of(season, amendment), measures_of(season.settings)
    found = [
        {"row": s.row, "zone": zone.zone_id, "m": measured.of_row(s.metres),
         "kg": measured.mass(s.kg)}
        for zone in zone_map_of(season, amendment).zones
        if zone.zone_id in rates and rates[zone.zone_id].rate_kg_ha > 0
        for s in kg_by_row(
            zone.outline, block.outline, rates[zone.zone_id].rate_kg_ha,
            site.row_azimuth_deg, site.row_spacing_m,
        )
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one["row"], one["zone"]))


def _base_map(season: Season, paper: drawings.Paper) -> str:
    """The block with its numbered samples."""
    places = paper.points([xy for _, xy in prints.numbered_places(season)])
    labels = drawings.pushed_apart(places, LABEL_PT)
    parts = [
        drawings.area(season.block.outline, paper, ZONE_FILLS[0]),
        *prints.frame_parts(season.block, paper, feet=season.settings.units == "us"),
        *map(drawings.leader, places.tolist(), labels.tolist()),
        *(drawings.disc(x, y, str(i)) for i, (x, y) in enumerate(labels.tolist(), start=1)),
    ]
    return drawings.svg(paper, parts, below=18)


def _spots(season: Season) -> list[Data]:
    """Sampled places with their number on the map, id, row and position."""
    block, site, places = season.block, season.block.site, prints.numbered_places(season)
    rows = rows_at(
        block.outline, site.row_azimuth_deg, site.row_spacing_m, [xy for _, xy in places]
    )
    found = []
    for index, ((name, xy), near) in enumerate(zip(places, rows, strict=True), start=1):
        lonlat = to_lonlat(shapely.Point(xy), block.crs)
        found.append(
            {
                "number": index,
                "id": name,
                "row": "" if near is None else str(near),
                "lat": f"{lonlat.y:.6f}",
                "lon": f"{lonlat.x:.6f}",
            }
        )
    return found


def _place(season: Season, paper: drawings.Paper) -> Data:
    """Affine from degrees to the picture and to row numbers, exact to centimetres on a block.

    Both are fitted on the corners of the block's bounds: a phone then needs no projection.
    """
    block, site = season.block, season.block.site
    west, south, east, north = block.outline.bounds
    corners = np.array([[west, south], [east, south], [east, north], [west, north]])
    lonlat = np.array([to_lonlat(shapely.Point(p), block.crs).coords[0] for p in corners])
    middle = lonlat.mean(axis=0)
    design = np.column_stack([np.ones(4), lonlat - middle])
    wanted = [paper.points(corners)]
    if site.row_azimuth_deg is not None and site.row_spacing_m:
        rows = row_lines(block.outline, site.row_azimuth_deg, site.row_spacing_m)
        first = np.array(rows[0][1].coords[0])
        turn = np.radians(site.row_azimuth_deg)
        right = np.array([np.cos(turn), -np.sin(turn)])
        wanted.append(((corners - first) @ right / site.row_spacing_m + 1)[:, None])
    fit, *_ = np.linalg.lstsq(design, np.column_stack(wanted), rcond=None)
    rows_count: Any = None if len(wanted) == 1 else len(rows)
    return {
        "middle": middle.tolist(),
        "fit": fit.T.tolist(),
        "scale": paper.scale,
        "rows": rows_count,
    }
