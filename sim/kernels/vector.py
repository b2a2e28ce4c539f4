"""A vector of floats inside compiled code: a law written as a formula runs on all lanes.

``VectorType(float32, 16)`` and ``VectorType(float64, 8)`` are numba types whose values are
LLVM vectors; ``+ - * /``, comparisons, ``where`` and ``rsqrt`` act on all lanes, numbers
mixed in are spread over them. The code is portable LLVM IR without instructions of one
processor: where the hardware's vectors are narrower, LLVM splits them.

Rows: a table of rows of eight words holds one particle a row; ``load_rows`` reads the rows
of one particle per lane and transposes them, ``store_sums`` adds up the lanes.
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

from sim.kernels.words import rsqrt, where

# Everything of "fast" except nnan and ninf: a NaN must reach the guards of the step.
LOOSE = ("reassoc", "nsz", "arcp", "contract", "afn")
I1, I32, I64 = ir.IntType(1), ir.IntType(32), ir.IntType(64)
_FLOAT = {types.float32: ir.FloatType(), types.float64: ir.DoubleType()}
_INTEGER = {types.float32: I32, types.float64: I64}
LANES = {types.float32: 16, types.float64: 8}
WORDS = 8


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
        super().__init__(dmm, fe_type, ir.VectorType(_FLOAT[fe_type.dtype], fe_type.lanes))


@register_model(MaskType)
class MaskModel(models.PrimitiveModel):
    """A mask is an LLVM vector of single bits."""

    def __init__(self, dmm, fe_type):
        super().__init__(dmm, fe_type, ir.VectorType(I1, fe_type.lanes))


def vector_of(dtype):
    """Return the vector type that kernels use for this float type."""
    return VectorType(dtype, LANES[dtype])


def _spread(builder, value, lanes):
    """Return a vector with ``value`` in every lane."""
    vector = ir.VectorType(value.type, lanes)
    empty = ir.Constant(vector, ir.Undefined)
    first = builder.insert_element(empty, value, ir.Constant(I32, 0))
    zeros = ir.Constant(ir.VectorType(I32, lanes), [0] * lanes)
    return builder.shuffle_vector(first, empty, zeros)


def _shuffle(builder, x, y, lanes):
    """Return the named lanes of ``x`` followed by ``y``."""
    mask = ir.Constant(ir.VectorType(I32, len(lanes)), list(lanes))
    return builder.shuffle_vector(x, y, mask)


@lower_cast(types.Number, VectorType)
def _number_to_vector(context, builder, fromty, toty, value):
    scalar = context.cast(builder, value, fromty, toty.dtype)
    return _spread(builder, scalar, toty.lanes)


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


@overload(where)
def _where_vector(condition, x, y):
    if isinstance(condition, MaskType):

        def choose(condition, x, y):
            return _select(condition, x, y)

        return choose
    return None


def _call(builder, name, vector, *args, flags=LOOSE):
    """Call an LLVM intrinsic that maps vectors to a vector."""
    kind = "f64" if vector.element == ir.DoubleType() else "f32"
    function = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(vector, [a.type for a in args]),
        f"llvm.{name}.v{vector.count}{kind}",
    )
    return builder.call(function, args, fastmath=flags)


@intrinsic
def _rsqrt_vector(typingctx, x):
    def lower(context, builder, sig, args):
        (value,) = args
        single = ir.VectorType(ir.FloatType(), x.lanes)
        one32 = ir.Constant(single, [1.0] * x.lanes)
        if x.dtype == types.float32:
            root = _call(builder, "sqrt", single, value)
            return builder.fdiv(one32, root, flags=LOOSE)
        # A single-precision estimate and one third-order step: exact to the last digit or two,
        # several times faster than a double-precision root and division.
        double = value.type
        number = lambda c: ir.Constant(double, [c] * x.lanes)  # noqa: E731
        root = _call(builder, "sqrt", single, builder.fptrunc(value, single))
        y = builder.fpext(builder.fdiv(one32, root, flags=LOOSE), double)
        mul = lambda a, b: builder.fmul(a, b, flags=LOOSE)  # noqa: E731
        add = lambda a, b: builder.fadd(a, b, flags=LOOSE)  # noqa: E731
        error = builder.fsub(number(1.0), mul(mul(value, y), y), flags=LOOSE)
        return add(y, mul(mul(y, error), add(number(0.5), mul(number(0.375), error))))

    return x(x), lower


@overload(rsqrt)
def _rsqrt_of_vector(x):
    if isinstance(x, VectorType):

        def invert(x):
            return _rsqrt_vector(x)

        return invert
    return None


def _element_pointer(context, builder, array_type, array, index, pointee):
    data = context.make_array(array_type)(context, builder, array).data
    element = context.get_data_type(array_type.dtype)
    return builder.bitcast(builder.gep(data, [index], source_etype=element), pointee.as_pointer())


@intrinsic
def load(typingctx, array, index):
    """Load consecutive elements of a contiguous float array, one a lane."""
    vector = vector_of(array.dtype)

    def lower(context, builder, sig, args):
        element = _FLOAT[array.dtype]
        llvm = ir.VectorType(element, vector.lanes)
        pointer = _element_pointer(context, builder, array, args[0], args[1], llvm)
        return builder.load(pointer, typ=llvm, align=array.dtype.bitwidth // 8)

    return vector(array, types.uint64), lower


@intrinsic
def store(typingctx, array, index, value):
    """Store a vector to consecutive elements of a contiguous float array."""
    vector = vector_of(array.dtype)

    def lower(context, builder, sig, args):
        llvm = ir.VectorType(_FLOAT[array.dtype], vector.lanes)
        pointer = _element_pointer(context, builder, array, args[0], args[1], llvm)
        builder.store(args[2], pointer, align=array.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(array, types.uint64, vector), lower


@intrinsic
def spread(typingctx, value):
    """Return the number in every lane of the vector of its own float type."""
    vector = vector_of(value)

    def lower(context, builder, sig, args):
        return _spread(builder, args[0], vector.lanes)

    return vector(value), lower


@intrinsic
def nearest(typingctx, x):
    """Return the nearest whole number in each lane, halves to even."""

    def lower(context, builder, sig, args):
        return _call(builder, "rint", args[0].type, args[0])

    return x(x), lower


@intrinsic
def wrapped_difference(typingctx, mine, theirs):
    """Return mine - theirs of fixed-point words, as floats.

    The words count in units of (period)/2^bits, so the wrap of the integer subtraction is
    the minimum image. ``mine`` is an integer; ``theirs`` a vector as loaded by
    ``load_rows``, whose lanes hold integer bits.
    """

    def lower(context, builder, sig, args):
        integers = ir.VectorType(_INTEGER[theirs.dtype], theirs.lanes)
        first = _spread(builder, args[0], theirs.lanes)
        difference = builder.sub(first, builder.bitcast(args[1], integers))
        return builder.sitofp(difference, args[1].type)

    integer = types.int32 if theirs.dtype == types.float32 else types.int64
    return theirs(integer, theirs), lower


def _pair_up(builder, rows, width):
    """One round of a transpose: interleave runs of ``width`` lanes of neighbouring rows."""
    lanes = rows[0].type.count
    low = [
        source * lanes + base + k
        for base in range(0, lanes, 2 * width)
        for source in (0, 1)
        for k in range(width)
    ]
    high = [lane + width for lane in low]
    result = list(rows)
    for i in range(len(rows)):
        if i & width == 0:
            result[i] = _shuffle(builder, rows[i], rows[i + width], low)
            result[i + width] = _shuffle(builder, rows[i], rows[i + width], high)
    return result


def _transpose(builder, rows):
    """Return eight vectors of words from rows of eight words (8 rows, or 16 as 8 double rows)."""
    for width in (1, 2, 4):
        rows = _pair_up(builder, rows, width)
    return rows


def _load_part(builder, base, element, place, first, width):
    """Load ``width`` consecutive words of a row."""
    at = builder.add(place, ir.Constant(I64, first))
    part = ir.VectorType(element, width)
    pointer = builder.bitcast(builder.gep(base, [at], source_etype=element), part.as_pointer())
    return builder.load(pointer, typ=part, align=4)


def _concatenate(builder, parts):
    """Return the parts one after the other as one vector."""
    while len(parts) > 1:
        lanes = range(2 * parts[0].type.count)
        parts = [_shuffle(builder, parts[k], parts[k + 1], lanes) for k in range(0, len(parts), 2)]
    return parts[0]


def _load_rows_single(builder, base, element, places):
    """Sixteen rows of eight floats: rows l and l + 8 side by side, then a transpose."""
    rows = [_load_part(builder, base, element, place, 0, WORDS) for place in places]
    wide = [_shuffle(builder, rows[k], rows[k + 8], range(16)) for k in range(WORDS)]
    return _transpose(builder, wide)


def _load_rows_double(builder, base, element, places):
    """Eight rows of eight doubles, two words at a time: half the shuffles of a transpose."""
    words = []
    for first in range(0, WORDS, 2):
        pairs = [_load_part(builder, base, element, place, first, 2) for place in places]
        even, odd = _concatenate(builder, pairs[0::2]), _concatenate(builder, pairs[1::2])
        words.append(_shuffle(builder, even, odd, [0, 8, 2, 10, 4, 12, 6, 14]))
        words.append(_shuffle(builder, even, odd, [1, 9, 3, 11, 5, 13, 7, 15]))
    return words


def _row_places(context, builder, table, index, args, lanes):
    """Return where each lane's row starts in the table."""
    numbers = context.make_array(index)(context, builder, args[1]).data
    places = []
    for lane in range(lanes):
        at = builder.add(args[2], ir.Constant(I64, lane))
        number = builder.load(builder.gep(numbers, [at], source_etype=I32), typ=I32)
        places.append(builder.zext(number, I64))
    return places


