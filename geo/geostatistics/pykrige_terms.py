"""A variogram model in PyKrige's terms, for the variants that only PyKrige has.

`geo.kriging` serves this project's maps. Take PyKrige for drift about wells or other points
(``point_log``), drift by a function or a raster it interpolates itself, regression kriging
(``pykrige.rk``) and three dimensions. The tests hold both to the same figures where both can.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from geo.errors import KrigingError
from geo.geostatistics.correlation import correlation
from geo.geostatistics.covariance import VariogramModel
from geo.grids import Array

#: Its range over ours, for the shapes it knows by name: practical ranges of the exponential
#: (3 a) and, by its own choice, of the gaussian (7 a / 4).
RANGE = {"spherical": 1.0, "exponential": 3.0, "gaussian": 7.0 / 4.0}


def to_pykrige(model: VariogramModel) -> dict[str, Any]:
    """Keyword arguments of PyKrige's kriging classes that mean the same model.

    Parameters
    ----------
    model : VariogramModel
        All its structures with one direction and ratio.

    Returns
    -------
    dict
        Shapes PyKrige has no name for, and sums, go as a function of distance.

    Raises
    ------
    KrigingError
        If PyKrige cannot hold the model: both a nugget and a noise, or several directions.

    Notes
    -----
    PyKrige has one nugget. With a noise it is filtered from the estimate (``exact_values=False``)
    but stays in the variance, which is that of a new sample: subtract the noise for ours. Its angle
    is counter-clockwise from east, its scaling the inverse of our ratio. Give
    universal kriging coordinates near zero: its drift columns are as large as they are.

    Examples
    --------
    >>> terms = to_pykrige(VariogramModel("exponential", 0.1, 0.4, range_m=30.0))
    >>> terms["variogram_parameters"]
    {'psill': 0.4, 'range': 90.0, 'nugget': 0.1}
    """
    if model.micro_scale and model.noise:
        raise KrigingError(
            f"PyKrige knows one nugget; this model has micro-scale variation {model.micro_scale:g} "
            f"and noise {model.noise:g}. Add them up to one of the two."
        )
    parts = model.structures
    directions = {(part.azimuth_deg, part.ratio) for part in parts if part.ratio != 1.0}
    if len(directions) > 1 or (directions and any(part.ratio == 1.0 for part in parts)):
        raise KrigingError(
            "PyKrige stretches all structures alike; these point in different directions. Krige "
            "with geo.kriging, or give every structure the same azimuth and ratio."
        )
    azimuth_deg, ratio = next(iter(directions), (90.0, 1.0))
    return {
        **_shape(model),
        "anisotropy_angle": 90.0 - azimuth_deg,
        "anisotropy_scaling": 1.0 / ratio,
        "exact_values": model.noise == 0.0,
    }


def _shape(model: VariogramModel) -> dict[str, Any]:
    """Shape, parameters and, where it has no name, function."""
    nugget, parts = model.micro_scale + model.noise, model.structures
    if len(parts) == 1 and parts[0].kind in RANGE:
        (part,) = parts
        parameters = {
            "psill": part.partial_sill,
            "range": RANGE[part.kind] * part.range_m,
            "nugget": nugget,
        }
        return {"variogram_model": part.kind, "variogram_parameters": parameters}

    def semivariance(_: object, distance: Array) -> Array:
        # Its limit at distance 0, which PyKrige itself turns to 0 where a sample is met exactly.
        total = np.full(np.shape(distance), nugget)
        for part in parts:
            total += part.partial_sill * (1.0 - correlation(part.kind, distance / part.range_m))
        return total

    return {
        "variogram_model": "custom",
        "variogram_parameters": [],
        "variogram_function": semivariance,
    }
