"""A day's tour of search boxes: which, in what order, from which end, within hours, daylight and fuel.

The orienteering problem (Tsiligirides 1984, J. Oper. Res. Soc. 35:797-809) with two-ended stops. Iterated
local search: best insertion by profit per second, exchange and reversal, then a shake by taking out a run of
stops that may not come straight back (Lourenço, Martin & Stützle 2003, *Handbook of Metaheuristics*, ch.
11). Places are numbered 0 for the sea buoy, 1 + 2b and 2 + 2b for the two ends of box b.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit


class Problem(NamedTuple):
    """A day to fill with boxes."""

    profit: np.ndarray  # per box; boxes of no profit are never chosen
    travel: np.ndarray  # s between places, (2n + 1, 2n + 1); infinite where there is no way
    work: np.ndarray  # s per box
    work_fuel: np.ndarray  # L per box
    burn: float  # L/s under way
    opens: float  # s after leaving: lines may go in
    closes: float  # lines must be up
    ends: float  # back at the sea buoy
    fuel: float  # L


@njit(cache=True)
def tour_time(order, flip, n, travel, work, opens, closes):
    """(time at the sea buoy again, time under way, feasible in daylight) of a tour of n stops from time 0.

    order: boxes; flip: whether a box is entered at its far end. Lines are wet only from `opens` to `closes`.
    """
    here = 0
    t = 0.0
    running = 0.0
    for k in range(n):
        b = order[k]
        first = 2 + 2 * b if flip[k] else 1 + 2 * b
        last = 1 + 2 * b if flip[k] else 2 + 2 * b
        t += travel[here, first]
        running += travel[here, first]
        t = max(t, opens) + work[b]
        if t > closes:
            return t, running, False
        here = last
    return t + travel[here, 0], running + travel[here, 0], True


@njit(cache=True)
def fitting_time(order, flip, n, problem):
    """Time at the sea buoy again, or infinity where hours, light or fuel do not allow the tour."""
    t, running, feasible = tour_time(
        order, flip, n, problem.travel, problem.work, problem.opens, problem.closes
    )
    if not feasible or t > problem.ends:
        return math.inf
    used = running * problem.burn
    for k in range(n):
        used += problem.work_fuel[order[k]]
    return t if used <= problem.fuel else math.inf


@njit(cache=True)
def _insert(order, flip, n, place, box, end):
    """Put a box into the tour, in place."""
    order[place + 1 : n + 1] = order[place:n].copy()
    flip[place + 1 : n + 1] = flip[place:n].copy()
    order[place] = box
    flip[place] = end


@njit(cache=True)
def _remove(order, flip, n, place):
    """Take a stop out of the tour, in place."""
    order[place : n - 1] = order[place + 1 : n].copy()
    flip[place : n - 1] = flip[place + 1 : n].copy()


@njit(cache=True)
def _fill(order, flip, n, barred, problem, greed):
    """Insert the box with the most profit^greed per added second, while any fits; the new number of stops."""
    while n < order.size:
        base = fitting_time(order, flip, n, problem)
        best_rate = 0.0
        best_box = best_place = -1
        best_end = False
        for b in range(problem.profit.size):
            if barred[b] or problem.profit[b] <= 0.0:
                continue
            worth = problem.profit[b] ** greed
            for place in range(n + 1):
                for end in (False, True):
                    _insert(order, flip, n, place, b, end)
                    t = fitting_time(order, flip, n + 1, problem)
                    _remove(order, flip, n + 1, place)
                    rate = worth / max(t - base, 1.0)  # 0 where it does not fit
                    if rate > best_rate:
                        best_rate = rate
                        best_box, best_place, best_end = b, place, end
        if best_box < 0:
            return n
        _insert(order, flip, n, best_place, best_box, best_end)
        barred[best_box] = True
        n += 1
    return n


@njit(cache=True)
def _reverse(order, flip, a, z):
    """Work stops a to z the other way round."""
    order[a : z + 1] = order[a : z + 1][::-1].copy()
    flip[a : z + 1] = ~flip[a : z + 1][::-1].copy()


@njit(cache=True)
def _shorten(order, flip, n, problem):
    """Reverse stretches of the tour (turning their stops round) while it gets shorter."""
    improved = True
    while improved:
        improved = False
        best = fitting_time(order, flip, n, problem)
        for a in range(n):
            for z in range(a, n):
                _reverse(order, flip, a, z)
                t = fitting_time(order, flip, n, problem)
                if t < best - 1e-6:
                    best = t
                    improved = True
                else:
                    _reverse(order, flip, a, z)


@njit(cache=True)
def _exchange(order, flip, n, barred, problem):
    """Put a better box in the place of a stop, wherever one fits."""
    for k in range(n):
        old = order[k]
        old_end = flip[k]
        for b in range(problem.profit.size):
            if barred[b] or problem.profit[b] <= problem.profit[order[k]]:
                continue
            for end in (False, True):
                was = order[k]
                was_end = flip[k]
                order[k] = b
                flip[k] = end
                if fitting_time(order, flip, n, problem) < math.inf:
                    break
                order[k] = was
                flip[k] = was_end
        if order[k] != old:
            barred[old] = False
            barred[order[k]] = True
        else:
            flip[k] = old_end


@njit(cache=True)
def _shake(order, flip, n, barred):
    """Take out a run of stops by chance; they stay barred for now. The new number of stops."""
    if n == 0:
        return 0
    first = np.random.randint(0, n)
    for _ in range(np.random.randint(1, min(4, n - first) + 1)):
        barred[order[first]] = True
        _remove(order, flip, n, first)
        n -= 1
    return n


@njit(cache=True)
def _bar_chosen(order, n, size):
    """Which boxes stand in the tour already."""
    barred = np.zeros(size, np.bool_)
    for k in range(n):
        barred[order[k]] = True
    return barred


@njit(cache=True)
def search_tour(problem, rounds, seed):
    """The best tour found for a `Problem`: boxes in order, flips, total profit. One seed gives one tour."""
    np.random.seed(seed)
    size = problem.profit.size
    order = np.zeros(size, np.int64)
    flip = np.zeros(size, np.bool_)
    best_order = order.copy()
    best_flip = flip.copy()
    n = best_n = 0
    best_profit = 0.0
    best_time = math.inf
    since = 0
    for _ in range(rounds):
        barred = _bar_chosen(order, n, size)
        n = _shake(order, flip, n, barred)
        n = _fill(order, flip, n, barred, problem, 0.5 + 1.5 * np.random.random())
        _shorten(order, flip, n, problem)
        barred = _bar_chosen(order, n, size)
        n = _fill(order, flip, n, barred, problem, 1.0)
        _exchange(order, flip, n, barred, problem)
        _shorten(order, flip, n, problem)
        n = _fill(order, flip, n, _bar_chosen(order, n, size), problem, 1.0)
        total = 0.0
        for k in range(n):
            total += problem.profit[order[k]]
        t = fitting_time(order, flip, n, problem)
        since += 1
        if total > best_profit + 1e-9 or (total > best_profit - 1e-9 and t < best_time - 1e-6):
            best_profit, best_time, best_n = total, t, n
            best_order[:n] = order[:n]
            best_flip[:n] = flip[:n]
            since = 0
        elif since > 20:  # wander no farther: back to the best
            n = best_n
            order[:n] = best_order[:n]
            flip[:n] = best_flip[:n]
            since = 0
    return best_order[:best_n].copy(), best_flip[:best_n].copy(), best_profit
