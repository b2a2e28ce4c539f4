"""Reading and writing rows of eight words by vectors, one row a lane.

A table holds one particle per row. ``load_rows`` reads the rows of one particle per lane and
transposes them, ``store_rows`` writes such rows, ``store_sums`` adds up the lanes.
"""

from llvmlite import ir
from numba import types
from numba.core.extending import intrinsic

from sim.kernels.vectors.types import (
    FLOATS,
    I32,
    I64,
    INTEGERS,
    LOOSE,
    VectorType,
    call_on_vectors,
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
    the minimum image. ``theirs`` is a vector as loaded by ``load_rows``, whose lanes hold
    integer bits; ``mine`` is an integer, or such a vector too.
    """
    one_for_all = isinstance(mine, types.Integer)

    def lower(context, builder, sig, args):
        integers = ir.VectorType(INTEGERS[theirs.dtype], theirs.lanes)
        if one_for_all:
            first = spread_lanes(builder, args[0], theirs.lanes)
        else:
            first = builder.bitcast(args[0], integers)
        difference = builder.sub(first, builder.bitcast(args[1], integers))
        return builder.sitofp(difference, args[1].type)

    integer = types.int32 if theirs.dtype == types.float32 else types.int64
    return theirs(integer if one_for_all else theirs, theirs), lower


# Shuffles within quarters of a vector, and of whole quarters, are those that processors do at
# once: a quarter is 128 bits, four floats or two doubles.
def _interleave(builder, x, y, width, half):
    """Interleave runs of ``width`` words of one half of each quarter of ``x`` and ``y``."""
    lanes = x.type.count
    quarter = lanes // 4
    begin = half * quarter // 2
    picked = [
        source * lanes + base + begin + run + k
        for base in range(0, lanes, quarter)
        for run in range(0, quarter // 2, width)
        for source in (0, 1)
        for k in range(width)
    ]
    return shuffle(builder, x, y, picked)


def _every_other_quarter(builder, x, y, first):
    """Return quarters ``first`` and ``first + 2`` of ``x``, then of ``y``."""
    lanes = x.type.count
    quarter = lanes // 4
    picked = [
        source * lanes + place * quarter + k
        for source in (0, 1)
        for place in (first, first + 2)
        for k in range(quarter)
    ]
    return shuffle(builder, x, y, picked)


def _load_part(builder, base, element, place, first, width):
    """Load ``width`` consecutive words of a row."""
    at = builder.add(place, ir.Constant(I64, first))
    part = ir.VectorType(element, width)
    pointer = builder.bitcast(builder.gep(base, [at], source_etype=element), part.as_pointer())
    return builder.load(pointer, typ=part, align=4)


def _load_rows_single(builder, base, element, places):
    """Sixteen rows of eight floats: two rows side by side in a vector, then a transpose.

    The order of the rows is such that the words end up in it.
    """
    rows = [_load_part(builder, base, element, place, 0, WORDS) for place in places]
    halves = []
    for first in (0, 8):
        wide = [shuffle(builder, rows[k], rows[k + 4], range(16)) for k in range(first, first + 4)]
        words = []
        for half in (0, 1):
            left = _interleave(builder, wide[0], wide[1], 1, half)
            right = _interleave(builder, wide[2], wide[3], 1, half)
            words += [_interleave(builder, left, right, 2, part) for part in (0, 1)]
        halves.append(words)
    return [
        _every_other_quarter(builder, low, high, first)
        for first in (0, 1)
        for low, high in zip(*halves, strict=True)
    ]


def _load_rows_double(builder, base, element, places):
    """Eight rows of eight doubles, half a row at a time, as the single ones."""
    words = []
    for begin in (0, 4):
        rows = [_load_part(builder, base, element, place, begin, 4) for place in places]
        wide = [shuffle(builder, rows[k], rows[k + 2], range(8)) for k in (0, 1, 4, 5)]
        pairs = [
            [_interleave(builder, wide[k], wide[k + 1], 1, half) for k in (0, 2)] for half in (0, 1)
        ]
        words += [
            _every_other_quarter(builder, *pairs[half], first)
            for first in (0, 1)
            for half in (0, 1)
        ]
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
def load_for(typingctx, rows, array, index):
    """Load consecutive doubles, one for each lane of the vectors of these rows."""
    vector = VectorType(types.float64, vector_of(rows.dtype).lanes)

    def lower(context, builder, sig, args):
        llvm = ir.VectorType(ir.DoubleType(), vector.lanes)
        pointer = element_pointer(context, builder, array, args[1], args[2], llvm)
        return builder.load(pointer, typ=llvm, align=8)

    return vector(rows, array, types.uint64), lower


@intrinsic
def as_words(typingctx, rows, value):
    """Return doubles of ``load_for`` in the float type of the rows."""
    vector = vector_of(rows.dtype)

    def lower(context, builder, sig, args):
        if vector.dtype == types.float64:
            return args[1]
        return builder.fptrunc(args[1], ir.VectorType(ir.FloatType(), vector.lanes))

    return vector(rows, value), lower


@intrinsic
def as_fixed_point(typingctx, rows, value, inverse):
    """Return doubles of ``load_for`` as fixed-point words, for the inverse of a period.

    The share of the period brought into [-1/2, 1/2), times 2^bits. Arithmetic is strict, so that
    every kernel finds the same bits.
    """
    vector = vector_of(rows.dtype)
    bits = rows.dtype.bitwidth

    def lower(context, builder, sig, args):
        double = args[1].type

        def number(c):
            return ir.Constant(double, [c] * vector.lanes)

        part = builder.fmul(args[1], spread_lanes(builder, args[2], vector.lanes))
        part = builder.fsub(part, call_on_vectors(builder, "rint", double, part, flags=()))
        inside = builder.fcmp_ordered("<", part, number(0.5))
        part = builder.select(inside, part, number(-0.49999999999999994))
        integers = ir.VectorType(INTEGERS[rows.dtype], vector.lanes)
        whole = builder.fptosi(builder.fmul(part, number(2.0**bits)), integers)
        return builder.bitcast(whole, ir.VectorType(FLOATS[rows.dtype], vector.lanes))

    return vector(rows, value, types.float64), lower


def _transpose_quarters(builder, vectors):
    """Return four vectors: the first quarters of all four, the second ones, and so on."""
    lanes = vectors[0].type.count
    result = []
    for half in (0, 1):
        picked = [
            source * lanes + half * lanes // 2 + k for source in (0, 1) for k in range(lanes // 2)
        ]
        left, right = (shuffle(builder, *vectors[k : k + 2], picked) for k in (0, 2))
        result += [_every_other_quarter(builder, left, right, first) for first in (0, 1)]
    return result


def _rows_of_single(builder, words):
    """Return 16 rows of eight floats, two per vector, from eight vectors of words."""
    halves = []
    for first in (0, 4):
        rows = []
        for half in (0, 1):
            left, right = (
                _interleave(builder, words[k], words[k + 1], 1, half) for k in (first, first + 2)
            )
            rows += [_interleave(builder, left, right, 2, part) for part in (0, 1)]
        halves.append(rows)  # quarter q of number r: half the row 4 q + r
    low, high = halves
    found = [
        _transpose_quarters(builder, [low[r], high[r], low[r + 1], high[r + 1]]) for r in (0, 2)
    ]
    return [found[r][q] for q in range(4) for r in (0, 1)]


def _rows_of_double(builder, words):
    """Return eight rows of eight doubles, one a vector, from eight vectors of words."""
    found = [
        _transpose_quarters(
            builder,
            [_interleave(builder, words[k], words[k + 1], 1, half) for k in range(0, WORDS, 2)],
        )
        for half in (0, 1)
    ]
    return [found[half][q] for q in range(4) for half in (0, 1)]


@intrinsic
def store_rows(typingctx, rows, start, words):
    """Write as many rows as a vector has lanes at ``rows[start:]`` from eight vectors of words."""

    def lower(context, builder, sig, args):
        vectors = [builder.extract_value(args[2], k) for k in range(WORDS)]
        single = rows.dtype == types.float32
        found = (_rows_of_single if single else _rows_of_double)(builder, vectors)
        for k, value in enumerate(found):
            at = builder.add(args[1], ir.Constant(I64, k * value.type.count))
            pointer = element_pointer(context, builder, rows, args[0], at, value.type)
            builder.store(value, pointer, align=rows.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(rows, types.uint64, words), lower


def _sum_halves(builder, x, y, width):
    """Return sums of the two halves of each quarter, those of ``x`` and ``y`` interleaved."""
    halves = [_interleave(builder, x, y, width, half) for half in (0, 1)]
    return builder.fadd(*halves, flags=LOOSE)


def _sum_quarters(builder, x, y):
    """Return sums of neighbouring quarters: two of ``x``, then two of ``y``."""
    quarters = [_every_other_quarter(builder, x, y, first) for first in (0, 1)]
    return builder.fadd(*quarters, flags=LOOSE)


@intrinsic
def store_sums(typingctx, out, start, sums):
    """Add up the lanes of each of eight vectors and store the sums at ``out[start:start + 8]``."""

    def lower(context, builder, sig, args):
        parts = [builder.extract_value(args[2], k) for k in range(WORDS)]
        lanes = parts[0].type.count
        width = 1
        while width <= lanes // 8:  # until a quarter holds one sum of each vector
            parts = [
                _sum_halves(builder, parts[k], parts[k + 1], width) for k in range(0, len(parts), 2)
            ]
            width *= 2
        while len(parts) > 1:
            parts = [_sum_quarters(builder, *parts[k : k + 2]) for k in range(0, len(parts), 2)]
        (total,) = parts
        if lanes == 2 * WORDS:
            low, high = (
                shuffle(builder, total, total, [*range(k, k + 4), *range(k + 8, k + 12)])
                for k in (0, 4)
            )
            total = builder.fadd(low, high, flags=LOOSE)
        pointer = element_pointer(context, builder, out, args[0], args[1], total.type)
        builder.store(total, pointer, align=out.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(out, types.uint64, sums), lower
