"""The number of one lane, as the CUDA compiler knows it.

Laws and formulas are text over ``+ - * /``, comparisons, ``where``, ``rsqrt`` and ``fma``. On a
processor they act on vectors; here on a *lane*, a number of the float type of the rows in which
numbers mixed in take that type too: Python's numbers are double, and would lift single-precision
arithmetic. Lanes of double precision are plain doubles.
"""

import operator

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.typeconv.castgraph import Conversion
from numba.extending import intrinsic, overload

from sim.kernels.vectors.ops import fma, rsqrt, where

if "row_stack" not in dir(np):  # numba-cuda asks for it when it is imported
    setattr(np, "row_stack", np.vstack)  # noqa: B010

from numba import cuda

# Everything of "fast" except nnan and ninf: a NaN must reach the guards of the step.
LOOSE = ("reassoc", "nsz", "arcp", "contract", "afn")


class LaneType(types.Type):
    """A single-precision number that lifts nothing."""

    def __init__(self):
        super().__init__(name="lane(float32)")

    def can_convert_from(self, typingctx, other):
        """Numbers become lanes."""
        return Conversion.safe if isinstance(other, types.Number) else None


LANE = LaneType()
FLOAT = ir.FloatType()


def _among(*args):
    """Say whether an operation is one of lanes."""
    known = all(isinstance(a, LaneType | types.Number) for a in args)
    return known and any(isinstance(a, LaneType) for a in args)


@intrinsic
def _as_lane(typingctx, x):
    def lower(context, builder, sig, args):
        return context.cast(builder, args[0], sig.args[0], types.float32)

    return LANE(x), lower


@intrinsic
def as_float(typingctx, x):
    """Return a lane as a number of single precision."""

    def lower(context, builder, sig, args):
        return args[0]

    return types.float32(x), lower


def overloaded(operation):
    """Return what gives an operation a form for lanes."""
    return overload(operation, jit_options={"forceinline": True})


def _operator(operation, result, lower):
    """Give lanes an operator of two."""

    @intrinsic
    def act(typingctx, x, y):
        return result(LANE, LANE), lambda context, builder, sig, args: lower(builder, *args)

    @overloaded(operation)
    def choose(x, y):
        if _among(x, y):
            return lambda x, y: act(x, y)
        return None


def _arithmetic(operation, instruction):
    _operator(operation, LANE, lambda b, x, y: getattr(b, instruction)(x, y, flags=LOOSE))


def _comparison(operation, symbol):
    _operator(operation, types.boolean, lambda b, x, y: b.fcmp_ordered(symbol, x, y))


@intrinsic
def _negative(typingctx, x):
    def lower(context, builder, sig, args):
        # this LLVM has no fneg
        return builder.fsub(ir.Constant(FLOAT, -0.0), args[0], flags=LOOSE)

    return LANE(x), lower


@intrinsic
def _choose(typingctx, condition, x, y):
    def lower(context, builder, sig, args):
        return builder.select(*args)

    return LANE(types.boolean, LANE, LANE), lower


@intrinsic
def _multiply_add(typingctx, x, y, z):
    def lower(context, builder, sig, args):
        form = ir.FunctionType(FLOAT, [FLOAT] * 3)
        function = cgutils.get_or_insert_function(builder.module, form, "llvm.fma.f32")
        return builder.call(function, args)

    return LANE(LANE, LANE, LANE), lower


def _teach_lanes():
    """Tell both of numba's compilers what lanes are."""
    from numba.core.extending import models, register_model
    from numba.cuda import models as cuda_models
    from numba.cuda.extending import lower_cast
    from numba.cuda.extending import register_model as cuda_register_model
    from numba.extending import lower_cast as processor_lower_cast

    class Model(models.PrimitiveModel):
        def __init__(self, dmm, fe_type):
            super().__init__(dmm, fe_type, FLOAT)

    class CudaModel(cuda_models.PrimitiveModel):
        def __init__(self, dmm, fe_type):
            super().__init__(dmm, fe_type, FLOAT)

    def cast(context, builder, fromty, toty, value):
        return context.cast(builder, value, fromty, types.float32)

    register_model(LaneType)(Model)
    cuda_register_model(LaneType)(CudaModel)
    processor_lower_cast(types.Number, LaneType)(cast)
    lower_cast(types.Number, LaneType)(cast)
    for operation, instruction in (
        (operator.add, "fadd"),
        (operator.sub, "fsub"),
        (operator.mul, "fmul"),
        (operator.truediv, "fdiv"),
    ):
        _arithmetic(operation, instruction)
    for operation, symbol in (
        (operator.lt, "<"),
        (operator.gt, ">"),
        (operator.le, "<="),
        (operator.ge, ">="),
    ):
        _comparison(operation, symbol)
    root = cuda.libdevice.rsqrtf

    @overloaded(operator.neg)
    def _neg(x):
        return (lambda x: _negative(x)) if isinstance(x, LaneType) else None

    @overloaded(where)
    def _where(condition, x, y):
        if isinstance(condition, types.Boolean) and _among(x, y):
            return lambda condition, x, y: _choose(condition, x, y)
        return None

    @overloaded(rsqrt)
    def _rsqrt(x):
        return (lambda x: _as_lane(root(as_float(x)))) if isinstance(x, LaneType) else None

    @overloaded(fma)
    def _fma(x, y, z):
        return (lambda x, y, z: _multiply_add(x, y, z)) if _among(x, y, z) else None


_teach_lanes()
LANES = {"float32": _as_lane, "float64": np.float64}
"""What makes a number a lane, by the float type of the rows."""
