"""How good a day's tour of boxes can be at most, and the proof that a tour is the best.

A relaxed dynamic programme over (place, what is left of the budget) lets a tour come back to a box once it
has moved away from it and its neighbours: ng-routes (Baldacci, Mingozzi & Roberti 2011, Oper. Res.
59:1269-1283), a state-space relaxation (Christofides, Mingozzi & Toth 1981, Networks 11:145-164). The
neighbours a box remembers are chosen by where relaxed tours go round (as in Roberti & Mingozzi 2014,
Transp. Sci. 48:413-424; from memory). It charges every box a toll that tours which work each at most once get
back, set by subgradients (Held, Wolfe & Crowder 1974, Math. Program. 6:62-88). Ways of working that cannot
lead past the best tour known are struck out. Then all tours that could still be better are extended stop by
stop; of those that have worked the same boxes and stand at the same place only the ones not dominated in
hours, fuel and profit go on (Righini & Salani 2009, Comput. Oper. Res. 36:1191-1203).

Costs are counted in whole steps of the budget and rounded down, so that a bound is never too low. Of the two
budgets, hours and fuel, a weighted mean is kept in the relaxation and both in the extension.
"""

import math
from typing import NamedTuple

import numpy as np

from searcher.kernels.compiled import inner, kernel
from searcher.kernels.tour import Problem, spend

#: neighbours remembered, steps of the budget, and rounds of changing tolls, of each stage
STAGES = ((0, 240, 8), (1, 360, 9), (2, 360, 8))
#: what is remembered is chosen anew after so many rounds; of what was counted so much is kept each round; and
#: the length of a step by subgradients
CHOOSE, FORGET, STEP = 3, 0.95, 0.5
#: a table of no more than so many additions is filled, and so many partial tours have a mask
MOST_WORK, MOST_BOXES = 1e8, 64
#: a budget of which the best tour known leaves more than this is not what holds it back (share)
SLACK = 0.15
#: times a proof that failed is begun anew with a better tour
AGAIN = 2
#: a tour better by less than this share is not looked for
NEAR = 1e-9


class Proof(NamedTuple):
    """The best tour known, its profit, and what no tour can exceed."""

    tour: np.ndarray  # ways in order
    best: float
    bound: float
    proven: bool  # whether the two are the same
    looked: int  # partial tours that were looked at


class Steps(NamedTuple):
    """Costs of a `Problem` in whole steps of a budget, rounded down."""

    go: np.ndarray  # int64 (places, places), from one to another with the least work there
    home: np.ndarray  # int64 (places,)
    work: np.ndarray  # int64 (ways,)
    more: np.ndarray  # int64 (ways,), work beyond the least of any way from the same place
    box: np.ndarray  # int64 (places,), -1 for the start
    budget: int


@kernel()
def relax(entry, leave, gain, steps, near, stride):
    """Most gain from each place with so many steps left, home included: (places, memories, budget + 1).

    A tour remembers, of the boxes it worked, those `near` (boxes, memory bits) every box since, and the last;
    only to these it may not come back. `gain` of each way, -inf for those struck out; `stride`: no stop takes
    fewer steps than this, which is at least 1.
    """
    size = steps.budget + 1
    places = steps.home.size
    memories = 1 << near.shape[1]
    best = np.empty((places, memories, size))  # having left a place
    worth = np.empty((places, memories, size))  # about to work there
    best[:] = worth[:] = -np.inf
    kept = np.empty((places, memories, places), np.int16)
    for v in range(places):
        for memory in range(memories):
            best[v, memory, min(steps.home[v], size) :] = 0.0
            for e in range(1, places):
                kept[v, memory, e] = remember(v, memory, e, steps, near)
    for start in range(0, size, stride):
        stop = min(start + stride, size)
        for v in range(places):
            for memory in range(memories):
                row = best[v, memory]
                for e in range(1, places):
                    go = steps.go[v, e]
                    after = kept[v, memory, e]
                    if go < stop and after >= 0:
                        other = worth[e, after]
                        for left in range(max(start, go), stop):
                            row[left] = max(row[left], other[left - go])
        for way in range(entry.size):
            more = steps.more[way]
            for memory in range(memories):
                row = worth[entry[way], memory]
                other = best[leave[way], memory]
                for left in range(max(start, more), stop):
                    row[left] = max(row[left], gain[way] + other[left - more])
    return best


