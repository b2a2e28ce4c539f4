"""How a run shows itself: a line on a prompt, a table in a notebook."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.common.notebook import html_table

Floats = NDArray[np.float64]


class ShownRun:
    """What `analysis.trajectory.run.Run` says of itself; arrays are asked for by name."""

    path: Path
    frames: int
    times: Floats
    steps: NDArray[np.int64]
    diameters: Floats
    sides: Floats
    thickness: float
    finished: bool
    end_reason: str

    @property
    def is_sampled(self) -> bool:
        """Whether steps are sweeps, to which no times belong."""
        raise NotImplementedError

    def __repr__(self) -> str:
        """Say in a line what it is."""
        return f"<Run {self.path}: {', '.join(text for _, text in self._rows())}>"

    def _repr_html_(self) -> str:
        """Show it in a notebook."""
        return html_table(f"Run {self.path}", self._rows())

    def _rows(self) -> list[tuple[str, str]]:
        x, y, z = (f"{1e6 * float(side):.3g} um" for side in (*self.sides, self.thickness))
        last = f"{1e3 * float(self.times[-1]):.4g} ms"
        if self.is_sampled:
            last = f"sweep {self.steps[-1]}"
        return [
            ("particles", f"{len(self.diameters)} particles"),
            ("frames", f"{self.frames} frames to {last}"),
            ("patch", f"{x} x {y}, {z} thick"),
            ("end", "finished" if self.finished else self.end_reason or "not finished"),
        ]
