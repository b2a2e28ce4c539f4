"""By how much the flow that particles stir up changes growth, decay and turning of chains.

Films with and without it, from the same starts: equal particles with soft cores in the middle of
their kinds. The factor of a time is that without flow over that with it. Growth: from single
particles in a field, the time until the mean length is n. Decay: field off, the time in which the
mean length loses half of what it loses by the end. Turning: chains of n in a field that is turned
by 45 degrees at once, the time until they have followed by half. Rest: means of films with and
without it, which must be the same. A job goes on with new films as long as another fits into its
time, so that none is left out for being slow.

    python -m tests.benchmarks.flow_factors OUT.json --job JOB [--seconds S]   one job, see JOBS
    python -m tests.benchmarks.flow_factors FILMS OUT*.json                    the table of all

Rows must be shorter than the patch: a turning one that meets its own image is another matter.

`flow_films.jsonl` beside this file holds the films that were made, of the first ones their means
alone; `analysis/common/flow_factors.py` holds the table of growth and decay that they give.
"""

import argparse
import dataclasses
import json
import math
import time
from pathlib import Path

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from analysis.common.averages.student import ONE_SIGMA, student_factor
from sim.engines.cpu import CpuEngine
from sim.film.field_programme import FieldStage
from sim.film.placing import random_state
from sim.film.time_step import STIFFNESS_SHARE, soft_core_curvature
from tests.reference.small_systems import film, state_of, with_flow

FRACTIONS, THICKNESSES = (0.01, 0.03, 0.1), (12.0, 30.0)
THIN = 5.0
"""Where the smooth flow is narrow and dear: fewer jobs."""
LENGTHS = (1.5, 2.0, 3.0, 4.0, 6.0)
TURNED = (2, 5, 10, 20)
HIGHEST = {0.01: 3.0, 0.03: 6.0, 0.1: 6.0}
"""Mean length that a film of a volume fraction is followed to."""
JOBS = [
    *(f"growth-{f}-{h}-0" for f in FRACTIONS for h in THICKNESSES),
    *(f"growth-{f}-{THIN}-0" for f in FRACTIONS[1:]),
    *(f"decay-{f}-{h}-0" for f in (0.01, 0.1) for h in THICKNESSES),
    f"decay-0.1-{THIN}-0",
    *(f"turning-0.004-{h}-0" for h in THICKNESSES),
    *(f"rest-0.04-12.5-{part}" for part in range(2)),
]
BOND = 1.3
MANY = 12


def pair_of_systems(count, fraction, thickness, coupling, langevin):
    """Return the same film without and with flow, in plain steps."""
    dt = STIFFNESS_SHARE / float(soft_core_curvature(1.0, np.array(coupling)))
    plain = film(
        count, fraction=fraction, thickness=thickness, coupling=coupling, langevin=langevin,
        dipole_sum="mesh", tolerance=3e-3, precision="float32", dt=dt,
    )  # fmt: skip
    return plain, with_flow(plain)


def mean_length(state, system):
    """Return the number mean of chain lengths: touching, head to tail."""
    positions = state.positions.copy()
    sides = np.array([*system.sides, 3.0 * system.thickness])
    pairs = cKDTree(np.mod(positions, sides), boxsize=sides).query_pairs(
        BOND, output_type="ndarray"
    )
    i, j = pairs.T
    away = positions[j] - positions[i]
    away[:, :2] -= sides[:2] * np.rint(away[:, :2] / sides[:2])
    away /= np.linalg.norm(away, axis=1)[:, None]
    u = state.directions
    bound = np.sum(u[i] * away, axis=1) * np.sum(u[j] * away, axis=1) > 0.5
    one = np.ones(int(bound.sum()))
    graph = coo_matrix((one, (i[bound], j[bound])), shape=(system.count,) * 2)
    return system.count / connected_components(graph, directed=False)[0]


def grow(system, start, end, every, until=math.inf):
    """Return times and mean lengths until a time or a length, and the engine."""
    engine = CpuEngine(system, start, 1)
    times, lengths = [0.0], [mean_length(start, system)]
    while times[-1] < end and lengths[-1] < until:
        engine.advance(max(1, round(every / system.dt)))
        times.append(engine.step * system.dt)
        lengths.append(mean_length(engine.snapshot(), system))
    return np.array(times), np.array(lengths), engine


def another_fits(until, begun, made):
    """Say whether one more film like those made since a time of the clock ends before another."""
    now = time.perf_counter()
    return made == 0 or now + 1.1 * (now - begun) / made < until


def passed(times, values, level):
    """Return when a series first passes a level on its way up, on a straight line; else None."""
    above = np.flatnonzero(values >= level)
    if not len(above) or above[0] == 0:
        return None
    k = above[0]
    share = (level - values[k - 1]) / (values[k] - values[k - 1])
    return float(times[k - 1] + share * (times[k] - times[k - 1]))


