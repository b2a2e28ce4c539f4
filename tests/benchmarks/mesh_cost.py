"""Cost of the mesh sum beside a cut-off of 6, by the number of particles; one thread.

Run from the top of the project:
    python -m tests.benchmarks.mesh_cost [--counts 1000 20000] [--tolerances 1e-3] [--library]

Films of 3 % of spheres, 20 diameters thick, random, single precision. Each row is one run on one
machine: read the ratios. "step" is the engine's whole step with the cut-off, "cut-off" its pair
loop, "near" the same loop with the screened law within the plan's range, on lists with the
engine's margin. The ratios put that loop and the smooth part in place of the cut-off's.
--library adds the transforms of finufft (pip install finufft), a well-kept
library of non-uniform transforms, with the same wave numbers and tolerance: three charges in,
three fields and six gradients out, on the faster of its two grids.
"""

import argparse
import math
import statistics
import time

import numba
import numpy as np
from numba import njit, prange

from sim.engines.cpu import CpuEngine
from sim.interactions.mesh import SlabMesh, plan_mesh, screening_table
from sim.kernels.layout import BLOCKS
from sim.kernels.lists import block_bounds
from sim.kernels.pair_laws import soft_core_push
from sim.kernels.pair_sums import pair_sums
from sim.kernels.rows import RADIUS, unit_of
from sim.kernels.screened_law import screened_radial
from sim.kernels.vector import spread
from sim.kernels.vector_rows import WORDS, load_rows, store_sums, wrapped_difference
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film, parts_of, random_film

u64 = np.uint64
THICKNESS = 20.0
REPEATS = 5
STEPS = 20


@njit(error_model="numpy")
def screened_sums(first, end, rows, words, neighbours, patch, laws, table, sums):
    """Fill sums as `pair_sums` does, with the screened law and equal sizes."""
    x_unit = rows.dtype.type(unit_of(patch.side_x, rows))
    y_unit = rows.dtype.type(unit_of(patch.side_y, rows))
    z_unit = rows.dtype.type(unit_of(patch.period_z, rows))
    cutoff2 = laws.cutoff * laws.cutoff
    lanes = u64(64 // rows.itemsize)
    for i in range(first, end):
        at = u64(WORDS * i)
        x, y, z = words[at], words[at + u64(1)], words[at + u64(2)]
        size = rows[at + u64(RADIUS)] + rows[at + u64(RADIUS)]
        ux = spread(rows[at + u64(3)])
        uy = spread(rows[at + u64(4)])
        uz = spread(rows[at + u64(5)])
        zero = spread(rows.dtype.type(0.0))
        fx = fy = fz = s = ex = ey = ez = zero
        k = u64(neighbours.start[i])
        stop = k + u64(neighbours.count[i])
        while k < stop:
            xj, yj, zj, vx, vy, vz, _, _ = load_rows(rows, neighbours.entries, k)
            k += lanes
            dx = wrapped_difference(x, xj) * x_unit
            dy = wrapped_difference(y, yj) * y_unit
            dz = wrapped_difference(z, zj) * z_unit
            r2 = dx * dx + dy * dy + dz * dz
            b, c, d = screened_radial(r2, cutoff2, table)
            push = soft_core_push(r2, size, laws.strength)
            mine = ux * dx + uy * dy + uz * dz
            theirs = vx * dx + vy * dy + vz * dz
            c_theirs, c_mine = c * theirs, c * mine
            along = push + c * (ux * vx + uy * vy + uz * vz) - d * mine * theirs
            fx = fx + (along * dx + c_mine * vx)
            fy = fy + (along * dy + c_mine * vy)
            fz = fz + (along * dz + c_mine * vz)
            s = s + c_theirs
            ex = ex + (c_theirs * dx - b * vx)
            ey = ey + (c_theirs * dy - b * vy)
            ez = ez + (c_theirs * dz - b * vz)
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, s, ex, ey, ez, zero))


@njit(error_model="numpy", parallel=True)
def all_screened(rows, words, neighbours, patch, laws, table, sums):
    """Sum all pairs by the screened law."""
    for block in prange(BLOCKS):
        first, end = block_bounds(block, neighbours.start.size)
        out = sums[8 * first : 8 * end]
        screened_sums(first, end, rows, words, neighbours, patch, laws, table, out)


@njit(error_model="numpy", parallel=True)
def all_bare(rows, words, neighbours, patch, laws, sums):
    """Sum all pairs by the bare law."""
    for block in prange(BLOCKS):
        first, end = block_bounds(block, neighbours.start.size)
        pair_sums(first, end, rows, words, neighbours, patch, laws, sums[8 * first : 8 * end])


