"""The way to rest: bands hold the truth of planted growths, and reasons where there is none."""

import dataclasses
import math
import re
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.chains.groups import find_chains
from analysis.chains.measured_run import Frame, MeasuredRun
from analysis.chains.series import ChainSeries
from analysis.chains.time_series import TimeSeries
from analysis.measures.measure import Measurement
from analysis.pictures.all import figures_of
from analysis.quantities.all import quantity
from analysis.response.rest import fit
from analysis.response.rest.continuation import continued
from analysis.response.rest.fit import Expected, Watched
from analysis.response.rest.rates import ChainRates, closed_mean_length
from analysis.response.rest.section import WayToRest, _bundled, way_numbers
from analysis.trajectory.stages import Stage
from tests.reference.living_chains import lengths_in_time
from tests.reference.planted import DIAMETER, straight_chains

UNIT = 4e-5
"""d^2/D in s."""


def planted(seed, particles=300):
    """Return what is seen of the first tenth of a growth, what is expected, and the truth."""
    random = np.random.default_rng(seed)
    expected = Expected(4.0, 0.5)
    rest = 1.0 + (expected.length - 1.0) * math.exp(expected.spread * random.normal())
    fall, pace = random.uniform(0.0, 1.0), 10.0 ** random.uniform(3.0, 5.0)
    constant = rest * (rest - 1.0)
    rates = ChainRates.of(rest, fall)
    scaled = np.concatenate([[0.0], np.geomspace(1e-2, 200.0 * rest**2, 400)])
    way = rates.mean_length(constant, scaled)
    when = [np.interp(1.0 + share * (rest - 1.0), way, scaled) / pace for share in (0.5, 0.9)]
    last = random.uniform(0.3, 3.0) * when[1]
    times = np.linspace(0.0, 0.1 * last, 61)
    lengths, _ = lengths_in_time(particles, pace, constant, fall, times, seed)
    lengths = lengths * np.exp(0.02 * random.standard_normal(len(times)))
    truth = {
        "rest": rest, "halfway": when[0], "mostly": when[1],
        "at end": np.interp(last * pace, scaled, way), "last": last,
    }  # fmt: skip
    return Watched(times, np.maximum(lengths, 1.0), particles), expected, truth


def held(seeds):
    """Return how often bands of 68 and 95 % hold the truth, by number."""
    inside = {name: [] for name in ("rest", "halfway", "mostly", "at end")}
    for seed in seeds:
        watched, expected, truth = planted(seed)
        found = continued(watched, expected, model_error=0.0)
        for name, rows in inside.items():
            if name == "at end":
                ends = [np.interp(truth["last"], found.times, row) for row in found.lengths]
            else:
                ends = getattr(found, name)
            rows.append((ends[1] <= truth[name] <= ends[3], ends[0] <= truth[name] <= ends[4]))
    return {name: np.mean(rows, axis=0) for name, rows in inside.items()}


def check(found, trials):
    for name, (inner, outer) in found.items():
        # 4 sigma of so many trials, either way for the inner band.
        assert abs(inner - 0.683) < 4.0 * math.sqrt(0.683 * 0.317 / trials), name
        assert outer > 0.95 - 4.0 * math.sqrt(0.95 * 0.05 / trials), name


def test_bands_hold_the_truth_of_planted_growths():
    check(held(range(16)), 16)


@pytest.mark.slow
def test_bands_hold_the_truth_of_many_planted_growths():
    check(held(range(100, 220)), 120)


def test_films_scatter_about_a_way_as_single_events_make_them():
    particles, pace, constant, count = 300, 1.0, 12.0, 60
    times = np.array([0.3, 1.0, 3.0, 4.0, 12.0, 30.0])
    runs = [lengths_in_time(particles, pace, constant, 0.0, times, k)[0] for k in range(count)]
    seen = np.cov(np.log(runs).T)
    ways = fit.fitted(
        Watched(times, closed_mean_length(times, constant), particles), Expected(4.0, 0.5)
    ).ways
    rest = int(np.argmin(abs(ways.constants - math.log(constant))))
    bins = fit._Bins(times, np.log(closed_mean_length(times, constant)), np.zeros(6))
    watched = Watched(times, times, particles)
    wanted = fit._covariance(bins, ways, (0, rest), math.log(pace), watched)
    # Entries of a sample covariance of normal numbers: (c_ii c_jj + c_ij^2)/(n - 1); 4 sigma.
    own = np.diag(wanted)
    error = np.sqrt((np.outer(own, own) + wanted**2) / (count - 1))
    assert np.all(np.abs(seen - wanted) < 4.0 * error)
    assert wanted[2, 3] > 0.5 * own[2]  # they remember


