"""Kernels made ready before they are needed: compiled once, by several processes at a time, and kept.

Numba compiles a kernel when it is first called, one after the other, and keeps what it made on disk. Here the
kernels of a day are compiled beforehand, for the types the package calls them with, in as many processes as
there are processors. Whatever fails here does no harm: what is not ready is compiled when it is called.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numba
import numpy as np

from searcher.compiling import spared
from searcher.kernels import (
    advect,
    bound,
    edges,
    histogram,
    march,
    median,
    metric,
    ridge,
    sample,
    section,
    strain,
    tour,
)
from searcher.kernels import step as steps

#: a process that compiles takes no longer than this, s; and no more of them help than these
LONGEST = 300.0
MOST = 6


def _kernels() -> dict[str, tuple[Any, float, list[tuple[Any, ...]]]]:
    """Every kernel that Python calls: the kernel, its share of the work, and arguments of the types it takes.

    Work is in seconds of one processor, and only has to be right beside that of the others.
    """
    count, number = 1, 1.0
    ints = [np.zeros((1,) * n, np.int64) for n in range(3)]
    reals = [np.zeros((1,) * n) for n in range(5)]
    singles = [np.zeros((1,) * n, np.float32) for n in range(4)]
    flags = [np.zeros((1,) * n, bool) for n in range(3)]
    bytes_, single = np.zeros((1, 1), np.uint8), np.float32(1.0)
    fixed = np.zeros(1)
    fixed.flags.writeable = False
    stream = sample.Stream(reals[1], reals[2], count, count, *(number,) * 4)
    flow = sample.Flow(reals[1], reals[3], reals[3], *(number,) * 4)
    grid = sample.Grid(*(number,) * 4)
    medium = march.Medium(reals[3], reals[4], number, number, reals[1], reals[1])
    day = tour.Problem(*(ints[1],) * 3, *(reals[1],) * 3, reals[2], reals[2], number, number, count)
    costs = bound.Steps(ints[2], *(ints[1],) * 4, count)
    room = singles[1], np.zeros(1, np.int32), ints[2]
    windows = singles[2], flags[2], flags[2], reals[3], count, count
    lines = singles[2], *(reals[1],) * 4, ints[1], ints[1], *(reals[1],) * 4, number
    tiles = singles[2], ints[1], singles[3], singles[3], singles[2], singles[2]
    crossings = *(singles[2],) * 3, singles[1], singles[1], *(single,) * 3, count, count, ints[1], singles[2]
    listed: list[tuple[Any, float, list[tuple[Any, ...]]]] = [
        (edges._search_tiles, 4.5, [(*tiles, single, single, single, ints[1], singles[2])]),
        (advect.advect, 2.6, [(stream, stream, reals[2], *(reals[1],) * 4, number, number)]),
        (tour.search_tour, 2.8, [(day, count, count)]),
        (steps._fit_line, 2.9, [(count, reals[3], ints[1], *(number,) * 5, reals[2], reals[3], reals[2])]),
        (bound.extend, 1.3, [(day, flags[1], reals[1], reals[3], ints[2], *(number,) * 3, count)]),
        (histogram._test_windows, 1.7, [(*windows, (number,) * 6, room, count, count)]),
        (march.march, 2.5, [(medium, *(number,) * 4, ints[1])]),
        (median._clean_tiles, 1.2, [(singles[2], count, count, singles[2])]),
        (section.gather_sections, 1.0, [lines]),
        (march.straight_times, 0.2, [(medium, *(reals[1],) * 5, number)]),
        (histogram._mark_rows, 1.0, [(*windows, bytes_, bytes_, count, count)]),
        (bound.relax, 0.9, [(ints[1], ints[1], reals[1], costs, ints[2], count)]),
        (ridge.find_crossings, 0.6, [crossings]),
        (march.trace_back, 0.4, [(medium, number, reals[2], number, number, count, count)]),
        (ridge._link, 0.8, [(ints[1], ints[1], reals[1], reals[1], ints[1], count)]),
        (bound.follow, 0.3, [(reals[3], ints[1], ints[1], reals[1], costs, ints[2])]),
        (sample.sample_vectors, 0.4, [(flow, *(reals[1],) * 3)]),
        (strain.strain, 0.5, [(reals[2], reals[2], *(reals[1],) * 3)]),
        (ridge._walk, 0.3, [(ints[2],)]),
        (histogram._smooth, 0.5, [(singles[2], flags[2], count, count, singles[2], count, count)]),
        (metric.row_metrics, 0.3, [(reals[1],), (fixed,)]),
        (tour.spend, 0.1, [(ints[1], count, day)]),
        (sample.sample_field, 0.1, [(reals[2], grid, reals[1], reals[1])]),
    ]
    return {f"{entry[0].__module__}.{entry[0].__name__}": entry for entry in listed}


def list_all() -> dict[str, float]:
    """Names of the kernels of a day, and the work of compiling each, s of one processor."""
    return {name: work for name, (_, work, _) in _kernels().items()}


def list_unready() -> list[str]:
    """Names of the kernels of which nothing is kept on disk that is newer than their source; takes 1 ms."""
    kept: dict[str, dict[str, float]] = {}
    return [name for name, (kernel, *_) in _kernels().items() if not _is_kept(kernel, kept)]


def _is_kept(kernel: Any, kept: dict[str, dict[str, float]]) -> bool:
    """Whether numba keeps a kernel. kept: when each index of a folder was made; folders met are added."""
    folder = kernel.stats.cache_path
    if folder not in kept:
        found = os.scandir(folder) if os.path.isdir(folder) else ()
        kept[folder] = {entry.name: entry.stat().st_mtime for entry in found if entry.name.endswith(".nbi")}
    source = kernel.py_func.__code__.co_filename
    begin = f"{Path(source).stem}.{kernel.__name__}-"
    end = f".py{sys.version_info.major}{sys.version_info.minor}.nbi"
    made = os.stat(source).st_mtime
    return any(
        name.startswith(begin) and name.endswith(end) and time >= made for name, time in kept[folder].items()
    )


def compile_kernels(names: Iterable[str]) -> None:
    """Compile some kernels here, or read them from disk, for the types the package calls them with."""
    kernels = _kernels()
    with spared():
        for name in names:
            kernel, _, kinds = kernels[name]
            for given in kinds:
                kernel.compile(tuple(numba.typeof(value) for value in given))


def prepare_kernels(
    tell: Callable[[str], None] = lambda _: None, *, names: Iterable[str] | None = None
) -> bool:
    """See that kernels are compiled; whether any was not. tell: is given a word before that begins.

    names: only these, all by default. Other processes take shares of the work while this one does its own,
    and end with it.
    """
    unready = [name for name in list_unready() if names is None or name in names]
    if not unready:
        return False
    tell("preparing for first use: compiling, some twenty seconds, only once")
    own, *others = share_out(unready, min(_processors(), MOST))
    helpers = [helper for helper in map(_start, filter(None, others)) if helper]
    try:
        with suppress(Exception):  # a later numba may not bear being spared: it compiles when called
            compile_kernels(own)
        for helper in helpers:
            helper.wait(LONGEST)
    except subprocess.TimeoutExpired:
        pass  # what it did not finish is compiled when it is called
    finally:
        for helper in helpers:
            helper.kill()
            helper.wait()
    return True


def _processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def share_out(names: Iterable[str], count: int) -> list[list[str]]:
    """Names in `count` shares of about equal work, the largest kernel first to the share with least."""
    each = list_all()
    work = [0.0] * count
    shares: list[list[str]] = [[] for _ in range(count)]
    for name in sorted(names, key=each.__getitem__, reverse=True):
        least = work.index(min(work))
        work[least] += each[name]
        shares[least].append(name)
    return shares


def _start(names: list[str]) -> subprocess.Popen[bytes] | None:
    """A process that compiles some kernels, without a word; None where none can be started."""
    paths = [str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))}
    command = [sys.executable, "-m", "searcher.ready", *names]
    silence = subprocess.DEVNULL
    try:
        return subprocess.Popen(command, env=environment, stdin=silence, stdout=silence, stderr=silence)
    except OSError:
        return None


if __name__ == "__main__":
    compile_kernels(sys.argv[1:])
