"""The section ``magnetisation``: share of saturation beside the Langevin law, susceptibility."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from analysis.chains.bonds import ROOM_TEMPERATURE_K
from analysis.chains.magnetisation import magnetisation_law
from analysis.chains.measured_run import Section, temperature_of
from analysis.chains.turning import MAGNETISATION
from analysis.common.arrays import Floats
from analysis.files.curve import Curve
from analysis.response.susceptibility_numbers import susceptibility_numbers
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage, is_field_known
from analysis.uncertainty.estimate import Estimate, estimate


@dataclass(frozen=True)
class MagnetisationLaw(Curve):
    """Magnetisation of free dipoles of the run's sizes as a share of saturation, and the run's own.

    ``relative`` over ``langevin_parameter``, that of the median moment, is the law; ``law`` is its
    value at the field of the run, ``measured_langevin_parameter``, beside ``measured`` and its
    error. NaN where moments or field are not known.
    """

    NAME: ClassVar = "magnetisation_law"
    langevin_parameter: Floats
    relative: Floats
    measured_langevin_parameter: float
    law: float
    measured: float
    measured_error: float


class MagnetisationSection(Section):
    """Magnetisation along the field, from the series over all frames."""

    name = "magnetisation"

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section ``magnetisation``."""
        run, stage, series = self.seen.run, self.seen.stage, self.seen.series
        if run.has_moments:
            relative = self.seen.average_of_moments(MAGNETISATION)
        else:  # the file may hold the magnetisation of the whole film
            relative = estimate(self.seen.time_series.magnetisation[stage.frames])
        law = magnetisation_curve(run, stage, relative)
        if relative.value is None:
            warnings.append(
                "magnetisation.relative: neither moments nor a field direction are known"
            )
        if not is_field_known(run):
            warnings.append(
                "magnetisation.field_t: the file records no field; stages, growth and directions "
                "are those of a film that none changes"
            )
        if run.has_moments and run.derived.get("temperature_k") is None:
            warnings.append(
                f"magnetisation: the file records no temperature; {ROOM_TEMPERATURE_K:g} K is "
                "taken for the Langevin law and for bonds that are told by energy"
            )
        answer, susceptibility = susceptibility_numbers(run, series, stage, warnings)
        self.drawn += [law, susceptibility]
        return {
            "relative": relative.as_dict(),
            "langevin_relative": law.law,
            "langevin_parameter": law.measured_langevin_parameter,
            "field_t": float(np.linalg.norm(stage.field)) if is_field_known(run) else None,
            **answer,
        }


def magnetisation_curve(run: Run, stage: Stage, measured: Estimate) -> MagnetisationLaw:
    """Return the magnetisation law of the run's own sizes with the measured point."""
    magnitudes = run.moment_magnitudes
    if run.derived.get("core_moment_am2"):  # beads follow the law of the cores inside them
        magnitudes = np.array([float(run.derived["core_moment_am2"])])
    if magnitudes is None and run.has_moments:
        magnitudes = np.linalg.norm(run.moments(-1), axis=1)
    field = float(np.linalg.norm(stage.field))
    known = np.zeros(1) if magnitudes is None else magnitudes
    parameter, law, own, at_field = magnetisation_law(known, field, temperature_of(run))
    if magnitudes is None:  # of no moments there is no law
        law = np.full(len(law), math.nan)
    if magnitudes is None or not is_field_known(run):  # nor a place on it without a field
        own = at_field = math.nan
    return MagnetisationLaw(
        langevin_parameter=parameter,
        relative=law,
        measured_langevin_parameter=own,
        law=at_field,
        measured=math.nan if measured.value is None else measured.value,
        measured_error=math.nan if measured.error is None else measured.error,
    )
