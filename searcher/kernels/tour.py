"""A day's tour of search boxes: which, in what order, from which end, how often, within hours and fuel.

The orienteering problem (Tsiligirides 1984, J. Oper. Res. Soc. 35:797-809; Gunawan, Lau & Vansteenwegen
2016, Eur. J. Oper. Res. 255:315-332) with two budgets and several ways of working each stop. Iterated local
search: best insertion by worth per cost, further passes, exchange, reversal and moving of stops, then a shake
by taking out a run of stops that may not come straight back (Lourenço, Martin & Stützle 2003, *Handbook of
Metaheuristics*, ch. 11). `searcher.kernels.bound` tells how far from the best its tours can be.
"""

import math
from typing import NamedTuple

import numpy as np

from searcher.kernels.compiled import inner, kernel

#: the first so many ways of a box are those of working it once, from either end
FIRST = 2
#: two costs this close are the same
SAME = 1e-9


class Problem(NamedTuple):
    """A day to fill with boxes, each worked at most once, in one of several ways.

    Ways of the same box stand together, as many for every box, in order of rising work. Place 0 is the start
    as a row of the matrices and the finish as a column.
    """

    entry: np.ndarray  # place where a way of working begins, per way
    leave: np.ndarray  # place where it ends
    back: np.ndarray  # the same way the other way round
    profit: np.ndarray  # ways of no profit are never chosen
    work: np.ndarray  # s
    work_fuel: np.ndarray  # L
    time: np.ndarray  # s between places; infinite where there is no way
    fuel: np.ndarray  # L between places
    hours: float  # s
    tank: float  # L
    ways: int  # per box


@kernel()
def spend(tour, n, problem):
    """(s, L, profit) of the first n ways of a tour, from the start to the finish."""
    here = 0
    seconds = litres = profit = 0.0
    for k in range(n):
        way = tour[k]
        seconds += problem.time[here, problem.entry[way]] + problem.work[way]
        litres += problem.fuel[here, problem.entry[way]] + problem.work_fuel[way]
        profit += problem.profit[way]
        here = problem.leave[way]
    return seconds + problem.time[here, 0], litres + problem.fuel[here, 0], profit


@inner()
def _change(tour, n, at, on, way, problem):
    """(s, L) more where `way` comes in before stop `at`, or in its place, `on` being `at` or `at` + 1."""
    before = problem.leave[tour[at - 1]] if at > 0 else 0
    after = problem.entry[tour[on]] if on < n else 0
    entry = problem.entry[way]
    leave = problem.leave[way]
    seconds = problem.time[before, entry] + problem.work[way] + problem.time[leave, after]
    litres = problem.fuel[before, entry] + problem.work_fuel[way] + problem.fuel[leave, after]
    if on == at:
        return seconds - problem.time[before, after], litres - problem.fuel[before, after]
    old = tour[at]
    entry = problem.entry[old]
    leave = problem.leave[old]
    seconds -= problem.time[before, entry] + problem.work[old] + problem.time[leave, after]
    litres -= problem.fuel[before, entry] + problem.work_fuel[old] + problem.fuel[leave, after]
    return seconds, litres


@inner()
def _insert(tour, n, at, way):
    """Put a way in before stop `at`."""
    for k in range(n, at, -1):
        tour[k] = tour[k - 1]
    tour[at] = way


@inner()
def _remove(tour, n, at):
    """Take stop `at` out."""
    for k in range(at, n - 1):
        tour[k] = tour[k + 1]


