"""A box and a runner of films that are plain functions of their keys, with noise as runs have."""

import numpy as np

from sim.design.box import Box
from sim.design.quantities import BY_WORD, Scaled
from sim.design.task import Task, Trial, Wish

LENGTH = Scaled(BY_WORD["mean_length"])
SPACING = Scaled(BY_WORD["spacing"])


class Cube(Box):
    """Keys that are shares of their ranges."""

    def __init__(self, count):
        super().__init__(())
        object.__setattr__(self, "count", count)

    @property
    def size(self):
        return self.count

    def settings(self, point):
        return {f"key_{k}": float(f"{share:.4g}") for k, share in enumerate(point)}

    def point(self, settings):
        return np.array(list(settings.values()))


class Even:
    """Theory that says the same everywhere, or what it is given."""

    def __init__(self, *values, fluids=((0.0,),)):
        self.level, self.fluids = np.array(values), np.array(fluids, float)

    def values(self, points):
        return np.broadcast_to(self.level, (len(points), len(self.level)))

    def shifts(self, points):
        count = len(self.fluids)
        wide = np.broadcast_to(self.fluids[:, None, :], (count, len(points), len(self.level)))
        return np.array(wide)


class FakeFilms:
    """Runs films whose quantities in SI are a function of the point, with a relative error."""

    def __init__(self, law, error, seed=0, most_steps=1000):
        self.law, self.error, self.most_steps = law, error, most_steps
        self.rng = np.random.default_rng(seed)
        self.done = []

    def kept(self):
        return list(self.done)

    def may_go_on(self):
        self.most_steps -= 1
        return self.most_steps >= 0

    def run(self, settings, replicas):
        new = []
        for one in settings:
            for _ in range(replicas):
                truth = np.asarray(self.law(np.array(list(one.values()))), float)
                noise = np.exp(self.error * self.rng.standard_normal(len(truth)))
                new.append(Trial(one, truth * noise, truth * self.error))
        self.done += new
        return new


def at_least(of, least):
    return Wish(of, least, np.inf, f"{of.label} at least {least:g}")


def within(of, least, most):
    return Wish(of, least, most, f"{of.label} from {least:g} to {most:g}")


def task(wishes, count, theory, **other):
    box = Cube(count)
    quantities = tuple(one.of for one in wishes)
    first = box.spread(2 * count + 2, 3)
    return Task(quantities, tuple(wishes), box, theory, lambda _: True, first, **other)
