"""A vector of floats inside compiled code: a law written as a formula runs on all lanes.

``VectorType(float32, 16)`` and ``VectorType(float64, 8)`` are numba types whose values are
LLVM vectors; ``+ - * /``, comparisons, ``where``, ``rsqrt`` and ``fma`` act on all lanes, numbers
mixed in are spread over them. The code is portable LLVM IR: where the hardware's vectors are
narrower, LLVM splits them. Only the first estimate of ``rsqrt`` has a form for one kind of
processor.
"""

import operator

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.extending import intrinsic
from numba.core.imputils import lower_cast
from numba.core.typeconv.castgraph import Conversion
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, models, overload, register_model

from sim.kernels.vectors.ops import fma, rsqrt, where

# Everything of "fast" except nnan and ninf: a NaN must reach the guards of the step.
LOOSE = ("reassoc", "nsz", "arcp", "contract", "afn")
I1, I32, I64 = ir.IntType(1), ir.IntType(32), ir.IntType(64)
FLOATS = {types.float32: ir.FloatType(), types.float64: ir.DoubleType()}
INTEGERS = {types.float32: I32, types.float64: I64}
LANES = {types.float32: 16, types.float64: 8}


class VectorType(types.Type):
    """A vector of ``lanes`` floats."""

    def __init__(self, dtype, lanes):
        self.dtype = dtype
        self.lanes = lanes
        super().__init__(name=f"vector({dtype}x{lanes})")

    def can_convert_from(self, typingctx, other):
        """Numbers are spread over the lanes."""
        return Conversion.safe if isinstance(other, types.Number) else None


class MaskType(types.Type):
    """The result of a comparison: one bit a lane."""

    def __init__(self, lanes):
        self.lanes = lanes
        super().__init__(name=f"mask(x{lanes})")


@register_model(VectorType)
class VectorModel(models.PrimitiveModel):
    """A vector is an LLVM vector of floats."""

    def __init__(self, dmm, fe_type):
        super().__init__(dmm, fe_type, ir.VectorType(FLOATS[fe_type.dtype], fe_type.lanes))


@register_model(MaskType)
class MaskModel(models.PrimitiveModel):
    """A mask is an LLVM vector of single bits."""

    def __init__(self, dmm, fe_type):
        super().__init__(dmm, fe_type, ir.VectorType(I1, fe_type.lanes))


def vector_of(dtype):
    """Return the vector type that kernels use for this float type."""
    return VectorType(dtype, LANES[dtype])


def spread_lanes(builder, value, lanes):
    """Return a vector with ``value`` in every lane."""
    vector = ir.VectorType(value.type, lanes)
    empty = ir.Constant(vector, ir.Undefined)
    first = builder.insert_element(empty, value, ir.Constant(I32, 0))
    zeros = ir.Constant(ir.VectorType(I32, lanes), [0] * lanes)
    return builder.shuffle_vector(first, empty, zeros)


def shuffle(builder, x, y, lanes):
    """Return the named lanes of ``x`` followed by ``y``."""
    mask = ir.Constant(ir.VectorType(I32, len(lanes)), list(lanes))
    return builder.shuffle_vector(x, y, mask)


@lower_cast(types.Number, VectorType)
def _number_to_vector(context, builder, fromty, toty, value):
    scalar = context.cast(builder, value, fromty, toty.dtype)
    return spread_lanes(builder, scalar, toty.lanes)


def _vector_among(args):
    return next((a for a in args if isinstance(a, VectorType)), None)


def _binary(operation, instruction):
    """Give vectors one arithmetic operator."""

    @infer_global(operation)
    class Template(AbstractTemplate):
        def generic(self, args, kws):
            vector = _vector_among(args)
            if vector is None or len(args) != 2:
                return None
            if any(not isinstance(a, (VectorType, types.Number)) for a in args):
                return None
            return signature(vector, vector, vector)

    @lower_builtin(operation, VectorType, VectorType)
    def lower(context, builder, sig, args):
        return getattr(builder, instruction)(*args, flags=LOOSE)


