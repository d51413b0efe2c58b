"""Beliefs -> means, doubts and chances over a block, in one pass for all properties.

Cells go by in tiles, so that nothing of size cells x samples is ever held. With the eigenvectors U
of a structure and y = U'rho, everything a model needs is a sum over y: c'R^-1 c is one over y^2,
the kriged means of all properties are one matrix product.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geo.belief.belief import Belief, Factors, Fits
from geo.belief.nodes import Nodes, correlations, own_correlation
from geo.grids import Array

#: Most cells in a tile: with 30 samples it fits the second-level cache.
TILE = 1024
#: Most multiplications in one matrix product. Above some such number BLAS starts threads, which on
#: a busy machine wait for each other far longer than the product takes.
PRODUCT = 1_000_000
#: Models that weigh less than this are left out of maps.
LEAST_WEIGHT = 1e-4
#: Places that stand for the block in its own variance.
BLOCK_PLACES = 225


@dataclass(frozen=True)
class Prediction:
    """What is believed of one property at places, without the nugget, on the mapped scale.

    Given the weights, the value at a place is taken as Student's t with `degrees` degrees of
    freedom about `mean` with scale `sd`.

    Attributes
    ----------
    mean, sd : array (places,)
    degrees : int
        n - 1.
    flat_weight, flat_mean, flat_sd : float
        Weight of pure nugget, and the samples' mean with its standard error.
    rest_mean, rest_sd : array (places,)
        The same as mean and sd over the other models.
    block_mean, block_sd : float
        Mean over all the places, and its scale.
    nugget_variance : float
        To be added to sd^2 for a new sample.
    """

    mean: Array
    sd: Array
    degrees: int
    flat_weight: float
    flat_mean: float
    flat_sd: float
    rest_mean: Array
    rest_sd: Array
    block_mean: float
    block_sd: float
    nugget_variance: float

    def interval(self, chance: float) -> tuple[Array, Array]:
        """Limits that hold the value with the given chance, such as 0.95 or two in three."""
        half = t_quantile(0.5 + chance / 2.0, self.degrees) * self.sd
        return self.mean - half, self.mean + half

    def chance_below(self, limit: float) -> Array:
        """Chance that the surface lies below a limit: pure nugget and the rest told apart."""
        flat = t_below((limit - self.flat_mean) / self.flat_sd, self.degrees)
        rest = t_below((limit - self.rest_mean) / self.rest_sd, self.degrees)
        return self.flat_weight * flat + (1.0 - self.flat_weight) * rest


def t_quantile(chance: float, degrees: int) -> float:
    """Quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees, chance))


def t_below(value: Array | float, degrees: int) -> Array:
    """Chance that Student's t lies below a value."""
    from scipy.special import stdtr

    chance: Array = np.asarray(stdtr(degrees, value), dtype=float)
    return chance


