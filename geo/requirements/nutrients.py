"""Build-up and maintenance, the form that phosphorus, potassium and magnesium share.

rate = (norm - soil test) x kg/ha per mg/kg / years + removal x yield, in kg/ha of the element.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geo.chain import row_words
from geo.grids import Array
from geo.lookup import Tables
from geo.requirements.shared import Layer, figure, method_is, within

#: Cells that tell the rows of the norms apart.
NORM_CELLS = (
    "key", "crop", "method", "clay_from", "clay_below", "ph_kcl_from", "ph_kcl_below", "norm",
)  # fmt: skip


@dataclass(frozen=True)
class Norm:
    """What a soil test of a crop should reach, by one extractant.

    `norm` is the build-up target, `most` the level above which nothing is given (None if the
    source states none). [mg/kg] `row` says where the row stands.
    """

    key: str
    norm: float
    most: float | None
    method: str
    source: str
    verified: str
    note: str
    row: str = ""

    @property
    def from_memory(self) -> bool:
        """Whether the row is from memory."""
        return self.verified == "memory"


def find_norm(
    key: str,
    crop: str,
    method: str,
    clay_pct: float | None,
    ph_kcl: float | None,
    tables: Tables | None = None,
) -> Norm | None:
    """The default norm of a crop for the extractant the laboratory used; None if none is held.

    Unknown texture takes the lightest soil's norm, unknown pH(KCl) the middle class: less is
    given, not more.
    """
    for row in (tables or Tables()).rows("nutrient_norms"):
        fits = (
            (row["key"], row["crop"], row["is_default"]) == (key, crop, "1")
            and method_is(method, row["method"])
            and within(0.0 if clay_pct is None else clay_pct, row["clay_from"], row["clay_below"])
            and within(5.5 if ph_kcl is None else ph_kcl, row["ph_kcl_from"], row["ph_kcl_below"])
        )
        if fits:
            return Norm(
                key,
                float(row["norm"]),
                float(row["most"]) if row["most"] else None,
                row["method"],
                row["source"],
                row["verified"],
                row["note"],
                row_words("nutrient_norms", row, *NORM_CELLS),
            )
    return None


@dataclass(frozen=True)
class Removal:
    """What a tonne of crop takes away. [kg/t]"""

    kg_per_t: float
    source: str
    from_memory: bool


def crop_removal(crop: str, element: str, tables: Tables | None = None) -> Removal | None:
    """Default removal of a crop; None if none is held: no other crop's is borrowed."""
    for row in (tables or Tables()).rows("crop_removal"):
        wanted = (crop, element, "removal", "1")
        if (row["crop"], row["element"], row["basis"], row["is_default"]) == wanted:
            return Removal(float(row["value"]), row["source"], row["verified"] == "memory")
    return None


def build_up_kg_ha(soil_test: Array, norm: float, layer: Layer, years: float) -> Array:
    """Element a year that lifts the soil test to its norm by mass balance. [kg/ha]

    Examples
    --------
    >>> round(float(build_up_kg_ha(22, 30, Layer(30, 1.5), years=1)))
    36
    """
    gap = np.maximum(norm - np.asarray(soil_test, dtype=float), 0.0)
    return np.asarray(gap * (layer.kg_ha_per_mg_kg / years))


def with_removal_kg_ha(
    build_up: Array, soil_test: Array, norm: float, removal_kg_ha: float, treated_share: float
) -> Array:
    """Build-up per treated area and removal per block area, together per block hectare. [kg/ha]

    Removal is made good only where build-up is due: above the norm the soil carries the crop.
    """
    due = np.asarray(soil_test, dtype=float) < norm
    return np.asarray(build_up * treated_share + np.where(due, removal_kg_ha, 0.0))


def build_up_years(key: str, tables: Tables | None = None) -> float:
    """Years over which build-up is spread. [years]"""
    return figure("nutrient_rates", f"build_years_{key}", tables).value
