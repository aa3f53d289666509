"""The histogram test against exact values, Monte Carlo means, and a plain numpy twin.

The figures belong to the between-class share of Cayula & Cornillon 1992, J. Atmos. Oceanic Technol. 9:67-80,
in a window of 32 x 32 with the population variance and every split tried; they were worked out for these
tests from its formula (continuum values: a ramp 3/4, Gaussian noise 2/π).
"""

from __future__ import annotations

import numpy as np
import pytest
import twins
from entries import enter
from front_scenes import SETTINGS, best_split, cohesions, draw_scene, numpy_populations
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import get_num_threads, set_num_threads

from searcher.kernels import histogram as kernel
from searcher.kernels.histogram import BINS, SIZE, STEP, find_populations, window_count

cohesion, moments = enter(kernel.cohesion), enter(kernel.moments)
split_populations = enter(kernel.split_populations)

Y, X = np.indices((SIZE, SIZE)).astype(float)


def split_of(values) -> tuple[float, float, float, float]:
    """θ, split, difference and cold share by the kernel."""
    values = np.ascontiguousarray(values, dtype=np.float32).ravel()
    room = np.empty((2, BINS + 1), np.int64), np.empty(values.size, np.int32)
    return split_populations(values, *moments(values), *room)


def every_window(field: np.ndarray, *, wanted=None):
    wanted = np.ones(window_count(field.shape), bool) if wanted is None else wanted
    return find_populations(np.ascontiguousarray(field, dtype=np.float32), wanted, *SETTINGS)


@pytest.mark.parametrize(
    ("window", "theta", "tolerance"),
    [
        (X, 0.750733, 1e-6),
        (Y, 0.750733, 1e-6),
        (X + Y, 0.666667, 1e-6),
        (np.where(X < SIZE / 2, 18.0, 21.5), 1.0, 1e-12),
        (np.where(X < SIZE / 4, 18.0, 21.5), 1.0, 1e-12),
        (np.tanh((X - 15.5) / 1.0), 0.982, 1e-3),
        (np.tanh((X - 15.5) / 2.0), 0.956, 1e-3),
        (np.tanh((X - 15.5) / 4.0), 0.913, 1e-3),
        (np.tanh((X - 15.5) / 8.0), 0.848, 1e-3),
        (np.tanh((X - 15.5) / 16.0), 0.790, 1e-3),
    ],
)
def test_theta_of_ramps_steps_and_fronts(window, theta, tolerance):
    assert split_of(window)[0] == pytest.approx(theta, abs=tolerance)


def test_theta_of_noise():
    """Mean 0.638, sd 0.010; the limit is 2/π."""
    rng = np.random.default_rng(3)
    theta = [split_of(rng.normal(20.0, 0.2, SIZE * SIZE))[0] for _ in range(400)]
    assert np.mean(theta) == pytest.approx(0.638, abs=0.002)
    assert np.std(theta) == pytest.approx(0.010, abs=0.002)


@pytest.mark.parametrize(("ratio", "theta"), [(3, 0.747), (4, 0.814), (5, 0.863), (6, 0.902)])
def test_theta_of_a_step_in_noise(ratio, theta):
    """The mean of 50; a split fixed in the middle gives (r²/4)/(r²/4+1)."""
    rng = np.random.default_rng(ratio)
    step = 0.1 * ratio * (X >= SIZE / 2)
    found = [split_of(22.0 + step + rng.normal(0.0, 0.1, X.shape))[0] for _ in range(50)]
    assert np.mean(found) == pytest.approx(theta, abs=0.01)
    assert np.mean(found) > ratio**2 / 4 / (ratio**2 / 4 + 1) - 0.003


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    apart=st.floats(0.0, 8.0),
    share=st.floats(0.1, 0.9),
    known=st.integers(512, 1024),  # no window of which less is known is tested
    scale=st.floats(0.01, 5.0),
)
def test_theta_is_that_of_the_best_of_all_splits(seed, apart, share, known, scale):
    """Against sorting and trying every one; also with missing values among them."""
    assert 0.0 <= theta_lost(seed, apart, share, known, scale) < 2e-3


def test_of_two_groups_that_can_be_told_apart_the_best_split_is_found():
    """But for a few with a straggler between them, far from where the bins say that they part."""
    rng = np.random.default_rng(7)
    lost = [
        theta_lost(seed, rng.uniform(3.0, 8.0), rng.uniform(0.1, 0.9), rng.integers(512, 1025), 1.0)
        for seed in range(300)
    ]
    assert max(lost) < 5e-4
    assert np.mean(np.array(lost) < 1e-9) > 0.99


def theta_lost(seed, apart, share, known, scale) -> float:
    """How much less θ the split found has than the best of all; what is within rounding counts as nothing."""
    rng = np.random.default_rng(seed)
    values = (20.0 + scale * (rng.normal(size=1024) + apart * (rng.random(1024) < share))).astype(np.float32)
    values[rng.permutation(1024)[known:]] = np.nan
    theta, _ = best_split(values[np.isfinite(values)])
    lost = theta - split_of(values)[0]
    return 0.0 if abs(lost) < 1e-9 else lost


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), scale=st.floats(0.1, 50.0), shift=st.floats(-5.0, 300.0))
def test_theta_is_unchanged_by_scale_and_zero(seed, scale, shift):
    """T → aT + b, so that kelvin and °C agree."""
    rng = np.random.default_rng(seed)
    values = rng.normal(size=1024) + 4.0 * (rng.random(1024) < 0.4)
    assert split_of(scale * values + shift)[0] == pytest.approx(split_of(values)[0], abs=2e-3)


