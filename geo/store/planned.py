"""Where the farm's sampling plans put their spots, so that what comes back can be set beside it."""

from __future__ import annotations

import json
from pathlib import Path

#: Longitude and latitude. [deg]
Place = tuple[float, float]


def planned_places(folder: Path, season: int | None) -> dict[str, Place]:
    """Sample id -> place of the spots planned for a season; none without a plan that can be read.

    A plan is made again from the farm at any time, so a damaged one is no reason to read nothing.
    """
    path = folder / "plans" / str(season) / "plan.json"
    if season is None or not path.is_file():
        return {}
    try:
        plans = json.loads(path.read_text(encoding="utf-8"))["plans"]
        return {
            str(spot["sample_id"]): (float(spot["lon"]), float(spot["lat"]))
            for plan in plans
            for spot in plan["spots"]
        }
    except (KeyError, OSError, TypeError, ValueError):
        return {}
