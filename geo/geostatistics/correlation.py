"""How alike two places are: correlation by distance, and distance that knows a direction."""

from __future__ import annotations

import math

import numpy as np

from geo.errors import KrigingError
from geo.grids import Array

#: Shapes a structure may have.
KINDS = ("spherical", "exponential", "gaussian", "matern32", "matern52", "nugget")


def correlation(kind: str, reach: Array) -> Array:
    """Correlation of two places whose distance is `reach` times the range. [1]

    Parameters
    ----------
    kind : str
        One of `KINDS`. "nugget" is 1 in place and 0 anywhere else.
    reach : array
        Distance over the range parameter, not negative. [1]

    Notes
    -----
    The range is the model's own distance parameter: the spherical model is 0 from reach 1 on, the
    others keep 5 % at reach 3.0 (exponential), 1.73 (gaussian), 4.74 (Matern 3/2) and
    5.92 (Matern 5/2).

    References
    ----------
    Webster and Oliver, Geostatistics for Environmental Scientists, 2007, chapter 5.

    Examples
    --------
    >>> correlation("spherical", np.array([0.0, 0.5, 1.0, 2.0])).tolist()
    [1.0, 0.3125, 0.0, 0.0]
    """
    own = np.array(reach, dtype=float)
    return correlate(kind, own, np.empty_like(own))


def correlate(kind: str, reach: Array, spare: Array) -> Array:
    """Turn reaches into correlations in their own place, with a spare array of the same shape.

    Kriging calls this once a tile: fresh arrays of that size would cost more than the arithmetic.

    Raises
    ------
    KrigingError
        If there is no variogram of that kind.
    """
    if kind == "spherical":
        np.minimum(reach, 1.0, out=reach)
        np.multiply(reach, reach, out=spare)
        spare *= 0.5
        spare -= 1.5
        reach *= spare
        reach += 1.0
        return reach
    if kind == "nugget":
        return np.equal(reach, 0.0, out=reach)
    if kind == "gaussian":
        reach *= reach
    elif kind == "matern32":
        np.add(reach, 1.0, out=spare)
    elif kind == "matern52":
        np.divide(reach, 3.0, out=spare)
        spare += 1.0
        spare *= reach
        spare += 1.0
    elif kind != "exponential":
        raise KrigingError(f"There is no variogram kind {kind!r}. Use one of: {', '.join(KINDS)}.")
    np.negative(reach, out=reach)
    np.exp(reach, out=reach)
    if kind.startswith("matern"):
        reach *= spare
    return reach


def lag_m(
    a: Array,
    b: Array,
    azimuth_deg: float = 0.0,
    ratio: float = 1.0,
    *,
    out: Array | None = None,
    spare: Array | None = None,
) -> Array:
    """Distance from each place of `a` to each of `b`, stretched across the azimuth. [m]

    Parameters
    ----------
    a, b : array (..., places, 2)
        Easting, northing; leading axes are broadcast. [m]
    azimuth_deg : float
        Direction of the longest range, clockwise from north. [deg]
    ratio : float
        Range across that direction over the range along it: what lies across counts 1 / ratio
        times as far. [1]
    out, spare : array, optional
        Arrays of the answer's shape to work in; `out` becomes the answer.

    Returns
    -------
    array (..., places of a, places of b)

    Examples
    --------
    >>> lag_m(np.zeros((1, 2)), np.array([[0.0, 5.0], [5.0, 0.0]]), 0.0, 0.5).tolist()
    [[5.0, 10.0]]
    """
    if ratio != 1.0:
        # Differences of coordinates in the millions are exact, their sums with sines are not.
        centre = b.reshape(-1, 2).mean(axis=0)
        a, b = (_stretched(places - centre, azimuth_deg, ratio) for places in (a, b))
    east = np.subtract(a[..., :, None, 0], b[..., None, :, 0], out=out)
    north = np.subtract(a[..., :, None, 1], b[..., None, :, 1], out=spare)
    east *= east
    north *= north
    east += north
    return np.sqrt(east, out=east)


def _stretched(places: Array, azimuth_deg: float, ratio: float) -> Array:
    """Places as (along the azimuth, across it over the ratio). [m]"""
    sine, cosine = math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))
    along = places[..., 0] * sine + places[..., 1] * cosine
    across = places[..., 0] * cosine - places[..., 1] * sine
    return np.stack([along, across / ratio], axis=-1)
