"""What a sample is worth where a decision hangs on it.

Expected value of sample information: Raiffa and Schlaifer, Applied Statistical Decision Theory,
1961. Before a sample is taken its effect on the mean is normal with variance s2 - s'2, which
depends on places alone; so the worth of a plan can be told before anything is measured.
"""

from __future__ import annotations

import math

import numpy as np

from geo.grids import Array

#: Share of the doubt that one plan is thought to take away, in the weight map. [1]
CHORD = 0.6
#: Nodes of the quadrature over what the sample may say.
QUADRATURE = 64
#: How far it reaches; beyond lies one chance in 10^19.
REACH_SD = 9.0


def standard_loss(u: Array) -> Array:
    """E(max(0, Z - u)) of a standard normal Z: phi(u) - u (1 - Phi(u))."""
    from scipy.special import ndtr

    density = np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)
    loss: Array = density - u * ndtr(-u)
    return loss


def value_at_limit(mean: Array, moves: Array, limit: float, benefit: float = 1.0) -> Array:
    """Worth of knowing more where one acts on one side of a limit and not on the other.

    benefit d psi(|mean - limit| / d), psi(u) = phi(u) - u (1 - Phi(u)).

    Parameters
    ----------
    mean : array
        What is believed now. [unit]
    moves : array
        d = sqrt(s2 - s'2): how far the sample may move the mean; the whole doubt s gives the worth
        of knowing all. [unit]
    limit : float
        [unit]
    benefit : float
        Worth of acting rightly, per unit away from the limit.
    """
    d = np.maximum(np.asarray(moves, dtype=float), 1e-300)
    worth: Array = benefit * d * standard_loss(np.abs(np.asarray(mean) - limit) / d)
    return worth


def limit_weights(mean: Array, sd: Array, limit: float) -> Array:
    """How much a unit of variance less is worth at each place, for the search.

    d psi(|mean - limit| / d) / d2 with d = 0.6 s: a chord, because the slope at d = 0 vanishes.
    """
    d = CHORD * np.maximum(sd, 1e-12)
    weights: Array = value_at_limit(mean, d, limit) / (d * d)
    return weights


def rate_loss(mean: Array, sd: Array, short: float, over: float) -> Array:
    """Least expected loss where the requirement is max(0, M), M normal, and the rate is best.

    The best rate is max(0, mean + z sd) with Phi(z) = short / (short + over).

    Parameters
    ----------
    mean, sd : array
        Of M. [kg/ha]
    short, over : float
        Loss per kg/ha too little and too much.
    """
    from scipy.special import ndtri

    mean, sd = np.asarray(mean, dtype=float), np.maximum(np.asarray(sd, dtype=float), 1e-12)
    rate = np.maximum(0.0, mean + float(ndtri(short / (short + over))) * sd)
    z_rate, z_none = (rate - mean) / sd, -mean / sd
    # z Phi(z) + phi(z) is the loss of the mirrored normal.
    too_much = sd * (standard_loss(-z_rate) - standard_loss(-z_none))
    too_little = sd * standard_loss(z_rate)
    loss: Array = short * too_little + over * too_much
    return loss


def rate_value(mean: float, sd: float, later_sd: float, short: float, over: float) -> float:
    """Worth of a sample that narrows the doubt of a requirement from `sd` to `later_sd`.

    Loss now less the loss expected afterwards, over what the sample may say.
    """
    from scipy.special import ndtri

    now = float(rate_loss(np.array([mean]), np.array([sd]), short, over)[0])
    moves = math.sqrt(max(sd * sd - later_sd * later_sd, 0.0))
    if moves == 0.0:
        return 0.0
    # The loss has a kink where the best rate becomes 0: the two sides are summed apart.
    kink = (-float(ndtri(short / (short + over))) * later_sd - mean) / moves
    kink = min(max(kink, -REACH_SD), REACH_SD)
    points, shares = np.polynomial.legendre.leggauss(QUADRATURE)
    after = 0.0
    for low, high in ((-REACH_SD, kink), (kink, REACH_SD)):
        z = low + (high - low) * (points + 1.0) / 2.0
        chance = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * shares * (high - low) / 2.0
        after += float(chance @ rate_loss(mean + moves * z, np.full_like(z, later_sd), short, over))
    return now - after
