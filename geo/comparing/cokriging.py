"""Change between two years from all samples of both: full cokriging with two unknown means.

Both years have the same structure; the structured parts of the years correlate by rho, nuggets and
noise do not. Where both years use the same places this equals kriging the differences with
structure 2 (1 - rho) c1 and error 2 c0; subtracting two maps and adding their variances holds only
for rho = 0 and hides change otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geo.errors import KrigingError
from geo.geostatistics.covariance import Structure, VariogramModel
from geo.grids import Array

#: Correlation of the structured parts from one year to the next, perennial crop, no tillage; after
#: liming less (common practice, no source). [1]
USUAL_RHO = 0.8
LIMED_RHO = 0.5


@dataclass(frozen=True)
class Change:
    """Kriged change, second year less first, and its variance, structured part only."""

    estimate: Array
    variance: Array


def model_of_differences(model: VariogramModel, rho: float) -> VariogramModel:
    """Variogram of paired differences: 2 (1 - rho) of what is structured, twice the rest."""
    share = 2.0 * (1.0 - rho)

    def part(one: Structure) -> Structure:
        return replace(
            one, partial_sill=one.partial_sill * (2.0 if one.kind == "nugget" else share)
        )

    return replace(
        model,
        nugget=2.0 * model.nugget,
        noise=2.0 * model.noise,
        partial_sill=model.partial_sill * (2.0 if model.kind == "nugget" else share),
        more=tuple(part(one) for one in model.more),
    )


def cokrige_change(
    model: VariogramModel,
    rho: float,
    first: tuple[Array, Array],
    second: tuple[Array, Array],
    targets: Array,
) -> Change:
    """Best linear unbiased estimate of the change at each target, from both years together.

    Parameters
    ----------
    model : VariogramModel
        Of one year; nugget and noise are independent between years and filtered out.
    rho : float
        Correlation of the structured parts of the years. [1]
    first, second : (xy (n, 2), values (n,))
        Samples of each year. [m, unit]
    targets : array (m, 2)
        [m]

    Raises
    ------
    KrigingError
        If the correlation is not between -1 and 1.
    """
    if not 0.0 <= rho < 1.0:
        raise KrigingError(
            f"The correlation between the years is {rho:g}; it is from 0 to below 1."
        )
    n, m = len(first[0]), len(second[0])
    xy = np.concatenate([first[0], second[0]])
    year = np.repeat([0, 1], [n, m])
    alike = np.where(year[:, None] == year[None, :], 1.0, rho)
    covariance = model.structured(xy, xy) * alike
    covariance[np.diag_indices(n + m)] += model.micro_scale + model.noise
    means = np.column_stack([year == 0, year == 1]).astype(float)
    system = np.block([[covariance, means], [means.T, np.zeros((2, 2))]])
    # Covariance of each sample with the change: positive with the second year, negative with first.
    towards = np.where(year == 1, 1.0 - rho, rho - 1.0)[:, None] * model.structured(xy, targets)
    wanted = np.repeat([[-1.0], [1.0]], len(targets), axis=1)
    right = np.concatenate([towards, wanted])
    solved = np.linalg.solve(system, right)
    values = np.concatenate([first[1], second[1]])
    own = 2.0 * (1.0 - rho) * model.structured_sill
    variance = own - np.sum(solved * right, axis=0)
    return Change(values @ solved[: n + m], np.maximum(variance, 0.0))
