"""Entries from Python into kernels that only kernels call."""

from functools import cache

from numba import njit


@cache  # one entry, compiled once, for all who enter
def enter(inner):
    """A function that Python can call, and which calls a kernel that it cannot."""

    @njit
    def entry(*given):
        return inner(*given)

    return entry
