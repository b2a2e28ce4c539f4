"""Parameter files that nobody would write: hypothesis strategies for structure, types, extremes.

Two kinds. Generated files have the tables and keys of the schema, with values that fit, nearly fit
or do not fit at all; mangled files are those of the demos with bytes changed.
"""

import json
import math
from pathlib import Path

from hypothesis import strategies as st

from sim.parameters.keys import Tables, keys_of
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.tables import TABLES
from tests.reference.small_film import small_film

DEMOS = Path(__file__).parents[2] / "runs_demo"
UNITS = (
    "", "m", "nm", "um", "µm", "mm", "km", "s", "ns", "us", "ms", "h", "T", "mT", "kA/m", "A/m",
    "Oe", "K", "degC", "Pa s", "mPa s", "cP", "kT", "J", "zJ", "nm^-2", "m^-2", "kg/m^3", "g/cm^3",
    "kJ/m^3", "Hz", "kHz", "T/m", "V", "mV", "mol/l", "deg", "%", "m^99999", "nm nm", "1/", "^",
)  # fmt: skip
NUMBERS = (
    "0", "-0.0", "1", "-1", "0.03", "1e-30", "1e30", "1e308", "1e309", "-1e309", "4e-324", "nan",
    "inf", "-inf", "1e", "0x10", "1_000", "١", "1,5", "9" * 400, "",
)  # fmt: skip
PATHS = (
    "../../outside.csv", "/etc/passwd", "/dev/zero", "/dev/stdin", "/proc/self/mem", ".", "a\0b",
    "x" * 5000, "~/x", "film.toml", "$(touch escaped)", "file:///etc/passwd",
)  # fmt: skip
INTEGERS = (0, 1, -1, 7, 200, 2**31, 2**63 - 1, 2**63, -(2**63) - 1, 10**30, 10**400)
FLOATS = (0.0, -0.0, 0.5, -1.0, 1e-308, 5e-324, 1e308, math.inf, -math.inf, math.nan)
DATES = ("1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", "9999-12-31T23:59:60Z")
JUNK = (
    b"[", b"]", b"[[", b"{", b"}", b'"', b"'", b'"""', b"=", b".", b",", b"#", b"\n", b"\r", b"\0",
    b"\xff", b"\xef\xbb\xbf", b"\xe2\x80\xae", b"\\u0000", b"\\ud800", b"1e999", b"inf", b"nan",
    b"a.b.c.d = 1\n", b"[field]\n", b"[[field.steps]]\n", b"[sweep]\n", b"[" * 3000, b"9" * 5000,
    b"a" * 20000,
)  # fmt: skip


SOLID = {"diameter": "10 mm", "remanence": "1.2 T"}
MAGNETS = {
    "sphere": SOLID,
    "block": {"sides": ["10 mm", "10 mm", "5 mm"], "remanence": "1.2 T"},
    "disc": {**SOLID, "height": "5 mm"},
    "ring": {**SOLID, "height": "5 mm", "inner_diameter": "5 mm"},
    "loop": {"diameter": "30 mm", "current": "20 A"},
    "soft_iron_sphere": {"diameter": "5 mm"},
    "uniform": {"strength": "30 mT"},
}
"""What a magnet of each kind cannot be without."""


class Raw(str):
    """Text that stands in the file as it is."""

    __slots__ = ()


def toml(value):
    """Write any value as TOML, right or wrong."""
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(key)} = {toml(item)}" for key, item in value.items()) + "}"
    return repr(value)


def quantities():
    """Return texts of a number and a unit, each good or bad."""
    return st.builds("{} {}".format, st.sampled_from(NUMBERS), st.sampled_from(UNITS))


def scalars():
    """Return values of any type but lists and tables."""
    return st.one_of(
        quantities(),
        st.sampled_from(INTEGERS),
        st.sampled_from(FLOATS),
        st.integers(-3, 100_000),
        st.floats(0.0, 10.0),
        st.booleans(),
        st.sampled_from(DATES).map(Raw),
        st.sampled_from(PATHS),
        st.text(max_size=20),
    )


def anything():
    """Return values of any type, nested a little."""
    return st.recursive(
        scalars(),
        lambda inner: st.one_of(
            st.lists(inner, max_size=4),
            st.dictionaries(
                st.sampled_from(("file", "kind", "from", "to", "a")), inner, max_size=3
            ),
        ),
        max_leaves=6,
    )


def fitting(table, key):
    """Return values that a key should accept, its ends and just beyond included."""
    expected = keys_of(table)[key].must
    if isinstance(expected, Tables):
        return anything()
    values = [*expected.shape.get("examples", []), *expected.shape.get("enum", [])]
    values += [getattr(expected, "example", None), *getattr(expected, "choices", [])]
    if not hasattr(expected, "dimension"):
        values += [getattr(expected, "low", None), getattr(expected, "high", None)]
    values = [list(value) if isinstance(value, tuple) else value for value in values]
    values = [value for value in values if value is not None] or [True, False]
    return st.sampled_from(values)