@inner()
def remember(here, memory, place, steps, near):
    """What a tour still remembers when it goes from one place to another; -1 where it may not go."""
    box = steps.box[place]
    last = steps.box[here]
    if box == last:
        return -1
    after = 0
    for bit in range(near.shape[1]):
        if last >= 0 and memory >> bit & 1 and near[last, bit] == box:
            return -1
    for bit in range(near.shape[1]):
        other = near[box, bit]
        if other == last:
            after |= 1 << bit
        elif last >= 0:
            for old in range(near.shape[1]):
                if memory >> old & 1 and near[last, old] == other:
                    after |= 1 << bit
    return after


@kernel()
def follow(best, entry, leave, gain, steps, near):
    """The boxes that the best relaxed tour from the start works, in order."""
    stops = np.empty(steps.budget + 1, np.int64)
    count = 0
    ways = entry.size // near.shape[0]
    here = memory = np.int64(0)
    left = steps.budget
    going = True
    while going:
        going = False
        target = best[here, memory, left]
        for way in range(entry.size):
            after = remember(here, memory, entry[way], steps, near)
            rest = left - steps.go[here, entry[way]] - steps.more[way]
            if target <= 1e-12 or after < 0 or rest < 0 or going:
                continue
            if gain[way] + best[leave[way], after, rest] >= target - 1e-9:
                stops[count] = way // ways
                count += 1
                here = leave[way]
                memory = after
                left = rest
                going = True
    return stops[:count].copy()


@kernel()
def extend(problem, alive, toll, best, near, mix, known, step, most):
    """Extend all tours that may beat the profit `known` by `step`: (tour, bound, count of partial tours).

    `alive`: ways not struck out; `best`: from `relax`, with gains of profit less toll. The tour is empty
    where none beats `known`. Once there are `most` partial tours no more are made, and the bound is that of
    the open ones.
    """
    budget = best.shape[2] - 1
    masks = np.empty(most, np.uint64)
    sums = np.empty((most, 4))  # s, L, profit, toll of the boxes worked
    leaves = np.empty(most, np.int64)
    parents = np.empty(most, np.int64)
    ways = np.empty(most, np.int64)
    following = np.empty(most, np.int64)  # the next label of the same bucket
    dominated = np.empty(most, np.bool_)
    buckets = np.empty(1 << 16, np.int64)
    buckets[:] = -1
    masks[0], sums[0], leaves[0], dominated[0] = 0, 0.0, 0, False  # the empty tour, in no bucket
    tolls = toll.sum()
    count = 1
    done = 0
    top = -1
    bound = known
    while done < count:
        label = done
        done += 1
        if dominated[label]:
            continue
        here = leaves[label]
        for way in range(alive.size):
            box = way // problem.ways
            bit = np.uint64(1) << np.uint64(box)
            if not alive[way] or masks[label] & bit:
                continue
            entry = problem.entry[way]
            leave = problem.leave[way]
            seconds = sums[label, 0] + problem.time[here, entry] + problem.work[way]
            litres = sums[label, 1] + problem.fuel[here, entry] + problem.work_fuel[way]
            spare = problem.hours - seconds - problem.time[leave, 0]
            if spare < 0.0 or litres + problem.fuel[leave, 0] > problem.tank:
                continue
            profit = sums[label, 2] + problem.profit[way]
            paid = sums[label, 3] + toll[box]
            share = (1.0 - mix) * (1.0 - seconds / problem.hours) + mix * (1.0 - litres / problem.tank)
            left = min(max(int(share * budget + 1e-6), 0), budget)
            memory = 0
            for near_bit in range(near.shape[1]):
                if masks[label] >> np.uint64(near[box, near_bit]) & np.uint64(1):
                    memory |= 1 << near_bit
            most_profit = max(profit, profit + tolls - paid + best[leave, memory, left])
            if most_profit < known + step:
                continue
            if count == most:  # no room to go on: what is open here stays open
                bound = max(bound, most_profit)
                continue
            mask = masks[label] | bit
            bucket = (
                np.int64((mask * np.uint64(0x9E3779B97F4A7C15) >> np.uint64(40)) ^ np.uint64(leave)) & 0xFFFF
            )
            other = buckets[bucket]
            worse = False
            while other >= 0 and not worse:
                if masks[other] == mask and leaves[other] == leave and not dominated[other]:
                    ahead = sums[other]
                    if ahead[0] <= seconds and ahead[1] <= litres and ahead[2] >= profit:
                        worse = True
                    elif ahead[0] >= seconds and ahead[1] >= litres and ahead[2] <= profit:
                        dominated[other] = True
                other = following[other]
            if worse:
                continue
            masks[count] = mask
            leaves[count] = leave
            sums[count, 0] = seconds
            sums[count, 1] = litres
            sums[count, 2] = profit
            sums[count, 3] = paid
            parents[count] = label
            ways[count] = way
            dominated[count] = False
            following[count] = buckets[bucket]
            buckets[bucket] = count
            if profit >= known + step:
                known = profit
                top = count
            count += 1
    length = 0
    label = top
    while label > 0:
        length += 1
        label = parents[label]
    tour = np.empty(length, np.int64)
    label = top
    while label > 0:
        length -= 1
        tour[length] = ways[label]
        label = parents[label]
    return tour, max(bound, known), count


