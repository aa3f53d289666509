"""How long one waits at sea for `searcher rerank`, the start of the interpreter and all imports included.

A day on the built-in sea is planned and half of it logged; then the command is run as a process of its own,
with its kernels compiled, in turn with the bare interpreter and with one that only loads the libraries the
package stands on (xarray loads dask with the first field, where that is installed). Seconds of the processor
are beside those of the clock, which a busy machine stretches.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

from timing import print_table, read_options, say

ROOT = Path(__file__).parents[2]
BYTECODE = str(Path(tempfile.gettempdir()) / "searcher-bench-bytecode")
LIBRARIES = "import geopandas, numba, pydantic, scipy.ndimage, xarray; xarray.DataArray([0.0])"


def main() -> None:
    quick = read_options(__doc__).quick
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "trip"
        say("planning a day on the built-in sea")
        run("demo", folder, "-q")
        for words in log_of(folder):
            run("log", folder, *words)
        # enough fuel to go on: nothing but the way home is soon found
        place, fuel = ["--at", f"box {worked(folder)[1]}"], ["--fuel", "85%", "--time", "10:00"]
        sides = {
            "bare interpreter": [sys.executable, "-c", "pass"],
            "its libraries": [sys.executable, "-c", LIBRARIES],
            "searcher rerank": [sys.executable, "-m", "searcher.cli", "rerank", str(folder), *place, *fuel],
        }
        rows = [[name, *(median(part) for part in zip(*times, strict=True))] for name, times in
                time_processes(sides, rounds=1 if quick else 9).items()]  # fmt: skip
    print_table("where next, asked at sea", ["", "s", "s of the processor"], rows)


def run(*args) -> None:
    """A verb of the command line."""
    command = [sys.executable, "-m", "searcher.cli", *map(str, args)]
    subprocess.run(command, check=True, capture_output=True, env=environment())


def environment() -> dict[str, str]:
    """That of an installation, which keeps the bytecode of every module."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": BYTECODE}


def worked(folder: Path) -> list[int]:
    """Numbers of the boxes of the day, in order."""
    legs = json.loads((folder / "legs.geojson").read_text())["features"]
    return list(dict.fromkeys(leg["properties"]["box"] for leg in legs))


def log_of(folder: Path) -> list[list[str]]:
    """Half a day's entries."""
    first, second = worked(folder)[:2]
    said = (
        f"trolled 06:15 07:30 box {first}",
        f"bite 06:50 box {first}",
        f"temperature 24.4C 07:00 box {first}",
        f"weed line 07:10 box {first}",
        f"nothing 07:40 08:30 box {second}",
        f"birds 2 low 08:20 box {second}",
        f"debris 08:40 box {second}",
    )
    return [text.split() for text in said]


def time_processes(sides: dict[str, list[str]], *, rounds: int) -> dict[str, list[tuple[float, float]]]:
    """Seconds by the clock and of the processor of each command in each round; each is run once before."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in sides}
    for turn in range(rounds + 1):
        for name, command in sides.items():
            began, before = perf_counter(), os.times()
            subprocess.run(command, check=True, capture_output=True, env=environment())
            after = os.times()
            spent = (
                after.children_user + after.children_system - before.children_user - before.children_system
            )
            if turn:
                times[name].append((perf_counter() - began, spent))
    return times


if __name__ == "__main__":
    main()
