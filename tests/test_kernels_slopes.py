"""Slopes and ridges of a field: exact solutions, a plain numpy twin of each, and libraries as oracles.

Random fields have gaps. A twin is written from what the kernel promises, not from its code.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from seas import random_field

from searcher.kernels.gradient import LEAST_WEIGHT, fit_planes
from searcher.kernels.ridge import trace_ridges

# ---- gradient


def plane_field(shape, east, north, gx, gy, *, start=20.0):
    """T = start + gx x + gy y with x measured along each row from the middle column, and its slopes."""
    j, i = np.indices(shape)
    y = np.concatenate([[0.0], np.cumsum(0.5 * (north[1:] + north[:-1]))])
    return start + gx * (i - shape[1] // 2) * east[:, None] + gy * y[j]


@pytest.mark.parametrize("gaps", [0.0, 0.25])
def test_slope_of_a_plane_is_exact_with_the_metric_of_its_row(gaps):
    """dx scaled by cos φ, as Belkin & O'Reilly 2009, J. Mar. Syst. 78:319-326, scale theirs."""
    shape = (24, 30)
    lat = -31.0 + 0.02 * np.arange(shape[0])
    # a plane in cells is a plane for every row, with that row's own metres
    east, north = 0.02 * 111e3 * np.cos(np.radians(lat)), np.full(shape[0], 0.02 * 111e3)
    j, i = np.indices(shape)
    field = 21.0 + 0.03 * i - 0.05 * j
    holes = np.random.default_rng(5).random(shape) < gaps
    field[holes] = np.nan
    value, slope_x, slope_y = fit_planes(field, east, north, 3000.0)
    good = np.isfinite(slope_x)
    assert not good[holes].any()
    assert good[~holes].mean() > 0.95
    wanted = np.broadcast_to((0.03 / east)[:, None], shape)
    assert slope_x[good] == pytest.approx(wanted[good], rel=1e-12)
    assert slope_y[good] == pytest.approx(np.full(good.sum(), -0.05 / north[0]), rel=1e-12)
    assert value[good] == pytest.approx(field[good], rel=1e-12)


def test_slope_of_a_plane_is_exact_beside_a_wide_gap():
    shape = (30, 30)
    east = north = np.full(shape[0], 2000.0)
    field = plane_field(shape, east, north, 4e-5, -7e-5)
    j, i = np.indices(shape)
    field[i + 2 * j > 55] = np.nan
    _, slope_x, slope_y = fit_planes(field, east, north, 4000.0)
    good = np.isfinite(slope_x)
    beside = good & ~np.isfinite(np.roll(field, -1, axis=1))
    assert beside[:, :-1].sum() > 5
    assert slope_x[good] == pytest.approx(np.full(good.sum(), 4e-5), rel=1e-12)
    assert slope_y[good] == pytest.approx(np.full(good.sum(), -7e-5), rel=1e-12)


def twin_fit(field, east, north, sigma):
    """Weighted least squares by numpy.linalg.lstsq at every node, over three sigmas."""
    out = np.full((3, *field.shape), np.nan)
    for j, i in np.ndindex(field.shape):
        dx, dy = east[j], north[j]
        rx, ry = max(1, math.ceil(3 * sigma / dx)), max(1, math.ceil(3 * sigma / dy))
        b, a = np.mgrid[-ry : ry + 1, -rx : rx + 1]
        full = np.exp(-0.5 * ((a * dx) ** 2 + (b * dy) ** 2) / sigma**2)
        on_grid = (j + b >= 0) & (j + b < field.shape[0]) & (i + a >= 0) & (i + a < field.shape[1])
        around = field[np.where(on_grid, j + b, 0), np.where(on_grid, i + a, 0)]
        known = on_grid & np.isfinite(around)
        weight = full[known]
        if np.isnan(field[j, i]) or weight.sum() < LEAST_WEIGHT * full.sum():
            continue
        terms = np.column_stack([np.ones(weight.size), a[known] * dx, b[known] * dy])
        terms *= np.sqrt(weight)[:, None]
        # in units of sigma, so that the columns are alike
        terms[:, 1:] /= sigma
        fit = np.linalg.lstsq(terms, around[known] * np.sqrt(weight), rcond=None)[0]
        out[:, j, i] = fit / [1.0, sigma, sigma]
    return out


def test_fit_is_least_squares_like_its_twin():
    field = random_field((14, 16), gaps=0.2, seed=6)
    east, north = 2000.0 - 10.0 * np.arange(14), np.full(14, 2200.0)
    found = np.array(fit_planes(field, east, north, 2500.0))
    twin = twin_fit(field, east, north, 2500.0)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(twin))
    np.testing.assert_allclose(found[0], twin[0], atol=1e-9)
    np.testing.assert_allclose(found[1:] * 2500.0, twin[1:] * 2500.0, atol=1e-9)


# ---- ridge


def ridge_points(columns, rows, chains):
    return [np.column_stack([columns[a:b], rows[a:b]]) for a, b in itertools.pairwise(chains)]


