"""Vectors of eight floats of either precision, for the mesh: windows are about that wide.

Loads, stores and spreads beside those of `sim.kernels.vectors.types`, whose operators and sums
serve these vectors too.
"""

from llvmlite import ir
from numba import types
from numba.core.extending import intrinsic

from sim.kernels.vectors.types import FLOATS, VectorType, element_pointer, spread_lanes

EIGHT = 8


@intrinsic
def load8(typingctx, array, index):
    """Load eight consecutive elements of a contiguous float array."""
    vector = VectorType(array.dtype, EIGHT)

    def lower(context, builder, sig, args):
        llvm = ir.VectorType(FLOATS[array.dtype], EIGHT)
        pointer = element_pointer(context, builder, array, args[0], args[1], llvm)
        return builder.load(pointer, typ=llvm, align=array.dtype.bitwidth // 8)

    return vector(array, types.uint64), lower


@intrinsic
def store8(typingctx, array, index, value):
    """Store a vector to eight consecutive elements of a contiguous float array."""
    vector = VectorType(array.dtype, EIGHT)

    def lower(context, builder, sig, args):
        llvm = ir.VectorType(FLOATS[array.dtype], EIGHT)
        pointer = element_pointer(context, builder, array, args[0], args[1], llvm)
        builder.store(args[2], pointer, align=array.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(array, types.uint64, vector), lower


@intrinsic
def spread8(typingctx, value):
    """Return the number in every lane of a vector of eight of its own float type."""
    vector = VectorType(value, EIGHT)

    def lower(context, builder, sig, args):
        return spread_lanes(builder, args[0], EIGHT)

    return vector(value), lower
