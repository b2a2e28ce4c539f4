"""The tools of `sim.kernels.card.compiler` where numba's simulator runs kernels in Python.

A thread of the card is then a thread of Python, arrays are those of numpy, and lanes are numpy's
numbers, which Python's do not lift either. For tests on machines without a card, of tiny films.
"""

import numpy as np
from numba import cuda
from numba.cuda.simulator.kernel import _get_kernel_context

from sim.kernels.card.layout import Shared, films_of
from sim.kernels.card.overlaid import bytes_of, parts_of

BLOCK = 32
LANES = {"float32": np.float32, "float64": np.float64}


def index():
    """Return the number of this thread among all."""
    return _get_kernel_context().grid(1)


def thread():
    """Return the number of this thread in its block."""
    return _get_kernel_context().threadIdx.x


def block():
    """Return the number of this block of threads in its film."""
    return _get_kernel_context().blockIdx.x


def blocks():
    """Return how many blocks of threads a film has."""
    return _get_kernel_context().gridDim.x


def fence():
    """Do nothing: what a thread writes is seen by all."""


def sync():
    """Wait for all threads of the block."""
    _get_kernel_context().syncthreads()


def shared_counts():
    """Return whole numbers that the threads of a block share, as many as a row has words."""
    return _get_kernel_context().shared.array(8, np.int32)


def shared_wholes():
    """Return whole numbers that the threads of a block share, one for each."""
    return _get_kernel_context().shared.array(BLOCK, np.int32)


def shared_numbers(size, dtype):
    """Return numbers that the threads of a block share; size and type are constants."""
    return _get_kernel_context().shared.array(size, dtype)


def atomic_add(array, at, value):
    """Add a whole number to an entry, and return what was there."""
    return _get_kernel_context().atomic.add(array, at, value)


def atomic_max(array, at, value):
    """Raise an entry to a whole number."""
    _get_kernel_context().atomic.max(array, at, value)


def local_numbers(size, dtype):
    """Return a few numbers of a thread's own; size and type are constants."""
    return np.empty(size, dtype)


def plain(x):
    """Return a lane as a number that arrays hold."""
    return x


def wrapped(mine, theirs):
    """Return mine - theirs of whole numbers of one width, wrapped to it."""
    bits = 8 * mine.itemsize
    half = 1 << (bits - 1)
    return type(mine)((int(mine) - int(theirs) + half) % (1 << bits) - half)


def share(word):
    """Return the upper 32 bits of a place as a whole number from 0 to 2^32 - 1."""
    return (int(word) >> (8 * word.itemsize - 32)) % (1 << 32)


def rounded(x):
    """Return the nearest whole number of the width of a lane, halves to even."""
    bits = 8 * x.itemsize
    whole = (round(float(x)) + (1 << (bits - 1))) % (1 << bits) - (1 << (bits - 1))
    return (np.int32 if bits == 32 else np.int64)(whole)


def bits_of(x):
    """Return the bits of a lane as a whole number."""
    return x.view(np.int32 if x.itemsize == 4 else np.int64)


def of_bits(x):
    """Return the lane of these bits."""
    return x.view(np.float32 if x.itemsize == 4 else np.float64)


def load_words(table, at):
    """Load four words from a multiple of four on; nobody writes them while this kernel runs."""
    return tuple(table[at + k] for k in range(4))


def store_words(table, at, words):
    """Store four words from a multiple of four on."""
    for k in range(4):
        table[at + k] = words[k]


def member(batch, film):
    """Return one film of a batch; arrays without other axes become its number."""
    if isinstance(batch, Shared):
        return batch.array
    if isinstance(batch, tuple):
        parts = [member(part, film) for part in batch]
        return type(batch)(*parts) if hasattr(batch, "_fields") else tuple(parts)
    if getattr(batch, "ndim", 0) == 0:
        return batch
    part = batch[film]
    return part.item() if batch.ndim == 1 else part


def require_taken(argument):
    """Refuse what a card takes for no argument of a kernel: all but numbers, arrays and tuples.

    Raises
    ------
    TypeError
        If there is such a thing, also within tuples.
    """
    if isinstance(argument, tuple):
        for part in argument:
            require_taken(part)
    elif not isinstance(argument, bool | int | float | complex | np.generic | np.ndarray):
        raise TypeError(f"a card takes no {type(argument).__name__} for an argument of a kernel")


