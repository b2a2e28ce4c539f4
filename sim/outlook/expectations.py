"""What to expect of a film: derived numbers, a table, plain sentences and cautions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.large_numbers import LARGEST_NUMBER, within_reach
from sim.outlook.look_ahead import Outlook, look_ahead
from sim.outlook.text.beads import bead_numbers
from sim.outlook.text.cautions import cautions, cautions_on_numbers
from sim.outlook.text.dipoles import dipole_numbers
from sim.outlook.text.film import sentences, table
from sim.outlook.text.forces import gravitational_length
from sim.outlook.text.motion import is_heavy, programme

if TYPE_CHECKING:
    from sim.outlook.pair_potential import PairPotential
    from sim.parameters.types import Parameters


@dataclass(frozen=True)
class Expectations:
    """What can be said about a film before it is simulated.

    Attributes
    ----------
    derived : dict
        Plain numbers in SI, unit in the key; goes into run.h5 and measures.json.
    table : list of tuple of str
        Label and formatted value with its unit.
    sentences : list of str
        What to expect.
    cautions : list of str
        Where the model, the patch or the bench need care.
    pair_potential : dict
        ``median`` and ``largest_tenth``, each a dict of arrays ``distance_m``, ``total_kt`` and its
        parts ``dipole_kt``, ``steric_kt``, ``van_der_waals_kt``, ``electrostatic_kt`` (all of
        ``sim.interactions.added.LAWS``), and of the numbers ``contact_m``, ``minimum_distance_m``,
        ``minimum_kt``, ``coupling_at_minimum``, ``barrier_distance_m`` and ``barrier_kt`` (None
        where nothing can be climbed over).
    on_numbers : tuple of str
        Those of the cautions that make numbers of this very film doubtful.
    """

    derived: dict[str, Any]
    table: list[tuple[str, str]]
    sentences: list[str]
    cautions: list[str]
    pair_potential: dict[str, dict[str, Any]]
    on_numbers: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Give everything as plain lists, numbers and texts.

        Returns
        -------
        dict
            ``derived``, ``table`` (list of pairs), ``expectations``, ``cautions`` and
            ``pair_potential``; no NaN and no infinity.
        """
        potentials = {
            name: {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in curves.items()}
            for name, curves in self.pair_potential.items()
        }
        return {
            "derived": self.derived,
            "table": [list(row) for row in self.table],
            "expectations": self.sentences,
            "cautions": self.cautions,
            "pair_potential": potentials,
        }


def expect(parameters: Parameters, outlook: Outlook | None = None) -> Expectations:
    """Say what to expect of a film.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    outlook : Outlook, optional
        What `look_ahead` gives for them, where it is known already.

    Returns
    -------
    Expectations
        Derived numbers, table, sentences and cautions.
    """
    outlook = outlook or look_ahead(parameters)
    plain = _derived(parameters, outlook)
    derived = within_reach(plain, lambda name, _: _reason(name, plain))
    cut = _what_is_cut(derived)
    return Expectations(
        derived=derived,
        table=table(parameters, outlook),
        sentences=sentences(parameters, outlook),
        cautions=[*cut, *cautions(parameters, outlook)],
        pair_potential={
            "median": _curves(outlook.pair),
            "largest_tenth": _curves(outlook.pair_tail),
        },
        on_numbers=(*cut, *cautions_on_numbers(parameters, outlook)),
    )


def _what_is_cut(derived: dict[str, Any]) -> tuple[str, ...]:
    """Name the derived numbers that are capped, in a sentence; nothing where none is."""
    names = ", ".join(derived.get("capped", ()))
    if not names:
        return ()
    return (f"Numbers too large for any use are cut at {LARGEST_NUMBER:g}: {names}.",)