@st.composite
def table_lines(draw, head, table):
    """Draw one table as text, from its head such as [film] and its model."""
    keys, careful = list(keys_of(table)), draw(st.booleans())
    names = keys if careful else [*keys, "kind", "x"]
    chosen = draw(st.lists(st.sampled_from(names), max_size=8, unique=True))
    lines = [head]
    for key in chosen:
        fits = careful or (key in keys and draw(st.integers(0, 3)) > 0)
        value = draw(fitting(table, key) if fits else anything())
        lines.append(f"{key} = {toml(value)}")
    return "\n".join(lines)


@st.composite
def magnet_lines(draw):
    """Draw a [[magnets]] table; most often a faultless magnet of its kind with keys changed."""
    kind = draw(st.sampled_from(sorted(MAGNETS)))
    keys = {"kind": kind, "position": ["0 mm", "0 mm", "-15 mm"], **MAGNETS[kind]}
    for key in draw(st.lists(st.sampled_from(list(keys_of(MagnetTable))), max_size=3)):
        fits = draw(st.booleans())
        keys[key] = draw(fitting(MagnetTable, key) if fits else anything())
    if draw(st.integers(0, 3)) == 0:
        return draw(table_lines(draw(st.sampled_from(("[[magnets]]", "[magnets]"))), MagnetTable))
    return "\n".join(["[[magnets]]", *(f"{key} = {toml(value)}" for key, value in keys.items())])


@st.composite
def sweep_lines(draw):
    """Draw a [sweep] table."""
    known = [f"{name}.{key}" for name, table in TABLES.items() for key in keys_of(table)]
    keys = draw(st.lists(st.sampled_from([*known, "replicas", "mode", "a.b"]), max_size=3))
    values = st.one_of(st.lists(scalars(), max_size=4), anything())
    return "\n".join(["[sweep]", *(f'"{key}" = {toml(draw(values))}' for key in keys)])


@st.composite
def generated(draw):
    """Draw a file whose tables come from the schema; the first part is often a faultless film."""
    names = draw(st.lists(st.sampled_from(sorted(TABLES)), max_size=4, unique=True))
    parts = [draw(table_lines(f"[{name}]", TABLES[name])) for name in names]
    parts += draw(st.lists(magnet_lines(), max_size=2))
    if draw(st.booleans()):
        parts.append(draw(sweep_lines()))
    kept = small_film().split("\n[")
    first, rest = kept[0], [f"[{part}" for part in kept[1:]]
    if draw(st.integers(0, 4)):
        parts = [first, *(p for p in rest if p[1 : p.index("]")] not in names), *parts]
    return "\n".join(parts).encode("utf-8", "surrogatepass")


@st.composite
def replaced(draw):
    """Draw a faultless film in which one to three values are others."""
    lines = small_film().split("\n")
    places = [k for k, line in enumerate(lines) if "=" in line]
    for place in draw(st.lists(st.sampled_from(places), min_size=1, max_size=3)):
        key = lines[place].partition("=")[0]
        lines[place] = f"{key}= {toml(draw(anything()))}"
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def edits():
    """Return lists of changes of bytes: kind, place as a share of the file, what or how many."""
    share = st.floats(0, 1, exclude_max=True)
    one = st.one_of(
        st.tuples(st.just("flip"), share, st.integers(0, 7)),
        st.tuples(st.just("put"), share, st.sampled_from(JUNK)),
        st.tuples(st.sampled_from(("drop", "double", "cut")), share, st.integers(1, 40)),
        st.tuples(st.just("over"), share, st.binary(max_size=12)),
    )
    return st.lists(one, min_size=1, max_size=6)


def edited(data, changes):
    """Return a file with bytes changed, added, doubled or left out."""
    data = bytearray(data)
    for kind, share, what in changes:
        place = int(share * len(data))
        if kind == "flip" and data:
            data[place] ^= 1 << what
        elif kind == "put":
            data[place:place] = what
        elif kind == "drop":
            del data[place : place + what]
        elif kind == "double":
            data[place:place] = data[place : place + what]
        elif kind == "cut":
            del data[place:]
        elif kind == "over":
            data[place : place + len(what)] = what
    return bytes(data)


def mangled():
    """Return files of the demos with bytes changed."""
    demos = [path.read_bytes() for path in sorted(DEMOS.glob("*/*.toml"))]
    return st.builds(edited, st.sampled_from(demos), edits())


def parameter_files():
    """Return parameter files of all kinds, as bytes."""
    return st.one_of(generated(), replaced(), mangled(), st.binary(max_size=60))
