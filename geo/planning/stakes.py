"""Which decisions the next samples could turn, place by place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array
from geo.lookup import properties
from geo.planning.quality import JITTER, kriging_variance
from geo.planning.signals import Signal, mean_signal
from geo.planning.value import limit_weights, value_at_limit
from geo.season import Season
from geo.surfaces import Surface

Index = NDArray[np.int64]

#: The property whose limit decides each amendment, the first that was measured.
DECIDES: Mapping[str, tuple[str, ...]] = {
    "lime": ("ph_water", "ph_cacl2", "ph_kcl"),
    "sulfur": ("ph_water", "ph_cacl2", "ph_kcl"),
    "gypsum": ("esp",),
    "potassium": ("k",),
    "magnesium": ("mg",),
    "phosphorus": ("p",),
    "boron": ("b",),
}
#: Nobody decides by these, whatever the sample says.
UNDECIDED = ("no_data",)


@dataclass(frozen=True)
class Stake:
    """One property with a limit somebody acts on, at the nodes of a plan.

    All figures are on the scale that is mapped, in units of the samples' own spread, so that
    properties can be added up.

    Attributes
    ----------
    key, name : str
    limit : float
        In the house unit, as people read it.
    mean, level : array (nodes,), float
        What is believed, and the limit, both as said above.
    variance : array (nodes,)
        Doubt before the plan.
    signal : Signal
        In squared units of the samples' spread.
    samples : array (n, 2)
        Where the property has been measured. [m]
    chance : array (nodes,)
        Chance of lying below the limit.
    """

    key: str
    name: str
    limit: float
    mean: Array
    level: float
    variance: Array
    signal: Signal
    samples: Array
    chance: Array

    @property
    def worth_of_all(self) -> Array:
        """Worth of knowing the soil exactly, at each node. [spreads]"""
        return value_at_limit(self.mean, np.sqrt(self.variance), self.level)

    @property
    def weights(self) -> Array:
        """How much a unit of variance less is worth at each node."""
        return limit_weights(self.mean, np.sqrt(self.variance), self.level)

    def worth(self, spots: Array, nodes: Array) -> Array:
        """Worth of a plan at each node: what it may turn, before anything is measured."""
        later = kriging_variance(self.signal, np.vstack([self.samples, spots]), nodes)
        moves = np.sqrt(np.maximum(self.variance - later, 0.0))
        return value_at_limit(self.mean, moves, self.level)


def stakes_of(season: Season, nodes: Array) -> tuple[Stake, ...]:
    """Stakes of a block after a season, the largest first."""
    keys: list[str] = []
    for requirement in season.requirements:
        if requirement.kind in UNDECIDED:
            continue
        measured = [k for k in DECIDES.get(requirement.amendment, ()) if k in season.surfaces]
        keys += measured[:1]
    found = [_stake(season.surfaces[key], nodes) for key in dict.fromkeys(keys)]
    stakes = [stake for stake in found if stake is not None]
    return tuple(sorted(stakes, key=lambda stake: -float(stake.worth_of_all.mean())))


def scaled_signal(surface: Surface) -> tuple[Signal, float] | None:
    """Signal of a surface in units of the samples' spread, and that spread; None: no belief."""
    belief = surface.belief
    if belief is None:
        return None
    spread = float(np.std(belief.values, ddof=1))
    plain = mean_signal(belief, belief.frame)
    square = spread * spread
    signal = Signal(
        lambda a, b: plain.covariance(a, b) / square,
        lambda places: plain.own(places) / square,
        plain.error / square,
    )
    return signal, spread


def at_nodes(surface: Surface, values: Array, nodes: Array) -> Array:
    """Values of a surface at the nodes; off the block those of the nearest cell inside."""
    from scipy.spatial import cKDTree

    inside = np.isfinite(values)
    centres = surface.grid.centres()[inside.ravel()]
    nearest = cKDTree(centres).query(nodes)[1]
    return np.asarray(values[inside][nearest], dtype=float)


