"""How often zones are offered, and what they save against the truth, on simulated blocks.

Run: python tests/benchmarks/zones.py [surveys a line]. Each survey has six properties correlated
0.3 on a block of 2, 3 or 4 ha; the requirement is max(0, 0.5 - z), too little costs twice too much.
Printed beside each figure: what trials of the same rule gave on 12.5 m cells, zones not made
drivable (two zones at most; standard errors .01-.02 on losses, 2-5 points on shares).
"""

import sys
import time
from dataclasses import dataclass

import numpy as np
from scipy.cluster.vq import kmeans2
from shapely import box

from geo.belief.belief import believe, leave_out_each
from geo.belief.draws import draw
from geo.belief.frame import frame_of
from geo.belief.verdicts import judge, mean_skill
from geo.grids import Grid, grid_over
from geo.zoning.choice import Product, choose_split
from geo.zoning.drivable import Footprint
from geo.zoning.loss import highest_rate, loss_by_draw, loss_curves, rates_to_set

SHORT, OVER = 2.0, 1.0
CELL_M = 5.0
SIZES = (15, 30)

#: Family -> (share zoned [%], loss relative to one rate) for n = 15, 30.
TARGETS = {
    "pure nugget": ((5, 1.01), (3, 1.01)),
    "structured": ((34, 0.928), (68, 0.843)),
    "step": ((84, 0.705), (95, 0.564)),
    "trend + residual": ((94, 0.694), (99, 0.640)),
}


@dataclass
class Tally:
    """Surveys of one line of the table."""

    zoned: int = 0
    fields: int = 0
    zoned_of_four: int = 0
    loss: float = 0.0
    loss_of_four: float = 0.0
    uniform: float = 0.0


def spherical(distance, range_m):
    reach = np.minimum(distance / range_m, 1.0)
    return 1 - 1.5 * reach + 0.5 * reach**3


def signal(family, places, middle, side_m, rng):
    """Six correlated fields without nugget (6, places), and the share of nugget."""
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    if family == "pure nugget":
        return np.zeros((6, len(places))), 1.0
    if family == "structured":
        nugget, sill, range_m = rng.choice([0.2, 0.4, 0.6]), None, rng.choice([60.0, 90.0, 120.0])
        sill = 1 - nugget
    elif family == "step":
        nugget, sill, range_m = 0.45, 0.1, 75.0
    else:
        nugget, sill, range_m = 0.30, 0.25, 60.0
    root = np.linalg.cholesky(spherical(distance, range_m) + 1e-8 * np.eye(len(places)))
    noise = correlated(rng, len(places))
    field = np.sqrt(sill) * noise @ root.T
    along = directions(rng) @ (places - middle).T
    if family == "step":
        field += 1.34 * (along > 0)
    elif family == "trend + residual":
        field += np.sqrt(0.45) * along / (side_m / np.sqrt(12))
    return field, nugget


def correlated(rng, count):
    """Six rows of standard normal numbers, correlated 0.3."""
    return np.sqrt(0.3) * rng.normal(size=(1, count)) + np.sqrt(0.7) * rng.normal(size=(6, count))


def directions(rng):
    angle = rng.uniform(0, 2 * np.pi, 6)
    return np.column_stack([np.cos(angle), np.sin(angle)])


def survey(family, n, rng, tally):
    side_m = np.sqrt(rng.choice([2, 3, 4]) * 1e4)
    block = box(0, 0, side_m * 1.25, side_m / 1.25)
    grid = grid_over(block, "EPSG:32734", CELL_M)
    cells = grid.cells()
    samples = kmeans2(cells, n, seed=rng, minit="points")[0] + rng.normal(0, 5, (n, 2))
    samples = np.clip(samples, 0.5, np.array(block.bounds[2:]) - 0.5)
    places = np.vstack([samples, cells])
    fields, nugget = signal(family, places, cells.mean(axis=0), side_m, rng)
    measured = fields[:, :n] + np.sqrt(nugget) * correlated(rng, n)
    beliefs = believe(samples, dict(enumerate(measured)), frame_of(block))
    tests = {key: leave_out_each(belief) for key, belief in beliefs.items()}
    common = mean_skill([test.skill for test in tests.values()])
    for key in (0, 3):
        nugget_weight = beliefs[key].weights[0]
        verdict = judge(tests[key].skill, common, nugget_weight)
        z = draw(beliefs[key], cells, 400, rng)
        settle(np.maximum(0, 0.5 - z), np.maximum(0, 0.5 - fields[key, n:]), verdict, grid, tally)


def settle(draws, truth, verdict, grid: Grid, tally: Tally):
    draws = draws.astype(np.float32)
    rates = rates_to_set(highest_rate(draws, SHORT / (SHORT + OVER)), 0.02, 0.0, None)
    product = Product(draws, loss_curves(draws, rates, SHORT, OVER), SHORT, OVER)
    # One swath of 5 m, 5.6 km/h, 3 s to change the rate; 0.1 ha.
    footprint = Footprint(1, 3, 2, 0, 0.1e4 / CELL_M**2)
    two, four = (
        choose_split([product], grid.inside, footprint, most, believed=verdict != "none").chosen
        for most in (2, 4)
    )
    tally.fields += 1
    tally.zoned += two.count > 1
    tally.zoned_of_four += four.count > 1
    one = np.zeros(len(truth), dtype=np.int64)
    for labels, name in ((two.labels, "loss"), (four.labels, "loss_of_four"), (one, "uniform")):
        rate = product.rates(labels)[labels]
        found = loss_by_draw(truth[None].astype(np.float32), rate, SHORT, OVER)[0]
        setattr(tally, name, getattr(tally, name) + found)


def main(surveys: int) -> None:
    print(" " * 30, "two zones at most; trials      up to four")
    print(f"{'field':18} {'n':>3} {'fields':>6}  zoned  loss   zoned  loss   zoned  loss")
    for family, targets in TARGETS.items():
        for n, (zoned, loss) in zip(SIZES, targets, strict=True):
            start, tally = time.perf_counter(), Tally()
            for seed in range(surveys):
                survey(family, n, np.random.default_rng([seed, n]), tally)
            share, share_of_four = (
                100 * count / tally.fields for count in (tally.zoned, tally.zoned_of_four)
            )
            print(
                f"{family:18} {n:3} {tally.fields:6} {share:5.0f}%"
                f" {tally.loss / tally.uniform:6.3f} {zoned:5}% {loss:6.3f} {share_of_four:5.0f}%"
                f" {tally.loss_of_four / tally.uniform:6.3f}   {time.perf_counter() - start:.0f} s",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
