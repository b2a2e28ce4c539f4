"""A new pair law touches five files: four of the product, named here, and a test like this one.

A copy of the program gets a law by edits of these four alone. In the copy all must know it: keys
and their errors, `check`, `new`, the time step, the run file, forces and energies of the engine.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

ROOT = Path(__file__).parents[2]

FORMULAS = '''\
@register_jitable(forceinline=True)
def toy_energy(r2, radius_i, radius_j, shell, strength, span):
    """Return e (1 - r^2/c^2)^2 for r < c."""
    inside = 1.0 - r2 * (1.0 / (span * span))
    return where(inside > 0.0, strength * inside * inside, 0.0)


@register_jitable(forceinline=True)
def toy_push(r2, radius_i, radius_j, shell, strength, span):
    """Return the push of `toy_energy`, (4 e/c^2) (1 - r^2/c^2)."""
    inside = 1.0 - r2 * (1.0 / (span * span))
    return where(inside > 0.0, 4.0 * strength / (span * span) * inside, 0.0)


'''
LAW = '''\
"""A law for a test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from sim.interactions.pairs import AddedLaw, Conditions

if TYPE_CHECKING:
    from sim.parameters.types import Parameters


@dataclass(frozen=True)
class ToyLaw(AddedLaw):
    """Its strength in kT, and its range."""

    name: ClassVar[str] = "toy"
    table: ClassVar[str] = "toy"
    words: ClassVar[str] = "toy"

    strength: float = 0.0
    span: float = 1.0

    @classmethod
    def of(cls, given: Any, at: Conditions) -> ToyLaw:
        """Derive the constants."""
        return cls(given.strength, given.span / at.length_m)

    def bounds_of_reach(self, largest_radius: float) -> tuple[float, float]:
        """Return the middle and the end."""
        return 0.0, self.span

    @classmethod
    def rows(cls, parameters: Parameters) -> list[tuple[str, str]]:
        """Show the strength."""
        return [("toy strength", f"{parameters.toy.strength:g} kT")]

    @classmethod
    def cautions(cls, parameters: Parameters) -> list[str]:
        """Say that it is a toy."""
        return ["The toy law is a toy."]
'''
TABLE = '''\
@dataclass(frozen=True)
class ToyParameters:
    """A law for a test."""

    strength: float = key(Quantity("energy", 0.0, 50.0, "3 kT"), "Energy in the middle.", "0 kT")
    span: float = key(Quantity("length", 1e-9, 1e-7, "40 nm"), "Range.", "40 nm")


