"""Days to be toured: at random, and the published sets of the orienteering problem."""

from __future__ import annotations

import numpy as np

from searcher.kernels.tour import Problem

#: Tsiligirides 1984, J. Oper. Res. Soc. 35:797-809, problem 1: x, y, score; start and end first
TSILIGIRIDES = """
 10.5 14.4 0; 11.2 14.1 0; 18 15.9 10; 18.3 13.3 10; 16.5 9.3 10; 15.4 11 10; 14.9 13.2 5; 16.3 13.3
5; 16.4 17.8 5; 15 17.9 5; 16.1 19.6 10; 15.7 20.6 10; 13.2 20.1 10; 14.3 15.3 5; 14 5.1 10; 11.4
6.7 15; 8.3 5 15; 7.9 9.8 10; 11.4 12 5; 11.2 17.6 5; 10.1 18.7 5; 11.7 20.3 10; 10.2 22.1 10; 9.7
23.8 10; 10.1 26.4 15; 7.4 24 15; 8.2 19.9 15; 8.7 17.7 10; 8.9 13.6 10; 5.6 11.1 10; 4.9 18.9 10;
7.3 18.8 10
"""


def tour_points(xy: np.ndarray, score: np.ndarray, finish, budget: float) -> Problem:
    """Stops that are points, one way of working each: xy with the start first, (stops + 1, 2)."""
    time = np.hypot(*(xy[:, None] - xy).transpose(2, 0, 1))
    time[:, 0] = np.hypot(*(xy - finish).T)
    stops = np.arange(1, len(xy))
    none = np.zeros(stops.size)
    back = np.arange(stops.size)
    return Problem(stops, stops, back, score, none, none, time, np.zeros_like(time), float(budget), 1e9, 1)


def tsiligirides(budget: float) -> Problem:
    x, y, score = np.array([row.split() for row in TSILIGIRIDES.split(";")], dtype=float).T
    xy = np.column_stack([x, y])
    return tour_points(np.delete(xy, 1, axis=0), score[2:], xy[1], budget)


def chao(budget: float) -> Problem:
    """Chao, Golden & Wasil 1996, Eur. J. Oper. Res. 88:475-489: the set of 64 on a diamond."""
    places = [(x, y) for y in range(-6, 7) for x in range(abs(y) - 7, 8 - abs(y), 2)]
    xy = np.array([(0, -7), *places], dtype=float)
    score = 3.0 * (np.abs(xy[1:, 0]) + 7 - np.abs(xy[1:, 1]))
    return tour_points(xy, score, (0.0, 7.0), budget)


def two_ended(profit, time, work, *, burn, work_burn, hours, tank) -> Problem:
    """Boxes with two ends: profit and work (boxes, passes); even passes end where they began."""
    count, passes = profit.shape
    ways = [(b, p, flip) for b in range(count) for p in range(passes) for flip in range(2)]
    box, turn, flip = np.array(ways).T
    entry = 1 + 2 * box + flip
    odd = turn % 2 == 0
    return Problem(
        entry,
        np.where(odd, 1 + 2 * box + (1 - flip), entry),
        np.arange(len(ways)) + np.where(odd, 1 - 2 * flip, 0),
        profit[box, turn],
        work[box, turn],
        work_burn * work[box, turn],
        time,
        burn * np.where(np.isfinite(time), time, 0.0),
        float(hours),
        float(tank),
        2 * passes,
    )


