"""A measurement made by hand, for tests of figures and report that need no measuring code.

The curves are closed formulas and the chains of the last frame are those that ``straight_chains``
of ``planted`` puts there, so every number in a figure or page is known beforehand.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from analysis.chains.length_distribution import ChainLengths
from analysis.chains.time_series import TimeSeries
from analysis.response.magnetisation import MagnetisationLaw
from analysis.spacing.curves import (
    AxisCorrelation,
    NearestNeighbour,
    StructureFactorMap,
    StructureFactorRadial,
)
from analysis.spacing.slits import SlitWidths
from tests.reference.planted import DIAMETER, MOMENT, PARAMETER_TEXT, straight_chains

SIDES = (1.2e-6, 0.6e-6)
THICKNESS = 0.3e-6


def hand_made_run(**derived):
    """What figures and report read of a run, without a file."""
    return SimpleNamespace(
        frames=41,
        sides=np.array(SIDES),
        thickness=THICKNESS,
        diameters=np.full(900, DIAMETER),
        held=900,
        derived={
            "coupling": 6.13,
            "coupling_largest_tenth": 8.4,
            "langevin_parameter": 13.6,
            "langevin_parameter_largest_tenth": 20.1,
            "volume_fraction": 0.031,
            "particle_count": 900,
            "time_step_s": 5e-9,
            "steps": 40000,
            "duration_s": 2e-4,
            "diffusion_time_s": 4.75e-5,
            "median_diameter_m": DIAMETER,
            "median_moment_am2": MOMENT,
            "largest_field_t": 0.03,
            "field_direction": [1.0, 0.0, 0.0],
            "line_density_spacing_m": 99e-9,
            "brown_time_s": 7.9e-6,
            "neel_time_s": 7.3e-5,
            "predicted_mean_length": 21.0,
            "predicted_mean_length_low": 9.0,
            "predicted_mean_length_high": 52.0,
            "bond_life_largest_tenth_s": 9.2e-2,
            "film_formation_time_s": 10.0,
            "dipole_sum": "cutoff",
            "cutoff_m": 6 * DIAMETER,
        }
        | derived,
        parameters_text=PARAMETER_TEXT,
        provisional=derived.get("dipole_sum", "cutoff") == "cutoff",
        is_sampled=False,
        resolved={},
        version="0.1.0",
        origin={},
        versions={"numpy": "2.4.0", "numba": "0.68.0"},
        processor="cpu",
        seed=7,
        finished=True,
        end_reason="duration reached",
        notices=(),
        bonds={"distance": 1.3, "alignment": 0.5},
    )


def planted_frame(direction=(1.0, 0.0, 0.0), seed=3):
    """Last frame with 60 chains on jittered lanes and 150 singles."""
    rng = np.random.default_rng(seed)
    lengths = np.minimum(rng.geometric(0.13, 60) + 1, 30)
    starts = np.stack(
        [
            rng.random(60) * SIDES[0],
            rng.random(60) * SIDES[1],
            DIAMETER + rng.random(60) * (THICKNESS - 2 * DIAMETER),
        ],
        axis=1,
    )
    if abs(direction[2]) > 0.9:
        starts[:, 2], lengths = DIAMETER, np.minimum(lengths, 10)
    film = straight_chains(
        starts, lengths, direction=direction, sides=SIDES, thickness=THICKNESS, noise=1.5e-9
    )
    singles = rng.random((150, 3)) * np.array([*SIDES, THICKNESS - DIAMETER]) + [0, 0, DIAMETER / 2]
    return {
        "positions": np.concatenate([film.positions, singles]),
        "moments": np.concatenate([film.moments, MOMENT * np.tile(direction, (150, 1))]),
        "diameters": np.full(len(film.positions) + 150, DIAMETER),
        "chain_index": np.concatenate([film.chain, np.full(150, -1)]),
        "sides": np.array(SIDES),
        "thickness": THICKNESS,
    }


def hand_made_curves(*, switch_off=False, seed=4):
    """Curves as a measurement gives them, from closed formulas with a little scatter."""
    rng = np.random.default_rng(seed)
    time = np.linspace(0.0, 2e-4, 81)
    mean = 1.0 + 1.6 * (time / 1e-5) ** 0.5
    field = np.full(81, 0.03)
    if switch_off:
        field[time > 1.4e-4] = 0.0
        mean[time > 1.4e-4] *= np.exp(-(time[time > 1.4e-4] - 1.4e-4) / 5e-5)
    length = np.arange(1, 31)
    geometric = 0.14 * 0.86 ** (length - 1)
    spread = geometric * (1 + 0.15 * rng.standard_normal(30))
    spread[26:] = [0.0, geometric[27], 0.0, geometric[29]]
    centre = np.arange(2.5e-9, 200e-9, 5e-9)
    density = np.exp(-0.5 * ((centre - 85e-9) / 18e-9) ** 2) / (18e-9 * np.sqrt(2 * np.pi))
    q = np.arange(1, 41) * 2 * np.pi / 0.6e-6
    qx = np.arange(-20, 21) * 2 * np.pi / 1.2e-6
    qy = np.arange(-20, 21) * 2 * np.pi / 0.6e-6
    hump = 1 + 2.5 * np.exp(-0.5 * ((np.abs(qy) - 6.3e7) / 1.2e7) ** 2)
    s = hump[:, None] * np.exp(-0.5 * (qx / 1.2e7) ** 2)[None, :] * 3 + 0.3
    s = s * rng.exponential(1.0, s.shape)
    s[20, 20] = 900.0
    distance = np.arange(5e-9, 300e-9, 6e-9)
    wave = 1 - np.exp(-((distance / 60e-9) ** 3)) * 1.0
    g = wave + 0.6 * np.exp(-0.5 * ((distance - 92e-9) / 15e-9) ** 2)
    parameter = np.geomspace(0.1, 40, 80)
    unknown = np.full(81, np.nan)
    curves = (
        TimeSeries(
            time_s=time,
            mean_length=mean,
            weight_mean_length=1.7 * mean,
            mean_length_error=0.05 * mean,
            singles_fraction=1.0 / mean,
            spanning_share=unknown,
            straightness=unknown,
            magnetisation=0.92 * (1 - np.exp(-time / 4e-6)) * (field > 0) + 0.02,
            alignment=0.88 * (1 - np.exp(-time / 2e-6)) * (field > 0) + 0.05,
            field_t=field,
            energy_dipolar=-9.0 * (1 - 1 / mean),
            energy_steric=0.8 * (1 - 1 / mean),
            step=500 * np.arange(81),
        ),
        ChainLengths(length, spread, 0.012 * np.sqrt(geometric), theory=geometric),
        NearestNeighbour(centre, density, error=0.1 * density + 3e5 * (density > 1e4)),
        StructureFactorMap(qx, qy, s),
        StructureFactorRadial(
            q_per_m=q,
            s=0.3 + 2.5 * np.exp(-0.5 * ((q - 6.3e7) / 1.4e7) ** 2) + q / q.max() * 0.7,
            error=0.12 + 0.3 * np.exp(-0.5 * ((q - 6.3e7) / 2e7) ** 2),
            flat_error=np.full(40, 0.12),
            band_per_m=1e7,
        ),
        AxisCorrelation(
            distance, g, error=0.3 * 20e-9 / distance, flat_error=0.3 * 20e-9 / distance
        ),
        SlitWidths(
            width_m=centre,
            density_per_m=0.9 * density + 0.1 * np.exp(-centre / 40e-9) / 40e-9,
            error=0.08 * density + 2e5,
            random_per_m=np.exp(-centre / 40e-9) / 40e-9,
        ),
        MagnetisationLaw(
            langevin_parameter=parameter,
            relative=1 / np.tanh(parameter) - 1 / parameter,
            measured_langevin_parameter=13.6,
            law=1 / np.tanh(13.6) - 1 / 13.6,
            measured=0.941,
            measured_error=0.004,
        ),
    )
    return {curve.NAME: curve for curve in curves}


def hand_made_numbers():
    """Content of measures.json, with one number that could not be measured."""

    def entry(value, error, samples=12.0):
        return {"value": value, "error": error, "samples": samples}

    return {
        "parameters": PARAMETER_TEXT,
        "derived": {},
        "equilibration": {"reached": False, "statement": "after t = 0.2 ms"},
        "chains": {
            "mean_length": entry(8.13, 0.21),
            "weight_mean_length": entry(13.8, 0.5),
            "singles_fraction": entry(0.123, 0.004),
            "straightness": entry(0.962, 0.003),
            "spanning_share": entry(0.0, 0.0),
            "distribution": [{"length": 1, "fraction_of_chains": 0.14, "error": 0.01}],
        },
        "spacing": {
            "nearest_neighbour_m": entry(84.6e-9, 1.3e-9),
            "structure_factor_m": entry(99.7e-9, 4.2e-9),
            "axis_correlation_m": entry(92.4e-9, 2.1e-9),
            "width_m": entry(26.1e-9, 0.4e-9),
            "clear_fraction": entry(0.412, 0.008),
        },
        "alignment": {"order": entry(0.913, 0.002)},
        "magnetisation": {"relative": entry(0.941, 0.004)},
        "relaxation": {"growth_exponent": {"value": None, "error": None, "samples": 0}},
        "timing": {
            "compile_s": 4.0,
            "stepping_s": 21.5,
            "output_s": 0.4,
            "steps": 40000,
            "threads": 2,
        },
        "warnings": [
            "relaxation.growth_exponent: the growth does not span a decade beyond 0.4 t0."
        ],
    }


def hand_made(*, direction=(1.0, 0.0, 0.0), switch_off=False):
    """Numbers, curves and last frame of a film that never was simulated."""
    return SimpleNamespace(
        numbers=hand_made_numbers(),
        curves=hand_made_curves(switch_off=switch_off),
        last_frame=planted_frame(direction),
    )


def texts(figure):
    """All words of a figure."""
    import matplotlib.text

    return " | ".join(t.get_text() for t in figure.findobj(matplotlib.text.Text) if t.get_text())


def drawn(figure):
    """Lay the figure out and draw it, as saving does."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from analysis.pictures import style

    with style.publication():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
    return canvas
