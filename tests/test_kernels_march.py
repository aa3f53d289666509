"""Front marching: exact solutions, a plain numpy twin of each, and libraries as oracles.

Random fields have gaps. A twin is written from what the kernel promises, not from its code.
"""

from __future__ import annotations

import math

import contourpy
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import brentq
from scipy.sparse.csgraph import dijkstra
from seas import HOUR, time_across

from searcher.kernels.march import BEYOND, EVERYWHERE, Medium, straight_times, trace_back
from searcher.kernels.march import march as march_to

# ---- march


def make_medium(u, v, speed, *, blocked=None, east=1000.0, north=1000.0, begin=0.0, step=HOUR) -> Medium:
    """Water with a current (lat, lon) or (time, lat, lon), on square cells of a kilometre unless said."""
    u, v = np.broadcast_arrays(np.asarray(u, dtype=float), v)
    flow = np.stack([u, v], axis=-1)
    flow = flow[None] if flow.ndim == 3 else flow
    ny, nx = flow.shape[1:3]
    hours = np.shape(speed)[0] if np.ndim(speed) == 3 else 1
    open_speed = np.array(np.broadcast_to(speed, (hours, ny, nx)), dtype=float)
    if blocked is not None:
        open_speed[:, blocked] = 0.0
    metres = (np.array(np.broadcast_to(size, ny), dtype=float) for size in (east, north))
    return Medium(open_speed, np.ascontiguousarray(flow), begin, step, *metres)


def uniform(ny, nx, *, cu=0.0, cv=0.0, speed=10.0, blocked=None) -> Medium:
    return make_medium(np.full((ny, nx), cu), cv, speed, blocked=blocked)


def nothing_blocked(ny, nx):
    return np.zeros((ny, nx), bool)


def march(*given):
    return march_to(*given, EVERYWHERE)


def offsets(ny, nx, x0, y0, cell=1000.0):
    j, i = np.indices((ny, nx))
    return (i - x0) * cell, (j - y0) * cell


@pytest.mark.parametrize(
    ("speed", "cu", "cv"),
    [(10.0, 0.0, 0.0), (10.0, 1.0, 0.3), (10.0, 1.5, 0.0), (10.0, -2.0, 3.0), (10.0, 5.0, 5.0), (5.0, -2, 1)],
)
def test_times_in_a_uniform_current_are_those_of_the_closed_form(speed, cu, cv):
    """Zermelo 1931: |d - c t| = S t. Beyond 20 cells at most 0.5 % late, 0.13 % in the mean, never early."""
    ny, nx, start = 161, 181, (80.3, 70.6)
    time = march(uniform(ny, nx, cu=cu, cv=cv, speed=speed), 0.0, *start, 25e3)
    x, y = offsets(ny, nx, *start)
    late = time / time_across(speed, cu, cv, x, y) - 1
    far = np.hypot(x, y) > 20e3
    assert late.min() > -1e-9
    assert late[far].max() < 0.0035
    assert late[far].mean() < 0.0013
    assert late[np.hypot(x, y) < 24.999e3].max() < 1e-9


def test_open_water_errs_less_than_a_thousandth_on_a_wide_grid():
    """Against straight lines: an 8-connected shortest path is 5 % long in the mean and 8 % at worst."""
    size, start = 601, (300.0, 300.0)
    time = march(uniform(size, size), 0.0, *start, 25e3)
    x, y = offsets(size, size, *start)
    far = np.hypot(x, y) > 20e3
    late = time[far] / (np.hypot(x, y)[far] / 10.0) - 1
    assert late.mean() < 0.001
    assert late.max() < 0.0025


def shear(_x, y, _t):
    return 5e-5 * y, 0.0, 0.0, 5e-5, 0.0, 0.0


def shear_that_grows(_x, y, t):
    grown = 1 + t / 7200.0
    return 1e-5 * y * grown, 0.3 * t / 7200.0, 0.0, 1e-5 * grown, 0.0, 0.0


def jets(x, _y, _t):
    k = np.pi / 60e3
    return 0.0, 1.5 * np.sin(k * x), 0.0, 0.0, 1.5 * k * np.cos(k * x), 0.0


