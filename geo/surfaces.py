"""CheckedSamples + Block -> Surfaces: kriged, clipped, each with its doubt, its verdict and why."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from geo.belief.belief import Belief, Character, believe, characterise, leave_out_each, revalue
from geo.belief.draws import Draws, Stage, draw, set_stage
from geo.belief.frame import frame_of
from geo.belief.prediction import Prediction, predict, t_below, t_quantile
from geo.belief.verdicts import NONE, error_rates, judge, mean_skill
from geo.blocks import Block
from geo.checks import CheckedSamples
from geo.crossvalidation import CrossValidation
from geo.grids import Array, Grid, grid_over
from geo.noise import laboratory_sd
from geo.progress import Progress, silent
from geo.ratings import CriticalLevel, Ratings
from geo.settings import GridSettings
from geo.surfacing import remarks
from geo.surfacing.block_means import TWO_IN_THREE, block_mean, root_errors, sample_mean, spread
from geo.surfacing.columns import Column, Survey, arrange, lenders, reread

#: Places on which the block mean is taken when asking what censored values matter.
FEW_PLACES = 400


@dataclass(frozen=True)
class Surface:
    """What is believed of one property over one block.

    Attributes
    ----------
    key, unit, method : str
    grid : Grid
        North-up.
    estimate, kriging_sd : array (rows, columns)
        In the house unit; for a property mapped on logs the estimate is exp(mean) (the median) and
        the sd is that of the logs times the estimate. NaN outside the block. [unit]
    low, high : array (rows, columns)
        Two in three. [unit]
    chance_wrong_side : array (rows, columns) or None
        Chance of lying on the wrong side of the critical level; None where none is published.
    critical, side : float or None, str
        The critical level and which side of it is trouble ("below" or "above").
    logs : bool
        Mapped on the log scale.
    belief : Belief or None
        Models with their weights; None where there was nothing to believe (all equal, under 10).
    crossvalidation : CrossValidation or None
        On the mapped scale (natural logarithms where `logs`); the observed values are
        `belief.values`.
    verdict : str
        "useful", "weak" or "none".
    why : str
        The verdict in a plain sentence with its numbers.
    n : int
        Samples used.
    mean, mean_low, mean_high : float
        The block's mean value and its two-in-three range; NaN range with one sample. [unit]
    notes : tuple of str
        Error rates of the verdict, censored cells, averaged duplicates, outliers, trends, small
        numbers.
    skill, survey_skill : float or None
        Leave-one-out skill, and its mean over the survey's properties. [1]
    misses : (float, float) or None
        Root mean square leave-one-out error of the map and of one value for the block; with
        `logs` that of the logs times the typical value. [unit]
    character : Character or None
        Nugget share, weights of pure nugget, trend and anisotropy, range; for `n` under 50 none
        of it is a finding.
    wrong_map_pct, missed_pct : float or None
        How often, at this number of samples, a map is allowed where there is no pattern, and a
        pattern is missed. [%]
    sample_ids : tuple of tuple of str
        Samples behind each row of `belief` and `crossvalidation`.
    outliers : tuple of str
        Samples farther than three doubts from what the others say; they are kept.
    """

    key: str
    unit: str
    method: str
    grid: Grid
    estimate: Array
    kriging_sd: Array
    low: Array
    high: Array
    chance_wrong_side: Array | None
    critical: float | None
    side: str
    logs: bool
    belief: Belief | None
    crossvalidation: CrossValidation | None
    verdict: str
    why: str
    n: int
    mean: float
    mean_low: float
    mean_high: float
    notes: tuple[str, ...]

    skill: float | None = None
    survey_skill: float | None = None
    misses: tuple[float, float] | None = None
    character: Character | None = None
    wrong_map_pct: float | None = None
    missed_pct: float | None = None
    sample_ids: tuple[tuple[str, ...], ...] = ()
    outliers: tuple[str, ...] = ()


Surfaces = Mapping[str, Surface]


def krige_surfaces(
    checked: CheckedSamples,
    ratings: Ratings,
    block: Block,
    grid: GridSettings,
    *,
    progress: Progress = silent,
) -> dict[str, Surface]:
    """Surface of every property that was measured, and of ESP, ECEC and base saturation.

    Parameters
    ----------
    checked : CheckedSamples
        One survey: block, season and depth layer.
    ratings : Ratings
        Only its critical levels are used.
    block : Block
    grid : GridSettings
    progress : Progress
        Told the name of each property as its turn comes.

    Returns
    -------
    dict
        Property key -> Surface, in the order in which people expect to read them. A verdict of
        "none" has a surface too: it may be looked at, and the rate uses one value.
    """
    survey = arrange(checked)
    frame = frame_of(block.outline, block.site.row_azimuth_deg)
    cells = grid_over(block.outline, block.crs, grid.spacing_m)
    columns = survey.columns
    counted = lenders(survey)
    beliefs = believe(
        survey.xy,
        {key: column.mapped for key, column in columns.items() if not column.hopeless},
        frame,
        lends=counted,
        kin={key: column.prop.part_of for key, column in columns.items() if column.prop.part_of},
    )
    tests = {}
    for number, (key, belief) in enumerate(beliefs.items()):
        progress(columns[key].prop.name, number, len(beliefs))
        tests[key] = leave_out_each(belief)
    survey_skill = mean_skill([tests[key].skill if key in tests else 0.0 for key in counted])
    predictions = predict(beliefs, cells.cells())
    shared = remarks.remarks_on_places(survey.ids, survey.xy, block.outline, frame)
    surfaces = {}
    for key, column in columns.items():
        critical = ratings.critical.get(key)
        if key not in beliefs:
            surfaces[key] = _one_value(column, critical, block, cells)
            continue
        view = _View(beliefs[key], predictions[key], tests[key], survey_skill)
        notes = list(shared)
        if column.below:
            notes.append(_censored_note(checked, survey, column, view, cells))
        surfaces[key] = _surface(column, critical, block, cells, view, _ids(survey, column), notes)
    return surfaces


def stage_surfaces(surfaces: Surfaces, xy: Array) -> Stage | None:
    """Places made ready once for draws of all surfaces of a survey; None if none has a belief."""
    beliefs = {key: one.belief for key, one in surfaces.items() if one.belief is not None}
    return set_stage(beliefs, xy) if beliefs else None


def draw_surface(
    surface: Surface, xy: Array, count: int, rng: np.random.Generator, stage: Stage | None = None
) -> Draws:
    """Draws of a surface at places, in the house unit; short-range noise left out.

    Parameters
    ----------
    surface : Surface
        Without a belief each draw is one value for the block, as doubtful as its mean; of a
        single sample only the laboratory's noise is known.
    xy : array (m, 2)
        In the block's metric CRS. [m]
    count : int
    rng : Generator
    stage : Stage, optional
        The same places from `stage_surfaces`, if several surfaces are drawn there.

    Returns
    -------
    array (count, m)
        [unit]
    """
    if surface.belief is not None:
        if stage is None:
            draws = draw(surface.belief, xy, count, rng)
        else:
            draws = stage.draw(surface.key, count, rng)
        return np.exp(draws, out=draws) if surface.logs else draws
    middle = np.full(count, surface.mean)
    if surface.n == 1:
        noise = laboratory_sd(surface.key, surface.mean, logs=surface.logs) * rng.normal(size=count)
        middle = middle * np.exp(noise) if surface.logs else middle + noise
    elif surface.mean_high > surface.mean_low:
        quantile = t_quantile(0.5 + TWO_IN_THREE / 2.0, surface.n - 1)
        student = rng.standard_t(surface.n - 1, count)
        if surface.logs:
            middle *= np.exp(student * math.log(surface.mean_high / surface.mean) / quantile)
        else:
            middle += student * (surface.mean_high - surface.mean) / quantile
    return np.repeat(middle[:, None], len(xy), axis=1)


@dataclass(frozen=True)
class _View:
    """All that is believed of one property before it is put into words and units."""

    belief: Belief
    prediction: Prediction
    test: CrossValidation
    survey_skill: float


def _surface(
    column: Column,
    critical: CriticalLevel | None,
    block: Block,
    cells: Grid,
    view: _View,
    ids: tuple[tuple[str, ...], ...],
    notes: list[str],
) -> Surface:
    belief, prediction, test = view.belief, view.prediction, view.test
    character = characterise(belief)
    verdict = judge(test.skill, view.survey_skill, character.nugget)
    back = np.exp if column.logs else np.asarray
    low, high = prediction.interval(TWO_IN_THREE)
    estimate = back(prediction.mean)
    mean = block_mean(column, verdict, prediction)
    misses = root_errors(column, belief, test)
    departures = remarks.outliers(test)
    rates = error_rates(belief.n)
    return Surface(
        key=column.prop.key,
        unit=column.prop.unit,
        method=column.method,
        grid=cells,
        estimate=cells.spread(estimate),
        kriging_sd=cells.spread(prediction.sd * estimate if column.logs else prediction.sd),
        low=cells.spread(back(low)),
        high=cells.spread(back(high)),
        chance_wrong_side=_chance(column, critical, cells, prediction.chance_below),
        critical=None if critical is None else critical.value,
        side="" if critical is None else critical.side,
        logs=column.logs,
        belief=belief,
        crossvalidation=test,
        verdict=verdict,
        why=remarks.plain_sentence(column, block.name, verdict, mean, misses),
        n=belief.n,
        mean=mean[0],
        mean_low=mean[1],
        mean_high=mean[2],
        notes=(
            *remarks.remarks_on_column(column, verdict),
            *remarks.remarks_on_belief(character, belief.n),
            *notes,
            *remarks.remarks_on_outliers(ids, departures),
        ),
        skill=test.skill,
        survey_skill=view.survey_skill,
        misses=misses,
        character=character,
        wrong_map_pct=rates.wrong_pct,
        missed_pct=rates.missed_pct,
        sample_ids=ids,
        outliers=tuple(
            name
            for names, z in zip(ids, departures, strict=True)
            if abs(z) > remarks.FAR_OUT
            for name in names
        ),
    )


def _one_value(
    column: Column, critical: CriticalLevel | None, block: Block, cells: Grid
) -> Surface:
    """The block's mean everywhere, with the doubt of any one place; no map."""
    values = np.log(column.present) if column.logs else column.present
    n, middle = len(values), float(values.mean())
    place_sd = spread(column, values) * math.sqrt(1.0 + 1.0 / n)
    half = t_quantile(0.5 + TWO_IN_THREE / 2.0, n - 1) * place_sd if n > 1 else math.nan
    back = np.exp if column.logs else np.asarray
    estimate = float(back(middle))
    inside = np.ones(int(cells.inside.sum()))

    def below(limit: float) -> Array:
        return t_below((limit - middle) / place_sd, n - 1) * inside if n > 1 else math.nan * inside

    mean = sample_mean(column)
    return Surface(
        key=column.prop.key,
        unit=column.prop.unit,
        method=column.method,
        grid=cells,
        estimate=cells.spread(estimate * inside),
        kriging_sd=cells.spread(place_sd * (estimate if column.logs else 1.0) * inside),
        low=cells.spread(back(middle - half) * inside),
        high=cells.spread(back(middle + half) * inside),
        chance_wrong_side=_chance(column, critical, cells, below),
        critical=None if critical is None else critical.value,
        side="" if critical is None else critical.side,
        logs=column.logs,
        belief=None,
        crossvalidation=None,
        verdict=NONE,
        why=remarks.plain_sentence(column, block.name, NONE, mean, None),
        n=n,
        mean=mean[0],
        mean_low=mean[1],
        mean_high=mean[2],
        notes=tuple(remarks.remarks_on_column(column, NONE)),
    )