def prove_tour(problem: Problem, tour: np.ndarray, *, most: int = 300_000) -> Proof:
    """The best tour of a problem, beginning with one that is known; proven if `most` partial tours suffice.

    Where they do not, but a better tour was found, that is begun with anew. Memory is bounded by about 100
    bytes per partial tour and 50 MB of tables, time in proportion to them.
    """
    proof = _prove_once(problem, tour, most)
    for _ in range(AGAIN):
        if proof.proven or np.array_equal(proof.tour, tour):
            break
        tour, before = proof.tour, proof
        proof = _prove_once(problem, tour, most)
        proof = proof._replace(bound=min(proof.bound, before.bound), looked=proof.looked + before.looked)
    return proof


def _prove_once(problem: Problem, tour: np.ndarray, most: int) -> Proof:
    """One proof from a known tour."""
    known = float(problem.profit[tour].sum())
    step = max(_common_measure(problem.profit) * (1 - 1e-6), NEAR * max(known, 1.0))
    alive, names = _reachable(problem), np.arange(problem.profit.size)
    toll = np.zeros(problem.profit.size // problem.ways)
    bound = _best_per_box(problem, alive).sum()
    seconds, litres, _ = spend(tour, tour.size, problem)
    slack = (1.0 - seconds / problem.hours, 1.0 - litres / problem.tank)
    crossed = np.zeros((toll.size, toll.size))
    mix = best = near = None
    for memory, budget, rounds in STAGES:
        if bound < known + step:
            return Proof(tour, known, known, True, 0)
        kept = alive.reshape(-1, problem.ways).any(axis=1)
        problem, names, alive, toll = *_keep(problem, alive, names), toll[kept]
        if not toll.size:
            return Proof(tour, known, known, True, 0)
        if mix is None:
            mix = _choose_mix(problem, alive, known, slack)
        crossed = crossed[np.ix_(kept, kept)]
        relaxed = Relaxed(problem, alive, mix, budget, memory, crossed)
        if relaxed.stride < 1:  # stops that take next to no time
            continue
        toll, least = relaxed.lower(toll, known, rounds)
        best, near = relaxed.table(toll), relaxed.near
        bound = min(bound, least, float(toll.sum() + best[0, 0, -1]))
        alive = alive & (relaxed.through(toll, best) >= known + step)
    if bound < known + step:
        return Proof(tour, known, known, True, 0)
    if best is None or toll.size > MOST_BOXES:
        return Proof(tour, known, bound, False, 0)
    better, open_bound, looked = extend(problem, alive, toll, best, near, mix, known, step, most)
    if better.size:
        tour, known = names[better], float(problem.profit[better].sum())
    proven = min(bound, open_bound) < known + step
    return Proof(tour, known, known if proven else min(bound, open_bound), proven, looked)


class Relaxed:
    """The relaxed problem: costs in steps of a budget, the boxes each box is remembered near."""

    def __init__(
        self,
        problem: Problem,
        alive: np.ndarray,
        mix: float,
        budget: int,
        memory: int,
        crossed: np.ndarray,
    ) -> None:
        turned = problem._replace(
            entry=problem.leave,
            leave=problem.entry,
            time=np.ascontiguousarray(problem.time.T),
            fuel=np.ascontiguousarray(problem.fuel.T),
        )
        self.problem, self.turned, self.alive, self.memory = problem, turned, alive, memory
        self.steps, self.back = (count_steps(one, mix, budget) for one in (problem, turned))
        while self.memory and len(problem.time) ** 2 * budget * 2**self.memory > MOST_WORK:
            self.memory -= 1
        self.crossed = crossed
        self.near = _neighbours(self.steps, self.memory, crossed)
        self.stride = min(_stride(self.steps), _stride(self.back))

    def gains(self, toll: np.ndarray) -> np.ndarray:
        """Profit of every way less the toll of its box; -inf for those struck out."""
        return np.where(self.alive, self.problem.profit - np.repeat(toll, self.problem.ways), -np.inf)

    def table(self, toll: np.ndarray) -> np.ndarray:
        """Most gain from every place on: see `relax`."""
        problem = self.problem
        return relax(problem.entry, problem.leave, self.gains(toll), self.steps, self.near, self.stride)

    def through(self, toll: np.ndarray, best: np.ndarray) -> np.ndarray:
        """No tour with a way of working has more profit than this: (ways,)."""
        problem, gain = self.problem, self.gains(toll)
        before = relax(problem.leave, problem.entry, gain, self.back, self.near, self.stride)
        most = np.full(gain.size, -np.inf)
        for way in np.flatnonzero(self.alive):
            left = self.steps.budget - self.steps.work[way]
            if left >= 0:
                both = before[problem.entry[way], 0, : left + 1] + best[problem.leave[way], 0, left::-1]
                most[way] = gain[way] + both.max()
        return toll.sum() + most

    def lower(self, toll: np.ndarray, known: float, rounds: int) -> tuple[np.ndarray, float]:
        """Tolls with a lower bound, by subgradients; the better of those tried, and the least bound.

        Between two visits of a relaxed tour to one box every other box it worked had forgotten it: which
        these were is counted in `crossed`, and every few rounds each box remembers anew by that.
        """
        problem, least, lowest, scale, failed = self.problem, math.inf, toll, 1.0, 0
        for turn in range(rounds):
            best = self.table(toll)
            bound = toll.sum() + best[0, 0, -1]
            failed = 0 if bound < least else failed + 1
            if bound < least:
                least, lowest = bound, toll
            scale *= 0.7 if failed and failed % 3 == 0 else 1.0
            stops = follow(best, problem.entry, problem.leave, self.gains(toll), self.steps, self.near)
            slope = 1.0 - np.bincount(stops, minlength=toll.size)
            slope[(toll <= 0.0) & (slope > 0.0)] = 0.0
            if bound <= known:
                break
            if self.memory:
                self.crossed *= FORGET
                _count_crossed(stops, self.crossed)
                if turn % CHOOSE == CHOOSE - 1:
                    self.near = _neighbours(self.steps, self.memory, self.crossed)
            if slope.any():
                toll = np.maximum(toll - STEP * scale * (bound - known) / (slope**2).sum() * slope, 0.0)
            else:
                break
        return lowest, float(least)


def _count_crossed(stops: np.ndarray, crossed: np.ndarray) -> None:
    """Count what lies between two visits to the same box: crossed[between, box]."""
    last: dict[int, int] = {}
    for at, box in enumerate(stops.tolist()):
        if box in last:
            crossed[stops[last[box] + 1 : at], box] += 1.0
        last[box] = at


def count_steps(problem: Problem, mix: float, budget: int) -> Steps:
    """Costs as `mix` parts fuel and the rest hours, rounded down to steps; each whole budget is `budget`."""
    to_time, to_fuel = (1.0 - mix) * budget / problem.hours, mix * budget / problem.tank
    clear = np.isfinite(problem.time) & np.isfinite(problem.fuel)
    cost = np.where(clear, problem.time, 0.0) * to_time + np.where(clear, problem.fuel, 0.0) * to_fuel
    cost[~clear] = 4.0 * budget
    work = problem.work * to_time + problem.work_fuel * to_fuel
    least = np.full(len(cost), np.inf)
    np.minimum.at(least, problem.entry, work)
    box = np.full(len(cost), -1)
    for places in (problem.entry, problem.leave):
        box[places] = np.arange(places.size) // problem.ways
    steps = [_down(a, budget) for a in (cost + least, cost[:, 0], work, work - least[problem.entry])]
    return Steps(*steps, box, budget)


def _down(cost: np.ndarray, budget: int) -> np.ndarray:
    return np.floor(np.minimum(cost, 4.0 * budget) - 1e-6).clip(0).astype(np.int64)


def _stride(steps: Steps) -> int:
    """The fewest steps any stop takes."""
    other = steps.box[:, None] != steps.box[None, :]
    return int(steps.go[:, 1:][other[:, 1:]].min())


def _neighbours(steps: Steps, count: int, crossed: np.ndarray) -> np.ndarray:
    """For each box those that relaxed tours came back to over it, then the nearest: (boxes, count).

    The nearest are those it costs fewest steps to go to and come back from.
    """
    boxes = steps.box.max() + 1
    there_and_back = np.full((boxes, boxes), np.iinfo(np.int64).max)
    one, other = np.meshgrid(steps.box[1:], steps.box[1:], indexing="ij")
    np.minimum.at(there_and_back, (one, other), (steps.go + steps.go.T)[1:, 1:])
    often = np.where(np.eye(boxes, dtype=bool), -1.0, crossed)  # a box itself comes last
    return np.lexsort((there_and_back, -often), axis=1)[:, : min(count, boxes - 1)].astype(np.int64)


def _choose_mix(problem: Problem, alive: np.ndarray, known: float, slack: tuple[float, float]) -> float:
    """The weight of fuel against hours: all on one where the other is `slack`, else with the lowest bound."""
    found = {}

    def bound(mix: float) -> float:
        if mix not in found:
            toll = np.zeros(alive.size // problem.ways)
            relaxed = Relaxed(problem, alive, mix, STAGES[0][1], 0, np.zeros((toll.size, toll.size)))
            toll = relaxed.lower(toll, known, 3)[0] if relaxed.stride >= 1 else toll
            found[mix] = (
                float(toll.sum() + relaxed.table(toll)[0, 0, -1]) if relaxed.stride >= 1 else math.inf
            )
        return found[mix]

    if max(slack) > SLACK:
        return float(slack[1] < slack[0])
    best = min((0.0, 0.5, 1.0), key=bound)
    return min((mix for mix in (best, best - 0.25, best + 0.25) if 0.0 <= mix <= 1.0), key=bound)


def _common_measure(profit: np.ndarray) -> float:
    """What all profits are whole multiples of, where they are whole numbers; else 0."""
    if (profit == np.round(profit)).all() and np.abs(profit).max(initial=0.0) < 2**53:
        return float(np.gcd.reduce(profit.astype(np.int64), initial=0))
    return 0.0


def _best_per_box(problem: Problem, alive: np.ndarray) -> np.ndarray:
    return np.where(alive, problem.profit, 0.0).reshape(-1, problem.ways).max(axis=1)


def _reachable(problem: Problem) -> np.ndarray:
    """Ways of working of some profit that a tour of one stop can hold."""
    seconds = problem.time[0, problem.entry] + problem.work + problem.time[problem.leave, 0]
    litres = problem.fuel[0, problem.entry] + problem.work_fuel + problem.fuel[problem.leave, 0]
    return (problem.profit > 0) & (seconds <= problem.hours) & (litres <= problem.tank)


def _keep(problem: Problem, alive: np.ndarray, names: np.ndarray) -> tuple:
    """(problem, names, alive) without the boxes of which no way is alive; names: what each way is called."""
    kept = np.repeat(alive.reshape(-1, problem.ways).any(axis=1), problem.ways)
    entry, leave = problem.entry[kept], problem.leave[kept]
    places = np.unique(np.concatenate([[0], entry, leave]))
    smaller = problem._replace(
        entry=np.searchsorted(places, entry),
        leave=np.searchsorted(places, leave),
        back=(np.cumsum(kept) - 1)[problem.back[kept]],
        profit=problem.profit[kept],
        work=problem.work[kept],
        work_fuel=problem.work_fuel[kept],
        time=np.ascontiguousarray(problem.time[np.ix_(places, places)]),
        fuel=np.ascontiguousarray(problem.fuel[np.ix_(places, places)]),
    )
    return smaller, names[kept], alive[kept]