def navigate(current, *, speed, depart, longest):
    """Places (m) and times (s) on least-time tracks from 0, 0: Zermelo's navigation formula, integrated.

    dθ/dt = sin²θ v_x + sinθ cosθ (u_x - v_y) - cos²θ u_y (Zermelo 1931; Bryson & Ho 1975, *Applied Optimal
    Control*, section 2.7); `current` gives u, v, u_x, u_y, v_x, v_y.
    """

    def rhs(t, state):
        u, v, u_x, u_y, v_x, v_y = current(state[0], state[1], t)
        c, s = np.cos(state[2]), np.sin(state[2])
        return [speed * c + u, speed * s + v, s * s * v_x + s * c * (u_x - v_y) - c * c * u_y]

    tracks = []
    for heading in np.linspace(0, 2 * np.pi, 36, endpoint=False):
        moments = depart + longest * np.arange(1, 9) / 8
        track = solve_ivp(
            rhs, (depart, depart + longest), [0, 0, heading], t_eval=moments, rtol=1e-9, atol=1e-6
        )
        tracks.append(np.column_stack([track.y[0], track.y[1], track.t - depart]))
    return np.concatenate(tracks).T


@pytest.mark.parametrize("current", [shear, shear_that_grows, jets], ids=lambda f: f.__name__)
def test_times_in_a_changing_current_are_those_of_zermelos_navigation_formula(current):
    ny, nx, start, speed, depart = 161, 181, (80.3, 70.6), 10.0, 600.0
    x, y = offsets(ny, nx, *start)
    hours = HOUR * np.arange(4)
    fields = [current(x, y, t)[:2] for t in hours]
    u, v = (np.stack([np.broadcast_to(f[k], x.shape) for f in fields]) for k in (0, 1))
    time = march(make_medium(u, v, speed), depart, *start, 25e3)
    px, py, exact = navigate(current, speed=speed, depart=depart, longest=6000.0)
    on = (px > x.min()) & (px < x.max()) & (py > y.min()) & (py < y.max()) & (np.hypot(px, py) > 20e3)
    assert on.sum() > 150
    late = RectBivariateSpline(y[:, 0], x[0], time).ev(py[on], px[on]) / exact[on] - 1
    assert late.max() < 0.005
    assert late.mean() < 0.002
    assert late.min() > -0.002


@pytest.mark.parametrize("strength", [1.0, 2.0])
def test_times_in_a_turning_tide_are_those_of_the_disc_it_carries(strength):
    """A uniform current that turns once in 6.2 h: |d - ∫c dt| = S T, the integral in closed form."""
    ny, nx, start, speed, depart = 161, 161, (80.0, 80.0), 10.0, 1800.0
    omega = 2 * np.pi / (6.2 * HOUR)
    moments = 300.0 * np.arange(60)
    shape = (moments.size, ny, nx)
    u, v = (np.broadcast_to(strength * f(omega * moments)[:, None, None], shape) for f in (np.cos, np.sin))
    time = march(make_medium(u, v, speed, step=300.0), depart, *start, 25e3)
    x, y = offsets(ny, nx, *start)

    def carried(t):
        first, last = omega * depart, omega * (depart + t)
        return strength / omega * np.array([np.sin(last) - np.sin(first), np.cos(first) - np.cos(last)])

    places = [(r, c) for r in range(0, ny, 20) for c in range(0, nx, 20) if np.hypot(x[r, c], y[r, c]) > 20e3]
    for place in places:
        to = np.array([x[place], y[place]])
        exact = brentq(lambda t, to=to: np.hypot(*(to - carried(t))) - speed * t, 1.0, 1e5)
        assert -0.002 < time[place] / exact - 1 < 0.005


def test_what_is_reached_in_a_time_is_a_disc_that_the_current_has_carried():
    speed, cu, cv, t = 8.0, 2.0, -1.0, 5000.0
    time = march(uniform(121, 121, cu=cu, cv=cv, speed=speed), 0.0, 60.0, 60.0, 15e3)
    contour = contourpy.contour_generator(z=time).lines(t)
    assert len(contour) == 1
    x, y = ((contour[0] - 60.0) * 1000.0).T
    radius = np.hypot(x - cu * t, y - cv * t)
    assert np.abs(radius / (speed * t) - 1).max() < 0.005
    assert shapely.Polygon(np.column_stack([x, y])).area == pytest.approx(np.pi * (speed * t) ** 2, rel=0.01)


def test_a_boat_slowed_on_one_side_bends_as_light_does():
    """Snell's law: from slow water into fast the least time is that through the best crossing point."""
    ny, nx, start = 121, 121, (60.0, 20.0)
    speed = np.where(np.arange(ny)[:, None] < 60, 5.0, 10.0) * np.ones((ny, nx))
    time = march(make_medium(np.zeros((ny, nx)), 0.0, speed), 0.0, *start, 25e3)
    crossing = np.linspace(-60e3, 60e3, 24001)
    for column, row in [(60, 100), (100, 100), (20, 110), (110, 90)]:
        dx, edge, beyond = (column - 60) * 1e3, 39.5e3, (row - 59.5) * 1e3
        exact = (np.hypot(crossing, edge) / 5.0 + np.hypot(dx - crossing, beyond) / 10.0).min()
        assert time[row, column] == pytest.approx(exact, rel=0.005)


