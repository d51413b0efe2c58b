"""Mean of a block, how sure it is, and how far a map and one value miss, in the house unit."""

from __future__ import annotations

import math

import numpy as np

from geo.belief.belief import Belief
from geo.belief.prediction import Prediction, t_quantile
from geo.belief.verdicts import NONE
from geo.crossvalidation import CrossValidation
from geo.grids import Array
from geo.noise import laboratory_sd
from geo.surfacing.columns import Column

#: The range shown to people unless they ask for another. [1]
TWO_IN_THREE = 2.0 / 3.0


def block_mean(column: Column, verdict: str, prediction: Prediction) -> tuple[float, float, float]:
    """Mean of the block and its two-in-three range. [unit]

    Without a map it is the samples' mean. On logs the average of a place is
    exp(mean + (sd^2 + nugget variance) / 2).
    """
    if verdict == NONE:
        return sample_mean(column)
    half = t_quantile(0.5 + TWO_IN_THREE / 2.0, prediction.degrees) * prediction.block_sd
    if not column.logs:
        middle = prediction.block_mean
        return middle, middle - half, middle + half
    variance = prediction.sd**2 + prediction.nugget_variance
    middle = float(np.mean(np.exp(prediction.mean + variance / 2.0)))
    return middle, middle * math.exp(-half), middle * math.exp(half)


def sample_mean(column: Column) -> tuple[float, float, float]:
    """Mean of the samples and its two-in-three range; NaN range of a single one. [unit]

    On logs it is the average exp(mean + sd^2 / 2), not the typical value.
    """
    values = np.log(column.present) if column.logs else column.present
    n, middle = len(values), float(values.mean())
    sd = spread(column, values)
    # Samples of one batch share what the laboratory was off that day: it does not average out.
    mean_sd = sd if column.hopeless == "equal" else sd / math.sqrt(n)
    half = t_quantile(0.5 + TWO_IN_THREE / 2.0, n - 1) * mean_sd if n > 1 else math.nan
    if not column.logs:
        return middle, middle - half, middle + half
    average = math.exp(middle + (sd**2 / 2.0 if n > 1 else 0.0))
    return average, average * math.exp(-half), average * math.exp(half)


def spread(column: Column, values: Array) -> float:
    """Standard deviation of the samples on the mapped scale; unknown of a single one.

    Few or equal samples may be alike by chance or by rounding: never less than the laboratory's.
    """
    if len(values) < 2:
        return math.nan
    sd = float(values.std(ddof=1))
    if column.hopeless not in ("few", "equal"):
        return sd
    typical = float(np.exp(values.mean()) if column.logs else values.mean())
    return max(sd, laboratory_sd(column.prop.key, typical, logs=column.logs))


def root_errors(column: Column, belief: Belief, test: CrossValidation) -> tuple[float, float]:
    """Root mean square errors of leaving each sample out: the map's, and one value's. [unit]"""
    of_map = math.sqrt(float(np.mean(test.error**2)))
    of_mean = float(belief.values.std(ddof=1)) * math.sqrt(belief.n / (belief.n - 1))
    typical = math.exp(float(belief.values.mean())) if column.logs else 1.0
    return of_map * typical, of_mean * typical
