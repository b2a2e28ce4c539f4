"""Films of a batch on a graphics card: the bits that each has alone, and what many cost together.

Run as ``python -m tests.benchmarks.card_batch [PART ...]`` on a machine with a card.
"""

import dataclasses
import time

from sim.film.inner_steps import LONGEST_OUTER
from tests.benchmarks.card import KINDS, engine_of, on_a_lattice, run_parts, system_of, timed
from tests.reference.small_systems import bits, random_film, spread_diameters

FILMS = 5


def batch_of(systems, states):
    """Return the engines of films that step together."""
    from sim.engines.card.engine import Seats

    seats = Seats()
    return [seats()(system, state, 1) for system, state in zip(systems, states, strict=True)]


def advance(engines, *steps):
    """Advance engines together, each by as many steps, or each by its own; return failures."""
    from sim.engines.card.engine import advance_together

    each = steps * len(engines) if len(steps) == 1 else steps
    asked = {str(k): (one, n) for k, (one, n) in enumerate(zip(engines, each, strict=True))}
    return advance_together(asked)


def films_of(name, films=FILMS, count=2000, **changes):
    """Return films of a kind in fields and from seeds of their own."""
    given = {**KINDS[name], **changes}
    if "sizes" in name:
        given["diameter"] = spread_diameters(count)
    systems = [system_of(count, **{**given, "langevin": 4.0 + 2.0 * k}) for k in range(films)]
    states = [
        dataclasses.replace(random_film(system, seed), seed=seed)
        for seed, system in enumerate(systems)
    ]
    return systems, states


def same_bits(names=("soft core", "surfactant, sizes", "inner steps", "mesh, inner steps")):
    """Print whether films have the same bits alone and in a batch, also in ragged pieces."""
    for name in names:
        systems, states = films_of(name)
        steps = 300 if systems[0].inner_steps == 1 else 48
        alone = [engine_of(system, state) for system, state in zip(systems, states, strict=True)]
        for one in alone:
            one.advance(steps)
        wanted = [bits(one) for one in alone]
        seen = [one.observe()["dipolar"] for one in alone]
        batch = batch_of(systems, states)
        failed = advance(batch, steps)
        same = [bits(one) == bit for one, bit in zip(batch, wanted, strict=True)]
        energies = [one.observe()["dipolar"] for one in batch] == seen
        ragged = batch_of(systems, states)
        advance(ragged, 1, 2, 3, 4, 5)
        ragged[2].observe()
        again = batch_of(systems, states)
        for one, other in zip(again, ragged, strict=True):
            one.restore(other.checkpoint())
        advance(again, *(steps - k for k in (1, 2, 3, 4, 5)))
        went_on = [bits(one) == bit for one, bit in zip(again, wanted, strict=True)]
        mesh = batch[0].batch.mesh
        parts = "" if mesh is None else f"; transforms of {mesh._parts[0]} at once"
        print(
            f"{name}: in a batch {same}, energies {energies}, ragged and restored {went_on}, "
            f"failed {failed}{parts}; {batch[0].timing}",
            flush=True,
        )


def throughput(films=64, count=2000):
    """Print particles times film time of many small films, beside that of one of 1e6."""
    for name in ("inner steps", "mesh, inner steps"):
        per_film = {}
        for batch_films, one_count in ((films, count), (1, count), (1, 1_000_000)):
            changes = {"list_margin": 1.0}
            systems = [
                system_of(one_count, **{**KINDS[name], **changes, "langevin": 10.0})
            ] * batch_films
            if systems[0].mesh is not None:
                systems = [dataclasses.replace(systems[0], mesh_every=4)] * batch_films
            states = [
                dataclasses.replace(on_a_lattice(systems[0]), seed=k) for k in range(batch_films)
            ]
            began = time.perf_counter()
            engines = batch_of(systems, states)
            advance(engines, 100)
            made = time.perf_counter() - began
            steps = 200 if one_count < 100_000 else 40
            took = timed(_Together(engines), steps)
            units = batch_films * one_count * steps * LONGEST_OUTER / took
            per_film[batch_films, one_count] = units
            print(
                f"{name}, {batch_films} of N = {one_count}: {took / steps * 1e3:.3f} ms a step, "
                f"{units:.4g} particles d^2/D a second; made in {made:.1f} s, "
                f"{engines[0].memory() / one_count / batch_films:.0f} bytes a particle",
                flush=True,
            )
        share = per_film[films, count] / per_film[1, 1_000_000]
        print(f"{name}: {films} of {count} make {share:.2f} of one of 1e6 (goal 0.5)", flush=True)


class _Together:
    """Films that `timed` advances as one."""

    def __init__(self, engines):
        self.engines = engines

    def advance(self, steps):
        failed = advance(self.engines, steps)
        if failed:
            raise next(iter(failed.values()))


PARTS = {"same_bits": same_bits, "throughput": throughput}


if __name__ == "__main__":
    run_parts(PARTS, PARTS, __doc__)