def test_times_are_the_same_in_a_mirror():
    rng = np.random.default_rng(10)
    blocked = rng.random((31, 41)) < 0.1
    blocked[15, 20] = False
    u, v = rng.uniform(-2, 2, (2, 31, 41))
    east, north = rng.uniform(900, 1100, (2, 31))
    medium = make_medium(u, v, 9.0, blocked=blocked, east=east, north=north)
    time = march(medium, 0.0, 20.0, 15.0, 0.0)
    assert np.isfinite(time).sum() > 1000
    turned = make_medium(u[::-1], -v[::-1], 9.0, blocked=blocked[::-1], east=east[::-1], north=north[::-1])
    np.testing.assert_allclose(march(turned, 0.0, 20.0, 15.0, 0.0)[::-1], time, rtol=1e-9)
    turned = make_medium(-u[:, ::-1], v[:, ::-1], 9.0, blocked=blocked[:, ::-1], east=east, north=north)
    np.testing.assert_allclose(march(turned, 0.0, 20.0, 15.0, 0.0)[:, ::-1], time, rtol=1e-9)


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


@pytest.mark.parametrize("speed", [8.0, 4.5])
def test_marching_is_like_its_twin(speed):
    """Also where the current is nearly as fast as the boat and one settling of each node is not enough."""
    rng = np.random.default_rng(11)
    ny, nx = 9, 11
    u, v = rng.uniform(-3, 3, (2, ny, nx))
    u[3:6, 4:7], v[3:6, 4:7] = 1.0, -0.5  # where times start as straight ways
    east, north = rng.uniform(900, 1100, (2, ny))
    east[3:6] = north[3:6] = 1000.0
    start = np.full((ny, nx), np.inf)
    x, y = offsets(ny, nx, 5.0, 4.0)
    start[3:6, 4:7] = time_across(speed, 1.0, -0.5, x, y)[3:6, 4:7]
    time = march(make_medium(u, v, speed, east=east, north=north), 0.0, 5.0, 4.0, 0.0)
    np.testing.assert_allclose(time, twin_march(u, v, speed, east, north, start), rtol=1e-9, atol=1e-4)


def shortest_lengths(start, ends, obstacles) -> np.ndarray:
    """Length of the shortest way from a place to others around polygons: a visibility graph by shapely.

    It bends only at corners (Lozano-Perez & Wesley 1979, Commun. ACM 22:560-570); Dijkstra is scipy's.
    """
    inside = shapely.buffer(obstacles, -1e-7, join_style="mitre")
    shapely.prepare(inside)
    bends = np.concatenate([[start], np.unique(shapely.get_coordinates(obstacles), axis=0)])

    def lengths(here, there):
        a, b = np.broadcast_arrays(here[:, None], there[None])
        seen = ~shapely.intersects(inside, shapely.linestrings(np.stack([a, b], axis=2)))
        return np.where(seen, np.hypot(*np.moveaxis(b - a, 2, 0)), np.inf)

    between = lengths(bends, bends)
    to_bends = dijkstra(np.where(np.isfinite(between), between, 0.0), indices=0)
    return (to_bends[:, None] + lengths(bends, ends)).min(axis=0)


def draw_obstacles(rng, size: float, count: int):
    """Random polygons: rectangles and hulls of a few points, of 2 to 12 cells."""
    shapes = []
    for _ in range(count):
        corner, extent = rng.uniform(0.1 * size, 0.9 * size, 2), rng.uniform(2, 12, 2)
        if rng.random() < 0.5:
            shapes.append(shapely.box(*corner, *(corner + extent)))
        else:
            points = corner + extent * rng.random((6, 2))
            shapes.append(shapely.convex_hull(shapely.MultiPoint(points)))
    return shapely.union_all(shapes)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_never_optimistic_near_land(seed):
    """Cells that a polygon touches are blocked: no node is reached sooner than by the shortest way around."""
    rng = np.random.default_rng(seed)
    size = 41
    land = draw_obstacles(rng, size, 6)
    j, i = np.indices((size, size))
    blocked = shapely.intersects(land, shapely.box(i - 0.5, j - 0.5, i + 0.5, j + 0.5))
    start = np.array([20.0, 20.0])
    blocked[20, 20] |= shapely.intersects_xy(land, *start)
    if blocked[20, 20]:
        return
    time = march(uniform(size, size, speed=1000.0, blocked=blocked), 0.0, *start, 6e3)
    rows, columns = np.nonzero(np.isfinite(time))
    least = shortest_lengths(start, np.column_stack([columns, rows]).astype(float), land)
    assert (time[rows, columns] >= least * (1 - 1e-9)).all()


