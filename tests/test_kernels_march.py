"""Front marching: exact solutions, a plain numpy twin of each, and libraries as oracles.

Random fields have gaps. A twin is written from what the kernel promises, not from its code.
"""

from __future__ import annotations

import itertools
import math

import contourpy
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from seas import time_across

from searcher.kernels.march import descend, march, straight_times

# ---- march


def open_grid(ny, nx, *, cu=0.0, cv=0.0, cell=1000.0):
    """Nothing blocked, a uniform current, square cells: the arguments of `march` up to the metres."""
    fields = (np.full((ny, nx), c) for c in (cu, cv))
    return np.zeros((ny, nx), bool), *fields, np.full(ny, cell), np.full(ny, cell)


def offsets(ny, nx, x0, y0, cell=1000.0):
    j, i = np.indices((ny, nx))
    return (i - x0) * cell, (j - y0) * cell


@pytest.mark.parametrize(
    ("cu", "cv", "most"),
    [(0.0, 0.0, 0.005), (1.0, 0.3, 0.006), (1.5, 0.0, 0.006), (-2.0, 3.0, 0.008), (5.0, 5.0, 0.012)],
)
def test_times_in_a_uniform_current_are_those_of_the_closed_form(cu, cv, most):
    """Zermelo 1931: |d - c t| = S t. Beyond 20 cells half a percent late at most, more in a stronger current.

    Mean 0.22 % without current, 0.23 % with one of 0.15 S, 0.35 % with one of 0.7 S. Never too early.
    """
    speed, ny, nx, start = 10.0, 121, 141, (60.3, 50.6)
    blocked, u, v, east, north = open_grid(ny, nx, cu=cu, cv=cv)
    time = march(blocked, u, v, speed, east, north, *start, 8000.0)
    x, y = offsets(ny, nx, *start)
    exact = time_across(speed, cu, cv, x, y)
    far = np.hypot(x, y) > 20e3
    late = time / exact - 1
    assert late.min() > -1e-9
    assert late[far].max() < most
    assert late[far].mean() < 0.004
    near = np.hypot(x, y) < 7999.0
    assert late[near].max() < 1e-9


def test_what_is_reached_in_a_time_is_a_disc_that_the_current_has_carried():
    speed, cu, cv, t = 8.0, 2.0, -1.0, 5000.0
    blocked, u, v, east, north = open_grid(121, 121, cu=cu, cv=cv)
    time = march(blocked, u, v, speed, east, north, 60.0, 60.0, 8000.0)
    contour = contourpy.contour_generator(z=time).lines(t)
    assert len(contour) == 1
    x, y = ((contour[0] - 60.0) * 1000.0).T
    radius = np.hypot(x - cu * t, y - cv * t)
    assert np.abs(radius / (speed * t) - 1).max() < 0.007
    assert shapely.Polygon(np.column_stack([x, y])).area == pytest.approx(np.pi * (speed * t) ** 2, rel=0.01)


def test_times_are_the_same_in_a_mirror():
    rng = np.random.default_rng(10)
    blocked = rng.random((31, 41)) < 0.1
    blocked[15, 20] = False
    u, v = rng.uniform(-2, 2, (2, 31, 41))
    east, north = rng.uniform(900, 1100, (2, 31))
    time = march(blocked, u, v, 9.0, east, north, 20.0, 15.0, 0.0)
    assert np.isfinite(time).sum() > 1000

    def flip(field, way):
        return np.ascontiguousarray(field[way])

    south, west = np.s_[::-1], np.s_[:, ::-1]
    fields = flip(blocked, south), flip(u, south), -flip(v, south)
    turned = march(*fields, 9.0, flip(east, south), flip(north, south), 20.0, 15.0, 0.0)
    np.testing.assert_allclose(flip(turned, south), time, rtol=1e-9)
    fields = flip(blocked, west), -flip(u, west), flip(v, west)
    turned = march(*fields, 9.0, east, north, 20.0, 15.0, 0.0)
    np.testing.assert_allclose(flip(turned, west), time, rtol=1e-9)


