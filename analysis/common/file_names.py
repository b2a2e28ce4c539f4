"""Names of the files that commands leave in a folder: one list, from which --overwrite clears.

Figures have their names where they are drawn, and lie in a folder of their own.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

RUN, CHECKPOINT = "run.h5", "checkpoint.h5"
MEASURES, REPORT = "measures.json", "report.html"
LENGTHS, SPACING, SERIES = "chain_lengths.csv", "spacing.csv", "time_series.csv"
SUSCEPTIBILITY, TURNING_FIELD, LAG = "susceptibility.csv", "turning_field.csv", "lag.csv"
WAY_TO_REST = "way_to_rest.csv"
HANDOFF, THICKNESS, FAR_FIELD = "handoff.json", "optical_thickness.h5", "far_field.csv"
OPTICS_TABLE, OPTICS_REPORT = "optics.csv", "optics_report.html"
PARTICLES, CHAINS = "particles.vtp", "chains.vtp"
VIEWER_FILM, FRAMES = "film_nm.h5", "frames"
"""Frames for viewers, and the folder of those that `particles.pvd` and `chains.pvd` list."""
OF_RUN = (
    f".{RUN}.commit", RUN, CHECKPOINT, f"{CHECKPOINT}.part",  # by the run, the rest by measuring it
    MEASURES, REPORT, LENGTHS, SPACING, SERIES, SUSCEPTIBILITY, TURNING_FIELD, LAG,
    WAY_TO_REST,
    HANDOFF, THICKNESS, FAR_FIELD, OPTICS_TABLE, OPTICS_REPORT, PARTICLES, CHAINS, VIEWER_FILM,
    "particles.pvd", "chains.pvd",
)  # fmt: skip

SWEEP, STOP = "sweep.json", ".stop"
SWEEP_TABLE, SUMMARY, SWEEP_REPORT = "sweep.csv", "summary.csv", "sweep_report.html"
OPTICS_SUMMARY = "optics_summary.csv"
OF_SWEEP = (SWEEP_TABLE, SUMMARY, SWEEP_REPORT, OPTICS_SUMMARY, OPTICS_REPORT, SWEEP, STOP)
OUTCOME, PROGRESS = "outcome.json", "progress.json"
"""In the folder of a run of a sweep, beside what the run leaves."""

MAP, MAP_TABLE, MAP_GRID = "map.json", "cell_map.csv", "cell_map.vti"
DRIFT, DRIFT_CHANGE, DRIFT_FRAMES = "drift.csv", "drift_change.csv", "drift_frames.csv"
DRIFT_GRID = "drift.vti"
OF_MAP = (MAP, MAP_TABLE, MAP_GRID, DRIFT, DRIFT_CHANGE, DRIFT_FRAMES, DRIFT_GRID)
FIGURES_OF_MAP = (
    "chains_map", "numbers_map", "drift_maps", "drift_chains", "sweep_map", "sweep_errors_map",
)  # fmt: skip

MICROGRAPH, MICROGRAPH_TABLE = "micrograph.json", "micrograph.csv"
OF_MICROGRAPH = (MICROGRAPH, MICROGRAPH_TABLE, "micrograph.png")

DESIGN, DESIGN_REPORT, FOUND_FILM = "design.json", "design.html", "film.toml"
OF_DESIGN = (DESIGN, DESIGN_REPORT, FOUND_FILM)
FLUID, FLUID_REPORT, FLUID_SAMPLES = "fluid.json", "fluid.html", "fluids.csv"
FILM_TABLES, ENSEMBLE = "particles.toml", "ensemble.toml"
OF_FLUID = (FLUID, FLUID_REPORT, FLUID_SAMPLES, FILM_TABLES, ENSEMBLE)
FIGURES_OF_FLUID = (
    "magnetisation_curve", "susceptibility_spectrum", "core_sizes", "unknown_pairs",
)  # fmt: skip
CHECKED_FLUIDS = "check_ensemble.csv"

FIGURES = "figures"
FORMATS = ("png", "svg", "pdf")
MOVING_PICTURE, MOVING_FORMATS = "film", ("gif", "mp4")


def clear(folder: Path, names: Iterable[str], figures: Iterable[str] = ("*",)) -> None:
    """Remove what an earlier command has written into a folder, and nothing else.

    Parameters
    ----------
    folder : Path
        The folder.
    names : iterable of str
        Files in it, of which some may be missing.
    figures : iterable of str
        Names of figures without ending, or patterns.
    """
    for name in names:
        (folder / name).unlink(missing_ok=True)
    for figure in figures:
        for kind in (*FORMATS, *MOVING_FORMATS):
            for picture in (folder / FIGURES).glob(f"{figure}.{kind}"):
                picture.unlink()


def clear_frames(folder: Path) -> None:
    """Remove the frames that were written for viewers."""
    for kind in ("particles", "chains"):
        for frame in (folder / FRAMES).glob(f"{kind}_[0-9]*.vtp"):
            frame.unlink()
