"""Lanes against numpy's own single-precision arithmetic, number by number."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numba import njit

from searcher.kernels.lanes import COUNT, any_less, less, load, more, root, spread, store, where_less

NAN = np.float32(math.nan)


@njit(error_model="numpy")
def _reckon(a, b, out):
    """One row of `out` for each of what lanes can do, from row to row COUNT numbers on."""
    x, y, nan = load(a, 1), load(b, 1), spread(NAN)
    store(out, 0, x + y)
    store(out, COUNT, x - y)
    store(out, 2 * COUNT, x * y)
    store(out, 3 * COUNT, x / y)
    store(out, 4 * COUNT, b[0] * x)
    store(out, 5 * COUNT, root(x))
    store(out, 6 * COUNT, less(x, y))
    store(out, 7 * COUNT, more(x, y))
    store(out, 8 * COUNT, where_less(x, y, x, nan))
    total = spread(b[0])
    for _ in range(3):
        total += x
    store(out, 9 * COUNT, total)
    return any_less(x, y), any_less(x, nan), less(a[1], b[1]), more(a[1], b[1])


def numbers(seed):
    """Numbers of both signs, more of them than lanes, with a NaN, an infinity and two that are equal."""
    rng = np.random.default_rng(seed)
    a, b = rng.standard_normal((2, COUNT + 2)).astype(np.float32)
    a[3], b[4], a[5], a[6] = math.nan, math.nan, math.inf, b[6]
    return a, b


@pytest.mark.parametrize("seed", [0, 1])
def test_lanes_reckon_as_numpy_does(seed):
    a, b = numbers(seed)
    out = np.empty(10 * COUNT, np.float32)
    _reckon(a, b, out)
    x, y = a[1:-1], b[1:-1]
    with np.errstate(invalid="ignore"):
        wanted = [x + y, x - y, x * y, x / y, b[0] * x, np.sqrt(x)]
        wanted += [np.where(x < y, x, y), np.where(x > y, x, y), np.where(x < y, x, NAN), b[0] + x + x + x]
    np.testing.assert_array_equal(out.reshape(10, COUNT), np.array(wanted))


def test_what_is_true_of_any_lane():
    a, b = np.zeros(COUNT + 2, np.float32), np.zeros(COUNT + 2, np.float32)
    out = np.empty(10 * COUNT, np.float32)
    assert _reckon(a, b, out)[:2] == (False, False)  # equal is not less, and nothing is less than NaN
    for k in (1, COUNT):
        b[:] = 0.0
        b[k] = 1.0
        assert _reckon(a, b, out)[0]
    b[:], b[0] = 0.0, 1.0  # before the first lane
    assert not _reckon(a, b, out)[0]


def test_the_second_of_two_stands_where_one_is_missing():
    out = np.empty(10 * COUNT, np.float32)
    a, b = np.full(COUNT + 2, NAN), np.ones(COUNT + 2, np.float32)
    assert _reckon(a, b, out)[2:] == (1.0, 1.0)
    assert np.isnan(_reckon(b, a, out)[2:]).all()
