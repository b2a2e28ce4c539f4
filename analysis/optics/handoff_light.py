"""What light of one wavelength meets in a film: orders, effective indices, transmittance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.measures.measure import Measurement
from analysis.optics.curves import FarField, light_of
from analysis.optics.handoff_entry import Entry, entry, value_and_error
from analysis.optics.indices import Optics
from analysis.optics.laws import COUPLED, Law
from analysis.optics.mixture import (
    Mixture,
    filled_index,
    grating_angle,
    squares_of,
    transmittance,
)
from analysis.trajectory.run import Run

Floats = NDArray[np.float64]

FIRST = "first order"
NONE = "none (sub-wavelength)"
NO_PEAK = "none (no peak of the structure factor)"
UNSURE = "unknown (period within its error of the wavelength)"


def light_entries(
    measurement: Measurement,
    run: Run,
    structure: dict[str, Entry],
    index: int,
    laws: Sequence[Law] = (),
) -> dict[str, Any]:
    """Return what light of one wavelength meets.

    Parameters
    ----------
    measurement : Measurement
        What was measured; ``light_curves.add_light`` must have been called on it.
    run : Run
        The run that was measured.
    structure : dict
        The section ``structure`` of the hand-off.
    index : int
        Number of the wavelength.
    laws : sequence of Law
        What laws of mixing say at it; the distance to the coupled dipoles joins the errors.
    """
    light = light_of(measurement)
    optics = light.optics
    wavelength = optics.wavelengths[index]
    out: dict[str, Any] = {
        "wavelength_m": entry("wavelength_m", wavelength),
        "resolution_m": entry("resolution_m", wavelength / (2 * optics.numerical_aperture)),
        **diffraction(structure["period_m"], structure, wavelength, optics.outer_index),
    }
    if light.films is None or light.grains is None:
        return out
    film, grains = light.films[index], light.grains[index]
    if optics.magnetic_share < 1:
        out["bead_index"] = _bead(optics, index)
    out.update(_plain(film, grains, run, wavelength))
    sight = Sight(_upright(measurement), run.thickness, wavelength)
    dipoles = next((law for law in laws if law.name == COUPLED), None)
    out.update(_chained(measurement, film, grains, light.closeness, sight, dipoles))
    out.update(_far(FarField.among(measurement.curves), index))
    return out


def _far(field: FarField, index: int) -> dict[str, Entry]:
    """Return where the light goes and how far it is scattered."""
    found, out = field.wavelengths[index], {}
    for name in ("direct", "scattered", "wide", "trapped", "absorbed"):
        key = f"{name}_share"
        out[key] = entry(key, found[name], found[f"{name}_error"])
        if out[key]["error"] is None:
            out[key]["reason"] = "one frame shows no scatter, so the error is not known"
    for name in ("angle", "across"):
        key, spread = f"scatter_{name}_deg", found["spread"]
        out[key] = entry(key, spread[name], spread[f"{name}_error"])
    for one in out.values():
        one["samples"] = len(field.frames)
        if out[key]["value"] is not None and out[key]["error"] is None:
            out[key]["reason"] = "too few orders of the patch reach the aperture to tell an error"
    if field.lateral is None:
        out["scatter_across_deg"]["reason"] = "the chains have no direction in the film"
    return out


def diffraction(
    period_entry: Entry, structure: dict[str, Entry], wavelength: float, outer_index: float
) -> dict[str, Any]:
    """Return the first order of the grating equation, or that there is none and why.

    No angle is given without a period, which is a peak of the structure factor that stands out,
    nor where the period is not above the wavelength in the outer medium by more than its error.
    """
    period, error = period_entry["value"], period_entry["error"]
    if period is None:
        return _no_order(NO_PEAK, period_entry.get("reason") or "no period was measured")
    least = wavelength / outer_index
    told = f"the period, {period:.3g} m, and the wavelength in the outer medium, {least:.3g} m"
    if not period > least:
        return _no_order(NONE, f"{told}: no order leaves the film")
    angle = grating_angle(period, wavelength, outer_index)
    if error is not None and math.isnan(grating_angle(period - error, wavelength, outer_index)):
        return _no_order(UNSURE, f"{told}, are closer than the error of the period, {error:.2g} m")
    spread = structure["structure_factor_spread_m"]["value"]
    slope = math.degrees(math.tan(angle)) / period
    return {
        "diffraction": FIRST,
        "first_order_angle_deg": entry(
            "first_order_angle_deg", math.degrees(angle), None if error is None else slope * error
        ),
        "first_order_spread_deg": entry(
            "first_order_spread_deg", math.nan if spread is None else slope * spread
        ),
    }


def _no_order(kind: str, reason: str) -> dict[str, Any]:
    return {"diffraction": kind, "diffraction_reason": reason}


def _bead(optics: Optics, index: int) -> Entry:
    """Return the index of a bead, with what the law of mixing leaves open for its error."""
    core = (optics.core_indices or ())[index]
    found, other = (
        filled_index(core, optics.matrix_index, optics.magnetic_share, grains=grains)
        for grains in (False, True)
    )
    apart = [abs(other.real - found.real), abs(other.imag - found.imag)]
    return entry("bead_index", [found.real, found.imag], apart)


def _plain(film: Mixture, grains: Mixture, run: Run, wavelength: float) -> dict[str, Entry]:
    """Return indices and transmittance without structure; errors for beads only."""
    index, other = film.plain_index(), grains.plain_index()
    passed, other_passed = (transmittance(n, run.thickness, wavelength) for n in (index, other))
    values = {
        "n_without_structure": (index.real, other.real),
        "k_without_structure": (index.imag, other.imag),
        "transmittance_without_structure": (passed, other_passed),
    }
    return {
        key: entry(key, value, None if film == grains else abs(value - beside))
        for key, (value, beside) in values.items()
    }


CHAINED = (
    "n_along", "k_along", "n_across", "k_across", "birefringence", "dichroism", "retardance_m",
    "retardance_deg", "transmittance_along", "transmittance_across",
)  # fmt: skip


@dataclass(frozen=True)
class Sight:
    """How light of one wavelength looks through the film.

    Attributes
    ----------
    upright : float
        Cosine between the chains and the normal.
    thickness, wavelength : float
        Film and vacuum wavelength in m.
    """

    upright: float
    thickness: float
    wavelength: float

    def seen(self, along: complex, across: complex) -> Floats:
        """Return the numbers of ``CHAINED`` from the indices along the chains and across them.

        Light along the normal meets the ordinary index and the extraordinary one of its direction;
        Born and Wolf, Principles of Optics, section 15.3 (from memory).
        """
        cosine = self.upright**2
        met = 1 / np.sqrt(cosine / across**2 + (1 - cosine) / along**2)
        apart, delay = along - across, (met - across).real * self.thickness
        passed = [transmittance(complex(n), self.thickness, self.wavelength) for n in (met, across)]
        return np.array(
            [
                along.real, along.imag, across.real, across.imag, apart.real, apart.imag,
                delay, 360 * delay / self.wavelength, *passed,
            ]
        )  # fmt: skip


def _upright(measurement: Measurement) -> float:
    """Return the cosine between chains and normal, 0 where there is no direction."""
    direction = measurement.numbers["spacing"].get("chain_direction")
    return float(direction[2]) if direction is not None else 0.0


def _chained(
    measurement: Measurement,
    film: Mixture,
    grains: Mixture,
    closeness: float,
    sight: Sight,
    dipoles: Law | None,
) -> dict[str, Any]:
    """Return what follows from the effective index along the chains and across, with errors."""
    numbers = measurement.numbers
    lengths, shares = lengths_and_shares(numbers)
    order, order_error = value_and_error(numbers, "alignment", "order")
    reason = obstacle(measurement, lengths, order)
    if reason:
        return {key: entry(key, None) | {"reason": reason} for key in CHAINED}
    order = 0.0 if order is None else float(order)  # chains of one have no direction

    def indices(
        order: float = order,
        lengths: Floats = lengths,
        shares: Floats = shares,
        film: Mixture = film,
        multipoles: bool = False,
    ) -> Floats:
        squares = squares_of(order)
        found = film.chained_index(lengths, shares, closeness, squares, multipoles=multipoles)
        return sight.seen(complex(found[0]), complex(found[1]))

    value = indices()
    is_chained = float(lengths.max()) > 1
    by_order = np.zeros(len(CHAINED))
    if is_chained:  # an error that is not known is not zero
        known = order_error is not None
        unknown = np.full(len(CHAINED), math.nan)
        by_order = indices(order=order + order_error) - value if known else unknown
    parts = [
        by_order,
        _by_length(numbers, indices) if is_chained else np.zeros(len(CHAINED)),
        indices(multipoles=True) - value,
        indices(film=grains) - value,
    ]
    if dipoles is not None:
        parts.append(sight.seen(dipoles.along, dipoles.across) - value)
    error = np.sqrt(np.sum(np.square(parts), axis=0))
    samples = (numbers["alignment"].get("order") or {}).get("samples")
    return {
        key: entry(key, value[i], error[i]) | {"samples": samples} for i, key in enumerate(CHAINED)
    }


def obstacle(measurement: Measurement, lengths: Floats, order: float | None) -> str:
    """Say why indices of a film with chains cannot be told; empty where they can."""
    if len(lengths) == 0:
        return "no chains could be told, so neither are their lengths known"
    if float(lengths.max()) > 1 and len(measurement.last_frame.get("bonds", ())) == 0:
        return "the last frame has no bond, so the distance of particles in chains is not known"
    if float(lengths.max()) > 1 and order is None:
        return "the order of the chains could not be measured"
    return ""


def _by_length(numbers: dict[str, Any], indices: Any) -> Floats:
    """Return what one error of the weight-mean length changes."""
    weight, error = value_and_error(numbers, "chains", "weight_mean_length")
    if weight is None or error is None:
        return np.full(len(CHAINED), math.nan)
    one, shorter = np.ones(1), max(1.0, float(round(weight)))
    longer = max(float(round(weight + error)), shorter + 1)
    return np.asarray(
        indices(lengths=np.array([longer]), shares=one)
        - indices(lengths=np.array([shorter]), shares=one)
    )


def lengths_and_shares(numbers: dict[str, Any]) -> tuple[Floats, Floats]:
    """Return chain lengths and the share of the particles in chains of each; none if unknown."""
    rows = numbers["chains"].get("distribution") or []
    lengths = np.array([row["length"] for row in rows if row["fraction_of_chains"]], dtype=float)
    shares = lengths * [row["fraction_of_chains"] for row in rows if row["fraction_of_chains"]]
    return lengths, shares / shares.sum() if len(lengths) else shares
