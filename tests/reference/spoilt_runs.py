"""Run files that nobody wrote: hypothesis strategies that spoil a small run, bytes and contents."""

import json
from unittest import mock

import h5py
import numpy as np
from hypothesis import strategies as st

from sim.parameters import from_text
from sim.run import simulate as one_run
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.small_film import small_film

FILM = "/particles/film"
GROUPS = ("/h5md", "/particles", FILM, f"{FILM}/box", f"{FILM}/position", f"{FILM}/moment",
          "/observables", "/observables/field", "/parameters")  # fmt: skip
DATA = (
    f"{FILM}/position/value", f"{FILM}/position/step", f"{FILM}/position/time",
    f"{FILM}/moment/value", f"{FILM}/image/value", f"{FILM}/box/edges/value", f"{FILM}/diameter",
    f"{FILM}/core_diameter", f"{FILM}/moment_magnitude", "/observables/field/value",
    "/observables/magnetisation/value", "/observables/energy_dipolar/value",
    "/parameters/frames_complete",
)  # fmt: skip
RECORDS = ("derived", "resolved", "bonds", "timing", "versions")
TEXTS = ("text", "version", "processor", "end_reason", "seed", "finished", "provisional")
VALUES = (0.0, -1.0, 1.0, 5e-324, 1e-300, 1e-30, 1e-9, 1e9, 1e30, 1e160, 1e300, -1e308, np.nan,
          np.inf, -np.inf)  # fmt: skip
SHAPES = ((), (0,), (1,), (3,), (12,), (5, 3), (3, 3), (6, 12), (6, 12, 3), (6, 12, 2), (6, 0, 3),
          (0, 12, 3), (6, 1, 3), (2, 2, 2, 2))  # fmt: skip
HUGE = (
    (10**9,),
    (10**12,),
    (2**62,),
    (10**9, 12, 3),
    (6, 10**9, 3),
    (10**6, 10**6, 3),
    (10**6, 1, 3),
    (10**7,),
)
PACKED = ((10**6,), (10**6, 3), (6, 10**6, 3), (10**5, 1, 3))
TYPES = ("f8", "f4", "f2", "i8", "i1", "u8", "?", "c16", "S8", "text", "compound", "reference")
OUTSIDE = ("/etc/passwd", "other.h5", "../other.h5", "missing.h5", "pipe", "/dev/zero", "run.h5")
WORDS = (None, True, 0, -1, 1e300, -1e300, 10**400, "", "x", "auto", "energy", [], [1, 0, 0],
         [0, 0, 0], ["a"], {}, {"a": 1}, [[1]], float("nan"), float("inf"))  # fmt: skip
SMALL = 10_000
NESTED = '{"a":' * 20_000


def write_run(folder, *, sealed=False):
    """Write a run of 12 particles and 6 frames into a folder, without kernels.

    Without its seal, as files of earlier versions are, what is spoilt in it reaches the readers.
    """
    parameters = from_text(small_film(frames=5))
    with mock.patch.object(one_run, "RunSetup", fake_setup(100)):
        one_run.simulate(parameters, folder, engine_factory=FakeEngine)
    if not sealed:
        with h5py.File(folder / "run.h5", "r+") as file:
            del file["parameters"].attrs["seal"]
    return folder / "run.h5"


def records(path):
    """Return the JSON records of a run by name, as dictionaries."""
    with h5py.File(path, "r") as file:
        return {name: json.loads(file["parameters"].attrs[name]) for name in RECORDS}


def array(shape, kind, value):
    """Return an array of a shape, a type by name and, where it fits, a value."""
    if kind == "text":
        return np.full(shape, "words", dtype=object)
    if kind == "compound":
        return np.zeros(shape, dtype=[("a", "f8"), ("b", "i4")])
    if kind == "reference":
        return None
    with np.errstate(all="ignore"):
        return np.full(shape, value).astype(kind)


def remove(file, place):
    """Take away what is at a place."""
    if place in file:
        del file[place]


def put(file, place, shape, kind, value):
    """Put another array in the place of something."""
    remove(file, place)
    values = array(shape, kind, value)
    if values is None:
        file.create_dataset(place, shape, dtype=h5py.ref_dtype)
    elif kind == "text":
        file.create_dataset(place, data=values, dtype=h5py.string_dtype())
    else:
        file.create_dataset(place, data=values)