@pytest.mark.parametrize("seed", range(4))
def test_ways_round_well_resolved_land_are_within_a_hundredth(seed):
    """Land of 20 to 120 cells; from the oracle's way around the blocked cells the march errs by 0.6 %."""
    rng = np.random.default_rng(seed)
    size, scale = 301, 10
    land = shapely.affinity.scale(draw_obstacles(rng, size / scale, 4), scale, scale, origin=(0, 0))
    j, i = np.indices((size, size))
    blocked = shapely.intersects(land, shapely.box(i - 0.5, j - 0.5, i + 0.5, j + 0.5))
    row, column = next(place for place in ((5, 5), (5, 295), (295, 5)) if not blocked[place])
    time = march(uniform(size, size, speed=1000.0, blocked=blocked), 0.0, float(column), float(row), 25e3)
    rows, columns = (part[::997] for part in np.nonzero(np.isfinite(time)))
    ends = np.column_stack([columns, rows]).astype(float)
    late = time[rows, columns] / np.maximum(shortest_lengths((column, row), ends, land), 1e-9) - 1
    far = np.hypot(columns - column, rows - row) > 20
    assert far.sum() > 30
    assert late[far].min() > -1e-9
    assert late[far].max() < 0.012
    assert late[far].mean() < 0.003


def test_a_closed_basin_is_never_reached_not_even_through_corners():
    j, i = np.indices((21, 21))
    blocked = np.abs(i - 10) + np.abs(j - 10) == 5  # a diamond: its cells touch at corners only
    inside = np.abs(i - 10) + np.abs(j - 10) < 5
    time = march(uniform(21, 21, speed=5.0, blocked=blocked), 0.0, 10.0, 10.0, 0.0)
    assert np.isfinite(time[inside]).all()
    assert np.isinf(time[~inside]).all()


def test_no_headway_against_a_current_faster_than_the_boat():
    time = march(uniform(21, 61, cu=6.0, speed=5.0), 0.0, 30.0, 10.0, 3000.0)
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
    before, after = (march(make_medium(u, v, 6.0, blocked=b), 0.0, 9.0, 7.0, 0.0) for b in (few, more))
    assert np.isfinite(before[np.isfinite(after)]).all()
    assert (after >= before * (1 - 1e-9))[np.isfinite(after)].all()
    assert np.isinf(after[more]).all()
    assert after[7, 9] == 0.0


def test_straight_ways_take_their_length_over_the_speed_made_good():
    """The wind triangle of navigation: speed made good over the ground, from the law of cosines."""
    rng = np.random.default_rng(12)
    ax, ay, bx, by = rng.uniform(0, 40, (4, 100))
    time = straight_times(uniform(41, 41, cu=1.0, cv=-2.0, speed=7.0), np.zeros(100), ax, ay, bx, by)
    exact = time_across(7.0, 1.0, -2.0, (bx - ax) * 1000.0, (by - ay) * 1000.0)
    assert time == pytest.approx(exact, rel=1e-9)


def test_straight_ways_meet_the_current_of_each_hour():
    """Along a current that grows as c = a t: S T + a T²/2 (less what came before) is the length."""
    growth, depart = 1e-4, 1200.0
    hours = HOUR * np.arange(6)
    u = np.broadcast_to(growth * hours[:, None, None], (hours.size, 5, 101))
    ax, ay, bx, by = (np.array([v]) for v in (2.0, 2.0, 98.0, 2.0))
    time = straight_times(make_medium(u, 0.0, 8.0), np.array([depart]), ax, ay, bx, by)[0]
    length = 8.0 * time + growth * ((depart + time) ** 2 - depart**2) / 2
    assert length == pytest.approx(96e3, rel=1e-4)


@pytest.mark.parametrize("find", ["straight", "march"])
def test_ways_are_made_at_the_speed_of_each_hour(find):
    """At a speed that falls as S - a t: S T - a T²/2 (less what came before) is the length."""
    loss, depart, ny, nx = 2e-4, 1200.0, 41, 101
    speed = 9.0 - loss * HOUR * np.arange(6)[:, None, None] + np.zeros((ny, nx))
    medium = make_medium(np.zeros((6, ny, nx)), 0.0, speed)
    x0, y0 = 2.0, 20.0
    if find == "march":
        time = march(medium, depart, x0, y0, 3000.0)[20, 98]
    else:
        time = straight_times(medium, np.array([depart]), *(np.array([v]) for v in (x0, y0, 98.0, y0)))[0]
    length = 9.0 * time - loss * ((depart + time) ** 2 - depart**2) / 2
    assert length == pytest.approx(96e3, rel=2e-3)