def test_a_straight_ridge_is_traced_to_a_small_part_of_a_cell():
    """Height exp(-d²/2w²) about a line at 30°: its crest is the line."""
    j, i = np.indices((40, 50))
    nx, ny = np.sin(np.radians(30)), np.cos(np.radians(30))
    away = (i - 24.3) * nx + (j - 19.7) * ny
    height = np.exp(-0.5 * (away / 4.0) ** 2)
    cells = np.ones(40)
    ones = np.ones((40, 50))
    chains = ridge_points(*trace_ridges(height, ones * nx, ones * ny, cells, cells, 0.5, 0.0))
    assert len(chains) == 1
    x, y = chains[0].T
    assert np.abs((x - 24.3) * nx + (y - 19.7) * ny).max() < 0.05
    assert len(x) > 50
    assert np.hypot(np.diff(x), np.diff(y)).max() <= math.sqrt(2) + 1e-9


def test_a_ridge_does_not_care_which_way_its_normals_point():
    j, i = np.indices((30, 30))
    height = np.exp(-0.5 * ((i - 14.6 + 0.3 * (j - 15)) / 3.0) ** 2)
    size = math.hypot(1, 0.3)
    sign = np.where(np.random.default_rng(13).random((30, 30)) < 0.5, -1.0, 1.0)
    cells = np.ones(30)
    plain = trace_ridges(
        height, np.full_like(height, 1 / size), np.full_like(height, 0.3 / size), cells, cells, 0.5, 0.0
    )
    mixed = trace_ridges(height, sign / size, 0.3 * sign / size, cells, cells, 0.5, 0.0)
    for one, other in zip(plain, mixed, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-12)


def test_a_ring_closes_on_itself():
    j, i = np.indices((41, 41))
    x, y = i - 20.2, j - 19.9
    r = np.hypot(x, y)
    height = np.exp(-0.5 * ((r - 11.0) / 3.0) ** 2)
    cells = np.ones(41)
    chains = ridge_points(*trace_ridges(height, x / r, y / r, cells, cells, 0.3, 0.0))
    assert len(chains) == 1
    assert chains[0][0] == pytest.approx(chains[0][-1])
    assert np.abs(np.hypot(*(chains[0] - [20.2, 19.9]).T) - 11.0).max() < 0.1


def test_a_ridge_must_bend_as_sharply_as_asked():
    """exp(-d²/2w²) bends by 1/w² of its height at its crest."""
    _, i = np.indices((30, 30))
    height = np.exp(-0.5 * ((i - 14.3) / 4.0) ** 2)
    ones, cells = np.ones((30, 30)), np.ones(30)
    for sharp, count in ((0.9 / 16, 1), (1.1 / 16, 0)):
        assert len(trace_ridges(height, ones, 0 * ones, cells, cells, 0.5, sharp)[2]) == 1 + count


def test_ridge_points_are_those_of_their_twin():
    """Zero of p·∇f along every grid edge where f is high and curves down enough, by numpy slices."""
    rng = np.random.default_rng(14)
    j, i = np.indices((18, 22))
    f = sum(a * np.sin(k * i + m * j + c) for a, k, m, c in rng.uniform(0.2, 0.9, (6, 4)))
    f[5:7, 9:12] = np.nan
    px, py = np.full_like(f, 0.6), np.full_like(f, 0.8)
    east, north = np.full(18, 2.0), np.full(18, 3.0)
    slope = np.full_like(f, np.nan)
    bend = np.full_like(f, np.nan)
    inner = np.s_[1:-1, 1:-1]
    fx = (f[1:-1, 2:] - f[1:-1, :-2]) / 4.0
    fy = (f[2:, 1:-1] - f[:-2, 1:-1]) / 6.0
    fxx = (f[1:-1, 2:] - 2 * f[inner] + f[1:-1, :-2]) / 4.0
    fyy = (f[2:, 1:-1] - 2 * f[inner] + f[:-2, 1:-1]) / 9.0
    fxy = (f[2:, 2:] - f[2:, :-2] - f[:-2, 2:] + f[:-2, :-2]) / 24.0
    slope[inner] = 0.6 * fx + 0.8 * fy
    bend[inner] = 0.36 * fxx + 0.96 * fxy + 0.64 * fyy
    wanted = []
    for (a, b), (dj, di) in itertools.product(np.ndindex(f.shape), [(0, 1), (1, 0)]):
        if a + dj >= 18 or b + di >= 22 or not slope[a, b] * slope[a + dj, b + di] < 0:
            continue
        t = slope[a, b] / (slope[a, b] - slope[a + dj, b + di])
        mean = [(1 - t) * g[a, b] + t * g[a + dj, b + di] for g in (f, bend)]
        if mean[0] >= 0.3 and -mean[1] >= 0.05 * mean[0]:
            wanted.append((b + t * di, a + t * dj))
    columns, rows, _ = trace_ridges(f, px, py, east, north, 0.3, 0.05)
    found = np.unique(np.round(np.column_stack([columns, rows]), 9), axis=0)
    # a crossing without a second one in either of its cells makes no chain; all others must be there
    assert len(found) > 20
    missed = [p for p in wanted if np.abs(found - p).sum(axis=1).min() > 1e-8]
    strange = [p for p in found if np.abs(np.array(wanted) - p).sum(axis=1).min() > 1e-8]
    assert not strange
    lone = [p for p in missed if sum(np.abs(np.array(wanted) - p).max(axis=1) <= 1.0) <= 1]
    assert len(missed) == len(lone)
