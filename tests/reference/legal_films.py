"""Films drawn over all keys of a parameter file, for tests that the automatic step holds.

Keys that must fit one another (sizes and patch, durations and step) are drawn together here, all
others by `tests.reference.drawn_values`. One film in two is drawn over the whole legal ranges, the
others within a factor of ten of the examples of the keys.
"""

import math
from pathlib import Path

import numpy as np

from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions.added import AddedPairs
from sim.interactions.pairs import Conditions
from sim.parameters import load
from sim.parameters.force_types import PAIR_FORCES
from sim.parameters.keys import keys_of
from sim.parameters.types import ElectrostaticParameters
from sim.physics.double_layer import bjerrum_length, debye_length
from sim.physics.material import MATERIALS
from sim.physics.sizes import Sizes, number_median, tabulated
from tests.reference.drawn_values import KEYS, Draw, text, text_of

NOT_DRAWN = {
    "sweep": "one run ignores it",
    "output.cutout": "what is kept changes no film",
    "output.map_step": "the same",
    "output.states": "the same",
    "motion.flow": "small patches and mixed sizes refuse it; tests/unit/test_flow.py has it",
    "run.structures": "of sampled runs, which have no step",
    "run.sweeps": "of sampled runs, which have no step",
    "run.wall_time": "of sampled runs, which have no step",
}
"""Keys that no film has, and why."""
CUT = {
    "film.count": "at most 400 particles, for the sake of time",
    "film.width": "the same",
    "run.dynamics": "sampled runs have no step",
    "run.duration": "so many automatic steps, for the sake of time",
    "output.frames": "at most 4: each needs steps of its own",
    "particles.volume_fraction": "up to 0.3, one in ten up to 0.63: denser ones find no place",
}
"""Keys that are not drawn up to the ends of their ranges, and why."""
MOST = 400


def particles(film):
    """Draw [particles] but for the amount; return the law of sizes."""
    rng, put = film.rng, film.put
    moment = put("particles.moment", str(rng.choice(["blocked", "blocked", "superparamagnetic",
                                                     "multicore"])))  # fmt: skip
    custom = put("particles.material", str(rng.choice(["magnetite", "custom"]))) == "custom"
    for key in ("magnetisation", "anisotropy", "density"):
        key = f"particles.{key}"
        put(key, film.number(key) if custom or film.chance(0.3) else None)
    spread = put("particles.size_spread", 0.0 if film.chance(0.4) else film.any(
        "particles.size_spread"))  # fmt: skip
    shell = put("particles.shell_thickness", film.number("particles.shell_thickness"))
    basis = put("particles.size_basis", film.any("particles.size_basis"))
    if moment == "multicore":
        bead = put("particles.bead_diameter", film.number("particles.bead_diameter"))
        core = film.number("particles.core_diameter", high=0.5 * bead)
        put("particles.core_diameter", core)
        least = (core / bead) ** 3
        share = film.number("particles.magnetic_share", low=1.01 * least)
        put("particles.magnetic_share", share)
    else:
        film.seen |= {"particles.bead_diameter", "particles.magnetic_share"}
        core = film.number("particles.core_diameter")
        if spread == 0.0 and film.chance(0.3):
            return _table_of_sizes(film, core, basis, shell)
        put("particles.core_diameter", core)
    dead = 0.0 if film.chance(0.7) else film.within(0.0, min(0.45 * core, 1e-7))
    put("particles.dead_layer", dead)
    if moment == "multicore":
        middle = number_median(bead, spread) if basis == "volume" else bead
        return Sizes(middle, spread, dead, shell, small_core=core, share=share)
    return Sizes(number_median(core, spread) if basis == "volume" else core, spread, dead, shell)


def _table_of_sizes(film, core, basis, shell):
    """Draw a table of sizes, in the file or beside it."""
    sizes = [min(core * factor, 1e-6) for factor in (1.0, 1.3, 2.0)[: film.rng.integers(1, 4)]]
    pairs = [(size, float(film.rng.integers(1, 5))) for size in sizes]
    film.seen.add("particles.dead_layer")
    written = [[text_of(size, "length"), share] for size, share in pairs]
    if film.chance(0.5):
        film.files["sizes.csv"] = "".join(f"{size}, {share}\n" for size, share in written)
        film.put("particles.core_diameter", {"file": "sizes.csv"})
    else:
        film.tables["particles"]["core_diameter"] = written
        film.seen.add("particles.core_diameter")
    return tabulated(tuple(pairs), basis == "volume", 0.0, shell)


