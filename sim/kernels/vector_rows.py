"""Reading and writing rows of eight words by vectors, one row a lane.

A table of rows holds one particle a row. ``load_rows`` reads the rows of one particle a lane and
transposes them, ``store_sums`` adds up the lanes, ``append_near`` fills the neighbour list.
"""

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.extending import intrinsic
from numba.extending import overload

from sim.kernels.vector import (
    FLOATS,
    I32,
    I64,
    INTEGERS,
    LOOSE,
    element_pointer,
    shuffle,
    spread_lanes,
    vector_of,
)

WORDS = 8


@intrinsic
def wrapped_difference(typingctx, mine, theirs):
    """Return mine - theirs of fixed-point words, as floats.

    The words count in units of (period)/2^bits, so the wrap of the integer subtraction is
    the minimum image. ``mine`` is an integer; ``theirs`` a vector as loaded by
    ``load_rows``, whose lanes hold integer bits.
    """

    def lower(context, builder, sig, args):
        integers = ir.VectorType(INTEGERS[theirs.dtype], theirs.lanes)
        first = spread_lanes(builder, args[0], theirs.lanes)
        difference = builder.sub(first, builder.bitcast(args[1], integers))
        return builder.sitofp(difference, args[1].type)

    integer = types.int32 if theirs.dtype == types.float32 else types.int64
    return theirs(integer, theirs), lower


@intrinsic
def wrapped_differences(typingctx, mine, theirs):
    """Return mine - theirs as ``wrapped_difference`` does, with a row of its own in each lane."""

    def lower(context, builder, sig, args):
        integers = ir.VectorType(INTEGERS[theirs.dtype], theirs.lanes)
        first, second = (builder.bitcast(value, integers) for value in args)
        return builder.sitofp(builder.sub(first, second), args[1].type)

    return theirs(theirs, theirs), lower


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
            result[i] = shuffle(builder, rows[i], rows[i + width], low)
            result[i + width] = shuffle(builder, rows[i], rows[i + width], high)
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
        parts = [shuffle(builder, parts[k], parts[k + 1], lanes) for k in range(0, len(parts), 2)]
    return parts[0]


def _load_rows_single(builder, base, element, places):
    """Sixteen rows of eight floats: rows l and l + 8 side by side, then a transpose."""
    rows = [_load_part(builder, base, element, place, 0, WORDS) for place in places]
    wide = [shuffle(builder, rows[k], rows[k + 8], range(16)) for k in range(WORDS)]
    return _transpose(builder, wide)


def _load_rows_double(builder, base, element, places):
    """Eight rows of eight doubles, two words at a time: half the shuffles of a transpose."""
    words = []
    for first in range(0, WORDS, 2):
        pairs = [_load_part(builder, base, element, place, first, 2) for place in places]
        even, odd = _concatenate(builder, pairs[0::2]), _concatenate(builder, pairs[1::2])
        words.append(shuffle(builder, even, odd, [0, 8, 2, 10, 4, 12, 6, 14]))
        words.append(shuffle(builder, even, odd, [1, 9, 3, 11, 5, 13, 7, 15]))
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
        words = load_words(builder, base, FLOATS[table.dtype], places)
        return context.make_tuple(builder, result, words)

    return result(table, index, types.uint64), lower


@intrinsic
def load_word(typingctx, table, index, start, word):
    """Read one word of the rows ``index[start], index[start + 1], ...``, one row a lane."""
    vector = vector_of(table.dtype)

    def lower(context, builder, sig, args):
        element = FLOATS[table.dtype]
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


@overload(word_or_own, jit_options={"forceinline": True})
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
            low = shuffle(builder, total, total, range(8))
            total = builder.fadd(low, shuffle(builder, total, total, range(8, 16)), flags=LOOSE)
        pointer = element_pointer(context, builder, out, args[0], args[1], total.type)
        builder.store(total, pointer, align=out.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(out, types.uint64, sums), lower


def _append(context, builder, out, array, at, numbers, mask):
    """Store those numbers whose lanes are set side by side; return the new end."""
    lanes = numbers.type.count
    compress = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(numbers.type, [numbers.type, mask.type, numbers.type]),
        f"llvm.experimental.vector.compress.v{lanes}i32",
    )
    nothing = ir.Constant(numbers.type, [0] * lanes)
    packed = builder.call(compress, [numbers, mask, nothing])
    pointer = element_pointer(context, builder, out, array, at, numbers.type)
    builder.store(packed, pointer, align=4)
    hits = builder.ctpop(builder.bitcast(mask, ir.IntType(lanes)))
    return builder.add(at, builder.zext(hits, I64))


@intrinsic
def append_chosen(typingctx, out, at, index, start, chosen):
    """Append to ``out`` at ``at`` the elements of ``index`` from ``start`` that a mask chooses.

    Returns the new end; up to as many elements beyond it as there are lanes are overwritten.
    """

    def lower(context, builder, sig, args):
        numbers_type = ir.VectorType(I32, chosen.lanes)
        pointer = element_pointer(context, builder, index, args[2], args[3], numbers_type)
        numbers = builder.load(pointer, typ=numbers_type, align=4)
        return _append(context, builder, out, args[0], args[1], numbers, args[4])

    return types.uint64(out, types.uint64, index, types.uint64, chosen), lower


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
            pointer = element_pointer(
                context, builder, sig.args[position], args[position], args[6], llvm
            )
            return builder.load(pointer, typ=llvm, align=4)

        numbers = read(2, numbers_type)
        r2 = None
        for axis in range(3):
            gap = builder.fsub(
                read(3 + axis, floats), spread_lanes(builder, args[7 + axis], lanes), flags=LOOSE
            )
            square = builder.fmul(gap, gap, flags=LOOSE)
            r2 = square if r2 is None else builder.fadd(r2, square, flags=LOOSE)
        near = builder.fcmp_ordered("<", r2, spread_lanes(builder, args[10], lanes))
        other = builder.icmp_unsigned("!=", numbers, spread_lanes(builder, args[11], lanes))
        mask = builder.and_(near, other)
        return _append(context, builder, out, args[0], args[1], numbers, mask)

    number, real = types.uint64, types.float32
    sig = number(out, number, index, xs, ys, zs, number, real, real, real, real, types.uint32)
    return sig, lower
