"""Work shared among threads: for compiled kernels, which let go of the interpreter's lock while they run.

A kernel that is compiled for one range of rows, tiles or particles, and called here for several ranges at
once, is ready to run several times sooner than one that numba spreads over threads by itself.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import TypeVar

import numba

S = TypeVar("S")
T = TypeVar("T")
#: as many parts per thread, some being quicker than others
PARTS = 4


def in_threads(work: Callable[[int, int], T], count: int) -> list[T]:
    """What work(first, last) returns for consecutive parts of range(count), in order.

    As many threads as numba may use in this one share the parts. What a part raises is raised here.
    A part must not share out work of its own: it would wait for threads that wait for it.
    """
    threads = numba.get_num_threads()
    parts = min(PARTS * threads, count) if threads > 1 else 1
    if parts <= 1:
        return [work(0, count)]
    cuts = [count * k // parts for k in range(parts + 1)]
    return list(_pool(threads).map(work, cuts[:-1], cuts[1:]))


def each_in_threads(work: Callable[[S], T], items: Sequence[S]) -> list[T]:
    """What work(item) returns for each of a few items, in order; as `in_threads`."""
    parts = in_threads(lambda first, last: [work(item) for item in items[first:last]], len(items))
    return [done for part in parts for done in part]


@cache
def _pool(threads: int) -> ThreadPoolExecutor:
    """So many threads, started once: starting them takes longer than many a part."""
    return ThreadPoolExecutor(threads, thread_name_prefix="searcher")


if hasattr(os, "register_at_fork"):
    # a forked process has none of its parent's threads
    os.register_at_fork(after_in_child=_pool.cache_clear)
