"""The model of a variogram: how much varies, how far it reaches, and the covariance it gives."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geo.errors import KrigingError
from geo.geostatistics.correlation import KINDS, correlate, correlation, lag_m
from geo.grids import Array


@dataclass(frozen=True)
class Structure:
    """One part of a variogram: its shape, how much it varies [unit²], how far it reaches."""

    kind: str
    partial_sill: float
    range_m: float
    azimuth_deg: float = 0.0
    ratio: float = 1.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise KrigingError(
                f"There is no variogram kind {self.kind!r}. Use one of: {', '.join(KINDS)}."
            )
        if not (self.partial_sill >= 0 and self.range_m > 0):
            raise KrigingError(
                f"A structure with partial sill {self.partial_sill:g} and range "
                f"{self.range_m:g} m cannot be: the sill is 0 or more, the range above 0."
            )
        if not 0 < self.ratio <= 1:
            raise KrigingError(
                f"The ratio {self.ratio:g} is range across over range along the azimuth, so above "
                "0 and at most 1. Turn the azimuth by 90 degrees to give the longest range."
            )

    def covariance(
        self, a: Array, b: Array, out: Array | None = None, spare: Array | None = None
    ) -> Array:
        """Covariance of each place of `a` with each of `b`. [unit²]

        `out` and `spare` are arrays of the answer's shape to work in, as in `lag_m`.
        """
        reach = lag_m(a, b, self.azimuth_deg, self.ratio, out=out, spare=spare)
        reach *= 1.0 / self.range_m
        together = correlate(self.kind, reach, np.empty_like(reach) if spare is None else spare)
        together *= self.partial_sill
        return together


@dataclass(frozen=True)
class VariogramModel:
    """A variogram with its parameters; `a + b` is the nested model.

    Attributes
    ----------
    kind : str
        "spherical", "exponential", "gaussian", "matern32", "matern52" or "nugget".
    nugget : float
        Micro-scale variation: it is in the field, at distances shorter than any pair. [unit²]
    partial_sill : float
        What varies over distance. [unit²]
    range_m : float
        The model's own distance parameter, see `geo.geostatistics.correlation.correlation`. [m]
    noise : float
        Variance of the measurement error: it is in the laboratory, not in the field. [unit²]
    azimuth_deg : float
        Direction of the longest range, clockwise from north. [deg]
    ratio : float
        Range across that direction over the range along it, at most 1. [1]
    more : tuple of Structure
        Further structures of a nested model.

    Examples
    --------
    >>> short = VariogramModel(kind="spherical", nugget=0.3, partial_sill=0.30, range_m=200.0)
    >>> nested = short + VariogramModel(kind="spherical", partial_sill=0.26, range_m=1300.0)
    >>> round(nested.sill, 2)
    0.86
    """

    kind: str
    nugget: float = 0.0
    partial_sill: float = 0.0
    range_m: float = 1.0
    noise: float = 0.0
    azimuth_deg: float = 0.0
    ratio: float = 1.0
    more: tuple[Structure, ...] = ()

    def __post_init__(self) -> None:
        if not (self.nugget >= 0 and self.noise >= 0):
            raise KrigingError(
                f"Nugget {self.nugget:g} and noise {self.noise:g} are variances: 0 or more."
            )
        self._first()

    def __add__(self, other: VariogramModel) -> VariogramModel:
        return replace(
            self,
            nugget=self.nugget + other.nugget,
            noise=self.noise + other.noise,
            more=(*self.more, other._first(), *other.more),
        )

    def _first(self) -> Structure:
        return Structure(self.kind, self.partial_sill, self.range_m, self.azimuth_deg, self.ratio)

    @property
    def structures(self) -> tuple[Structure, ...]:
        """The parts that reach over distance."""
        return tuple(
            part
            for part in (self._first(), *self.more)
            if part.kind != "nugget" and part.partial_sill
        )

    @property
    def micro_scale(self) -> float:
        """Everything that varies in the field without reaching over distance. [unit²]"""
        parts = (self._first(), *self.more)
        return self.nugget + sum(part.partial_sill for part in parts if part.kind == "nugget")

    @property
    def structured_sill(self) -> float:
        """What varies over distance. [unit²]"""
        return sum(part.partial_sill for part in self.structures)

    @property
    def sill(self) -> float:
        """Variance of the soil itself, without measurement error. [unit²]"""
        return self.micro_scale + self.structured_sill

    def structured(
        self, a: Array, b: Array, out: Array | None = None, spare: Array | None = None
    ) -> Array:
        """Covariance of what reaches over distance, each of `a` with each of `b`. [unit²]"""
        parts = self.structures
        if not parts:
            total = lag_m(a, b, out=out, spare=spare)
            total.fill(0.0)
            return total
        total = parts[0].covariance(a, b, out, spare)
        for part in parts[1:]:
            total += part.covariance(a, b)
        return total

    def covariance(
        self, a: Array, b: Array, out: Array | None = None, spare: Array | None = None
    ) -> Array:
        """Covariance of the soil at each place of `a` with that at each of `b`. [unit²]

        The micro-scale nugget counts only where both are the same place.
        """
        total = self.structured(a, b, out, spare)
        if self.micro_scale:
            same = a[..., :, None, 0] == b[..., None, :, 0]
            same &= a[..., :, None, 1] == b[..., None, :, 1]
            total[same] += self.micro_scale
        return total

    def between_samples(self, xy: Array) -> Array:
        """Covariance of the samples with each other, measurement error included. [unit²]

        Raises
        ------
        KrigingError
            If samples lie in one place and the model has no measurement error to tell them apart.
        """
        self.check_places(xy)
        total = self.covariance(xy, xy)
        total[np.diag_indices(len(xy))] += self.noise
        return total

    def check_places(self, xy: Array) -> None:
        """Refuse samples in one place unless the model has a measurement error."""
        if self.noise > 0 or not (twins := in_place(xy)):
            return
        named = "; ".join(" and ".join(str(i + 1) for i in group) for group in twins[:3])
        raise KrigingError(
            f"Samples {named}{' and more' if len(twins) > 3 else ''} (counted from 1) lie at the "
            "same place, and this model has no measurement error. Average them, or give the model "
            "a noise above 0."
        )

    def semivariance(self, distance_m: Array) -> Array:
        """What a variogram of samples shows along the longest range; 0 at distance 0. [unit²]"""
        distance = np.asarray(distance_m, dtype=float)
        total = np.full(distance.shape, self.micro_scale + self.noise)
        for part in self.structures:
            total += part.partial_sill * (1.0 - correlation(part.kind, distance / part.range_m))
        return np.where(distance > 0, total, 0.0)


def in_place(xy: Array) -> list[list[int]]:
    """Samples that share a place, as groups of row numbers from 0."""
    order = np.lexsort(xy.T)
    same = (np.diff(xy[order], axis=0) == 0).all(axis=1)
    groups: list[list[int]] = []
    for i in np.flatnonzero(same):
        if i and same[i - 1]:
            groups[-1].append(int(order[i + 1]))
        else:
            groups.append([int(order[i]), int(order[i + 1])])
    return [sorted(group) for group in groups]