def test_a_long_look_narrows_the_band_and_a_model_error_widens_it():
    times = np.geomspace(1e-6, 2e-3, 200)
    random = np.random.default_rng(3)
    lengths = closed_mean_length(5e4 * times, 20.0) * np.exp(0.01 * random.standard_normal(200))
    expected = Expected(8.0, 0.6)

    def width(until, error):
        seen = times <= until
        watched = Watched(times[seen], lengths[seen], 20000)
        rest = continued(watched, expected, error).rest
        return math.log((rest[4] - 1.0) / (rest[0] - 1.0)), rest

    early, late = width(2e-5, 0.0), width(2e-3, 0.0)
    assert late[0] < 0.3 * early[0]
    assert early[1][0] < 5.0 < early[1][4]
    assert late[1][2] == pytest.approx(5.0, rel=0.02)  # 20 = 5 x 4
    assert width(2e-5, 0.2)[0] > early[0]
    # Ten times the time of 90 % have been seen: nothing is left to stray from.
    assert width(2e-3, 0.2)[0] == pytest.approx(late[0])


# ------------------------------------------------------------- the section


def film(lengths, times, field, chains=None, **derived):
    """Return run, series, field and stage of a film with these mean lengths."""
    count = len(times)
    series = ChainSeries(count, None, None)
    series.values["mean_length"][:] = lengths
    for name in ("ring_share", "branched_share", "spanning_share"):
        series.values[name][:] = 0.0
    series.lengths = {k: np.array([1] * 300) for k in range(count)} if chains is None else chains
    recorded = {
        "diffusion_time_s": UNIT, "volume_fraction": 0.03, "largest_field_t": 0.03,
        "predicted_mean_length": 9.0, "predicted_mean_length_neighbours_only": 2.5,
        "predicted_mean_length_off": 3.4, "predicted_mean_length_off_neighbours_only": 1.6,
    }  # fmt: skip
    run = SimpleNamespace(
        times=times,
        frames=count,
        count=300,
        held=300,
        derived=recorded | derived,
        observables={},
        is_sampled=False,
        field_before=None,
    )
    vectors = np.zeros((count, 3))
    vectors[:, 0] = field
    stage = Stage(0.0, float(times[-1]), 0.0, np.arange(count // 2, count), True, vectors[-1])
    return run, series, vectors, stage


def grown(**derived):
    """Return a film that grows to 4.5 as a planted one."""
    times = np.linspace(0.0, 4e-4, 101)
    lengths, chains = lengths_in_time(300, 5e4, 4.5 * 3.5, 0.5, times, 5)
    return film(lengths, times, 0.03, **derived), chains


def told(planted_film, bundled=None):
    warnings = []
    section, curve = way_numbers(*planted_film, bundled, warnings)
    return section, curve, warnings


def test_entries_of_a_growth_and_its_figure():
    planted_film, _ = grown()
    section, curve, warnings = told(planted_film)
    assert warnings == []
    assert section["switch_on_reason"] is None
    assert section["switch_on_seen_until_s"] == pytest.approx(4e-4)
    # Between 9 and 2.5: sqrt(8 x 1.5) above one.
    assert section["switch_on_expected_length"] == pytest.approx(1.0 + math.sqrt(12.0))
    rest = section["switch_on_rest_length"]
    assert rest["interval_95"][0] < 4.5 < rest["interval_95"][1]
    assert rest["interval_68"][0] < rest["value"] < rest["interval_68"][1]
    half, most = (section[f"switch_on_{key}_s"]["value"] for key in ("half_time", "rest_time"))
    assert 0.0 < half < most
    told_half = quantity("way_to_rest.switch_on_half_time_s").text({"way_to_rest": section})
    assert re.fullmatch(r"[\d.]+ µs \([\d.]+ µs to [\d.]+ µs\)", told_half)
    assert not any(key.startswith("switch_off") for key in section)
    assert curve["time_s"][0] <= 4e-6
    assert curve["time_s"][-1] > most
    run, series, *_ = planted_film
    lengths = {"time_s": run.times, "mean_length": series.values["mean_length"]}
    curves = {
        "way_to_rest": curve,
        "time_series": dataclasses.replace(TimeSeries.empty(), **lengths),
    }
    measured = Measurement({"way_to_rest": section}, curves, {})
    assert "way_to_rest" in figures_of(measured)
    nothing = Measurement({}, {"way_to_rest": WayToRest.empty()}, {})
    assert "way_to_rest" not in figures_of(nothing)
    run.provisional = False
    figure = figures_of(measured)["way_to_rest"](measured, run)
    axes = figure.axes[0]
    words = [text.get_text() for text in figure.findobj(lambda one: hasattr(one, "get_text"))]
    assert any(word.startswith("rest ") for word in words)
    points = next(line for line in axes.lines if line.get_label() == "simulated")
    assert len(points.get_xdata()) == run.frames - 1  # the first is at no logarithm


def test_a_decay_begins_once_moments_have_turned():
    on, chains = lengths_in_time(300, 5e4, 20.0, 0.0, np.array([2e-3]), 7)
    times = np.linspace(0.0, 4e-4, 161)
    lengths, _ = lengths_in_time(300, 4e4, 2.0 * 1.0, 0.5, times, 8, chains)
    # The film of the end of the field, loosened at once to 0.7 of its length.
    loosened = np.where(times < 0.3 * UNIT, on[0], lengths)
    everything = np.concatenate([np.full(4, on[0]), loosened])
    when = np.concatenate([np.linspace(0.0, 9e-5, 4), 1e-4 + times])
    field = np.where(when <= 1e-4, 0.03, 0.0)
    seen = dict.fromkeys(range(len(when)), chains)
    section, curve, _ = told(film(everything, when, field, seen))
    assert section["switch_off_reason"] is None
    assert section["switch_off_start_s"] == pytest.approx(1e-4)
    assert section["switch_off_start_length"] == pytest.approx(on[0])
    rest = section["switch_off_rest_length"]["interval_95"]
    assert rest[0] < 2.0 < rest[1]
    off = curve["after"] == "switch-off"
    assert curve["time_s"][off][0] >= 0.3 * UNIT
    assert np.all(np.diff(curve["mean_length"][off]) < 1e-6)
    # Four frames of steady length under the field tell no growth.
    assert "no growth or decay stands out" in section["switch_on_reason"]


def changed(**changes):
    """Return a growth with single values of its series or record changed."""
    (run, series, field, stage), _ = grown()
    for name, value in changes.items():
        if name in series.values:
            series.values[name][:] = value
        elif name == "field":
            field[:, 0] = value
        elif name == "swing":
            stage = Stage(0.0, 1.0, 0.0, stage.frames, True, stage.field, value)
        elif name == "lengths":
            series.lengths = value
        elif name == "is_sampled":
            run.is_sampled = value
        else:
            run.derived[name] = value
    return run, series, field, stage


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"lengths": {}}, "no moments"),
        ({"is_sampled": True}, "samples the film at rest"),
        ({"swing": object()}, "turns or oscillates"),
        ({"field": np.linspace(0.02, 0.03, 101)}, "field changed"),
        ({"branched_share": 0.6}, "60 % of the particles are in rings and branched groups"),
        ({"spanning_share": np.linspace(-0.1, 5.0, 101)}, "too few frames show chains before 10 %"),
        ({"mean_length": 1.02}, "no growth or decay stands out"),
        ({"predicted_mean_length": 1.0}, "no chains are expected"),
        ({"predicted_mean_length": "many"}, "no chains are expected"),
        ({"predicted_mean_length": None}, "records no predicted length"),
        ({"largest_field_t": None}, "records no field"),
    ],
)
def test_reasons(changes, words):
    section, curve, warnings = told(changed(**changes))
    assert words in section["switch_on_reason"]
    assert section["switch_on_rest_length"]["value"] is None
    assert warnings == [f"way_to_rest.switch_on_rest_length: {section['switch_on_reason']}"]
    assert curve["time_s"].size == 0