def twin_march(cu, cv, speed, east, north, time):
    """The same times by brute force: sweeps over all nodes until nothing changes.

    From every two neighbours that touch, the best place between them by golden section (the way from there is
    straight, Sethian & Vladimirsky 2003, SIAM J. Numer. Anal. 41:325-363, section 3).
    """
    ring = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)]
    ny, nx = time.shape
    golden = (math.sqrt(5) - 1) / 2

    def padded(field, di, dj):
        wide = np.pad(field, 1, constant_values=np.inf)
        return wide[1 + dj : 1 + dj + ny, 1 + di : 1 + di + nx]

    while True:
        best = time.copy()
        for (ai, aj), (bi, bj) in zip(ring, ring[1:] + ring[:1], strict=True):
            ta, tb = padded(time, ai, aj), padded(time, bi, bj)
            known = np.isfinite(ta) & np.isfinite(tb)
            ta, tb = np.where(known, ta, 1e12), np.where(known, tb, 1e12)

            def arrival(share, ai=ai, aj=aj, bi=bi, bj=bj, ta=ta, tb=tb):
                x = -((1 - share) * ai + share * bi) * east[:, None]
                y = -((1 - share) * aj + share * bj) * north[:, None]
                return (1 - share) * ta + share * tb + time_across(speed, cu, cv, x, y)

            low, high = np.zeros((ny, nx)), np.ones((ny, nx))
            for _ in range(60):
                c, d = high - golden * (high - low), low + golden * (high - low)
                left = arrival(c) < arrival(d)
                high, low = np.where(left, d, high), np.where(left, low, c)
            for share in (low, np.zeros((ny, nx)), np.ones((ny, nx))):
                best = np.minimum(best, arrival(share))
            for t, di, dj in ((padded(time, ai, aj), ai, aj),):
                best = np.minimum(
                    best, t + time_across(speed, cu, cv, -di * east[:, None], -dj * north[:, None])
                )
        if np.abs(np.where(np.isfinite(best), best - time, 0)).max() == 0 and np.isfinite(best).all():
            return best
        time = np.minimum(best, time)


def test_marching_is_like_its_twin():
    rng = np.random.default_rng(11)
    ny, nx = 9, 11
    u, v = rng.uniform(-3, 3, (2, ny, nx))
    u[3:6, 4:7], v[3:6, 4:7] = 1.0, -0.5  # where times start as straight ways
    east, north = rng.uniform(900, 1100, (2, ny))
    east[3:6] = north[3:6] = 1000.0
    start = np.full((ny, nx), np.inf)
    x, y = offsets(ny, nx, 5.0, 4.0)
    start[3:6, 4:7] = time_across(8.0, 1.0, -0.5, x, y)[3:6, 4:7]
    time = march(np.zeros((ny, nx), bool), u, v, 8.0, east, north, 5.0, 4.0, 0.0)
    np.testing.assert_allclose(time, twin_march(u, v, 8.0, east, north, start), rtol=1e-9, atol=1e-4)


def around(rectangle, start, end) -> float:
    """Length of the shortest way around a rectangle, by trying its corners in order both ways round."""
    corners = list(rectangle.exterior.coords)[:-1]
    ways = [[start, end]]
    for k, turn, count in itertools.product(range(4), (1, -1), (1, 2, 3)):
        ways.append([start, *(corners[(k + turn * m) % 4] for m in range(count)), end])
    lines = [shapely.LineString(way) for way in ways]
    inside = rectangle.buffer(-1e-6)
    return min(line.length for line in lines if not line.intersects(inside))


@pytest.mark.parametrize("end", [(70, 30), (62, 20), (62, 45)])
def test_a_wall_forces_the_way_around_its_corners(end):
    ny = nx = 91
    blocked, u, v, east, north = open_grid(ny, nx)
    blocked[20:51, 40:46] = True
    time = march(blocked, u, v, 1.0, east, north, 20.0, 30.0, 8000.0)
    start = (20.0, 30.0)
    wall = shapely.box(40, 20, 45, 50)
    least = around(wall, start, end) * 1000.0
    most = around(shapely.box(39, 19, 46, 51), start, end) * 1000.0  # through the nodes beside it
    assert least * (1 - 1e-9) < time[end[1], end[0]] < most * 1.005
    assert least > 1.01 * np.hypot(end[0] - 20, end[1] - 30) * 1000.0
    assert np.isinf(time[blocked]).all()


