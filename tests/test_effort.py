"""Search theory against its tables, a general optimizer and a statistics library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from searcher.effort import (
    Belief,
    allocate_effort,
    doubt_after_blank,
    find_by_inverse_cube,
    find_by_random,
    share_effort,
    yield_of,
)
from searcher.errors import SearcherError

# ---- finding


def test_chances_to_find_are_those_of_the_published_tables():
    """Koopman 1946/1980, random search and inverse cube law."""
    coverage = [0.25, 0.5, 1.0, 1.5, 2.0]
    random = [0.221199, 0.393469, 0.632121, 0.776870, 0.864665]
    inverse_cube = [0.245969, 0.469116, 0.789909, 0.939888, 0.987811]
    assert find_by_random(coverage) == pytest.approx(random, abs=1e-6)
    assert find_by_inverse_cube(coverage) == pytest.approx(inverse_cube, abs=1e-6)


def test_a_blank_search_lowers_the_chance_by_bayes():
    assert doubt_after_blank(0.4, find_by_random(1.0)) == pytest.approx(0.196950, abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(prior=st.floats(0.05, 0.95), coverage=st.floats(0.05, 2.0), seed=st.integers(0, 1000))
def test_a_blank_search_lowers_the_chance_as_often_as_it_does_in_trials(prior, coverage, seed):
    rng = np.random.default_rng(seed)
    there = rng.random(200_000) < prior
    blank = ~(there & (rng.random(there.size) < find_by_random(coverage)))
    share = there[blank].mean()
    spread = math.sqrt(share * (1 - share) / blank.sum())
    assert doubt_after_blank(prior, find_by_random(coverage)) == pytest.approx(share, abs=5 * spread + 1e-4)


# ---- sharing


#: p, area, sweep width, track to share, lengths, chance of success: worked out with Stone 1975, ch. 2
TABLES = [
    ([0.5, 0.3, 0.2], 1.0, 1.0, 1.0, [0.755413, 0.244587, 0.0], 0.330183),
    ([0.5, 0.3, 0.2], 1.0, 1.0, 3.0, [1.475705, 0.964880, 0.559415], 0.657074),
    ([0.40, 0.25, 0.20, 0.15], [25.0, 25.0, 50.0, 100.0], 0.5, 60.0, [41.750091, 18.249909, 0, 0], 0.302901),
    (
        [0.35, 0.25, 0.20, 0.12, 0.08],
        20.0,
        0.4,
        80.0,
        [41.601467, 24.777855, 13.620678, 0.0, 0.0],
        0.343076,
    ),
]


@pytest.mark.parametrize(("p", "area", "width", "total", "lengths", "success"), TABLES)
def test_effort_is_shared_as_in_the_tables(p, area, width, total, lengths, success):
    found = allocate_effort(p, area, width, total)
    assert found == pytest.approx(lengths, abs=1e-6)
    chance = np.sum(p * find_by_random(np.asarray(width) * found / area))
    assert chance == pytest.approx(success, abs=1e-6)


PLACES = st.lists(st.tuples(st.floats(0.01, 10.0), st.floats(0.05, 5.0)), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(places=PLACES, total=st.floats(0.0, 20.0))
def test_no_general_optimizer_shares_better(places, total):
    """scipy's SLSQP on the same sum; and the rate left is the same wherever anything was spent."""
    rate, fading = np.array(places).T
    efforts = share_effort(rate, fading, total)
    assert efforts.min() >= 0
    assert efforts.sum() == pytest.approx(total, rel=1e-9, abs=1e-12)
    left = rate * np.exp(-fading * efforts)
    spent = efforts > 1e-9
    if spent.any():
        assert left[spent] == pytest.approx(left[spent].max(), rel=1e-6)
        assert (rate[~spent] <= left[spent].max() * (1 + 1e-6)).all()
    best = optimize.minimize(
        lambda t: -yield_of(rate, fading, t).sum(),
        np.full(rate.size, total / rate.size),
        jac=lambda t: -rate * np.exp(-fading * t),
        bounds=[(0.0, total)] * rate.size,
        constraints={"type": "eq", "fun": lambda t: t.sum() - total},
        method="SLSQP",
    )
    assert yield_of(rate, fading, efforts).sum() >= -best.fun - 1e-6 * (1 + abs(best.fun))


