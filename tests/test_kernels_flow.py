"""Metric, sampling, strain and advection: exact solutions, a numpy twin of each, libraries as oracles.

Random fields have gaps. A twin is written from what the kernel promises, not from its code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import twins
from entries import enter
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy.integrate import solve_ivp
from scipy.interpolate import RegularGridInterpolator
from seas import DAY, HOUR, nodes, random_field

from searcher.kernels import metric
from searcher.kernels.advect import AFLOAT, ASHORE, GONE, advect
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field, sample_vectors, weave
from searcher.kernels.strain import strain

GEOD = Geod(ellps="WGS84")
GRID = Grid(153.0, 0.05, -31.0, 0.04)

# ---- metric


def test_metres_per_degree_are_those_of_the_geodesic():
    """Against GeographicLib (Karney 2013, J. Geod. 87:43-55) through pyproj."""
    lat = np.array([-61.0, -33.0, -0.5, 12.0, 47.0])
    east, north = row_metrics(lat)
    small, zero = 1e-4, np.zeros(5)
    assert east == pytest.approx(GEOD.inv(zero, lat, zero + small, lat)[2] / small, rel=1e-8)
    along = GEOD.inv(zero, lat - small / 2, zero, lat + small / 2)[2] / small
    assert north == pytest.approx(along, rel=1e-8)


# ---- sample


def test_sampling_is_bilinear_as_in_scipy():
    field = random_field((13, 17), gaps=0.0)
    lon, lat = nodes(GRID, field.shape)
    oracle = RegularGridInterpolator((lat, lon), field)
    rng = np.random.default_rng(2)
    x = rng.uniform(lon[0], lon[-1], 500)
    y = rng.uniform(lat[0], lat[-1], 500)
    assert sample_field(field, GRID, x, y) == pytest.approx(oracle((y, x)), abs=1e-9)


def test_sampling_in_time_is_linear_as_in_scipy():
    t = np.array([0.0, 1000.0, 4000.0, 4500.0])
    fields = random_field((2, 4, 9, 11), gaps=0.0)
    lon, lat = nodes(GRID, fields.shape[2:])
    rng = np.random.default_rng(3)
    where = (
        rng.uniform(t[0], t[-1], 300),
        rng.uniform(lat[0], lat[-1], 300),
        rng.uniform(lon[0], lon[-1], 300),
    )
    u, v = sample_vectors(Flow(t, *fields, *GRID), where[0], where[2], where[1])
    for found, field in zip((u, v), fields, strict=True):
        assert found == pytest.approx(RegularGridInterpolator((t, lat, lon), field)(where), abs=1e-9)


def test_sampling_leaves_out_missing_corners_like_its_twin():
    field = random_field((7, 9), gaps=0.35)
    lon, lat = nodes(GRID, field.shape)
    rng = np.random.default_rng(4)
    x = rng.uniform(lon[0] - 0.05, lon[-1] + 0.05, 400)
    y = rng.uniform(lat[0] - 0.05, lat[-1] + 0.05, 400)
    found = sample_field(field, GRID, x, y)
    np.testing.assert_allclose(found, twins.sample_field(field, GRID, x, y), atol=1e-9)
    assert np.isnan(found).any()
    assert np.isfinite(found).any()


def test_nodes_and_the_rim_are_on_the_grid_and_nothing_beyond():
    field = random_field((5, 6), gaps=0.0)
    lon, lat = nodes(GRID, field.shape)
    x, y = (a.ravel() for a in np.meshgrid(lon, lat))
    assert sample_field(field, GRID, x, y) == pytest.approx(field.ravel(), abs=1e-9)
    outside = sample_field(field, GRID, np.array([lon[0] - 1e-6, np.nan]), np.array([lat[0], lat[0]]))
    assert np.isnan(outside).all()


def test_times_outside_the_fields_hold_the_first_and_last():
    t = np.array([100.0, 200.0])
    u = np.stack([np.full((3, 3), 1.0), np.full((3, 3), 2.0)])
    flow = Flow(t, u, -u, *GRID)
    place = np.full(4, GRID.lon0 + 0.02), np.full(4, GRID.lat0 + 0.02)
    found, other = sample_vectors(flow, np.array([-1e6, 100.0, 150.0, 1e6]), *place)
    assert found == pytest.approx([1.0, 1.0, 1.5, 2.0], abs=1e-12)
    assert other == pytest.approx([-1.0, -1.0, -1.5, -2.0], abs=1e-12)


# ---- strain


def test_strain_is_like_its_twin_and_the_eigenvalues_of_lapack():
    u, v = random_field((2, 12, 15), gaps=0.1, seed=7)
    lat = -31.0 + 0.04 * np.arange(12)
    east, north = (metric * step for metric, step in zip(row_metrics(lat), (0.05, 0.04), strict=True))
    found = [f[1:-1, 1:-1] for f in strain(u, v, lat, east, north)]
    ux, uy, vx, vy = twins.velocity_gradients(u, v, lat, east, north)
    divergence, vorticity, shear = ux + vy, vx - uy, (vx + uy) / 2
    rate = np.stack([np.stack([ux, shear], -1), np.stack([shear, vy], -1)], -1)
    good = np.isfinite(rate).all(axis=(-1, -2))
    values, vectors = np.linalg.eigh(rate[good])
    scale = 1.0 / east.mean()  # of the derivatives of a field of order 1
    for one, other in zip(found[:4], (divergence[good], vorticity[good], *values.T), strict=True):
        np.testing.assert_allclose(one[good], other, atol=1e-9 * scale)
    assert np.isnan(found[2][~good]).all()
    assert np.isnan(found[3][~good]).all()
    along = found[4][good] * vectors[:, 0, 0] + found[5][good] * vectors[:, 1, 0]
    np.testing.assert_allclose(np.abs(along), 1.0, atol=1e-9)


def flat_strain(velocity, *, lat0: float = 0.0):
    """Strain of a velocity (function of m) on a patch on the equator, where rows do not converge."""
    lat = lat0 + 0.001 * np.arange(-10, 11)
    east, north = (0.001 * metric for metric in row_metrics(lat))
    x, y = np.meshgrid(np.arange(-10, 11) * east[10], np.arange(-10, 11) * north[10])
    fields = strain(*velocity(x, y), lat, east, north)
    return [f[5:-5, 5:-5] for f in fields]


S = 1e-5


def test_strain_of_a_saddle_shear_and_rotation():
    """(sx, -sy): eigenvalues ∓s; shear u = sy: ∓s/2; rotation: none (e.g. Gill 1982)."""
    divergence, vorticity, s1, s2, px, py = flat_strain(lambda x, y: (S * x, -S * y))
    # rows draw together by cos φ, 3e-8 at 0.01°
    assert np.abs(divergence).max() < 1e-6 * S
    assert np.abs(vorticity).max() < 1e-6 * S
    assert s1 == pytest.approx(np.full(s1.shape, -S), rel=1e-6)
    assert s2 == pytest.approx(np.full(s1.shape, S), rel=1e-6)
    assert np.abs(py) == pytest.approx(np.ones(s1.shape), abs=1e-6)  # compressed north-south
    assert np.abs(px).max() < 1e-3
    _, vorticity, s1, s2, px, py = flat_strain(lambda x, y: (S * y, 0 * x))
    assert vorticity == pytest.approx(np.full(s1.shape, -S), rel=1e-6)
    assert s1 == pytest.approx(np.full(s1.shape, -S / 2), rel=1e-6)
    assert s2 == pytest.approx(np.full(s1.shape, S / 2), rel=1e-6)
    assert px * py == pytest.approx(np.full(s1.shape, -0.5), rel=1e-6)  # along (1, -1)
    divergence, vorticity, s1, s2, _, _ = flat_strain(lambda x, y: (-S * y, S * x))
    assert vorticity == pytest.approx(np.full(s1.shape, 2 * S), rel=1e-6)
    assert max(np.abs(s1).max(), np.abs(s2).max(), np.abs(divergence).max()) < 1e-6 * S


@settings(max_examples=25, deadline=None)
@given(
    turn=st.floats(-1e-4, 1e-4),
    drift=st.tuples(st.floats(-2, 2), st.floats(-2, 2)),
    a=st.floats(1e-6, 1e-4),
    b=st.floats(-1e-4, 1e-4),
)
def test_added_rotation_and_translation_leave_the_eigenvalues_alone(turn, drift, a, b):
    """Objectivity (Serra & Haller 2016, Chaos 26:053110); on the equator a rotation is (-ωy, ωx)."""

    def plain(x, y):
        return a * x + b * y, b * x - 0.3 * a * y + 1e-9 * x * y

    def moved(x, y):
        u, v = plain(x, y)
        return u - turn * y + drift[0], v + turn * x + drift[1]

    # on the equator itself the curvature terms vanish
    lat, east, north = np.zeros(21), np.full(21, 111.0), np.full(21, 110.6)
    x, y = np.meshgrid(np.arange(-10, 11) * 111.0, np.arange(-10, 11) * 110.6)
    before, after = (strain(*flow(x, y), lat, east, north) for flow in (plain, moved))
    size = math.hypot(a, b)
    for k in (2, 3):
        np.testing.assert_allclose(after[k], before[k], rtol=1e-10, atol=1e-10 * size + 1e-14 * abs(turn))


def test_turning_the_whole_earth_strains_nothing():
    """u = Ω N cos φ, the earth's own rotation, is rigid: without the curvature terms it would strain."""
    lat = np.linspace(-60.0, -20.0, 401)
    east, north = row_metrics(lat)
    step = lat[1] - lat[0]
    rate = 1e-6
    u = np.repeat((rate * east / np.radians(1.0))[:, None], 9, axis=1)
    fields = strain(u, np.zeros_like(u), lat, east * 0.1, north * step)
    divergence, vorticity, s1, s2 = (f[1:-1, 1:-1] for f in fields[:4])
    assert np.abs(divergence).max() < 1e-12 * rate
    # central differences over 0.1° err by (Δφ)²/6, 5e-7
    assert max(np.abs(s1).max(), np.abs(s2).max()) < 2e-6 * rate
    wanted = 2 * rate * np.sin(np.radians(lat[1:-1]))  # vorticity of a rigid earth: 2 Ω sin φ
    assert vorticity[:, 0] == pytest.approx(wanted, rel=2e-6)


