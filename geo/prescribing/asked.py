"""A requirement with the product that meets it, and the chain from the one to the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.chain import Link, kg_words
from geo.materials import ELEMENT_OF, Material
from geo.reasons import About, reasons_about
from geo.requirements.draws import Requirement
from geo.zoning.loss import loss_by_draw, quantiles_of

Cells = NDArray[np.bool_]

TWO_IN_THREE = (1 / 6, 5 / 6)


@dataclass(frozen=True)
class Asked:
    """A requirement, the product that meets it, and its draws less what other products bring."""

    requirement: Requirement
    material: Material
    draws: NDArray[np.float32]

    @property
    def content(self) -> float:
        """What one kg of product counts. [kg/kg]"""
        return self.material.content(self.requirement.amendment)

    @property
    def cap_kg_ha(self) -> float | None:
        """Most product of one pass per block hectare; the cap itself is per treated hectare."""
        cap = self.requirement.cap_kg_ha
        return None if cap is None else cap * self.requirement.treated_share / self.content

    def product_kg_ha(self, cells: Cells) -> tuple[float, float, float]:
        """Low, chosen and high requirement of some cells, over places and draws, as product."""
        levels = (TWO_IN_THREE[0], self.requirement.quantile, TWO_IN_THREE[1])
        low, middle, high = quantiles_of(self._at(cells), levels) / self.content
        return float(low), float(middle), float(high)

    def _at(self, cells: Cells) -> NDArray[np.float32]:
        return self.draws if cells.all() else self.draws[:, cells]

    def loss(self, cells: Cells, product_kg_ha: float) -> float:
        """Expected loss of cells at a rate, summed over them."""
        rate = np.full(int(cells.sum()), product_kg_ha * self.content)
        short, over = self.requirement.cost_too_little, self.requirement.cost_too_much
        return float(loss_by_draw(self._at(cells), rate, short, over).mean() * cells.sum())


def soil_chain(
    requirement: Requirement, means: Mapping[str, float], cells: Cells | None
) -> tuple[Link, ...]:
    """From the soil test to what the rule asks at the mean values of a zone."""
    return requirement.steps(means, cells) if requirement.steps is not None else ()


def product_chain(
    asked: Asked,
    cells: Cells,
    need: float,
    rate: float,
    passes: Sequence[float],
    said: Sequence[str],
) -> tuple[Link, ...]:
    """From the rule over places and draws to the rate as spread."""
    requirement, material = asked.requirement, asked.material
    pure, unit = need * asked.content, requirement.unit
    draws, places = asked.draws.shape[0], int(cells.sum())
    links = [
        Link(
            "quantile",
            f"The rule over {places} places and {draws} draws of the maps, doubt and all: "
            f"{100 * requirement.quantile:.0f} % of them ask for no more than {kg_words(pure)} "
            f"{unit} (too little costs {requirement.cost_too_little:g}, too much "
            f"{requirement.cost_too_much:g})",
            pure,
            unit,
            (requirement.cost_source,),
        ),
        Link(
            "product",
            f"{material.name}: {_content_words(asked)}; {kg_words(pure)} / {asked.content:.3g} = "
            f"{kg_words(need)} kg/ha of product",
            need,
            "kg/ha",
            (material.source,),
            material.from_memory,
        ),
    ]
    if asked.cap_kg_ha is not None:
        over = need > asked.cap_kg_ha
        links.append(
            Link(
                "cap",
                f"One pass may carry {kg_words(asked.cap_kg_ha)} kg/ha of product: "
                + ("capped" if over else "not reached"),
                asked.cap_kg_ha,
                "kg/ha",
                (requirement.cap_source,),
            )
        )
    links += [Link("least", text.rstrip(".")) for text in reasons_about(said, About.LEAST)]
    links.append(Link("rounding", f"Set on the spreader: {rate:g} kg/ha", rate, "kg/ha"))
    if len(passes) > 1:
        parts = " + ".join(f"{one:g}" for one in passes)
        links.append(Link("passes", f"{parts} kg/ha, a new soil test before each after the first"))
    return tuple(links)


def _content_words(asked: Asked) -> str:
    """What of a product counts, in words."""
    name, material = asked.requirement.amendment, asked.material
    moist = f", {material.moisture_pct:g} % water" if material.moisture_pct else ""
    if name in ("lime", "gypsum"):
        word = "effective neutralizing value" if name == "lime" else "purity"
        return f"{word} {material.effective_pct or 0:g} %{moist}"
    element = ELEMENT_OF[name]
    return f"{element.capitalize()} {material.analysis.get(element, 0.0):g} %{moist}"
