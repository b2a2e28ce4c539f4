"""One film of a batch: the arrays of all films, seen from the place of one, without a copy.

A batch lies in memory as one film does, with an axis of films before all others. A thread takes the
slices of its film and sees the named tuple of one film, so that no kernel knows of batches.
"""

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from sim.kernels.card.layout import Shared
from sim.kernels.vectors.types import I64


def _member_type(batch):
    """Return the type of one film's part of arrays, numbers and tuples of them."""
    if isinstance(batch, types.Array):
        return batch.dtype if batch.ndim == 1 else batch.copy(ndim=batch.ndim - 1)
    if isinstance(batch, types.BaseNamedTuple):
        if batch.instance_class is Shared:
            return batch.types[0]
        return types.BaseTuple.from_types(
            [_member_type(part) for part in batch.types], batch.instance_class
        )
    return batch


def _slice(context, builder, kind, array, film):
    """Return the array of one film, or its number where films have one each."""
    whole = context.make_helper(builder, kind, value=array)
    strides = cgutils.unpack_tuple(builder, whole.strides, kind.ndim)
    shape = cgutils.unpack_tuple(builder, whole.shape, kind.ndim)
    element = context.get_data_type(kind.dtype)
    size = ir.Constant(I64, context.get_abi_sizeof(element))
    place = builder.mul(film, builder.sdiv(strides[0], size))
    data = builder.gep(whole.data, [place], source_etype=element)
    if kind.ndim == 1:
        return context.unpack_value(builder, kind.dtype, data)
    part = context.make_helper(builder, _member_type(kind))
    part.meminfo, part.parent, part.itemsize = whole.meminfo, whole.parent, whole.itemsize
    part.nitems = builder.sdiv(whole.nitems, shape[0])
    part.data = data
    part.shape = cgutils.pack_array(builder, shape[1:], ty=I64)
    part.strides = cgutils.pack_array(builder, strides[1:], ty=I64)
    return part._getvalue()


def _take(context, builder, kind, value, film):
    """Return one film's part of a value."""
    if isinstance(kind, types.Array):
        return _slice(context, builder, kind, value, film)
    if isinstance(kind, types.BaseNamedTuple):
        parts = [
            _take(context, builder, one, builder.extract_value(value, k), film)
            for k, one in enumerate(kind.types)
        ]
        if kind.instance_class is Shared:
            return builder.extract_value(value, 0)
        return context.make_tuple(builder, _member_type(kind), parts)
    return value


@intrinsic
def member(typingctx, batch, film):
    """Return one film of a batch; arrays without other axes become its number."""

    def lower(context, builder, sig, args):
        return _take(context, builder, batch, args[0], args[1])

    return _member_type(batch)(batch, types.int64), lower