@inner()
def _fill(tour, n, barred, weight, first, problem):
    """Put in, or work more often, what has most weight per cost, while anything fits; stops then.

    A new box comes in by one of its `first` ways.
    """
    while True:
        seconds, litres, _ = spend(tour, n, problem)
        best = 0.0
        best_way = best_at = best_on = np.int64(-1)
        for trial in range(barred.size + n):
            # an unchosen box may come in anywhere, a chosen one may be worked in another way
            chosen = trial >= barred.size
            place = trial - barred.size
            box = tour[place] // problem.ways if chosen else trial
            if barred[box] and not chosen:
                continue
            old = weight[tour[place]] if chosen else 0.0
            stop = problem.ways if chosen else min(first, problem.ways)
            for way in range(box * problem.ways, box * problem.ways + stop):
                gain = weight[way] - old
                if gain <= 0.0:
                    continue
                for at in range(place if chosen else 0, place + 1 if chosen else n + 1):
                    on = at + 1 if chosen else at
                    more, burnt = _change(tour, n, at, on, way, problem)
                    if seconds + more <= problem.hours and litres + burnt <= problem.tank:
                        cost = max(more / problem.hours + burnt / problem.tank, 1e-6)
                        if gain > best * cost:
                            best = gain / cost
                            best_way, best_at, best_on = way, at, on
        if best_way < 0:
            return n
        if best_at == best_on:
            _insert(tour, n, best_at, best_way)
            n += 1
        else:
            tour[best_at] = best_way
        barred[best_way // problem.ways] = True


@inner()
def _turn(tour, n, problem):
    """Reverse stretches of the tour, working their stops the other way round, while that saves."""
    improved = True
    while improved:
        improved = False
        seconds, litres, _ = spend(tour, n, problem)
        for a in range(n):
            before = problem.leave[tour[a - 1]] if a > 0 else 0
            more = burnt = 0.0
            for z in range(a, n):
                # within the stretch, arcs and work as they are are taken off and as they would be are put on
                way = tour[z]
                back = problem.back[way]
                more += problem.work[back] - problem.work[way]
                burnt += problem.work_fuel[back] - problem.work_fuel[way]
                if z > a:
                    one = tour[z - 1]
                    other = problem.back[one]
                    more += problem.time[problem.leave[back], problem.entry[other]]
                    more -= problem.time[problem.leave[one], problem.entry[way]]
                    burnt += problem.fuel[problem.leave[back], problem.entry[other]]
                    burnt -= problem.fuel[problem.leave[one], problem.entry[way]]
                after = problem.entry[tour[z + 1]] if z + 1 < n else 0
                last = problem.leave[problem.back[tour[a]]]
                s = more + problem.time[before, problem.entry[back]] + problem.time[last, after]
                s -= problem.time[before, problem.entry[tour[a]]] + problem.time[problem.leave[way], after]
                f = burnt + problem.fuel[before, problem.entry[back]] + problem.fuel[last, after]
                f -= problem.fuel[before, problem.entry[tour[a]]] + problem.fuel[problem.leave[way], after]
                saves = s / problem.hours + f / problem.tank < -SAME
                if saves and seconds + s <= problem.hours and litres + f <= problem.tank:
                    for k in range((z - a + 2) // 2):
                        low, high = tour[a + k], tour[z - k]
                        tour[a + k], tour[z - k] = problem.back[high], problem.back[low]
                    improved = True
                    break
            if improved:
                break


@inner()
def _exchange(tour, n, barred, problem):
    """Put a better box in the place of a stop, or a stop in a better place, wherever that fits."""
    seconds, litres, _ = spend(tour, n, problem)
    for k in range(n):
        worth = problem.profit[tour[k]]
        for way in range(problem.profit.size):
            box = way // problem.ways
            if problem.profit[way] <= worth or (barred[box] and tour[k] // problem.ways != box):
                continue
            more, burnt = _change(tour, n, k, k + 1, way, problem)
            if seconds + more <= problem.hours and litres + burnt <= problem.tank:
                barred[tour[k] // problem.ways] = False
                barred[box] = True
                tour[k] = way
                worth = problem.profit[way]
                seconds += more
                litres += burnt
    for k in range(n):
        # out with the stop, and in again where it costs least
        way = tour[k]
        _remove(tour, n, k)
        seconds, litres, _ = spend(tour, n - 1, problem)
        best = math.inf
        place, put = k, way
        for at in range(n):
            for turned in (way, problem.back[way]):
                more, burnt = _change(tour, n - 1, at, at, turned, problem)
                cost = more / problem.hours + burnt / problem.tank
                fits = seconds + more <= problem.hours and litres + burnt <= problem.tank
                if fits and cost < best - SAME:
                    best, place, put = cost, at, turned
        _insert(tour, n - 1, place, put)


@inner()
def _draw(state, below):
    """A whole number from 0 to below - 1 by chance (xorshift, Marsaglia 2003, J. Stat. Softw. 8(14))."""
    x = state[0]
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    x ^= x << np.uint64(17)
    state[0] = x
    return np.int64((x >> np.uint64(11)) % np.uint64(below))


@inner()
def _ease(tour, n, state, problem):
    """Work some stops, chosen by chance, in a way that takes less work."""
    for k in range(n):
        way = tour[k] // problem.ways * problem.ways + _draw(state, 2 * problem.ways) // 2
        seconds, litres, _ = spend(tour, n, problem)
        if problem.profit[way] > 0.0 and problem.work[way] < problem.work[tour[k]]:
            more, burnt = _change(tour, n, k, k + 1, way, problem)
            if seconds + more <= problem.hours and litres + burnt <= problem.tank:
                tour[k] = way


@kernel()
def search_tour(problem, rounds, seed):
    """The best tour found for a `Problem`: its ways in order, and their profit. One seed gives one tour."""
    boxes = problem.profit.size // problem.ways
    state = np.empty(1, np.uint64)
    state[0] = np.uint64(seed) * np.uint64(2654435769) + np.uint64(88172645463325252)
    tour = np.empty(boxes + 1, np.int64)
    best_tour = np.empty(boxes + 1, np.int64)
    weight = np.empty(problem.profit.size)
    barred = np.empty(boxes, np.bool_)
    # typed zeros: numba would compile every function it calls anew for a literal one
    n = best_n = since = np.int64(0)
    once, many = np.int64(FIRST), np.int64(problem.ways)
    scale = np.int64(1000)
    best_profit = 0.0
    best_cost = math.inf
    for turn in range(rounds):
        for box in range(boxes):
            barred[box] = False
        for k in range(n):
            barred[tour[k] // problem.ways] = True
        if n > 0:
            first = _draw(state, n)
            count = 1 + _draw(state, min(1 + n // 2, n - first))
            for _ in range(count):
                _remove(tour, n, first)
                n -= 1
            if problem.ways > 1:
                _ease(tour, n, state, problem)
        taste = 1.0
        greed = 0.5 + 0.0015 * _draw(state, scale)
        for way in range(weight.size):
            if way % problem.ways == 0:
                taste = 0.8 + 0.0004 * _draw(state, scale)
            weight[way] = taste * max(problem.profit[way], 0.0) ** greed
        n = _fill(tour, n, barred, weight, once if turn % 3 else many, problem)
        _turn(tour, n, problem)
        for box in range(boxes):
            barred[box] = False
        for k in range(n):
            barred[tour[k] // problem.ways] = True
        _exchange(tour, n, barred, problem)
        _turn(tour, n, problem)
        n = _fill(tour, n, barred, problem.profit, once, problem)
        seconds, litres, profit = spend(tour, n, problem)
        cost = seconds / problem.hours + litres / problem.tank
        since += 1
        if profit > best_profit + SAME or (profit > best_profit - SAME and cost < best_cost - SAME):
            best_profit, best_cost, best_n = profit, cost, n
            for k in range(n):
                best_tour[k] = tour[k]
            since = 0
        elif since > 20:  # wander no farther: back to the best
            n = best_n
            for k in range(n):
                tour[k] = best_tour[k]
            since = 0
    return best_tour[:best_n].copy(), best_profit
