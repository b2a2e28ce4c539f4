"""The engine on a graphics card: agreement with the processor, repeatability, speed, memory.

Run as ``python -m tests.benchmarks.card [PART ...]`` on a machine with a card; without parts, all
of them. Times are medians of three.
"""

import argparse
import dataclasses
import itertools
import statistics
import time
import traceback
import types

import numpy as np

from sim.engines.cpu import CpuEngine
from sim.film.inner_steps import LONGEST_OUTER
from tests.reference.small_systems import (
    beads,
    bits,
    compiled_sums,
    film,
    random_film,
    spread_diameters,
    state_of,
    with_flow,
)

STEPS = 20
KINDS = {
    "soft core": {"dt": 1e-4},
    "soft core, double": {"dt": 1e-4, "precision": "float64"},
    "surfactant, sizes": {"dt": 1e-4, "steric": "surfactant", "diameter": spread_diameters(2000)},
    "inner steps": {"dt": LONGEST_OUTER, "inner_steps": 8, "list_margin": 1.0},
    "mesh": {"dt": 1e-4, "dipole_sum": "mesh", "tolerance": 1e-3},
    "mesh, inner steps": {
        "dt": LONGEST_OUTER, "inner_steps": 8, "list_margin": 1.0, "dipole_sum": "mesh",
        "tolerance": 1e-3,
    },
    "gravity, gradient": {
        "dt": 1e-4, "core_weight": 0.5, "gradient": (0.1, 0.0, -0.1, 0.0, 0.05, 0.0),
    },
    "momenta, windows": {
        "dt": 1e-4, "dynamics": "langevin", "momentum_time": np.full(2000, 2e-4), "hindered": True,
    },
    "flow": {
        "dt": 1e-4, "dipole_sum": "mesh", "tolerance": 3e-3, "thickness": 16.7, "flow": True,
    },
    "beads, flow": {
        "dt": 3e-4, "susceptibility": 2.0, "langevin": 120.0, "tolerance": 1e-3, "flow": True,
    },
    "beads": {"dt": 3e-4, "susceptibility": 2.0, "langevin": 120.0, "tolerance": 1e-3},
    "beads, mesh": {
        "dt": 3e-4, "susceptibility": 2.0, "langevin": 120.0, "tolerance": 1e-3,
        "dipole_sum": "mesh",
    },
    "beads, double": {
        "dt": 3e-4, "susceptibility": 2.0, "langevin": 120.0, "tolerance": 1e-5,
        "precision": "float64",
    },
}  # fmt: skip


def engine_of(system, state=None):
    """Return an engine on the card."""
    from sim.engines.card.engine import CardEngine

    return CardEngine(system, random_film(system) if state is None else state)


def system_of(count=2000, **changes):
    """Return a film of the benchmarks: 3 %, 20 d thick, coupling 4, cut-off 6 d, field along x.

    With a susceptibility it is one of beads that magnetise each other, with ``flow`` that of all
    particles carries each.
    """
    given = {
        "precision": "float32", "thickness": 20.0, "cutoff": 6.0, "langevin": 10.0,
        "list_margin": 0.5, "dt": 1e-4, **changes,
    }  # fmt: skip
    carried = given.pop("flow", False)
    if "susceptibility" in given:
        made = beads(count, **{"dipole_sum": "cutoff", "fraction": 0.03, **given})
        return with_flow(made) if carried else made
    if "momentum_time" in given:
        given["momentum_time"] = given["momentum_time"][:1].repeat(count)
    return with_flow(film(count, **given)) if carried else film(count, **given)


def agreement(names=tuple(KINDS)):
    """Print how far both engines are apart after some steps from the same seed."""
    for name in names:
        system = system_of(**KINDS[name])
        state = random_film(system)
        card, processor = engine_of(system, state), CpuEngine(system, state, 8)
        card.advance(STEPS)
        processor.advance(STEPS)
        here, there = card.snapshot(), processor.snapshot()
        gap = np.abs(here.positions - there.positions)
        for axis in range(2):
            gap[:, axis] = np.minimum(gap[:, axis], system.sides[axis] - gap[:, axis])
        turned = np.abs(here.directions - there.directions).max()
        mine, theirs = card.observe(), processor.observe()
        energies = {
            key: f"{float(mine[key]):.5g}/{float(theirs[key]):.5g}"
            for key in ("dipolar", "steric", "windows", "field", "gravity", "induction")
            if key in theirs
        }
        print(f"{name}: places {gap.max():.2g} d, directions {turned:.2g}, {energies}", flush=True)


