"""Chains in the frames of a run, by the public functions of `analysis`."""

import numpy as np

import analysis


def chains(run, frame, alignment=None):
    """Return the chains of one frame, by the run's own rule of distance and alignment.

    Another least alignment may be given; -1 leaves the distance alone.
    """
    return analysis.find_chains(
        run.positions(frame), run.moments(frame), run.diameters, run.sides,
        bond_distance=run.bonds["distance"],
        bond_alignment=run.bonds["alignment"] if alignment is None else alignment,
    )  # fmt: skip


def counts(run, frame, alignment=None):
    """Return the number of chains of each length, (longest + 1,)."""
    return np.bincount(chains(run, frame, alignment).lengths)


def means(counted):
    """Return (number mean, weight mean) of numbers of chains by length."""
    length = np.arange(len(counted))
    particles = float(counted @ length)
    return particles / float(counted.sum()), float(counted @ length**2) / particles


def members(found, shortest, longest):
    """Return the particles of each open chain from end to end, a list of arrays."""
    neighbours = {}
    for i, j in found.bonds:
        neighbours.setdefault(int(i), []).append(int(j))
        neighbours.setdefault(int(j), []).append(int(i))
    rows = []
    for group in np.flatnonzero((found.size >= shortest) & (found.size <= longest)):
        if found.kind[group] != 1 or found.spanning[group]:
            continue
        particles = np.flatnonzero(found.group == group)
        start = next(int(p) for p in particles if len(neighbours[int(p)]) == 1)
        row, last = [start], -1
        while len(row) < len(particles):
            following = next(p for p in neighbours[row[-1]] if p != last)
            last = row[-1]
            row.append(following)
        rows.append(np.array(row))
    return rows


def ends(positions, rows, sides):
    """Return unit vectors from the first to the last particle of each row, and its contour."""
    vectors, contours = [], []
    for row in rows:
        links = np.diff(positions[row], axis=0)
        links[:, :2] -= sides * np.rint(links[:, :2] / sides)
        vectors.append(links.sum(axis=0))
        contours.append(np.linalg.norm(links, axis=1).max())
    vectors = np.array(vectors).reshape(-1, 3)
    return vectors / np.linalg.norm(vectors, axis=1)[:, None], np.array(contours)
