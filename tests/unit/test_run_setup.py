"""What follows from the parameters of a run is worked out once, whoever asks for it."""

import sim.film.reduce
import sim.film.start
from sim.command_line import main
from sim.files.checkpoint import Checkpoint
from sim.film import particles
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.setup import RunSetup
from tests.reference.fake_engine import FakeEngine
from tests.reference.small_film import small_film


def counted(monkeypatch, module, name, calls):
    """Count the calls of a function of a module."""
    kept = getattr(module, name)

    def called(*given):
        calls.append(name)
        return kept(*given)

    monkeypatch.setattr(module, name, called)


def test_a_run_draws_its_particles_and_plans_its_mesh_once(monkeypatch, tmp_path, capsys):
    calls = []
    counted(monkeypatch, particles, "quantile_diameters", calls)
    counted(monkeypatch, sim.film.reduce, "plan_dipoles", calls)
    counted(monkeypatch, sim.film.start, "start_state", calls)
    monkeypatch.setattr(one_run, "make_cpu_engine", lambda *_: NoEngine())
    film = tmp_path / "film.toml"
    film.write_text(small_film().replace('sum = "cutoff"', 'sum = "mesh"'))
    assert main(["run", str(film), "-o", str(tmp_path / "out")]) == 1
    assert "no engine in this test" in capsys.readouterr().err
    assert sorted(calls) == ["plan_dipoles", "quantile_diameters", "start_state"]
    calls.clear()
    assert main(["check", str(film), "--no-timing"]) == 0
    assert sorted(calls) == ["plan_dipoles", "quantile_diameters"]


class NoEngine(FakeEngine):
    """Ends a run before its first step."""

    def __init__(self):
        pass

    def compile(self):
        raise RuntimeError("no engine in this test")


def test_a_run_that_goes_on_keeps_its_particles_and_its_step():
    setup = RunSetup(from_text(small_film()), 1)
    step, drawn = setup.expectations.derived["time_step_s"], setup.particles

    class Begun:
        time_step_s, frame_interval_s = 0.5 * step, 8.0 * step

    setup.go_on(Begun)
    assert setup.system.dt_s == 0.5 * step
    assert setup.particles is drawn
    assert setup.derived["time_step_s"] == step


def test_a_card_that_goes_on_has_no_particle_placed(monkeypatch):
    """They lie where the checkpoint says; a processor's engine begins somewhere all the same."""
    calls = []
    counted(monkeypatch, sim.film.start, "start_state", calls)
    setups = [RunSetup(from_text(small_film()), 1, device) for device in ("gpu", "cpu")]

    class Begun:
        time_step_s, frame_interval_s = 1e-9, 8e-9

    kept = Checkpoint("run", 3, 1, {}, {})
    for setup in setups:
        setup.go_on(Begun)
        assert setup.state_before(kept).is_placed == (setup.device == "cpu")
    assert calls == ["start_state"]
    assert setups[0].state_before(None).is_placed  # the checkpoint has gone meanwhile
