"""The one belief about a property of a block: many models, weighted by what the samples say.

No variogram is fitted. 38 models (`geo.belief.nodes`) are weighted by a prior, by the restricted
likelihood of the property's own samples, and by what the other properties of the same survey make
likely. Surfaces, intervals, chances, verdicts and draws all use these weights.

Restricted likelihood with the mean and the sill integrated out: Kitanidis (1983), Water Resources
Research 19, 909-921 (from memory). Leave-one-out without refitting: Dubrule (1983), Mathematical
Geology 15, 687-699 (from memory); the tests compare it with real refitting.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from geo.belief.frame import Frame
from geo.belief.nodes import Nodes, correlations, standard_nodes
from geo.crossvalidation import CrossValidation
from geo.errors import KrigingError
from geo.grids import Array

#: Rounds of borrowing; six are enough for the weights to settle.
ROUNDS = 6

#: Share of a sum of squares below which it is rounding. [1]
ROUNDING = 1e-12


@dataclass(frozen=True)
class Factors:
    """Eigenvectors and eigenvalues of every structure's correlation matrix at the same samples.

    R = (1 - s) rho + s I has the eigenvectors of rho, whatever the share s, so one decomposition
    serves all models of a structure and all properties measured at these samples.

    Attributes
    ----------
    vectors : array (structures, n, n)
    values : array (models, n)
        Eigenvalues of each model's R.
    ones : array (models, n)
        The vector of ones in eigenvectors.
    precision : array (models,)
        1'R^-1 1.
    """

    nodes: Nodes
    vectors: Array
    values: Array
    ones: Array
    precision: Array


@dataclass(frozen=True)
class Fits:
    """What each model makes of one property: shape (models,) or, for `scores`, (models, n).

    `mean` and `sill` are the generalised least squares mean and q / (n - 1); `scores` are the
    centred values in eigenvectors; `log_likelihood` drops the constants common to all models.
    """

    scores: Array
    mean: Array
    sill: Array
    log_likelihood: Array


@dataclass(frozen=True)
class Belief:
    """Models of one property of a survey with their weights.

    Attributes
    ----------
    xy : array (n, 2)
        Places of the samples that carry a value. [m]
    values : array (n,)
        On the scale that is mapped: the house unit, or its natural logarithm.
    weights : array (models,)
        Sum to one.
    prior : array (models,)
        What the models weighed before the property's own values were looked at: the default prior
        and what the other properties lend.
    frame : Frame
    factors, fits : Factors, Fits
        What every model makes of the samples; the factors are shared between the properties that
        share samples.
    """

    xy: Array
    values: Array
    weights: Array
    prior: Array
    frame: Frame
    factors: Factors
    fits: Fits

    @property
    def nodes(self) -> Nodes:
        """The models."""
        return self.factors.nodes

    @property
    def log_likelihood(self) -> Array:
        """Of each model."""
        return self.fits.log_likelihood

    @property
    def n(self) -> int:
        """Samples used."""
        return len(self.values)


def factorise(nodes: Nodes, frame: Frame, xy: Array) -> Factors:
    """Decompose the correlations between samples, one structure at a time."""
    places = frame.centred(xy)
    rho = np.stack([r.copy() for r in correlations(nodes, frame, places, places)])
    eigenvalues, vectors = np.linalg.eigh(rho)
    share = nodes.nugget_share[:, None]
    values = (1.0 - share) * np.maximum(eigenvalues, 0.0)[nodes.structure] + share
    ones = vectors.sum(axis=1)[nodes.structure]
    return Factors(nodes, vectors, values, ones, np.sum(ones * ones / values, axis=1))


def fit(factors: Factors, values: Array) -> Fits:
    """Restricted log-likelihood, mean and sill of one property under every model.

    l = -1/2 [(n - 1) ln(q / (n - 1)) + ln|R| + ln(1'R^-1 1)] with
    q = z'R^-1 z - (1'R^-1 z)^2 / 1'R^-1 1.
    """
    n = len(values)
    middle = float(np.mean(values))
    scores = np.einsum("sij,i->sj", factors.vectors, values - middle)[factors.nodes.structure]
    offset = np.sum(factors.ones * scores / factors.values, axis=1) / factors.precision
    scores = scores - offset[:, None] * factors.ones
    q = np.sum(scores * scores / factors.values, axis=1)
    determinant = np.sum(np.log(factors.values), axis=1)
    likelihood = -0.5 * ((n - 1) * np.log(q / (n - 1)) + determinant + np.log(factors.precision))
    return Fits(scores, middle + offset, q / (n - 1), likelihood)


def weigh(prior: Array, log_likelihood: Array) -> Array:
    """Weights proportional to prior times likelihood, over the last axis."""
    log_weight = np.log(prior) + log_likelihood
    weight = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    normalised: Array = weight / weight.sum(axis=-1, keepdims=True)
    return normalised


def borrow(prior: Array, others: Array) -> Array:
    """Prior of a property once the other properties of the survey have lent theirs.

    pi = (alpha p + sum of their weights) / (alpha + number), alpha = max(3, number / 2), repeated
    with their weights worked out under the new pi; so a third at least stays with the default.

    Parameters
    ----------
    prior : array (models,)
    others : array (number, models)
        Log-likelihoods of the other properties, each on its own samples.
    """
    number = len(others)
    if not number:
        return prior
    alpha = max(3.0, number / 2.0)
    lent = prior
    for _ in range(ROUNDS):
        lent = (alpha * prior + weigh(lent, others).sum(axis=0)) / (alpha + number)
    return lent


def believe(
    xy: Array,
    values: Mapping[str, Array],
    frame: Frame,
    *,
    lends: Collection[str] | None = None,
    kin: Mapping[str, str] | None = None,
) -> dict[str, Belief]:
    """Belief about every property of a survey.

    Parameters
    ----------
    xy : array (samples, 2)
        No two samples at one place, if the map is to be trusted beside them. [m]
    values : mapping
        Key -> array (samples,), NaN where there is no value, on the scale that is mapped. No
        property may be constant.
    frame : Frame
    lends : collection of keys, optional
        Properties that lend evidence to the others; None means all. Leave out sums of others and
        repeats, lest the same thing counts twice.
    kin : mapping, optional
        Key -> key of which it is a part or a repeat: they lend each other nothing.

    Returns
    -------
    dict
        Key -> Belief, in the order of `values`.
    """
    nodes = standard_nodes(frame)
    kin = kin or {}
    lenders = list(values) if lends is None else [key for key in values if key in lends]
    patterns = {key: np.isfinite(z) for key, z in values.items()}
    factors: dict[bytes, Factors] = {}
    fits: dict[str, Fits] = {}
    for key, z in values.items():
        present = patterns[key]
        _refuse_hopeless(key, z[present])
        code = present.tobytes()
        if code not in factors:
            factors[code] = factorise(nodes, frame, xy[present])
        fits[key] = fit(factors[code], z[present])
    beliefs = {}
    for key, z in values.items():
        root = kin.get(key, key)
        twins = {one for one in lenders if one == key or kin.get(one, one) == root}
        others = [fits[one].log_likelihood for one in lenders if one not in twins]
        prior = borrow(nodes.prior, np.array(others))
        present = patterns[key]
        weights = weigh(prior, fits[key].log_likelihood)
        mine = factors[present.tobytes()]
        beliefs[key] = Belief(xy[present], z[present], weights, prior, frame, mine, fits[key])
    return beliefs


def _refuse_hopeless(key: str, values: Array) -> None:
    if len(values) < 3:
        raise KrigingError(f"{key}: {len(values)} values; at least 3 are needed to weigh models.")
    if np.ptp(values) == 0.0:
        raise KrigingError(f"{key}: all values are equal; there is nothing to weigh models by.")


def revalue(belief: Belief, values: Array) -> Belief:
    """The same belief had the samples read otherwise; what other properties lent stays."""
    fits = fit(belief.factors, values)
    weights = weigh(belief.prior, fits.log_likelihood)
    return replace(belief, values=values, weights=weights, fits=fits)


def leave_out_each(belief: Belief) -> CrossValidation:
    """Each sample predicted from the others, the models weighed anew without it, in closed form.

    With u = Q z and Q = R^-1 - R^-1 1 1'R^-1 / 1'R^-1 1 the error under one model is u_i / Q_ii and
    the likelihood without sample i is
    -1/2 [(n - 2) ln((q - u_i^2 / Q_ii) / (n - 2)) + ln|R| + ln(1'R^-1 1) + ln Q_ii].

    Returns
    -------
    CrossValidation
        On the scale of `belief.values`; `variance` is that of a new sample (nugget included),
        `error` predicted minus observed; `skill` 1 - MSE / MSE of the leave-one-out mean.
    """
    n, z = belief.n, belief.values
    factors, fits = belief.factors, belief.fits
    vectors = factors.vectors[belief.nodes.structure]
    right = np.stack([factors.ones, fits.scores], axis=2) / factors.values[:, :, None]
    solved = vectors @ right  # R^-1 1 and R^-1 (z - m 1)
    ones, u = solved[:, :, 0], solved[:, :, 1]
    q_ii = ((vectors * vectors) @ (1.0 / factors.values)[:, :, None])[:, :, 0]
    q_ii = q_ii - ones * ones / factors.precision[:, None]
    errors = u / q_ii  # observed minus predicted
    # Where all others are alike nothing is left but rounding, on either side of nothing.
    all_in = fits.sill[:, None] * (n - 1)
    left = np.maximum(all_in - u * errors, ROUNDING * all_in)
    determinant = np.sum(np.log(factors.values), axis=1) + np.log(factors.precision)
    fold = -0.5 * ((n - 2) * np.log(left / (n - 2)) + determinant[:, None] + np.log(q_ii))
    weights = weigh(belief.prior, fold.T).T
    error = -np.sum(weights * errors, axis=0)
    spread = weights * (left / (n - 2) / q_ii + errors * errors)
    variance = np.sum(spread, axis=0) - error * error
    mean_error = (z - z.mean()) * n / (n - 1)
    skill = 1.0 - float(np.sum(error**2) / np.sum(mean_error**2))
    return CrossValidation(z + error, variance, error, skill)


@dataclass(frozen=True)
class Character:
    """What may be said of a property in place of fitted parameters.

    Attributes
    ----------
    nugget_share : float
        Weighted share of the variance that changes from step to step. [1]
    nugget_variance : float
        The same as a variance, in squared units of the mapped scale.
    nugget, trend, anisotropic : float
        Weights of pure nugget, of the models with a trend, of the anisotropic ones.
    range_m, range_low_m, range_high_m : float
        Weighted median of the range and its 10 and 90 % points over the models that have one. [m]
    """

    nugget_share: float
    nugget_variance: float
    nugget: float
    trend: float
    anisotropic: float
    range_m: float
    range_low_m: float
    range_high_m: float

    @property
    def trend_likely(self) -> bool:
        """Whether a trend across the block is likely."""
        return self.trend >= 0.5


def characterise(belief: Belief) -> Character:
    """Weighted figures of a belief."""
    weights, nodes = belief.weights, belief.nodes
    share = nodes.nugget_share
    low, middle, high = _weighted_quantiles(nodes.range_m, weights, (0.1, 0.5, 0.9))
    return Character(
        nugget_share=float(weights @ share),
        nugget_variance=float(weights @ (share * belief.fits.sill)),
        nugget=float(weights[nodes.family("nugget")].sum()),
        trend=float(weights[nodes.family("trend")].sum()),
        anisotropic=float(weights[nodes.family("anisotropic")].sum()),
        range_m=middle,
        range_low_m=low,
        range_high_m=high,
    )


def _weighted_quantiles(
    values: Array, weights: Array, chances: tuple[float, ...]
) -> tuple[float, ...]:
    """Smallest value at which the cumulative weight reaches each chance; NaN left out."""
    known = np.isfinite(values)
    order = np.argsort(values[known], kind="stable")
    cumulative = np.cumsum(weights[known][order])
    if not cumulative[-1] > 0.0:
        return tuple(math.nan for _ in chances)
    targets = np.array(chances) * cumulative[-1]
    places = np.minimum(np.searchsorted(cumulative, targets * (1 - 1e-12)), len(order) - 1)
    return tuple(float(v) for v in values[known][order][places])
