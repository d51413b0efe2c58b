"""Frame of a block: how large it is and which way it lies, in numbers that turn with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.errors import KrigingError
from geo.grids import Array

#: A hull without area (all samples on one line) is given this width over its length.
THIN = 0.01


@dataclass(frozen=True)
class Frame:
    """Size, middle and direction of a block.

    Attributes
    ----------
    area_m2 : float
        Planar area of the outline, holes taken off. [m2]
    centroid_m : (float, float)
        In the metric CRS. [m]
    scale_m : float
        D = sqrt(12 (Ixx + Iyy) / A): the diagonal of a rectangular block; the same however the
        block is turned. [m]
    azimuth_deg : float
        Direction of the planting rows where known, of the outline's long axis otherwise, clockwise
        from north. [deg]
    """

    area_m2: float
    centroid_m: tuple[float, float]
    scale_m: float
    azimuth_deg: float

    def centred(self, xy: Array) -> Array:
        """Places with the block's middle as origin. [m]"""
        offset: Array = np.asarray(xy, dtype=float) - np.asarray(self.centroid_m)
        return offset


def frame_of(outline: BaseGeometry, row_azimuth_deg: float | None = None) -> Frame:
    """Frame of an outline in metres.

    Parameters
    ----------
    outline : polygon
        Parts and holes are allowed. [m]
    row_azimuth_deg : float or None
        Direction of the rows, clockwise from north; None takes the long axis. [deg]

    Raises
    ------
    KrigingError
        If the outline has no area.

    Examples
    --------
    >>> frame = frame_of(shapely.box(0, 0, 30, 40))
    >>> frame.scale_m, frame.azimuth_deg
    (50.0, 0.0)
    """
    area = float(outline.area)
    if not area > 0.0:
        raise KrigingError("The outline has no area, so nothing can be mapped inside it.")
    centre = (float(outline.centroid.x), float(outline.centroid.y))
    ixx, iyy, ixy = _second_moments(outline, centre)
    azimuth = _long_axis_deg(ixx, iyy, ixy) if row_azimuth_deg is None else row_azimuth_deg
    return Frame(area, centre, math.sqrt(12.0 * (ixx + iyy) / area), azimuth % 180.0)


def frame_of_samples(xy: Array, row_azimuth_deg: float | None = None) -> Frame:
    """Frame of the convex hull of the samples, where there is no outline."""
    hull = shapely.MultiPoint(np.asarray(xy, dtype=float)).convex_hull
    if hull.area <= 1e-9 * hull.length**2:
        hull = hull.buffer(max(THIN * hull.length / 2.0, 1e-3))
    return frame_of(hull, row_azimuth_deg)


def _second_moments(
    outline: BaseGeometry, centre: tuple[float, float]
) -> tuple[float, float, float]:
    """Integrals of x^2, y^2 and x y over the outline, about its centroid. [m4]"""
    total = np.zeros(3)
    for part in shapely.get_parts(outline):
        # Green's theorem over rings wound one way: the shell adds, the holes take off.
        total += _ring_moments(part.exterior, centre)
        for hole in part.interiors:
            total -= _ring_moments(hole, centre)
    return float(total[0]), float(total[1]), float(total[2])


def _ring_moments(ring: shapely.LinearRing, centre: tuple[float, float]) -> Array:
    x, y = (shapely.get_coordinates(ring) - np.asarray(centre)).T
    x0, x1, y0, y1 = x[:-1], x[1:], y[:-1], y[1:]
    cross = x0 * y1 - x1 * y0
    xx = float(np.sum(cross * (x0 * x0 + x0 * x1 + x1 * x1))) / 12.0
    yy = float(np.sum(cross * (y0 * y0 + y0 * y1 + y1 * y1))) / 12.0
    xy = float(np.sum(cross * (x0 * y1 + 2 * x0 * y0 + 2 * x1 * y1 + x1 * y0))) / 24.0
    moments: Array = np.array([xx, yy, xy]) * np.sign(np.sum(cross))
    return moments


def _long_axis_deg(ixx: float, iyy: float, ixy: float) -> float:
    """Azimuth of the long axis, clockwise from north. [deg]"""
    east_of_axis = 0.5 * math.atan2(2.0 * ixy, ixx - iyy)
    return (90.0 - math.degrees(east_of_axis)) % 180.0