def test_bundles_have_no_length_at_rest():
    planted_film, _ = grown()
    section, _, _ = told(planted_film, bundled=0.7)
    assert "70 % of the particles are in bundles of chains" in section["switch_on_reason"]
    assert told(planted_film, bundled=0.3)[0]["switch_on_reason"] is None


def test_the_table_is_that_of_the_curve():
    planted_film, _ = grown()
    _, curve, _ = told(planted_film)
    rows = curve.rows()
    assert rows[0] == ["after", "time_s", "mean_length", "low_68", "high_68", "low_95", "high_95"]
    assert len(rows) == 1 + len(curve["time_s"])
    assert rows[1][0] == "switch-on"
    assert all(row[5] <= row[3] <= row[2] <= row[4] <= row[6] for row in rows[1:])


def test_bundles_are_counted_in_the_frames_looked_at():
    side = 30 * DIAMETER
    starts = [(0.0, 0.0, 2.0), (0.0, 1.05, 2.0), (0.0, 12.0, 2.0)]  # two side by side, one apart
    film_of_three = straight_chains(
        np.array(starts) * DIAMETER + 5.0 * DIAMETER, [10, 10, 5], sides=(side, side),
        thickness=20 * DIAMETER,
    )  # fmt: skip
    chains = find_chains(*film_of_three.frame())
    run = SimpleNamespace(diameters=film_of_three.diameters, sides=film_of_three.sides)
    frame = Frame(run, 0, film_of_three.positions, film_of_three.moments, chains, True, True)
    assert _bundled(frame) == pytest.approx(20 / 25)


@pytest.mark.parametrize(
    ("count", "frames", "looked_at"),
    [(500, 100, 64), (1000, 100, 48), (5000, 100, 24), (500, 30, 30)],
)
def test_small_films_are_looked_at_in_more_frames(count, frames, looked_at):
    """What is rare there, such as bundles, is in few frames."""
    seen = MeasuredRun(
        SimpleNamespace(count=count, frames=frames), None, None,
        SimpleNamespace(frames=np.arange(frames)), True, None,
    )  # fmt: skip
    object.__setattr__(seen, "frame", lambda *how: SimpleNamespace(averaged=False, closely=how[2]))
    assert sum(frame.closely for frame in seen.frames()) == looked_at