class Kernel:
    """A function of a film that each of many threads runs, for all films of a batch."""

    def __init__(self, function):
        self.__name__ = function.__name__
        self.__doc__ = function.__doc__

        def launched(films):
            function(films[_get_kernel_context().blockIdx.y])

        self.jitted = cuda.jit(launched)

    def keep(self, store, name):
        """Do nothing: nothing is compiled."""

    def missing(self, batch):
        """Return None: nothing is compiled."""

    def compile_for(self, types):
        """Do nothing: nothing is compiled."""


kernel = Kernel


def capability():
    """Return that of no card."""
    return 0, 0


def stand_in(capability):
    """Do nothing: no card is asked for."""


class Transforms:
    """Transforms of grids (films, layers, nx, ny)."""

    def planes(self, grid):
        """Return the waves of each plane."""
        return np.fft.rfft2(grid, axes=(2, 3))

    def along_z(self, waves, points):
        """Return them transformed along z, with zeros up to so many points."""
        return np.fft.fft(waves, points, axis=1)

    def back_along_z(self, waves):
        """Return them transformed back along z."""
        return np.fft.ifft(waves, axis=1)

    def back_in_planes(self, waves, shape):
        """Return the grid of this shape that has these waves in each plane."""
        return np.fft.irfft2(waves, shape[2:], axes=(2, 3))


class DirectTransforms:
    """Transforms of the grid of one film from array to array; back not divided by the points."""

    def planes(self, grid, waves):
        """Write the waves of each plane."""
        waves[...] = np.fft.rfft2(grid, axes=(2, 3))

    def along_z(self, waves):
        """Transform waves along z, in place."""
        waves[...] = np.fft.fft(waves, axis=1)

    def back_along_z(self, waves):
        """Transform them back along z, in place."""
        waves[...] = np.fft.ifft(waves, axis=1, norm="forward")

    def back_in_planes(self, waves, grid):
        """Write the grid that has these waves in each plane."""
        grid[...] = np.fft.irfft2(waves, grid.shape[2:], axes=(2, 3), norm="forward")


class Queue:
    """No card: numpy's arrays, and what is asked for is done at once."""

    numbers = np

    def __init__(self):
        self._taker = None

    def put(self, array):
        """Return a copy."""
        return np.array(array, order="C")

    def zeros(self, shape, dtype):
        """Return zeros."""
        return np.zeros(shape, dtype)

    def overlaid(self, groups):
        """Return arrays of zeros by name, those of a group beside each other, groups overlaid."""
        return parts_of(np.zeros(bytes_of(groups), np.uint8), groups)

    def view(self, array):
        """Return the array itself."""
        return array

    def get(self, array, film=slice(None)):
        """Return a copy, of one film or all."""
        return array[film].copy()

    def bring(self, array):
        """Return a copy."""
        return array.copy()

    def set(self, array, values, film=slice(None)):
        """Overwrite what an array holds of one film or all."""
        array[film] = values

    def set_halves(self, array, values, film):
        """Overwrite both halves of what an array holds of a film with the same values."""
        array[film].reshape(2, -1)[...] = np.asarray(values).reshape(-1)

    def run(self, one, threads, batch):
        """Run a kernel in so many threads a film, if a card would take its arguments."""
        if self._taker is not None:
            self._taker(one, batch)
            return
        require_taken(batch)
        films = [member(batch, film) for film in range(films_of(batch))]
        one.jitted[(-(-threads // BLOCK), len(films)), BLOCK](films)

    def hand_to(self, take):
        """Give kernels and their films to a function from now on, and run none; None runs them."""
        self._taker = take

    def whole(self):
        """Return a context in which whole arrays are worked on."""
        return np.errstate()

    def record(self, work):
        """Return what repeats the work."""
        return work

    def own_memory(self):
        """Return what opens a context; all memory is the same here."""
        return np.errstate

    def wait(self):
        """Do nothing: all is done."""

    def tidy(self):
        """Do nothing."""

    def used_bytes(self):
        """Return 0: nothing is on a card."""
        return 0