def test_rate_of_an_analytic_convergence_line():
    """u = -a sin kx: smallest eigenvalue -ak at x = 0 (Serra et al. 2020, Nat. Commun. 11:2525)."""
    a, k = 0.3, 2 * np.pi / 40e3
    lat = 0.02 * np.arange(-10, 11)
    east, north = (0.02 * metric for metric in row_metrics(lat))
    x = np.arange(-30, 31) * east[10]
    u = np.repeat(-a * np.sin(k * x)[None], lat.size, axis=0)
    s1 = strain(u, np.zeros_like(u), lat, east, north)[2][10]
    # a central difference of a sine is sin(kΔ)/(kΔ) of its slope, to the last digit
    share = np.sin(k * east[10]) / (k * east[10])
    assert s1[30] == pytest.approx(-a * k * share, rel=1e-9)
    assert np.nanargmin(s1[15:46]) == 15


# ---- advect
#
# Patches lie on the equator and are so small that the metric, which varies as cos φ, is constant to 1e-7:
# metres east and north are then degrees times the metric of the equator.

degrees_per_metre, metres_per_degree = enter(metric.degrees_per_metre), enter(metric.metres_per_degree)
EAST, NORTH = metres_per_degree(0.0)
CALM = Flow(np.zeros(1), *np.zeros((2, 1, 2, 2)), -720.0, 1440.0, -90.0, 180.0)


