"""Films whose chains are known because they were put there: answers for the measurements.

``straight_chains`` and ``ring`` plant single frames; ``planted_run`` writes a whole run file
in the layout of the program, so that measurements, figures and the report can be tested
without the engine. Nothing here imports the packages under test.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

BOLTZMANN = 1.380649e-23
MU0 = 4e-7 * math.pi
DIAMETER = 24e-9
MOMENT = 446e3 * math.pi * (20e-9) ** 3 / 6  # 20 nm magnetite core
TEMPERATURE = 298.15
VISCOSITY = 1.5e-3


@dataclass(frozen=True)
class Planted:
    """One frame with a known answer: arrays in SI, ``chain`` (N,) the planted chain."""

    positions: np.ndarray
    moments: np.ndarray
    diameters: np.ndarray
    sides: tuple[float, float]
    thickness: float
    chain: np.ndarray

    def frame(self):
        """Arguments of ``find_chains`` in their order."""
        return self.positions, self.moments, self.diameters, self.sides

    def joined(self, other: Planted) -> Planted:
        """Both sets of particles in one film (that of the first)."""
        return Planted(
            np.concatenate([self.positions, other.positions]),
            np.concatenate([self.moments, other.moments]),
            np.concatenate([self.diameters, other.diameters]),
            self.sides,
            self.thickness,
            np.concatenate([self.chain, other.chain + self.chain.max() + 1]),
        )


def wrapped(positions: np.ndarray, sides) -> np.ndarray:
    """Positions wrapped into the patch in x and y."""
    out = np.array(positions, dtype=float)
    for axis in (0, 1):
        out[:, axis] %= sides[axis]
        out[out[:, axis] >= sides[axis], axis] = 0.0
    return out


def unit(vector) -> np.ndarray:
    """The vector divided by its length."""
    vector = np.asarray(vector, dtype=float)
    return vector / np.linalg.norm(vector)


def straight_chains(
    starts,
    lengths,
    *,
    direction=(1, 0, 0),
    sides=(2e-6, 0.6e-6),
    thickness=0.4e-6,
    diameters=DIAMETER,
    bond=1.02,
    noise=0.0,
    seed=0,
) -> Planted:
    """Straight chains of the given lengths from the given first centres.

    ``direction`` is one vector or one a chain, ``bond`` the centre distance in mean diameters,
    ``noise`` the standard deviation of every coordinate in metres, ``diameters`` a number or
    (sum of lengths,) metres.
    """
    rng = np.random.default_rng(seed)
    starts = np.asarray(starts, dtype=float)
    directions = np.broadcast_to(np.asarray(direction, dtype=float), starts.shape)
    total = int(np.sum(lengths))
    size = np.broadcast_to(np.asarray(diameters, dtype=float), (total,)).copy()
    positions, axes, chain, row = [], [], [], 0
    for index, (start, axis, length) in enumerate(zip(starts, directions, lengths, strict=True)):
        own = size[row : row + length]
        along = np.concatenate([[0.0], np.cumsum(0.5 * (own[1:] + own[:-1])) * bond])
        positions.append(start + along[:, None] * unit(axis))
        axes.append(np.broadcast_to(unit(axis), (length, 3)))
        chain.append(np.full(length, index))
        row += length
    points = np.concatenate(positions)
    points = points + noise * rng.standard_normal(points.shape)
    moments = np.concatenate(axes) * (MOMENT * (size / DIAMETER) ** 3)[:, None]
    return Planted(
        wrapped(points, sides), moments, size, tuple(sides), thickness, np.concatenate(chain)
    )


def ring(count, centre, *, sides=(2e-6, 0.6e-6), thickness=0.4e-6, bond=1.02) -> Planted:
    """A closed ring of moments head to tail, in the plane of the film."""
    angle = 2 * math.pi * np.arange(count) / count
    radius = 0.5 * bond * DIAMETER / math.sin(math.pi / count)
    positions = np.asarray(centre, dtype=float) + radius * np.stack(
        [np.cos(angle), np.sin(angle), np.zeros(count)], axis=1
    )
    moments = MOMENT * np.stack([-np.sin(angle), np.cos(angle), np.zeros(count)], axis=1)
    return Planted(
        wrapped(positions, sides),
        moments,
        np.full(count, DIAMETER),
        tuple(sides),
        thickness,
        np.zeros(count, dtype=int),
    )


def langevin_directions(rng, count, parameter, axis=(1, 0, 0)) -> np.ndarray:
    """Unit vectors from the Boltzmann law exp(parameter cos) about an axis, exact inversion."""
    share = rng.random(count)
    if parameter > 1e-9:
        cosine = 1 + np.log(share + (1 - share) * math.exp(-2 * parameter)) / parameter
    else:
        cosine = 2 * share - 1
    turn = 2 * math.pi * rng.random(count)
    sine = np.sqrt(np.maximum(0.0, 1 - cosine**2))
    local = np.stack([cosine, sine * np.cos(turn), sine * np.sin(turn)], axis=1)
    axis = unit(axis)
    side = unit(np.cross(axis, [0, 0, 1] if abs(axis[2]) < 0.9 else [0, 1, 0]))
    return local @ np.stack([axis, side, np.cross(axis, side)])


def _lanes(sides, thickness, spacing, axis):
    """Cross-section places of the lanes, on a grid as near to the spacing as the patch allows."""
    if axis == 2:
        counts = [max(1, round(side / spacing)) for side in sides]
        grids = [(np.arange(n) + 0.5) * side / n for n, side in zip(counts, sides, strict=True)]
    else:
        across = sides[1 - axis]
        columns = max(1, round(across / spacing))
        layers = max(1, round((thickness - 2 * DIAMETER) / spacing) + 1)
        heights = np.linspace(1.2 * DIAMETER, thickness - 1.2 * DIAMETER, layers)
        grids = [(np.arange(columns) + 0.5) * across / columns, heights]
    first, second = np.meshgrid(*grids, indexing="ij")
    return np.stack([first.ravel(), second.ravel()], axis=1)


def _lane_frame(rng, sites, extent, threshold, mean, closed):
    """Places along one lane: bonds break in the order of their fixed numbers."""
    broken = threshold < max(0.0, sites / mean - 1) / (sites - 1)
    broken[-1] = True
    breaks = int(broken.sum()) + (1 if closed else 0)
    gap = (extent - sites * 1.02 * DIAMETER) / breaks
    steps = np.where(broken[:-1], 1.02 * DIAMETER + gap, 1.02 * DIAMETER)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    return along + (0.5 * (gap + DIAMETER) if closed else 0.0), broken


def planted_run(
    path,
    *,
    frames=20,
    duration=2e-4,
    sides=(1.2e-6, 0.6e-6),
    thickness=0.3e-6,
    spacing=100e-9,
    axis=0,
    exponent=0.5,
    plateau=None,
    noise=0.5e-9,
    jitter=6e-9,
    field=0.03,
    switch_off_at=None,
    decay_time=2e-5,
    moments=True,
    seed=1,
    derived=None,
    timing=True,
    provisional=True,
) -> Path:
    """Write a run file of a film whose mean chain length grows as a power of time.

    Lanes along ``axis`` (0, 1 or 2) stand ``spacing`` apart (``jitter`` metres off); along each,
    bonds close one after the other so that the mean length is ``2 (t/(0.04 duration))**
    exponent``, never under 1 (a constant ``plateau`` instead if given). Moments point within some
    ten degrees of the lanes. With ``switch_off_at`` (s) the field goes to zero there, and the
    mean length and the magnetisation fall as exp(-t/decay_time). Returns the path of the file;
    the folder is made where it is missing; a path without ``.h5`` is taken as a folder and gets
    ``run.h5``.
    """
    rng = np.random.default_rng(seed)
    path = Path(path)
    if path.suffix != ".h5":
        path = path / "run.h5"
    path.parent.mkdir(parents=True, exist_ok=True)
    extent = thickness if axis == 2 else sides[axis]
    sites = int(0.72 * extent / DIAMETER)
    lanes = _lanes(sides, thickness, spacing, axis)
    lanes = lanes + jitter * rng.standard_normal(lanes.shape)
    thresholds = rng.random((len(lanes), sites))
    shifts = rng.random(len(lanes)) * (0.0 if axis == 2 else extent)
    count = len(lanes) * sites
    times = np.linspace(0.0, duration, frames + 1)
    others = [k for k in range(3) if k != axis]
    direction = np.eye(3)[axis]
    langevin = MOMENT * field / (BOLTZMANN * TEMPERATURE)
    positions = np.zeros((frames + 1, count, 3))
    vectors = np.zeros((frames + 1, count, 3), dtype=np.float32)
    fields = np.zeros((frames + 1, 3))
    means = []
    segment = np.zeros(count, dtype=int)
    for index, time in enumerate(times):
        grown = min(time, switch_off_at) if switch_off_at is not None else time
        mean = plateau or max(1.0, 2.0 * (grown / (0.04 * duration)) ** exponent)
        parameter = langevin
        off = switch_off_at is not None and time > switch_off_at
        if off:
            fade = math.exp(-(time - switch_off_at) / decay_time)
            mean = 1.0 + (mean - 1.0) * fade
        means.append(mean)
        segments = 0
        for lane, place in enumerate(lanes):
            along, broken = _lane_frame(
                rng, sites, extent, thresholds[lane].copy(), mean, axis == 2
            )
            rows = slice(lane * sites, (lane + 1) * sites)
            segment[rows] = segments + np.concatenate([[0], np.cumsum(broken)[:-1]])
            segments = segment[rows][-1] + 1
            positions[index, rows, axis] = along + shifts[lane]
            positions[index, rows, others[0]] = place[0]
            positions[index, rows, others[1]] = place[1]
        directions = langevin_directions(rng, count, parameter, direction)
        # Bonds must hold the head-to-tail rule: keep moments within 40 degrees while bound.
        directions = unit_rows(directions + 3.0 * direction) if mean > 1 else directions
        if off:
            # Whole chains turn round, so that no bond breaks by it.
            turned = (segment >= fade * segments) & (segment % 2 == 1)
            directions[turned] *= -1.0
        positions[index] += noise * rng.standard_normal((count, 3))
        positions[index] = wrapped(positions[index], sides)
        vectors[index] = MOMENT * directions
        fields[index] = 0.0 if off else field * direction
    _write(
        path,
        times,
        positions,
        vectors if moments else None,
        fields,
        sides,
        thickness,
        _derived(count, sides, thickness, duration, field, direction, derived),
        timing,
        provisional,
        seed,
        means,
    )
    return path


def unit_rows(vectors: np.ndarray) -> np.ndarray:
    """Each row divided by its length."""
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def _derived(count, sides, thickness, duration, field, direction, extra):
    """The numbers that the engine derives, worked out here from their formulas."""
    thermal = BOLTZMANN * TEMPERATURE
    coupling = MU0 * MOMENT**2 / (4 * math.pi * DIAMETER**3 * thermal)
    fraction = count * math.pi * DIAMETER**3 / 6 / (sides[0] * sides[1] * thickness)
    diffusion = thermal / (3 * math.pi * VISCOSITY * DIAMETER)
    unit_time = DIAMETER**2 / diffusion
    langevin = MOMENT * field / thermal
    out = {
        "coupling": coupling,
        "coupling_largest_tenth": coupling,
        "langevin_parameter": langevin,
        "langevin_parameter_largest_tenth": langevin,
        "volume_fraction": fraction,
        "particle_count": count,
        "time_step_s": 5e-9,
        "steps": round(duration / 5e-9),
        "duration_s": duration,
        "diffusion_time_s": unit_time,
        "brown_time_s": math.pi * VISCOSITY * DIAMETER**3 / (2 * thermal),
        "neel_time_s": 7.27e-5,
        "temperature_k": TEMPERATURE,
        "median_diameter_m": DIAMETER,
        "median_moment_am2": MOMENT,
        "largest_field_t": field,
        "field_direction": [float(x) for x in direction],
        "line_density_spacing_m": DIAMETER * math.sqrt(math.pi / (6 * fraction)),
        "predicted_mean_length": 20.0,
        "predicted_mean_length_low": 8.0,
        "predicted_mean_length_high": 50.0,
        "bond_life_largest_tenth_s": unit_time * math.exp(2 * coupling) / (144 * coupling**2),
        "film_formation_time_s": 10.0,
        "moment_relaxation_meaningful": True,
        "dipole_sum": "cutoff",
        "cutoff_m": 6 * DIAMETER,
    }
    out.update(extra or {})
    return out


PARAMETER_TEXT = """title = "planted film"
[particles]
material = "magnetite"
moment = "blocked"
core_diameter = "20 nm"
shell_thickness = "2 nm"
volume_fraction = 0.03
[film]
thickness = "0.3 um"
width = ["1.2 um", "0.6 um"]
[field]
strength = "30 mT"
[run]
duration = "0.2 ms"
"""


def _write(
    path,
    times,
    positions,
    moments,
    fields,
    sides,
    thickness,
    derived,
    timing,
    provisional,
    seed,
    means,
):
    """The file in the layout of the program (H5MD 1.1)."""
    count = positions.shape[1]
    steps = np.round(times / derived["time_step_s"]).astype(np.int64)
    with h5py.File(path, "w", libver="earliest") as file:
        head = file.create_group("h5md")
        head.attrs["version"] = np.array([1, 1], dtype=np.int32)
        head.create_group("author").attrs["name"] = "chainfilm user"
        creator = head.create_group("creator")
        creator.attrs["name"] = "chainfilm"
        creator.attrs["version"] = "0.1.0"
        film = file.create_group("particles/film")
        box = film.create_group("box")
        box.attrs["dimension"] = 3
        box.attrs["boundary"] = np.array(["periodic", "periodic", "none"], dtype="S8")
        edges = box.create_dataset("edges", data=np.array([*sides, thickness]))
        edges.attrs["unit"] = "m"
        film.create_dataset("diameter", data=np.full(count, DIAMETER)).attrs["unit"] = "m"
        film.create_dataset("core_diameter", data=np.full(count, 20e-9)).attrs["unit"] = "m"
        film.create_dataset("moment_magnitude", data=np.full(count, MOMENT)).attrs["unit"] = "A m2"
        rows = {"position": (positions, "m"), "image": (np.zeros(positions.shape, np.int32), "")}
        if moments is not None:
            rows["moment"] = (moments, "A m2")
        for name, (value, unit_text) in rows.items():
            _element(film.create_group(name), value, unit_text, steps, times, film)
        scale = -2.404 * derived["coupling"] / 2
        bound = 1 - 1 / np.asarray(means)
        observables = {
            "field": (fields, "T"),
            "energy_dipolar": (2 * scale * bound, "kT"),
            "energy_steric": (0.9 * bound, "kT"),
            "energy_windows": (0.01 * np.ones(len(times)), "kT"),
        }
        if moments is not None:
            relative = moments.astype(float).mean(axis=1) / MOMENT
            along = relative @ np.asarray(derived["field_direction"])
            observables["magnetisation"] = (relative, "")
            observables["energy_field"] = (-along * derived["langevin_parameter"], "kT")
        group = file.create_group("observables")
        for name, (value, unit_text) in observables.items():
            _element(group.create_group(name), value, unit_text, steps, times, film)
        record = file.create_group("parameters")
        record.attrs["text"] = PARAMETER_TEXT
        record.attrs["derived"] = json.dumps(derived)
        record.attrs["version"] = "0.1.0"
        record.attrs["seed"] = seed
        record.attrs["processor"] = "cpu"
        record.attrs["versions"] = json.dumps({"numpy": np.__version__})
        record.attrs["bonds"] = json.dumps({"distance": 1.3, "alignment": 0.5})
        record.attrs["finished"] = True
        record.attrs["end_reason"] = "duration reached"
        record.attrs["provisional"] = provisional
        if timing:
            record.attrs["timing"] = json.dumps(
                {
                    "compile_s": 4.0,
                    "stepping_s": 20.0,
                    "output_s": 0.3,
                    "steps": int(steps[-1]),
                    "threads": 2,
                }
            )
        record.create_dataset("frames_complete", data=len(times))


def _element(group, value, unit_text, steps, times, film):
    """One H5MD element; step and time are hard links to those of the positions."""
    data = group.create_dataset("value", data=value)
    if unit_text:
        data.attrs["unit"] = unit_text
    if group.name.endswith("/position"):
        group.create_dataset("step", data=steps)
        group.create_dataset("time", data=times).attrs["unit"] = "s"
    else:
        group["step"] = film["position/step"]
        group["time"] = film["position/time"]
