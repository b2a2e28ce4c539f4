"""Wavelengths and refractive indices that a run records, or the defaults where it records none."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
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
from analysis.common.core_tables import AUTO, CORE_TABLES, OF_MATERIAL, CoreTable

DEFAULTS = {
    "carrier_index": CARRIER_INDEX, "shell_index": SHELL_INDEX, "outer_index": OUTER_INDEX,
    "numerical_aperture": NUMERICAL_APERTURE, "matrix_index": MATRIX_INDEX,
}  # fmt: skip


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
    core_table : str
        Name of the published table in use; empty where the file gives the index.
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
    core_table: str = ""
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
        indices, source, name = _cores(table, wavelengths, material)
        numbers = {key: float(table.get(key, value)) for key, value in DEFAULTS.items()}
        share = _share(particles)
        if share is None:
            indices, source, name, share = None, NO_SHARE, "", 1.0
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
            name,
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
    chosen = table.get("core_index") or table.get("core_table", AUTO) != AUTO
    if known and not chosen and "material" not in (
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
    table: dict[str, Any], wavelengths: tuple[float, ...], material: str
) -> tuple[tuple[complex, ...] | None, str, str]:
    """Return the index of the cores at each wavelength, where it comes from, and its table."""
    if given := table.get("core_index"):
        pairs = [complex(*pair) for pair in given]
        indices = tuple(pairs * (len(wavelengths) if len(pairs) == 1 else 1))
        return indices, "parameter file", ""
    name = table.get("core_table", AUTO)
    name = OF_MATERIAL.get(material) if name == AUTO else name
    if name not in CORE_TABLES:
        return None, f"not known: material {material} needs [optics] core_index or core_table", ""
    found = _between(CORE_TABLES[name], wavelengths)
    if found is None:
        low, high = CORE_TABLES[name].ends_nm
        reason = (
            f"not known: the table {name} reaches from {low:.0f} to {high:.0f} nm; other "
            "wavelengths need [optics] core_index"
        )
        return None, reason, name
    return found, CORE_TABLES[name].source, name


def _between(table: CoreTable, wavelengths: tuple[float, ...]) -> tuple[complex, ...] | None:
    """Return the index at each wavelength, None where one is beyond the table."""
    microns, lines = np.array(wavelengths) * 1e6, np.array(table.lines)
    if microns.min() < lines[0, 0] - 1e-9 or microns.max() > lines[-1, 0] + 1e-9:
        return None
    n, k = (np.interp(microns, lines[:, 0], lines[:, column]) for column in (1, 2))
    return tuple(complex(a, b) for a, b in zip(n, k, strict=True))


def tables_of(optics: Optics) -> dict[str, Optics]:
    """Return the same optics with every published table of the material of the chosen one.

    Parameters
    ----------
    optics : Optics
        Light and indices; where the user gave the index of the cores, all tables are tried.

    Returns
    -------
    dict of Optics
        By name of the table; those that do not reach all wavelengths are left out.
    """
    chosen = CORE_TABLES.get(optics.core_table)
    out = {}
    for name, table in CORE_TABLES.items():
        indices = _between(table, optics.wavelengths)
        if indices is not None and (chosen is None or table.material == chosen.material):
            out[name] = replace(
                optics, core_indices=indices, core_source=table.source, core_table=name
            )
    return out
