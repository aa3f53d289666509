"""Entries from Python into kernels that only kernels call."""

from numba import njit


def enter(inner):
    """A function that Python can call, and which calls a kernel that it cannot."""

    @njit
    def entry(*given):
        return inner(*given)

    return entry
