"""What placing new spots by the decision at stake is worth against even cover, in invented blocks.

Run: python tests/benchmarks/sampling.py [blocks]. 200 take about two minutes.

Each block is an irregular pentagon of 2 to 8 ha with 15 old samples and 8 new spots to place. Its
soil is drawn from a spherical or exponential model with a range of 60 to 160 m and a nugget of 0.1
to 0.4 of the variance; the plan knows the model and the old values, not the soil. Somebody acts
below a limit that lies half a spread from the mean ("near"), or one to three spreads away
("elsewhere"; where even knowing all would be worth less than a thousandth of a spread, plans are
of even cover and ratios mean nothing, so these blocks are counted apart). The worth of a plan is
the expected value of its samples (`geo.planning.value`), over that of k-means coverage infill;
beside it what was really gained once the new spots were sampled in the drawn soil.
"""

import sys
import time

import numpy as np
import shapely
from numpy.random import default_rng

from geo.kriging import krige
from geo.planning.constraints import candidates
from geo.planning.design import coverage, onto_candidates
from geo.planning.quality import kriging_variance
from geo.planning.search import LEAST_WORTH, Ground, cover, new_spots
from geo.planning.signals import signal_of_model
from geo.planning.stakes import Stake, worth_of_plan
from geo.planning.value import value_at_limit
from geo.variogram import VariogramModel

OLD, NEW = 15, 8


def invented_block(rng):
    """A pentagon of 2 to 8 ha."""
    turn = np.sort(rng.uniform(0, 2 * np.pi, 5) * 0.3 + np.arange(5) * 2 * np.pi / 5)
    reach = rng.uniform(0.7, 1.3, 5)
    shape = shapely.Polygon(np.column_stack([reach * np.cos(turn), reach * np.sin(turn)]))
    size = np.sqrt(rng.uniform(2e4, 8e4) / shape.area)
    return shapely.transform(shape, lambda xy: xy * size)


def invented_model(rng):
    nugget = rng.uniform(0.1, 0.4)
    kind, reach = ("spherical", 1.0) if rng.random() < 0.5 else ("exponential", 1 / 3)
    return VariogramModel(kind=kind, noise=nugget, partial_sill=1 - nugget,
                          range_m=reach * rng.uniform(60, 160))  # fmt: skip


def draw_soil(model, places, rng):
    covariance = model.structured(places, places) + 1e-9 * np.eye(len(places))
    return np.linalg.cholesky(covariance) @ rng.standard_normal(len(places))


def one_block(seed, near):
    """Worth of the plan over that of k-means infill, both as expected and as it turned out."""
    rng = default_rng(seed)
    block, model = invented_block(rng), invented_model(rng)
    signal = signal_of_model(model)
    nodes = candidates(block, None, 400)
    places = candidates(block.buffer(-8), None, 1500)
    old = places[rng.choice(len(places), OLD, replace=False)]
    soil = draw_soil(model, np.vstack([nodes, places]), rng)
    truth, at_places = soil[: len(nodes)], soil[len(nodes) :]
    index = {tuple(p): i for i, p in enumerate(places)}

    def sampled(spots, noise_rng):
        chosen = [index[tuple(p)] for p in spots]
        return at_places[chosen] + noise_rng.normal(0, model.noise**0.5, len(chosen))

    values = sampled(old, rng)
    mean = krige(model, old, values, nodes).estimate
    offset = 0.5 if near else rng.uniform(1.0, 3.0)
    level = float(mean.mean() + rng.choice([-1, 1]) * offset)
    now = kriging_variance(signal, old, nodes)
    chance = np.full(len(nodes), 0.5)
    stake = Stake("ph_water", "pH", level, mean, level, now, signal, old, chance)
    ground = Ground(signal, nodes, places, old, old, 10.0)
    wanted = coverage(nodes, NEW, default_rng(seed), fixed=old)
    infill = places[onto_candidates(wanted, places, old, 10.0)]
    polished = cover(ground, NEW, default_rng(seed))
    found = new_spots(ground, NEW, [stake], default_rng(seed))
    plans = {"infill": infill, "polished": polished, "plan": found.spots}

    def gained(spots):
        later = krige(model, np.vstack([old, spots]),
                      np.concatenate([values, sampled(spots, default_rng(seed + 10**6))]),
                      nodes).estimate  # fmt: skip
        return float(np.mean((truth - level) * ((later > level).astype(float) - (mean > level))))

    everything = float(value_at_limit(mean, np.sqrt(stake.variance), level).mean())
    expected = {name: worth_of_plan([stake], spots, nodes) for name, spots in plans.items()}
    return expected, {name: gained(spots) for name, spots in plans.items()}, everything, found


def report(near, count, first_seed):
    name = "near a limit" if near else "elsewhere"
    results = [one_block(first_seed + i, near) for i in range(count)]
    told = [one for one in results if one[2] >= LEAST_WORTH]
    ratio = np.array([e["plan"] / e["infill"] for e, *_ in told])
    total = {key: sum(e[key] for e, *_ in results) for key in results[0][0]}
    real = {key: sum(g[key] for _, g, *_ in results) for key in results[0][1]}
    perfect = sum(p for _, _, p, _ in results)
    bent = sum(f.by_stake for *_, f in results)
    print(
        f"{name}: {count} blocks, {count - len(told)} with nothing at stake, {bent} plans bent to "
        "the decision"
    )
    print(
        f"  expected worth over k-means infill: sum {total['plan'] / total['infill']:.3f}, "
        f"mean of ratios {ratio.mean():.3f}, least {ratio.min():.3f}, "
        f"median {np.median(ratio):.3f}"
    )
    print(f"  even cover, polished, over k-means infill: {total['polished'] / total['infill']:.3f}")
    print(
        f"  share of perfect knowledge: infill {total['infill'] / perfect:.3f}, "
        f"plan {total['plan'] / perfect:.3f}"
    )
    print(
        f"  really gained, per block: infill {real['infill'] / count:.4f}, "
        f"plan {real['plan'] / count:.4f} spreads"
    )


if __name__ == "__main__":
    blocks = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    began = time.time()
    report(True, blocks // 2, 1000)
    report(False, blocks - blocks // 2, 5000)
    print(f"{time.time() - began:.0f} s")
