"""Filling lists of neighbours by vectors: the near ones of a vector side by side."""

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.extending import intrinsic

from sim.kernels.vectors.types import I32, I64, LOOSE, element_pointer, spread_lanes


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
def copy_rows(typingctx, out, at, numbers, start):
    """Write ``numbers[start:start + 16]`` to ``out[at:at + 16]``."""

    def lower(context, builder, sig, args):
        kind = ir.VectorType(I32, 16)
        pointer = element_pointer(context, builder, numbers, args[2], args[3], kind)
        places = builder.load(pointer, typ=kind, align=4)
        pointer = element_pointer(context, builder, out, args[0], args[1], kind)
        builder.store(places, pointer, align=4)
        return context.get_dummy_value()

    return types.void(out, types.uint64, numbers, types.uint64), lower


@intrinsic
def fill_rows(typingctx, out, at, number):
    """Write a number to ``out[at:at + 16]``."""

    def lower(context, builder, sig, args):
        kind = ir.VectorType(I32, 16)
        pointer = element_pointer(context, builder, out, args[0], args[1], kind)
        builder.store(spread_lanes(builder, args[2], 16), pointer, align=4)
        return context.get_dummy_value()

    return types.void(out, types.uint64, types.uint32), lower


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
def append_near(
    typingctx, close, closes, others, found, index, xs, ys, zs, start, x, y, z, touch2, reach2, me
):
    """Append those of 16 candidates that are near and not ``me`` to two lists.

    Candidates ``start .. start + 15`` have float32 coordinates in ``xs, ys, zs`` and numbers
    in ``index``. Those closer than the root of ``touch2`` go to ``close`` at ``closes``, others
    closer than that of ``reach2`` to ``others`` at ``found``. Returns the two new ends; up to 16
    elements beyond them are overwritten.
    """
    lanes = 16

    def lower(context, builder, sig, args):
        numbers_type = ir.VectorType(I32, lanes)
        floats = ir.VectorType(ir.FloatType(), lanes)

        def read(position, llvm):
            pointer = element_pointer(
                context, builder, sig.args[position], args[position], args[8], llvm
            )
            return builder.load(pointer, typ=llvm, align=4)

        numbers = read(4, numbers_type)
        r2 = None
        for axis in range(3):
            gap = builder.fsub(
                read(5 + axis, floats), spread_lanes(builder, args[9 + axis], lanes), flags=LOOSE
            )
            square = builder.fmul(gap, gap, flags=LOOSE)
            r2 = square if r2 is None else builder.fadd(r2, square, flags=LOOSE)
        touching, near = (
            builder.fcmp_ordered("<", r2, spread_lanes(builder, args[k], lanes)) for k in (12, 13)
        )
        other = builder.icmp_unsigned("!=", numbers, spread_lanes(builder, args[14], lanes))
        apart = builder.and_(near, builder.not_(touching))
        end = _append(context, builder, others, args[2], args[3], numbers, apart)
        # few of all candidates may touch: most often there is nothing to append
        touching = builder.and_(touching, other)
        bits = builder.bitcast(touching, ir.IntType(lanes))
        before = builder.block
        with builder.if_then(builder.icmp_unsigned("!=", bits, bits.type(0)), likely=False):
            longer = _append(context, builder, close, args[0], args[1], numbers, touching)
            inside = builder.block
        close_end = builder.phi(I64)
        close_end.add_incoming(args[1], before)
        close_end.add_incoming(longer, inside)
        ends = [close_end, end]
        return context.make_tuple(builder, sig.return_type, ends)

    number, real = types.uint64, types.float32
    sig = types.UniTuple(number, 2)(
        close, number, others, number, index, xs, ys, zs, number,
        real, real, real, real, real, types.uint32,
    )  # fmt: skip
    return sig, lower