def repulsion(film, law):
    """Draw [repulsion]."""
    kind = "soft_core" if law.shell_thickness == 0.0 else film.any("repulsion.kind")
    film.put("repulsion.kind", kind)
    film.put("repulsion.grafting_density", film.number("repulsion.grafting_density"))
    film.put("repulsion.strength", film.number("repulsion.strength"))


def _pair_force(film, name, law, temperature):
    """Draw the table of a pair force."""
    keys = keys_of(PAIR_FORCES[name])
    values = {key: film.put(f"{name}.{key}", film.number(f"{name}.{key}")) for key in keys}
    return PAIR_FORCES[name](**values)


def _charges(film, name, law, temperature):
    """Draw [electrostatics], screened by a length or a salt."""
    put = film.put
    charge = put("electrostatics.surface_charge", film.number("electrostatics.surface_charge"))
    permittivity = put("electrostatics.permittivity", film.number("electrostatics.permittivity"))
    if film.chance(0.5):
        salt = put("electrostatics.salt", film.number("electrostatics.salt"))
        debye = debye_length(salt, bjerrum_length(permittivity, temperature))
    else:
        debye = film.number("electrostatics.debye_length", high=30.0 * law.core_diameter)
        put("electrostatics.debye_length", debye)
    return ElectrostaticParameters(charge, debye, permittivity)


def forces(film, law, temperature):
    """Draw the forces that a run may add; return their range in m."""
    tables = {name: table() for name, table in PAIR_FORCES.items()}
    for name in tables:
        if film.chance(0.35):
            drawn = _charges if name == "electrostatics" else _pair_force
            tables[name] = drawn(film, name, law, temperature)
    if film.chance(0.35):
        film.put("gravity.acceleration", film.number("gravity.acceleration"))
        film.put("gravity.direction", film.any("gravity.direction"))
    added = AddedPairs.of(tables, Conditions(law.shell_thickness, temperature))
    return float(added.reach(0.5 * law.largest_core + law.shell_thickness))


def patch(film, law, reach):
    """Draw thickness, patch, the sum of the dipoles and the amount of particles."""
    put, rng = film.put, film.rng
    largest = law.largest_core + 2.0 * law.shell_thickness
    volume = math.pi / 6.0 * law.mean_cube(2.0 * law.shell_thickness)
    kind = put("dipoles.sum", film.any("dipoles.sum"))
    cutoff = put("dipoles.cutoff_diameters", film.number("dipoles.cutoff_diameters"))
    put("dipoles.tolerance", film.number("dipoles.tolerance"))
    least = max(2.0 * largest, 2.0 * reach, 5e-9)
    if kind == "cutoff":
        least = max(least, 2.0 * cutoff * (law.core_diameter + 2.0 * law.shell_thickness))
    thickness = max(5e-9, largest * (1.0 if film.chance(0.1) else math.exp(rng.uniform(0.02, 2.5))))
    sides = least * (1.0 + rng.exponential(0.5, 2) + 1e-6)
    ways = rng.integers(3)
    if ways != 0:
        sides[1] = sides[0]
    room = thickness * sides[0] * sides[1]
    wanted = math.exp(rng.uniform(0.0, math.log(150.0)))
    most = 0.63 if film.chance(0.1) else 0.3
    fraction = min(wanted * volume / room, most if film.chance(0.3) else rng.uniform(0.01, most))
    fraction = min(fraction, MOST * volume / room)
    count = max(1, round(fraction * room / volume))
    put("film.thickness", thickness)
    put("film.width", [list(sides), None, float(sides[0])][ways])
    put("film.count", None if ways == 0 else count if ways == 1 else None)
    fraction = count * volume / room
    _amount(film, law, fraction, volume)


def _amount(film, law, fraction, volume):
    """Say by one of the three keys how many particles there are."""
    cores = fraction * math.pi / 6.0 * law.core_cube / volume
    table = film.tables["particles"]
    strength = float(table["magnetisation"].split()[0]) if "magnetisation" in table else None
    strength = strength or MATERIALS["magnetite"].magnetisation
    saturation = 4e-7 * math.pi * strength * fraction * math.pi / 6.0 * law.magnetic_cube / volume
    way = film.rng.integers(3)
    if way == 2 and not 1e-6 <= saturation <= 1.0:
        way = 0
    film.put("particles.volume_fraction", fraction if way == 0 else None)
    film.put("particles.core_volume_fraction", cores if way == 1 else None)
    film.put("particles.fluid_saturation", saturation if way == 2 else None)


def direction(film, table, into=None):
    """Draw a direction as a vector or as angles."""
    ways = [("direction",), ("tilt", "azimuth"), ()][film.rng.integers(3)]
    for key in ("direction", "tilt", "azimuth"):
        film.put(f"{table}.{key}", film.any(f"{table}.{key}") if key in ways else None, into)