def _curves(pair: PairPotential) -> dict[str, Any]:
    """Give a potential as a dict, every third of its points."""
    return {
        "distance_m": pair.distance_m[::3],
        "total_kt": pair.total_kt[::3],
        **{f"{name}_kt": curve[::3] for name, curve in pair.parts_kt.items()},
        "contact_m": pair.contact_m,
        "minimum_distance_m": pair.minimum_distance_m,
        "minimum_kt": pair.minimum_kt,
        "coupling_at_minimum": pair.coupling_at_minimum,
        "barrier_kt": pair.barrier_kt if math.isfinite(pair.barrier_kt) else None,
        "barrier_distance_m": pair.barrier_distance_m,
    }


def _reason(name: str, derived: dict[str, Any]) -> str:
    """Say what makes a derived number so large."""
    if name in ("bond_life_largest_tenth_s", "film_formation_time_s"):
        coupling = derived["coupling_largest_tenth"]
        return f"it grows as exp(2 lambda), and lambda of the largest tenth is {coupling:.3g}"
    if name == "neel_time_s":
        return "it grows as exp(K V/kT) with the volume V of the core"
    if name in ("growth_time_s", "aggregation_number"):
        return f"it grows with the coupling, which is {derived['coupling']:.3g}"
    return "no use is known for a number so large"


def _derived(parameters: Parameters, outlook: Outlook) -> dict[str, Any]:
    """Collect the derived numbers under their fixed names."""
    sizes, system, off = parameters.particles, outlook.system, outlook.lengths_off
    sampled = parameters.run.is_sampled
    barrier, barrier_tail = outlook.pair.barrier_kt, outlook.pair_tail.barrier_kt
    return {
        "coupling": outlook.coupling,
        "coupling_largest_tenth": outlook.coupling_tail,
        "coupling_at_minimum": outlook.pair.coupling_at_minimum,
        "langevin_parameter": outlook.langevin,
        "langevin_parameter_largest_tenth": outlook.langevin_tail,
        "volume_fraction": outlook.particles.volume_fraction,
        "particle_count": outlook.particles.count,
        "time_step_s": None if sampled else system.dt_s,
        "time_step_limit": None if sampled else system.limit,
        "steps": system.steps,
        "duration_s": None if sampled else parameters.run.duration,
        "diffusion_time_s": outlook.diffusion_time,
        "brown_time_s": outlook.brown_time,
        "neel_time_s": outlook.neel_time,
        "temperature_k": parameters.carrier.temperature,
        "median_diameter_m": sizes.diameter,
        "median_moment_am2": float(outlook.system.units.moment_am2 * math.sqrt(outlook.coupling)),
        "largest_field_t": parameters.field.largest,
        "field_direction": [float(x) for x in parameters.field.direction],
        "line_density_spacing_m": outlook.spacing,
        "predicted_mean_length": outlook.lengths.central,
        "predicted_mean_length_low": outlook.lengths.low,
        "predicted_mean_length_high": outlook.lengths.high,
        "predicted_mean_length_neighbours_only": outlook.lengths.neighbours_only,
        "predicted_mean_length_off": off.central if off else None,
        "predicted_mean_length_off_neighbours_only": off.neighbours_only if off else None,
        "aggregation_number": outlook.lengths.aggregation_number,
        "grown_mean_length": None if sampled else outlook.grown_length,
        "growth_time_s": outlook.growth_time,
        "bond_life_largest_tenth_s": outlook.bond_life,
        "film_formation_time_s": outlook.film_time,
        "barrier_kt": barrier if math.isfinite(barrier) else None,
        "barrier_largest_tenth_kt": barrier_tail if math.isfinite(barrier_tail) else None,
        "gravitational_length_m": gravitational_length(parameters, sizes.core_diameter),
        "moment_relaxation_meaningful": not system.turning_capped and not is_heavy(outlook),
        "dynamics": parameters.run.dynamics,
        "mass_factor": parameters.run.mass_factor,
        "momentum_time_s": outlook.momentum_time,
        "spin_time_s": outlook.spin_time,
        "field_programme": programme(parameters),
        **dipole_numbers(system),
        **bead_numbers(parameters, outlook),
    }
