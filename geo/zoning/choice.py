"""Is K zones better than one? Expected loss over the draws decides; nothing else does."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geo.grids import Array, Mask
from geo.zoning.breaks import rate_breaks
from geo.zoning.drivable import Footprint, make_drivable
from geo.zoning.loss import Draws, LossCurves, loss_by_draw

Labels = NDArray[np.int64]

#: Zones must save this share of the loss of one rate, and save anything with this chance.
LEAST_SAVING_PCT = 5.0
LEAST_CHANCE = 0.6
SHOWN_CHANCE = 0.8


@dataclass(frozen=True)
class Product:
    """One amendment as zoning sees it.

    `worth` brings the losses of several products to one measure; for one product it is 1.
    """

    draws: Draws
    curves: LossCurves
    cost_too_little: float
    cost_too_much: float
    worth: float = 1.0

    def rates(self, labels: Labels) -> Array:
        """Best rate of each zone 0, 1, ...; NaN for a zone without cells. [kg/ha]"""
        return np.array(
            [
                self.curves.rates[self.curves.best_of(labels == zone)]
                if (labels == zone).any()
                else np.nan
                for zone in range(int(labels.max()) + 1)
            ]
        )

    def price(self, labels: Labels) -> Array:
        """Expected loss of every cell in every zone (zones, cells); inf in a zone without cells."""
        cost = np.full((int(labels.max()) + 1, len(labels)), np.inf)
        for zone in np.unique(labels):
            cost[zone] = self.worth * self.curves.loss[:, self.curves.best_of(labels == zone)]
        return cost

    def loss(self, labels: Labels) -> Array:
        """Loss of the block in each draw, every zone at its best rate. Shape (draws,)."""
        rate = self.rates(labels)[labels]
        return self.worth * loss_by_draw(self.draws, rate, self.cost_too_little, self.cost_too_much)


@dataclass(frozen=True)
class Split:
    """A way to split the block, and what it saves against one rate.

    `labels` number the zones 0, 1, ... without a gap; `loss` is the block's in each draw;
    `undriven_pct` is what the classes would have saved before they were made drivable.
    """

    labels: Labels
    loss: Array
    saving_pct: float
    chance: float
    undriven_pct: float = 0.0

    @property
    def count(self) -> int:
        """Number of zones."""
        return int(self.labels.max()) + 1


@dataclass(frozen=True)
class Choice:
    """Splits accepted one after another, the first being one zone, and the best that was not."""

    accepted: tuple[Split, ...]
    refused: Split | None

    @property
    def chosen(self) -> Split:
        """The last split accepted."""
        return self.accepted[-1]

    @property
    def close(self) -> bool:
        """So near the limits that other draws might decide otherwise: 4-6 %, or 0.55-0.65."""
        deciding = self.chosen if self.chosen.count > 1 else self.refused
        return deciding is not None and (
            4.0 <= deciding.saving_pct <= 6.0
            or (deciding.saving_pct > 4.0 and 0.55 <= deciding.chance <= 0.65)
        )


Breaks = Callable[[int], Sequence[Labels]]


def choose_split(
    products: Sequence[Product],
    inside: Mask,
    footprint: Footprint,
    most: int,
    *,
    breaks: Breaks | None = None,
    believed: bool = True,
) -> Choice:
    """Drivable splits into 1, 2, ... zones, accepted while each saves enough over the last.

    Parameters
    ----------
    products : sequence of Product
        One, or all that the common map must serve.
    inside : bool array
    footprint : Footprint
    most : int
        Most zones.
    breaks : callable, optional
        Gives the classes to begin with, for 1 to `most`; by default the best breaks of the first
        product's rates.
    believed : bool
        False where the surfaces show no pattern: then no split is accepted.
    """
    start = breaks(most) if breaks else rate_breaks(products[0].curves, most)
    one = _split(products, np.zeros(int(inside.sum()), dtype=np.int64), None)
    accepted, refused = [one], None
    for classes in start[1:]:
        labels = make_drivable(
            classes, inside, lambda cells: sum_prices(products, cells), footprint
        )
        split = _split(products, np.unique(labels, return_inverse=True)[1], one.loss)
        if split.count == 1:
            continue
        undriven = sum_prices(products, classes)[classes, np.arange(len(classes))].mean()
        undriven_pct = 100 * _share(float(one.loss.mean() - undriven), float(one.loss.mean()))
        split = replace(split, undriven_pct=undriven_pct)
        last = accepted[-1]
        gain = 100 * _share(last.loss.mean() - split.loss.mean(), one.loss.mean())
        chance = float((split.loss < last.loss).mean())
        if believed and gain >= LEAST_SAVING_PCT and chance >= LEAST_CHANCE:
            accepted.append(split)
        elif refused is None or split.saving_pct > refused.saving_pct:
            refused = split
    return Choice(tuple(accepted), refused)


def sum_prices(products: Sequence[Product], labels: Labels) -> Array:
    """Expected loss of every cell in every zone, over all products."""
    return np.asarray(np.sum([product.price(labels) for product in products], axis=0))


def _split(products: Sequence[Product], labels: Labels, uniform: Array | None) -> Split:
    loss = np.sum([product.loss(labels) for product in products], axis=0)
    if uniform is None:
        return Split(labels, loss, 0.0, 0.0)
    saving = 100 * _share(float(uniform.mean() - loss.mean()), float(uniform.mean()))
    return Split(labels, loss, saving, float((loss < uniform).mean()))


def _share(part: float, whole: float) -> float:
    return part / whole if whole > 0 else 0.0