def _comparison(operation, symbol):
    """Give vectors one comparison; it is false in lanes that hold a NaN."""

    @infer_global(operation)
    class Template(AbstractTemplate):
        def generic(self, args, kws):
            vector = _vector_among(args)
            if vector is None:
                return None
            return signature(MaskType(vector.lanes), vector, vector)

    @lower_builtin(operation, VectorType, VectorType)
    def lower(context, builder, sig, args):
        return builder.fcmp_ordered(symbol, *args)


@infer_global(operator.neg)
class _Negative(AbstractTemplate):
    """Give vectors their sign operator."""

    def generic(self, args, kws):
        return signature(args[0], args[0]) if isinstance(args[0], VectorType) else None


@lower_builtin(operator.neg, VectorType)
def _negate(context, builder, sig, args):
    return builder.fneg(*args, flags=LOOSE)


for _operation, _instruction in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _binary(_operation, _instruction)
for _operation, _symbol in (
    (operator.lt, "<"),
    (operator.gt, ">"),
    (operator.le, "<="),
    (operator.ge, ">="),
):
    _comparison(_operation, _symbol)


@intrinsic
def _select(typingctx, condition, x, y):
    vector = _vector_among((x, y))
    if vector is None:
        return None

    def lower(context, builder, sig, args):
        return builder.select(*args)

    return vector(condition, vector, vector), lower


@overload(where, jit_options={"forceinline": True})
def _where_vector(condition, x, y):
    if isinstance(condition, MaskType):

        def choose(condition, x, y):
            return _select(condition, x, y)

        return choose
    return None


def call_on_vectors(builder, name, vector, *args, flags=LOOSE):
    """Call an LLVM intrinsic that maps vectors to a vector."""
    kind = "f64" if vector.element == ir.DoubleType() else "f32"
    function = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(vector, [a.type for a in args]),
        f"llvm.{name}.v{vector.count}{kind}",
    )
    return builder.call(function, args, fastmath=flags)


def _estimate(context, builder, value):
    """Return 1/sqrt(value) to 14 bits by the instruction for it, None where there is none.

    It must not be written as a root and a division here: LLVM would join these with what follows
    and do both in full.
    """
    _, _, features = context.codegen().magic_tuple()
    bits = 32 if value.type.element == ir.FloatType() else 64
    if "+avx512f" not in features or value.type.count * bits != 512:
        return None
    every = ir.IntType(value.type.count)
    function = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(value.type, [value.type, value.type, every]),
        f"llvm.x86.avx512.rsqrt14.p{'s' if bits == 32 else 'd'}.512",
    )
    nothing = ir.Constant(value.type, [0.0] * value.type.count)
    return builder.call(function, [value, nothing, ir.Constant(every, -1)])


@intrinsic
def _rsqrt_vector(typingctx, x):
    def lower(context, builder, sig, args):
        (value,) = args
        single = ir.VectorType(ir.FloatType(), x.lanes)
        one32 = ir.Constant(single, [1.0] * x.lanes)
        double = x.dtype == types.float64

        def number(c):
            return ir.Constant(value.type, [c] * x.lanes)

        def fma(a, b, c):
            return call_on_vectors(builder, "fmuladd", value.type, a, b, c)

        def mul(a, b):
            return builder.fmul(a, b, flags=LOOSE)

        y = _estimate(context, builder, value)
        if y is None and not double:
            root = call_on_vectors(builder, "sqrt", single, value)
            return builder.fdiv(one32, root, flags=LOOSE)
        terms = (0.5, 0.375, 0.3125) if double else (0.5,)
        if y is None:  # a single-precision root is several times faster than a double one
            root = call_on_vectors(builder, "sqrt", single, builder.fptrunc(value, single))
            y = builder.fpext(builder.fdiv(one32, root, flags=LOOSE), value.type)
            terms = terms[:2]
        # y (1 - e)^(-1/2) with e = 1 - value y^2, by its series: exact to the last digit or two
        e = fma(builder.fneg(mul(value, y), flags=LOOSE), y, number(1.0))
        series = number(terms[-1])
        for term in terms[-2::-1]:
            series = fma(series, e, number(term))
        return fma(mul(y, e), series, y)

    return x(x), lower


