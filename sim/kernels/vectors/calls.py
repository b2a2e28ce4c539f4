"""Kernels: one piece of machine code each, called by address on one block of a film at a time.

numba copies what a compiled function calls into each caller. Arithmetic that may be reordered
then rounds a little differently in each copy, and which copy runs depends on what was compiled
and what was loaded from the cache. A kernel is compiled once for a type of film, as a function
with C's calling convention, and whoever needs it calls that one by its address, through one
parallel loop. What a kernel itself calls is inlined in it. Nothing is copied, so that compiling
is short, too.

A film is a named tuple of arrays, numbers, None and further named tuples. A kernel has the form
``kernel(block, film)`` and reads fields of the film (``film.slots.x``). It writes nothing that
another block of the same call reads.

In memory a film is a table of the addresses of its fields. A kernel is compiled for the fields
that its text names: films that differ in others share its machine code.
"""

import ctypes
import functools
import struct

import numba
import numpy as np
from llvmlite import ir
from numba import cfunc, njit, prange, types
from numba.core.extending import intrinsic
from numba.core.registry import cpu_target
from numba.core.typing.templates import AttributeTemplate, infer_getattr
from numba.extending import lower_getattr_generic, models, register_model
from numba.np.numpy_support import as_dtype

__all__ = ["Kernel", "Packed", "address_of", "call", "get_thread_id", "kernel", "on_blocks"]

get_thread_id = numba.get_thread_id  # type: ignore[attr-defined]

I32, I64 = ir.IntType(32), ir.IntType(64)
ADDRESS = ir.IntType(8).as_pointer()
ALL = "*"  # as a name: all fields of a film
ALIGNED = 16  # bytes that fields begin at multiples of
C_CALL = ctypes.CFUNCTYPE(None, ctypes.c_int64, ctypes.c_void_p)


class FilmType(types.Type):
    """A film as it lies in memory; fields are read where they are asked for.

    Parameters
    ----------
    fields : tuple of (str, int, numba type)
        Those that are known: name, place in the table, type.
    """

    def __init__(self, fields):
        self.fields = fields
        told = ", ".join(f"{name} {place}: {kind}" for name, place, kind in fields)
        super().__init__(name=f"film({told})")

    def field(self, name):
        """Return place and type of a field, None if it is not known."""
        return next((it[1:] for it in self.fields if it[0] == name), None)

    def seen_by(self, names):
        """Return the film with the fields of these names alone."""
        if ALL in names:
            return self
        return FilmType(tuple(it for it in self.fields if it[0] in names))


def film_type(content):
    """Return the type of a film with all fields of a named tuple."""
    kind = numba.typeof(content)
    return FilmType(tuple(zip(kind.fields, range(len(kind.fields)), kind.types, strict=True)))


def _names_in(function, seen):
    """Collect the names in the text of a function and of the compiled ones that it calls.

    One that is not inlined and takes a film is compiled for the film as its caller sees it: so that
    kernels share it, they see `ALL`.
    """
    inline = getattr(function, "targetoptions", {"inline": "always"}).get("inline")
    function = getattr(function, "py_func", function)
    code = getattr(function, "__code__", None)
    if code is None or code in seen:
        return set()
    seen.add(code)
    names = set(code.co_names)
    if inline != "always" and "film" in code.co_varnames[: code.co_argcount]:
        names.add(ALL)
    called = [function.__globals__.get(name) for name in code.co_names]
    modules = [it for it in called if isinstance(it, type(np)) and it is not np]
    called += [getattr(it, name, None) for it in modules for name in code.co_names]
    called += [cell.cell_contents for cell in function.__closure__ or ()]
    for it in called:
        names |= _names_in(it, seen)
    return names


@register_model(FilmType)
class FilmModel(models.PrimitiveModel):
    """A film is known by its address."""

    def __init__(self, dmm, fe_type):
        super().__init__(dmm, fe_type, ADDRESS)


@infer_getattr
class FilmFields(AttributeTemplate):
    """The fields of a film are those of its named tuple."""

    key = FilmType

    def generic_resolve(self, film, name):
        """Return the type of a field."""
        found = film.field(name)
        return found and found[1]


def _member(builder, pointer, llvm, index):
    """Return a pointer to a member of a structure, and its type."""
    kind = llvm.elements[index] if isinstance(llvm, ir.LiteralStructType) else llvm.element
    place = builder.gep(
        pointer, [ir.Constant(I32, 0), ir.Constant(I32, index)], inbounds=True, source_etype=llvm
    )
    return builder.bitcast(place, kind.as_pointer()), kind


def _read(context, builder, kind, pointer):
    """Load a value part by part, so that the compiler drops what is not used.

    That arrays have no owner is said as a constant, so that none is counted.
    """
    llvm = context.get_value_type(kind)
    if isinstance(kind, types.BaseTuple):
        parts = [
            _read(context, builder, part, _member(builder, pointer, llvm, k)[0])
            for k, part in enumerate(kind.types)
        ]
        return context.make_tuple(builder, kind, parts)
    value = _load(builder, pointer, llvm)
    if isinstance(kind, types.Array):
        for k in range(2):
            value = builder.insert_value(value, ir.Constant(llvm.elements[k], None), k)
    return value


def _load(builder, pointer, llvm):
    """Load a structure element by element."""
    if not isinstance(llvm, ir.LiteralStructType | ir.ArrayType):
        return builder.load(pointer, typ=llvm)
    value = ir.Constant(llvm, ir.Undefined)
    for k in range(len(llvm)):
        part = _load(builder, *_member(builder, pointer, llvm, k))
        value = builder.insert_value(value, part, k)
    return value


