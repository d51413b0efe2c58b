"""The kriged change with its doubt, and where on the map it stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.belief.belief import believe, characterise
from geo.belief.frame import frame_of
from geo.belief.prediction import predict, t_quantile
from geo.belief.verdicts import FEWEST
from geo.blocks import Block
from geo.comparing.cokriging import LIMED_RHO, USUAL_RHO, cokrige_change
from geo.comparing.detect import ALPHA, chances_of, detectable_single, discovery_limit
from geo.comparing.pairs import Pairs
from geo.comparing.scale import Paired
from geo.grids import Array, Grid, grid_over
from geo.variogram import fit_variogram

#: Classes of a map of change.
ROSE, FELL, NOT_SHOWN, NOT_SEEN = 1, -1, 0, 2


@dataclass(frozen=True)
class ChangeMap:
    """Change of one property over a block, on the scale that is compared.

    Attributes
    ----------
    key : str
    logs : bool
        Natural logarithms of the factor.
    grid : Grid
    change, sd : array (rows, columns)
        Less that of the ground in `against`; the doubt of both, and of a change of laboratory
        where there is no such ground. [unit, 1 with logs]
    classes : array of int (rows, columns)
        1 rose, -1 fell, 0 no change shown, 2 so doubtful that a change worth knowing could not be
        seen; 0 outside the block.
    mean, mean_sd : float
        Of the block.
    how : str
        "paired" (differences at the stations of both years) or "both years" (cokriging).
    pairs : int
    against : str
        Ground whose mean change is taken off, for the season and the laboratory fall out then;
        empty if there is none.
    rho : float or None
        Correlation between the patterns of the two years that was assumed; None where the paired
        differences tell it themselves. [1]
    """

    key: str
    logs: bool
    grid: Grid
    change: Array
    sd: Array
    classes: NDArray[np.int8]
    mean: float
    mean_sd: float
    how: str
    pairs: int
    against: str = ""
    rho: float | None = None


@dataclass(frozen=True)
class Baseline:
    """What is taken off a change before it is judged, and its doubt. [unit, 1 with logs]"""

    mean: float
    sd: float
    against: str


def map_changes(
    paired: Mapping[str, Paired],
    pairs: Pairs,
    block: Block,
    spacing_m: float,
    single_sd: Mapping[str, float],
    baselines: Mapping[str, Baseline],
) -> dict[str, ChangeMap]:
    """Krige the paired differences of every property that has ten of them or more.

    Kriging paired differences equals full cokriging of both years where both were sampled at the
    same places (`tests/test_compare_cases.py`); models are averaged as for any surface.

    Parameters
    ----------
    paired : mapping
        Key -> Paired.
    pairs : Pairs
    block : Block
    spacing_m : float
        [m]
    single_sd : mapping
        Key -> laboratory noise of one result, on the compared scale; a map whose doubt is larger
        than two single results could tell apart says so.
    baselines : mapping
        Key -> what is taken off.
    """
    changes = {
        key: one.change
        for key, one in paired.items()
        if one.there.sum() >= FEWEST and np.nanstd(one.change) > 0.0
    }
    if not changes:
        return {}
    grid = grid_over(block.outline, block.crs, spacing_m)
    frame = frame_of(block.outline, block.site.row_azimuth_deg)
    beliefs = believe(pairs.xy, changes, frame)
    cells = grid.cells()
    found = {}
    for key, one in predict(beliefs, cells).items():
        reach = characterise(beliefs[key]).range_m
        base = baselines[key]
        change, sd = one.mean - base.mean, np.hypot(one.sd, base.sd)
        classes = classify(change, sd, one.degrees, cells, reach, single_sd[key])
        found[key] = ChangeMap(
            key, paired[key].logs, grid, grid.spread(change), grid.spread(sd),
            _classes_on(grid, classes), one.block_mean - base.mean,
            float(np.hypot(one.block_sd, base.sd)), "paired", int(paired[key].there.sum()),
            base.against,
        )  # fmt: skip
    return found


def cokrige_map(
    paired: Paired,
    first: tuple[Array, Array],
    second: tuple[Array, Array],
    block: Block,
    spacing_m: float,
    single_sd: float,
    baseline: Baseline,
    *,
    limed: bool,
) -> ChangeMap | None:
    """Map of change where too few stations are of both years: all samples of both, cokriged.

    One exponential model by restricted likelihood stands for both years, and the correlation
    between them is assumed: less is known here than from paired stations.

    Parameters
    ----------
    first, second : (xy, values)
        Samples of each year, on the compared scale.
    limed : bool
        Whether the block was limed between: the years are less alike then.
    """
    if min(len(first[1]), len(second[1])) < FEWEST or not np.std(first[1]) > 0.0:
        return None
    model = fit_variogram(first[0], first[1], kind="exponential", method="reml", starts=4)
    grid = grid_over(block.outline, block.crs, spacing_m)
    cells = grid.cells()
    rho = LIMED_RHO if limed else USUAL_RHO
    kriged = cokrige_change(model, rho, first, second, cells)
    change, sd = kriged.estimate - baseline.mean, np.hypot(np.sqrt(kriged.variance), baseline.sd)
    degrees = min(len(first[1]), len(second[1])) - 1
    classes = classify(change, sd, degrees, cells, model.range_m, single_sd)
    return ChangeMap(
        paired.key, paired.logs, grid, grid.spread(change), grid.spread(sd),
        _classes_on(grid, classes), float(change.mean()), float("nan"), "both years",
        int(paired.there.sum()), baseline.against, rho,
    )  # fmt: skip


def classify(
    change: Array, sd: Array, degrees: int, cells: Array, range_m: float, single_sd: float
) -> NDArray[np.int8]:
    """Class of each cell: 19 in 20 at the place, and few false ones over the map.

    The false-discovery limit is found on cells half a range apart, for neighbours repeat one test.
    """
    chances = chances_of(change, sd, degrees)
    limit = min(discovery_limit(chances[_thinned(cells, range_m / 2.0)]), ALPHA)
    shown = chances <= limit
    half = t_quantile(1.0 - ALPHA / 2.0, degrees) * sd
    blind = half > detectable_single(2.0**0.5 * single_sd)
    classes = np.where(blind, NOT_SEEN, NOT_SHOWN)
    return np.where(shown, np.where(change > 0, ROSE, FELL), classes).astype(np.int8)


def _thinned(cells: Array, apart_m: float) -> NDArray[np.int64]:
    """One cell of each square of that side, the one nearest its middle first met."""
    side = apart_m if np.isfinite(apart_m) and apart_m > 0.0 else 1.0
    codes = np.floor((cells - cells.min(axis=0)) / side).astype(np.int64)
    _, first = np.unique(codes, axis=0, return_index=True)
    return np.sort(first)


def _classes_on(grid: Grid, classes: NDArray[np.int8]) -> NDArray[np.int8]:
    full = np.zeros(grid.shape, dtype=np.int8)
    full[grid.inside] = classes
    return full
