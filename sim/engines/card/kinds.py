"""Which films can step together on a card."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim.engines import cpu_arrays

if TYPE_CHECKING:
    from collections.abc import Hashable

    from sim.film.reduced_system import ReducedSystem

__all__ = ["kind_of"]


def kind_of(system: ReducedSystem) -> Hashable:
    """Return what films must have in common to step together.

    Patch, count, laws, mesh, number of inner steps and stages of the field. Seed, sizes, moments,
    values of the field and the length of the step are a film's own.
    """
    laws = cpu_arrays.laws_of(system, 0.0, 0.0)._replace(dt=0.0)
    of_size = system.moment, system.mobility, system.turning
    stages = cpu_arrays.field_table(system.field, system.body.gradient)
    return (
        system.precision,
        system.count,
        system.induced,
        all(np.all(values == values[0]) for values in of_size),
        cpu_arrays.patch_of(system),
        laws,
        system.mesh,
        (system.inner_steps, system.mesh_every),
        tuple(array.shape for array in stages),
        None if system.flow is None else object(),  # such a film is of no kind but its own
    )
