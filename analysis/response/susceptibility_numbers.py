"""Entries on the susceptibility: static and by frequency, from fluctuations and from a swing."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from analysis.chains.series import ChainSeries
from analysis.common import file_names
from analysis.common.arrays import Floats, Integers
from analysis.files.curve import Curve, Table
from analysis.response.lag import HARMONICS, harmonics, response
from analysis.response.susceptibility import (
    MEAN_ALONE,
    Removed,
    Spectrum,
    debye,
    drive_scale,
    fluctuation_scale,
    fluctuation_spectrum,
    static_susceptibility,
)
from analysis.trajectory.cycles import Swing
from analysis.trajectory.even_frames import UNEVEN, even_frames, left_out
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import NOTHING, Estimate

FEWEST_FRAMES = 8
DISAGREE = 4.0
"""Two estimates that differ by more than so many of their joint errors disagree."""


@dataclass(frozen=True)
class Susceptibility(Curve):
    """Susceptibility by the frequency in Hz, in phase and behind, beside a single relaxation time.

    ``source`` says what each row is from, an oscillating field or fluctuations.
    """

    NAME: ClassVar = "susceptibility"
    TABLE: ClassVar = Table(file_names.SUSCEPTIBILITY, {"frequency_hz": "frequency_Hz"})
    source: list[str]
    frequency_hz: Floats
    in_phase: Floats
    in_phase_error: Floats
    behind: Floats
    behind_error: Floats
    debye_in_phase: Floats
    debye_behind: Floats

    @classmethod
    def of(cls, rows: list[tuple[Any, ...]]) -> Susceptibility:
        """Return the curve of rows in the order of the columns."""
        columns = list(zip(*rows, strict=True)) or [()] * len(cls.keys())
        return cls(list(columns[0]), *(np.array(c, dtype=np.float64) for c in columns[1:]))


@dataclass(frozen=True)
class _Film:
    """What turns a share of saturation into a magnetisation: moments, volume, temperature."""

    total_moment: float
    volume: float
    temperature: float


def susceptibility_numbers(
    run: Run, series: ChainSeries, stage: Stage, warnings: list[str]
) -> tuple[dict[str, Any], Susceptibility]:
    """Return the entries of ``magnetisation`` on the susceptibility, and its curve.

    Parameters
    ----------
    run, series, stage : Run, ChainSeries, Stage
        The trajectory, its series, and the averaged frames.
    warnings : list of str
        Reasons for what is missing, and disagreements, are added here.

    Returns
    -------
    dict, Susceptibility
        Fluctuations are taken along the field or, in a field of zero within the film plane, along
        x and y alike. In an oscillating field they are what its harmonics leave over. The curve
        is empty where nothing was measured.
    """
    swing = stage.swing if stage.swing is not None and stage.swing.kind == "oscillate" else None
    out: dict[str, Any] = {
        "susceptibility_static": NOTHING.as_dict(),
        "magnetisation_time_s": NOTHING.as_dict(),
    }
    film = _film(run)
    frames = even_frames(run.times, stage.frames)
    rows, reason = _fluctuations(run, series, stage, frames, swing)
    if film is None:
        reason = "the sizes of the moments or the temperature are not recorded"
    if reason is not None or film is None:
        warnings.append(f"magnetisation, susceptibility_static and magnetisation_time_s: {reason}")
        return out, Susceptibility.of([])
    if note := left_out(stage.frames, frames):
        warnings.append(f"magnetisation, susceptibility_static and magnetisation_time_s: {note}")
    scale = fluctuation_scale(film.total_moment, film.volume, film.temperature)
    spacing = float(np.diff(run.times[frames]).mean())
    removed = MEAN_ALONE
    if swing is not None:
        removed = Removed(2 * math.pi * swing.frequency_hz * spacing, HARMONICS)
    static = static_susceptibility(rows, scale, removed)
    out["susceptibility_static"] = static.as_dict()
    if run.is_sampled:
        return out, Susceptibility.of([])
    if not run.derived.get("moment_relaxation_meaningful", True):
        warnings.append(
            "magnetisation.magnetisation_time_s: moments were slowed down in this run, so their "
            "relaxation and the susceptibility by frequency are withheld"
        )
        return out, Susceptibility.of([])
    extra = None if swing is None else swing.frequency_hz
    spectrum = fluctuation_spectrum(rows, spacing, scale, extra, removed)
    if spectrum.reason is not None:
        warnings.append(f"magnetisation.magnetisation_time_s: {spectrum.reason}")
    out["magnetisation_time_s"] = spectrum.time.as_dict()
    static_value = static.value if static.value is not None else math.nan
    curve_rows: list[tuple[Any, ...]] = []
    if swing is not None:
        driven = _driven(run, series, stage, swing, film)
        out |= _compared(driven, spectrum, swing, warnings)
        curve_rows += _driven_row(swing.frequency_hz, *driven)
    return out, Susceptibility.of(curve_rows + _spectrum_rows(spectrum, static_value))


def _film(run: Run) -> _Film | None:
    """Return moments, volume and temperature, None where one of them is not known."""
    magnitudes = run.moment_magnitudes
    if magnitudes is None and run.has_moments:
        magnitudes = np.linalg.norm(run.moments(-1), axis=1)
    temperature = run.derived.get("temperature_k")
    if magnitudes is None or not magnitudes.sum() > 0 or temperature is None:
        return None
    volume = float(run.sides[0] * run.sides[1] * run.thickness)
    return _Film(float(magnitudes.sum()), volume, float(temperature))


def _fluctuations(
    run: Run, series: ChainSeries, stage: Stage, frames: Integers, swing: Swing | None
) -> tuple[Floats, str | None]:
    """Return the magnetisation of the even frames, (n, k), and why it cannot serve."""
    nothing = np.zeros((0, 1))
    if len(stage.frames) < FEWEST_FRAMES:
        return nothing, f"fewer than {FEWEST_FRAMES} frames are averaged"
    if len(frames) < FEWEST_FRAMES:
        return nothing, UNEVEN
    if stage.swing is not None and swing is None:
        return nothing, "fluctuations in a turning field are not evaluated"
    if not stage.steady:
        return nothing, "the field still changed at the last frame"
    along = series.values["magnetisation"][frames]
    if not np.isfinite(along).all():
        return nothing, "neither moments nor a field direction are known"
    if swing is not None:
        fit = harmonics(swing.angles(run.times[frames]), along)
        return (nothing, fit) if isinstance(fit, str) else (fit.left[:, None], None)
    stored = run.observables.get("magnetisation")
    flat = series.along is not None and abs(series.along[2]) < 1e-6
    if flat and not stage.field.any() and stored is not None and stored.ndim == 2:
        return np.asarray(stored[frames, :2], dtype=np.float64), None
    return along[:, None], None


def _driven(
    run: Run, series: ChainSeries, stage: Stage, swing: Swing, film: _Film
) -> tuple[Estimate, Estimate]:
    """Return the susceptibility in phase with an oscillating field and behind it."""
    values = series.values["magnetisation"][stage.frames]
    if series.along is not None:
        values = values * float(np.sign(swing.direction @ series.along))
    along, behind, _ = response(swing.angles(run.times[stage.frames]), values)
    factor = drive_scale(film.total_moment, film.volume, swing.amplitude_t)
    return _scaled(along, factor), _scaled(behind, factor)


def _scaled(one: Estimate, factor: float) -> Estimate:
    """Return an estimate in another unit."""
    if one.value is None or one.error is None:
        return NOTHING
    return replace(one, value=factor * one.value, error=factor * one.error)


def _compared(
    driven: tuple[Estimate, Estimate], spectrum: Spectrum, swing: Swing, warnings: list[str]
) -> dict[str, Any]:
    """Return the susceptibility at the field's frequency both ways, and whether they agree."""
    out: dict[str, Any] = {"susceptibility_frequency_hz": swing.frequency_hz}
    differences: list[float | None] = []
    for name, one, values, errors in (
        ("in_phase", driven[0], spectrum.in_phase, spectrum.in_phase_error),
        ("behind", driven[1], spectrum.behind, spectrum.behind_error),
    ):
        other = NOTHING
        if len(values):
            other = Estimate(
                float(values[-1]), float(errors[-1]), spectrum.time.samples, spectrum.freedom
            )
        out[f"susceptibility_{name}"] = one.as_dict()
        out[f"susceptibility_{name}_fluctuations"] = other.as_dict()
        if one.value is not None and other.value is not None:
            differences.append(_joint_errors_apart(one, other))
    if spectrum.reason is not None:
        warnings.append(
            "magnetisation, susceptibility_in_phase_fluctuations and "
            f"susceptibility_behind_fluctuations: {spectrum.reason}"
        )
    if driven[0].value is None:
        warnings.append(
            "magnetisation, susceptibility_in_phase and susceptibility_behind: too few frames, or "
            "frames at too few angles of the field"
        )
    told = [apart for apart in differences if apart is not None]
    worst = max(told) if told and len(told) == len(differences) else None
    out["susceptibility_agrees"] = None if worst is None else worst <= DISAGREE
    if len(told) < len(differences):
        warnings.append(
            "magnetisation.susceptibility_agrees: an error is not known, so neither is whether the "
            "answer to the field and the fluctuations agree"
        )
    if worst is not None and worst > DISAGREE:
        warnings.append(
            f"magnetisation.susceptibility_agrees: the answer to the field and the fluctuations "
            f"differ by {worst:.2g} joint errors; the field is too strong for a linear answer, or "
            "the film has not come to rest"
        )
    return out


