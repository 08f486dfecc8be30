"""What Numba cannot be told in Python: unaligned loads and stores, and a product of 128 bits.

The compiled stand-ins for the kernels of the same name that are marked INTRINSIC. Written for speed: indexing
a byte at a time costs Numba a check for negative indices each, and its product of two int64 may not overflow.
"""

import sys

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

I64, I128 = ir.IntType(64), ir.IntType(128)


def _load(bits: int, order: str):
    """A load of `bits` at any address, widened to int64."""

    @intrinsic
    def load(_context, block, _position):
        def code(context, builder, signature, arguments):
            array = context.make_array(signature.args[0])(context, builder, arguments[0])
            address = builder.gep(array.data, [arguments[1]])
            pointer = builder.bitcast(address, ir.IntType(bits).as_pointer())
            value = builder.load(pointer, align=1)
            if bits > 8 and order != sys.byteorder:
                value = builder.bswap(value)
            return value if bits == 64 else builder.zext(value, I64)

        return types.int64(block, types.int64), code

    return load


u8 = _load(8, "little")
be16 = _load(16, "big")
be32 = _load(32, "big")
be64 = _load(64, "big")
le16 = _load(16, "little")
le32 = _load(32, "little")
le64 = _load(64, "little")


def _store(bits: int):
    """A store of the low `bits` of an int64 at any address, little-endian."""

    @intrinsic
    def store(_context, block, _position, _value):
        def code(context, builder, signature, arguments):
            array = context.make_array(signature.args[0])(context, builder, arguments[0])
            address = builder.gep(array.data, [arguments[1]])
            value = arguments[2] if bits == 64 else builder.trunc(arguments[2], ir.IntType(bits))
            if sys.byteorder != "little":
                value = builder.bswap(value)
            builder.store(value, builder.bitcast(address, ir.IntType(bits).as_pointer()), align=1)
            return context.get_dummy_value()

        return types.none(block, types.int64, types.int64), code

    return store


put32 = _store(32)
put64 = _store(64)


@intrinsic
def fetch(_context, _table, _row):
    def code(context, builder, signature, arguments):
        table = context.make_array(signature.args[0])(context, builder, arguments[0])
        address = builder.gep(
            table.data, [builder.mul(arguments[1], cgutils.unpack_tuple(builder, table.shape, 2)[1])]
        )
        pointer, i32 = builder.bitcast(address, ir.IntType(8).as_pointer()), ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [pointer.type, i32, i32, i32])
        ask = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0i8")
        builder.call(ask, [pointer, i32(1), i32(3), i32(1)])  # to write, to keep, data
        return context.get_dummy_value()

    return types.none(_table, types.int64), code


@intrinsic
def folded_multiply(_context, _a, _b):
    def code(_context, builder, _signature, arguments):
        left, right = (builder.zext(each, I128) for each in arguments)
        product = builder.mul(left, right)
        high = builder.trunc(builder.lshr(product, ir.Constant(I128, 64)), I64)
        return builder.xor(high, builder.trunc(product, I64))

    return types.int64(types.int64, types.int64), code


@intrinsic
def plus(_context, _a, _b):
    def code(_context, builder, _signature, arguments):
        return builder.add(*arguments)  # wraps around, unlike Numba's own

    return types.int64(types.int64, types.int64), code


@intrinsic
def turn(_context, _a, _n):
    def code(_context, builder, _signature, arguments):
        pattern, left = arguments
        right = builder.sub(ir.Constant(I64, 64), left)
        return builder.or_(builder.shl(pattern, left), builder.lshr(pattern, right))

    return types.int64(types.int64, types.int64), code
