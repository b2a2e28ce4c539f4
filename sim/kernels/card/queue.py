"""The card of this machine: its memory, what is asked of it one after the other, transforms."""

import math

import cupy
import numpy as np
from cupy.cuda import cufft
from numba import cuda

from sim.kernels.card.compiler import BLOCK
from sim.kernels.card.layout import films_of

KINDS = {
    ("f", "F"): cufft.CUFFT_R2C, ("F", "f"): cufft.CUFFT_C2R, ("F", "F"): cufft.CUFFT_C2C,
    ("d", "D"): cufft.CUFFT_D2Z, ("D", "d"): cufft.CUFFT_Z2D, ("D", "D"): cufft.CUFFT_Z2Z,
}  # fmt: skip


class Transforms:
    """Transforms of grids (layers, films, nx, ny) into arrays that are there: plain sums.

    Arrays may be those of one film of several. Plans live as long as this; what is recorded of them
    hangs on them.
    """

    def __init__(self):
        self._plans = {}

    def _ask(self, source, target, shape, strides, batch, direction):
        """Transform from an array to another; strides of points and of transforms in both."""
        kind = KINDS[source.dtype.char, target.dtype.char]
        (near, far), (near_out, far_out) = strides
        key = source.shape, target.shape, strides, kind
        if key not in self._plans:
            inside, outside = source.shape[-len(shape) :], target.shape[-len(shape) :]
            if len(shape) == 1:
                inside = outside = shape
            self._plans[key] = cufft.PlanNd(
                shape, inside, near, far, outside, near_out, far_out, kind, batch, "C", -1, None
            )
        self._plans[key].fft(source, target, direction)

    def _between_planes(self, source, target, shape, direction):
        layers, films = source.shape[:2]
        strides = tuple(
            (1, one.strides[0 if films == 1 else 1] // one.itemsize) for one in (source, target)
        )
        self._ask(source, target, shape, strides, layers * films, direction)

    def planes(self, grid, waves):
        """Write the waves of each plane."""
        self._between_planes(grid, waves, grid.shape[2:], cufft.CUFFT_FORWARD)

    def along_z(self, waves, forth):
        """Transform waves across the layers, forth or back, in their place."""
        stride = waves.strides[0] // waves.itemsize, 1
        direction = cufft.CUFFT_FORWARD if forth else cufft.CUFFT_INVERSE
        batch = math.prod(waves.shape[1:])
        self._ask(waves, waves, waves.shape[:1], (stride, stride), batch, direction)

    def back_in_planes(self, waves, grid):
        """Write the grid that has these waves in each plane; the waves are lost."""
        self._between_planes(waves, grid, grid.shape[2:], cufft.CUFFT_INVERSE)


class Queue:
    """A card, its memory, and what is done there, one after the other.

    Arrays are those of numba, which kernels take; ``view`` gives the same memory to cupy.
    """

    def __init__(self):
        self.numbers = cupy
        self.stream = cupy.cuda.Stream(non_blocking=True)
        self._numba_stream = cuda.external_stream(self.stream.ptr)
        self._pools = [cupy.get_default_memory_pool()]

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

    def swapped(self, array):
        """Return the same memory with its first two axes exchanged."""
        return cuda.as_cuda_array(self.view(array).swapaxes(0, 1), sync=False)

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

    def run(self, one, threads, batch):
        """Run a kernel in so many threads a film."""
        grid = -(-threads // BLOCK), films_of(batch)
        one.jitted[grid, BLOCK, self._numba_stream](batch)

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
