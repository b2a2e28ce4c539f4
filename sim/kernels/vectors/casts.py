"""A float32 as its bits, and back."""

from llvmlite import ir
from numba import types
from numba.core.extending import intrinsic

__all__ = ["bits_of_float", "float_of_bits"]


@intrinsic
def bits_of_float(typingctx, x):
    """Return the 32 bits of a float32 as a whole number."""

    def lower(context, builder, sig, args):
        return builder.bitcast(args[0], ir.IntType(32))

    return types.int32(types.float32), lower


@intrinsic
def float_of_bits(typingctx, x):
    """Return the float32 of 32 bits."""

    def lower(context, builder, sig, args):
        return builder.bitcast(args[0], ir.FloatType())

    return types.float32(types.int32), lower