def make_flow(velocity, times=(0.0,), *, half=(2000.0, 2000.0), cells=(20, 20), middle=(0.0, 0.0)):
    """A flow of a velocity (function of s, m east, m north) on nodes around a place on the equator."""
    x, y = (m + np.linspace(-h, h, n + 1) for m, h, n in zip(middle, half, cells, strict=True))
    grid = (x[0] / EAST, (x[1] - x[0]) / EAST, y[0] / NORTH, (y[1] - y[0]) / NORTH)
    across = np.meshgrid(x, y)
    u, v = (
        np.array([np.broadcast_to(velocity(t, *across)[k], across[0].shape) for t in times], dtype=float)
        for k in (0, 1)
    )
    return Flow(np.array(times, dtype=float), np.ascontiguousarray(u), np.ascontiguousarray(v), *grid)


def carry(
    flow,
    x,
    y,
    start,
    end,
    longest_step,
    *,
    wind=CALM,
    windage=0.0,
    crosswind=0.0,
    push=(0.0, 0.0),
    most=np.inf,
):
    """`advect` in metres, in equal steps: x, y, status."""
    x, y, start, end, *slip = np.broadcast_arrays(x, y, start, end, windage, crosswind, *push)
    shape = x.shape
    flat = (np.array(a, dtype=float).ravel() for a in (x / EAST, y / NORTH, start, end))
    slip = np.column_stack([np.ravel(a) for a in slip]).astype(float)
    lon, lat, status = advect(weave(flow), weave(wind), slip, *flat, longest_step, most)
    return (lon * EAST).reshape(shape), (lat * NORTH).reshape(shape), status.reshape(shape)


