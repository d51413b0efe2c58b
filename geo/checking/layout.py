"""How the samples of a survey lie in their block."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geo.blocks import Block
from geo.findings import Finding

#: Samples below which a line is no matter of their layout.
FEWEST_IN_LINE = 4

#: Samples farther outside than this are in no map. [m]
NEAR_M = 2.0

#: Share of the block across a line of samples that they must reach over. [1]
LEAST_REACH = 0.1

#: A block narrower than this share of its length is a strip: one line serves it. [1]
STRIP = 0.25


def on_one_line(table: pd.DataFrame, block: Block) -> list[Finding]:
    """Samples on one line through a block that is not a strip: across it nothing was measured.

    The shares are common practice, no source.

    Parameters
    ----------
    table : DataFrame
        A row a sample, with its place in `x_m` and `y_m`. [m]
    """
    xy = table[["x_m", "y_m"]].to_numpy(dtype=float)
    xy = xy[np.isfinite(xy).all(axis=1)]
    xy = xy[shapely.distance(block.outline, shapely.points(xy)) <= NEAR_M]
    if len(xy) < FEWEST_IN_LINE:
        return []
    along = np.linalg.svd(xy - xy.mean(axis=0), full_matrices=False)[2][0]
    across = np.array([-along[1], along[0]])
    corners = shapely.get_coordinates(block.outline)
    width_m, length_m = float(np.ptp(corners @ across)), float(np.ptp(corners @ along))
    reach_m = float(np.ptp(xy @ across))
    if reach_m >= LEAST_REACH * width_m or width_m < STRIP * length_m:
        return []
    return [
        Finding(
            "samples_in_line",
            "warning",
            f"All {len(xy)} samples of {block.name} lie on one line, and the block is "
            f"{width_m:.0f} m wide across it: how the soil changes to either side was not "
            "measured.",
            "Take samples on both sides next time.",
            "Mapped; away from the line the map is a guess, with more doubt than it can tell.",
        )
    ]
