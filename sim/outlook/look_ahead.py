"""Numbers that can be told about a film before it is simulated.

`look_ahead` collects them from the particles, the time step, the pair potential and the theory of
chains; `sim.outlook.expectations` puts them into words.

The predicted mean length is that of equilibrium: bond constants by quadrature of the run's own
forces, bond rule and largest field, all sizes of the cut log-normal law, and the gain of a bond in
a long chain (`sim.outlook.chain_lengths`). It is cut at `LONGEST_SINGLE`, from where two chains
side by side are lower in energy than one, and at the thickness of the film where the field points
across it. The published rules agree with the full sum within a factor of 2 to 3 up to couplings of
about 5 and part from it and from each other beyond (neighbours alone stay below, N* lies on both
sides), so the excess over single particles is given with a band of a factor of 2.5 each way.

One run to compare with: 17 nm cores of one size, soft core, 3 % by volume, 30 mT (coupling 3.5,
1.8e3 particles, 0.2 ms = 11 bond lives) settles at 2.04 and is at 1.72 and 1.97 after 20 and 40 us;
predicted are 2.7 (1.7 to 5.2), neighbours alone 1.7, and by growth without
breaking bonds 2.4 and 3.0.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.common import laws
from analysis.common.arrays import Floats
from analysis.common.blocks import of_each
from analysis.common.constants import BOLTZMANN
from analysis.common.conventions import SETTLING_LIVES
from sim.film.particles import Particles, draw
from sim.film.reduce import reduce
from sim.film.reduced_system import ReducedSystem
from sim.interactions import dipolar
from sim.outlook.bond_constants import bond_constants
from sim.outlook.chain_growth import GROWTH_BAND, chain_growth
from sim.outlook.chain_lengths import aggregation_number, chain_mixture
from sim.outlook.pair_potential import PairPotential, head_to_tail, size_classes, size_quantile
from sim.outlook.turning_moments import LARGEST_TIME, neel_time
from sim.physics import material

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

Band = TypeVar("Band", float, NDArray[np.float64])

LONGEST_SINGLE = 27.0
"""From this many particles on two touching chains are lower in energy than one straight chain
(R. Messina and I. Stankovic, arXiv 1602.00861, for aligned touching spheres in a plane)."""
BAND = 2.5
"""Factor of the band on the excess of the predicted mean length over 1, each way."""
CHAINING_COUPLING = 2.0
"""Couplings from which on chains are seen, about 2 to 3 (from memory of the ferrofluid literature,
and what the prediction gives at a few per cent by volume)."""


@dataclass(frozen=True)
class Lengths:
    """Predicted chain lengths in equilibrium.

    Attributes
    ----------
    central, low, high : float
        Predicted mean length and its band.
    longest : float
        Where the central value is cut.
    single_chains : float
        Mean length before the cut.
    neighbours_only : float
        Lower estimate, from pairs alone.
    singles_fraction : float
        Predicted share of the particles that are alone.
    aggregation_number : float
        N* of the median particle, for comparison.
    """

    central: float
    low: float
    high: float
    longest: float
    single_chains: float
    neighbours_only: float
    singles_fraction: float
    aggregation_number: float


@dataclass(frozen=True)
class Outlook:
    """What is known before the run, in SI.

    Attributes
    ----------
    particles : Particles
    system : ReducedSystem
    tail_core : float
        Core diameter in m of the median of the largest tenth.
    coupling, coupling_tail, coupling_largest : float
        Coupling at contact of the median, of the largest tenth, and of the largest particle; of
        multicore beads with the moment that each has alone in the largest field.
    langevin, langevin_tail : float
        Langevin parameters of the first two in the largest field; of beads that of their cores.
    strong_share : float
        Share of the particles with a coupling above `CHAINING_COUPLING`.
    diffusion_time, brown_time, neel_time, neel_time_high_barrier : float
        Times of the median particle in s; the two Neel times are those of the two usual prefactors.
    pair, pair_tail : PairPotential
        Head-to-tail potentials of two median particles and of two of the largest tenth.
    lengths : Lengths
    lengths_off : Lengths or None
        The same without a field, where the programme ends so; of beads, which then have no
        moment, nothing.
    grown_length : float
        Mean length that diffusion allows by the end of the run.
    growth_time, bond_life, film_time : float
        Time to grow to the predicted length, life of a bond in the largest tenth, and the time a
        film takes: the longer one of the first and of ten bond lives. All in s.
    spacing : float
        Mean distance of straight single chains from their line density, in m.
    momentum_time, spin_time : float
        Times in s in which the median particle forgets its velocity and its rotation, with the
        masses of the run.
    """

    particles: Particles
    system: ReducedSystem
    tail_core: float
    coupling: float
    coupling_tail: float
    coupling_largest: float
    langevin: float
    langevin_tail: float
    strong_share: float
    diffusion_time: float
    brown_time: float
    neel_time: float
    neel_time_high_barrier: float
    pair: PairPotential
    pair_tail: PairPotential
    lengths: Lengths
    lengths_off: Lengths | None
    grown_length: float
    growth_time: float
    bond_life: float
    film_time: float
    spacing: float
    momentum_time: float
    spin_time: float

    @property
    def expected_at_end(self) -> float:
        """Mean length at the end of the run: the predicted one, or what growth allows by then."""
        return min(self.lengths.central, max(self.grown_length, 1.0))

    @property
    def longest_at_end(self) -> float:
        """The largest mean length at the end of the run that either estimate leaves open."""
        return max(min(self.lengths.high, GROWTH_BAND * self.grown_length), self.expected_at_end)


def _contact_couplings(parameters: Parameters, cores: Floats) -> Floats:
    """Couplings of equal pairs at contact."""
    diameters = cores + 2.0 * parameters.particles.shell_thickness
    return dipolar.pair_coupling(parameters, cores, cores, diameters)


def _longest_chain(parameters: Parameters) -> float:
    """Length up to which a mean of single straight chains makes sense."""
    across = abs(parameters.field.direction[2])
    if parameters.field.largest == 0.0 or across < math.sqrt(0.5):
        return LONGEST_SINGLE
    room = parameters.film.thickness / (parameters.particles.diameter * across)
    return min(LONGEST_SINGLE, max(room, 1.0))


@dataclass(frozen=True)
class ChainBonds:
    """What holds chains together in a field, whatever the amount of particles.

    Attributes
    ----------
    shares, volumes : float64 (classes,)
        Share of the particles in each class of sizes, and the volume of one, in m^3.
    constants, couplings : float64 (classes, classes)
        Bond constants in m^3, and couplings at the minimum of the pair potential.
    """

    shares: Floats
    volumes: Floats
    constants: Floats
    couplings: Floats


def chain_bonds(parameters: Parameters) -> ChainBonds:
    """Integrate the bonds between all sizes at the largest field."""
    cores, shares = size_classes(parameters)
    return ChainBonds(
        shares=shares,
        volumes=math.pi / 6.0 * (cores + 2.0 * parameters.particles.shell_thickness) ** 3,
        constants=bond_constants(parameters, cores, parameters.field.largest),
        couplings=np.array(
            [
                [head_to_tail(parameters, float(a), float(b)).coupling_at_minimum for b in cores]
                for a in cores
            ]
        ),
    )


def predict_lengths(
    parameters: Parameters, volume_fraction: float, bonds: ChainBonds | None = None
) -> Lengths:
    """Predict the mean chain length in equilibrium at the largest field.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    volume_fraction : float
        Volume fraction of whole particles.
    bonds : ChainBonds, optional
        Those of these parameters, where they are known already.

    Returns
    -------
    Lengths
        Central value, band and estimates to compare with.
    """
    bonds = bonds or chain_bonds(parameters)
    densities = bonds.shares * volume_fraction / float(bonds.shares @ bonds.volumes)
    pairs = chain_mixture(bonds.constants, densities)
    full = chain_mixture(bonds.constants, densities, bonds.couplings)
    single_chains = max(full.mean_length, pairs.mean_length)
    longest = _longest_chain(parameters)
    central = min(single_chains, longest)
    low, high = length_band(central)
    median = _contact_couplings(parameters, np.array([parameters.particles.core_diameter]))
    return Lengths(
        central=central,
        low=low,
        high=high,
        longest=longest,
        single_chains=single_chains,
        neighbours_only=pairs.mean_length,
        singles_fraction=full.singles_fraction,
        aggregation_number=aggregation_number(volume_fraction, float(median[0])),
    )


def _lengths_off(parameters: Parameters, volume_fraction: float) -> Lengths | None:
    """Predict the lengths to which chains fall back after the field is switched off."""
    field = parameters.field
    last = field.steps[-1]
    goes_off = field.largest > 0.0 and last.strength == 0.0 and last.kind in ("hold", "ramp")
    if not goes_off or parameters.particles.is_multicore:
        return None
    without = dataclasses.replace(parameters, field=dataclasses.replace(field, steps=(last,)))
    return predict_lengths(without, volume_fraction)


def length_band(length: Band) -> tuple[Band, Band]:
    """Give the band of predicted mean lengths, from low to high: `BAND` on the excess over 1."""
    return 1.0 + (length - 1.0) / BAND, 1.0 + (length - 1.0) * BAND


def look_ahead(
    parameters: Parameters,
    particles: Particles | None = None,
    system: ReducedSystem | None = None,
) -> Outlook:
    """Collect what is known about a film before it is simulated.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    particles, system : optional
        Its particles and its reduced system, where they are made already.

    Returns
    -------
    Outlook
        The numbers, in SI.
    """
    particles = particles or draw(parameters)
    system = system or reduce(parameters, particles)
    sizes, carrier = parameters.particles, parameters.carrier
    median_core = sizes.core_diameter
    tail_core = float(np.median(particles.largest_tenth()))
    largest_core = size_quantile(parameters, 1.0)
    couplings = _contact_couplings(parameters, np.array([median_core, tail_core, largest_core]))
    moments = dipolar.moments(parameters, [median_core, tail_core])
    langevin = moments * parameters.field.largest / (BOLTZMANN * carrier.temperature)
    if sizes.is_multicore:
        langevin[:] = dipolar.core_langevin_parameter(parameters, parameters.field.largest)
    lengths = predict_lengths(parameters, particles.volume_fraction)
    diffusion_time = system.units.time_s
    pair = head_to_tail(parameters, median_core, median_core)
    growth = chain_growth(diffusion_time, particles.volume_fraction, pair.coupling_at_minimum)
    growth_time = growth.time_to(lengths.central)
    bond_life = laws.bond_life(diffusion_time, float(couplings[1]))
    mass, inertia = material.mass_and_inertia(
        median_core, sizes.diameter, sizes.body_density, sizes.shell_density
    )
    is_strong = of_each(
        lambda cores: _contact_couplings(parameters, cores) > CHAINING_COUPLING,
        particles.core_diameter,
    )
    return Outlook(
        particles=particles,
        system=system,
        tail_core=tail_core,
        coupling=float(couplings[0]),
        coupling_tail=float(couplings[1]),
        coupling_largest=float(couplings[2]),
        langevin=float(langevin[0]),
        langevin_tail=float(langevin[1]),
        strong_share=float(np.mean(is_strong)),
        diffusion_time=diffusion_time,
        brown_time=material.brown_time(carrier.viscosity, sizes.diameter, carrier.temperature),
        neel_time=neel_time(parameters, sizes.sizes.single_core, "simple"),
        neel_time_high_barrier=neel_time(parameters, sizes.sizes.single_core, "high_barrier"),
        pair=pair,
        pair_tail=head_to_tail(parameters, tail_core, tail_core),
        lengths=lengths,
        lengths_off=_lengths_off(parameters, particles.volume_fraction),
        grown_length=(
            lengths.central
            if parameters.run.is_sampled
            else growth.length_after(parameters.run.duration)
        ),
        growth_time=growth_time,
        bond_life=min(bond_life, LARGEST_TIME),
        film_time=min(max(growth_time, SETTLING_LIVES * bond_life), LARGEST_TIME),
        spacing=sizes.diameter * math.sqrt(math.pi / (6.0 * particles.volume_fraction)),
        momentum_time=parameters.run.mass_factor
        * material.momentum_time(mass, sizes.diameter, carrier.viscosity),
        spin_time=parameters.run.mass_factor
        * material.spin_time(inertia, sizes.diameter, carrier.viscosity),
    )