def growth(fraction, thickness, seed, until):
    """Return the times to reach each of `LENGTHS`, without and with flow, and the first curves."""
    count = 400 if fraction > 0.05 else 256
    rows = {"stirred": [], "plain": [], "curves": {}}
    begun = time.perf_counter()
    while another_fits(until, begun, len(rows["plain"])):
        plain, stirred = pair_of_systems(count, fraction, thickness, 5.0, 12.0)
        start = random_state(plain, seed)
        for name, system in (("stirred", stirred), ("plain", plain)):
            times, lengths, _ = grow(system, start, 40.0, 0.05, 1.02 * HIGHEST[fraction])
            rows[name].append([passed(times, lengths, level) for level in LENGTHS])
            rows["curves"].setdefault(name, [times.tolist(), lengths.tolist()])
        seed += 10
        print("growth", rows["stirred"], rows["plain"])
    return rows


def decay(fraction, thickness, seed, until):
    """Return the half times of the loss of length after the field is off."""
    rows = {"stirred": [], "plain": [], "reached": [], "curves": {}}
    begun = time.perf_counter()
    while another_fits(until, begun, len(rows["plain"])):
        plain, stirred = pair_of_systems(400, fraction, thickness, 3.5, 12.0)
        start = random_state(plain, seed)
        _, lengths, engine = grow(plain, start, 6.0, 1.0)
        rows["reached"].append(float(lengths[-1]))
        grown = engine.snapshot()
        off = (FieldStage("hold", np.inf, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),)
        for name, system in (("stirred", stirred), ("plain", plain)):
            quiet = dataclasses.replace(system, field=off)
            begin = dataclasses.replace(grown, step=0, time=0.0)
            times, lengths, _ = grow(quiet, begin, 1.5, 0.02)
            last = lengths[len(lengths) * 2 // 3 :].mean()
            rows[name].append([passed(times, -lengths, -0.5 * (lengths[0] + last))])
            rows["curves"].setdefault(name, [times.tolist(), lengths.tolist()])
        seed += 10
        print("decay", rows["stirred"], rows["plain"])
    return rows


RESTING = ("dipolar", "steric", "magnetisation", "near the windows")


def rest(fraction, thickness, seed, until):
    """Return means of `RESTING` over equal spans of two films, one after the other by turns."""
    system = film(
        200, fraction=fraction, thickness=thickness, coupling=3.0, dipole_sum="mesh",
        tolerance=1e-3, precision="float32", dt=1.2e-4,
    )  # fmt: skip
    engines = {
        name: CpuEngine(one, random_state(one, seed), 1)
        for name, one in (("stirred", with_flow(system)), ("plain", system))
    }
    rows = {"stirred": [], "plain": []}
    for engine in engines.values():
        engine.advance(20000)
    begun = time.perf_counter()
    while another_fits(until, begun, len(rows["plain"])):
        for name, engine in engines.items():
            looks = []
            for _ in range(100):
                engine.advance(40)
                energy = engine.observe()
                away = np.abs(engine.snapshot().positions[:, 2] - 0.5 * thickness)
                looks.append(
                    [energy["dipolar"], energy["steric"], energy["magnetisation"][0],
                     np.mean(away > 0.5 * thickness - 1.5)]
                )  # fmt: skip
            rows[name].append(np.mean(looks, axis=0).tolist())
    return rows


def resting(results):
    """Print means with and without flow, and by how many errors they differ.

    Errors by the scatter of all spans of all films: 4000 steps each, half a diffusion time.
    """
    for at, name in enumerate(RESTING):
        told = []
        for kind in ("plain", "stirred"):
            means = np.concatenate([np.array(result[kind])[:, at] for result in results])
            told.append((np.mean(means), np.std(means, ddof=1) / math.sqrt(len(means))))
        (one, error), (other, also) = told
        print(
            f"{name}: without {one:.4f} +- {error:.4f}, with {other:.4f} +- {also:.4f}, apart "
            f"{(other - one) / math.hypot(error, also):.1f} errors, {len(means)} spans"
        )


def planted(system, n, seed):
    """Return chains of n along x at places without contact."""
    generator = np.random.default_rng(seed)
    chains = []
    shift = np.stack([np.arange(n) - 0.5 * (n - 1), np.zeros(n), np.zeros(n)], axis=1)
    sides = np.array(system.sides)
    while len(chains) < system.count // n:
        centre = generator.uniform([0, 0, 2.0], [*sides, system.thickness - 2.0])
        new = centre + shift
        if chains:
            away = new[:, None, :] - np.concatenate(chains)
            away[..., :2] -= sides * np.rint(away[..., :2] / sides)
            if np.min(np.sum(away**2, axis=-1)) < 2.0:
                continue
        chains.append(new)
    positions = np.concatenate(chains)
    positions[:, :2] = np.mod(positions[:, :2], sides)
    return state_of(positions, np.tile([1.0, 0.0, 0.0], (system.count, 1)), seed)


def angle(state, system, n):
    """Return the mean angle of the chains from x, by the direction of all their links."""
    ends = state.positions.reshape(-1, n, 3)
    links = np.diff(ends, axis=1)[..., :2]
    links -= np.array(system.sides) * np.rint(links / np.array(system.sides))
    double = 2.0 * np.arctan2(links[..., 1], links[..., 0])
    return 0.5 * math.atan2(np.sin(double).mean(), np.cos(double).mean())


def turning(fraction, thickness, seed, until):
    """Return the times until chains of `TURNED` have followed a turned field by half."""
    rows = {"stirred": [], "plain": []}
    begun = time.perf_counter()
    while another_fits(until, begun, len(rows["plain"])):
        found = {"stirred": [], "plain": []}
        for n in TURNED:
            plain, stirred = pair_of_systems(200, fraction, thickness, 8.0, 30.0)
            vector = tuple(
                float(np.linalg.norm(plain.field[0].first)) * v
                for v in (math.sqrt(0.5), math.sqrt(0.5), 0.0)
            )
            start = planted(plain, n, seed)
            for name, system in (("stirred", stirred), ("plain", plain)):
                turned = dataclasses.replace(
                    system, field=(FieldStage("hold", np.inf, vector, vector),)
                )
                engine = CpuEngine(turned, start, 1)
                times, angles = [0.0], [0.0]
                while angles[-1] < math.pi / 8.0 and times[-1] < 3.0:
                    engine.advance(max(1, round(0.001 * n / turned.dt)))
                    times.append(engine.step * turned.dt)
                    angles.append(angle(engine.snapshot(), turned, n))
                found[name].append(passed(np.array(times), np.array(angles), math.pi / 8.0))
        for name in found:
            rows[name].append(found[name])
        seed += 10
        print("turning", rows)
    return rows


def run(job, seconds):
    """Do one of `JOBS` within a time of the clock."""
    kind, fraction, thickness, part = job.split("-")
    until = time.perf_counter() + seconds
    seed = 501 + int(part)
    work = {"growth": growth, "decay": decay, "turning": turning, "rest": rest}[kind]
    found = work(float(fraction), float(thickness), seed, until)
    return {"job": job, **found}


def factors(results):
    """Return (kind, fraction, thickness, length): (factor, error, films) from raw times.

    The scatter of ln(factor) from film to film is taken to be that of all entries of a kind, as
    few films tell none of their own, but where there are `MANY`; it is widened by Student's factor.
    """
    grouped, told, squares, freedom = {}, {}, {}, {}
    for result in results:
        kind, fraction, thickness, _ = result["job"].split("-")
        lengths = {"growth": LENGTHS, "turning": TURNED, "decay": (0,)}[kind]
        if "films" in result:  # of which no more was kept than their factors and their scatter
            films = result["films"]
            for length, factor in zip(lengths, result["factors"], strict=False):
                key = kind, float(fraction), float(thickness), length
                grouped.setdefault(key, []).extend([math.log(factor)] * films)
                squares[kind] = squares.get(kind, 0.0) + (films - 1) * result["scatter"] ** 2
                freedom[kind] = freedom.get(kind, 0) + films - 1
            continue
        for slow, fast in zip(result["plain"], result["stirred"], strict=True):
            for length, a, b in zip(lengths, slow, fast, strict=True):
                if a is not None and b is not None:
                    key = kind, float(fraction), float(thickness), length
                    told.setdefault(key, []).append(math.log(a / b))
    for key, logs in told.items():
        grouped.setdefault(key, []).extend(logs)
        squares[key[0]] = squares.get(key[0], 0.0) + np.sum((np.array(logs) - np.mean(logs)) ** 2)
        freedom[key[0]] = freedom.get(key[0], 0) + len(logs) - 1
    found = {}
    for kind in sorted(freedom):
        mine = {key: logs for key, logs in sorted(grouped.items()) if key[0] == kind}
        scatter = math.sqrt(squares[kind] / freedom[kind])
        scatter *= student_factor(ONE_SIGMA, freedom[kind])
        for key, logs in mine.items():
            value, spread = math.exp(np.mean(logs)), scatter
            own = told.get(key, ())
            if len(own) >= MANY:
                spread = np.std(own, ddof=1) * student_factor(ONE_SIGMA, len(own) - 1)
            found[key] = value, float(value * spread / math.sqrt(len(logs))), len(logs)
    return found


def main():
    """Run one job, or print the table of several."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, nargs="*")
    parser.add_argument("--job", choices=JOBS)
    parser.add_argument("--seconds", type=float, default=150.0)
    given = parser.parse_args()
    if given.job:
        given.out[0].write_text(json.dumps(run(given.job, given.seconds)) + "\n")
        return
    results = [json.loads(line) for path in given.out for line in path.open()]
    still = [result for result in results if result["job"].startswith("rest")]
    if still:
        resting(still)
    results = [result for result in results if not result["job"].startswith("rest")]
    for (kind, fraction, thickness, length), (value, error, films) in factors(results).items():
        print(f"{kind} {fraction} {thickness} {length} {value:.3f} +- {error:.3f} ({films} films)")


if __name__ == "__main__":
    main()