def test_straight_ways_stop_at_blocked_cells_and_the_rim():
    blocked = nothing_blocked(21, 21)
    blocked[10, 10] = True
    medium = uniform(21, 21, speed=7.0, blocked=blocked)
    ax, ay = np.array([5.0, 5.0, 5.0, 5.0]), np.array([10.0, 12.0, 5.0, 5.0])
    bx, by = np.array([15.0, 15.0, 15.0, 30.0]), np.array([10.0, 12.0, 15.0, 5.0])
    time = straight_times(medium, np.zeros(4), ax, ay, bx, by)
    assert list(np.isfinite(time)) == [False, True, False, False]
    still = straight_times(medium, np.zeros(1), ax[:1], ay[:1], ax[:1], ay[:1])
    assert still[0] == 0.0


def test_straight_ways_pass_one_blocked_corner_but_not_between_two():
    blocked = nothing_blocked(5, 5)
    blocked[2, 3] = True
    ways = [np.array([v]) for v in (2.0, 2.0, 3.0, 3.0)], [np.array([v]) for v in (3.0, 3.0, 2.0, 2.0)]
    one = uniform(5, 5, speed=10.0, blocked=blocked)
    for way in ways:
        assert straight_times(one, np.zeros(1), *way)[0] == pytest.approx(np.sqrt(2) * 100.0)
    blocked[3, 2] = True
    two = uniform(5, 5, speed=10.0, blocked=blocked)
    for way in ways:
        assert np.isinf(straight_times(two, np.zeros(1), *way)[0])


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), current=st.sampled_from([0.0, 1.0, 5.0]))
def test_a_march_to_goals_gives_the_times_of_the_whole_march_as_far_as_it_goes(seed, current):
    rng = np.random.default_rng(seed)
    ny, nx = rng.integers(5, 40, 2)
    blocked = rng.random((ny, nx)) < 0.2
    u, v = current * rng.uniform(-1, 1, (2, ny, nx))
    medium = make_medium(u, v, 6.0, blocked=blocked)
    start = float(rng.integers(nx)), float(rng.integers(ny))
    goals = rng.integers(0, nx * ny, rng.integers(1, 4))
    near, whole = march_to(medium, 0.0, *start, 2000.0, goals), march(medium, 0.0, *start, 2000.0)
    seen = ~np.isnan(near)
    assert (near[seen] == whole[seen]).all()
    assert seen.flat[goals].all()
    assert seen[blocked].all()
    if not seen.all():  # ended early: as soon as may be, with nothing left out that is nearer
        last = near.flat[goals][np.isfinite(near.flat[goals])].max()
        assert last * BEYOND <= whole[~seen].min()


def test_a_march_to_a_near_goal_ends_soon_and_to_one_that_is_shut_in_does_not():
    blocked = nothing_blocked(101, 101)
    blocked[79:82, 79:82] = True
    blocked[80, 80] = False
    medium = uniform(101, 101, blocked=blocked)
    near, shut_in = (
        march_to(medium, 0.0, 50.0, 50.0, 3000.0, np.array([goal])) for goal in (50 * 101 + 60, 80 * 101 + 80)
    )
    assert 0.02 < np.isfinite(near).mean() < 0.06
    assert np.isinf(shut_in[80, 80])
    assert not np.isnan(shut_in).any()


@pytest.mark.parametrize(("cu", "cv"), [(0.0, 0.0), (2.0, -1.0)])
def test_tracing_back_leads_to_the_start_over_open_water_in_the_time_it_takes(cu, cv):
    blocked = nothing_blocked(61, 61)
    blocked[20:41, 28:33] = True
    medium = uniform(61, 61, cu=cu, cv=cv, speed=5.0, blocked=blocked)
    start = 15.2, 30.4
    time = march(medium, 0.0, *start, 8000.0)
    columns, rows = trace_back(medium, 0.0, time, *start, 45, 30)
    assert (columns[0], rows[0]) == (45, 30)
    assert (np.diff(time[rows, columns]) < 0).all()
    x, y = np.append(columns, start[0])[::-1], np.append(rows, start[1])[::-1]
    taken = straight_times(medium, np.zeros(x.size - 1), x[:-1], y[:-1], x[1:], y[1:])
    assert np.isfinite(taken).all()
    assert time[30, 45] * 0.98 < taken.sum() < time[30, 45] * 1.01
