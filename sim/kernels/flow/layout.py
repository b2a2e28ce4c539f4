"""What the loops of the flow work on: named tuples of arrays and of numbers, no behaviour.

Columns of the grid are three components, each of ``2 half`` functions across the film: even
ones first, then odd ones. Lengths are in d0, times in d0^2/D0, forces in kT/d0.
"""

from typing import Any, NamedTuple

# Particles are cut into so many blocks, whatever the threads.
BLOCKS = 64
# Vectors that are multiplied at once by the near part: noise of so many steps.
LANES = 8
SEED, FIRST, LANE = 0, 1, 2  # of the clock of ``NearFlow``


class FlowGrid(NamedTuple):
    """Particles, and the grid that their forces are spread on."""

    count: Any  # int
    x: Any  # float64 (>= count,) positions
    y: Any
    z: Any
    force: Any  # float64 (3, >= count) forces
    velocity: Any  # float64 (3, >= count) result
    first: Any  # int64 (count, 2) first grid point under the window
    weights: Any  # float32 (count, 2, window)
    across: Any  # float32 (count, 2 half) functions at the particle's height
    grid: Any  # float32 (nx, ny, 3, 2 half)
    side_x: Any
    side_y: Any
    thickness: Any
    profiles: Any  # float64 (2, polynomials, half) even and odd functions of Legendre polynomials
    window: Any  # int, grid points under the window
    shape: Any  # its steepness


class FlowModes(NamedTuple):
    """What stands between the transforms."""

    spectrum: Any  # float32 (nx, ny/2 + 1, 3, 2 half, 2) forces; velocities on return
    table: Any  # float32, rows of all modes one after the other
    begin: Any  # int64 (nx/2 + 1, ny/2 + 1) where those of a wave vector begin, or -1
    counts: Any  # int64 (nx/2 + 1, ny/2 + 1, 4) modes along and across, even and odd; beside too
    wave_x: Any  # (nx,) wave numbers
    wave_y: Any  # (ny/2 + 1,)
    scale_x: Any  # (nx,) 1/transform of the window
    scale_y: Any  # (ny/2 + 1,)
    pace: Any  # factor on the velocities by forces
    amplitude: Any  # factor on the noise; 0 without
    step: Any  # uint64, of the noise
    seed: Any  # uint64


class NearFlow(NamedTuple):
    """Pairs whose flow is summed directly, where the list found them; one row a slot."""

    count: Any  # int
    x: Any  # float64 (>= count,) places at the last list
    y: Any
    z: Any
    radius: Any
    mobility: Any  # D_i/D0 far from the windows
    kick: Any  # sqrt(2 D dt)
    identity: Any  # uint32
    neighbours: Any  # of the step, see ``steps.layout``
    side_x: Any
    side_y: Any
    thickness: Any
    reach2: Any
    table: Any  # (points, 2) A and B of near pairs by distance
    points_per_length: Any
    own: Any  # the near part of a sphere's own mobility
    least: Any  # least share of its mobility that the near part keeps
    smooth: Any  # (points, 2) the smooth part of a particle's mobility by height, along and across
    heights_per_length: Any
    share: Any  # (2, >= count) factors of the near part, along and across
    tilt: Any  # (2, >= count) their slopes d/dz
    drift: Any  # (3, >= count) div M of the near part
    pairs: Any  # int64 (>= count,) near pairs of each slot, from the list's ``start`` on
    other: Any  # int32 (entries,)
    tensor: Any  # float32 (entries, 5) A, B and direction of each pair
    vector: Any  # float64 (count, 3, LANES) to be multiplied, times the factors of the near part
    product: Any  # float64 (count, 3, LANES)
    pushed: Any  # float64 (count, 3) half moves by force, times the factors of the near part
    moved: Any  # places, forces and momenta, which a step changes: ``MovedSlots``
    noise: Any  # float64 (LANES, >= count, 3) noise of the steps from the last list on
    clock: Any  # (3,) uint64: seed, step of the first lane, lane of the present step
    drift_time: Any  # for how long the drift acts in a step


class MovedSlots(NamedTuple):
    """What a step of the near flow moves."""

    x: Any  # float64 (>= count,)
    y: Any
    z: Any
    momentum: Any  # (6, >= count), of which three are the noise of the step before
    force: Any  # (3, >= count) forces of this step
