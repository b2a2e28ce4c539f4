"""The card of this machine: its memory, what is asked of it one after the other, transforms."""

import cupy
import numpy as np
from cupyx.scipy import fft
from numba import cuda

from sim.kernels.card.compiler import BLOCK
from sim.kernels.card.layout import films_of
from sim.kernels.card.overlaid import bytes_of, parts_of

FORTH, BACK = -1, 1
"""Directions of transforms of waves."""


class Transforms:
    """Transforms of grids (films, layers, nx, ny), whose plans live as long as this.

    What is recorded of them hangs on these plans.
    """

    def __init__(self):
        self._plans = {}

    def _plan(self, array, shape, axes, kind):
        """Return the plan for an array; transforms along one axis take it from an array so long."""
        key = array.shape, shape, axes, kind
        if key not in self._plans:
            self._plans[key] = fft.get_fft_plan(array, shape, axes, value_type=kind)
        return self._plans[key]

    def planes(self, grid):
        """Return the waves of each plane."""
        return fft.rfft2(grid, axes=(2, 3), plan=self._plan(grid, None, (2, 3), "R2C"))

    def along_z(self, waves, points):
        """Return them transformed along z, with zeros up to so many points."""
        return fft.fft(waves, points, axis=1, plan=self._plan(waves, points, 1, "C2C"))

    def back_along_z(self, waves):
        """Return them transformed back along z."""
        return fft.ifft(waves, axis=1, plan=self._plan(waves, None, 1, "C2C"))

    def back_in_planes(self, waves, shape):
        """Return the grid of this shape that has these waves in each plane."""
        waves = cupy.ascontiguousarray(waves)
        plan = self._plan(waves, shape[2:], (2, 3), "C2R")
        return fft.irfft2(waves, shape[2:], axes=(2, 3), plan=plan)


class DirectTransforms:
    """Transforms of the grid of one film from array to array, or in place: nothing passes.

    Those back are not divided by the number of points. All take turns in one piece of memory.
    """

    def __init__(self):
        self._plans = {}
        self._area = None

    def _lend(self, size):
        """Return memory for a plan to work in, that of the plans before where it is enough."""
        if self._area is None or self._area.mem.size < size:
            self._area = self._alloc(size)
        return self._area

    def _plan(self, shape, there, back, kind, batch):
        """Return the plan of a kind; ``there`` and ``back`` are (embedding, stride, distance)."""
        key = shape, there, back, kind, batch
        if key not in self._plans:
            self._alloc = cupy.cuda.get_allocator()
            with cupy.cuda.using_allocator(self._lend):
                library = cupy.cuda.cufft  # loaded when it is asked for
                kind = getattr(library, f"CUFFT_{kind}")
                self._plans[key] = library.PlanNd(shape, *there, *back, kind, batch, "C", -1, None)
        return self._plans[key]

    def planes(self, grid, waves):
        """Write the waves of each plane of a grid (1, layers, nx, ny)."""
        _, layers, nx, ny = grid.shape
        kind = "R2C" if grid.dtype == np.float32 else "D2Z"
        real, complex_ = ((nx, ny), 1, nx * ny), ((nx, waves.shape[3]), 1, nx * waves.shape[3])
        plan = self._plan((nx, ny), real, complex_, kind, layers)
        plan.fft(grid, waves, FORTH)

    def _in_z(self, waves, direction):
        _, points, nx, columns = waves.shape
        kind = "C2C" if waves.dtype == np.complex64 else "Z2Z"
        lines = (points,), nx * columns, 1
        self._plan((points,), lines, lines, kind, nx * columns).fft(waves, waves, direction)

    def along_z(self, waves):
        """Transform waves (1, nz, nx, columns) along z, in place."""
        self._in_z(waves, FORTH)

    def back_along_z(self, waves):
        """Transform them back along z, in place."""
        self._in_z(waves, BACK)

    def back_in_planes(self, waves, grid):
        """Write the grid that has these waves in each plane; they are lost."""
        _, layers, nx, ny = grid.shape
        kind = "C2R" if grid.dtype == np.float32 else "Z2D"
        real, complex_ = ((nx, ny), 1, nx * ny), ((nx, waves.shape[3]), 1, nx * waves.shape[3])
        plan = self._plan((nx, ny), complex_, real, kind, layers)
        plan.fft(waves, grid, BACK)


