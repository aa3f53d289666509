"""How long one waits before anything happens: `searcher --help`, and the kernels on their first use.

Help is timed against a bare typer app of as many verbs, each a process of its own, in turn. Kernels are
compiled by what needs them, the plan of a day on the built-in sea, in a process with an empty numba cache,
and read back from that cache in another. They are also made ready all together, as the command line does on
its first use, by as many processes as there are processors.

Seconds of compilation are of the processor, each kernel without those it calls, beside them for how many sets
of argument types it was compiled: one is enough.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from statistics import median
from time import process_time

from timing import print_table, ratio, read_options, say, time_in_turn

ROOT = Path(__file__).parents[2]
SHOWN = 25

BARE = """
from pathlib import Path
from typing import Annotated
import typer
app = typer.Typer(no_args_is_help=True, pretty_exceptions_enable=False, rich_markup_mode=None)
Folder = Annotated[Path, typer.Argument(help="A folder.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Say nothing.")]
"""
VERB = '''
@app.command()
def verb{k}(folder: Folder = Path(), quiet: Quiet = False):
    """Do thing number {k} to a folder."""
'''


def time_help(rounds: int) -> None:
    """`--help` of ours over that of a bare app."""
    from typer.main import get_command

    import searcher.cli

    verbs = len(get_command(searcher.cli.app).commands)
    bare = BARE + "".join(VERB.format(k=k) for k in range(verbs)) + "\napp()\n"
    commands = {
        "searcher --help": [sys.executable, "-m", "searcher.cli", "--help"],
        f"bare typer, {verbs} verbs": [sys.executable, "-c", bare, "--help"],
    }
    environment = os.environ | {"PYTHONPATH": str(ROOT)}

    def run(command):
        return lambda: subprocess.run(command, env=environment, check=True, capture_output=True)

    _, other = commands
    seconds = time_in_turn({name: run(command) for name, command in commands.items()}, rounds=rounds)
    rows = [[name, median(times), ratio(seconds, name, other)] for name, times in seconds.items()]
    print_table("help", ["", "s", "times the bare app"], rows)


def watch_kernels(folder: str) -> None:
    """Plan the day in `folder`, and print what its kernels cost: JSON, seconds by kernel and of reading."""
    import numba.core.caching as caching
    import numba.core.event as event

    seconds, kinds, inner = defaultdict(float), defaultdict(int), []

    class Clock(event.Listener):
        """Processor seconds of each compilation, less those within it."""

        def on_start(self, _):
            inner.append([process_time(), 0.0])

        def on_end(self, happened):
            began, within = inner.pop()
            whole = process_time() - began
            if inner:
                inner[-1][1] += whole
            function = happened.data["dispatcher"].py_func
            name = f"{function.__module__.removeprefix('searcher.kernels.')}.{function.__name__}"
            seconds[name] += whole - within
            kinds[name] += 1

    load, reading = caching.Cache.load_overload, [0.0]

    def timed_load(*given):
        began = process_time()
        try:
            return load(*given)
        finally:
            reading[0] += process_time() - began

    caching.Cache.load_overload = timed_load
    import searcher

    with event.install_listener("numba:compile", Clock()):
        trip = searcher.read_trip(Path(folder) / "trip.toml")
        sea = searcher.load_sea(trip.region, trip.window, sources=trip.sources)
        searcher.make_plan(trip, sea)
    print(json.dumps({"compile": seconds, "kinds": kinds, "read": reading[0]}))


def time_kernels() -> None:
    """Compilation of every kernel a plan needs, cold, and reading them back, warm."""
    import searcher

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "trip"
        say("making the built-in sea")
        searcher.write_builtin_files(folder)
        environment = os.environ | {"NUMBA_CACHE_DIR": f"{scratch}/cache", "PYTHONPATH": str(ROOT)}
        runs = []
        for name in ("empty", "full"):
            say(f"planning; the cache is {name}")
            command = [sys.executable, __file__, "--watch", str(folder)]
            done = subprocess.run(command, env=environment, check=True, stdout=subprocess.PIPE, text=True)
            runs.append(json.loads(done.stdout.splitlines()[-1]))
    cold, warm = runs
    ordered = sorted(cold["compile"].items(), key=lambda pair: -pair[1])
    rows = [[name, time, cold["kinds"][name]] for name, time in ordered[:SHOWN]]
    rest = ordered[SHOWN:]
    if rest:
        rows.append([f"{len(rest)} others", sum(t for _, t in rest), sum(cold["kinds"][n] for n, _ in rest)])
    total = sum(cold["compile"].values())
    rows.append(["all, cold", total, sum(cold["kinds"].values())])
    rows.append(["all, warm", warm["read"] + sum(warm["compile"].values()), sum(warm["kinds"].values())])
    print_table("kernels of a plan", ["", "s", "sets of types compiled"], rows)
    print(f"cold over warm: {total / rows[-1][1]:.0f}")
    if warm["kinds"]:
        print(f"compiled again with the cache full: {', '.join(sorted(warm['kinds']))}")


PREPARE = """
import json, os, time
import numba
began, before = time.perf_counter(), os.times()
from searcher import ready
compiled = ready.prepare_kernels()
if not compiled:
    ready.compile_kernels(ready.list_all())
after = os.times()
print(json.dumps([compiled, time.perf_counter() - began, sum(after[:4]) - sum(before[:4])]))
"""


def time_preparing(rounds: int) -> None:
    """All kernels made ready as the command line does, cold and warm, each in a new process."""
    rows = []
    for k in range(rounds):
        with tempfile.TemporaryDirectory() as cache:
            environment = os.environ | {"NUMBA_CACHE_DIR": cache, "PYTHONPATH": str(ROOT)}
            for name in ("cold", "warm"):
                say(f"making all kernels ready, {name}, {k + 1} of {rounds}")
                command = [sys.executable, "-c", PREPARE]
                done = subprocess.run(command, env=environment, check=True, stdout=subprocess.PIPE, text=True)
                compiled, wall, processor = json.loads(done.stdout)
                assert compiled == (name == "cold")
                rows.append([name, wall, processor])
    print_table("all kernels made ready, after numba is imported", ["", "s", "s of processors"], rows)
    cold, warm = (min(row[1] for row in rows if row[0] == name) for name in ("cold", "warm"))
    print(f"cold over warm: {cold / warm:.0f}")


def main() -> None:
    if sys.argv[1:2] == ["--watch"]:
        watch_kernels(sys.argv[2])
        return
    quick = read_options(__doc__).quick
    time_help(1 if quick else 9)
    time_preparing(1 if quick else 3)
    time_kernels()


if __name__ == "__main__":
    main()