def sums():
    """Print the relative RMS error of field and force against double precision."""
    for name, changes in KINDS.items():
        system = dataclasses.replace(system_of(**changes), inner_steps=1)
        state = random_film(system)
        engine = engine_of(system, state)
        force, field = engine.sums()
        if system.induced:  # their moments as if they were fixed
            share = engine.snapshot().directions
            size = np.linalg.norm(share, axis=1)
            system = dataclasses.replace(system, moment=system.moment * size, core_langevin=0.0)
            state = dataclasses.replace(state, directions=share / size[:, None])
        wanted = compiled_sums(dataclasses.replace(system, precision="float64"), state)
        told = [
            f"{np.sqrt(((a - b) ** 2).sum() / (b**2).sum()):.2g}"
            for a, b in zip((force, field), wanted, strict=True)
        ]
        print(f"{name}: force {told[0]}, field {told[1]}", flush=True)


REPEATED = (
    "soft core", "inner steps", "mesh, inner steps", "surfactant, sizes", "beads", "beads, mesh",
    "flow", "beads, flow",
)  # fmt: skip


def repeats(names=REPEATED):
    """Print whether runs repeat their bits: again, in pieces, from a checkpoint."""
    for name in names:
        system = system_of(5000, **{**KINDS[name], **sizes_for(name, 5000)})
        state = random_film(system)
        plain, again, pieces = (engine_of(system, state) for _ in range(3))
        steps = 300 if system.inner_steps == 1 and not system.induced else 40
        plain.advance(steps)
        again.advance(steps)
        for piece in (1, 7, steps - 8 - steps // 3):
            pieces.advance(piece)
        pieces.observe()
        restored = engine_of(system, state)
        restored.restore(pieces.checkpoint())
        restored.advance(steps // 3)
        pieces.advance(steps // 3)
        wanted = bits(plain)
        same = [bits(engine) == wanted for engine in (again, pieces, restored)]
        print(f"{name}: again, in pieces, restored: {same}; {plain.timing}", flush=True)


def mesh_alone():
    """Print agreement and repeats of films with a mesh."""
    agreement(("mesh", "mesh, inner steps", "gravity, gradient"))
    repeats(REPEATED[2:4])


def sizes_for(name, count):
    """Return the sizes of a kind for another number of particles."""
    return {"diameter": spread_diameters(count)} if "sizes" in name else {}


def on_a_lattice(system):
    """Return particles on a lattice, their moments along x, as the yardstick begins."""
    count, levels = system.count, int(system.thickness / 1.9)
    across = int(np.ceil(np.sqrt(count / levels)))
    number = np.arange(count)
    column, level = number // levels, number % levels
    step = system.sides[0] / across
    places = np.stack(
        [
            (column % across + 0.5) * step,
            (column // across + 0.5) * step,
            (level + 0.5) * system.thickness / levels,
        ],
        axis=1,
    )
    return state_of(places, np.broadcast_to([1.0, 0.0, 0.0], (count, 3)))


def timed(engine, steps):
    """Return the median of three times of so many steps, in s."""
    times = []
    for _ in range(3):
        began = time.perf_counter()
        engine.advance(steps)
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def plain_speed(cases=((10_000, 0.5), (100_000, 0.5), (1_000_000, 0.5), (10_000_000, 0.5))):
    """Print particle-steps a second of plain steps, from a chained state, by margin of the list."""
    for count, margin in cases:
        system = system_of(count, list_margin=margin)
        began = time.perf_counter()
        engine = engine_of(system, on_a_lattice(system))
        engine.compile()
        made = time.perf_counter() - began
        engine.advance(3000 if count <= 100_000 else 500)
        built = engine.timing["lists_built"]
        steps = 400 if count <= 1_000_000 else 60
        took = timed(engine, steps)
        built = (engine.timing["lists_built"] - built) / 3
        speed = count * steps / took * 1e-6
        print(
            f"plain, N = {count}, margin {margin}: {speed:.0f} million particle-steps/s; "
            f"{built / steps:.4f} lists a step; made in {made:.1f} s; {memory(engine, count)}",
            flush=True,
        )


def film_time(counts=(20_000, 1_000_000)):
    """Print d^2/D of film time a second with inner steps, cut-off and mesh."""
    for count in counts:
        for name in ("inner steps", "mesh, inner steps"):
            system = system_of(count, **KINDS[name])
            if system.mesh is not None:
                system = dataclasses.replace(system, mesh_every=4)
            began = time.perf_counter()
            engine = engine_of(system, on_a_lattice(system))
            engine.compile()
            made = time.perf_counter() - began
            engine.advance(100)
            steps = 200 if count <= 100_000 else 60
            built = engine.timing["lists_built"]
            took = timed(engine, steps)
            built = (engine.timing["lists_built"] - built) / 3 / steps
            print(
                f"{name}, N = {count}: {steps * system.dt / took:.3g} d^2/D a second, "
                f"{took / steps * 1e3:.3f} ms an outer step of {system.dt:g}, every "
                f"{system.mesh_every} with a mesh; {built:.2f} lists a step; made in {made:.1f} s; "
                f"{memory(engine, count)}",
                flush=True,
            )


def microseconds(queue, work, repeats=20):
    """Return the time of what is asked for, recorded so often in a row and repeated three times."""
    return replayed(queue, queue.record(lambda: [work() for _ in range(repeats)])) / repeats


def replayed(queue, recorded):
    """Return the time of a recording, the median of three, in microseconds."""
    events = [queue.numbers.cuda.Event() for _ in range(4)]
    recorded()
    events[0].record(queue.stream)
    for event in events[1:]:
        recorded()
        event.record(queue.stream)
    queue.wait()
    spans = itertools.pairwise(events)
    times = [queue.numbers.cuda.get_elapsed_time(*span) for span in spans]
    return statistics.median(times) * 1e3


def each_kernel(cases=(20_000, 1_000_000)):
    """Print time and registers of each kernel of films, as it follows itself in a recording."""
    from sim.kernels.card import layout

    for count in cases:
        for name in ("inner steps", "mesh, inner steps", "soft core"):
            system = system_of(count, **KINDS[name])
            engine = engine_of(system, on_a_lattice(system))
            engine.compile()
            print(f"{name}, N = {count}: compiled in {engine.timing['compile_s']:.1f} s")
            engine.advance(30)
            for kernel, took in times_of_kernels(engine, with_sort=name == "inner steps"):
                print(f"  {kernel.__name__}: {took:.1f} us {registers(kernel)}", flush=True)
            films = engine.batch.films
            films.set_flag(layout.STATUS, [layout.GO])
            took = microseconds(engine.batch.queue, films._step, 1)
            print(f"  all of a step: {took:.1f} us", flush=True)
            if engine.batch.mesh is not None:
                took = replayed(engine.batch.queue, engine.batch.mesh.recordings.made["sum"])
                print(f"  mesh: {took:.1f} us", flush=True)


def times_of_kernels(engine, with_sort):
    """Yield kernels of steps and lists with their times; what they leave of the film is of no use.

    A margin without end keeps lists from becoming too old for further moves.
    """
    from sim.kernels.card import layout, sorting, steps
    from sim.kernels.card.tools import BLOCK

    films, queue = engine.batch.films, engine.batch.queue
    engine.batch.fresh()  # else no kernel of a step would work
    for name in ("content", "quick"):
        numbers = getattr(films, name)
        endless = numbers.patch._replace(margin=type(numbers.patch.margin)(1e6))
        setattr(films, name, numbers._replace(patch=endless))
    films.set_flag(layout.TARGET, [2**62])

    def timed(kernel, threads=None, content=None):
        return kernel, microseconds(queue, lambda: films.run(kernel, threads, content))

    def listed():
        with queue.whole():  # each list ends with its status
            queue.view(films.content.flags)[:, layout.STATUS] = layout.LIST_AGAIN
        films.run(films._list_pairs, films._lists)

    if films.system.inner_steps == 1:
        yield timed(films.kernels.plain)
    else:
        yield timed(films.kernels.far, films._lists)
        yield timed(films.kernels.inner)
    yield timed(steps.conclude_step, BLOCK, films.content)
    chunks = films.content.chunk_sum[0].size
    few = ((sorting.count_and_start, None),)
    many = (
        (sorting.count_cells, None), (sorting.add_chunks, chunks), (sorting.start_groups, BLOCK),
        (sorting.start_cells, chunks),
    )  # fmt: skip
    if with_sort:
        films.set_flag(layout.STATUS, [layout.LIST_DUE])
        for kernel, threads in few if films.has_few_cells else many:
            yield timed(kernel, threads)
    films.set_flag(layout.STATUS, [layout.LIST_DUE])
    films.ask_for_lists()  # which puts right what was counted too often
    if with_sort:
        films.set_flag(layout.STATUS, [layout.LIST_DUE])
        yield timed(sorting.gather_slots)
        films.set_flag(layout.STATUS, [layout.GO])
        told = types.SimpleNamespace(__name__="lists, none due", jitted=None)
        yield told, microseconds(queue, films._fresh)
    yield films._list_pairs, microseconds(queue, listed)


def registers(kernel):
    """Return registers and bytes of local memory of a compiled kernel, in words."""
    jitted = kernel.jitted
    if jitted is None:
        return ""
    used, local = jitted.get_regs_per_thread(), jitted.get_local_mem_per_thread()
    return f"({max(used.values())} registers, {max(local.values())} bytes of local memory)"


def start_up():
    """Print the seconds that a film's kernels take to compile, or to load where they are kept."""
    for name in ("inner steps", "mesh, inner steps"):
        system = system_of(20_000, **KINDS[name])
        engine = engine_of(system, on_a_lattice(system))
        began = time.perf_counter()
        engine.compile()
        print(f"{name}: ready to step after {time.perf_counter() - began:.2f} s", flush=True)


def transforms(count=1_000_000):
    """Print what a large grid takes, transformed by itself and as the library does it, and say
    whether force and field agree."""
    from sim.engines.card import memory as room

    system = system_of(count, **KINDS["mesh, inner steps"])
    state, found, after, usual = random_film(system), [], [], room.LARGE_GRID
    for name, points in (("by itself", 0), ("again", 0), ("by the library", 2**62)):
        room.LARGE_GRID = points
        engine = engine_of(system, state)
        engine.compile()
        found.append(np.concatenate(engine.sums(), axis=1))
        queue = engine.batch.queue
        took = replayed(queue, engine.batch.mesh.recordings.made["sum"])
        engine.advance(4)
        after.append(bits(engine))
        print(f"{name}: a sum takes {took:.0f} us, {memory(engine, count)}", flush=True)
        del engine
        queue.tidy()
    room.LARGE_GRID = usual
    apart = np.sqrt(((found[0] - found[2]) ** 2).sum(axis=0) / (found[2] ** 2).sum(axis=0))
    agree = apart.max() < 3e-6 and after[0] == after[1]
    print(f"transforms {'agree' if agree else 'DISAGREE'}: {apart}; again the same bits: "
          f"{after[0] == after[1]}", flush=True)  # fmt: skip


def memory(engine, count):
    """Return the memory that the card lends, in words."""
    return f"{engine.memory() / count:.0f} bytes a particle"


def times_of_rounds(engine):
    """Yield the parts of a round of beads with their times; what they leave is of no use."""
    from sim.engines.card.bead_arrays import threads_of
    from sim.kernels.card import layout

    films, queue, rounds = engine.batch.films, engine.batch.queue, engine.batch.induced
    for flag, value in (
        (layout.STATUS, layout.GO), (layout.TARGET, 2**62), (layout.SETTLED, 0), (layout.ROUND, 3)
    ):  # fmt: skip
        films.set_flag(flag, [value])
    for kernel, threads, content in (
        (films.kernels.sums, films.lists_in(films.content), films.quick),
        (rounds._kernels.respond, threads_of(engine.system.count), films.content),
        (rounds._kernels.mix, threads_of(engine.system.count), films.content),
    ):
        took = microseconds(queue, lambda k=kernel, t=threads, c=content: films.run(k, t, c))
        yield kernel.__name__, took
    if engine.batch.mesh is not None:
        yield "mesh", replayed(queue, engine.batch.mesh.recordings.made["sum"])


def bead_cost(cases=((2000, 300), (20_000, 200), (1_000_000, 20))):
    """Print the cost of a step of beads, of parts of a round in microseconds, and the memory."""
    for count, steps in cases:
        for name in ("beads", "beads, mesh"):
            engine = engine_of(system_of(count, **KINDS[name]))
            engine.compile()
            engine.advance(steps)
            took = timed(engine, steps) / steps
            timing, lent = engine.timing, memory(engine, count)
            print(
                f"{name}, N = {count}: {took * 1e3:.3f} ms a step of "
                f"{timing['induction_sums']:.2f} sums; made in {timing['compile_s']:.1f} s; {lent}",
                *(f"{part} {one:.0f}" for part, one in times_of_rounds(engine)),
                flush=True,
            )


PARTS = {
    "agreement": agreement,
    "sums": sums,
    "repeats": repeats,
    "mesh": mesh_alone,
    "plain": plain_speed,
    "film_time": film_time,
    "kernels": each_kernel,
    "start_up": start_up,
    "transforms": transforms,
    "beads": bead_cost,
}


def run_parts(parts, given, about):
    """Run the parts that are asked for, or the given ones, and say how long each took."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(parts))
    for part in parser.parse_args().parts or given:
        began = time.perf_counter()
        print(f"-- {part}", flush=True)
        try:
            parts[part]()
        except Exception:  # the other parts are worth their time all the same
            traceback.print_exc()
        print(f"-- {part}: {time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    run_parts(PARTS, [part for part in PARTS if part != "mesh"], __doc__)
