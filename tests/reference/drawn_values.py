"""Values of the keys of a parameter file, drawn by what their models say that they must be.

A new key comes along by itself; a kind of value that nobody here knows is an error.
"""

import json
import math

from sim.parameters.compound import ComplexIndices, Direction, Lengths, Sides, Wavelengths
from sim.parameters.keys import Tables, keys_of
from sim.parameters.tables import TITLE, all_tables
from sim.parameters.values import Choice, Number, Quantity, Switch, WholeNumber, Words
from sim.physics.unit_table import DIMENSIONS

KEYS = {"sweep": None, "title": TITLE} | {
    f"{name}.{key}": declared
    for name, table in all_tables().items()
    for key, declared in keys_of(table).items()
    if not isinstance(declared.must, Tables)
}
"""All keys of a file by dotted name, lists counting as one table, with their declarations."""
SAMPLED = "monte_carlo"
"""Dynamics that no film is drawn with: it has no step, and other keys."""


def text_of(value, dimension):
    """Write a value in SI with the first unit of its dimension, all digits."""
    units = DIMENSIONS[dimension].units
    unit = "kT" if dimension == "energy" else next(u for u, f in units.items() if float(f) == 1.0)
    return f"{float(value)!r} {unit}"


class Draw:
    """The values of one film while it is drawn.

    Parameters
    ----------
    rng : numpy.random.Generator
    """

    def __init__(self, rng):
        self.rng = rng
        self.is_wide = bool(rng.random() < 0.5)
        self.tables, self.seen, self.files = {}, set(), {}

    def chance(self, share):
        """Return True so often."""
        return bool(self.rng.random() < share)

    def within(self, low, high, example=None):
        """Draw a number: evenly in its logarithm, now and then one of the ends."""
        rng = self.rng
        if low < 0.0 < high:
            return float(rng.choice([-1.0, 1.0])) * self.within(0.0, high)
        if high <= 0.0:
            return -self.within(-high, -low, None if example is None else -example)
        if self.is_wide and self.chance(0.12):
            return float(rng.choice([low, high]))
        if example and not self.is_wide:
            low, high = max(low, 0.1 * example), min(high, 10.0 * example)
        low = low or 1e-6 * high
        return float(math.exp(rng.uniform(math.log(low), math.log(high))))

    def number(self, key, low=None, high=None):
        """Draw the value of a key in SI, within limits of its own where they are given."""
        wanted = KEYS[key].must
        wanted = getattr(wanted, "one", wanted)
        if isinstance(wanted, Quantity):
            example = float(wanted.example.split()[0]) if wanted.dimension == "energy" else None
            if example is None:
                example = Quantity.read(wanted, wanted.example)
        else:
            example = wanted.example
        low = wanted.low if low is None else max(low, wanted.low)
        high = wanted.high if high is None else min(high, wanted.high)
        if isinstance(wanted, Number) and wanted.is_open:
            low, high = low + 1e-6 * high, high * (1.0 - 1e-6)
        return self.within(low, high, example)

    def put(self, key, value, into=None):
        """Give a key a value, in SI where it is a quantity; None leaves it out."""
        wanted = KEYS[key].must
        self.seen.add(key)
        if value is None:
            return None
        one = getattr(wanted, "one", wanted)
        written = value
        if isinstance(one, Quantity) and not isinstance(value, str | dict):
            written = _written(value, one.dimension)
        table, _, name = key.rpartition(".")
        (self.tables.setdefault(table, {}) if into is None else into)[name] = written
        return value

    def any(self, key):
        """Draw a value of a key by its expectation alone."""
        wanted, rng = KEYS[key].must, self.rng
        if isinstance(wanted, Quantity | Number):
            return self.number(key)
        if isinstance(wanted, WholeNumber):
            return min(round(self.number(key)), wanted.high)
        if isinstance(wanted, Choice):
            return str(rng.choice([one for one in wanted.options if one != SAMPLED]))
        if isinstance(wanted, Switch):
            return self.chance(0.5)
        if isinstance(wanted, Words):
            return wanted.example
        if isinstance(wanted, Direction):
            axes = [[1, 0, 0], [0, 0, 1], [float(x) for x in rng.normal(size=3)]]
            return axes[rng.integers(3)]
        if isinstance(wanted, Lengths):
            return [self.within(wanted.one.low, wanted.one.high) for _ in wanted.example]
        if isinstance(wanted, Sides):
            return [self.within(wanted.one.low, wanted.one.high, 2e-2) for _ in range(2)]
        if isinstance(wanted, Wavelengths):
            return [float(f"{w:.4g}") for w in rng.uniform(4e-7, 2e-6, rng.integers(1, 4))]
        if isinstance(wanted, ComplexIndices):
            return [float(rng.uniform(0.01, 10.0)), float(rng.uniform(0.0, 10.0))]
        raise TypeError(f"{key} is a {type(wanted).__name__}, which no film is drawn with")

    def fill(self, table, share=0.4, leave=()):
        """Draw keys of a table that are not decided yet, so many of them."""
        for key in KEYS:
            if key.rpartition(".")[0] == table and key not in self.seen and key not in leave:
                self.put(key, self.any(key) if self.chance(share) else None)


def _written(value, dimension):
    if isinstance(value, tuple | list):
        return [_written(item, dimension) for item in value]
    return text_of(value, dimension)


def text(tables):
    """Write tables as TOML."""
    lines = [f"title = {json.dumps(tables[''].get('title', ''))}"] if "" in tables else []
    for name, table in tables.items():
        if name == "":
            continue
        for entry in table if isinstance(table, list) else [table]:
            lines += [f"[[{name}]]" if isinstance(table, list) else f"[{name}]"]
            lines += [f"{key} = {_toml(item)}" for key, item in entry.items() if key != "steps"]
            for step in entry.get("steps", []):
                lines += [f"[[{name}.steps]]", *(f"{k} = {_toml(v)}" for k, v in step.items())]
    return "\n".join(lines) + "\n"


def _toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    return json.dumps(value)