def field(film, time):
    """Draw [field]: none, steady or a programme of about the time of the run, and a gradient."""
    film.put("field.strength", None)
    direction(film, "field")
    if film.chance(0.35):
        if film.chance(0.6):
            film.put("field.gradient", film.within(-1e6, 1e6, 10.0))
            film.put("field.gradient_direction", film.any("field.gradient_direction"))
        else:
            xx, yy, xy, xz, yz = (film.within(0.0, 1e5, 10.0) for _ in range(5))
            film.put("field.gradient", [[xx, xy, xz], [xy, yy, yz], [xz, yz, -xx - yy]])
    if film.chance(0.6):
        film.put("field.strength", film.number("field.strength"))
        return
    steps = [programme_step(film, time) for _ in range(film.rng.integers(1, 4))]
    film.tables.setdefault("field", {})["steps"] = steps


def programme_step(film, time):
    """Draw one step of a programme."""
    step = {}
    kind = film.put("field.steps.kind", film.any("field.steps.kind"), step)
    film.put("field.steps.duration", _time(film, 0.4 * time), step)
    film.put("field.steps.strength", film.number("field.steps.strength"), step)
    turns = kind in ("oscillate", "rotate")
    film.put("field.steps.frequency", _frequency(film, time) if turns else None, step)
    phase = film.any("field.steps.phase") if turns and film.chance(0.5) else None
    film.put("field.steps.phase", phase, step)
    if kind == "rotate":
        film.put("field.steps.axis", [0, 0, 1], step)
        film.put("field.steps.direction", [1, film.rng.uniform(), 0], step)
    else:
        direction(film, "field.steps", step)
    return step


def _time(film, time):
    return float(np.clip(time * film.rng.uniform(0.2, 1.8), 1e-12, 1e6))


def _frequency(film, time):
    return float(np.clip(math.exp(film.rng.uniform(-3.0, 3.0)) / time, 1e-6, 1e12))


def magnets(film, time):
    """Draw one magnet or two, below the film, at rest or moving."""
    film.put("cell.width", [film.number("cell.width", low=1e-3) for _ in "xy"]
             if film.is_wide else [2e-2, 1e-2])  # fmt: skip
    film.put("cell.place", [0.0, 0.0])
    found = [magnet(film, time)]
    if film.chance(0.4):
        found.append(magnet(film, time, beside=found[0]))
    film.tables["magnets"] = found


SHAPES = {
    "sphere": ("diameter",),
    "block": ("sides",),
    "disc": ("diameter", "height"),
    "ring": ("diameter", "inner_diameter", "height"),
    "loop": ("diameter", "current"),
    "soft_iron_sphere": ("diameter", "permeability", "saturation"),
    "uniform": ("strength",),
    "table": ("file",),
}


def magnet(film, time, beside=None):
    """Draw one magnet."""
    one, rng = {}, film.rng

    def put(key, value):
        return film.put(f"magnets.{key}", value, one)

    kind = put("kind", str(rng.choice([*SHAPES, "loop", "uniform"])))
    size = film.within(1e-4, 0.1, 1e-2)
    values = {"diameter": size, "inner_diameter": 0.5 * size, "height": 0.6 * size,
              "sides": [size, 0.5 * size, 0.7 * size], "file": "field.csv"}  # fmt: skip
    for key in SHAPES[kind]:
        put(key, values[key] if key in values else film.any(f"magnets.{key}"))
    if kind in ("sphere", "block", "disc", "ring"):
        key = str(rng.choice(["remanence", "energy_product"]))
        put(key, film.any(f"magnets.{key}"))
    if kind == "table":
        film.files["field.csv"] = measured(film)
        put("position", [0.0, 0.0, 0.0])
        return one
    far = size * (1.2 if beside is None else 4.0)
    put("position", [0.0, 0.0, max(-far - film.within(1e-5, 0.1, 1e-2), -1.0)])
    put("direction", film.any("magnets.direction"))
    if film.chance(0.4):
        put("turn", film.any("magnets.turn"))
        put("turn_axis", film.any("magnets.turn_axis"))
    if beside is not None and "steps" in beside:
        put("moves_with", 1)
    elif film.chance(0.5):
        one["steps"] = [magnet_step(film, kind, time, one, k) for k in range(rng.integers(1, 3))]
    elif kind != "uniform" and film.chance(0.8):
        repeated(film, put, size)
    return one


def repeated(film, put, size):
    """Draw an array of equal magnets."""
    repeat = put("repeat", str(film.rng.choice(["grid", "line", "grid", "ring"])))
    put("copies", int(film.rng.integers(2, 5)))
    if repeat == "ring":
        put("ring_diameter", min(4.0 * size, 1.0))
    else:
        put("step", [1.5 * size, 1.5 * size, 0.0])
    if repeat == "grid":
        put("rows", 2)


