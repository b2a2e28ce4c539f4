"""The end of another run as a starting state, also of another thickness or count.

What can be kept is kept: a film of the same patch is taken as it is, a patch that is a whole number
of times larger is tiled with it. A thicker film gets it in its middle, a thinner one its middle
layer. Particles that are too many are left out, those that are too few are placed at random in
between; larger particles take the places of larger ones.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis.common import file_names, h5md
from analysis.common.arrays import Floats
from analysis.common.seal import COUNT
from sim.files.layout import EDGES, FILM, WHOLE, box_of
from sim.files.opening import RunFileError, open_hdf5
from sim.files.pieces import require_chunks
from sim.film.eased_start import eased_from_run, nearest_to_window
from sim.film.placing import CONTACT_SHARE, SWEEPS, TRIES, CrowdedError, random_directions
from sim.film.state import FilmState
from sim.parameters.types import MOST_PARTICLES

if TYPE_CHECKING:
    import h5py

    from sim.film.reduced_system import ReducedSystem

SIDE_ERROR = 1e-3
"""Sides may differ from a whole number of old ones by this share."""
FEWEST_KEPT = 0.1
"""At least this share of the particles must come from the run."""


def state_from_run(path: str | Path, system: ReducedSystem, seed: int) -> FilmState:
    """Return the last frame of a run, fitted to another film.

    Parameters
    ----------
    path : str or Path
        Folder or run file.
    system : ReducedSystem
        The film to start.
    seed : int
        Decides which particles are left out, and where further ones go.

    Returns
    -------
    FilmState
        At step 0; the field programme starts again, velocities are those of equilibrium.

    Raises
    ------
    RunFileError
        If the file is no run with a frame, or its patch or particles do not fit.
    CrowdedError
        If further or larger particles find no room.
    """
    file = _run_file(path)
    positions, directions, diameters, box = _last_frame(file)
    length = system.units.length_m
    positions, diameters, box = positions / length, diameters / length, box / length
    positions, directions, diameters = _tiled(file, system, box, (positions, directions, diameters))
    positions[:, 2] += 0.5 * (system.thickness - box[2])
    # A film that is not thinner keeps all particles, however deep they dip into its windows.
    near = 0.45 * diameters if system.thickness < box[2] * (1.0 - SIDE_ERROR) else 0.0
    inside = np.flatnonzero((positions[:, 2] > near) & (positions[:, 2] < system.thickness - near))
    if len(inside) < FEWEST_KEPT * system.count:
        raise RunFileError(
            f"[start] path must name a run that fills at least a tenth of the new film; {file} has "
            f"{len(inside)} particles that fit in, and the film needs {system.count}"
        )
    return _fitted(system, seed, positions[inside], directions[inside], diameters[inside])


def field_of_run(path: str | Path) -> list[float] | None:
    """Return the field in T in which a run ended, (3,); None where its file does not tell it.

    Parameters
    ----------
    path : str or Path
        Folder or run file.

    Raises
    ------
    RunFileError
        If the file is no run with a frame.
    """
    with _guarded(_run_file(path)) as content:
        field, frames = content.get("/observables/field/value"), int(content[COUNT][()])
        if field is None or frames < 1:
            return None
        require_chunks(field, frames, frames - 1)
        x, y, z = (float(part) for part in field[frames - 1])
    if not np.isfinite([x, y, z]).all():
        raise RunFileError(f"{path} ends in a field that is not a number")
    return [x, y, z]


def _run_file(path: str | Path) -> Path:
    """Return the run file that a path names."""
    file = Path(path)
    file = file / file_names.RUN if file.is_dir() else file
    if not file.exists():
        raise RunFileError(
            f"[start] path must be the folder of a run or its {file_names.RUN}; received {path}, "
            f"and {file} does not exist."
        )
    return file


@contextlib.contextmanager
def _guarded(file: Path) -> Iterator[h5py.File]:
    """Open a run file; whatever reading it may raise is told as an error of the file."""
    with open_hdf5(file, "r") as content:
        try:
            yield content
        except RunFileError:
            raise
        except OSError as error:  # a checksum that does not fit, or a piece that is lost
            raise RunFileError(f"{file} is damaged: {error}") from error
        except (AttributeError, LookupError, TypeError, ValueError) as error:
            raise RunFileError(f"{file} is an HDF5 file but not a run of chainfilm") from error


def _last_frame(file: Path) -> tuple[Floats, Floats, Floats, Floats]:
    """Return positions (N, 3), directions (N, 3), diameters (N,) and box (3,), in m."""
    with _guarded(file) as content:
        positions, moments, diameters, box = _arrays(content, file)
    size = np.linalg.norm(moments, axis=1)
    if not (np.isfinite(positions).all() and np.isfinite(size).all()):
        raise RunFileError(f"{file} ends with places or moments that are not numbers")
    # Beads without a field have no moment; any direction will do.
    directions = np.tile([1.0, 0.0, 0.0], (len(moments), 1))
    np.divide(moments, size[:, None], out=directions, where=size[:, None] > 0.0)
    return positions, directions, diameters, box


def _arrays(content: h5py.File, file: Path) -> tuple[Floats, Floats, Floats, Floats]:
    """Read positions and moments of the last frame, diameters and box, looked for first."""
    frames, film, edges = int(content[COUNT][()]), content[FILM], EDGES
    if WHOLE in content:  # frames hold a cut-out
        film, edges = content[WHOLE], f"{WHOLE}/box/edges"
        frames = len(film["position/step"])
    diameters = film[h5md.DIAMETER]
    if diameters.size > MOST_PARTICLES:
        raise RunFileError(
            f"[start] path must name a run of at most {MOST_PARTICLES} particles; {file} holds "
            f"{diameters.size}"
        )
    if frames < 1:
        raise RunFileError(f"{file} holds no frame to start from")
    require_chunks(diameters, len(diameters))
    positions, moments = film["position/value"], film["moment/value"]
    for moving in (positions, moments):
        require_chunks(moving, frames, frames - 1)
    last = frames - 1
    return positions[last], moments[last].astype(np.float64), diameters[:], box_of(content, edges)


def _tiled(
    file: Path, system: ReducedSystem, box: Floats, arrays: tuple[Floats, Floats, Floats]
) -> tuple[Floats, Floats, Floats]:
    """Repeat a frame so that it fills the new patch."""
    ratio = np.array(system.sides) / box[:2]
    times = np.rint(ratio).astype(int)
    if (times < 1).any() or (abs(ratio - times) > SIDE_ERROR * times).any():
        unit = system.units.length_m * 1e9
        raise RunFileError(
            f"[film] width must be that of the run to start from or a whole number of times as "
            f'large, such as ["{box[0] * unit:.6g} nm", "{box[1] * unit:.6g} nm"]; the new patch '
            f'is ["{system.sides[0] * unit:.6g} nm", "{system.sides[1] * unit:.6g} nm"] '
            f"({file})"
        )
    positions, directions, diameters = arrays
    shifts = [(i * box[0], j * box[1], 0.0) for i in range(times[0]) for j in range(times[1])]
    copies = np.concatenate([positions + shift for shift in shifts])
    # The sides may differ in their last digits.
    copies[:, :2] = np.mod(copies[:, :2], system.sides)
    copies[:, :2][copies[:, :2] >= system.sides] = 0.0
    count = len(shifts)
    return copies, np.tile(directions, (count, 1)), np.tile(diameters, count)


def _fitted(
    system: ReducedSystem, seed: int, positions: Floats, directions: Floats, diameters: Floats
) -> FilmState:
    """Give each particle of the new film a place of the old one, or a new place."""
    from sim.kernels.insertion import insert_among, push_apart

    generator = np.random.default_rng([seed, 2])
    count = system.count
    if len(positions) > count:
        kept = np.sort(generator.permutation(len(positions))[:count])
        positions, directions, diameters = positions[kept], directions[kept], diameters[kept]
    # Ranks of size meet; where particles are added, those that stay are of all sizes.
    ranks = np.rint(np.linspace(0, count - 1, len(positions))).astype(np.int64)
    mine = np.argsort(system.radius, kind="stable")[ranks]
    theirs = np.argsort(diameters, kind="stable")
    placed, turned = np.zeros((count, 3)), random_directions(count, seed)
    placed[mine], turned[mine] = positions[theirs], directions[theirs]
    radius, lowest = system.radius, nearest_to_window(system)
    placed[:, 2] = np.where(
        np.isin(np.arange(count), mine),
        np.clip(placed[:, 2], lowest, system.thickness - lowest),
        placed[:, 2],
    )
    added = np.setdiff1d(np.arange(count), mine)
    added = added[np.argsort(-radius[added], kind="stable")]
    sides = np.array(system.sides)
    share = insert_among(
        mine, added, radius, sides, system.thickness, np.uint64(seed), TRIES, placed
    )
    grown = radius[mine].max() > 1.001 * 0.5 * diameters.max()
    if share < 1.0 or grown:
        left = push_apart(radius, sides, system.thickness, CONTACT_SHARE, SWEEPS, placed)
        if left:
            raise CrowdedError(
                f'[start] kind = "file" must leave room for all particles; {left} overlaps are '
                f"left among {count} particles of which {len(positions)} come from the run: take "
                "fewer or smaller ones, or a thicker film."
            )
    placed = eased_from_run(system, placed, turned)
    image = np.zeros((count, 2), np.int32)
    return FilmState(placed, image, turned, step=0, time=0.0, seed=seed)