def put_huge(file, place, shape, kind):
    """Put an array in the place of something that says to be huge and holds nothing."""
    remove(file, place)
    file.create_dataset(place, shape, dtype=kind, chunks=(1,) * len(shape))


def put_packed(file, place, shape):
    """Put an array in the place of something whose values, all the same, are packed small."""
    remove(file, place)
    chunks = (min(shape[0], 10**6), *shape[1:])
    file.create_dataset(place, shape, "f8", chunks=chunks, compression="gzip", fillvalue=1e-9)
    file[place][...] = 1e-9


def put_pieces(file, place, length):
    """Store an array in pieces of which one holds far more than counts."""
    data = file.get(place)
    if isinstance(data, h5py.Dataset) and data.ndim and 0 < (data.size or 0) <= SMALL:
        values = data[()]
        remove(file, place)
        file.create_dataset(
            place, values.shape, values.dtype, chunks=(length, *values.shape[1:]),
            maxshape=(None, *values.shape[1:]),
        )  # fmt: skip


def put_nothing(file, place):
    """Put an array in the place of something that has no shape at all."""
    remove(file, place)
    file.create_dataset(place, data=h5py.Empty("f8"))


def fill(file, place, value):
    """Overwrite all numbers of an array."""
    data = file.get(place)
    if isinstance(data, h5py.Dataset) and 0 < (data.size or 0) <= SMALL:
        values = np.full(data.shape, value)
        remove(file, place)
        file[place] = values


def put_virtual(file, place, other):
    """Put an array in the place of something whose values are in another file."""
    shape = (6, 12, 3)
    layout = h5py.VirtualLayout(shape=shape, dtype="f8")
    layout[:] = h5py.VirtualSource(other, "/a", shape=shape)
    remove(file, place)
    file.create_virtual_dataset(place, layout)


def put_external(file, place, other):
    """Put an array in the place of something whose bytes are in another file."""
    remove(file, place)
    file.create_dataset(place, (6, 12, 3), dtype="f8", external=[(other, 0, 1728)])


def change_value(file, place, share, value):
    """Overwrite one number of an array."""
    data = file.get(place)
    if isinstance(data, h5py.Dataset) and (data.size or 0) <= SMALL:  # huge arrays stay empty
        if data.chunks and np.prod(data.chunks, dtype=float) > 1e7:
            return  # HDF5 would write a whole piece
        values = np.array(data[()]).astype("f8").reshape(-1)
        if values.size:
            values[int(share * (values.size - 1))] = value
            with np.errstate(all="ignore"):
                data[...] = values.reshape(data.shape).astype(data.dtype)


def link(file, place, target):
    """Put a link in the place of something."""
    remove(file, place)
    file[place] = target


def attribute(file, place, name, value):
    """Set an attribute where there is something to carry it."""
    if place in file:
        file[place].attrs[name] = value


def record(file, name, key, value):
    """Change one entry of a JSON record."""
    if "parameters" in file and name in file["parameters"].attrs:
        content = json.loads(str(file["parameters"].attrs[name]) or "{}")
        if isinstance(content, dict):
            file["parameters"].attrs[name] = json.dumps({**content, key: value})


def group(file, place):
    """Put an empty group in the place of something."""
    remove(file, place)
    file.create_group(place)


ACTIONS = {
    "remove": remove, "put": put, "put_huge": put_huge, "put_virtual": put_virtual,
    "put_packed": put_packed, "put_pieces": put_pieces, "put_nothing": put_nothing, "fill": fill,
    "put_external": put_external, "change_value": change_value, "link": link, "group": group,
    "attribute": attribute, "record": record,
}  # fmt: skip


OUTWARD = ("put_virtual", "put_external", "link")


