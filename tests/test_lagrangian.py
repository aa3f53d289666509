"""Stretching and gathering on the way: exact flows, the double gyre of the literature, land and edges.

Flows are drawn on patches of a few kilometres about a place on the equator, where a degree is the same
length to 1e-7 both ways, so that what is known in a plane holds on the ellipsoid.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy.linalg import expm
from seas import DAY, HOUR, TASMAN, Plane, hours, make_axes, make_node

from searcher.carry import Drift
from searcher.errors import NoData, TableError
from searcher.fronts.lagrangian import blind_to, deformation, find_attracting_lines, stretch, stretching
from searcher.kernels.advect import AFLOAT, ASHORE, GONE
from searcher.kernels.sample import Flow, weave
from searcher.sea import make_sea

GEOD = Geod(ellps="WGS84")
EAST = GEOD.inv(0, 0, 1e-4, 0)[2] / 1e-4
NORTH = GEOD.inv(0, -5e-5, 0, 5e-5)[2] / 1e-4
CALM = weave(Flow(np.zeros(1), np.zeros((1, 2, 2)), np.zeros((1, 2, 2)), -720.0, 1440.0, -90.0, 180.0))


def make_drift(velocity, times=(0.0,), *, half=(9e3, 9e3), cells=(20, 20), step=600.0) -> Drift:
    """The drift of a velocity (function of s, m east, m north) on nodes around a place on the equator."""
    x, y = (np.linspace(-h, h, n + 1) for h, n in zip(half, cells, strict=True))
    across = np.meshgrid(x, y)
    u, v = (
        np.array([np.broadcast_to(velocity(t, *across)[k], across[0].shape) for t in times], dtype=float)
        for k in (0, 1)
    )
    grid = (x[0] / EAST, (x[1] - x[0]) / EAST, y[0] / NORTH, (y[1] - y[0]) / NORTH)
    return Drift(weave(Flow(np.array(times, dtype=float), u, v, *grid)), CALM, 0.0, step)


def stretch_at(drift, x, y, start, end, **options):
    x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
    return stretch(drift, x / EAST, y / NORTH, start, end, **options)


# ---- exact flows

S, TIME = 1e-5, 3 * DAY


def test_saddle_stretches_at_its_rate():
    """FTLE s either way in time, no change of area; forward along x, backward along y."""
    drift = make_drift(lambda _t, x, y: (S * x, -S * y))
    there = stretch_at(drift, [300.0, -200.0], [800.0, 400.0], 0.0, TIME, apart=20.0)
    assert there.ftle == pytest.approx([S, S], rel=1e-6)
    assert there.dilation == pytest.approx([0.0, 0.0], abs=1e-6)
    assert np.abs(there.x) == pytest.approx([1.0, 1.0], abs=1e-6)
    back = stretch_at(drift, 300.0, 100.0, TIME, 0.0, apart=20.0)
    assert back.ftle == pytest.approx(S, rel=1e-6)
    assert np.abs(back.y) == pytest.approx(1.0, abs=1e-6)


def test_shear_stretches_as_known():
    """asinh(s|T|/2)/|T|, 4.15127e-6 1/s for s = 1e-5 and 3 days."""
    drift = make_drift(lambda _t, x, y: (S * y, 0 * x))
    assert np.arcsinh(S * TIME / 2) / TIME == pytest.approx(4.15127e-6, rel=1e-6)
    for end in (TIME, -TIME):
        found = stretch_at(drift, 100.0, -200.0, 0.0, end)
        assert found.ftle == pytest.approx(4.15127e-6, rel=1e-5)
        assert found.dilation == pytest.approx(0.0, abs=1e-6)


def test_rotation_stretches_nothing():
    turn = 2 * np.pi / DAY
    drift = make_drift(lambda _t, x, y: (-turn * y, turn * x))
    found = stretch_at(drift, [1000.0, 0.0], [500.0, 0.0], 0.0, 1.3 * DAY)
    assert np.abs(found.ftle).max() < 1e-10
    assert np.abs(found.dilation).max() < 2e-5


def test_deformation_of_a_linear_flow_is_its_matrix_exponential():
    """A shear at an angle that also spreads: F = expm(A T) (scipy)."""
    matrix = np.array([[3e-6, 8e-6], [-2e-6, 1e-6]])
    drift = make_drift(lambda _t, x, y: (3e-6 * x + 8e-6 * y, -2e-6 * x + 1e-6 * y))
    gradient, status = deformation(drift, np.array([0.003]), np.array([-0.002]), 0.0, 2 * DAY)
    assert status[0] == AFLOAT
    np.testing.assert_allclose(gradient[0], expm(matrix * 2 * DAY), atol=1e-6)
    found = stretch(drift, np.array([0.003]), np.array([-0.002]), 0.0, 2 * DAY)
    assert found.dilation == pytest.approx(4e-6 * 2 * DAY, rel=1e-4)


# ---- the double gyre

UNIT, SECOND = 4000.0, HOUR  # the patch is 8 by 4 km, an hour for each of its units of time


def gyre_drift(epsilon: float, times) -> Drift:
    """Shadden, Lekien & Marsden 2005, Physica D 212:271-304, section 6: A 0.1, ω 2π/10.

    A little of the flow beyond the walls, which nothing crosses, is there for the auxiliary points.
    """

    def velocity(t, x, y):
        x, y = x / UNIT + 1, y / UNIT + 0.5
        a = epsilon * np.sin(2 * np.pi / 10 * t / SECOND)
        f, slope = a * x**2 + (1 - 2 * a) * x, 2 * a * x + 1 - 2 * a
        u = -np.pi * 0.1 * np.sin(np.pi * f) * np.cos(np.pi * y)
        v = np.pi * 0.1 * np.cos(np.pi * f) * np.sin(np.pi * y) * slope
        return u * UNIT / SECOND, v * UNIT / SECOND

    return make_drift(
        velocity, np.asarray(times) * SECOND, half=(1.02 * UNIT, 0.52 * UNIT), cells=(204, 104), step=50.0
    )


@pytest.fixture(scope="module")
def gyre():
    return gyre_drift(0.25, np.linspace(-15, 15, 241))


def gyre_ftle(drift, x, y, time, **options):
    """In units of the gyre."""
    x, y = (np.asarray(x) - 1) * UNIT, (np.asarray(y) - 0.5) * UNIT
    found = stretch_at(drift, x, y, 0.0, time * SECOND, apart=2.0, **options)
    return found.ftle * SECOND, found


def test_steady_double_gyre_stretches_at_its_corners():
    """π²A at the saddles: forward at (1, 0), backward at (1, 1)."""
    drift = gyre_drift(0.0, [0.0])
    assert gyre_ftle(drift, 1.0, 0.0, 5.0)[0] == pytest.approx(np.pi**2 * 0.1, rel=0.01)
    assert gyre_ftle(drift, 1.0, 1.0, -5.0)[0] == pytest.approx(np.pi**2 * 0.1, rel=0.01)


@pytest.mark.parametrize(
    ("x", "y", "forward", "backward"),
    [
        (0.5, 0.5, 0.16330236, 0.22235697),
        (1.0, 0.5, 0.06914086, 0.06914086),
        (1.5, 0.5, 0.22235697, 0.16330236),
        (0.25, 0.25, 0.29529816, 0.17856996),
        (1.25, 0.75, 0.24452533, 0.10415178),
        (0.1, 0.9, 0.35489487, 0.22041704),
    ],
)
def test_unsteady_double_gyre_stretches_as_computed(gyre, x, y, forward, backward):
    """Against the variational equations integrated at rtol 1e-12; area is kept."""
    for time, known in ((15.0, forward), (-15.0, backward)):
        # bilinear over cells of 0.007: velocities err by 6e-5, and errors grow e^{15 FTLE}, up to 200 fold
        assert gyre_ftle(gyre, x, y, time)[0] == pytest.approx(known, abs=0.005)


@pytest.mark.parametrize(
    ("columns", "mean"),
    [(101, 0.14393), (201, 0.15095), pytest.param(401, 0.15404, marks=pytest.mark.slow)],
)
def test_unsteady_double_gyre_has_the_known_mean(gyre, columns, mean):
    """The table's means are of differences between the grid's own nodes, off the walls.

    With auxiliary points as far apart as the nodes, every inner node must give what its neighbours give.
    """
    spacing = 2.0 / (columns - 1)
    x, y = np.meshgrid(np.linspace(0, 2, columns), np.linspace(0, 1, columns // 2 + 1))
    lon, lat = (x - 1) * UNIT / EAST, (y - 0.5) * UNIT / NORTH
    ends = gyre.move(lon, lat, 0.0, 15 * SECOND)
    assert (ends[2] == AFLOAT).all()
    (c, a), (d, b) = (np.gradient(e * m / UNIT, spacing) for e, m in ((ends[0], EAST), (ends[1], NORTH)))
    greatest = np.linalg.svd(np.moveaxis([[a, c], [b, d]], (0, 1), (-2, -1)), compute_uv=False)[..., 0]
    ftle = np.log(greatest) / 15
    inner = np.s_[1:-1, 1:-1]
    assert ftle[inner].mean() == pytest.approx(mean, abs=0.002)
    inner = np.s_[1:-1, 1:-1]
    found = stretch(gyre, lon[inner], lat[inner], 0.0, 15 * SECOND, apart=spacing * UNIT)
    np.testing.assert_allclose(found.ftle * SECOND, ftle[inner], atol=2e-3)


def test_unsteady_double_gyre_has_its_ridge_where_known(gyre):
    """x of the ridge of T = +15 between 0.6 and 1.4."""
    x = np.arange(1.08, 1.16, 0.001)
    for y, known in ((0.05, 1.111), (0.1, 1.111), (0.2, 1.117), (0.3, 1.125)):
        ftle, _ = gyre_ftle(gyre, x, np.full(x.size, y), 15.0)
        assert x[np.nanargmax(ftle)] == pytest.approx(known, abs=0.006)


# ---- lines, land and edges

A, K, RATE = 0.4, 2 * np.pi / 60e3, 0.4 * 2 * np.pi / 60e3
PLANE = Plane(TASMAN)


def converging_sea(*, gap: bool = False):
    """u = -a sin k(x - 3 km) for three days: gathers at x = 3 km at the rate ak; with a gap, an island."""
    lon, lat = make_axes(TASMAN, half=0.9, step=0.03)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    u = -A * np.sin(K * (x - 3e3))
    island = gap & (np.hypot(x + 15e3, y) < 8e3)
    times = hours(-72, 3)
    node = make_node(
        "currents", lon, lat, times, u=np.where(island, np.nan, u), v=np.where(island, np.nan, 0.0)
    )
    picture = make_node("temperature", lon, lat, times[-1], sst=20.0)
    return make_sea({"currents": node, "temperature": picture})


@pytest.fixture(scope="module")
def sea():
    return converging_sea()


def test_attracting_line_is_where_and_as_strong_as_known(sea):
    """Backward FTLE on the line is ak, density grows e^{akt} (within 3 %); the line to half a cell."""
    over = DAY / 2
    field = stretching(sea, at=sea["currents"]["time"].values[-1], over=over)
    lines = find_attracting_lines(field, low=0.5 * RATE, high=0.8 * RATE)
    xy = [PLANE.vertices(row["geometry"]) for row in lines]
    middle = [k for k in range(len(xy)) if np.abs(np.median(xy[k][:, 0]) - 3e3) < 20e3]
    cell = 0.03 * 90e3
    away = np.concatenate([np.abs(xy[k][:, 0] - 3e3) for k in middle])
    assert np.quantile(away, 0.95) < cell / 2
    assert [lines[k]["strength"] for k in middle] == pytest.approx([RATE] * len(middle), rel=0.03)
    assert sum(lines[k]["length"] for k in middle) > 100e3
    drift_x = np.array(PLANE.degrees(np.full(7, 3e3), np.linspace(-30e3, 30e3, 7)))
    found = field.interp(lon=("p", drift_x[0]), lat=("p", drift_x[1]))
    # nodes a third of a cell of the currents apart: at most 500 m aside of the line
    assert found["gathered"].values == pytest.approx(np.full(7, RATE * over), rel=0.03)


def test_water_behind_an_island_is_marked_not_clamped():
    sea = converging_sea(gap=True)
    field = stretching(sea, at=sea["currents"]["time"].values[-1], over=DAY)
    status, ftle = field["status"].values, field["ftle"].values
    assert {AFLOAT, ASHORE, GONE} == set(np.unique(status))
    assert np.isnan(ftle[status != AFLOAT]).all()
    assert np.isfinite(ftle[status == AFLOAT]).all()
    # what is left is untouched by the island: the same as without it
    whole = stretching(converging_sea(), at=sea["currents"]["time"].values[-1], over=DAY)["ftle"].values
    x, y = PLANE.metres(*np.meshgrid(field["lon"], field["lat"]))
    clear = (status == AFLOAT) & ((np.abs(y) > 14e3) | (x > 3e3))
    np.testing.assert_allclose(ftle[clear], whole[clear], atol=1e-9)
    assert clear.mean() > 0.4


def test_turning_the_frame_changes_no_stretching():
    """The exponent is objective: a frame that turns sees the same (adds a rotation about the middle)."""
    turn, end = 2 * np.pi / (5 * DAY), 2.5 * DAY  # half a turn: saddle axes return to themselves
    plain = make_drift(lambda _t, x, y: (S * x, -S * y), half=(30e3, 30e3))

    def turned(t, x, y):
        c, s = np.cos(2 * turn * t), np.sin(2 * turn * t)
        return S * (c * x + s * y) - turn * y, S * (s * x - c * y) + turn * x

    seen = make_drift(turned, np.linspace(0, end, 401), half=(30e3, 30e3))
    one, other = (stretch_at(drift, 500.0, 300.0, 0.0, end, apart=20.0) for drift in (plain, seen))
    assert other.ftle == pytest.approx(one.ftle, rel=1e-4)


def test_what_the_currents_cannot_see_is_said(sea):
    text = blind_to(sea["currents"].to_dataset())
    assert "about 3 km cannot show lines narrower than about 6 km" in text
    field = stretching(sea, at=sea["currents"]["time"].values[-1], over=HOUR, step=0.2)
    assert field.attrs["blind_to"] == text


@settings(max_examples=15, deadline=None)
@given(st.floats(-2e-5, 2e-5), st.floats(-2e-5, 2e-5), st.floats(-2e-5, 2e-5), st.floats(-2e-5, 2e-5))
def test_there_and_back_are_inverse(a, b, c, d):
    """det F of the way back is 1 / det F of the way there, and so are the dilations."""
    drift = make_drift(lambda _t, x, y: (a * x + b * y, c * x + d * y), half=(40e3, 40e3))
    x = np.array([100.0 / EAST])
    there = stretch(drift, x, x, 0.0, DAY / 2)
    ahead = drift.move(x, x, 0.0, DAY / 2)
    back = stretch(drift, *ahead[:2], DAY / 2, 0.0)
    assert there.dilation == pytest.approx(-back.dilation, abs=1e-5)
    assert there.dilation == pytest.approx((a + d) * DAY / 2, abs=1e-4)


@pytest.mark.parametrize("forward", [False, True])
def test_gathering_is_a_gain_either_way(forward):
    """u = -Sx brings water together at S: ln of the gain of what floats is S times the days, either way."""
    lon, lat = make_axes(TASMAN, half=0.6, step=0.05)
    x, _ = Plane(TASMAN).metres(*np.meshgrid(lon, lat))
    currents = make_node("currents", lon, lat, hours(-48, 48), u=-2e-6 * x, v=0.0)
    sea = make_sea(
        {"currents": currents, "temperature": make_node("temperature", lon, lat, hours(0, 0), sst=20.0)}
    )
    field = stretching(sea, at=hours(0, 0)[0], over=DAY, forward=forward)
    middle = field["gathered"].sel(lat=TASMAN.lat, lon=TASMAN.lon, method="nearest")
    assert float(middle) == pytest.approx(2e-6 * DAY, rel=0.01)


def test_stretching_refuses_an_hour_of_other_days_and_lengths_that_are_none():
    lon, lat = make_axes(TASMAN, half=0.3, step=0.1)
    currents = make_node("currents", lon, lat, hours(-6, 6), u=0.1, v=0.0)
    sea = make_sea(
        {"currents": currents, "temperature": make_node("temperature", lon, lat, hours(0, 0), sst=20.0)}
    )
    with pytest.raises(NoData, match=r"given 2030-01-01; expected an hour less than 4 days from"):
        stretching(sea, at=np.datetime64("2030-01-01"))
    for wrong in ({"over": 0.0}, {"step": 0.0}, {"step": -0.1}, {"apart": 0.0}):
        with pytest.raises(
            TableError, match=f"stretching: {next(iter(wrong))}; given .*; expected a number over 0"
        ):
            stretching(sea, at=hours(0, 0)[0], **wrong)
