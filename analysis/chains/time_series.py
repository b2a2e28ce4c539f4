"""What is known of the film at every frame, as one curve in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.chains.series import ChainSeries
from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.files.curve import Curve, Table
from analysis.trajectory.run import Run


@dataclass(frozen=True)
class TimeSeries(Curve):
    """Numbers of every frame, (frames,) each; NaN where one could not be measured.

    Times in s (none of a sampled run, whose steps are sweeps), the field along the chains'
    direction in T, energies in kT.
    """

    NAME: ClassVar = "time_series"
    TABLE: ClassVar = Table(
        file_names.SERIES,
        {
            "field_t": "field_T",
            "energy_dipolar": "energy_dipolar_kT",
            "energy_steric": "energy_steric_kT",
            "step": "step",
        },
        always=True,
    )
    time_s: Floats
    mean_length: Floats
    mean_length_error: Floats
    weight_mean_length: Floats
    singles_fraction: Floats
    spanning_share: Floats
    straightness: Floats
    alignment: Floats
    magnetisation: Floats
    field_t: Floats
    energy_dipolar: Floats
    energy_steric: Floats
    step: NDArray[np.int64]


def time_series(run: Run, series: ChainSeries, field: Floats) -> TimeSeries:
    """Return what is known at every frame.

    Parameters
    ----------
    run, series : Run, ChainSeries
        The trajectory and its chain numbers.
    field : (frames, 3) array
        Field in T.
    """
    reference = series.along
    along = field @ reference if reference is not None else np.linalg.norm(field, axis=1)
    if series.turning is not None:
        along = np.sum(field * series.turning, axis=1)
    magnetisation = series.values["magnetisation"]
    stored = run.observables.get("magnetisation")
    if not run.has_moments and reference is not None and stored is not None and stored.ndim == 2:
        magnetisation = stored @ reference
    nothing = np.full(run.frames, np.nan)
    return TimeSeries(
        time_s=nothing if run.is_sampled else run.times,
        mean_length=series.values["mean_length"],
        weight_mean_length=series.values["weight_mean_length"],
        mean_length_error=series.within["mean_length"],
        singles_fraction=series.values["singles_fraction"],
        spanning_share=series.values["spanning_share"],
        straightness=series.values["straightness"],
        magnetisation=magnetisation,
        alignment=series.values["order"],
        field_t=along,
        energy_dipolar=run.observables.get("energy_dipolar", nothing),
        energy_steric=run.observables.get("energy_steric", nothing),
        step=run.steps,
    )