def rotation(_, x, y):
    turn = 2 * np.pi / DAY
    return -turn * y, turn * x


@pytest.mark.parametrize(
    ("step", "factor", "digit"),
    [(0.5, 0.9999983, 1e-7), (1.0, 0.999947, 1e-6), (3.0, 0.98802, 1e-5), (6.0, 0.73225, 1e-5)],
)
def test_radius_after_a_turn_of_24_h(step, factor, digit):
    """|R(iθ)|^n with R the stability polynomial of classical RK4 (Hairer, Nørsett & Wanner 1993, IV.2)."""
    x, y, status = carry(make_flow(rotation), 1000.0, 0.0, 0.0, DAY, step * HOUR)
    assert status[()] == AFLOAT
    theta = 2 * np.pi * step / 24
    exact = abs(1 + 1j * theta - theta**2 / 2 - 1j * theta**3 / 6 + theta**4 / 24) ** (24 / step)
    assert exact == pytest.approx(factor, abs=digit)
    assert np.hypot(x, y) / 1000.0 == pytest.approx(exact, rel=2e-7)


def steady_and_turning(t, x, y):
    """A saddle that becomes a shear within a day: linear in time and space, so the grid is exact."""
    share = t / DAY
    return 2e-5 * x + share * 3e-5 * y, -2e-5 * y + (1 - share) * 1e-5 * x


@pytest.mark.parametrize("velocity", [rotation, steady_and_turning])
def test_order_is_four(velocity):
    flow = make_flow(velocity, (0.0, DAY), half=(9000.0, 9000.0))
    exact = solve_ivp(lambda t, z: velocity(t, *z), (0, DAY), [400.0, 300.0], rtol=1e-12, atol=1e-9).y[:, -1]
    steps = np.array([6.0, 3.0, 1.5]) * HOUR
    # against the same patch at a tiny step, so that what is left of the metric drops out
    fine = carry(flow, 400.0, 300.0, 0.0, DAY, 60.0)
    assert np.hypot(fine[0] - exact[0], fine[1] - exact[1]) < 1e-3
    errors = []
    for step in steps:
        x, y, _ = carry(flow, 400.0, 300.0, 0.0, DAY, step)
        errors.append(np.hypot(x - fine[0], y - fine[1]))
    order = np.log2(errors[-2] / errors[-1])
    assert order == pytest.approx(4.0, abs=0.2)


