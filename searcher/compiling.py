"""What numba is spared while the kernels are compiled: work it would do again and again, or for nothing.

None of it changes what a kernel works out, but for rounding where sums may be taken in any order; together it
saves two fifths of the time. It takes the place of methods of numba for as long as the kernels of the package
are compiled. Where a version of numba has no such method, it works as it always does.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any
from weakref import WeakSet

import llvmlite.binding as llvm
from llvmlite.binding import ffi
from numba.core import codegen, cpu, ir
from numba.core.codegen import CPUCodegen, CPUCodeLibrary
from numba.core.types import Function

#: libraries of functions that are only copied into others
_COPIED: WeakSet[Any] = WeakSet()

#: what numba's instructions hold beside variables
NO_VARIABLES = frozenset({str, int, float, bool, type(None), ir.Loc})


@contextmanager
def spared() -> Iterator[None]:
    """While it lasts, numba compiles without what it can be spared."""
    with ExitStack() as stack:
        for saving in _SAVINGS:
            stack.enter_context(saving())
        yield


@contextmanager
def _no_collection() -> Iterator[None]:
    """Without the collection of garbage, which takes a tenth of the time."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


@contextmanager
def _remembered_calls() -> Iterator[None]:
    """Without asking again what a sum of two reals is: a fifth of the time.

    Numba works out the types of a function over and over until nothing changes, and tries up to thirty
    overloads each time it meets an operator: 14,600 times for the 760 different calls in these kernels.
    """
    known: dict[Any, Any] = {}

    def remembered(plain: Callable[..., Any]) -> Callable[..., Any]:
        def get_call_type(self: Any, context: Any, args: Any, kws: Any) -> Any:
            call = self, context, args, tuple(kws.items())
            if call not in known:
                known[call] = plain(self, context, args, kws)
            return known[call]

        return get_call_type

    with _in_place((Function, "get_call_type", remembered)):
        yield


@contextmanager
def _only_copied() -> Iterator[None]:
    """Without machine code of functions that are only copied into others: an eighth of the time.

    Five of six functions here are only ever called by other functions. Numba copies such a function into each
    of its callers, and makes machine code of it besides, which nothing calls.
    """

    def executable(plain: Callable[..., Any]) -> Callable[..., Any]:
        def get_executable(self: Any, library: Any, description: Any, environment: Any) -> Any:
            # what was read from disk is machine code already
            if library._finalized or _has(library, description.llvm_cpython_wrapper_name):
                return plain(self, library, description, environment)
            _COPIED.add(library)
            library._ensure_finalized()
            # what numba makes of a function that has no way in for Python: its key as a callee
            name = description.qualname.split(".")[-1]
            module = description.lookup_module()
            return cpu._dynfunc.make_function(module, name, "copied", 0, environment, (library,))

        return get_executable

    def finalize(plain: Callable[..., Any]) -> Callable[..., Any]:
        def _finalize_final_module(self: Any) -> None:
            if self in _COPIED:
                self._finalized = True
            else:
                plain(self)

        return _finalize_final_module

    with _in_place(
        (cpu.CPUContext, "get_executable", executable),
        (CPUCodeLibrary, "_finalize_final_module", finalize),
    ):
        yield


@contextmanager
def _light_passes() -> Iterator[None]:
    """Without optimizing a function in full before it is copied: an eighth of the time.

    It is made small, so that it is copied at all; where it ends up, it is optimized in full with the rest.
    """

    def small(_: Callable[..., Any]) -> Callable[..., Any]:
        def _function_pass_manager(self: Any, **_: Any) -> tuple[Any, Any]:
            passes = llvm.create_new_function_pass_manager()
            passes.add_sroa_pass()
            passes.add_simplify_cfg_pass()
            passes.add_instruction_combine_pass()
            return passes, self._pass_builder()

        return _function_pass_manager

    def light(plain: Callable[..., Any]) -> Callable[..., Any]:
        def _optimize_final_module(self: Any) -> None:
            if self in _COPIED:
                lightly = {"opt": 1, "loop_vectorize": False, "slp_vectorize": False, "cost": "cheap"}
                passes, builder = self._codegen._module_pass_manager(**lightly)
                passes.run(self._final_module, builder)
            else:
                plain(self)

        return _optimize_final_module

    others = (CPUCodegen, "_function_pass_manager", small), (CPUCodeLibrary, "_optimize_final_module", light)
    # older numba writes its passes otherwise
    with _in_place(*(others if hasattr(codegen, "create_pass_builder") else ())):
        yield


@contextmanager
def _quiet_lock() -> Iterator[None]:
    """Without telling listeners of 80,000 calls of LLVM, who do not ask: a twentieth of the time."""

    def enter(_: Callable[..., Any]) -> Callable[..., Any]:
        return lambda lock: lock._lock.acquire() and None

    def leave(_: Callable[..., Any]) -> Callable[..., Any]:
        return lambda lock, *_: lock._lock.release()

    with _in_place((ffi._LLVMLock, "__enter__", enter), (ffi._LLVMLock, "__exit__", leave)):
        yield


@contextmanager
def _plain_search() -> Iterator[None]:
    """Without asking of every number and word in an instruction what it is: a twentieth of the time.

    Numba lists the variables of every instruction a dozen times, looking into all it holds.
    """

    def search(_: Callable[..., Any]) -> Callable[..., Any]:
        return lambda _, value: _variables(value)

    with _in_place((ir.Inst, "_rec_list_vars", search)):
        yield


def _variables(value: Any) -> list[Any]:
    """The variables in a part of an instruction, in order."""
    if type(value) in NO_VARIABLES:
        return []
    if isinstance(value, ir.Var):
        return [value]
    if isinstance(value, ir.Inst):
        found: list[Any] = value.list_vars()
        return found
    if isinstance(value, dict):
        value = value.values()
    elif not isinstance(value, list | tuple):
        return []
    return [variable for part in value if type(part) not in NO_VARIABLES for variable in _variables(part)]


def _has(library: Any, name: str) -> bool:
    """Whether a library defines a function."""
    try:
        library._final_module.get_function(name)
    except NameError:
        return False
    return True


@contextmanager
def _in_place(*others: tuple[Any, str, Callable[[Callable[..., Any]], Callable[..., Any]]]) -> Iterator[None]:
    """Other methods, made from those of a class, in place of them: all, or none where one is missing."""
    if not all(hasattr(owner, name) for owner, name, _ in others):
        yield
        return
    own = [vars(owner).get(name) for owner, name, _ in others]  # None where it is a parent's
    for owner, name, make in others:
        setattr(owner, name, make(getattr(owner, name)))
    try:
        yield
    finally:
        for (owner, name, _), method in zip(others, own, strict=True):
            if method is None:
                delattr(owner, name)
            else:
                setattr(owner, name, method)


_SAVINGS = _no_collection, _remembered_calls, _only_copied, _light_passes, _quiet_lock, _plain_search