def test_a_closed_basin_is_never_reached_not_even_through_corners():
    blocked, u, v, east, north = open_grid(21, 21)
    j, i = np.indices((21, 21))
    blocked[np.abs(i - 10) + np.abs(j - 10) == 5] = True  # a diamond: its cells touch at corners only
    inside = np.abs(i - 10) + np.abs(j - 10) < 5
    time = march(blocked, u, v, 5.0, east, north, 10.0, 10.0, 0.0)
    assert np.isfinite(time[inside]).all()
    assert np.isinf(time[~inside]).all()


def test_no_headway_against_a_current_faster_than_the_boat():
    blocked, u, v, east, north = open_grid(21, 61, cu=6.0)
    time = march(blocked, u, v, 5.0, east, north, 30.0, 10.0, 3000.0)
    x, _ = offsets(21, 61, 30.0, 10.0)
    assert np.isinf(time[x < -500.0]).all()
    # downstream it goes 11 m/s
    assert time[10, 60] == pytest.approx(30e3 / 11.0, rel=1e-3)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0, 0.4))
def test_blocking_more_never_brings_anything_nearer(seed, share):
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(-1, 1, (2, 15, 18))
    few = rng.random((15, 18)) < share / 2
    more = few | (rng.random((15, 18)) < share / 2)
    few[7, 9] = more[7, 9] = False
    east = north = np.full(15, 1000.0)
    before, after = (march(b, u, v, 6.0, east, north, 9.0, 7.0, 0.0) for b in (few, more))
    assert np.isfinite(before[np.isfinite(after)]).all()
    # a way that grazes a blocked corner is not taken, and with it goes, in clutter, its better neighbour
    assert (after >= 0.9 * before)[np.isfinite(after)].all()
    assert np.isinf(after[more]).all()
    assert after[7, 9] == 0.0


def test_straight_ways_take_their_length_over_the_speed_made_good():
    """The wind triangle of navigation: speed made good over the ground, from the law of cosines."""
    blocked, u, v, east, north = open_grid(41, 41, cu=1.0, cv=-2.0)
    rng = np.random.default_rng(12)
    ax, ay, bx, by = rng.uniform(0, 40, (4, 100))
    time = straight_times(blocked, u, v, 7.0, east, north, ax, ay, bx, by)
    exact = time_across(7.0, 1.0, -2.0, (bx - ax) * 1000.0, (by - ay) * 1000.0)
    assert time == pytest.approx(exact, rel=1e-9)


def test_straight_ways_stop_at_blocked_cells_and_the_rim():
    blocked, u, v, east, north = open_grid(21, 21)
    blocked[10, 10] = True
    ax, ay = np.array([5.0, 5.0, 5.0, 5.0]), np.array([10.0, 12.0, 5.0, 5.0])
    bx, by = np.array([15.0, 15.0, 15.0, 30.0]), np.array([10.0, 12.0, 15.0, 5.0])
    time = straight_times(blocked, u, v, 7.0, east, north, ax, ay, bx, by)
    assert list(np.isfinite(time)) == [False, True, False, False]
    still = straight_times(blocked, u, v, 7.0, east, north, ax[:1], ay[:1], ax[:1], ay[:1])
    assert still[0] == 0.0


def test_going_down_the_times_leads_to_the_start_over_open_water():
    blocked, u, v, east, north = open_grid(61, 61)
    blocked[20:41, 28:33] = True
    time = march(blocked, u, v, 5.0, east, north, 15.0, 30.0, 8000.0)
    columns, rows = descend(time, blocked, 45, 30)
    assert (columns[0], rows[0]) == (45, 30)
    assert (columns[-1], rows[-1]) == (15, 30)
    assert not blocked[rows, columns].any()
    assert (np.maximum(np.abs(np.diff(columns)), np.abs(np.diff(rows))) == 1).all()
    assert (np.diff(time[rows, columns]) < 0).all()
