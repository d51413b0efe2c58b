"""What the spreader can do: rates it can be set to, and the zones it can follow."""

from __future__ import annotations

import math
from collections.abc import Mapping

from geo.blocks import Block
from geo.requirements.draws import Requirement
from geo.settings import Settings, SpreaderSettings
from geo.zoning.choice import Product
from geo.zoning.criteria import HECTARE_M2
from geo.zoning.drivable import Footprint
from geo.zoning.loss import highest_rate, loss_curves, rates_to_set

#: Least a spreader throws evenly, in the unit of the draws; common practice: lime about 1 t/ha,
#: fertiliser 60-80 kg/ha, of which a nutrient is a part (potassium sulfate 42 % K, phosphate
#: 22 % P, kieserite 16 % Mg, urea 46 % N). Trace elements are blended or sprayed: no least. [kg/ha]
LEAST_RATE_KG_HA: Mapping[str, float] = {
    "lime": 1000.0,
    "gypsum": 60.0,
    "sulfur": 60.0,
    "potassium": 25.0,
    "phosphorus": 13.0,
    "magnesium": 9.0,
    "nitrogen": 28.0,
}


def product_of(
    requirement: Requirement, step_kg_ha: float, minimum_kg_ha: float | None = None
) -> Product:
    """A requirement as zoning sees it: expected loss of each cell at each rate that can be set.

    The least rate and the cap hold on the treated strip; draws and rates are per block hectare.
    """
    share = requirement.treated_share
    least = LEAST_RATE_KG_HA.get(requirement.amendment, 0.0)
    rates = rates_to_set(
        highest_rate(requirement.draws, requirement.quantile),
        step_kg_ha,
        (least if minimum_kg_ha is None else minimum_kg_ha) * share,
        None if requirement.cap_kg_ha is None else requirement.cap_kg_ha * share,
    )
    short, over = requirement.cost_too_little, requirement.cost_too_much
    curves = loss_curves(requirement.draws, rates, short, over)
    return Product(requirement.draws, curves, short, over)


def footprint_of(block: Block, settings: Settings, spacing_m: float) -> Footprint:
    """What the machine asks of zones in this block, in cells of that size.

    Voting length 2 x speed x time to change the rate, shortest stretch 3 x; by hand neither lags.
    """
    spreader = settings.spreader_of(block.name)
    lag_m = 0.0 if spreader.by_hand else spreader.speed_kmh / 3.6 * spreader.transition_s
    headland = block.site.headland_m
    headland_m = 1.5 * spreader.width_m if headland is None else headland

    def cells(length_m: float) -> int:
        return max(1, math.ceil(length_m / spacing_m - 1e-9))

    return Footprint(
        across=cells(spreader.width_m),
        along=cells(max(3 * lag_m, spreader.width_m)),
        vote_along=cells(max(2 * lag_m, spreader.width_m)),
        headland=0 if spreader.by_hand else cells(headland_m),
        smallest_piece=smallest_piece_ha(spreader) * HECTARE_M2 / spacing_m**2,
    )


def smallest_piece_ha(spreader: SpreaderSettings) -> float:
    """Smallest piece worth driving: 0.1 ha or five squares of the swath, unless set. [ha]"""
    if spreader.minimum_piece_ha is not None:
        return spreader.minimum_piece_ha
    return max(0.1, 5 * spreader.width_m**2 / HECTARE_M2)
