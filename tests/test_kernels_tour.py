"""The search for a tour, its bound and its proof: published sets, every tour tried, a general solver."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from orienteering import add_up, chao, day_at_sea, solve_by_constraints, tsiligirides, two_ended

from searcher.kernels.bound import prove_tour
from searcher.kernels.tour import search_tour, spend

ROUNDS = 300
DAYS = st.fixed_dictionaries(
    {
        "seed": st.integers(0, 10_000),
        "count": st.integers(1, 14),
        "passes": st.integers(1, 3),
        "hours": st.floats(2e3, 5e4),
        "tank": st.floats(20.0, 500.0),
        "spread": st.sampled_from([5e3, 40e3, 80e3]),
    }
)
SMALL_DAYS = DAYS.map(lambda day: day | {"count": 1 + day["count"] % 4, "passes": 1 + day["passes"] % 2})


def check_tour(problem, tour, profit) -> None:
    """No box twice, nothing worthless, within both budgets, worth what it is said to be."""
    boxes = [int(way) // problem.ways for way in tour]
    assert len(set(boxes)) == len(boxes)
    seconds, litres, worth = add_up(problem, tour)
    assert seconds <= problem.hours * (1 + 1e-9)
    assert litres <= problem.tank * (1 + 1e-9)
    assert profit == pytest.approx(worth, rel=1e-9)
    assert (problem.profit[tour] > 0).all()
    if len(tour):
        assert spend(tour, len(tour), problem) == pytest.approx((seconds, litres, worth), rel=1e-9)


def best_by_trying_all(problem) -> float:
    """The most profit of any choice, order and way: every one of them tried."""
    best = 0.0
    boxes = range(problem.profit.size // problem.ways)
    for count in range(1, len(boxes) + 1):
        for order in itertools.permutations(boxes, count):
            for turn in itertools.product(range(problem.ways), repeat=count):
                tour = [box * problem.ways + way for box, way in zip(order, turn, strict=True)]
                profit = problem.profit[tour].sum()
                if profit > best:
                    seconds, litres, _ = add_up(problem, tour)
                    if seconds <= problem.hours and litres <= problem.tank:
                        best = profit
    return best


@settings(max_examples=80, deadline=None)
@given(day=DAYS, no_way=st.booleans())
def test_no_tour_exceeds_hours_or_fuel_and_none_its_bound(day, no_way):
    problem = day_at_sea(**day)
    if no_way:
        problem.time[1, :] = problem.time[:, 1] = np.inf
    tour, profit = search_tour(problem, 30, 0)
    check_tour(problem, tour, profit)
    proof = prove_tour(problem, tour, most=2000)
    check_tour(problem, proof.tour, proof.best)
    assert profit * (1 - 1e-12) <= proof.best <= proof.bound * (1 + 1e-12)
    assert proof.looked <= 3 * 2000
    if no_way:  # its near end is part of every way of working the first box, but for that of an even number
        assert not any(way < problem.ways and 1 in (problem.entry[way], problem.leave[way]) for way in tour)


@settings(max_examples=25, deadline=None)
@given(day=SMALL_DAYS)
def test_proven_tours_are_the_best_of_all_tours(day):
    problem = day_at_sea(**day)
    tour, _ = search_tour(problem, 10, 0)
    proof = prove_tour(problem, tour)
    assert proof.proven
    assert proof.best == pytest.approx(best_by_trying_all(problem), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_a_proof_finds_the_best_without_being_shown_a_tour(seed):
    problem = day_at_sea(seed, 12)
    shown = prove_tour(problem, search_tour(problem, ROUNDS, 0)[0])
    blind = prove_tour(problem, np.zeros(0, np.int64))
    assert shown.proven
    assert blind.proven
    assert blind.best == pytest.approx(shown.best, rel=1e-9)
    check_tour(problem, blind.tour, blind.best)


@pytest.mark.parametrize(("count", "passes", "tank"), [(7, 1, 300.0), (4, 3, 300.0), (6, 1, 100.0)])
def test_a_general_solver_agrees(count, passes, tank):
    """OR-tools' CP-SAT, with costs rounded up, so that it may fall short of the true best by very little."""
    problem = day_at_sea(5, count, passes=passes, tank=tank, spread=50e3)
    proof = prove_tour(problem, search_tour(problem, ROUNDS, 0)[0])
    assert proof.proven
    profit, optimal = solve_by_constraints(problem, limit=60.0)
    assert optimal
    assert profit <= proof.best * (1 + 1e-5)
    assert profit == pytest.approx(proof.best, rel=5e-3)


