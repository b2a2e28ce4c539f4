"""Wavelengths and refractive indices that a run records, or the defaults where it records none."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.common.conventions import (
    CARRIER_INDEX,
    MATRIX_INDEX,
    NUMERICAL_APERTURE,
    OUTER_INDEX,
    SHELL_INDEX,
    WAVELENGTHS,
)

DEFAULTS = {
    "carrier_index": CARRIER_INDEX, "shell_index": SHELL_INDEX, "outer_index": OUTER_INDEX,
    "numerical_aperture": NUMERICAL_APERTURE, "matrix_index": MATRIX_INDEX,
}  # fmt: skip

MAGNETITE = np.array(
    [
        [0.40, 2.462, 0.062],
        [0.42, 2.440, 0.034],
        [0.44, 2.404, 0.026],
        [0.46, 2.374, 0.042],
        [0.48, 2.365, 0.063],
        [0.50, 2.359, 0.071],
        [0.52, 2.349, 0.083],
        [0.53, 2.346, 0.091],
        [0.54, 2.344, 0.099],
        [0.56, 2.342, 0.112],
        [0.58, 2.342, 0.125],
        [0.60, 2.346, 0.136],
        [0.62, 2.353, 0.144],
        [0.63, 2.358, 0.148],
        [0.64, 2.366, 0.145],
        [0.66, 2.363, 0.137],
        [0.68, 2.362, 0.131],
        [0.70, 2.355, 0.124],
        [0.75, 2.320, 0.118],
        [0.80, 2.279, 0.134],
        [0.85, 2.236, 0.155],
        [0.90, 2.196, 0.189],
        [1.00, 2.130, 0.292],
        [1.10, 2.106, 0.413],
        [1.20, 2.106, 0.542],
        [1.30, 2.143, 0.647],
        [1.40, 2.186, 0.747],
        [1.55, 2.278, 0.867],
    ]
)
"""Magnetite: vacuum wavelength in um, n, k. Querry, Optical constants, report CRDC-CR-85034 (1985),
looked up in the tables of the public-domain refractive-index database (Fe3O4, Querry)."""

MAGNETITE_SOURCE = (
    "magnetite, Querry (1985), between the lines of its table; other published k of magnetite "
    "in the visible are several times larger (from memory), so give core_index where absorption "
    "matters"
)


@dataclass(frozen=True)
class Optics:
    """Light and refractive indices.

    Attributes
    ----------
    wavelengths : tuple of float
        Vacuum wavelengths in m.
    core_indices : tuple of complex or None
        Index n + ik of the cores at each wavelength; None where it is not known.
    carrier_index, shell_index, outer_index, numerical_aperture : float
        Liquid, shells, medium outside; aperture of what looks at the film.
    core_source : str
        Where the indices of the cores come from.
    matrix_index : float
        What fills a bead between its cores.
    magnetic_share : float
        Share of the volume under the shell that the cores fill; 1 where a particle is one core.
    assumed : tuple of str
        What had to be assumed, because the file does not say it, in sentences.
    """

    wavelengths: tuple[float, ...]
    core_indices: tuple[complex, ...] | None
    carrier_index: float
    shell_index: float
    outer_index: float
    numerical_aperture: float
    core_source: str
    matrix_index: float = MATRIX_INDEX
    magnetic_share: float = 1.0
    assumed: tuple[str, ...] = field(default=(), compare=False)

    @classmethod
    def of(cls, resolved: dict[str, Any], instead: dict[str, Any] | None = None) -> Optics:
        """Return the optics of a run.

        Parameters
        ----------
        resolved : dict
            Values that the run recorded; its ``optics`` and ``particles`` are read.
        instead : dict, optional
            A table of the same form that takes the place of the recorded ``optics``.
        """
        table = dict(instead if instead is not None else resolved.get("optics") or {})
        wavelengths = tuple(float(w) for w in table.get("wavelengths") or WAVELENGTHS)
        particles = resolved.get("particles") or {}
        material = str(particles.get("material", "magnetite"))
        indices, source = _cores(table.get("core_index"), wavelengths, material)
        numbers = {key: float(table.get(key, value)) for key, value in DEFAULTS.items()}
        share = _share(particles)
        if share is None:
            indices, source, share = None, NO_SHARE, 1.0
        return cls(
            wavelengths,
            indices,
            numbers["carrier_index"],
            numbers["shell_index"],
            numbers["outer_index"],
            numbers["numerical_aperture"],
            source,
            numbers["matrix_index"],
            share,
            _assumed(resolved, table, indices is not None, share < 1),
        )


NO_SHARE = (
    "not known: the particles are beads, and the run must record their magnetic_share from 0 "
    "(left out) to 1"
)


def _share(particles: dict[str, Any]) -> float | None:
    """Return the share of cores under a shell; None for beads that record none that can be."""
    share = particles.get("magnetic_share")
    if share is None:
        # Runs of before there were beads: a particle is one core.
        return None if particles.get("moment") == "multicore" else 1.0
    if isinstance(share, bool) or not isinstance(share, int | float) or not 0 < share <= 1:
        return None
    return float(share)


def _assumed(
    resolved: dict[str, Any], table: dict[str, Any], known: bool, beads: bool
) -> tuple[str, ...]:
    """Say what stands for entries that a file of other origin or an earlier version lacks."""
    out = []
    if known and not table.get("core_index") and "material" not in (
        resolved.get("particles") or {}
    ):  # fmt: skip
        out.append("the file records no material; cores of magnetite are assumed")
    if not table:
        out.append(
            f"the file records no [optics]; a liquid of index {CARRIER_INDEX:g}, shells of "
            f"{SHELL_INDEX:g} and air outside are assumed"
        )
        return tuple(out)
    left = [key for key in DEFAULTS if key not in table and (beads or key != "matrix_index")]
    if left:
        told = ", ".join(f"{key} {DEFAULTS[key]:g}" for key in left)
        out.append(f"the file records [optics] in part; assumed: {told}")
    if not table.get("wavelengths"):
        told = " and ".join(f"{1e9 * wavelength:g}" for wavelength in WAVELENGTHS)
        out.append(f"the file records no wavelengths in [optics]; {told} nm are assumed")
    return tuple(out)


def _cores(
    given: Any, wavelengths: tuple[float, ...], material: str
) -> tuple[tuple[complex, ...] | None, str]:
    """Return the index of the cores at each wavelength and where it comes from."""
    if given:
        pairs = [complex(*pair) for pair in given]
        return tuple(pairs * (len(wavelengths) if len(pairs) == 1 else 1)), "parameter file"
    if material != "magnetite":
        return None, f"not known: material {material} needs [optics] core_index"
    microns = np.array(wavelengths) * 1e6
    if microns.min() < MAGNETITE[0, 0] - 1e-9 or microns.max() > MAGNETITE[-1, 0] + 1e-9:
        return None, (
            "not known: the table of magnetite reaches from 400 to 1550 nm; other wavelengths "
            "need [optics] core_index"
        )
    n, k = (np.interp(microns, MAGNETITE[:, 0], MAGNETITE[:, c]) for c in (1, 2))
    return tuple(complex(a, b) for a, b in zip(n, k, strict=True)), MAGNETITE_SOURCE