def _stake(surface: Surface, nodes: Array) -> Stake | None:
    scaled = scaled_signal(surface)
    if scaled is None or surface.critical is None or surface.belief is None:
        return None
    if surface.logs and surface.critical <= 0:
        return None
    signal, spread = scaled
    estimate = at_nodes(surface, surface.estimate, nodes)
    mean = np.log(estimate) if surface.logs else estimate
    level = float(np.log(surface.critical)) if surface.logs else surface.critical
    wrong = surface.chance_wrong_side
    chance = np.full(len(nodes), np.nan) if wrong is None else at_nodes(surface, wrong, nodes)
    samples = surface.belief.xy
    return Stake(
        key=surface.key,
        name=properties()[surface.key].name,
        limit=surface.critical,
        mean=mean / spread,
        level=level / spread,
        variance=kriging_variance(signal, samples, nodes),
        signal=signal,
        samples=samples,
        chance=1.0 - chance if surface.side == "above" else chance,
    )


class WorthTable:
    """A stake with its covariances worked out once, for the many plans of a search.

    Parameters
    ----------
    stake : Stake
    nodes : array of int
        Nodes of the stake that count.
    at : array (m, 2)
        Where these nodes lie. [m]
    places : array (c, 2)
        Candidates. [m]
    """

    def __init__(self, stake: Stake, nodes: Index, at: Array, places: Array) -> None:
        every = np.vstack([stake.samples, places])
        self.error = stake.signal.error + JITTER * float(stake.signal.own(every).max())
        self.samples = len(stake.samples)
        self.between = stake.signal.covariance(every, every)
        self.to_nodes = np.vstack([stake.signal.covariance(every, at), np.ones((1, len(at)))])
        self.fallen = stake.variance[nodes] - stake.signal.own(at)
        self.mean, self.level = stake.mean[nodes, None], stake.level

    def worth_of_adding(self, chosen: Index, tried: Index) -> Array:
        """Worth of a plan of the chosen candidates with each of the tried ones. [spreads]

        Exact: adding s lowers the variance at x by A(x, s)^2 / (A(s, s) + error), A being the
        covariance left after the samples and the spots there are.
        """
        known = np.concatenate([np.arange(self.samples), self.samples + chosen])
        n, new = len(known), self.samples + tried
        bordered = np.ones((n + 1, n + 1))
        bordered[:n, :n] = self.between[np.ix_(known, known)] + self.error * np.eye(n)
        bordered[n, n] = 0.0
        to_nodes = self.to_nodes[np.append(known, len(self.between))]
        to_new = np.vstack([self.between[np.ix_(known, new)], np.ones((1, len(new)))])
        inverse = np.linalg.inv(bordered)
        weights = inverse @ to_new
        fallen = self.fallen + np.einsum("ix,ix->x", to_nodes, inverse @ to_nodes)
        own = np.diag(self.between)[new] - np.einsum("is,is->s", to_new, weights)
        across = self.to_nodes[new].T - to_nodes.T @ weights
        falls = across**2 / (np.maximum(own, 0.0) + self.error)
        moves = np.sqrt(np.maximum(fallen[:, None] + falls, 0.0))
        return np.asarray(value_at_limit(self.mean, moves, self.level).mean(axis=0))


def worth_of_plan(stakes: Sequence[Stake], spots: Array, nodes: Array) -> float:
    """Worth of a plan over all stakes, averaged over the block. [spreads]"""
    return float(sum(stake.worth(spots, nodes).mean() for stake in stakes))


def limit_words(key: str, limit: float) -> str:
    """A limit as pages have it: pH to one decimal, the rest with its unit.

    Examples
    --------
    >>> limit_words("ph_water", 6), limit_words("k", 80.0), limit_words("esp", 6.0)
    ('6.0', '80 mg/kg', '6 %')
    """
    unit = properties()[key].unit
    if unit == "pH":
        return f"{limit:.1f}"
    return f"{limit:g}" if unit == "1" else f"{limit:g} {unit}"
