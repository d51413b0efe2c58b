"""Time and memory of kriging beside PyKrige, both in one run. By hand:

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/kriging.py

Each figure comes from a process of its own: CPU seconds of the kriging call, and how far the
resident memory rose above what stood before the call, the answer itself included. CPU seconds are
robust against other work on the machine; what counts is the ratio.
"""

import json
import resource
import subprocess
import sys
import time

import numpy as np

from geo.geostatistics.inverse_distance import inverse_distance
from geo.kriging import krige
from geo.variogram import VariogramModel

MODEL = VariogramModel(kind="spherical", nugget=0.05, partial_sill=0.2, range_m=90.0)
PARAMETERS = {"psill": 0.2, "range": 90.0, "nugget": 0.05}
CORNER = np.array([500_000.0, 6_200_000.0])
#: name: samples, cells along a side, properties, neighbours
CASES = {
    "n = 38, 1,000,000 cells": (38, 1000, 1, None),
    "n = 30, 40,000 cells, 12 properties": (30, 200, 12, None),
    "n = 500, 40,000 cells": (500, 200, 1, None),
    "n = 5,000, 40,000 cells, 16 neighbours": (5000, 200, 1, 16),
}


def survey(samples: int, side: int, properties: int):
    rng = np.random.default_rng(1)
    xy = CORNER + rng.uniform(0, 400, (samples, 2))
    return xy, rng.normal(6, 1, (samples, properties)), np.linspace(0, 400, side)


def by_soilquilt(xy, values, axis, neighbours):
    x, y = np.meshgrid(CORNER[0] + axis, CORNER[1] + axis)
    targets = np.column_stack([x.ravel(), y.ravel()])
    got = krige(MODEL, xy, values, targets, neighbours=neighbours)
    return got.estimate[:, 0], got.variance


def by_pykrige(xy, values, axis, neighbours):
    from pykrige.ok import OrdinaryKriging

    # Its search for neighbours comes with its loops only.
    choice = {"backend": "C", "n_closest_points": neighbours} if neighbours else {}
    first = None
    for column in values.T:
        peer = OrdinaryKriging(
            *xy.T, column, variogram_model="spherical", variogram_parameters=PARAMETERS
        )
        found = peer.execute("grid", CORNER[0] + axis, CORNER[1] + axis, **choice)
        first = found if first is None else first
    return tuple(np.asarray(part).ravel() for part in first)


def by_inverse_distance(xy, values, axis, _neighbours):
    x, y = np.meshgrid(CORNER[0] + axis, CORNER[1] + axis)
    targets = np.column_stack([x.ravel(), y.ravel()])
    return inverse_distance(xy, values, targets)[:, 0], np.zeros(len(targets))


TOOLS = {
    "soilquilt": by_soilquilt,
    "PyKrige": by_pykrige,
    "inverse distance": by_inverse_distance,
}


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure(tool: str, case: str) -> None:
    """Run one tool on one case and print what it took, with a few answers to compare."""
    samples, side, properties, neighbours = CASES[case]
    xy, values, axis = survey(samples, side, properties)
    TOOLS[tool](xy[:40], values[:40], axis[:: side // 10], neighbours)  # imports and first use
    before, start = peak_mb(), time.process_time()
    estimate, variance = TOOLS[tool](xy, values, axis, neighbours)
    took, rose = time.process_time() - start, peak_mb() - before
    few = slice(None, None, side * side // 50)
    said = {"estimate": estimate[few].tolist(), "variance": variance[few].tolist()}
    print(json.dumps({"cpu_s": took, "mb": rose} | said))


def main() -> None:
    print(f"{'case':40s}{'tool':18s}{'CPU s':>9s}{'MB':>9s}{'PyKrige / this':>24s}")
    for case in CASES:
        got = {}
        for tool in TOOLS:
            command = [sys.executable, __file__, tool, case]
            got[tool] = json.loads(subprocess.check_output(command, text=True))
        peer = got["PyKrige"]
        for tool, figures in got.items():
            ratio = peer["cpu_s"] / figures["cpu_s"], peer["mb"] / max(figures["mb"], 0.1)
            line = f"{case:40s}{tool:18s}{figures['cpu_s']:9.3f}{figures['mb']:9.1f}"
            print(f"{line}{ratio[0]:12.1f} x{ratio[1]:8.1f} x")
        for part in ("estimate", "variance"):
            gap = np.abs(np.array(peer[part]) / np.array(got["soilquilt"][part]) - 1).max()
            print(f"{'':40s}largest relative gap to PyKrige, {part}: {gap:.1e}")


if __name__ == "__main__":
    measure(*sys.argv[1:]) if len(sys.argv) > 1 else main()
