"""Filling the named tuples of the compiled step from a reduced system and a state."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.interactions.ewald_plan import EwaldPlan, EwaldWork, make_work, plan_exact
from sim.kernels.steps import energies, layout, lists, rows
from sim.kernels.steps.applied_field import KINDS
from sim.kernels.steps.near_pairs import TOUCH

if TYPE_CHECKING:
    from typing import Any

    from sim.film.field_programme import FieldStage
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = [
    "aligned",
    "clock_of",
    "empty_entries",
    "empty_neighbours",
    "field_table",
    "laws_of",
    "long_range_of",
    "patch_of",
    "scratch_of",
    "slots_of",
    "split_of",
    "totals_of",
]

# First guess of the list's length, in multiples of the mean number of neighbours.
LIST_ROOM = 2.0
SPARE_ENTRIES = 4096
NEAR_ROOM = 8  # entries per slot
# Beyond the reach of their repulsion, pairs up to this distance may touch within an outer step;
# up to it the part of their dipoles that is summed in each inner step fades out.
NEAR_GAP = 0.4
ENDLESS = 1.0e300
CACHE_LINE = 64
MOMENTUM_ROWS = 8
SMOOTH_ROWS = 6
HELD_ROWS = 7


def aligned(shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
    """Return zeros that start on a cache line, so that no row straddles two."""
    size = math.prod(shape) * np.dtype(dtype).itemsize
    raw = np.zeros(size + CACHE_LINE, np.uint8)
    start = -raw.ctypes.data % CACHE_LINE
    array: NDArray[Any] = raw[start : start + size].view(dtype).reshape(shape)
    return array


def _touching_range(system: ReducedSystem) -> float:
    """Return the distance up to which the pair loop looks for more than dipoles."""
    largest = float(system.radius.max())
    near = TOUCH * 2.0 * largest + NEAR_GAP if system.inner_steps > 1 else 0.0
    return max(system.repulsion.reach(largest), near)


def _dipolar_range(system: ReducedSystem) -> float:
    """Return the distance up to which the pair loop takes dipoles."""
    if system.mesh is not None:
        return system.mesh.cutoff
    return system.cutoff if system.dipole_sum == "cutoff" else 0.0


def _long_range(system: ReducedSystem) -> int:
    """Return the mark of the sum that takes what the pair loop leaves of the dipoles."""
    if system.mesh is not None:
        return layout.MESH
    return layout.CUTOFF if system.dipole_sum == "cutoff" else layout.EXACT


def patch_of(system: ReducedSystem) -> layout.Patch:
    """Return the geometry of the film and of the list's cells."""
    dipolar = _dipolar_range(system)
    touch = _touching_range(system)
    flow = 0.0 if system.flow is None else system.flow.reach
    reach = max(dipolar, touch, system.added_reach, flow) + system.list_margin
    side_x, side_y = system.sides
    return layout.Patch(
        side_x=side_x,
        side_y=side_y,
        thickness=system.thickness,
        cells_x=max(1, int(side_x / reach)),
        cells_y=max(1, int(side_y / reach)),
        cells_z=max(1, int(system.thickness / reach)),
        reach=reach,
        touch=touch + system.list_margin,
        margin=system.list_margin,
        period_z=rows.far_period(system.thickness, reach),
    )


def laws_of(system: ReducedSystem, drift_cap: float, drift_limit: float) -> layout.Laws:
    """Return the constants of forces and step."""
    return layout.Laws(
        steric=system.repulsion.kind,
        strength=system.repulsion.strength,
        shell=system.repulsion.shell,
        grafting=system.repulsion.grafting,
        window_strength=system.window_strength,
        cutoff=_dipolar_range(system),
        long_range=_long_range(system),
        dt=system.inner_dt,
        drift_cap=drift_cap,
        drift_limit=drift_limit,
        momenta=system.has_momenta,
        hindered=system.hindered,
        noise=system.noise,
        added_acts=tuple(law.acts for law in system.added.laws),
        added=tuple(law.constants for law in system.added.laws),
        added_reach=system.added_reach,
        body_forces=system.has_body_forces,
        core_weight=system.body.core_weight,
        shell_weight=system.body.shell_weight,
        core_stiffness=system.core_stiffness,
        **dict(zip(("down_x", "down_y", "down_z"), system.body.down, strict=True)),
    )