def test_saddle_and_shear_are_exact():
    """x e^{st}, y e^{-st}; x + s y t: to the truncation of RK4 at steps of 10 min, (s Δ)^4/120."""
    s, time = 1e-5, 3 * DAY
    x, y, _ = carry(
        make_flow(lambda _t, x, y: (s * x, -s * y), half=(9e3, 9e3)), 300.0, 800.0, 0.0, time, 600.0
    )
    assert x == pytest.approx(300.0 * np.exp(s * time), rel=1e-6)
    assert y == pytest.approx(800.0 * np.exp(-s * time), rel=1e-6)
    x, y, _ = carry(
        make_flow(lambda _t, x, y: (s * y, 0 * x), half=(9e3, 9e3)), 300.0, 800.0, 0.0, time, 600.0
    )
    assert x == pytest.approx(300.0 + s * 800.0 * time, rel=1e-6)
    assert y == pytest.approx(800.0, rel=1e-12)


def test_uniform_current_follows_its_parallel_at_every_latitude():
    """Distance sailed along a parallel, against GeographicLib in short hops (pyproj)."""
    lat0 = -33.0
    flow = Flow(np.zeros(1), np.full((1, 9, 9), 0.5), np.zeros((1, 9, 9)), 159.0, 0.25, -34.0, 0.25)
    place = (np.array([a]) for a in (160.0, lat0, 0.0, DAY))
    lon, lat, _ = advect(weave(flow), weave(CALM), np.zeros((1, 4)), *place, 1800.0, np.inf)
    assert lat[0] == lat0
    hops = np.linspace(160.0, lon[0], 500)
    level = np.full(499, lat0)
    assert GEOD.inv(hops[:-1], level, hops[1:], level)[2].sum() == pytest.approx(0.5 * DAY, rel=1e-7)


GYRE_UNIT, GYRE_TIME = 4000.0, HOUR


def double_gyre(t, x, y):
    """Shadden, Lekien & Marsden 2005, Physica D 212:271-304, section 6: A 0.1, ε 0.25, ω 2π/10."""
    a = 0.25 * np.sin(2 * np.pi / 10 * t)
    b = 1 - 2 * a
    f, slope = a * x**2 + b * x, 2 * a * x + b
    u = -np.pi * 0.1 * np.sin(np.pi * f) * np.cos(np.pi * y)
    v = np.pi * 0.1 * np.cos(np.pi * f) * np.sin(np.pi * y) * slope
    return u, v


@pytest.fixture(scope="module")
def gyre():
    """The double gyre on a patch of 8 by 4 km, an hour for each of its units of time."""

    def scaled(t, x, y):
        u, v = double_gyre(t / GYRE_TIME, x / GYRE_UNIT + 1, y / GYRE_UNIT + 0.5)
        return u * GYRE_UNIT / GYRE_TIME, v * GYRE_UNIT / GYRE_TIME

    times = np.linspace(0, 15, 121) * GYRE_TIME
    return make_flow(scaled, times, half=(GYRE_UNIT, GYRE_UNIT / 2), cells=(200, 100))


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ((0.5, 0.5), (0.04671251, 0.87938411)),
        ((1.0, 0.5), (0.99759282, 0.50225694)),
        ((1.5, 0.5), (1.97240241, 0.56195436)),
        ((0.25, 0.25), (1.98933097, 0.57084071)),
        ((1.25, 0.75), (0.11380642, 0.98014306)),
        ((0.1, 0.9), (1.98669356, 0.46193049)),
    ],
)
def test_unsteady_double_gyre_ends_where_an_ode_solver_does(gyre, start, end):
    exact = solve_ivp(lambda t, z: double_gyre(t, *z), (0, 15), start, rtol=1e-12, atol=1e-14).y[:, -1]
    assert exact == pytest.approx(end, abs=1e-8)
    x, y = ((np.array(start) - [1, 0.5]) * GYRE_UNIT)[:, None]
    x, y, _ = carry(gyre, x, y, 0.0, 15 * GYRE_TIME, 60.0)
    found = x[0] / GYRE_UNIT + 1, y[0] / GYRE_UNIT + 0.5
    # bilinear over cells of 0.01 errs by about 1e-4, and errors grow e^{15 FTLE}, up to 200 fold
    assert found == pytest.approx(end, abs=0.02)


