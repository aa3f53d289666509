"""Slopes, ridges and edges of a field: exact solutions and a plain numpy twin of each.

Random fields have gaps. A twin is written from what the kernel promises, not from its code.
"""

from __future__ import annotations

import itertools
import math

import numba
import numpy as np
import pytest
import twins
from entries import enter
from scipy.ndimage import gaussian_filter
from seas import random_field

from searcher.kernels.edges import TILE_COLUMNS, TILE_ROWS, trace_edges
from searcher.kernels.gradient import LEAST_WEIGHT, fit_tile, gaussian_taps, scale_of
from searcher.kernels.lanes import COUNT
from searcher.kernels.ridge import trace_ridges

# ---- gradient


def fit_slopes(field, east, north, sigma):
    """d/dx and d/dy of a field, float64."""
    taps = gaussian_taps(east, sigma), gaussian_taps(north, sigma)
    scale = scale_of(*taps, east, north)
    ny, nx = field.shape
    parts = enter(fit_tile)(field.astype(np.float32), 0, 0, ny, -(-nx // COUNT) * COUNT, *taps, scale)
    size, x, y = (part[:, :nx].astype(np.float64) for part in parts)
    return size * x, size * y


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
    slope_x, slope_y = fit_slopes(field, east, north, 3000.0)
    good = np.isfinite(slope_x)
    assert not good[holes].any()
    assert good[~holes].mean() > 0.95
    # as exact as single precision at 21 °C, whose last place is 2e-6 °C
    wanted = np.broadcast_to((0.03 / east)[:, None], shape)
    assert slope_x[good] == pytest.approx(wanted[good], rel=5e-5)
    assert slope_y[good] == pytest.approx(np.full(good.sum(), -0.05 / north[0]), rel=5e-5)


@pytest.mark.parametrize("sigma", [2000.0, 4000.0, 9000.0])
def test_slope_of_a_plane_is_exact_beside_a_wide_gap(sigma):
    """Values that single precision holds exactly: what is left is the error of the sums."""
    j, i = np.indices((60, 60))
    field = (i - 2.0 * j) / 32.0
    field[i + 2 * j > 110] = np.nan
    cells = np.full(60, 2000.0)
    slope_x, slope_y = fit_slopes(field, cells, cells, sigma)
    good = np.isfinite(slope_x)
    beside = good & ~np.isfinite(np.roll(field, -1, axis=1))
    assert beside[:, :-1].sum() > 5
    size = math.hypot(1.0, 2.0) / 32.0 / 2000.0
    assert slope_x[good] == pytest.approx(np.full(good.sum(), 1.0 / 32.0 / 2000.0), abs=2e-5 * size)
    assert slope_y[good] == pytest.approx(np.full(good.sum(), -2.0 / 32.0 / 2000.0), abs=2e-5 * size)


def twin_slopes(field, east, north, sigma):
    """Weighted least squares of a plane at every node over three sigmas, by sums of shifted copies."""
    ny, nx = field.shape
    dx, dy = east[:, None], north[:, None]
    rx, ry = (np.maximum(1, np.ceil(3 * sigma / step)) for step in (dx, dy))
    reach = int(max(rx.max(), ry.max()))
    padded = np.pad(field.astype(np.float64), reach, constant_values=np.nan)
    left, right = np.zeros((ny, nx, 3, 3)), np.zeros((ny, nx, 3))
    full = np.zeros((ny, 1))
    for b, a in itertools.product(range(-reach, reach + 1), repeat=2):
        around = padded[reach + b : reach + b + ny, reach + a : reach + a + nx]
        weight = np.exp(-0.5 * ((a * dx) ** 2 + (b * dy) ** 2) / sigma**2) * (abs(a) <= rx) * (abs(b) <= ry)
        full += weight
        terms = np.stack(np.broadcast_arrays(1.0, a * dx / sigma, b * dy / sigma), axis=-1)
        known = np.where(np.isfinite(around), weight, 0.0)[..., None]
        left += (known * terms)[..., None] * terms[..., None, :]
        right += known * terms * np.nan_to_num(around)[..., None]
    fitted = np.isfinite(field) & (left[..., 0, 0] >= LEAST_WEIGHT * full)
    left[~fitted] = np.eye(3)
    fit = np.linalg.solve(left, right[..., None])[..., 0]
    return tuple(np.where(fitted, fit[..., k] / sigma, np.nan) for k in (1, 2))


@pytest.mark.parametrize("shape", [(14, 16), (3, 40), (40, 3), (1, 1), (30, 8 * COUNT + 1)])
def test_fit_is_least_squares_like_its_twin(shape):
    field = random_field(shape, gaps=0.2, seed=6).astype(np.float32)
    east, north = 2000.0 - 10.0 * np.arange(shape[0]), np.full(shape[0], 2200.0)
    found, twin = (np.array(fit(field, east, north, 2500.0)) for fit in (fit_slopes, twin_slopes))
    np.testing.assert_array_equal(np.isnan(found), np.isnan(twin))
    np.testing.assert_allclose(found * 2500.0, twin * 2500.0, atol=1e-5)


def test_a_fit_needs_nodes_spread_both_ways():
    """One column of known nodes says nothing of the slope across it, though its weight would do."""
    field = np.full((20, 20), np.nan)
    field[:, 8] = np.arange(20.0)
    cells = np.full(20, 1000.0)
    assert np.isnan(fit_slopes(field, cells, cells, 500.0)).all()
    field[:, 9] = np.arange(20.0) + 3.0
    slope_x, _ = fit_slopes(field, cells, cells, 500.0)
    assert slope_x[2:-2, 8:10] == pytest.approx(np.full((16, 2), 3e-3), rel=1e-5)


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


def test_ridges_are_those_of_their_twin():
    """Zeros of p·∇f along grid edges where f is high and curves down enough, by numpy slices, and linked."""
    rng = np.random.default_rng(14)
    j, i = np.indices((18, 22))
    f = sum(a * np.sin(k * i + m * j + c) for a, k, m, c in rng.uniform(0.2, 0.9, (6, 4)))
    f[5:7, 9:12] = np.nan
    px, py = np.full_like(f, 0.6), np.full_like(f, 0.8)
    east, north = np.full(18, 2.0), np.full(18, 3.0)
    found, wanted = (trace(f, px, py, east, north, 0.3, 0.05) for trace in (trace_ridges, twins.trace_ridges))
    assert len(found[0]) > 20
    for one, other in zip(found, wanted, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-9)


# ---- edges


def cloudy_scene(shape, *, seed=3):
    """Smooth structures with sharp places, noise and a fifth hidden in patches, float32."""
    rng = np.random.default_rng(seed)
    field = 20.0 + np.tanh(12.0 * gaussian_filter(rng.normal(size=shape), 8.0))
    field += 0.02 * rng.normal(size=shape)
    veil = gaussian_filter(rng.normal(size=shape), 4.0)
    field[veil > np.quantile(veil, 0.8)] = np.nan
    return field.astype(np.float32)


def metric(rows, *, cell=1000.0):
    return np.full(rows, cell), np.full(rows, 1.1 * cell)


@pytest.mark.parametrize(
    "shape", [(70, 2 * TILE_COLUMNS + 10), (TILE_ROWS, TILE_COLUMNS), (65, 254), (20, 9)]
)
def test_edges_are_ridges_of_the_twin_slope(shape):
    """Traced tile by tile in single precision, they are the float64 twin's of the whole field."""
    field = cloudy_scene(shape)
    east, north = metric(shape[0])
    slope_x, slope_y = twin_slopes(field, east, north, 2000.0)
    size = np.hypot(slope_x, slope_y)
    limits = 2e-5, 0.02 / 2000.0**2, 1e-14
    wanted = trace_ridges(size, slope_x / size, slope_y / size, east, north, *limits)
    columns, rows, offsets, height, across_x, across_y = trace_edges(field, east, north, 2000.0, *limits)
    np.testing.assert_array_equal(offsets, wanted[2])
    assert shape == (20, 9) or len(columns) > 100
    np.testing.assert_allclose(columns, wanted[0], atol=2e-3)
    np.testing.assert_allclose(rows, wanted[1], atol=2e-3)
    np.testing.assert_allclose(np.hypot(across_x, across_y), 1.0, atol=1e-6)
    # at a crossing, height and direction lie between those of the two nodes
    i, j = np.floor(columns + 1e-9).astype(int), np.floor(rows + 1e-9).astype(int)
    ends = np.array([size[j, i], size[np.ceil(rows - 1e-9).astype(int), np.ceil(columns - 1e-9).astype(int)]])
    assert (height <= ends.max(axis=0) * (1 + 1e-4)).all()
    assert (height >= ends.min(axis=0) * (1 - 1e-4)).all()


@pytest.mark.parametrize("angle", [0.0, 20.0, 45.0, 75.0, 90.0])
def test_a_tanh_front_is_placed_to_a_hundredth_of_a_cell(angle):
    """A symmetric profile keeps its steepest place, and its normal, under any symmetric smoothing."""
    j, i = np.indices((100, 300))
    normal = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    away = (i - 150.3) * normal[0] + (j - 49.6) * normal[1]
    field = (18.0 + 1.5 * np.tanh(away / 3.0)).astype(np.float32)
    cells = np.full(100, 1000.0)
    columns, rows, offsets, _, x, y = trace_edges(field, cells, cells, 2000.0, 5e-5, 1e-9, 0.0)
    inner = (columns > 9) & (columns < 290) & (rows > 9) & (rows < 90)
    assert len(offsets) == 2
    assert inner.sum() > 75
    assert np.abs((columns - 150.3) * normal[0] + (rows - 49.6) * normal[1])[inner].max() < 0.01
    np.testing.assert_allclose(
        np.column_stack([x, y])[inner], np.broadcast_to(normal, (inner.sum(), 2)), atol=2e-3
    )


def test_the_margin_of_a_gap_is_no_edge():
    """A plane steeper than asked, under clouds of every shape, has no edge anywhere."""
    veil = gaussian_filter(np.random.default_rng(8).normal(size=(200, 600)), 6.0)
    j, i = np.indices(veil.shape)
    field = (15.0 + 0.02 * i - 0.03 * j).astype(np.float32)
    field[veil > np.quantile(veil, 0.6)] = np.nan
    cells = np.full(200, 1000.0)
    assert len(trace_edges(field, cells, cells, 3000.0, 1e-5, 0.02 / 3000.0**2, 0.0)[2]) == 1


def points_of(found):
    """Points, height and direction in order of place."""
    columns, rows, _, *facts = found
    table = np.column_stack([columns, rows, *facts])
    return table[np.lexsort(np.round(table[:, 1::-1], 1).T)]


def traced(field):
    return trace_edges(
        np.ascontiguousarray(field), *metric(len(field)), 2500.0, 2e-5, 0.02 / 2500.0**2, 1e-14
    )


def test_edges_do_not_depend_on_how_many_threads_find_them():
    field = cloudy_scene((200, 600))
    before = numba.get_num_threads()
    try:
        found = []
        for threads in (1, numba.config.NUMBA_NUM_THREADS):
            numba.set_num_threads(threads)
            found.append(traced(field))
    finally:
        numba.set_num_threads(before)
    for one, other in zip(*found, strict=True):
        np.testing.assert_array_equal(one, other)


def test_edges_do_not_depend_on_the_zero_of_the_scale():
    """In kelvin as in °C, but for the last place of single precision, 3e-5 K."""
    field = cloudy_scene((150, 400))
    celsius, kelvin = traced(field), traced(field + np.float32(273.15))
    assert abs(len(kelvin[0]) - len(celsius[0])) <= 0.01 * len(celsius[0])
    apart = nearest(celsius, kelvin)
    assert np.quantile(apart, 0.99) < 0.02


def nearest(one, other):
    """From each point of one set of edges to the nearest of another, cells."""
    gaps = np.hypot(np.subtract.outer(one[0], other[0]), np.subtract.outer(one[1], other[1]))
    return gaps.min(axis=1)


def test_edges_of_a_mirrored_field_are_mirrored():
    field = cloudy_scene((150, 400))
    plain = traced(field)
    for flip, axis, size in ((np.fliplr, 0, 399.0), (np.flipud, 1, 149.0)):
        mirrored = list(traced(flip(field)))
        mirrored[axis] = size - mirrored[axis]
        assert abs(len(mirrored[0]) - len(plain[0])) <= 0.01 * len(plain[0])
        assert np.quantile(nearest(plain, mirrored), 0.99) < 2e-3


def test_no_crossing_is_lost_where_they_are_dense():
    """Noise with little smoothing and no threshold has more crossings than room is made for at first."""
    field = random_field((TILE_ROWS, TILE_COLUMNS), gaps=0.0, seed=4).astype(np.float32)
    east, north = metric(TILE_ROWS)
    slope_x, slope_y = fit_slopes(field, east, north, 600.0)
    size = np.hypot(slope_x, slope_y)
    wanted = trace_ridges(size, slope_x / size, slope_y / size, east, north, 0.0)
    found = trace_edges(field, east, north, 600.0, 0.0)
    assert len(found[0]) > TILE_ROWS * TILE_COLUMNS // 4
    assert len(found[0]) == pytest.approx(len(wanted[0]), rel=0.01)
    assert np.quantile(nearest([part[::20] for part in found], wanted), 0.99) < 1e-3


@pytest.mark.parametrize("fill", [np.nan, 20.0])
def test_nothing_to_see_has_no_edges(fill):
    found = trace_edges(np.full((70, 300), fill, np.float32), *metric(70), 2500.0, 1e-6)
    assert [len(part) for part in found] == [0, 0, 1, 0, 0, 0]


def test_a_field_of_any_kind_is_taken():
    """Read-only, not contiguous, big-endian or of double precision: as files and slices come."""
    field = cloudy_scene((80, 90))
    still = field.copy()
    still.flags.writeable = False
    wanted = traced(field)
    for other in (still, np.asfortranarray(field), field.astype(">f4"), field.astype(np.float64)):
        found = trace_edges(other, *metric(80), 2500.0, 2e-5, 0.02 / 2500.0**2, 1e-14)
        for one, two in zip(wanted, found, strict=True):
            np.testing.assert_array_equal(one, two)