def predict(
    beliefs: Mapping[str, Belief], places: Array, *, least_weight: float = LEAST_WEIGHT
) -> dict[str, Prediction]:
    """Predict every property of a survey at places.

    Parameters
    ----------
    beliefs : mapping
        Of one survey: same frame, same models; samples may differ.
    places : array (m, 2)
        Cells of the block, all of them if the block's mean is wanted. [m]
    least_weight : float
        Models under this weight are left out, the others scaled up.
    """
    if not beliefs:
        return {}
    first = next(iter(beliefs.values()))
    frame, nodes = first.frame, first.nodes
    surveys = _group(beliefs, least_weight)
    ends = np.cumsum([survey.n for survey in surveys])
    samples = frame.centred(np.concatenate([survey.xy for survey in surveys]))
    places = frame.centred(places)
    sums = [_Sums(survey, len(places)) for survey in surveys]
    step = max(64, min(TILE, PRODUCT // max(survey.widest for survey in surveys)))
    for start in range(0, len(places), step):
        tile = slice(start, min(start + step, len(places)))
        own = own_correlation(nodes, frame, places[tile])
        for index, rho in enumerate(correlations(nodes, frame, samples, places[tile])):
            for one, end in zip(sums, ends, strict=True):
                one.add(index, tile, rho[end - one.survey.n : end], own[index])
    chosen = places
    if len(places) > BLOCK_PLACES:
        chosen = places[np.linspace(0, len(places) - 1, BLOCK_PLACES).astype(np.int64)]
    both = np.concatenate([samples, chosen])
    for index, rho in enumerate(correlations(nodes, frame, both, chosen)):
        mean = rho.mean(axis=1, keepdims=True)
        for one, end in zip(sums, ends, strict=True):
            block_own = np.array([float(mean[len(samples) :].mean())])
            one.add_block(index, mean[end - one.survey.n : end], block_own)
    found: dict[str, Prediction] = {}
    for one in sums:
        found |= one.finish()
    return {key: found[key] for key in beliefs}


@dataclass(frozen=True)
class _Part:
    """One structure's models with the properties of a survey, laid out for matrix products.

    With y = U'rho of some cells: C(x,x) - c'R^-1 c is `share * own + quadratic @ y^2`, and one
    product, `linear @ y + constant`, holds three things below each other: the kriged values, less
    the middle of the property and times the root of their weight, model by model; their weighted
    sums over the models; and c'R^-1 1 - 1.
    """

    vectors: Array  # (n, n) U'
    share: Array  # (models, 1) 1 - s
    quadratic: Array  # (models, n)
    per_precision: Array  # (models, 1)
    sill: Array  # (properties, models) weight times sill
    linear: Array  # (models * properties + properties + models, n)
    constant: Array  # (models * properties + properties + models, 1)

    def moments(self, rho: Array, own: Array) -> tuple[Array, Array]:
        """Weighted sums over the models of P and of V + P^2, shape (properties, cells)."""
        y = self.vectors @ rho
        linear = self.linear @ y
        linear += self.constant
        properties, models = self.sill.shape
        most = models * properties
        kriged, mean, bracket = linear[:most], linear[most:-models], linear[-models:]
        kriged *= kriged
        bracket *= bracket
        bracket *= self.per_precision
        y *= y
        bracket += self.quadratic @ y
        bracket += self.share * own
        second = self.sill @ bracket
        for start in range(0, most, properties):
            second += kriged[start : start + properties]
        return mean, second


@dataclass(frozen=True)
class _Survey:
    """Properties that share their samples, with pure nugget set apart from the other models."""

    keys: tuple[str, ...]
    xy: Array
    parts: tuple[_Part | None, ...]
    middle: Array  # (properties,) sample mean
    flat_sd: Array  # (properties,) standard error of that mean
    flat_weight: Array
    nugget_variance: Array

    @property
    def n(self) -> int:
        return len(self.xy)

    @property
    def widest(self) -> int:
        """Size of the largest matrix that meets the cells."""
        return max(self.n**2, *(part.linear.size for part in self.parts if part))


def _group(beliefs: Mapping[str, Belief], least_weight: float) -> list[_Survey]:
    groups: dict[bytes, list[str]] = {}
    for key, belief in beliefs.items():
        groups.setdefault(belief.xy.tobytes(), []).append(key)
    return [_survey({key: beliefs[key] for key in keys}, least_weight) for keys in groups.values()]


def _survey(beliefs: Mapping[str, Belief], least_weight: float) -> _Survey:
    first = next(iter(beliefs.values()))
    nodes = first.nodes
    fits = [belief.fits for belief in beliefs.values()]
    values = np.stack([belief.values for belief in beliefs.values()], axis=1)
    weights = np.stack([belief.weights for belief in beliefs.values()], axis=1)
    nugget = nodes.nugget_share[:, None] * np.stack([one.sill for one in fits], axis=1)
    nugget_variance = np.sum(weights * nugget, axis=0)
    flat_weight, rest = _set_apart(nodes, weights, least_weight)
    parts = tuple(
        _part(first.factors, fits, rest, values.mean(axis=0), index)
        for index in range(len(nodes.structures))
    )
    return _Survey(
        keys=tuple(beliefs),
        xy=first.xy,
        parts=parts,
        middle=values.mean(axis=0),
        flat_sd=values.std(axis=0, ddof=1) / math.sqrt(len(values)),
        flat_weight=flat_weight,
        nugget_variance=nugget_variance,
    )


def _set_apart(nodes: Nodes, weights: Array, least_weight: float) -> tuple[Array, Array]:
    """Weight of pure nugget, and the weights of the other models scaled to one."""
    weights = np.where(weights < least_weight, 0.0, weights)
    weights = weights / weights.sum(axis=0)
    flat = nodes.family("nugget")
    flat_weight: Array = weights[flat].sum(axis=0)
    rest = np.where(flat[:, None], 0.0, weights)
    # A belief in pure nugget and nothing else still needs a rest to speak of.
    rest = np.where(rest.sum(axis=0) > 0.0, rest, np.where(flat, 0.0, nodes.prior)[:, None])
    return flat_weight, rest / rest.sum(axis=0)


def _part(
    factors: Factors, fits: list[Fits], weights: Array, middle: Array, structure: int
) -> _Part | None:
    nodes = factors.nodes
    models = np.flatnonzero((nodes.structure == structure) & (weights.sum(axis=1) > 0.0))
    if not len(models):
        return None
    share = (1.0 - nodes.nugget_share)[models]
    values = factors.values[models]
    weight = weights[models]
    scores = np.stack([one.scores[models] for one in fits], axis=2)  # (models, n, properties)
    kriged = (share[:, None] / values)[:, :, None] * scores
    offset = np.stack([one.mean[models] for one in fits], axis=1) - middle
    root = np.sqrt(weight)
    rows = values.shape[1]
    linear = (
        (kriged * root[:, None, :]).transpose(0, 2, 1).reshape(-1, rows),
        np.sum(kriged * weight[:, None, :], axis=0).T,
        share[:, None] * factors.ones[models] / values,
    )
    constant = (
        (root * offset).reshape(-1, 1),
        np.sum(weight * offset, axis=0)[:, None],
        np.full((len(models), 1), -1.0),
    )
    return _Part(
        vectors=np.ascontiguousarray(factors.vectors[structure].T),
        share=share[:, None],
        quadratic=-(share[:, None] ** 2) / values,
        per_precision=1.0 / factors.precision[models, None],
        sill=(weight * np.stack([one.sill[models] for one in fits], axis=1)).T,
        linear=np.concatenate(linear),
        constant=np.concatenate(constant),
    )


class _Sums:
    """Running sums over the models of one survey, filled tile by tile."""

    def __init__(self, survey: _Survey, places: int) -> None:
        self.survey = survey
        self.mean = np.zeros((len(survey.keys), places))
        self.second = np.zeros((len(survey.keys), places))
        self.block_mean = np.zeros(len(survey.keys))
        self.block_second = np.zeros(len(survey.keys))

    def add(self, structure: int, tile: slice, rho: Array, own: Array) -> None:
        """Add the models of one structure at the cells of one tile."""
        part = self.survey.parts[structure]
        if part is not None:
            mean, second = part.moments(rho, own)
            self.mean[:, tile] += mean
            self.second[:, tile] += second

    def add_block(self, structure: int, rho: Array, own: Array) -> None:
        """Add them for the block as a whole: one more place, by its mean correlations."""
        part = self.survey.parts[structure]
        if part is not None:
            mean, second = part.moments(rho, own)
            self.block_mean += mean[:, 0]
            self.block_second += second[:, 0]

    def finish(self) -> dict[str, Prediction]:
        """Predictions by key."""
        return {key: self._prediction(index) for index, key in enumerate(self.survey.keys)}

    def _prediction(self, index: int) -> Prediction:
        survey = self.survey
        flat, flat_sd = float(survey.flat_weight[index]), float(survey.flat_sd[index])
        middle = float(survey.middle[index])
        # Pure nugget predicts the sample mean, which is the origin of these sums.
        rest_mean, rest_second = self.mean[index], self.second[index]
        mean, sd = _with_flat(flat, flat_sd, rest_mean, rest_second)
        _, block_sd = _with_flat(flat, flat_sd, self.block_mean[index], self.block_second[index])
        return Prediction(
            mean=middle + mean,
            sd=sd,
            degrees=survey.n - 1,
            flat_weight=flat,
            flat_mean=middle,
            flat_sd=flat_sd,
            rest_mean=middle + rest_mean,
            rest_sd=_with_flat(0.0, 0.0, rest_mean, rest_second)[1],
            block_mean=middle + float(mean.mean()),
            block_sd=float(block_sd),
            nugget_variance=float(survey.nugget_variance[index]),
        )


def _with_flat(
    flat: float, flat_sd: float, rest_mean: Array, rest_second: Array
) -> tuple[Array, Array]:
    """Mean and standard deviation of the mixture of pure nugget (mean 0) and the rest."""
    mean = (1.0 - flat) * rest_mean
    second = flat * flat_sd**2 + (1.0 - flat) * rest_second
    return mean, np.sqrt(np.maximum(second - mean**2, 0.0))
