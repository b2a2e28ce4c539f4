"""What other laws of mixing, and other published indices of the cores, would say of a film."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.measures.measure import Measurement
from analysis.optics.coupled_dipoles import DipoleFilm
from analysis.optics.curves import FarField, light_of
from analysis.optics.far_field import mixtures
from analysis.optics.handoff_entry import plain_number, value_and_error
from analysis.optics.handoff_light import lengths_and_shares, obstacle
from analysis.optics.indices import Optics, tables_of
from analysis.optics.laws import CHAINED, COUPLED, Law, compared, dipole_laws
from analysis.optics.mixture import Mixture, squares_of, transmittance
from analysis.trajectory.run import Run

MOST_FRAMES = 2
"""Frames whose dipoles are coupled."""
MOST_COUPLED = 50_000
"""Frames of more particles are not coupled: their pairs would fill gigabytes."""
FAR_APART = 0.15
"""Laws that differ by more than this share of a birefringence are warned about."""


def laws_of(measurement: Measurement, run: Run) -> list[list[Law]]:
    """Return what each law says at each wavelength, the coupled dipoles of frames last.

    Parameters
    ----------
    measurement : Measurement
        With light; see ``curves.add_light``. Where the dipoles of its frames say something else
        than the law for straight chains, that joins its warnings.
    run : Run
        The run that was measured.

    Returns
    -------
    list of lists of Law
        A list a wavelength; empty ones where the film has no index.
    """
    light = light_of(measurement)
    known = _chains(measurement)
    if known is None or not light.films:
        return [[] for _ in light.optics.wavelengths]
    lengths, shares, order = known
    laws = [
        compared(film, lengths, shares, light.closeness, squares_of(order)) for film in light.films
    ]
    for found, dipoles in zip(laws, _dipoles(measurement, run, light.films), strict=False):
        found.append(dipoles)
    _warn(measurement, laws[0])
    return laws


def _warn(measurement: Measurement, laws: list[Law]) -> None:
    """Say where frames and law are far apart; one wavelength tells it for all."""
    chained = next(law for law in laws if law.name == CHAINED)
    dipoles = next((law for law in laws if law.name == COUPLED), None)
    said = ""
    if dipoles is None:
        said = (
            "light: the dipoles of the frames are too many or do not settle, so that the errors "
            "leave out how far they are from the law for straight chains"
        )
    else:
        law, found = ((one.along - one.across).real for one in (chained, dipoles))
        if abs(law - found) > FAR_APART * max(abs(law), abs(found)):
            said = (
                f"light: the coupled dipoles of the frames give a birefringence of {found:.2g}, "
                f"the law for straight chains {law:.2g}: chains are bent or lie close to each "
                "other; the distance is part of the errors"
            )
    warnings = measurement.numbers.setdefault("warnings", [])
    if said and said not in warnings:
        warnings.append(said)


def _chains(measurement: Measurement) -> tuple[Any, Any, float] | None:
    """Return lengths, shares and order of the chains; None where they cannot be told."""
    lengths, shares = lengths_and_shares(measurement.numbers)
    order, _ = value_and_error(measurement.numbers, "alignment", "order")
    if obstacle(measurement, lengths, order):
        return None
    return lengths, shares, 0.0 if order is None else float(order)


def _dipoles(measurement: Measurement, run: Run, films: list[Mixture]) -> list[Law]:
    """Couple the dipoles of the last and of a middle averaged frame; none where they run away.

    None either of films above ``MOST_COUPLED`` particles, whose pairs would fill the memory.
    """
    if run.held > MOST_COUPLED:
        return []
    frames = FarField.among(measurement.curves).frames
    chosen = sorted({frames[len(frames) // 2], frames[-1]}) if frames else []
    direction = measurement.numbers["spacing"].get("chain_direction")
    axis: NDArray[np.float64] | None = None if direction is None else np.asarray(direction)
    try:
        sums = [
            DipoleFilm.of(run.positions(frame), run.diameters_of(frame), run.sides, run.thickness)
            for frame in chosen[-MOST_FRAMES:]
        ]
        return dipole_laws(sums, films, axis) if sums else []
    except (ArithmeticError, np.linalg.LinAlgError):
        return []


def table_rows(measurement: Measurement, run: Run) -> list[list[dict[str, Any]]]:
    """Return what each published table of the cores would give at each wavelength.

    Parameters
    ----------
    measurement : Measurement
        With light; see ``curves.add_light``.
    run : Run
        The run that was measured.

    Returns
    -------
    list of lists of dict
        Rows a wavelength with ``table`` (empty for an index of the user's own), ``chosen``,
        ``source``, ``n`` and ``k`` of the cores, ``transmittance`` of the film without structure
        (Beer, Lambert), ``birefringence`` and ``dichroism``.
    """
    own = light_of(measurement).optics
    tried = tables_of(own)
    if own.core_indices is not None:
        tried = {own.core_table: own} | tried
    rows = [
        _rows_of_table(measurement, run, name, optics, name == own.core_table)
        for name, optics in tried.items()
    ]
    return [list(column) for column in zip(*rows, strict=True)] or [[] for _ in own.wavelengths]


def _rows_of_table(
    measurement: Measurement, run: Run, name: str, optics: Optics, chosen: bool
) -> list[dict[str, Any]]:
    """Return the row of one table for each wavelength."""
    known, close = _chains(measurement), light_of(measurement).closeness
    out = []
    films: list[Mixture | None] = [*(mixtures(run, optics) or [])]
    films = films or [None] * len(optics.wavelengths)
    for film, core, wavelength in zip(
        films, optics.core_indices or (), optics.wavelengths, strict=True
    ):
        apart, passed = complex(math.nan, math.nan), math.nan
        if film is not None:
            passed = transmittance(film.plain_index(), run.thickness, wavelength)
        if film is not None and known is not None:
            lengths, shares, order = known
            along, across, _ = film.chained_index(lengths, shares, close, squares_of(order))
            apart = complex(along - across)
        row = {
            "table": name, "chosen": chosen, "source": optics.core_source, "n": core.real,
            "k": core.imag, "transmittance": passed, "birefringence": apart.real,
            "dichroism": apart.imag,
        }  # fmt: skip
        out.append({key: plain_number(value) for key, value in row.items()})
    return out