def test_forward_then_back_returns(gyre):
    rng = np.random.default_rng(8)
    x, y = rng.uniform(-3000, 3000, 200), rng.uniform(-1500, 1500, 200)
    there = carry(gyre, x, y, 0.0, 8 * HOUR, 60.0)
    assert (there[2] == AFLOAT).all()
    assert np.hypot(there[0] - x, there[1] - y).max() > 1000.0
    back = carry(gyre, *there[:2], 8 * HOUR, 0.0, 60.0)
    assert np.hypot(back[0] - x, back[1] - y).max() < 0.5


@settings(max_examples=25, deadline=None)
@given(
    share=st.floats(0, 0.05),
    current=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
    blow=st.tuples(st.floats(-15, 15), st.floats(-15, 15)),
)
def test_windage_adds_its_share_of_the_wind(share, current, blow):
    half = (40e3, 40e3)
    water = make_flow(lambda _t, _x, _y: current, half=half)
    wind = make_flow(lambda _t, _x, _y: blow, half=half)
    both = make_flow(
        lambda _t, _x, _y: (current[0] + share * blow[0], current[1] + share * blow[1]), half=half
    )
    found = carry(water, 100.0, -200.0, 0.0, 4 * HOUR, 900.0, wind=wind, windage=share)
    wanted = carry(both, 100.0, -200.0, 0.0, 4 * HOUR, 900.0)
    assert [float(m) for m in found[:2]] == pytest.approx([float(m) for m in wanted[:2]], abs=1e-6)


def test_missing_wind_counts_as_none():
    water = make_flow(lambda _t, _x, _y: (0.3, 0.1), half=(40e3, 40e3))
    wind = make_flow(lambda _t, _x, _y: (np.nan, np.nan), half=(40e3, 40e3))
    found = carry(water, 0.0, 0.0, 0.0, HOUR, 900.0, wind=wind, windage=0.02)
    assert found[:2] == carry(water, 0.0, 0.0, 0.0, HOUR, 900.0)[:2]


def test_land_stops_a_particle_with_water_around_it():
    flow = make_flow(lambda _t, x, _y: (np.where(x > 500.0, np.nan, 0.5), 0 * x), half=(2000.0, 2000.0))
    # land begins between the nodes at 400 and 600 m; half of that cell still has water on one side
    x, y, status = carry(flow, [-800.0, 0.0], [10.0, -300.0], 0.0, DAY, 300.0)
    assert (status == ASHORE).all()
    assert y == pytest.approx([10.0, -300.0], abs=1e-6)
    assert ((x > 600.0 - 2 * 150.0) & (x < 600.0)).all()  # no farther off than two steps
    u, _ = sample_vectors(flow, np.zeros(2), x / EAST, y / NORTH)
    assert np.isfinite(u).all()


def test_a_start_on_land_or_off_the_grid_stays_there():
    flow = make_flow(lambda _t, x, _y: (np.where(x > 500.0, np.nan, 0.5), 0 * x))
    x, y, status = carry(flow, [1500.0, 9000.0, np.nan], [50.0, 0.0, 0.0], 0.0, DAY, 300.0)
    assert list(status) == [ASHORE, GONE, GONE]
    assert x[:2] == pytest.approx([1500.0, 9000.0])
    assert y[:2] == pytest.approx([50.0, 0.0], abs=1e-9)


