"""How kernels are compiled: those that Python calls, and those that only other kernels call.

Numba wraps what it compiles for Python and for C, and keeps it on disk. A kernel that only kernels call is
copied into them and needs neither: without, all together are compiled in three quarters of the time.
"""

from numba import njit


def kernel(**options):
    """Decorate a kernel that Python calls: kept on disk; other threads go on while it runs."""
    return njit(nogil=True, cache=True, error_model="numpy", **options)


def inner(**options):
    """Decorate a kernel that only kernels call: it has no way in for Python, which ends if it calls it."""
    return njit(no_cpython_wrapper=True, no_cfunc_wrapper=True, error_model="numpy", **options)
