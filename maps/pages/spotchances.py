"""The chances that lie under the spots: every property in doubt, the plan's own first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from geo.lookup import properties
from geo.planning.drafts import OPEN
from geo.sampling import SamplePlan
from maps.colors import CHANCE
from maps.drawing import drawings, prints
from maps.serving.workspace import Workspace
from maps.wording import capital, with_unit

Data = dict[str, Any]

#: Pictures that one page carries at most.
MOST = 12


def chances(work: Workspace, plan: SamplePlan, paper: drawings.Paper) -> Data | None:
    """Chance past the limit of each property in doubt, as the last survey left it.

    None where there was no survey, its files are gone, or no limit is published.
    """
    if plan.after is None or not plan.quality.key:
        return None
    tif = work.made(plan.after, plan.block.slug) / "surfaces.tif"
    document = work.document(plan.after, plan.block.slug)
    if document is None or not tif.is_file():
        return None
    keys = list(dict.fromkeys([plan.quality.key, *in_doubt(tif)]))[:MOST]
    shown = [one for key in keys if (one := _shown(document, tif, key, plan, paper)) is not None]
    if not shown:
        return None
    return {
        "shown": shown,
        "words": {one["key"]: one["words"] for one in shown},
        "legend": [{"color": c, "from": f"{100 * place:.0f}"} for place, c in CHANCE],
    }


def in_doubt(tif: Path) -> list[str]:
    """Properties whose side of the limit is open somewhere in the block, the widest first."""
    import rasterio

    shares = {}
    with rasterio.open(tif, driver="GTiff") as file:
        for name, band in zip(file.descriptions, file.indexes, strict=True):
            key, marked, _ = (name or "").rpartition("_p_")
            if marked:
                chance = file.read(band)
                inside = chance[(chance != file.nodata) & np.isfinite(chance)]
                shares[key] = float(np.mean((inside >= OPEN[0]) & (inside <= OPEN[1])))
    known = properties()
    open_ = [key for key, share in shares.items() if share > 0.0 and key in known]
    return sorted(open_, key=lambda key: -shares[key])


def _shown(
    document: Data, tif: Path, key: str, plan: SamplePlan, paper: drawings.Paper
) -> Data | None:
    limit = (document.get("surfaces", {}).get(key) or {}).get("critical")
    if limit is None:
        return None
    picture, side = prints.chance_layer(tif, key, plan.block, paper)
    if not picture:
        return None
    name = properties()[key].name
    leads = " (the plan is told by it)" if key == plan.quality.key else ""
    return {
        "key": key,
        "name": capital(name) + leads,
        "picture": Markup(picture),
        "words": f"Chance that {name} is {side} {with_unit(limit, key)}, after {plan.after}",
    }
