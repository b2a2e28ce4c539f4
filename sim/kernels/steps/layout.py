"""How the compiled step lays out a film: named tuples of arrays and of numbers, no behaviour.

Slots are particles sorted in space; the number of slots is the number of particles rounded
up to whole vectors. Padding slots have no moment, no mobility and no neighbours.
Lengths are in d0, energies in kT, times in d0^2/D0, moments such that two of them at
distance r have the energy m^2/r^3.
"""

from typing import Any, NamedTuple

# Slots come in multiples of this, so that every block is whole vectors of either float type.
STRIDE = 16
# Work is cut into at least this many blocks, of at most this many slots, whatever the threads.
BLOCKS = 64
BLOCK = 256
AXES = 6  # three to move along, three to turn about

CUTOFF = 0
EXACT = 1
MESH = 2

STEP_DONE = 0
LIST_FULL = 1
THROWN = 2


class Slots(NamedTuple):
    """One entry per slot; ``identity`` says which particle sits there."""

    reals: Any  # (12 to 27, slots) float64: x to twist; what else moves with slots, if any
    x: Any  # position; x and y run on beyond the patch until the next sort
    y: Any
    z: Any
    ux: Any  # direction of the moment
    uy: Any
    uz: Any
    radius: Any  # half the steric diameter
    moment: Any
    mobility: Any  # D_i/D0
    turning: Any  # rotational diffusion times d0^2/D0
    kick: Any  # sqrt(2 D dt), sqrt(2 D_rot dt)
    twist: Any
    reference_x: Any  # position when the list was built
    reference_y: Any
    reference_z: Any
    last_noise: Any  # (6, slots) float32, the normals of the step before
    identity: Any  # uint32
    image_x: Any  # int32, whole periods left behind at sorts
    image_y: Any
    momentum: Any = None  # (6, slots) in thermal units, three to move and three to turn
    drag: Any = None  # (2, slots) tanh(step/(2 momentum time)) of moving and of turning
    saturation: Any = None  # largest moment, where moments are induced
    smooth: Any = None  # (6, slots) force and field of the mesh, kept until it is summed again
    earlier: Any = None  # (7, slots) sums of the outer step before, where steps have inner ones


class Neighbours(NamedTuple):
    """The list: ``entries[start[i] : start[i] + count[i]]`` are row numbers times eight."""

    entries: Any  # uint32, an equal share a block
    start: Any  # int64
    count: Any  # int64, padded up to whole vectors
    apart: Any  # int64, how many of them, the first ones, cannot touch; whole vectors
    cell: Any  # int64, the cell of each slot
    cell_start: Any  # int64
    key: Any  # int64, work space of the sort
    order: Any  # int64, work space of the sort
    scratch: Any  # (threads or arrays, slots) float64 work space of the sort


class Patch(NamedTuple):
    """The film and the list's geometry."""

    side_x: float
    side_y: float
    thickness: float
    cells_x: int
    cells_y: int
    cells_z: int
    reach: float  # range of the list: force range and margin
    touch: float  # range of repulsion, or of near pairs, and margin
    margin: float
    period_z: float  # period of the fixed-point z, far beyond the film


class Laws(NamedTuple):
    """Constants of the forces and of the step."""

    steric: int
    strength: float  # of the soft core
    shell: float
    grafting: float
    window_strength: float
    cutoff: float  # of the dipoles; 0 where another sum takes them
    long_range: int
    dt: float  # of a move
    drift_cap: float  # longest drift of a step
    drift_limit: float  # a longer uncapped drift stops the run
    momenta: bool = False  # whether the step is that of ``splitting``, else that of ``motion``
    hindered: bool = False  # whether the windows slow what is near them
    noise: float = 1.0  # factor on the noise of ``splitting``; 0 only to check a law without it
    added_acts: Any = ()  # which of the added pair laws act, in the order of ``laws.pairs.ADDED``
    added: Any = ()  # the constants of each of them
    added_reach: float = 0.0  # range of all
    body_forces: bool = False  # whether gravity or a gradient of the field acts
    core_weight: float = 0.0  # 4 pi/3 times the buoyant weight per volume, of cores
    shell_weight: float = 0.0  # and of shells
    down_x: float = 0.0  # unit vector of gravity
    down_y: float = 0.0
    down_z: float = -1.0
    core_stiffness: float = 0.0  # of cores that touch under layers of surfactant


class FieldTable(NamedTuple):
    """The applied field over time: one row a stage."""

    start: Any  # (stages + 1,) times
    kind: Any  # int64
    first: Any  # (stages, 3) field at the start of the stage; of TURN the cosine's part
    last: Any  # (stages, 3) at its end; of TURN the sine's part
    pace: Any  # (stages,) angle per time of TURN
    slope: Any  # (6,) steady gradient of all stages but CURVE: xx, yy, zz, xy, xz, yz
    span: Any  # (stages,) time that the pieces of a CURVE cover; then they repeat
    piece: Any  # (stages + 1,) int64 first piece of each stage
    curve: Any  # (pieces, 4, 9) powers 0 to 3 of the share of a piece; field and gradient


class LongRange(NamedTuple):
    """A dipole sum besides the pairs: moments put to it, and what it found (one row per slot)."""

    mx: Any
    my: Any
    mz: Any
    field: Any
    force: Any


