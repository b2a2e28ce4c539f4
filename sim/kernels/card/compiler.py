"""All that knows the CUDA compiler, with `sim.kernels.card.lanes`: kernels, threads, words of rows.

With ``NUMBA_ENABLE_CUDASIM=1`` numba runs kernels thread by thread in Python, on arrays of numpy;
`sim.kernels.card.simulated` then takes the place of this module (`sim.kernels.card.tools`).
"""

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, register_jitable

from sim.kernels.card.lanes import FLOAT, LANE, LaneType, as_float, overloaded
from sim.kernels.card.members import member
from sim.kernels.vectors.types import I32, I64, element_pointer

BLOCK = 128
"""Threads a block."""

# once lanes have seen to it that it finds what it asks for
import numba_cuda  # noqa: E402
from numba import cuda  # noqa: E402
from numba.cuda import dispatcher  # noqa: E402
from numba.cuda.core import config  # noqa: E402
from numba.cuda.core.compiler_lock import global_compiler_lock  # noqa: E402
from numba.cuda.cudadrv import devices  # noqa: E402
from numba.cuda.cudadrv.nvvm import NVVM  # noqa: E402
from numba.cuda.dispatcher import _Kernel as CompiledKernel  # noqa: E402
from numba.cuda.serialize import dumps  # noqa: E402

config.CUDA_LOW_OCCUPANCY_WARNINGS = 0  # a small film has few blocks, and nothing is to be said


@register_jitable(forceinline=True)
def index():
    """Return the number of this thread among all."""
    return np.int64(cuda.grid(1))


@register_jitable(forceinline=True)
def thread():
    """Return the number of this thread in its block."""
    return cuda.threadIdx.x


@register_jitable(forceinline=True)
def block():
    """Return the number of this block of threads in its film."""
    return np.int64(cuda.blockIdx.x)


@register_jitable(forceinline=True)
def blocks():
    """Return how many blocks of threads a film has."""
    return np.int64(cuda.gridDim.x)


@register_jitable(forceinline=True)
def fence():
    """Have others see what this thread has written before what it writes from now on."""
    cuda.threadfence()


@register_jitable(forceinline=True)
def sync():
    """Wait for all threads of the block."""
    cuda.syncthreads()


# Functions of a thread cannot return arrays: these become part of whoever asks for them.
@cuda.jit(device=True, inline="always")
def shared_counts():
    """Return whole numbers that the threads of a block share, as many as a row has words."""
    return cuda.shared.array(8, np.int32)


@cuda.jit(device=True, inline="always")
def shared_wholes():
    """Return whole numbers that the threads of a block share, one for each."""
    return cuda.shared.array(BLOCK, np.int32)


@cuda.jit(device=True, inline="always")
def shared_numbers(size, dtype):
    """Return numbers that the threads of a block share; size and type are constants."""
    return cuda.shared.array(size, dtype)


@register_jitable(forceinline=True)
def atomic_add(array, at, value):
    """Add a whole number to an entry, and return what was there."""
    return cuda.atomic.add(array, at, value)


@register_jitable(forceinline=True)
def atomic_max(array, at, value):
    """Raise an entry to a whole number."""
    cuda.atomic.max(array, at, value)


@cuda.jit(device=True, inline="always")
def local_numbers(size, dtype):
    """Return a few numbers of a thread's own; size and type are constants."""
    return cuda.local.array(size, dtype)


def plain(x):
    """Return a lane as a number that arrays hold."""
    return x


@overloaded(plain)
def _plain(x):
    if isinstance(x, LaneType):
        return lambda x: as_float(x)
    return lambda x: x


@intrinsic
def wrapped(typingctx, mine, theirs):
    """Return mine - theirs of whole numbers of one width, wrapped to it."""

    def lower(context, builder, sig, args):
        return builder.sub(*args)

    return mine(mine, mine), lower


@intrinsic
def share(typingctx, word):
    """Return the upper 32 bits of a place as a whole number from 0 to 2^32 - 1."""

    def lower(context, builder, sig, args):
        (upper,) = args
        if word.bitwidth == 64:
            upper = builder.trunc(builder.lshr(upper, ir.Constant(I64, 32)), I32)
        return builder.zext(upper, I64)

    return types.int64(word), lower


@intrinsic
def rounded(typingctx, x):
    """Return the nearest whole number of the width of a lane, halves to even."""
    single = isinstance(x, LaneType)
    name = "llvm.nvvm.f2i.rn" if single else "llvm.nvvm.d2ll.rn"
    whole = I32 if single else I64

    def lower(context, builder, sig, args):
        form = ir.FunctionType(whole, [args[0].type])
        return builder.call(cgutils.get_or_insert_function(builder.module, form, name), args)

    return (types.int32 if single else types.int64)(x), lower


@intrinsic
def bits_of(typingctx, x):
    """Return the bits of a lane as a whole number."""
    single = isinstance(x, LaneType)

    def lower(context, builder, sig, args):
        return builder.bitcast(args[0], ir.IntType(32 if single else 64))

    return (types.int32 if single else types.int64)(x), lower


