"""Frames that hold a cut-out of a film: a box in which particles come and go.

The particles of each frame stand in the order of their numbers, before rows without one, whose
`id` is -1 (H5MD 1.1, an open standard; its rules from memory). What is fixed in time stands in a
group of its own, for all particles of the film.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common import h5md
from analysis.common.arrays import Floats, Integers
from analysis.common.attributes import require_numbers
from analysis.files.checks import TrajectoryError
from analysis.trajectory.particles import slices


@dataclass(frozen=True)
class CutOut:
    """A box of a film.

    Attributes
    ----------
    corner : (3,) array
        Its lowest corner in the film, m.
    film : (3,) array
        Sides of the patch and thickness of the whole film, m.
    particles : int
        Particles of the whole film.
    names : (count,) array
        The particles that are in the box in any frame, by their numbers in the film, rising.
    held : (frames,) array
        How many are in it in each frame.
    """

    corner: Floats
    film: Floats
    particles: int
    names: Integers
    held: Integers

    def windows(self, thickness: float) -> tuple[bool, bool]:
        """Return whether it reaches the lower and the upper window; its thickness is in m."""
        low, film = float(self.corner[2]), float(self.film[2])
        return low <= 0.0, low + thickness >= film * (1.0 - 1e-9)


def cutout_of(file: Any, film: Any, frames: int, edges: Floats, path: Path) -> CutOut:
    """Read which particles the frames hold.

    Parameters
    ----------
    file, film : h5py.File, h5py.Group
        The file, and the group of its frames' particles.
    frames : int
        Frames that count.
    edges : (3,) array
        Sides of the whole film, m.
    path : Path
        The file, for errors.

    Raises
    ------
    TrajectoryError
        Where the numbers of particles do not rise along the rows of a frame, or are none of the
        film, or a frame is empty.
    """
    data = require_numbers(film["id"]["value"])
    count = int(file["particles"][h5md.WHOLE][h5md.DIAMETER].shape[0])
    names = np.zeros(0, np.int64)
    held = []
    for part in slices(frames, max(1, data.shape[1])):
        block = np.asarray(data[part], np.int64)
        real = block >= 0
        held.append(real.sum(axis=1))
        rising = (np.diff(block, axis=1) > 0) | ~real[:, 1:]
        together = (real[:, 1:] <= real[:, :-1]).all()
        if not (rising.all() and together and block.max(initial=-1) < count):
            raise TrajectoryError(
                f"{path} must hold the particles of a cut-out in the order of their numbers, each "
                "once; it holds them otherwise."
            )
        names = np.union1d(names, block[real])
    numbers = np.concatenate(held)
    if not (numbers > 0).all():
        raise TrajectoryError(f"{path} must hold a particle in every frame; a cut-out was empty.")
    corner = np.asarray(require_numbers(film[h5md.ORIGIN])[()], np.float64)
    return CutOut(corner, edges, count, names, numbers)


def told_of(cutout: CutOut, sides: Floats) -> str:
    """Say what is measured of the film, and what a cut does to chains."""
    box, film = (
        " x ".join(f"{1e6 * side:.4g} um" for side in edges) for edges in (sides, cutout.film)
    )
    return (
        f"measured is a cut-out of {box} of a film of {film}, with {cutout.held.mean():.0f} of "
        f"{cutout.particles} particles, as if it repeated: chains count with the part that is in "
        "it, so that lengths come out low by about their share of the side along them"
    )