@intrinsic
def load_rows(typingctx, table, index, start):
    """Read rows ``index[start], index[start + 1], ...``, one a lane, as eight vectors of words.

    ``table`` is the flat array of rows of eight words, ``index`` a uint32 array that holds
    row numbers times eight. Words that are not used cost nothing: the compiler drops them.
    """
    vector = vector_of(table.dtype)
    result = types.UniTuple(vector, WORDS)

    def lower(context, builder, sig, args):
        base = context.make_array(table)(context, builder, args[0]).data
        places = _row_places(context, builder, table, index, args, vector.lanes)
        load_words = _load_rows_double if table.dtype == types.float64 else _load_rows_single
        words = load_words(builder, base, _FLOAT[table.dtype], places)
        return context.make_tuple(builder, result, words)

    return result(table, index, types.uint64), lower


@intrinsic
def load_word(typingctx, table, index, start, word):
    """Read one word of the rows ``index[start], index[start + 1], ...``, one row a lane."""
    vector = vector_of(table.dtype)

    def lower(context, builder, sig, args):
        element = _FLOAT[table.dtype]
        base = context.make_array(table)(context, builder, args[0]).data
        value = ir.Constant(ir.VectorType(element, vector.lanes), ir.Undefined)
        places = _row_places(context, builder, table, index, args, vector.lanes)
        for lane, place in enumerate(places):
            at = builder.gep(base, [builder.add(place, args[3])], source_etype=element)
            number = builder.load(at, typ=element)
            value = builder.insert_element(value, number, ir.Constant(I32, lane))
        return value

    return vector(table, index, types.uint64, types.uint64), lower


