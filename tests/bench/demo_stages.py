"""Wall time of the main job, `searcher demo`, split by stage: the first run on a machine, and later ones.

Every run is a process of its own in an empty folder. The first has empty caches for compiled kernels (numba)
and fonts (matplotlib), as after an installation; those after it use what it left there. The stages of a plan
are those that `make_plan` names as they begin. Here every stage compiles what it needs, one kernel after the
other; `searcher demo` itself has all made ready beforehand, by as many processes as there are processors.
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

CHILD, WARM_RUNS = "SEARCHER_BENCH_FOLDER", 3


class Stopwatch:
    """Seconds by stage; a stage lasts until the next is named."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.name, self.began = "", perf_counter()

    def __call__(self, name: str) -> None:
        now = perf_counter()
        if self.name:
            self.seconds[self.name] = self.seconds.get(self.name, 0.0) + now - self.began
        self.name, self.began = name, now


def do_job(folder: Path) -> dict[str, float]:
    """The main job, stage by stage, as the command line does it."""
    watch = Stopwatch()
    watch("imports")
    import searcher as sr
    from searcher.builtin.files import write_sea_files

    names = "write_gpx write_float_plan write_geojson draw_map write_brief make_plan load_sea read_trip"
    for name in names.split():
        getattr(sr, name)
    watch("built-in sea: make")
    sea, _ = sr.make_builtin_sea()
    watch("built-in sea: write files")
    write_sea_files(sea, folder)
    watch("read trip and data")
    trip = sr.read_trip(folder)
    sea = sr.load_sea(trip.region, trip.window, sources=trip.sources)
    watch("plan: checks")
    plan = sr.make_plan(trip, sea, progress=lambda name: watch(f"plan: {name}"))
    watch("hand-over: route.gpx")
    sr.write_gpx(plan, folder / "route.gpx")
    watch("hand-over: float plan")
    sr.write_float_plan(plan, folder / "float_plan.txt")
    watch("hand-over: tables")
    sr.write_geojson(plan, folder)
    watch("hand-over: map.png")
    sr.draw_map(plan, folder / "map.png")
    watch("hand-over: map.pdf")
    sr.draw_map(plan, folder / "map.pdf")
    watch("hand-over: page")
    sr.write_brief(plan, folder / "brief.html")
    watch("")
    return watch.seconds


def run_alone(caches: Path | None) -> dict[str, float]:
    """Seconds by stage of a process of its own, its caches in a folder (None: where they usually are)."""
    extra = {} if caches is None else {"NUMBA_CACHE_DIR": f"{caches}/numba", "MPLCONFIGDIR": f"{caches}/mpl"}
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__]
        start = perf_counter()
        done = subprocess.run(
            command, env=os.environ | extra | {CHILD: folder}, stdout=subprocess.PIPE, check=True
        )
        whole = perf_counter() - start
    seconds = json.loads(done.stdout)
    return seconds | {"start and end of the process": whole - sum(seconds.values()), "whole": whole}


def main() -> None:
    if read_options(__doc__).quick:
        say("one run with the usual caches")
        seconds = run_alone(None)
        print_table("the main job, s", ["", "one run"], list(seconds.items()))
        return
    with tempfile.TemporaryDirectory() as caches:
        say("first run, with empty caches")
        first = run_alone(Path(caches))
        later = []
        for number in range(WARM_RUNS):
            say(f"later run {number + 1} of {WARM_RUNS}")
            later.append(run_alone(Path(caches)))
    rows = []
    for name in first:
        again = median(run[name] for run in later)
        rows.append([name, first[name], again, again / median(run["whole"] for run in later)])
    print_table(
        "the main job, s",
        ["", "first run", "later runs", "share"],
        [[name, cold, warm, f"{share:.0%}"] for name, cold, warm, share in rows],
    )


if __name__ == "__main__":
    if CHILD in os.environ:
        print(json.dumps(do_job(Path(os.environ[CHILD]))))
    else:
        main()
