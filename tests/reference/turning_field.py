"""A field that turns or oscillates, as the analysis sees it."""

import numpy as np

from analysis.trajectory.cycles import Swing


def swing(kind="rotate", frequency=1e3, **changes):
    """Return a field that turns in the plane of the film from x towards y."""
    values = {
        "kind": kind, "start_s": 0.0, "frequency_hz": frequency, "phase_rad": 0.0,
        "direction": np.array([1.0, 0.0, 0.0]), "axis": np.array([0.0, 0.0, 1.0]),
    }  # fmt: skip
    return Swing(**{**values, **changes})