def _joint_errors_apart(one: Estimate, other: Estimate) -> float | None:
    """Return how many joint errors two numbers differ by; None where an error is not known."""
    errors = [math.nan if each.error is None else each.error for each in (one, other)]
    joint = math.hypot(*errors)
    if one.value is None or other.value is None or not math.isfinite(joint):
        return None
    return abs(one.value - other.value) / joint if joint > 0 else math.inf


def _driven_row(
    frequency_hz: float, along: Estimate, behind: Estimate
) -> list[tuple[str | float | None, ...]]:
    """Return the row that was measured in a swinging field, none where it was not."""
    if along.value is None or behind.value is None:
        return []
    measured = (along.value, along.error, behind.value, behind.error)
    return [("oscillating field", frequency_hz, *measured, math.nan, math.nan)]


def _spectrum_rows(spectrum: Spectrum, static: float) -> list[tuple[Any, ...]]:
    """Return the rows of a spectrum, rising, beside those of a single relaxation time."""
    time = spectrum.time.value
    if time is None:
        return []
    columns = (
        spectrum.frequency_hz, spectrum.in_phase, spectrum.in_phase_error, spectrum.behind,
        spectrum.behind_error, *debye(spectrum.frequency_hz, static, time),
    )  # fmt: skip
    order = np.argsort(spectrum.frequency_hz)
    return [("fluctuations", *(column[k] for column in columns)) for k in order]
