"""Better spots by exchange: the worth of every swap of a spot for a candidate, worked out at once.

Adding or moving one sample changes the kriging variance everywhere by a term of rank one, so the
gain of every swap follows from matrices that are at hand. With H the inverse of the kriging matrix
[[K, F], [F', 0]], T the covariances of the samples (and the trend) with the nodes and S those with
the candidates, Z = H S holds the kriging weights lambda_j(s), and

    A(x, s) = C(x, s) - T(x)'Z(s)      covariance left between node and candidate
    Q(s)    = sum w A(x, s)^2          so the gain of adding s is Q(s) / (A(s, s) + error)
    R_j(s)  = sum w A(x, s) lambda_j(x)
    q_j     = sum w lambda_j(x)^2      so taking j away costs q_j / H_jj
    change of a swap j -> s = q_j / H_jj
        - [Q(s) + 2 f R_j(s) + f^2 q_j] / [A(s, s) + f lambda_j(s) + error],  f = lambda_j(s) / H_jj

A is never formed: C with the candidates is held once, and its product with T changes by one column
a swap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.errors import KrigingError
from geo.grids import Array, Mask
from geo.planning.quality import bordered_inverse
from geo.planning.signals import Signal

Index = NDArray[np.int64]

#: A round that lowers the mean variance by less than this share is the last. [1]
LEAST_GAIN = 5e-5
#: Swaps at most, for each spot.
MOST_SWAPS = 6


@dataclass(frozen=True)
class Problem:
    """What an exchange needs and never changes.

    Attributes
    ----------
    signal : Signal
    nodes, weights : array (m, 2), (m,)
        Where the variance counts, and how much; the weights sum to one. [m]
    places : array (c, 2)
        Candidates. [m]
    fixed : array (n0, 2)
        Samples that stand whatever is chosen: earlier ones, repeats, spots asked for. [m]
    keep_off : array (k, 2)
        Places the new spots keep their distance from. [m]
    spacing_m : float
        Least distance between two spots. [m]
    """

    signal: Signal
    nodes: Array
    weights: Array
    places: Array
    fixed: Array
    keep_off: Array
    spacing_m: float


class Exchange:
    """A set of chosen candidates with everything its swaps are judged by."""

    def __init__(self, problem: Problem, chosen: Index) -> None:
        self.problem = problem
        self.chosen = np.array(chosen, dtype=np.int64)
        signal, places = problem.signal, problem.places
        self.together = signal.covariance(places, problem.nodes)
        self.own = signal.own(places)
        self.squares = (self.together**2) @ problem.weights
        fixed = problem.fixed
        self.rows = np.vstack(
            [
                signal.covariance(fixed, problem.nodes) if len(fixed) else self.together[:0],
                self.together[self.chosen],
                np.ones((1, len(problem.nodes))),
            ]
        )
        self.columns = np.vstack(
            [
                signal.covariance(fixed, places) if len(fixed) else np.empty((0, len(places))),
                signal.covariance(places[self.chosen], places),
                np.ones((1, len(places))),
            ]
        )
        self.products = self.together @ (self.rows * problem.weights).T
        self.barred = self._barred()

    def _barred(self) -> Mask:
        """(chosen, candidates): too near to anything but the spot that would move."""
        problem = self.problem
        from geo.planning.constraints import too_close

        near_old = too_close(problem.places, problem.keep_off, problem.spacing_m)
        spots = problem.places[self.chosen]
        gap = np.hypot(*(spots[:, None, :] - problem.places[None, :, :]).transpose(2, 0, 1))
        near = gap < problem.spacing_m
        crowd = near.sum(axis=0)
        barred: Mask = near_old | (crowd - near > 0)
        return barred

    @property
    def count(self) -> int:
        """Samples behind the kriging matrix."""
        return len(self.problem.fixed) + len(self.chosen)

    def inverse(self) -> Array:
        """Inverse of the kriging matrix, made afresh, so that no error builds up."""
        spots = np.vstack([self.problem.fixed, self.problem.places[self.chosen]])
        return bordered_inverse(self.problem.signal, spots)

    def mean_variance(self) -> float:
        """Weighted mean kriging variance over the nodes. [unit2]"""
        known = np.einsum("is,is->s", self.rows, self.inverse() @ self.rows)
        own = self.problem.signal.own(self.problem.nodes)
        return float(self.problem.weights @ (own - known))

    def gains_of_adding(self) -> Array:
        """By how much each candidate, added, would lower the mean variance. [unit2]"""
        inverse = self.inverse()
        weights = inverse @ self.columns
        left = self._left(weights, (self.rows * self.problem.weights) @ self.rows.T)
        gains: Array = left / (self._own_left(weights) + self.problem.signal.error + self._tiny())
        return gains

    def changes(self) -> Array:
        """Change of the mean variance by each swap, (chosen, candidates); barred ones infinite."""
        error = self.problem.signal.error
        inverse = self.inverse()
        first, last = len(self.problem.fixed), self.count
        weights = inverse @ self.columns
        gram = (self.rows * self.problem.weights) @ self.rows.T
        left = self._left(weights, gram)
        own_left = self._own_left(weights)
        across = inverse[first:last] @ (self.products.T - gram @ weights)
        mass = np.diag(inverse @ gram @ inverse)[first:last]
        diagonal = np.diag(inverse)[first:last]
        f = weights[first:last] / diagonal[:, None]
        gain = left + 2.0 * f * across + f * f * mass[:, None]
        spread = own_left + f * weights[first:last] + error + self._tiny()
        change: Array = (mass / diagonal)[:, None] - gain / spread
        change[self.barred] = np.inf
        return change

    def _left(self, weights: Array, gram: Array) -> Array:
        """Q of every candidate."""
        cross = np.einsum("ci,ic->c", self.products, weights)
        quadratic = np.einsum("ic,ic->c", weights, gram @ weights)
        left: Array = np.maximum(self.squares - 2.0 * cross + quadratic, 0.0)
        return left

    def _own_left(self, weights: Array) -> Array:
        known = np.einsum("ic,ic->c", self.columns, weights)
        left: Array = np.maximum(self.own - known, 0.0)
        return left

    def _tiny(self) -> float:
        return 1e-12 * float(self.own.max())

    def swap(self, j: int, s: int) -> None:
        """Move the j-th chosen spot to candidate s."""
        self.chosen[j] = s
        row = len(self.problem.fixed) + j
        problem = self.problem
        self.rows[row] = self.together[s]
        self.columns[row] = problem.signal.covariance(problem.places[[s]], problem.places)[0]
        self.products[:, row] = self.together @ (self.rows[row] * problem.weights)
        self.barred = self._barred()

    def add(self, s: int) -> None:
        """Choose one more candidate."""
        problem = self.problem
        place = self.count
        self.chosen = np.append(self.chosen, s)
        column = problem.signal.covariance(problem.places[[s]], problem.places)
        self.rows = np.insert(self.rows, place, self.together[s], axis=0)
        self.columns = np.insert(self.columns, place, column, axis=0)
        self.products = np.insert(
            self.products, place, self.together @ (self.together[s] * problem.weights), axis=1
        )
        self.barred = self._barred()


def choose_greedily(problem: Problem, count: int) -> Index:
    """Candidates chosen one after the other, each where it lowers the mean variance most.

    Raises
    ------
    KrigingError
        If the field has no room for so many at the least spacing.
    """
    chosen = choose_all_there_is(problem, count)
    if len(chosen) < count:
        raise KrigingError(no_room(len(chosen), count, problem.spacing_m))
    return chosen


def choose_all_there_is(problem: Problem, count: int) -> Index:
    """The same, ending with fewer where the least spacing leaves no room."""
    from geo.planning.constraints import too_close

    exchange = Exchange(problem, np.empty(0, dtype=np.int64))
    if count > 0 and not len(problem.fixed):
        # Nothing is known yet: the first goes to the middle, where it tells most.
        middle = np.average(problem.nodes, axis=0, weights=problem.weights)
        exchange.add(int(np.argmin(np.hypot(*(problem.places - middle).T))))
    while len(exchange.chosen) < count:
        taken = np.vstack([problem.keep_off, problem.places[exchange.chosen]])
        free = ~too_close(problem.places, taken, problem.spacing_m)
        free[exchange.chosen] = False
        if not free.any():
            break
        exchange.add(int(np.argmax(np.where(free, exchange.gains_of_adding(), -np.inf))))
    return exchange.chosen


def no_room(found: int, wanted: int, spacing_m: float) -> str:
    """Why fewer spots were found than asked for, and what to do."""
    return (
        f"There is room for {found} new spots at least {spacing_m:.0f} m apart, not for {wanted}. "
        "Ask for fewer spots."
    )


def polish(problem: Problem, chosen: Index) -> Index:
    """Swap spots for candidates, the best swap first, while the mean variance falls."""
    if not len(chosen):
        return chosen
    exchange = Exchange(problem, chosen)
    mean = exchange.mean_variance()
    for _ in range(MOST_SWAPS * len(chosen)):
        change = exchange.changes()
        j, s = np.unravel_index(int(np.argmin(change)), change.shape)
        if not change[j, s] < -LEAST_GAIN * mean:
            break
        mean += float(change[j, s])
        exchange.swap(int(j), int(s))
    return exchange.chosen