@pytest.mark.parametrize(("seed", "tank"), [(1, 180.0), (2, 180.0), (1, 240.0), (1, 300.0), (3, 300.0)])
@pytest.mark.parametrize("count", [30, 60])
def test_a_day_of_many_boxes_is_toured_well_and_proven(count, seed, tank):
    problem = day_at_sea(seed, count, tank=tank)
    tour, profit = search_tour(problem, 2000, 0)
    quick, quick_profit = search_tour(problem, ROUNDS, 0)
    proof = prove_tour(problem, tour)
    for one, worth in ((tour, profit), (quick, quick_profit), (proof.tour, proof.best)):
        check_tour(problem, one, worth)
    assert proof.proven
    assert profit >= 0.98 * proof.best
    assert quick_profit >= 0.93 * proof.best


def test_too_few_partial_tours_leave_a_gap_that_holds_the_best():
    problem = day_at_sea(1, 30, tank=240.0)
    tour, profit = search_tour(problem, 5, 0)
    best = prove_tour(problem, tour)
    cut = prove_tour(problem, tour, most=20)
    assert best.proven
    assert not cut.proven
    assert profit <= cut.best <= best.best < cut.bound < problem.profit.sum()


def test_the_same_seed_gives_the_same_tour():
    problem = day_at_sea(3, 20)
    first, again = (search_tour(problem, 100, 5) for _ in range(2))
    np.testing.assert_array_equal(first[0], again[0])
    assert first[1] == again[1]
    assert len(first[0]) > 3


def test_more_passes_are_worked_where_there_is_time_for_them():
    """One box 20 km off, an hour for each pass: the number of passes is what the hours allow."""
    time = np.full((3, 3), 2000.0) * (1 - np.eye(3))
    profit, work = np.array([[1.0, 1.5, 1.75]]), np.array([[3600.0, 7200.0, 10800.0]])
    for hours, best in ((7000, 0.0), (8000, 1.0), (12000, 1.5), (15000, 1.75)):
        problem = two_ended(profit, time, work, burn=0.01, work_burn=0.01, hours=hours, tank=1e3)
        tour, found = search_tour(problem, 10, 0)
        assert found == best
        assert prove_tour(problem, tour).bound == best


# ---- published sets


#: proven optima of Tsiligirides' problem 1
OPTIMA = {5: 10, 10: 15, 15: 45, 20: 65, 25: 90, 30: 110, 35: 135, 40: 155, 85: 285}


def check_found_and_proven(problem, best):
    """The search finds the optimum, and the proof says that it is."""
    tour, total = search_tour(problem, ROUNDS, 0)
    assert total == best
    proof = prove_tour(problem, tour)
    assert proof.proven
    assert proof.bound == proof.best == best


@pytest.mark.parametrize(("budget", "best"), OPTIMA.items())
def test_optima_of_tsiligirides_are_found_and_proven(budget, best):
    check_found_and_proven(tsiligirides(budget), best)


@pytest.mark.parametrize(("budget", "best"), {15: 96, 20: 294, 25: 390}.items())
def test_optima_of_the_diamond_set_are_found_and_proven(budget, best):
    check_found_and_proven(chao(budget), best)


#: best known of the set of Chao et al. (from memory)
BEST_KNOWN = {
    30: 474,
    35: 576,
    40: 714,
    45: 816,
    50: 900,
    55: 984,
    60: 1062,
    65: 1116,
    70: 1188,
    75: 1236,
    80: 1284,
}


@pytest.mark.parametrize(("budget", "best"), BEST_KNOWN.items())
def test_larger_days_of_the_diamond_set_come_within_two_per_cent(budget, best):
    _, total = search_tour(chao(budget), ROUNDS, 0)
    assert 0.98 * best <= total <= best


def test_no_proof_is_claimed_where_costs_vanish_in_the_steps():
    """Five boxes at one place that take no time at all: the relaxation says nothing, the extension all."""
    time = np.zeros((11, 11))
    problem = two_ended(
        np.ones((5, 1)), time, np.zeros((5, 1)), burn=0.01, work_burn=0.01, hours=100.0, tank=10.0
    )
    proof = prove_tour(problem, np.zeros(0, np.int64))
    assert proof.best <= 5.0 <= proof.bound