def test_leaving_the_grid_is_told():
    flow = make_flow(lambda _t, x, _y: (0.1 + 0 * x, 0.5 + 0 * x))
    x, y, status = carry(flow, [0.0, 0.0], [0.0, -1900.0], 0.0, 2 * HOUR, 300.0)
    assert list(status) == [GONE, AFLOAT]
    assert 2000.0 - 2 * 150.0 < y[0] <= 2000.0
    assert (x[1], y[1]) == pytest.approx((720.0, 1700.0), rel=1e-6)


def test_every_particle_has_its_own_hours_and_windage():
    flow = make_flow(lambda t, x, _y: (1e-4 * t + 0 * x, 0.2 + 0 * x), (0.0, DAY), half=(90e3, 90e3))
    wind = make_flow(lambda _t, x, _y: (0 * x, 10.0 + 0 * x), half=(90e3, 90e3))
    start = np.array([0.0, 3600.0, 7200.0, 5000.0])
    end = np.array([3600.0, 0.0, 7200.0, 9000.0])
    windage = np.array([0.0, 0.01, 0.03, 0.02])
    x, y, status = carry(flow, np.zeros(4), np.zeros(4), start, end, 600.0, wind=wind, windage=windage)
    assert (status == AFLOAT).all()
    assert x == pytest.approx(1e-4 * (end**2 - start**2) / 2, rel=1e-6, abs=1e-9)
    assert y == pytest.approx((0.2 + 10.0 * windage) * (end - start), rel=1e-6, abs=1e-9)


def test_push_and_crosswind_add_up():
    """A wind to the north pushes to its right, east; m/s come on top."""
    half = (40e3, 40e3)
    water = make_flow(lambda _t, _x, _y: (0.1, 0.2), half=half)
    wind = make_flow(lambda _t, _x, _y: (0.0, 10.0), half=half)
    share = {"windage": 0.02, "crosswind": np.array([0.01, -0.01]), "push": (0.05, np.array([0.0, -0.3]))}
    x, y, _ = carry(water, [0.0, 0.0], 0.0, 0.0, HOUR, 900.0, wind=wind, **share)
    assert x == pytest.approx(np.array([0.25, 0.05]) * HOUR, rel=1e-7)
    assert y == pytest.approx(np.array([0.4, 0.1]) * HOUR, rel=1e-7)


def test_a_particle_without_hours_stays_where_it_is():
    flow = make_flow(lambda _t, x, _y: (0.3 + 0 * x, 0.1 + 0 * x))
    x, y, _ = carry(flow, [0.0, 5.0, 10.0], 0.0, [0.0, np.nan, 0.0], HOUR, 600.0)
    assert x == pytest.approx([1080.0, 5.0, 1090.0], rel=1e-6)
    assert y == pytest.approx([360.0, 0.0, 360.0], rel=1e-6, abs=1e-9)


def jet(_, x, y):
    """3 m/s along a stream 1 km wide that winds about y = 0."""
    return 0.1 + 3.0 * np.exp(-((y / 500.0) ** 2)), 0.5 * np.sin(x / 1500.0)


def test_no_step_crosses_more_than_its_share_of_a_cell():
    """Cells of 200 m, water of 3 m/s: in equal steps of half an hour a particle jumps over 27 of them.

    Held to half a cell it ends where an ODE solver on the same bilinear field does; slow water is left alone.
    """
    flow = make_flow(jet, half=(20e3, 2000.0), cells=(200, 20))
    axes = [np.linspace(-2000.0, 2000.0, 21), np.linspace(-20e3, 20e3, 201)]
    read = RegularGridInterpolator(axes, np.stack([flow.u[0], flow.v[0]], axis=-1))
    start = np.array([[-15e3, 0.0], [-14e3, 300.0], [-15e3, -1500.0]])
    exact = [
        solve_ivp(lambda _, z: read(z[::-1])[0], (0, HOUR), z, rtol=1e-9, atol=1e-6, max_step=30.0).y[:, -1]
        for z in start
    ]
    x, y, status = carry(flow, *start.T, 0.0, HOUR, 1800.0, most=0.5)
    assert (status == AFLOAT).all()
    assert np.hypot(*(np.column_stack([x, y]) - exact).T).max() < 5.0
    x, y, _ = carry(flow, *start.T, 0.0, HOUR, 1800.0)
    apart = np.hypot(*(np.column_stack([x, y]) - exact).T)
    assert apart[:2].max() > 100.0