def _chance(
    column: Column,
    critical: CriticalLevel | None,
    cells: Grid,
    chance_below: Callable[[float], Array],
) -> Array | None:
    """Chance of the wrong side of the critical level on the grid."""
    if critical is None:
        return None
    limit = critical.value
    if column.logs:
        limit = math.log(limit) if limit > 0.0 else -math.inf
    below = chance_below(limit)
    return cells.spread(below if critical.side == "below" else 1.0 - below)


def _ids(survey: Survey, column: Column) -> tuple[tuple[str, ...], ...]:
    there = np.isfinite(column.values)
    return tuple(names for names, present in zip(survey.ids, there, strict=True) if present)


def _censored_note(
    checked: CheckedSamples, survey: Survey, column: Column, view: _View, cells: Grid
) -> str:
    """Block mean and skill had the values below the limit been read otherwise."""
    places = cells.cells()
    places = places[:: max(1, len(places) // FEW_PLACES)]
    there = np.isfinite(column.values)

    def read_as(share: float) -> Belief:
        values = reread(checked, survey, column.prop.key, share)[there]
        return revalue(view.belief, np.log(values) if column.logs else values)

    beliefs = {str(share): read_as(share) for share in (0.5, 0.25, 1.0)}
    # One pass over the places for all three, which differ in their values alone.
    predictions = predict(beliefs, places)
    half, quarter, whole = (
        (block_mean(column, "", predictions[key])[0], leave_out_each(belief).skill)
        for key, belief in beliefs.items()
    )
    return remarks.remark_on_censored(column, half, quarter, whole)