@lower_getattr_generic(FilmType)
def _read_field(context, builder, film, address, name):
    place, kind = film.field(name)
    table = builder.bitcast(address, ADDRESS.as_pointer())
    entry = builder.gep(table, [ir.Constant(I32, place)], inbounds=True, source_etype=ADDRESS)
    pointer = context.get_value_type(kind).as_pointer()
    return _read(context, builder, kind, builder.bitcast(builder.load(entry, typ=ADDRESS), pointer))


@intrinsic
def address_of(typingctx, film):
    """Return the address of a film within a kernel, to hand it on."""

    def lower(context, builder, sig, args):
        return builder.ptrtoint(args[0], I64)

    return types.int64(film), lower


@intrinsic
def call(typingctx, kernel, block, film):
    """Call a kernel by its address on a block of a film known by its address."""

    def lower(context, builder, sig, args):
        function = ir.FunctionType(ir.VoidType(), [I64, ADDRESS])
        callee = builder.inttoptr(args[0], function.as_pointer())
        builder.call(callee, [args[1], builder.inttoptr(args[2], ADDRESS)])
        return context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64), lower


@njit(cache=True, error_model="numpy", parallel=True)
def on_blocks(kernels, blocks, address):
    """Call kernels, one after the other, on each of ``blocks`` blocks; the blocks in parallel.

    Parameters
    ----------
    kernels : int64 array
        Addresses.
    blocks : int
    address : int
        Of the film that the kernels were compiled for.
    """
    for block in prange(blocks):
        for k in range(kernels.size):
            call(kernels[k], np.int64(block), address)


def _offset(context, llvm, index):
    """Return where a member begins in its structure, or an item in its row, in bytes."""
    if isinstance(llvm, ir.ArrayType):
        return index * context.get_abi_sizeof(llvm.element)
    return llvm.get_element_offset(context.target_data, index)


@functools.cache
def _layout(kind):
    """Return how a field of this type lies in memory: bytes in all, and those that write a member.

    Returns
    -------
    int
    list of (int, struct.Struct, bool)
        Where each array or number begins, in order, its words, and whether it is an array: nobody
        who would own it, items, bytes an item, address, shape and strides.
    """
    context = cpu_target.target_context
    members = []

    def walk(kind, begin):
        llvm = context.get_value_type(kind)
        if isinstance(kind, types.BaseTuple):
            for k, part in enumerate(kind.types):
                walk(part, begin + _offset(context, llvm, k))
        elif isinstance(kind, types.Array):
            members.append((begin, struct.Struct(f"{5 + 2 * kind.ndim}q"), True))
        elif not isinstance(kind, types.NoneType):
            members.append((begin, struct.Struct(as_dtype(kind).char), False))

    walk(kind, 0)
    return context.get_abi_sizeof(context.get_value_type(kind)), members


def _leaves(value):
    """Return the arrays and numbers of a field in order, those of the tuples in it, too."""
    if isinstance(value, tuple):
        for part in value:
            yield from _leaves(part)
    elif value is not None:
        yield value


def _pack(kind, content):
    """Return the bytes of a film: written here, as to compile that takes seconds for each type."""
    layouts = [_layout(it) for _, _, it in kind.fields]
    begins = np.cumsum([8 * len(layouts), *(ALIGNED * -(-size // ALIGNED) for size, _ in layouts)])
    memory = np.zeros(begins[-1], np.uint8)
    memory[: 8 * len(layouts)].view(np.int64)[:] = memory.ctypes.data + begins[:-1]
    for start, (_, members), field in zip(begins, layouts, content, strict=False):
        for (begin, words, is_array), value in zip(members, _leaves(field), strict=True):
            if is_array:
                about = value.size, value.itemsize, value.ctypes.data, *value.shape, *value.strides
                words.pack_into(memory, start + begin, 0, 0, *about)
            else:
                words.pack_into(memory, start + begin, value)
    return memory


class Kernel:
    """A function of a block and a film that is compiled when first asked for.

    Parameters
    ----------
    function : callable
    options
        Those of numba's compiler.
    """

    def __init__(self, function, **options):
        self.function = function
        self.__name__ = function.__name__
        self.__doc__ = function.__doc__
        self._options = {"error_model": "numpy", **options}
        self._compiled = {}

    @functools.cached_property
    def _names(self):
        return _names_in(self.function, set())

    def compiled(self, kind):
        """Return the machine code for a type of film, compiled or from the cache."""
        if kind not in self._compiled:  # with all its fields: asked for at each call
            seen = kind.seen_by(self._names)
            if seen not in self._compiled:
                numba.get_num_threads()  # starts the threads, which code from the cache needs
                form = types.void(types.int64, seen)
                self._compiled[seen] = cfunc(form, cache=True, **self._options)(self.function)
            self._compiled[kind] = self._compiled[seen]
        return self._compiled[kind]


def kernel(function=None, **options):
    """Make a function a kernel."""
    if function is None:
        return lambda it: Kernel(it, **options)
    return Kernel(function, **options)


class Packed:
    """A film laid out in memory, where kernels find it.

    Parameters
    ----------
    content : named tuple
        Arrays are shared; numbers are as they are now.
    """

    def __init__(self, content):
        self.content = content
        self.kind = film_type(content)
        self._memory = _pack(self.kind, content)
        self.address = self._memory.ctypes.data

    def addresses(self, *kernels):
        """Return the addresses of kernels for this type of film, compiled if need be."""
        return np.array([it.compiled(self.kind).address for it in kernels], np.int64)

    def run(self, blocks, *kernels):
        """Run kernels on all blocks, in parallel."""
        on_blocks(self.addresses(*kernels), blocks, self.address)

    def call(self, one, number):
        """Run a kernel once, here, with any whole number for its block."""
        C_CALL(one.compiled(self.kind).address)(number, self.address)
