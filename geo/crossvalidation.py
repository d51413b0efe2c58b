"""Leave-one-out errors: how far may this surface be believed."""

from __future__ import annotations

from dataclasses import dataclass

from geo.grids import Array


@dataclass(frozen=True)
class CrossValidation:
    """Each sample predicted from the others.

    `error` is predicted minus observed; `skill` is 1 - MSE / MSE of the leave-one-out mean.
    """

    predicted: Array
    variance: Array
    error: Array
    skill: float
