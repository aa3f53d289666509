"""Numbers side by side: a row of float32 that the processor takes as one.

A loop over single numbers is turned into vector instructions where the compiler can prove that nothing it
writes is read again, and then it keeps sums over an inner loop in memory. Written with lanes, sums stay in
registers, and there is nothing to prove and less to compile. Lanes live inside kernels alone; they add,
subtract, multiply and divide, and a float32 times lanes scales them.
"""

# ruff: noqa: ARG001, ARG005 (numba hands every function the same things)

import operator

from llvmlite import binding, ir
from numba import types
from numba.core import cgutils
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

#: numbers side by side: two of the widest registers there are
COUNT = 32 if binding.get_host_cpu_features().get("avx512f") else 16

_FLOATS = ir.VectorType(ir.FloatType(), COUNT)


class Lanes(types.Type):
    """The type of `COUNT` float32 side by side."""

    def __init__(self):
        super().__init__("Lanes")


LANES = Lanes()


@register_model(Lanes)
class _Model(models.PrimitiveModel):
    def __init__(self, manager, kind):
        super().__init__(manager, kind, _FLOATS)


def _place(context, builder, kind, array, index):
    """Where lanes begin in a flat array."""
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), _FLOATS.as_pointer())


def _spread(builder, value):
    """Lanes that all hold one number."""
    nothing = ir.Constant(_FLOATS, ir.Undefined)
    first = builder.insert_element(nothing, value, ir.IntType(32)(0))
    return builder.shuffle_vector(
        first, nothing, ir.Constant(ir.VectorType(ir.IntType(32), COUNT), [0] * COUNT)
    )


@intrinsic
def load(_, array, index):
    """The numbers of a flat float32 array from `index` on; nothing checks that there are so many."""

    def emit(context, builder, kinds, given):
        return builder.load(_place(context, builder, kinds.args[0], *given), align=4)

    return LANES(array, types.intp), emit


@intrinsic
def store(_, array, index, lanes):
    """Put lanes into a flat float32 array from `index` on; nothing checks that there is room."""

    def emit(context, builder, kinds, given):
        builder.store(given[2], _place(context, builder, kinds.args[0], *given[:2]), align=4)
        return context.get_dummy_value()

    return types.void(array, types.intp, LANES), emit


@intrinsic
def spread(_, value):
    """Lanes that all hold one number."""
    return LANES(types.float32), lambda context, builder, kinds, given: _spread(builder, *given)


@intrinsic
def root(_, lanes):
    """The square root of each."""

    def emit(context, builder, kinds, given):
        kind = ir.FunctionType(_FLOATS, [_FLOATS])
        sqrt = cgutils.get_or_insert_function(builder.module, kind, f"llvm.sqrt.v{COUNT}f32")
        return builder.call(sqrt, given)

    return LANES(LANES), emit


@intrinsic
def where_less(_, a, b, yes, no):
    """`yes` where a < b, else `no`, also where either is NaN."""

    def emit(context, builder, kinds, given):
        return builder.select(builder.fcmp_ordered("<", *given[:2]), *given[2:])

    return LANES(LANES, LANES, LANES, LANES), emit


def _choose(order):
    """What an intrinsic of two lanes, or of two numbers, returns that takes one of each two by an order."""

    def emit(context, builder, kinds, given):
        return builder.select(builder.fcmp_ordered(order, *given), *given)

    return emit


@intrinsic
def less(_, a, b):
    """The lesser of each two, of lanes or numbers; b where either is NaN."""
    return a(a, a), _choose("<")


@intrinsic
def more(_, a, b):
    """The greater of each two, of lanes or numbers; b where either is NaN."""
    return a(a, a), _choose(">")


@intrinsic
def any_less(_, a, b):
    """Whether a < b anywhere."""

    def emit(context, builder, kinds, given):
        bits = ir.IntType(COUNT)
        return builder.icmp_unsigned("!=", builder.bitcast(builder.fcmp_ordered("<", *given), bits), bits(0))

    return types.boolean(LANES, LANES), emit


def _define(function, instruction):
    """An operator between lanes, and between a float32 and lanes."""
    cases = [signature(LANES, LANES, LANES), signature(LANES, types.float32, LANES)]
    infer_global(function)(type(instruction, (ConcreteTemplate,), {"cases": cases}))

    @lower_builtin(function, LANES, LANES)
    def between(context, builder, kinds, given):
        return getattr(builder, instruction)(*given)

    @lower_builtin(function, types.float32, LANES)
    def scaled(context, builder, kinds, given):
        return getattr(builder, instruction)(_spread(builder, given[0]), given[1])


for _function, _instruction in (
    (operator.add, "fadd"),
    (operator.iadd, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _define(_function, _instruction)