@intrinsic
def of_bits(typingctx, x):
    """Return the lane of these bits."""
    single = x.bitwidth == 32

    def lower(context, builder, sig, args):
        return builder.bitcast(args[0], FLOAT if single else ir.DoubleType())

    return (LANE if single else types.float64)(x), lower


def _vectors(table, count):
    """Return words a load of 16 bytes, the LLVM type of so many, and the places of all loads."""
    width = 128 // table.dtype.bitwidth
    return width, ir.VectorType(ir.IntType(table.dtype.bitwidth), width), range(0, count, width)


@intrinsic
def load_words(typingctx, table, at):
    """Load four words from a multiple of four on; nobody writes them while this kernel runs."""
    kind = types.int32 if table.dtype.bitwidth == 32 else types.int64
    result = types.UniTuple(kind, 4)

    def lower(context, builder, sig, args):
        width, vector, places = _vectors(table, 4)
        found = []
        for first in places:
            place = builder.add(args[1], ir.Constant(args[1].type, first))
            pointer = element_pointer(context, builder, table, args[0], place, vector)
            value = builder.load(pointer, typ=vector, align=16)
            value.set_metadata("invariant.load", builder.module.add_metadata([]))
            found += [builder.extract_element(value, ir.Constant(I32, k)) for k in range(width)]
        return context.make_tuple(builder, result, found)

    return result(table, types.int64), lower


@intrinsic
def store_words(typingctx, table, at, words):
    """Store four words from a multiple of four on."""

    def lower(context, builder, sig, args):
        width, vector, places = _vectors(table, 4)
        for first in places:
            value = ir.Constant(vector, ir.Undefined)
            for k in range(width):
                word = builder.extract_value(args[2], first + k)
                value = builder.insert_element(value, word, ir.Constant(I32, k))
            place = builder.add(args[1], ir.Constant(args[1].type, first))
            pointer = element_pointer(context, builder, table, args[0], place, vector)
            builder.store(value, pointer, align=16)
        return context.get_dummy_value()

    return types.void(table, types.int64, words), lower


class Kept:
    """Where a kernel looks before it is compiled; numba's own cache takes none of a factory.

    Parameters
    ----------
    store : sim.engines.card.kept.KernelStore
    name : str
        Of the kernel and of the constants that it was made with.
    """

    def __init__(self, store, name):
        self._store, self._name = store, name

    def _key(self, signature, context):
        versions = numba_cuda.__version__, NVVM().get_version(), context.codegen().magic_tuple()
        return repr((self._name, str(signature), versions))

    def loadoverloaded(self, signature, context):
        """Return a kernel for these types, None where none is kept."""
        found = self._store.get(self._key(signature, context))
        return None if found is None else CompiledKernel._rebuild(**found)

    def saveoverloaded(self, signature, made):
        """Keep a kernel that was compiled."""
        states = dumps(made._reduce_states())
        self._store.put(self._key(signature, made.target_context), states)


class Kernel:
    """A function of a film that each of many threads runs, compiled when it is first called.

    It is launched for all films of a batch at once: blocks lie along x, films along y.
    """

    def __init__(self, function):
        self.__name__ = function.__name__
        self.__doc__ = function.__doc__
        act = register_jitable(forceinline=True)(function)

        def launched(batch):
            act(member(batch, np.int64(cuda.blockIdx.y)))

        self.jitted = cuda.jit(launched)

    def keep(self, store, name):
        """Look in a store before compiling; the name tells the constants of the factory."""
        self.jitted._cache = Kept(store, f"{name}.{self.__name__}")

    @global_compiler_lock
    def missing(self, batch):
        """Return the types that it is to be compiled for to take films; None if it is or was."""
        types = (self.jitted.typeof_pyval(batch),)
        if types in self.jitted.overloads:
            return None
        kept = self.jitted._cache.loadoverloaded(types, self.jitted.targetctx)
        if kept is None:
            return types
        self.jitted.addoverloaded(kept, types)
        return None

    def compile_for(self, types):
        """Compile it for types of `missing`, and keep it."""
        self.jitted.compile(types)


kernel = Kernel


class StandIn:
    """In the place of a card where kernels are compiled and none runs: each part of it is itself.

    Parameters
    ----------
    capability : pair of int
        Of the card, from `capability`.
    """

    id = 0
    initialized = True

    def __init__(self, capability):
        self.compute_capability = capability
        self.device = self.module = self

    def create_module_image(self, *_):
        """Return what should hold the compiled functions."""
        return self

    def get_function(self, _):
        """Return what should be a function that was loaded."""
        return self


def capability():
    """Return the compute capability of the card of this machine."""
    return cuda.get_current_device().compute_capability


def stand_in(capability):
    """Have this process compile for a card of this capability, and never ask for a card."""
    card = StandIn(capability)
    for module, name in ((dispatcher, "get_current_device"), (devices, "get_context")):
        setattr(module, name, lambda: card)
