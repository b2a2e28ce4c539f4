"""One run of a comparison: its film in the numbers of theory, turned into a parameter file's.

Theory speaks of the coupling lambda = mu0 m^2/(4 pi d^3 kT), of the Langevin parameter alpha =
m B/kT and of t0 = d^2/D0, D0 = kT/(3 pi eta d); a parameter file of magnetisation, field and time.
"""

import copy
import functools
import math
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

FILMS = Path(__file__).parent / "films"
BOLTZMANN, MU0 = 1.380649e-23, 4e-7 * math.pi
TEMPERATURE = 298.15


@dataclass(frozen=True)
class Case:
    """One run.

    Attributes
    ----------
    comparison, name : str
        What it belongs to, and its own name, that of its folder.
    film : dict
        Its parameters, tables as in a parameter file.
    about : dict
        The numbers of theory that tell it from the others.
    seconds : float
        Of the clock that it may take, compiling and measuring not counted.
    before : tuple of dict
        Parameters of runs in a row, each from the end of the one before; this one begins from the
        last. Their shares of ``seconds`` are told by ``shares``.
    shares : tuple of float
        Of ``seconds`` that each of them may take at most; empty: as long as it needs.
    range_d : float or None
        Range of the dipoles in diameters, where it is shorter than a parameter file may ask for.
    """

    comparison: str
    name: str
    film: dict[str, Any]
    about: dict[str, Any] = field(default_factory=dict)
    seconds: float = 60.0
    before: tuple[dict[str, Any], ...] = ()
    shares: tuple[float, ...] = ()
    range_d: float | None = None


@dataclass(frozen=True)
class Scale:
    """Units of a film of equal spheres.

    Attributes
    ----------
    core_m, diameter_m : float
        Of a core, and of a particle with its shell.
    viscosity : float
        In Pa s.
    """

    core_m: float
    diameter_m: float
    viscosity: float

    @property
    def kt(self):
        """The thermal energy in J."""
        return BOLTZMANN * TEMPERATURE

    @property
    def time_s(self):
        """The time d^2/D0 in s."""
        return 3.0 * math.pi * self.viscosity * self.diameter_m**3 / self.kt

    def moment(self, coupling):
        """Return the moment in A m^2 of a particle with this coupling."""
        return math.sqrt(coupling * 4.0 * math.pi * self.diameter_m**3 * self.kt / MU0)

    def magnetisation(self, coupling):
        """Return the magnetisation of the cores as a text."""
        return f"{self.moment(coupling) / (math.pi / 6.0 * self.core_m**3) / 1e3:.8g} kA/m"

    def strength(self, coupling, langevin):
        """Return the field of a Langevin parameter as a text."""
        return f"{1e3 * langevin * self.kt / self.moment(coupling):.8g} mT"

    def time(self, reduced):
        """Return a time given in units of d^2/D0 as a text."""
        return f"{1e6 * reduced * self.time_s:.8g} us"

    def frequency(self, omega):
        """Return the frequency of a turning field, given as omega d^2/D0, as a text."""
        return f"{omega / (2.0 * math.pi * self.time_s):.8g} Hz"

    def length(self, reduced):
        """Return a length given in diameters as a text."""
        return f"{1e9 * reduced * self.diameter_m:.8g} nm"

    def widths(self, count, fraction, thickness, along):
        """Return both sides of a patch, the first ``along`` (diameters), as texts.

        The second follows from the number of particles and the thickness (diameters).
        """
        across = math.pi / 6.0 * count / (fraction * thickness * along)
        return [self.length(along), self.length(across)]


PACE = 2500.0
"""Particles times d^2/D0 that are made a second at coupling 4, on one core of a server; runs that
are slower than this end by their deadline."""
FLOW_STEP_S, FLOW_PARTICLE_S, FLOW_STEP = 1.4e-3, 1.5e-6, 4.2e-4
"""Seconds of a step with flow on a core, and more of it for each particle; d^2/D0 of a step, for
coupling 1."""
CARD_STEP_S, CARD_PARTICLE_S, CARD_STEP = 2.6e-4, 2.4e-9, 2.4e-3
"""Seconds of an outer step on a graphics card, and more of it for each particle; d^2/D0 of one."""


def affordable(seconds, count, coupling, flow="none"):
    """Return the time in d^2/D0 that a film can be followed in so many seconds.

    Steps get shorter as bonds get stiffer, in proportion to the coupling.
    """
    if flow != "none":
        return FLOW_STEP / coupling * seconds / (FLOW_STEP_S + FLOW_PARTICLE_S * count)
    return PACE * seconds / count * min(1.0, 4.0 / coupling)


def affordable_on_card(seconds, count, coupling):
    """Return the same for a film that has a graphics card for itself."""
    step_s = CARD_STEP_S + CARD_PARTICLE_S * count
    return CARD_STEP * seconds / step_s * min(1.0, 7.5 / coupling)


BENCH = Scale(20e-9, 24e-9, 1.5e-3)
"""That of the films of nanoparticles: cores of 20 nm with shells of 2 nm."""


@functools.cache
def _tables(name):
    return tomllib.loads((FILMS / f"{name}.toml").read_text(encoding="utf-8"))


def film(name, changes):
    """Return the tables of ``films/NAME.toml`` with values changed, by "table.key".

    A value of None takes the key out.
    """
    tables = copy.deepcopy(_tables(name))
    for key, value in changes.items():
        table, _, entry = key.partition(".")
        if value is None:
            tables.get(table, {}).pop(entry, None)
        else:
            tables.setdefault(table, {})[entry] = value
    return tables
