"""First links of every chain: the soil test of a place, its class, and the table that names it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from geo.chain import Link, Steps
from geo.grids import Mask
from geo.lookup import properties, sources
from geo.requirements.case import Answer, Case


def chain_of(case: Case, answer: Answer) -> Steps:
    """Soil test and class of each property behind an answer, then the answer's own steps.

    A property without a mean in the place is taken at its block mean.
    """
    block = {key: case.surfaces[key].mean for key in answer.keys if case.measured(key)}

    def steps(means: Mapping[str, float], cells: Mask | None) -> tuple[Link, ...]:
        values = block | {key: value for key, value in means.items() if key in block}
        soil = [link for key in answer.keys for link in soil_links(case, key, values)]
        rule = answer.steps(values, cells) if answer.steps is not None else _inputs(answer)
        # What a decision says already is not said again.
        told = any(link.step == "decision" and link.says.rstrip(".") in answer.why for link in rule)
        why = [] if told or answer.kind == "rate" else [_why(answer)]
        return (*soil, *rule, *why)

    return steps


def _why(answer: Answer) -> Link:
    return Link("why", answer.why, sources=answer.sources, from_memory=answer.from_memory)


def soil_links(case: Case, key: str, values: Mapping[str, float]) -> Sequence[Link]:
    """The value of a property here, and the class it falls in."""
    if key not in values:
        return ()
    prop, value = properties()[key], values[key]
    unit = "" if prop.unit in ("pH", "1") else f" {prop.unit}"
    n = int(np.isfinite(case.samples(key)).sum())
    method = case.method(key)
    by = f" by {method}" if method else ""
    test = Link(
        "soil test",
        f"{prop.name} {value:.3g}{unit}{by}, mean of this place; {n} samples in the block",
        value,
        prop.unit,
    )
    return (test, *_rating_link(case, key, value, unit))


def _rating_link(case: Case, key: str, value: float, unit: str) -> Sequence[Link]:
    rated = case.ratings.block.get(key)
    if rated is None:
        return ()
    if not rated.rated:
        return (Link("rating", f"{properties()[key].name} is not rated: {rated.why}"),)
    classes = case.ratings.classes.get(key, ())
    found = next((c for c in classes if c[2] is None or value < c[2]), None)
    if found is None:
        return ()
    level, low, high, target = found
    limits = " ".join(
        part
        for part in (
            f"from {low:.3g}" if low is not None else "",
            f"below {high:.3g}" if high is not None else "",
        )
        if part
    )
    enough = ", the class that suffices" if target else ""
    return (
        Link(
            "rating",
            f"{properties()[key].name}: class {level.replace('_', ' ')} ({limits}{unit}){enough}. "
            f"{rated.why}",
            value,
            properties()[key].unit,
            tuple(rated.source.split("+")),
            rated.from_memory,
        ),
    )


def _inputs(answer: Answer) -> list[Link]:
    """The figures of an answer without a rule of its own."""
    known = sources()
    return [
        Link(
            "rule",
            f"{name}: {value:.4g} {unit}".strip()
            if isinstance(value, float)
            else f"{name}: {value}",
            sources=(source,) if source in known else (),
        )
        for name, (value, unit, source) in answer.inputs.items()
    ]
