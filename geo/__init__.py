"""From GPS-tagged soil tests to maps with their doubt, drivable zones, and rates with sources.

The flow, one way down::

    lab file + GPS points -> intake -> checks -> ratings -> surfaces -> requirements
        -> zones -> prescription -> export / maps

`intake` reads what laboratory and field send, in house units, and stores nothing. `farm` keeps the
farm folder. `checks` says what is usable and what is open. `ratings` puts each value against the
published table of its own method. `surfaces` krige each property, averaged over many models, with
a verdict on whether the map is worth believing. `requirements` put the belief, draw by draw,
through the rules of agronomy. `zones` split the block where the rate should differ and make the
pieces drivable. `prescription` picks each zone's rate by what too little and too much cost.
`export` writes what a spreader, a GIS or a person reads. `run_season` is all of it in one call.
`compare_records` sets two seasons of a block against each other.
"""

from __future__ import annotations

import importlib
from typing import Any

#: Public names in the order of the flow, with the module each lives in. They load when first used,
#: so that `soilquilt --help` need not wait for numpy.
_HOME = {
    "Settings": "geo.settings",
    "Block": "geo.blocks",
    "Finding": "geo.findings",
    "SampleSet": "geo.intake.samples",
    "CheckedSamples": "geo.checks",
    "check_samples": "geo.checks",
    "Ratings": "geo.ratings",
    "rate_samples": "geo.ratings",
    "VariogramModel": "geo.variogram",
    "empirical_variogram": "geo.variogram",
    "fit_variogram": "geo.variogram",
    "restricted_log_likelihood": "geo.variogram",
    "krige": "geo.kriging",
    "leave_one_out": "geo.crossvalidation",
    "Surface": "geo.surfaces",
    "krige_surfaces": "geo.surfaces",
    "Requirement": "geo.requirements.draws",
    "find_requirements": "geo.requirements.draws",
    "ZoneMap": "geo.zones",
    "delineate_zones": "geo.zones",
    "Prescription": "geo.prescription",
    "prescribe": "geo.prescription",
    "Changes": "geo.compare",
    "compare_records": "geo.compare",
    "Season": "geo.season",
    "run_season": "geo.season",
    "SamplePlan": "geo.sampling",
    "plan_block": "geo.sampling",
    "write_season": "geo.export.folder",
}
__all__ = [
    "Block",
    "Changes",
    "CheckedSamples",
    "Finding",
    "Prescription",
    "Ratings",
    "Requirement",
    "SamplePlan",
    "SampleSet",
    "Season",
    "Settings",
    "Surface",
    "VariogramModel",
    "ZoneMap",
    "check_samples",
    "compare_records",
    "delineate_zones",
    "empirical_variogram",
    "find_requirements",
    "fit_variogram",
    "krige",
    "krige_surfaces",
    "leave_one_out",
    "plan_block",
    "prescribe",
    "rate_samples",
    "restricted_log_likelihood",
    "run_season",
    "write_season",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'geo' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)
