"""How fast a day's tour is found and proven best, and what a general solver makes of the same day.

Our search (`searcher.kernels.tour`) and proof (`searcher.kernels.bound`) beside OR-tools' CP-SAT, which is
given the same problem and ten times as long as both of ours took, but at least five seconds. Days are
invented: boxes at random off a port, with one, two or three passes over each from either end.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from time import perf_counter

from timing import print_table, read_options, say, time_in_turn

sys.path.insert(0, str(Path(__file__).parents[1]))
from orienteering import chao, day_at_sea, solve_by_constraints, tsiligirides

from searcher.kernels.bound import prove_tour
from searcher.kernels.tour import search_tour

QUICK_ROUNDS, ROUNDS = 300, 2000
LEAST = 5.0


def measure(name: str, problem, *, rounds: int, solver: bool) -> tuple:
    """One row: seconds and profit of a short search, a long one with its proof, and of the general solver."""
    say(name)
    found = {}

    def search():
        found["quick"] = search_tour(problem, QUICK_ROUNDS, 0)

    def search_longer():
        found["long"] = search_tour(problem, ROUNDS, 0)

    def prove():
        found["proof"] = prove_tour(problem, found["long"][0])

    sides = {"search": search, "longer": search_longer, "proof": prove}
    seconds = {
        side: sorted(times)[len(times) // 2] for side, times in time_in_turn(sides, rounds=rounds).items()
    }
    proof = found["proof"]
    row = [name, seconds["search"] * 1e3, seconds["longer"] * 1e3, seconds["proof"]]
    row += [found["quick"][1] / proof.best, found["long"][1] / proof.best, proof.bound / proof.best - 1.0]
    row += [proof.looked]
    if not solver:
        return (*row, "-", "-", "-")
    limit = max(LEAST, 10 * (seconds["longer"] + seconds["proof"]))
    start = perf_counter()
    profit, optimal = solve_by_constraints(problem, limit=limit)
    found = "none found" if math.isnan(profit) else float(profit / proof.best)
    return (*row, perf_counter() - start, found, "yes" if optimal else "no")


def main() -> None:
    quick = read_options(__doc__).quick
    counts, seeds, rounds = ((8,), (1,), 1) if quick else ((15, 30, 40, 60), (1, 2), 3)
    cases = [
        (f"{count} boxes, {tank:.0f} L, seed {seed}", day_at_sea(seed, count, tank=tank))
        for count in counts
        for tank in ((300.0,) if quick else (180.0, 240.0, 300.0))
        for seed in seeds
    ]
    sets = [
        (f"Tsiligirides 1, {budget}", tsiligirides(budget)) for budget in ((15,) if quick else (20, 40, 85))
    ]
    sets += [(f"diamond of 64, {budget}", chao(budget)) for budget in (() if quick else (15, 20, 25))]
    rows = [measure(name, problem, rounds=rounds, solver=True) for name, problem in cases]
    rows += [measure(name, problem, rounds=rounds, solver=False) for name, problem in sets]
    header = ("day", "search ms", "longer ms", "proof s", "search/best", "longer/best", "gap", "looked at")
    print_table("A day's tour", (*header, "CP-SAT s", "CP-SAT/best", "optimal"), rows)


if __name__ == "__main__":
    main()
