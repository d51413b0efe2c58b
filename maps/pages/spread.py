"""Files for the spreader with the limits they meet; the form for what was spread."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import shapely
from markupsafe import Markup
from shapely.geometry import shape

from geo.blocks import Block
from geo.crs import to_metric
from geo.units import lb_ac_from_kg_ha
from maps.drawing import drawings, prints
from maps.paper.measures import Measures, measures_of
from maps.serving.workspace import Workspace
from maps.wording import AMENDMENT_WORDS, capital

Data = dict[str, Any]

#: What each file of a run is for, in the order in which people want them.
FILES = {
    "report.pdf": "report for the shed wall and the adviser",
    "map.html": "the maps on one page, opens anywhere without internet",
    "field.html": "the same for the phone",
    "rates.csv": "zones, rates, amounts and money as a table",
    "buy.csv": "what to buy and what first, as a table",
    "zones.gpkg": "zones for a GIS",
    "zones.geojson": "zones for a GIS or the web",
    "surfaces.tif": "every map with its doubt, for a GIS",
    "season.json": "everything as data",
}


def spread(work: Workspace, base: str, season: int, block: Block) -> Data | None:
    """Context of the Spread page; None if the block was not run."""
    document = work.document(season, block.slug)
    if document is None:
        return None
    folder = work.made(season, block.slug)
    place = f"{base}/{season}/{block.slug}/file"
    controller = document["settings"]["controller"]
    measures = measures_of(work.settings())
    page = work.page(season, block.slug) or {"materials": []}
    drawn = {m["amendment"]: m["zones"] for m in page["materials"]}
    return {
        "materials": [
            _material(folder, place, name, reports, document, measures)
            | {"map": _picture(block, drawn, name, document, feet=measures.us)}
            for name, reports in document["spreader"].items()
        ],
        "area": measures.words["area"],
        "recordUnit": "lb/ac" if measures.us else "kg/ha",
        "files": [
            {"name": name, "words": words, "url": f"{place}/{name}", "kb": _kb(folder / name)}
            for name, words in FILES.items()
            if (folder / name).is_file()
        ],
        "zip": f"{base}/{season}/{block.slug}/all.zip",
        "cautions": document["cautions"],
        "conflicts": document["conflicts"],
        "order": [capital(AMENDMENT_WORDS.get(name, name)) for name in document["order"]],
        "unit": controller["rate_unit"],
        "slug": block.slug,
    }


def _picture(
    block: Block, drawn: dict[str, list[Data]], name: str, document: Data, *, feet: bool
) -> Markup:
    """The zones of a material as they were written, with the rows that the driver counts."""
    amendments = [r["amendment"] for r in document["rates"] if r["material"] == name]
    zones = next((drawn[a] for a in amendments if a in drawn), [])
    paper = drawings.paper_for(block.outline, 440.0, 400.0)
    outlines = [to_metric(shape(zone["outline"]), block.crs) for zone in zones]
    parts = [shapely.MultiPolygon(shapely.get_parts(outline).tolist()) for outline in outlines]
    rates = [zone["rateKgHa"] for zone in zones]
    azimuth = block.site.row_azimuth_deg or 0.0
    found = [
        *drawings.zones(parts, rates, paper, azimuth),
        '<g class="over">', *prints.frame_parts(block, paper, feet=feet), "</g>",
        drawings.zone_numbers([zone["id"] for zone in zones], parts, paper),
    ]  # fmt: skip
    return Markup(drawings.svg(paper, found, below=18))


def _typed(kg_ha: float, measures: Measures) -> str:
    """A rate as the form takes it."""
    if not kg_ha:
        return ""
    return f"{float(lb_ac_from_kg_ha(kg_ha)):.0f}" if measures.us else f"{kg_ha:g}"


def _material(
    folder: Path, place: str, name: str, reports: list[Data], document: Data, measures: Measures
) -> Data:
    controller = document["settings"]["controller"]
    rates = [r for r in document["rates"] if r["material"] == name]
    total = sum(r["rate_kg_ha"] * r["area_ha"] for r in rates)
    inside = folder / "spreader" / name
    return {
        "name": name.replace("_", " "),
        "total": measures.amount(total),
        "rates": [
            {
                "zone": r["zone_id"],
                "ha": f"{r['area_ha']:.2f}",
                "area": measures.area(r["area_ha"]),
                "rate": measures.rate(r["rate_kg_ha"]),
                "typed": _typed(r["rate_kg_ha"], measures),
            }
            for r in rates
        ],
        "reports": [
            {
                "name": report["name"],
                "polygons": report["polygons"],
                "mostPolygons": controller["max_polygons"],
                "kb": f"{report['kilobytes']:.0f}",
                "mostKb": f"{controller['max_kb']:g}",
                "short": len(report["name"]) <= 8,
                "given": _given_up(report, measures),
            }
            for report in reports
        ],
        "files": [
            {
                "name": p.relative_to(inside).as_posix(),
                "url": f"{place}/{p.relative_to(folder).as_posix()}",
                "kb": _kb(p),
            }
            for p in sorted(inside.rglob("*"))
            if p.is_file()
        ],
        "zip": f"{place.rsplit('/', 1)[0]}/spreader/{name}.zip",
    }


def _given_up(report: Data, measures: Measures) -> str:
    """What was given up so that the controller can read the file."""
    words = []
    if report["simplified_m"]:
        words.append(f"outlines simplified by {report['simplified_m']:.1f} m")
    if report.get("joined_parts"):
        moved = measures.amount(report.get("moved_kg", 0.0))
        words.append(f"{report['joined_parts']} parts took a neighbour's rate ({moved} moved)")
    return ", ".join(words)


def _kb(path: Path) -> str:
    size = path.stat().st_size / 1000
    return f"{size / 1000:.1f} MB" if size >= 1000 else f"{max(size, 1):.0f} kB"


def record_table(block: Block, said: dict[str, str]) -> str:
    """What was spread as a table that intake reads: a line a zone that was done."""
    import csv
    import io

    unit = "lb/ac" if said.get("unit") == "lb/ac" else "kg/ha"
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["date", "block", "zone", "product", "rate", "unit", "done_ha", "note"])
    for name in sorted(said):
        if not name.startswith("rate-") or not said[name]:
            continue
        zone = name.removeprefix("rate-")
        if said.get(f"done-{zone}") != "yes":
            continue
        writer.writerow(
            [said["date"], block.name, f"zone {zone}", said["product"], said[name], unit,
             said.get(f"area-{zone}", ""), said.get("note", "")]
        )  # fmt: skip
    return out.getvalue()