class Queue:
    """A card, its memory, and what is done there, one after the other.

    Arrays are those of numba, which kernels take; ``view`` gives the same memory to cupy.
    """

    def __init__(self):
        self.numbers = cupy
        self.stream = cupy.cuda.Stream(non_blocking=True)
        self._numba_stream = cuda.external_stream(self.stream.ptr)
        self._pools = [cupy.get_default_memory_pool()]
        self._taker = None

    def put(self, array):
        """Return an array of the card with what an array of this machine holds."""
        with self.stream:
            made = self.numbers.asarray(np.ascontiguousarray(array))
        self.stream.synchronize()
        return cuda.as_cuda_array(made, sync=False)

    def zeros(self, shape, dtype):
        """Return zeros on the card."""
        with self.stream:
            made = self.numbers.zeros(shape, dtype)
        return cuda.as_cuda_array(made, sync=False)

    def overlaid(self, groups):
        """Return arrays of zeros by name, those of a group beside each other, groups overlaid.

        A group has shapes and types by name; arrays of only one group are in use at a time.
        """
        with self.stream:
            found = parts_of(self.numbers.zeros(bytes_of(groups), np.uint8), groups)
        return {name: cuda.as_cuda_array(made, sync=False) for name, made in found.items()}

    def view(self, array):
        """Return the array as one of the library that works on whole arrays."""
        return self.numbers.ndarray(
            array.shape,
            array.dtype,
            self.numbers.cuda.MemoryPointer(
                self.numbers.cuda.UnownedMemory(
                    array.device_ctypes_pointer.value, max(1, array.nbytes), array
                ),
                0,
            ),
        )

    def get(self, array, film=slice(None)):
        """Return a copy on this machine, of one film or all, once all asked for is done."""
        with self.stream:
            return self.view(array)[film].get(stream=self.stream)

    def bring(self, array):
        """Return a copy on this machine of what whole arrays were worked out to."""
        return array.get()

    def set(self, array, values, film=slice(None)):
        """Overwrite what an array of the card holds of one film or all."""
        with self.stream:
            self.view(array)[film].set(np.ascontiguousarray(values, array.dtype))
        self.stream.synchronize()

    def set_halves(self, array, values, film):
        """Overwrite both halves of what an array holds of a film with the same values."""
        with self.stream:
            first, second = self.view(array)[film].reshape(2, -1)
            first.set(np.ascontiguousarray(values, array.dtype).reshape(-1))
            second.data.copy_from_device_async(first.data, first.nbytes, self.stream)
        self.stream.synchronize()

    def run(self, one, threads, batch):
        """Run a kernel in so many threads a film."""
        if self._taker is not None:
            self._taker(one, batch)
            return
        grid = -(-threads // BLOCK), films_of(batch)
        one.jitted[grid, BLOCK, self._numba_stream](batch)

    def hand_to(self, take):
        """Give kernels and their films to a function from now on, and run none; None runs them."""
        self._taker = take

    def whole(self):
        """Return a context in which whole arrays are worked on in the order of this queue."""
        return self.stream

    def record(self, work):
        """Return a function that repeats at once what ``work`` asks of this queue."""
        with self.stream:
            self.stream.begin_capture()
            work()
            graph = self.stream.end_capture()
        return lambda: graph.launch(self.stream)

    def own_memory(self):
        """Return what opens a context in which arrays get memory that nothing else gets."""
        pool = self.numbers.cuda.MemoryPool()
        self._pools.append(pool)
        return lambda: self.numbers.cuda.using_allocator(pool.malloc)

    def wait(self):
        """Wait until all that was asked for is done."""
        self.stream.synchronize()

    def tidy(self):
        """Give back the memory that no array holds any more."""
        self.wait()
        self._pools[0].free_all_blocks()

    def used_bytes(self):
        """Return the bytes of arrays on the card, and of what is kept for further ones."""
        return sum(pool.total_bytes() for pool in self._pools)
