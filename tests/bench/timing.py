"""Two or more ways of doing one thing, timed in turn in one process, so that their ratio can be trusted.

A busy or throttled machine slows all sides alike: times are taken in rounds, one of each side per round, the
order turned from round to round, and a ratio is the median of the ratios within rounds.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Callable, Sequence
from statistics import median
from time import perf_counter

# OpenMP threads that spin while they wait disturb whatever is timed next; read when numba starts them
os.environ.setdefault("OMP_WAIT_POLICY", "passive")


def read_options(about: str, *, seeds: int = 0, keep: bool = False) -> argparse.Namespace:
    """`--quick`: a small case and one round, to see that it works; its figures say little.

    With `seeds`, their usual number, also `--seeds`; with `keep`, `--keep` and `--plot`, files to be written.
    """
    parser = argparse.ArgumentParser(description=about.strip().splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a small case and one round")
    if seeds:
        parser.add_argument("--seeds", type=int, default=seeds, help=f"how many seas (usually {seeds})")
    if keep:
        parser.add_argument("--keep", metavar="FILE", help="keep scores here; those kept are not run again")
        parser.add_argument("--plot", metavar="FILE", help="draw the scores")
    return parser.parse_args()


def say(text: str) -> None:
    """A word on the screen while something takes long; on stderr, so that the tables can be kept."""
    print(f"... {text}", file=sys.stderr, flush=True)


def time_in_turn(sides: dict[str, Callable[[], object]], *, rounds: int) -> dict[str, list[float]]:
    """Seconds of each side in each round. Every side is run once before, untimed (compilation, caches)."""
    for side in sides.values():
        side()
    names = list(sides)
    seconds: dict[str, list[float]] = {name: [] for name in names}
    began = perf_counter()
    gc.disable()
    try:
        for turn in range(rounds):
            first = turn % len(names)
            for name in names[first:] + names[:first]:
                start = perf_counter()
                sides[name]()
                seconds[name].append(perf_counter() - start)
            if perf_counter() - began > 2.0:
                say(f"round {turn + 1} of {rounds}")
    finally:
        gc.enable()
    return seconds


def ratio(seconds: dict[str, list[float]], over: str, under: str) -> float:
    """How many times longer `over` takes than `under`: the median of the ratios within rounds."""
    return median(a / b for a, b in zip(seconds[over], seconds[under], strict=True))


def print_table(title: str, header: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """A small table: the first column to the left, the others to the right; floats to three figures."""
    cells = [list(header), *([tell(value) for value in row] for row in rows)]
    widths = [max(len(row[k]) for row in cells) for k in range(len(header))]
    print(f"\n{title}")
    for row in cells:
        first, *others = [cell.rjust(width) for cell, width in zip(row, widths, strict=True)]
        print("  ".join([first.strip().ljust(widths[0]), *others]))


def tell(value: object) -> str:
    """A number to three figures without an exponent where it is of everyday size; anything else as text."""
    if not isinstance(value, float):
        return str(value)
    if value == 0.0 or not 1e-3 <= abs(value) < 1e6:
        return f"{value:.3g}"
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:#.3g}".rstrip(".")