def seconds(call):
    """Return the shortest of some times of a call: others use this machine as well."""
    call()
    times = []
    for _ in range(REPEATS):
        started = time.perf_counter()
        call()
        times.append(time.perf_counter() - started)
    return min(times), statistics.median(times)


def pair_times(count, cutoff, table=None):
    """Return the time of a pair loop, and the arrays of the film."""
    system = film(count, thickness=THICKNESS, cutoff=cutoff, precision="float32")
    parts = parts_of(system, random_film(system))
    sums = np.zeros(8 * parts.slots.x.size, np.float32)
    arrays = parts.rows, parts.words, parts.neighbours, parts.patch, parts.laws
    if table is None:
        return seconds(lambda: all_bare(*arrays, sums))[0], system, parts
    return seconds(lambda: all_screened(*arrays, table, sums))[0], system, parts


def step_time(count):
    """Return the time of a whole step of the engine with the cut-off."""
    system = film(count, thickness=THICKNESS, cutoff=6.0, precision="float32", dt=1e-5)
    engine = CpuEngine(system, random_film(system), 1)
    return seconds(lambda: engine.advance(STEPS))[0] / STEPS


def library_time(plan, slots, count):
    """Return the time of finufft's transforms for the waves that the plan's grid carries."""
    import finufft

    reach = plan.cloud_shape / plan.cutoff
    periods = [n * h for n, h in zip(plan.points, plan.spacing, strict=True)]
    modes = tuple(2 * math.ceil(reach * p / (2.0 * math.pi)) + 1 for p in periods)
    scaled = [
        (2.0 * math.pi * values[:count] / period % (2.0 * math.pi)).astype(np.float32)
        for values, period in zip((slots.x, slots.y, slots.z), periods, strict=True)
    ]
    charges = np.ones((3, count), np.complex64)
    waves = np.ones((9, *modes), np.complex64)

    best = math.inf
    for finer in (2.0, 1.25):
        options = {"eps": plan.tolerance, "dtype": np.complex64, "nthreads": 1, "upsampfac": finer}
        spreader = finufft.Plan(1, modes, 3, **options)
        gatherer = finufft.Plan(2, modes, 9, **options)

        def run(spreader=spreader, gatherer=gatherer):
            spreader.setpts(*scaled)
            spreader.execute(charges)
            gatherer.setpts(*scaled)
            gatherer.execute(waves)

        best = min(best, seconds(run)[0])
    return best, modes


def row(count, tolerance, step, bare, library):
    """Print one row of the table."""
    side = math.sqrt(math.pi / 6.0 * count / 0.03 / THICKNESS)
    plan = plan_mesh((side, side), THICKNESS, tolerance, count, 1.0)
    near, system, parts = pair_times(count, plan.cutoff, screening_table(plan, "float32"))
    slots = parts.slots
    mesh = SlabMesh(plan, count)
    moments = [slots.moment * u for u in (slots.ux, slots.uy, slots.uz)]
    field, force = np.empty((slots.x.size, 3)), np.empty((slots.x.size, 3))
    smooth, _ = seconds(
        lambda: mesh.smooth_field_force(
            slots.x, slots.y, slots.z, *moments, system.count, field, force
        )
    )
    per = 1e9 / count
    ratios = " | ".join(
        f"{(step - bare + near + smooth / every) / step:.2f}" for every in (1, 2, 4)
    )
    points = " x ".join(str(n) for n in plan.points)
    print(
        f"| {count} | {tolerance:g} | {plan.cutoff:.2f} | {plan.width} | {points} | "
        f"{step * per:.0f} | {bare * per:.0f} | {near * per:.0f} | {smooth * per:.0f} | {ratios} |",
        flush=True,
    )
    if library:
        other, modes = library_time(plan, slots, count)
        print(f"  finufft, modes {modes}: {other * per:.0f} ns, {other / smooth:.1f} times ours")


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--counts", type=int, nargs="+", default=[1000, 5000, 20000, 100000])
    parser.add_argument("--tolerances", type=float, nargs="+", default=[1e-2, 1e-3, 1e-4])
    parser.add_argument("--library", action="store_true")
    options = parser.parse_args()
    headline()
    numba.set_num_threads(1)
    print("ns per particle and sum; ratios to the step, with the smooth part every step,")
    print("every second and every fourth step")
    print("| N | tolerance | range | width | grid | step | cut-off | near | smooth | 1 | 2 | 4 |")
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    for count in options.counts:
        step = step_time(count)
        bare, _, _ = pair_times(count, 6.0)
        for tolerance in options.tolerances:
            row(count, tolerance, step, bare, options.library)


if __name__ == "__main__":
    main()
