"""A day's tour of search boxes: which, in what order, from which end, within hours, daylight and fuel.

The orienteering problem (Tsiligirides 1984, J. Oper. Res. Soc. 35:797-809) with two-ended stops. Iterated
local search: best insertion by profit per second, exchange and reversal, then a shake by taking out a run of
stops (Lourenço, Martin & Stützle 2003, *Handbook of Metaheuristics*, ch. 11). Places are numbered 0 for the
sea buoy, 1 + 2b and 2 + 2b for the two ends of box b.
"""

import math

import numpy as np
from numba import njit


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
def _fits(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel):
    t, running, feasible = tour_time(order, flip, n, travel, work, opens, closes)
    if not feasible or t > ends:
        return math.inf
    used = running * burn
    for k in range(n):
        used += work_fuel[order[k]]
    return t if used <= fuel else math.inf


@njit(cache=True)
def _insert_best(order, flip, n, chosen, profit, travel, work, work_fuel, burn, opens, closes, ends, fuel):
    """Insert the box with the most profit per added second, while any fits; the new number of stops."""
    trial = np.empty_like(order)
    trial_flip = np.empty_like(flip)
    while n < order.size:
        base = _fits(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel)
        best_rate = 0.0
        best_box = best_place = -1
        best_end = False
        for b in range(profit.size):
            if chosen[b] or profit[b] <= 0.0:
                continue
            for place in range(n + 1):
                for end in range(2):
                    trial[:place] = order[:place]
                    trial_flip[:place] = flip[:place]
                    trial[place] = b
                    trial_flip[place] = end == 1
                    trial[place + 1 : n + 1] = order[place:n]
                    trial_flip[place + 1 : n + 1] = flip[place:n]
                    t = _fits(
                        trial, trial_flip, n + 1, travel, work, work_fuel, burn, opens, closes, ends, fuel
                    )
                    if t < math.inf:
                        rate = profit[b] / max(t - base, 1.0)
                        if rate > best_rate:
                            best_rate = rate
                            best_box, best_place, best_end = b, place, end == 1
        if best_box < 0:
            return n
        order[best_place + 1 : n + 1] = order[best_place:n].copy()
        flip[best_place + 1 : n + 1] = flip[best_place:n].copy()
        order[best_place] = best_box
        flip[best_place] = best_end
        chosen[best_box] = True
        n += 1
    return n


@njit(cache=True)
def _shorten(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel):
    """Reverse stretches of the tour (turning their stops round) while it gets shorter."""
    improved = True
    while improved:
        improved = False
        best = _fits(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel)
        for a in range(n):
            for z in range(a, n):
                order[a : z + 1] = order[a : z + 1][::-1].copy()
                flip[a : z + 1] = ~flip[a : z + 1][::-1].copy()
                t = _fits(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel)
                if t < best - 1e-6:
                    best = t
                    improved = True
                else:
                    order[a : z + 1] = order[a : z + 1][::-1].copy()
                    flip[a : z + 1] = ~flip[a : z + 1][::-1].copy()


@njit(cache=True)
def search_tour(profit, travel, work, work_fuel, burn, opens, closes, ends, fuel, rounds, seed):
    """The best tour found: boxes in order, flips, total profit.

    profit: per box, > 0. travel: s between places, (2n + 1, 2n + 1), infinite where there is no way. work: s
    per box; work_fuel: L. burn: L/s under way. opens, closes, ends: s after leaving. fuel: L. The same `seed`
    gives the same tour.
    """
    np.random.seed(seed)
    size = profit.size
    order = np.zeros(size, np.int64)
    flip = np.zeros(size, np.bool_)
    best_order = order.copy()
    best_flip = flip.copy()
    best_n = 0
    best_profit = 0.0
    best_time = math.inf
    n = 0
    for _ in range(rounds):
        chosen = np.zeros(size, np.bool_)
        for k in range(n):
            chosen[order[k]] = True
        n = _insert_best(
            order, flip, n, chosen, profit, travel, work, work_fuel, burn, opens, closes, ends, fuel
        )
        _shorten(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel)
        n = _insert_best(
            order, flip, n, chosen, profit, travel, work, work_fuel, burn, opens, closes, ends, fuel
        )
        total = 0.0
        for k in range(n):
            total += profit[order[k]]
        t = _fits(order, flip, n, travel, work, work_fuel, burn, opens, closes, ends, fuel)
        if t < math.inf and (total > best_profit + 1e-12 or (total > best_profit - 1e-12 and t < best_time)):
            best_profit, best_time, best_n = total, t, n
            best_order[:n] = order[:n]
            best_flip[:n] = flip[:n]
        # shake: from the best tour take out a run of stops, and sometimes one more box from the choice
        n = best_n
        order[:n] = best_order[:n]
        flip[:n] = best_flip[:n]
        if n > 0:
            first = np.random.randint(0, n)
            count = np.random.randint(1, min(3, n - first) + 1)
            order[first : n - count] = order[first + count : n].copy()
            flip[first : n - count] = flip[first + count : n].copy()
            n -= count
            # start the refilling from a box chosen by chance, so that greed alone does not decide
            b = np.random.randint(0, size)
            absent = True
            for k in range(n):
                absent = absent and order[k] != b
            if absent and profit[b] > 0.0:
                order[n] = b
                flip[n] = np.random.randint(0, 2) == 1
                if (
                    _fits(order, flip, n + 1, travel, work, work_fuel, burn, opens, closes, ends, fuel)
                    < math.inf
                ):
                    n += 1
    return best_order[:best_n].copy(), best_flip[:best_n].copy(), best_profit