def field_table(
    stages: tuple[FieldStage, ...], gradient: tuple[float, ...] = (0.0,) * 6
) -> layout.FieldTable:
    """Return the programme as arrays; what it is at the end of the last stage stays."""
    curves = [np.zeros((0, 4, 9)) if stage.curve is None else stage.curve for stage in stages]
    ends = np.cumsum([min(stage.duration, ENDLESS) for stage in stages])
    kinds = [KINDS[stage.kind] for stage in stages]
    start = np.concatenate([[0.0], ends])
    return layout.FieldTable(
        start=start,
        kind=np.array(kinds, np.int64),
        first=np.array([stage.first for stage in stages], np.float64),
        last=np.array([stage.last for stage in stages], np.float64),
        pace=np.array([stage.pace for stage in stages], np.float64),
        slope=np.array(gradient, np.float64),
        span=np.array([stage.span for stage in stages], np.float64),
        piece=np.cumsum([0, *map(len, curves)], dtype=np.int64),
        curve=np.ascontiguousarray(np.concatenate(curves)),
    )


def slots_of(system: ReducedSystem, state: FilmState) -> layout.Slots:
    """Return slots in the order of the state, padded to whole vectors."""
    count = system.count
    size = layout.STRIDE * math.ceil(count / layout.STRIDE)

    def padded(values: Any, fill: float, dtype: Any = np.float64) -> NDArray[Any]:
        array = aligned((size,), dtype)
        array[:count] = values
        array[count:] = fill
        return array

    middle = 0.5 * system.thickness
    x, y, z = state.positions.T
    ux, uy, uz = (1.0, 0.0, 0.0) if system.induced else state.directions.T
    moment = 0.0 if system.induced else system.moment  # induced ones are found before a step
    rows = (
        (x, 0.0), (y, 0.0), (z, middle), (ux, 1.0), (uy, 0.0), (uz, 0.0),
        (system.radius, 0.5), (moment, 0.0), (system.mobility, 0.0),
        (system.turning, 0.0), (np.sqrt(2.0 * system.mobility * system.inner_dt), 0.0),
        (np.sqrt(2.0 * system.turning * system.inner_dt), 0.0),
    )  # fmt: skip
    saturation_rows = 1 if system.induced else 0
    smooth_rows = SMOOTH_ROWS if system.mesh is not None else 0
    earlier_rows = HELD_ROWS if system.inner_steps > 1 else 0
    extra = MOMENTUM_ROWS if system.has_momenta else 0
    beside = saturation_rows, smooth_rows, earlier_rows, extra
    reals = aligned((len(rows) + sum(beside), size), np.float64)
    for row, (values, fill) in enumerate(rows):
        reals[row] = padded(values, fill)
    names = layout.Slots._fields[1 : 1 + len(rows)]
    saturation, smooth, earlier, momenta = np.split(reals[len(rows) :], np.cumsum(beside[:-1]))
    if system.induced:
        saturation[0, :count] = system.saturation
    drag = np.array([[1.0], [1.0]])
    if extra:
        drag = momenta[6:]
        drag[:] = 1.0
        drag[:, :count] = system.drags()
        reals[len(rows) - 2 : len(rows)] *= np.sqrt(drag)
    else:
        reals[len(rows) - 2 : len(rows)] *= system.noise
    return layout.Slots(
        reals=reals,
        **dict(zip(names, reals, strict=False)),
        reference_x=padded(x, 0.0),
        reference_y=padded(y, 0.0),
        reference_z=padded(z, middle),
        last_noise=aligned((6, size), np.float32),
        identity=padded(np.arange(count), 0, np.uint32),
        image_x=padded(state.image[:, 0], 0, np.int32),
        image_y=padded(state.image[:, 1], 0, np.int32),
        momentum=momenta[:6] if extra else np.zeros((6, 1)),
        drag=drag,
        saturation=saturation[0] if saturation_rows else np.zeros(1),
        smooth=smooth if smooth_rows else np.zeros((SMOOTH_ROWS, 1)),
        earlier=earlier if earlier_rows else np.zeros((HELD_ROWS, 1)),
    )