@pytest.mark.parametrize(
    ("window", "cold", "warm", "both"),
    [
        (X >= 16, 0.983871, 0.983871, 0.983871),
        (X >= 24, 0.989305, 0.967213, 0.983871),
        (Y >= 16, 0.983871, 0.983871, 0.983871),
        ((X + Y) % 2, 0.0, 0.0, 0.0),
    ],
)
def test_cohesion(window, cold, warm, both):
    found = cohesion(window.astype(np.float32), 0.5)
    assert found == pytest.approx((cold, warm, both), abs=1e-6)


def test_cohesion_leaves_out_what_is_missing():
    rng = np.random.default_rng(8)
    window = rng.normal(size=(20, 27)).astype(np.float32)
    window[rng.random(window.shape) < 0.3] = np.nan
    assert cohesion(window, 0.2) == pytest.approx(cohesions(window, np.float32(0.2)), abs=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_decisions_and_counts_are_those_of_numpy_windows(seed):
    field = draw_scene(seed, size=100).picture.values.astype(np.float32)
    count, edge, seen = numpy_populations(field, *SETTINGS)
    ours = every_window(field)
    np.testing.assert_array_equal(ours[2], seen)
    np.testing.assert_array_equal(ours[0], count)
    np.testing.assert_array_equal(ours[1], edge)


def test_some_scenes_show_two_water_masses():
    """So that the comparison above compares something."""
    seen = [every_window(draw_scene(seed, size=100).picture.values)[2].any() for seed in range(6)]
    assert sum(seen) >= 2


def test_a_front_is_marked_on_both_sides_of_the_line_alone():
    field = np.where(np.arange(96)[:, None] < 41, 20.0, 21.0) + np.zeros((96, 80))
    count, edge, seen, theta, split, difference = every_window(field)
    assert set(np.nonzero(edge)[0]) == {40, 41}
    # a window is 32 cells and the next starts 16 on: rows 40 and 41 lie in those that start at 16 and 32, of
    # which the colder population is 25 and 9 of 32
    np.testing.assert_array_equal(seen.any(axis=1), [False, False, True, False, False])
    assert count[40, 40] == 4
    assert edge[40, 40] == 2
    assert theta[seen] == pytest.approx(1.0)
    assert difference[seen] == pytest.approx(1.0)
    assert np.isfinite(split[seen]).all()


def test_plain_water_a_ramp_and_clouds_are_no_front():
    """(A ramp whose middle is under cloud is another matter: what is left of it is two groups.)"""
    ramp = 20.0 + 0.05 * np.arange(96.0)[:, None] + np.zeros((96, 96))
    hole = np.hypot(*(np.indices(ramp.shape) - 48.0)) < 15
    for water in (ramp, np.where(hole, np.nan, 20.0), np.full((96, 96), np.nan)):
        count, edge, seen, *_ = every_window(water)
        assert not edge.any()
        assert not seen.any()
        assert (count[np.isnan(water)] == 0).all()


def test_only_wanted_windows_are_tested():
    field = draw_scene(2, size=100).picture.values
    wanted = np.zeros(window_count(field.shape), bool)
    wanted[1, 2] = True
    count, _, seen, theta, *_ = every_window(field, wanted=wanted)
    assert not seen[~wanted].any()
    assert np.isnan(theta[~wanted]).all()
    outside = np.ones(field.shape, bool)
    outside[STEP : STEP + SIZE, 2 * STEP : 2 * STEP + SIZE] = False
    assert not count[outside].any()


def test_one_thread_and_several_agree():
    field = draw_scene(5).picture.values
    several = every_window(field)
    before = get_num_threads()
    try:
        set_num_threads(1)
        alone = every_window(field)
    finally:
        set_num_threads(before)
    for one, other in zip(alone, several, strict=True):
        np.testing.assert_array_equal(one, other)


def test_a_field_smaller_than_a_window_has_none():
    count, edge, seen, *_ = every_window(np.zeros((20, 50)))
    assert seen.shape == (0, 2)
    assert not count.any()
    assert not edge.any()


def test_smoothing_takes_the_mean_of_what_is_known_in_wanted_windows_alone():
    """Against filters of scipy."""
    field = draw_scene(3, size=70).picture.values.astype(np.float32)
    wanted = np.zeros(window_count(field.shape), bool)
    wanted[0, 1] = wanted[2, 2] = True
    expected = twins.smooth_windows(field, wanted, SIZE, STEP)
    assert 0 < np.isfinite(expected).sum() < np.isfinite(field).sum()
    found = kernel.smooth_windows(field, wanted, SIZE, STEP)
    np.testing.assert_allclose(found, expected, rtol=1e-6)