class Scratch(NamedTuple):
    """What the parts of a step hand on within a block; one row per thread."""

    sums: Any  # (threads, 8 BLOCK) float64, all sums
    words: Any  # (threads, AXES, BLOCK) uint32 random words
    fresh: Any  # (threads, AXES, BLOCK) float32 normals of this step
    drift2: Any  # (threads, BLOCK) squared uncapped drifts
    travel2: Any  # (threads, BLOCK) squared distances since the list was built


class Calls(NamedTuple):
    """Addresses of the kernels that call each other, int64 arrays; see ``blocks``."""

    fresh: Any  # (1,) sorts and lists if due
    wrap: Any  # (1,)
    sort_array: Any  # (1,)
    list_block: Any  # (1,)
    pack: Any  # (1,)
    field: Any  # (1,) the applied field of a step
    far: Any  # (1,) a sum that is made in each step, or 0
    exact: Any  # (2,) the exact sum and its own film, or zeros
    parts: Any  # (parts,) the parts of a step, in order


class Film(NamedTuple):
    """All that the compiled step works on."""

    slots: Any
    rows: Any  # (2, 8 (slots + 1)) two row buffers
    row_words: Any  # the same as integers
    lanes: int  # of a vector of their float type
    pairs: Any  # (threads, 8 BLOCK) sums of the pair loop, of the rows' float type
    neighbours: Any
    patch: Any
    laws: Any
    programme: Any  # FieldTable
    long_range: Any
    screening: Any  # table of `screened_radial` beside a mesh, else None
    energy_screening: Any  # the same in float64
    applied: Any  # (9,) the field of this step and its gradient
    magnetisation: Any  # (3,) moment per volume, for the field beyond a cut-off
    clock: Any  # (2,) uint64, moves made (a step has several where it has inner ones) and the seed
    flags: Any  # int64, see ``step``
    scratch: Any
    totals: Any
    calls: Any
    count: Any  # int, particles
    beads: Any = None  # Beads, where moments are induced
    split: Any = None  # Split, where a step is several inner steps
    flow: Any = None  # (3, slots) forces, where the flow that particles stir up is there


class Split(NamedTuple):
    """An outer step in inner steps; see ``split_steps``."""

    inner: Any  # int, inner steps of an outer one
    ahead: Any  # how far the kept sums are continued, in outer steps
    near: Any  # NearPairs
    held: Any  # (7, slots) float64 sums that the inner steps keep: F, S, E of ``pair_sums``
    outer: Any  # (parts,) int64 addresses of what is done at the start of an outer step


class NearPairs(NamedTuple):
    """The list of near pairs, by groups of as many slots as a vector has lanes.

    Group g has ``count[g]`` rounds from ``start[g]`` on; a round holds one neighbour of each slot.
    """

    entries: Any  # uint32 row numbers times eight, an equal share a block
    start: Any  # int64, one per group
    count: Any  # int64
    needed: Any  # (blocks,) int64 entries that the blocks need
    gap: Any  # beyond the reach of the repulsion, of the rows' float type; where near fades to far


class Beads(NamedTuple):
    """Moments that are induced, and the field that induces them; one row per slot."""

    moments: Any  # (count, 3)
    field: Any  # (count, 3)


class Totals(NamedTuple):
    """What each block reports of a step."""

    farthest: Any  # (blocks,) largest squared displacement since the list was built
    capped: Any  # (blocks,) int64 capped drifts
    thrown: Any  # (blocks,) int64 slot that moved too far, or -1
    moment: Any  # (blocks, 3) sum of moments after the step
    needed: Any  # (blocks,) int64 entries of the list
    energy: Any  # (blocks, columns) see ``energies``


class DipoleFilm(NamedTuple):
    """Dipoles to be summed exactly, and room for what is found."""

    x: Any  # (>= count,) positions; z from 0 to the thickness that was planned for
    y: Any
    z: Any
    mx: Any  # (>= count,) moments
    my: Any
    mz: Any
    count: Any  # int
    plan: Any  # EwaldPlan
    work: Any  # EwaldWork for at least ``count`` dipoles, scratch
    field: Any  # (>= count, 3) results; energy of the cell -1/2 sum m . field,
    force: Any  # force = -gradient of it
    total: Any  # (1,) moment across the film
    calls: Any  # (4,) int64 addresses of the kernels below


class MeshFilm(NamedTuple):
    """Dipoles and the grid that they are summed on."""

    count: Any  # int
    x: Any  # float64 (>= count,) positions
    y: Any
    z: Any
    mx: Any  # float64 (>= count,) moments
    my: Any
    mz: Any
    shape: Any  # MeshShape
    window: Any  # (degree + 1) span polynomial coefficients
    columns: Any  # int64 (count,) first grid column of each dipole
    starts: Any  # int64 where each column starts in ``order``
    order: Any  # int64 (count,) dipoles by column; neighbours on the grid follow one another
    grid: Any  # (nx, ny, layers + span - width); the last columns take zero weights only
    round: Any  # (1,) int64, slabs are spread in two rounds
    total: Any  # (1,) moment across the film
    field: Any  # float64 (>= count, 3) results; a dipole's own cloud is left out
    force: Any


class SpectrumFilm(NamedTuple):
    """What stands between the transforms."""

    charges: Any  # complex (nx, ny/2 + 1, layers) charges by in-plane wave vector and layer
    spectrum: Any  # complex (nx, ny/2 + 1, nz) of the charges; potential after the transform back
    influence: Any  # (nx/2 + 1, ny/2 + 1, nz/2 + 1), even in all wave numbers
    decay: Any  # float64 (nx/2 + 1, ny/2 + 1)
    layer: Any
