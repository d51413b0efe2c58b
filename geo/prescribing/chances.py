"""Chance of each class, not only the class: a mean with its doubt against the limits of a table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from geo.belief.prediction import t_quantile
from geo.ratings import Classes, Rating, Ratings, class_chances
from geo.surfaces import Surface, Surfaces
from geo.surfacing.block_means import TWO_IN_THREE
from geo.zones import Zone

#: A class below this chance is not spoken of.
SPOKEN_FROM = 0.05

Chances = Mapping[str, float]


def with_chances(ratings: Ratings, surfaces: Surfaces) -> Ratings:
    """The ratings with the chance of each class of the block's mean, where it was mapped."""
    block = {
        key: _with_chances(rating, block_chances(ratings.classes[key], surfaces[key]))
        if rating.rated and key in ratings.classes and key in surfaces
        else rating
        for key, rating in ratings.block.items()
    }
    return replace(ratings, block=block)


def _with_chances(rating: Rating, chances: Chances) -> Rating:
    """A rating with its chances, also in words; what is all but sure needs none."""
    if not chances or max(chances.values()) > 1 - SPOKEN_FROM:
        return replace(rating, chances=chances)
    why = f"{rating.why} With its doubt the block's mean is {chance_words(chances)}."
    return replace(rating, chances=chances, why=why)


def block_chances(classes: Classes, surface: Surface) -> Chances:
    """Chance of each class for the block's mean; none where its doubt is not known.

    The mean is a Student t whose two-in-three range is the surface's own.
    """
    back = math.log if surface.logs and surface.mean_low > 0 else float
    half = (back(surface.mean_high) - back(surface.mean_low)) / 2
    if surface.n < 2 or not half > 0:
        return {}
    sd = half / float(t_quantile(0.5 + TWO_IN_THREE / 2, surface.n - 1))
    return _chances(classes, back(surface.mean), sd, surface.n - 1, logs=back is math.log)


def zone_chances(zone: Zone, ratings: Ratings, surfaces: Surfaces) -> Mapping[str, Chances]:
    """Property key -> chance of each class for a zone's mean."""
    found: dict[str, Chances] = {}
    for key, mean in zone.means.items():
        if key not in ratings.classes or key not in surfaces:
            continue
        dof, logs = surfaces[key].n - 1, surfaces[key].logs and mean.value > 0
        if dof < 1 or not mean.sd > 0:
            continue
        middle = math.log(mean.value) if logs else mean.value
        sd = mean.sd / mean.value if logs else mean.sd
        found[key] = _chances(ratings.classes[key], middle, sd, dof, logs=logs)
    return found


def _chances(classes: Classes, mean: float, sd: float, dof: int, *, logs: bool) -> Chances:
    found = class_chances(classes, mean, sd, float(dof), logs)
    return {level: round(float(chance), 3) for level, chance in found.items()}


def chance_words(chances: Chances) -> str:
    """The classes worth naming with their chances, the likeliest first.

    Examples
    --------
    >>> chance_words({"very_low": 0.01, "low": 0.82, "medium": 0.17})
    'low 82 in 100, medium 17 in 100'
    """
    named = sorted(chances.items(), key=lambda item: -item[1])
    return ", ".join(
        f"{level.replace('_', ' ')} {chance * 100:.0f} in 100"
        for level, chance in named
        if chance >= SPOKEN_FROM
    )
