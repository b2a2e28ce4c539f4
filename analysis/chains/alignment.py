"""Alignment of chains and moments: order along a direction, tilt, and the alignment tensor."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.chains.groups import RING
from analysis.chains.measured_run import Frame, MeasuredRun, Section
from analysis.chains.turning import MOMENT_ORDER
from analysis.common.arrays import Floats
from analysis.uncertainty.estimate import estimate
from analysis.uncertainty.ratio import ratio


class AlignmentSection(Section):
    """Order of chain axes and moments, tilt; the tensor from the frames that are looked at."""

    name = "alignment"

    def __init__(self, seen: MeasuredRun) -> None:
        """Make room for the tensors."""
        super().__init__(seen)
        self.tensors: list[Floats] = []
        self.errors: list[Floats] = []

    def add(self, frame: Frame) -> None:
        """Take in the axes of one frame."""
        if not frame.detailed or frame.moments is None:
            return
        chains = frame.chains
        several = (chains.size > 1) & (chains.kind != RING)
        tensor, error = alignment_tensor(
            chains.axis[several], chains.size[several].astype(np.float64)
        )
        self.tensors.append(tensor)
        self.errors.append(error)

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section ``alignment``."""
        seen, series = self.seen, self.seen.series
        named = "field" if seen.by_field else "director"
        direction = series.reference
        out: dict[str, Any] = {
            "order": seen.average("order").as_dict(),
            "moment_order": seen.average_of_moments(MOMENT_ORDER).as_dict(),
            "tilt_deg": seen.average("tilt_deg").as_dict(),
            "reference": "none" if direction is None else named,
            "reference_direction": None if direction is None else [float(x) for x in direction],
        }
        if series.turning is not None:
            out["reference"], out["reference_direction"] = "turning field", None
        if out["order"]["value"] is None and series.lengths:
            warnings.append("alignment.order: no chain of two or more particles")
        return out | tensor_numbers(self.tensors, self.errors, seen.structures)


def alignment_tensor(axes: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Return the weighted mean of (3 u u - 1)/2 over axes and its error, (3, 3) each.

    Parameters
    ----------
    axes : (n, 3) array
        Unit vectors; the sign does not matter.
    weights : (n,) array
        Weights, such as particles in a chain.

    Notes
    -----
    De Gennes, Prost, The Physics of Liquid Crystals (1993), section 2.1 (from memory).
    """
    tensor, error = np.full((3, 3), np.nan), np.full((3, 3), np.nan)
    for a in range(3):
        for b in range(a + 1):
            member = 1.5 * axes[:, a] * axes[:, b] - (0.5 if a == b else 0.0)
            value = ratio(weights * member, weights)
            tensor[a, b] = tensor[b, a] = value[0]
            error[a, b] = error[b, a] = value[1]
    return tensor, error


def tensor_numbers(
    tensors: list[Floats], errors: list[Floats], structures: float | None
) -> dict[str, object]:
    """Return mean alignment tensor, eigenvalues (falling) with errors, eigenvectors, biaxiality.

    Parameters
    ----------
    tensors, errors : lists of (3, 3) arrays
        Of each frame, errors from the scatter inside it; NaN without chains.
    structures : float or None
        Independent structures that the frames have seen.
    """
    known = np.array([t for t in tensors if np.isfinite(t).all()])
    if len(known) == 0:
        return {"tensor": None, "eigenvalues": None, "principal_axes": None}
    mean = known.mean(axis=0)
    values, vectors = np.linalg.eigh(mean)
    vectors = vectors[:, np.argsort(values)[::-1]]
    inside = np.array([e for t, e in zip(tensors, errors, strict=True) if np.isfinite(t).all()])
    entries = []
    for axis in vectors.T:
        weight = np.abs(np.outer(axis, axis))
        entries.append(
            estimate(
                np.einsum("fab,a,b->f", known, axis, axis),
                within=np.einsum("fab,ab->f", inside, weight),
                structures=structures,
            ).as_dict()
        )
    return {
        "tensor": mean.tolist(),
        "eigenvalues": entries,
        "principal_axes": vectors.T.tolist(),
    }
