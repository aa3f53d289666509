"""Fields between their hours and nodes, and smoothed with gaps: against numpy and plain sums."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from searcher.gridded import at_moments, hours_around, look_at, smoothed
from searcher.kernels.sample import Grid

TIMES = np.array([0.0, 3600.0, 9000.0, 10000.0])
FIELDS = np.array([1.0, -2.0, 5.0, 4.0])[:, None, None] * np.array([[1.0, 2.0, 3.0], [0.5, -1.0, 0.0]])


@given(st.lists(st.floats(-5e3, 15e3), min_size=1, max_size=6))
def test_between_hours_is_linear_and_held_at_both_ends(moments):
    found = at_moments(FIELDS, TIMES, np.array(moments))
    assert found.shape == (len(moments), 2, 3)
    for j, i in np.ndindex(2, 3):
        assert found[:, j, i] == pytest.approx(np.interp(moments, TIMES, FIELDS[:, j, i]), abs=1e-12)


def test_one_moment_gives_one_field():
    assert np.array_equal(at_moments(FIELDS, TIMES, 1800.0), 0.5 * (FIELDS[0] + FIELDS[1]))


@pytest.mark.parametrize("moment", [-1.0, 0.0, 7200.0])
def test_a_field_of_one_hour_stands_for_all(moment):
    assert np.array_equal(at_moments(FIELDS[:1], TIMES[:1], moment), FIELDS[0])


def test_what_is_missing_at_one_hour_is_missing_beside_it_and_not_at_the_others():
    fields = FIELDS.copy()
    fields[1, 0, 0] = np.nan
    found = at_moments(fields, TIMES, np.array([0.0, 1.0, 3600.0, 8999.0, 9000.0, 9500.0]))
    assert np.isnan(found[:, 0, 0]).tolist() == [False, True, True, True, False, False]
    assert np.isfinite(found[:, 1]).all()


def test_hours_around_a_moment():
    before, after, share = hours_around(TIMES, [-9.0, 0.0, 900.0, 9000.0, 9250.0, 10000.0, 1e6])
    assert before.tolist() == [0, 0, 0, 2, 2, 3, 3]
    assert after.tolist() == [0, 0, 1, 2, 3, 3, 3]
    assert share.tolist() == [0.0, 0.0, 0.25, 0.0, 0.25, 0.0, 0.0]


def test_a_place_is_not_seen_where_most_around_it_is_missing():
    field = np.array([[1.0, 1.0, 3.0], [1.0, np.nan, np.nan]])
    lon, lat = np.array([0.5, 1.25, 1.75, 1.5, 5.0]), np.array([0.5, 0.75, 0.25, 0.0, 0.0])
    found = look_at(field, Grid(0.0, 1.0, 0.0, 1.0), lon, lat)
    assert np.isnan(found).tolist() == [False, True, False, False, True]
    assert found[[0, 2, 3]] == pytest.approx([1.0, 2.5, 2.0])


def test_smoothing_is_the_weighted_mean_of_what_is_known():
    """Far from the rims, the plain sum over the known nodes, and their share of all weight."""
    rng = np.random.default_rng(1)
    field = rng.normal(size=(41, 45)).astype(np.float32)
    field[rng.random(field.shape) < 0.4] = np.nan
    mean, weight = smoothed(field, (2.0, 3.0))
    y, x = np.indices(field.shape)
    away = np.exp(-0.5 * (((y - 20) / 2.0) ** 2 + ((x - 22) / 3.0) ** 2))
    seen = np.isfinite(field)
    assert weight[20, 22] == pytest.approx(away[seen].sum() / away.sum(), rel=1e-3)
    assert mean[20, 22] == pytest.approx((away * np.nan_to_num(field)).sum() / away[seen].sum(), abs=1e-3)


def test_smoothing_leaves_a_level_field_level_beside_gaps():
    field = np.full((30, 20), 7.0)
    field[:, 12:] = np.nan
    mean, weight = smoothed(field, (1.5, 1.5))
    assert mean[weight > 0.01] == pytest.approx(7.0)
    assert weight[15, 3] == pytest.approx(1.0)
    assert weight[15, 19] == pytest.approx(0.0, abs=1e-6)