def contents(known):
    """Return strategies of one change of the contents: name of the action and its arguments."""
    place = st.sampled_from(DATA)
    anywhere = st.sampled_from(DATA + GROUPS)
    value = st.sampled_from(VALUES)
    outside = st.sampled_from(OUTSIDE)
    links = st.one_of(
        st.builds(h5py.ExternalLink, outside, st.sampled_from(("/", "/a", FILM))),
        st.builds(h5py.SoftLink, st.sampled_from((*DATA, *GROUPS, "/", "/nothing"))),
    )
    attributes = st.one_of(
        st.sampled_from(("", "nm", "furlong", "m", "x" * 1000, b"\xff\xfe", NESTED, "[1]", "{")),
        st.sampled_from((0, -1, 2**63 - 1, np.nan, np.inf)),
        st.builds(array, st.sampled_from(SHAPES), st.sampled_from(TYPES[:8]), value),
    )
    entries = st.sampled_from(
        [(name, key) for name, content in known.items() for key in content or ("a",)]
    )
    return st.one_of(
        st.tuples(st.just("remove"), anywhere),
        st.tuples(
            st.just("put"), anywhere, st.sampled_from(SHAPES), st.sampled_from(TYPES), value
        ),
        st.tuples(
            st.just("put_huge"), place, st.sampled_from(HUGE), st.sampled_from(("f8", "i8"))
        ),
        st.tuples(st.just("put_packed"), place, st.sampled_from(PACKED)),
        st.tuples(st.just("put_pieces"), place, st.sampled_from((10**6, 10**9))),
        st.tuples(st.just("put_nothing"), place),
        st.tuples(st.just("fill"), place, value),
        st.tuples(st.just("fill"), place, value),
        st.tuples(st.just("put_virtual"), place, outside),
        st.tuples(st.just("put_external"), place, outside),
        st.tuples(st.just("change_value"), place, st.floats(0, 1), value),
        st.tuples(st.just("change_value"), place, st.floats(0, 1), value),
        st.tuples(st.just("link"), anywhere, links),
        st.tuples(st.just("group"), place),
        st.tuples(
            st.just("attribute"), anywhere, st.sampled_from(("unit", "offset", "a")), attributes
        ),
        st.tuples(
            st.just("attribute"), st.just("/parameters"),
            st.sampled_from(RECORDS + TEXTS), attributes,
        ),
        st.builds(lambda entry, word: ("record", *entry, word), entries, st.sampled_from(WORDS)),
        st.builds(lambda entry, word: ("record", *entry, word), entries, st.sampled_from(WORDS)),
    )  # fmt: skip


def byte_changes():
    """Return strategies of one change of the bytes: kind, where as a share of the file, what."""
    where = st.floats(0, 1, exclude_max=True)
    return st.one_of(
        st.tuples(st.just("page"), where, st.sampled_from((512, 4096))),
        st.tuples(st.just("flip"), where, st.integers(0, 7)),
        st.tuples(st.just("flip"), where.map(lambda share: 0.15 * share), st.integers(0, 7)),
        st.tuples(st.just("write"), where, st.binary(min_size=1, max_size=16)),
        st.tuples(st.just("write"), where, st.sampled_from((b"\xff" * 8, b"\0" * 64))),
        st.tuples(st.just("cut"), where, st.just(0)),
        st.tuples(st.just("drop"), where, st.integers(1, 64)),
    )


def spoilings(known):
    """Return lists of changes: of bytes alone, or of contents with now and then one of bytes."""
    return st.one_of(
        st.lists(byte_changes(), min_size=1, max_size=4),
        st.lists(contents(known), min_size=1, max_size=3),
        st.tuples(contents(known), byte_changes()).map(list),
    )


def spoil(path, changes):
    """Make changes to a run file, those of contents first."""
    inside = [change for change in changes if change[0] in ACTIONS]
    # What points outside comes last and once: nothing here may open a pipe and wait.
    outside = [change for change in inside if change[0] in OUTWARD]
    inside = [change for change in inside if change[0] not in OUTWARD] + outside[:1]
    if inside:
        with h5py.File(path, "r+") as file:
            for name, *arguments in inside:
                try:
                    ACTIONS[name](file, *arguments)
                except (
                    LookupError,
                    ValueError,
                    TypeError,
                    OSError,
                    RuntimeError,
                    ArithmeticError,
                    MemoryError,
                ):
                    continue  # an earlier change has taken away what this one needs
    data = bytearray(path.read_bytes())
    for kind, share, what in (change for change in changes if change[0] not in ACTIONS):
        place = int(share * len(data))
        if kind == "flip" and data:
            data[place] ^= 1 << what
        elif kind == "write":
            data[place : place + len(what)] = what
        elif kind == "page":  # as a file system leaves them that has lost its power
            place -= place % what
            data[place : place + what] = bytes(len(data[place : place + what]))
        elif kind == "cut":
            del data[place:]
        elif kind == "drop":
            del data[place : place + what]
    path.write_bytes(bytes(data))
