"""How far magnetisation and chains lag behind a field that turns or oscillates.

Behind a turning field, the lag of the magnetisation is the angle by which the mean of its parts
along the field and at right angles to it (in the plane of turning) trails; that of the chains is
half the angle of the mean of their axes' second harmonics, because an axis has no sign. Along an
oscillating field the magnetisation is fitted by harmonics of the field's own angle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.averages.memory import memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.trajectory.cycles import Swing
from analysis.uncertainty.estimate import NOTHING, Estimate, estimate
from analysis.uncertainty.least_squares import covariance

FEWEST = 4
"""Frames that a lag needs at least."""
HARMONICS = 3
TOLD_APART = 0.02
"""Least eigenvalue of the mean products of the harmonics; 1/2 for frames at all angles."""
CERTAIN = 4.0
"""A mean vector shorter than this many of its errors has no direction."""


def angle_behind(along: Floats, behind: Floats, order: int = 1) -> tuple[Estimate, str | None]:
    """Return the angle in degrees of the mean of vectors (along, behind), over the order.

    Parameters
    ----------
    along, behind : (n,) arrays
        Parts of a vector at each frame, cosine and sine of ``order`` times the angle behind.
    order : int
        2 for axes without sign.

    Returns
    -------
    Estimate, str or None
        The angle, and why it is missing.
    """
    good = np.isfinite(along) & np.isfinite(behind)
    if good.sum() < FEWEST:
        return NOTHING, f"fewer than {FEWEST} averaged frames hold it"
    c, s = along[good], behind[good]
    mean_c, mean_s = float(c.mean()), float(s.mean())
    length, angle = math.hypot(mean_c, mean_s), math.atan2(mean_s, mean_c)
    across = estimate(s * math.cos(angle) - c * math.sin(angle))
    if across.error is None:
        return NOTHING, "the error of its mean is not known"
    if length <= CERTAIN * across.error or length == 0.0:
        return NOTHING, "its mean in the plane of turning is within its noise"
    scale = math.degrees(1.0) / order
    error = scale * across.error / length
    return Estimate(scale * angle, error, across.samples, across.freedom), None


@dataclass(frozen=True)
class Swung:
    """A fit of harmonics of the field's angle: coefficients, residuals, covariance, frames used."""

    best: Floats
    left: Floats
    spread: Floats
    good: NDArray[np.bool_]
    samples: int
    freedom: float


def harmonics(angles: Floats, values: Floats) -> Swung | str:
    """Fit values by a + sum b_k cos(k angle) + c_k sin(k angle), or say why not.

    Parameters
    ----------
    angles : (n,) array
        Angle of the field in rad at frames evenly spaced in time.
    values : (n,) array
        The answer; values that are not finite are left out.

    Returns
    -------
    Swung or str
        ``best`` is (a, b_1, c_1, ...), to the third harmonic where the frames tell them apart.
    """
    good = np.isfinite(values)
    count = int(good.sum())
    if count < FEWEST + 1:
        return f"fewer than {FEWEST + 1} averaged frames hold it"
    for order in (HARMONICS, 1):
        phases = np.outer(angles[good], np.arange(1, order + 1))
        waves = np.stack([np.cos(phases), np.sin(phases)], axis=-1).reshape(count, -1)
        table = np.column_stack([np.ones(count), waves])
        told_apart = np.linalg.eigvalsh(table.T @ table / count)[0] >= TOLD_APART
        if told_apart and (order == 1 or count >= 4 * table.shape[1]):
            break
    if not told_apart:
        return "frames fall on too few angles of the field; keep other frames"
    best = np.linalg.lstsq(table, values[good])[0]
    left = values[good] - table @ best
    known = memory(left)
    samples = max(1, int(count / (2 * known.time)))
    freedom = max(1.0, min(known.freedom(count), count - table.shape[1]))
    return Swung(best, left, covariance(table, left, known.time), good, samples, freedom)


def response(angles: Floats, values: Floats) -> tuple[Estimate, Estimate, str | None]:
    """Return the parts of an answer with a swinging field and behind it, see ``harmonics``.

    Returns
    -------
    Estimate, Estimate, str or None
        Coefficients of cos(angle) and sin(angle), and why they are missing.
    """
    fit = harmonics(angles, values)
    if isinstance(fit, str):
        return NOTHING, NOTHING, fit
    wide = student_factor(ONE_SIGMA, fit.freedom)
    along, behind = (
        Estimate(
            # max(NaN, 0) is NaN, and max(0, NaN) would be 0: what is not known stays so.
            float(fit.best[k]), wide * math.sqrt(max(float(fit.spread[k, k]), 0.0)), fit.samples,
            fit.freedom,
        )
        for k in (1, 2)
    )  # fmt: skip
    return along, behind, None


def turning_numbers(
    swing: Swing, parts: dict[str, Floats], withheld: str | None, warnings: list[str]
) -> dict[str, Any]:
    """Return the entries of ``relaxation`` on the lag behind a turning field.

    Parameters
    ----------
    swing : Swing
        The field.
    parts : dict of (n,) arrays
        ``in_phase`` and ``behind`` of the magnetisation, ``axis_cos`` and ``axis_sin`` of twice
        the angle of the chains behind the field, at the averaged frames.
    withheld : str or None
        Why the magnetisation's lag is not to be quoted.
    warnings : list of str
        Reasons are added here.
    """
    out: dict[str, Any] = {"lag_kind": swing.kind, "field_frequency_hz": swing.frequency_hz}
    lag, reason = angle_behind(parts["in_phase"], parts["behind"])
    chains, why = angle_behind(parts["axis_cos"], parts["axis_sin"], order=2)
    if withheld is not None:
        lag, reason = NOTHING, withheld
    for key, number, cause in (
        ("magnetisation_lag_deg", lag, reason),
        ("chain_lag_deg", chains, why),
    ):
        out[key] = number.as_dict()
        if cause is not None:
            warnings.append(f"relaxation.{key}: {cause}")
    out["magnetisation_in_phase"] = estimate(parts["in_phase"]).as_dict()
    out["magnetisation_behind"] = estimate(parts["behind"]).as_dict()
    return out


def oscillating_numbers(
    swing: Swing, times: Floats, values: Floats, withheld: str | None, warnings: list[str]
) -> dict[str, Any]:
    """Return the entries of ``relaxation`` on the lag behind an oscillating field."""
    out: dict[str, Any] = {"lag_kind": swing.kind, "field_frequency_hz": swing.frequency_hz}
    along, behind, reason = response(swing.angles(times), values)
    lag = NOTHING
    if withheld is not None:
        along, behind, reason = NOTHING, NOTHING, withheld
    elif along.value is not None and behind.value is not None:
        length = math.hypot(along.value, behind.value)
        errors = [math.nan if one.error is None else one.error for one in (along, behind)]
        error = max(errors) if all(map(math.isfinite, errors)) else math.nan
        if math.isnan(error):
            reason = "the error of the swing of the magnetisation is not known"
        elif length > CERTAIN * error and length > 0.0:
            angle = math.atan2(behind.value, along.value)
            scale = math.degrees(1.0)
            lag = Estimate(scale * angle, scale * error / length, along.samples, along.freedom)
        else:
            reason = "the swing of the magnetisation is within its noise"
    out["magnetisation_lag_deg"] = lag.as_dict()
    out["magnetisation_in_phase"] = along.as_dict()
    out["magnetisation_behind"] = behind.as_dict()
    if reason is not None:
        warnings.append(f"relaxation.magnetisation_lag_deg: {reason}")
    return out