@overload(rsqrt, jit_options={"forceinline": True})
def _rsqrt_of_vector(x):
    if isinstance(x, VectorType):

        def invert(x):
            return _rsqrt_vector(x)

        return invert
    return None


@intrinsic
def _fma_vector(typingctx, x, y, z):
    def lower(context, builder, sig, args):
        return call_on_vectors(builder, "fmuladd", args[2].type, *args)

    return z(z, z, z), lower


@overload(fma, jit_options={"forceinline": True})
def _fma_of_vectors(x, y, z):
    if isinstance(z, VectorType):

        def multiply_add(x, y, z):
            return _fma_vector(x, y, z)

        return multiply_add
    return None


def element_pointer(context, builder, array_type, array, index, pointee):
    """Return a pointer to an element of an array, as one to another type."""
    data = context.make_array(array_type)(context, builder, array).data
    element = context.get_data_type(array_type.dtype)
    return builder.bitcast(builder.gep(data, [index], source_etype=element), pointee.as_pointer())


@intrinsic
def load(typingctx, array, index):
    """Load consecutive elements of a contiguous float array, one a lane."""
    vector = vector_of(array.dtype)

    def lower(context, builder, sig, args):
        element = FLOATS[array.dtype]
        llvm = ir.VectorType(element, vector.lanes)
        pointer = element_pointer(context, builder, array, args[0], args[1], llvm)
        return builder.load(pointer, typ=llvm, align=array.dtype.bitwidth // 8)

    return vector(array, types.uint64), lower


@intrinsic
def store(typingctx, array, index, value):
    """Store a vector to consecutive elements of a contiguous float array."""
    vector = vector_of(array.dtype)

    def lower(context, builder, sig, args):
        llvm = ir.VectorType(FLOATS[array.dtype], vector.lanes)
        pointer = element_pointer(context, builder, array, args[0], args[1], llvm)
        builder.store(args[2], pointer, align=array.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(array, types.uint64, vector), lower


@intrinsic
def spread(typingctx, value):
    """Return the number in every lane of the vector of its own float type."""
    vector = vector_of(value)

    def lower(context, builder, sig, args):
        return spread_lanes(builder, args[0], vector.lanes)

    return vector(value), lower


@intrinsic
def nearest(typingctx, x):
    """Return the nearest whole number in each lane, halves to even."""

    def lower(context, builder, sig, args):
        return call_on_vectors(builder, "rint", args[0].type, args[0])

    return x(x), lower


@intrinsic
def load_single(typingctx, array, index):
    """Load as many consecutive float32 as a vector of doubles has lanes, as doubles."""
    vector = vector_of(types.float64)

    def lower(context, builder, sig, args):
        single = ir.VectorType(ir.FloatType(), vector.lanes)
        pointer = element_pointer(context, builder, array, args[0], args[1], single)
        value = builder.load(pointer, typ=single, align=4)
        return builder.fpext(value, ir.VectorType(ir.DoubleType(), vector.lanes))

    return vector(array, types.uint64), lower


@intrinsic
def store_single(typingctx, array, index, value):
    """Store a vector of doubles to consecutive float32."""

    def lower(context, builder, sig, args):
        single = ir.VectorType(ir.FloatType(), value.lanes)
        pointer = element_pointer(context, builder, array, args[0], args[1], single)
        builder.store(builder.fptrunc(args[2], single), pointer, align=4)
        return context.get_dummy_value()

    return types.void(array, types.uint64, value), lower