def test_effort_goes_nowhere_where_nothing_is():
    assert share_effort([0.0, 0.0], 1.0, 5.0).tolist() == [0.0, 0.0]
    assert share_effort([0.0, 1.0], [1.0, 2.0], 5.0).tolist() == [0.0, 5.0]


def test_impossible_effort_is_refused_with_every_fault():
    with pytest.raises(SearcherError, match=r"3 problems(.|\n)*rate: given(.|\n)*fading: given(.|\n)*total"):
        share_effort([-1.0, 1.0], [0.0, 1.0], math.nan)


@given(rate=st.floats(0.01, 10.0), fading=st.sampled_from([0.0, 0.2, 3.0]), effort=st.floats(1e-3, 10.0))
def test_yield_is_the_integral_of_the_fading_rate(rate, fading, effort):
    total, _ = integrate.quad(lambda t: rate * math.exp(-fading * t), 0.0, effort)
    assert yield_of(rate, fading, effort) == pytest.approx(total, rel=1e-6, abs=1e-9)


# ---- leaving


def test_a_belief_has_the_mean_and_variance_of_its_log_normal():
    log_sd, mean = 0.7, 2.5
    rate = stats.lognorm(log_sd, scale=mean / math.exp(log_sd**2 / 2))
    belief = Belief.of_interval(mean, rate.ppf(0.1), rate.ppf(0.9))
    gamma = stats.gamma(belief.shape, scale=1 / belief.exposure)
    assert belief.mean == pytest.approx(rate.mean(), rel=1e-9)
    assert (gamma.mean(), gamma.var()) == pytest.approx((rate.mean(), rate.var()), rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    shape=st.floats(0.3, 5.0),
    exposure=st.floats(0.2, 5.0),
    elsewhere=st.floats(0.05, 3.0),
    fading=st.sampled_from([0.0, 0.3, 1.5]),
)
def test_an_empty_place_is_left_when_its_posterior_rate_is_that_of_elsewhere(
    shape, exposure, elsewhere, fading
):
    """The posterior by numerical integration: gamma prior times the chance of no encounter so long."""
    stay = Belief(shape, exposure).leave_after(elsewhere, fading)
    if stay == 0.0:
        assert shape / exposure <= elsewhere * (1 + 1e-12)
        return
    exposed = stay if fading == 0.0 else -math.expm1(-fading * stay) / fading
    prior = stats.gamma(shape, scale=1 / exposure)
    top = prior.ppf(1 - 1e-13)
    blank = [
        integrate.quad(
            lambda r, power=power: r**power * prior.pdf(r) * math.exp(-r * exposed),
            0.0,
            top,
            points=[prior.ppf(q) for q in (1e-6, 0.01, 0.2, 0.8)],
            limit=400,
        )[0]
        for power in (0, 1)
    ]
    assert blank[1] / blank[0] * math.exp(-fading * stay) == pytest.approx(elsewhere, rel=1e-3)


def test_leaving_by_the_rule_meets_more_than_leaving_sooner_or_later():
    """Charnov 1976: many places alike but for their rates, a fixed way between them, no memory but here.

    With the rate of the whole day as `elsewhere`, no other time of leaving empty places yields as much. The
    time to the first encounter is what counts: a place is left when met or given up.
    """
    belief, way = Belief(0.6, 0.6), 0.5

    def blank(t):
        """The chance of no encounter by t; its integral is the mean time spent."""
        return (belief.exposure / (belief.exposure + t)) ** belief.shape

    def rate(t):
        return (1.0 - blank(t)) / (way + integrate.quad(blank, 0.0, t)[0])

    best = optimize.minimize_scalar(lambda t: -rate(t), bounds=(1e-3, 20.0), method="bounded")
    assert belief.leave_after(rate(best.x)) == pytest.approx(best.x, rel=1e-3)


def test_with_nothing_elsewhere_one_stays_and_with_more_elsewhere_one_goes_at_once():
    belief = Belief(1.0, 2.0)
    assert belief.leave_after(0.0) == math.inf
    assert belief.leave_after(0.5) == belief.leave_after(0.6, 0.1) == 0.0
    assert 0 < belief.leave_after(0.3, 1.0) < belief.leave_after(0.3, 0.1) < belief.leave_after(0.3)
    assert belief.leave_after(0.3, 1e-9) == pytest.approx(belief.leave_after(0.3), rel=1e-6)