def first_room(system: ReducedSystem, patch: layout.Patch) -> int:
    """Return a first guess of the list's entries per block."""
    volume = patch.side_x * patch.side_y * patch.thickness
    mean = system.count / volume * 4.0 / 3.0 * math.pi * patch.reach**3
    blocks = lists.blocks_of(system.count)
    return int(LIST_ROOM * (mean + 16.0) * system.count / blocks) + SPARE_ENTRIES


def empty_entries(size: int, room: int) -> NDArray[np.uint32]:
    """Return room for the entries of a list of ``size`` slots, ``room`` a block."""
    return np.zeros(lists.blocks_of(size) * room + layout.STRIDE, np.uint32)


def empty_neighbours(size: int, patch: layout.Patch, room: int, sorters: int) -> layout.Neighbours:
    """Return an empty list with ``room`` entries per block; ``sorters`` rows to sort slots in."""
    cells = patch.cells_x * patch.cells_y * patch.cells_z
    return layout.Neighbours(
        entries=empty_entries(size, room),
        start=np.zeros(size, np.int64),
        count=np.zeros(size, np.int64),
        apart=np.zeros(size, np.int64),
        cell=np.zeros(size, np.int64),
        cell_start=np.zeros(cells + 1, np.int64),
        key=np.zeros(size, np.int64),
        order=np.zeros(size, np.int64),
        scratch=np.zeros((sorters, size)),
    )


def long_range_of(
    system: ReducedSystem, size: int
) -> tuple[EwaldPlan | None, EwaldWork | None, layout.LongRange]:
    """Return plan and work space of the exact sum, None without, and arrays of that or a mesh.

    With a cut-off the arrays are a token.
    """
    kind = _long_range(system)
    rows_needed = 1 if kind == layout.CUTOFF else size
    arrays = layout.LongRange(
        mx=np.zeros(rows_needed),
        my=np.zeros(rows_needed),
        mz=np.zeros(rows_needed),
        field=np.zeros((rows_needed, 3)),
        force=np.zeros((rows_needed, 3)),
    )
    if kind != layout.EXACT:
        return None, None, arrays
    plan = plan_exact(system.sides, system.thickness, system.tolerance, system.count)
    return plan, make_work(plan, rows_needed), arrays


def clock_of(system: ReducedSystem, step: int, seed: int) -> NDArray[np.uint64]:
    """Return the moves made up to a step, and the seed."""
    return np.array([step * system.inner_steps % 2**64, seed], np.uint64)


def totals_of(size: int) -> layout.Totals:
    """Return room for what the blocks of ``size`` slots report."""
    blocks = lists.blocks_of(size)
    return layout.Totals(
        farthest=np.zeros(blocks),
        capped=np.zeros(blocks, np.int64),
        thrown=np.full(blocks, -1, np.int64),
        moment=np.zeros((blocks, 3)),
        needed=np.zeros(blocks, np.int64),
        energy=np.zeros((blocks, energies.COLUMNS)),
    )


def near_room(system: ReducedSystem) -> int:
    """Return a first guess of the entries of near pairs a block."""
    slots: int = math.ceil(system.count / lists.blocks_of(system.count))
    return NEAR_ROOM * slots + SPARE_ENTRIES


def split_of(system: ReducedSystem, size: int, real: Any) -> layout.Split:
    """Return room for what the inner steps of an outer one share."""
    blocks = lists.blocks_of(size)
    groups = size * np.dtype(real).itemsize // 64
    return layout.Split(
        inner=system.inner_steps,
        ahead=0.5 * (system.inner_steps - 1) / system.inner_steps,
        near=layout.NearPairs(
            entries=empty_entries(size, near_room(system)),
            start=np.zeros(groups, np.int64),
            count=np.zeros(groups, np.int64),
            needed=np.zeros(blocks, np.int64),
            gap=real(NEAR_GAP),
        ),
        held=aligned((HELD_ROWS, size), np.float64),
        outer=np.zeros(3 if system.mesh is not None else 2, np.int64),
    )


def scratch_of(threads: int) -> layout.Scratch:
    """Return what the parts of a step hand on, for so many threads."""
    block, axes = layout.BLOCK, layout.AXES
    return layout.Scratch(
        sums=aligned((threads, 8 * block), np.float64),
        words=aligned((threads, axes, block), np.uint32),
        fresh=aligned((threads, axes, block), np.float32),
        drift2=aligned((threads, block), np.float64),
        travel2=aligned((threads, block), np.float64),
    )
