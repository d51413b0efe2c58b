"""A block as a small drawing."""

from __future__ import annotations

import math

import shapely

from geo.blocks import Block


def silhouette(block: Block, size: float = 30.0) -> str:
    """SVG path of the outline in a square of `size` with a margin of 2. [px]"""
    west, south, east, north = block.outline.bounds
    scale = (size - 4) / max(east - west, north - south)
    dx = (size - (east - west) * scale) / 2
    dy = (size - (north - south) * scale) / 2
    simple = block.outline.simplify(1.2 / scale)
    paths = []
    for part in shapely.get_parts(simple):
        for ring in (part.exterior, *part.interiors):
            points = [(dx + (x - west) * scale, dy + (north - y) * scale) for x, y in ring.coords]
            if all(math.isfinite(c) for p in points for c in p):
                paths.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points[:-1]) + "Z")
    return "".join(paths)