def test_no_particle_depends_on_who_is_carried_with_it():
    flow = make_flow(jet, half=(20e3, 2000.0), cells=(200, 20))
    rng = np.random.default_rng(10)
    x, y = rng.uniform(-15e3, 5e3, 700), rng.uniform(-1500.0, 1500.0, 700)
    crowd = carry(flow, x, y, 0.0, HOUR, 600.0, most=0.5)
    for p in (0, 255, 256, 257, 699):
        alone = carry(flow, x[p], y[p], 0.0, HOUR, 600.0, most=0.5)
        assert [float(a) for a in alone] == pytest.approx([float(a[p]) for a in crowd], abs=1e-7)
    turned = carry(flow, x[::-1], y[::-1], 0.0, HOUR, 600.0, most=0.5)
    for one, other in zip(turned, crowd, strict=True):
        np.testing.assert_allclose(one[::-1], other, atol=1e-7)


@settings(max_examples=50, deadline=None)
@given(lat=st.floats(-85, 85))
def test_degrees_in_a_metre_are_one_over_metres_in_a_degree(lat):
    assert degrees_per_metre(lat) == pytest.approx([1 / m for m in metres_per_degree(lat)], rel=1e-11)


def test_advection_is_runge_kutta_like_its_twin():
    """The classical scheme in plain numpy, on a random flow with gaps, until a particle stops."""
    rng = np.random.default_rng(9)
    t = np.array([0.0, 4000.0, 9000.0])
    u, v = rng.normal(0, 0.4, (2, 3, 8, 9))
    gaps = rng.random((8, 9)) < 0.15
    u[:, gaps] = v[:, gaps] = np.nan
    flow = Flow(t, u, v, *GRID)
    lon = rng.uniform(153.0, 153.4, 40)
    lat = rng.uniform(-31.0, -30.72, 40)
    start, end = rng.uniform(0, 9000, (2, 40))

    def speed(moment, x, y):
        k = int(np.clip(np.searchsorted(t, moment, side="right") - 1, 0, 1))
        share = np.clip((moment - t[k]) / (t[k + 1] - t[k]), 0, 1)
        place = np.array([x]), np.array([y])
        parts = [
            (1 - share) * twins.sample_field(f[k], GRID, *place)[0]
            + share * twins.sample_field(f[k + 1], GRID, *place)[0]
            for f in (u, v)
        ]
        east, north = metres_per_degree(y)
        return np.array([parts[0] / east, parts[1] / north])

    def step(z, moment, dt):
        k1 = speed(moment, *z)
        k2 = speed(moment + dt / 2, *(z + dt / 2 * k1))
        k3 = speed(moment + dt / 2, *(z + dt / 2 * k2))
        return z + dt / 6 * (k1 + 2 * k2 + 2 * k3 + speed(moment + dt, *(z + dt * k3)))

    twin = []
    for p in range(40):
        z, count = np.array([lon[p], lat[p]]), math.ceil(abs(end[p] - start[p]) / 700.0)
        for k in range(count):
            dt = (end[p] - start[p]) / count
            ahead = step(z, start[p] + k * dt, dt)
            if np.isnan(ahead).any():
                break
            z = ahead
        twin.append(z)
    x, y, status = advect(weave(flow), weave(CALM), np.zeros((40, 4)), lon, lat, start, end, 700.0, np.inf)
    np.testing.assert_allclose(np.column_stack([x, y]), twin, atol=1e-9)
    assert (status == AFLOAT).sum() > 5
    assert (status != AFLOAT).sum() >= 3
