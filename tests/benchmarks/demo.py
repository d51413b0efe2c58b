"""Block A of the demo farm: each map's skill against its true surface, beside what was promised.

Run ``python tests/benchmarks/demo.py``. Skill is 1 - MSE / MSE of the sample mean on the model
scale (natural logs, pH as it is), over a lattice of 5 m, from unrounded first-season results;
"fitted" is ordinary kriging with one exponential model by restricted likelihood, given by the
demo's specification.
"""

from __future__ import annotations

import numpy as np

from demo_geodata import fields, stations
from geo.belief.belief import believe, characterise, leave_out_each
from geo.belief.frame import frame_of
from geo.belief.prediction import predict
from geo.belief.verdicts import judge, mean_skill

FITTED = {
    "ph_w": 0.65, "oc": 0.54, "p": 0.04, "k": 0.35, "ca": 0.66, "mg": 0.86, "na": 0.74, "s": 0.12,
    "zn": 0.05, "fe": 0.10, "mn": 0.45, "cu": -0.26,
}  # fmt: skip


def main() -> None:
    """Print the table."""
    taken, outline = stations.samples("A", 1), fields.OUTLINE["A"]
    lattice, soil = fields.lattice(outline), fields.soil()
    values = {
        key: soil.measure(key, taken.xy, "A", 1) if key == "ph_w"
        else np.log(soil.measure(key, taken.xy, "A", 1))
        for key in FITTED
    }  # fmt: skip
    beliefs = believe(taken.xy, values, frame_of(outline, 25.0))
    tests = {key: leave_out_each(belief) for key, belief in beliefs.items()}
    average = mean_skill([test.skill for test in tests.values()])
    found, gains = predict(beliefs, lattice), []
    print(f"{'':5} {'verdict':>7} {'left out':>8} {'truth':>6} {'fitted':>6} {'gain':>6}")
    for key, fitted in FITTED.items():
        truth = soil.truth(key, lattice, "A", 1)
        truth = truth if key == "ph_w" else np.log(truth)
        missed = np.mean((found[key].mean - truth) ** 2)
        skill = 1 - missed / np.mean((values[key].mean() - truth) ** 2)
        verdict = judge(tests[key].skill, average, characterise(beliefs[key]).nugget)
        gains.append(skill - fitted)
        print(
            f"{key:5} {verdict:>7} {tests[key].skill:8.2f} {skill:6.2f} {fitted:6.2f} "
            f"{gains[-1]:+6.2f}"
        )
    print(
        f"mean gain {np.mean(gains):+.3f} (at least -0.03 wanted), least {min(gains):+.2f} "
        "(at least -0.10 wanted)"
    )


if __name__ == "__main__":
    main()
