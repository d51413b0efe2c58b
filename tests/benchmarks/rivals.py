"""What the belief is measured against: an earlier grid of 25 models, inverse distance, one fit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from geo.belief.belief import Belief, believe, factorise, fit, weigh
from geo.belief.frame import Frame
from geo.belief.nodes import Node, Nodes, Structure

#: Share of the other properties' log-likelihood that the grid of 25 borrows.
POWER = 0.3


def grid_of_25(scale_m: float) -> Nodes:
    """Six spherical ranges by four nugget shares, and pure nugget with prior 0.1."""
    ranges = np.exp(np.linspace(math.log(0.08), math.log(1.6), 6))
    structures = tuple(Structure("spherical", float(part * scale_m)) for part in ranges)
    pairs = [(i, share) for i in range(6) for share in (0.1, 0.3, 0.5, 0.7)]
    liking = np.array(
        [math.exp(-0.5 * (math.log(ranges[i] / 0.35) / 0.6) ** 2) * s * (1 - s) for i, s in pairs]
    )
    nodes = [Node("nugget", 0, 1.0, 0.1)]
    for (i, share), prior in zip(pairs, 0.9 * liking / liking.sum(), strict=True):
        nodes.append(Node("isotropic", i, share, float(prior)))
    return Nodes(structures, tuple(nodes))


def believe_by_grid(
    xy: np.ndarray, values: Mapping[str, np.ndarray], frame: Frame
) -> dict[str, Belief]:
    """Beliefs over the grid of 25, each lent 0.3 of the others' log-likelihood.

    No values may be missing. On a rectangle the scale of the grid, the diagonal of the bounding
    box, is that of the frame.
    """
    nodes = grid_of_25(frame.scale_m)
    factors = factorise(nodes, frame, xy)
    fits = {key: fit(factors, z) for key, z in values.items()}
    total = sum(one.log_likelihood for one in fits.values())
    beliefs = believe(xy, values, frame)
    for key, one in fits.items():
        lent = weigh(nodes.prior, POWER * (total - one.log_likelihood))
        beliefs[key] = replace(
            beliefs[key], prior=lent, weights=weigh(lent, one.log_likelihood), factors=factors,
            fits=one,
        )  # fmt: skip
    return beliefs


def inverse_distance(xy: np.ndarray, z: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Inverse distance, power 2."""
    distance = np.hypot(*(places[:, None] - xy[None]).transpose(2, 0, 1))
    weight = 1.0 / np.maximum(distance, 1e-6) ** 2
    return weight @ z / weight.sum(axis=1)


def fitted(xy: np.ndarray, z: np.ndarray, places: np.ndarray) -> np.ndarray:
    """One exponential model by restricted likelihood, kriged with its nugget as error."""
    from dataclasses import replace

    from geo.kriging import krige
    from geo.variogram import fit_variogram

    model = fit_variogram(xy, z, kind="exponential", method="reml", starts=4)
    model = replace(model, noise=model.noise + model.nugget, nugget=0.0)
    return np.asarray(krige(model, xy, z, places).estimate)