def magnet_step(film, kind, time, one, number):
    """Draw one step of a magnet's motion."""
    step = {}

    def put(key, value):
        return film.put(f"magnets.steps.{key}", value, step)

    may = ["hold", "slide", "turn"]
    if kind in ("loop", "uniform"):
        may = [*may, "oscillate", "ramp", "ramp"]
    if kind == "uniform":
        may = ["hold", "turn", "oscillate", "ramp", "ramp"]
    motion = put("motion", str(film.rng.choice(may)))
    put("duration", _time(film, 0.5 * time))
    if number == 0 and film.chance(0.2):
        put("start", _time(film, 1.0 * time))
    if motion == "slide":
        low = float(one["position"][2].split()[0])
        put("position", [0.0, 0.0, max(1.5 * low, -1.0)])
    if motion == "turn":
        put("axis", film.any("magnets.steps.axis"))
        if film.chance(0.3):
            put("pivot", [0.0, 0.0, float(one["position"][2].split()[0])])
        if film.chance(0.5):
            put("rate", _frequency(film, time))
        else:
            put("angle", film.rng.uniform(-7.0, 7.0))
    if motion == "oscillate":
        put("frequency", _frequency(film, time))
        put("phase", film.any("magnets.steps.phase"))
    if motion == "ramp":
        put("share", film.any("magnets.steps.share"))
    return step


def measured(film):
    """Draw a measured field on a grid of three places a side that covers any cell."""
    middle, slope = film.within(0.0, 1.0, 3e-2), film.within(0.0, 0.1, 1e-2)
    lines = ["x (mm), y (mm), z (mm), Bx (mT), By (mT), Bz (mT)"]
    places = (-600, -200, 200, 600)
    lines += [
        f"{x}, {y}, {z}, {slope * x}, {-slope * y}, {1e3 * middle}"
        for x in places
        for y in places
        for z in (-6, -2, 2, 6)
    ]
    return "\n".join(lines) + "\n"


def drawn_film(seed, time=1e-6):
    """Draw one film; it may be refused.

    Parameters
    ----------
    seed : int
    time : float
        Time of the run in s.

    Returns
    -------
    Draw
        With ``tables``, ``seen`` keys and ``files`` that stand beside the parameter file.
    """
    film = Draw(np.random.default_rng(seed))
    film.put("title", film.any("title") if film.chance(0.5) else None)
    law = particles(film)
    temperature = film.put("carrier.temperature", film.number("carrier.temperature"))
    repulsion(film, law)
    patch(film, law, forces(film, law, temperature))
    if film.chance(0.25):
        magnets(film, time)
    else:
        field(film, time)
    film.put("run.duration", float(np.clip(time, 1e-12, 1e6)))
    film.put("run.time_step", "auto" if film.chance(0.5) else None)
    film.put("output.frames", int(film.rng.integers(1, 5)))
    kind = film.put("start.kind", str(film.rng.choice(["random"] * 6 + ["lattice", "file"])))
    film.put("start.path", "first" if kind == "file" else None)
    if film.chance(0.3):
        film.put("optics.outer_index", film.any("optics.outer_index"))
        film.put("optics.numerical_aperture", film.number("optics.numerical_aperture", high=1.0))
        film.put("optics.core_table", None)  # contradicts core_index, which is drawn
        film.fill("optics")
    film.seen |= {key for key in KEYS if key.startswith("optics.")}
    off = (*PAIR_FORCES, "gravity", "field", "cell", "magnets", "start", "")
    for table in dict.fromkeys(key.rpartition(".")[0] for key in KEYS):
        if table.partition(".")[0] not in off:
            film.fill(table, leave=NOT_DRAWN)
    return film


def write_film(folder, seed, steps=100):
    """Write a drawn film that lasts about so many of its automatic steps.

    Parameters
    ----------
    folder : Path
        Where film.toml and what it names are written; first.toml where it starts from a run.
    seed, steps : int

    Returns
    -------
    Path
        The parameter file.

    Raises
    ------
    ParameterError
        If the film is refused; its files are written all the same.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "film.toml"
    time = 1e-6
    for last in (False, True):
        film = drawn_film(seed, time)
        for name, content in film.files.items():
            (folder / name).write_text(content)
        path.write_text(text(film.tables))
        parameters = load(path)
        if not last:
            time = steps * reduce(parameters, draw(parameters)).dt_s
    if parameters.start.kind == "file":
        first = {**film.tables, "start": {"kind": "random"}}
        (folder / "first.toml").write_text(text(first))
    return path