def day_at_sea(
    seed: int, count: int, *, passes: int = 3, hours: float = 36e3, tank: float = 300.0, spread: float = 60e3
) -> Problem:
    """Boxes at random off a port: 2 to 13 km of line, 0.05 to 1 encounters an hour, a current of up to 1 m/s.

    20 kn under way at 43 L/h, 8 kn at work at 14 L/h; a further pass is worth 0.45 to 0.8 of the one before.
    """
    rng = np.random.default_rng(seed)
    middle, half = rng.uniform(-spread, spread, (count, 1, 2)), rng.uniform(-4e3, 4e3, (count, 1, 2))
    ends = np.concatenate([middle - half, middle + half], axis=1).reshape(-1, 2)
    places = np.concatenate([np.zeros((1, 2)), ends])
    away = places[None] - places[:, None]
    current = rng.uniform(-0.7, 0.7, 2)
    # |d - c t| = S t for a boat that makes S through the water
    along, left = away @ current, 10.3**2 - current @ current
    time = (-along + np.sqrt(along**2 + left * (away**2).sum(axis=-1))) / left
    one = (2 * np.hypot(*half[:, 0].T) + 926.0)[:, None] / 4.1
    number = np.arange(1, passes + 1)
    fade = rng.uniform(0.45, 0.8, (count, 1))
    rate = rng.uniform(0.05, 1.0, (count, 1)) / 3600.0
    profit = rate * one * (1 - fade**number) / (1 - fade)
    return two_ended(profit, time, one * number, burn=0.012, work_burn=0.004, hours=hours, tank=tank)


def add_up(problem: Problem, tour) -> tuple[float, float, float]:
    """(s, L, profit) of a tour in plain arithmetic."""
    here, seconds, litres = 0, 0.0, 0.0
    for way in tour:
        seconds += problem.time[here, problem.entry[way]] + problem.work[way]
        litres += problem.fuel[here, problem.entry[way]] + problem.work_fuel[way]
        here = problem.leave[way]
    litres += problem.fuel[here, 0]
    return seconds + problem.time[here, 0], litres, float(problem.profit[list(tour)].sum())


def solve_by_constraints(problem: Problem, *, limit: float) -> tuple[float, bool]:
    """(profit, whether proven best) by OR-tools' CP-SAT: a circuit over ways of working, in whole units.

    Costs are rounded up to a 20000th of their budget and profits to a millionth of the greatest, so that the
    answer is a tour that fits.
    """
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    fine, worth = 20_000, 1e6 / problem.profit.max()
    useful = np.flatnonzero(problem.profit > 0)
    chosen = {int(way): model.new_bool_var("") for way in useful}
    arcs, spent = [], [[], []]

    def add_arc(tail, head, place, other, work, fuel):
        seconds, litres = problem.time[place, other] + work, problem.fuel[place, other] + fuel
        if not np.isfinite(seconds):
            return
        arc = model.new_bool_var("")
        arcs.append((tail, head, arc))
        spent[0].append(arc * int(np.ceil(seconds / problem.hours * fine - 1e-9)))
        spent[1].append(arc * int(np.ceil(litres / problem.tank * fine - 1e-9)))

    for way in chosen:
        entry, leave = problem.entry[way], problem.leave[way]
        add_arc(0, way + 1, 0, entry, problem.work[way], problem.work_fuel[way])
        add_arc(way + 1, 0, leave, 0, 0.0, 0.0)
        arcs.append((way + 1, way + 1, ~chosen[way]))
        for other in chosen:
            if other // problem.ways != way // problem.ways:
                work, fuel = problem.work[other], problem.work_fuel[other]
                add_arc(way + 1, other + 1, leave, problem.entry[other], work, fuel)
    ashore = model.new_bool_var("")
    model.add_circuit([*arcs, (0, 0, ashore)])
    for way in chosen:
        model.add_implication(ashore, ~chosen[way])
    for box in set(useful // problem.ways):
        model.add_at_most_one(chosen[way] for way in chosen if way // problem.ways == box)
    for sum_of in spent:
        model.add(sum(sum_of) <= fine)
    model.maximize(sum(chosen[way] * round(problem.profit[way] * worth) for way in chosen))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = limit
    solver.parameters.num_workers = 2
    solver.parameters.random_seed = 0
    status = solver.solve(model)
    if status == cp_model.UNKNOWN:  # no tour found in the time there was
        return float("nan"), False
    assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE), solver.status_name(status)
    return solver.objective_value / worth, status == cp_model.OPTIMAL