def word_or_own(table, index, start, word, loaded, own, same):
    """Return a word of the rows: as loaded with them, or ``own`` where all have the same.

    In single precision the transpose brings every word anyway; in double precision a word that
    all rows share saves a sixth of the loop.
    """
    raise TypeError


@overload(word_or_own)
def _word_or_own(table, index, start, word, loaded, own, same):
    if table.dtype == types.float32:

        def as_loaded(table, index, start, word, loaded, own, same):
            return loaded

        return as_loaded

    def on_demand(table, index, start, word, loaded, own, same):
        return own if same else load_word(table, index, start, word)

    return on_demand


@intrinsic
def store_sums(typingctx, out, start, sums):
    """Add up the lanes of each of eight vectors and store the sums at ``out[start:start + 8]``."""

    def lower(context, builder, sig, args):
        vectors = [builder.extract_value(args[2], k) for k in range(WORDS)]
        rows = _transpose(builder, vectors)  # now lane k holds partial sums of vector k
        total = rows
        while len(total) > 1:
            half = len(total) // 2
            total = [builder.fadd(total[k], total[k + half], flags=LOOSE) for k in range(half)]
        (total,) = total
        if total.type.count == 2 * WORDS:
            low = _shuffle(builder, total, total, range(8))
            total = builder.fadd(low, _shuffle(builder, total, total, range(8, 16)), flags=LOOSE)
        pointer = _element_pointer(context, builder, out, args[0], args[1], total.type)
        builder.store(total, pointer, align=out.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(out, types.uint64, sums), lower


@intrinsic
def append_near(typingctx, out, at, index, xs, ys, zs, start, x, y, z, reach2, me):
    """Append to ``out`` at ``at`` those of 16 candidates that are near and not ``me``.

    Candidates ``start .. start + 15`` have float32 coordinates in ``xs, ys, zs`` and numbers
    in ``index``. Returns the new end; up to 16 elements beyond it are overwritten.
    """
    lanes = 16

    def lower(context, builder, sig, args):
        numbers_type = ir.VectorType(I32, lanes)
        floats = ir.VectorType(ir.FloatType(), lanes)

        def read(position, llvm):
            pointer = _element_pointer(
                context, builder, sig.args[position], args[position], args[6], llvm
            )
            return builder.load(pointer, typ=llvm, align=4)

        numbers = read(2, numbers_type)
        r2 = None
        for axis in range(3):
            gap = builder.fsub(
                read(3 + axis, floats), _spread(builder, args[7 + axis], lanes), flags=LOOSE
            )
            square = builder.fmul(gap, gap, flags=LOOSE)
            r2 = square if r2 is None else builder.fadd(r2, square, flags=LOOSE)
        near = builder.fcmp_ordered("<", r2, _spread(builder, args[10], lanes))
        other = builder.icmp_unsigned("!=", numbers, _spread(builder, args[11], lanes))
        mask = builder.and_(near, other)
        compress = cgutils.get_or_insert_function(
            builder.module,
            ir.FunctionType(numbers_type, [numbers_type, mask.type, numbers_type]),
            f"llvm.experimental.vector.compress.v{lanes}i32",
        )
        nothing = ir.Constant(numbers_type, [0] * lanes)
        packed = builder.call(compress, [numbers, mask, nothing])
        pointer = _element_pointer(context, builder, out, args[0], args[1], numbers_type)
        builder.store(packed, pointer, align=4)
        hits = builder.ctpop(builder.bitcast(mask, ir.IntType(lanes)))
        return builder.add(args[1], builder.zext(hits, I64))

    number, real = types.uint64, types.float32
    sig = number(out, number, index, xs, ys, zs, number, real, real, real, real, types.uint32)
    return sig, lower