'''
# What stands in front of an anchor afterwards, by file; None makes the file.
EDITS = {
    "sim/kernels/laws/pairs.py": [
        ("# The laws that a run may add", FORMULAS),
        ("}\n", '    "toy": (toy_push, toy_energy),\n'),
    ],
    "sim/interactions/toy.py": [(None, LAW)],
    "sim/interactions/added.py": [
        ("from sim.interactions.van_der_waals", "from sim.interactions.toy import ToyLaw\n"),
        (")\nLAWS =", ", ToyLaw"),
    ],
    "sim/parameters/force_types.py": [
        ("@dataclass(frozen=True, kw_only=True)", TABLE),
        (
            "\n\nPAIR_FORCES: ",
            "    toy: ToyParameters = dataclasses.field(default_factory=ToyParameters)\n",
        ),
    ],
}
FILM = """
[particles]
core_diameter = "16 nm"
volume_fraction = 0.05
[film]
thickness = "0.15 um"
count = 200
[field]
strength = "20 mT"
[dipoles]
sum = "cutoff"
cutoff_diameters = 3
[run]
duration = "20 ns"
precision = "float64"
[output]
frames = 2
[toy]
strength = "3 kT"
"""
STRENGTH, SPAN = 3.0, 40e-9


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    """Return a function that runs Python on a copy of the program that has one more law."""
    assert len(EDITS) + 1 <= 5
    folder = tmp_path_factory.mktemp("program")
    for package in ("sim", "analysis"):
        unwanted = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / package, folder / package, ignore=unwanted)
    for name, edits in EDITS.items():
        path = folder / name
        for anchor, text in edits:
            if anchor is None:
                assert not path.exists()
                path.write_text(text)
                continue
            before, found, after = path.read_text().rpartition(anchor)
            assert found, f"{name} has no {anchor!r}"
            path.write_text(before + text + found + after)
    (folder / "film.toml").write_text(FILM)
    environment = {key: value for key, value in os.environ.items() if key != "NUMBA_CACHE_DIR"}
    environment.update(PYTHONPATH=f"{folder}{os.pathsep}{ROOT}", XDG_CACHE_HOME=str(folder))

    def run(*words, **more):
        command = [sys.executable, *words]
        return subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, text=True, **more
        )

    run.folder = folder
    return run


def toy_energy(r):
    """Return the energy in kT at centre distances in m."""
    return STRENGTH * np.maximum(1.0 - (r / SPAN) ** 2, 0.0) ** 2


# What `check --json` prints, without the timing of some steps, for which all kernels are compiled.
EXPECT = """
import json, sys, sim
from sim.outlook.expectations import expect
sys.stdout.write(json.dumps(expect(sim.load("film.toml")).to_json()))
"""


def test_check_and_new_know_a_new_law(program):
    found = program("-c", EXPECT)
    assert found.returncode == 0, found.stderr
    told = json.loads(found.stdout)
    assert ["toy strength", "3 kT"] in told["table"]
    assert "The toy law is a toy." in told["cautions"]
    curves = told["pair_potential"]["median"]
    r, toy = np.array(curves["distance_m"]), np.array(curves["toy_kt"])
    assert toy == pytest.approx(toy_energy(r), rel=1e-12, abs=1e-15)
    parts = ("dipole", "steric", "van_der_waals", "electrostatic", "toy")
    total = sum(np.array(curves[f"{name}_kt"]) for name in parts)
    assert np.array(curves["total_kt"]) == pytest.approx(total, rel=1e-12)
    assert (
        "[toy]"
        in program("-m", "sim", "new", "other.toml").stdout
        + (program.folder / "other.toml").read_text()
    )


MISTAKES = """
import json, sys
from sim.parameters import ParameterError, from_text
for text in json.load(sys.stdin):
    try:
        from_text(text)
    except ParameterError as error:
        sys.stdout.write(str(error) + chr(10))
"""


def test_keys_of_a_new_law_are_checked(program):
    few = FILM.replace("count = 200", "count = 50")
    bad = [few.replace('"3 kT"', given) for given in ('"99 kT"', '"3 kT"\nspam = 1')]
    bad.append(few.replace('"3 kT"', '"3 kT"\nspan = "100 nm"'))
    told = program("-c", MISTAKES, input=json.dumps(bad)).stdout
    assert "[toy] strength must be an energy from 0 to 50 kT" in told
    assert "[toy] spam is not a known key; the nearest is span." in told
    assert "over which toy forces act; received 50." in told


RUN = 'import sim; sim.simulate(sim.load("film.toml"), "out")'
PROBE = """
import dataclasses, json, sys
import numpy as np
from sim.engines.cpu import CpuEngine
from sim.interactions.toy import ToyLaw
from tests.reference.small_systems import added_pairs, film, random_film, spread_diameters
added = added_pairs(ToyLaw(3.0, 1.7))
system = film(60, diameter=spread_diameters(60), thickness=2.4, fraction=0.12, coupling=1e-8,
              langevin=0.0, strength=1e-12, dt=1e-7, noise=0.0, added=added, added_reach=1.7)
state = random_film(system)
engine = CpuEngine(system, state, 1)
engine.advance(1)
sides = np.array([*system.sides, 1e300])
move = engine.snapshot().positions - state.positions
move -= sides * np.rint(move / sides)
force = move / system.dt / system.mobility[:, None]
found = []
for particle, axis in ((0, 0), (1, 1), (7, 2)):
    energy = []
    for way in (1e-5, -1e-5):
        places = state.positions.copy()
        places[particle, axis] += way
        seen = CpuEngine(system, dataclasses.replace(state, positions=places), 1).observe()
        energy.append(60 * seen["toy"])
    found.append([force[particle, axis], (energy[1] - energy[0]) / 2e-5])
sys.stdout.write(json.dumps(found))
"""


@pytest.mark.slow
def test_the_engine_steps_with_a_new_law(program):
    # All kernels are compiled again, as their sources have changed.
    ran = program("-c", RUN)
    assert ran.returncode == 0, ran.stderr
    with h5py.File(program.folder / "out" / "run.h5") as file:
        group = file["particles/film"]
        sides = group["box/edges/value"][0, :2]
        recorded = file["observables/energy_toy/value"][()]
        for places, energy in zip(group["position/value"][()], recorded, strict=True):
            gap = places[:, None] - places
            gap[..., :2] -= sides * np.rint(gap[..., :2] / sides)
            r = np.linalg.norm(gap, axis=2)[np.triu_indices(len(places), 1)]
            pairs = toy_energy(r)
            within = pairs[pairs > 1e-3].sum()  # a law ends where 1e-3 kT are left
            assert energy * len(places) == pytest.approx(within, rel=1e-6)
    assert recorded.min() > 0.1
    found = program("-c", PROBE)
    assert found.returncode == 0, found.stderr
    for force, slope in json.loads(found.stdout):
        assert abs(force) > 0.1
        assert force == pytest.approx(slope, rel=1e-4)
