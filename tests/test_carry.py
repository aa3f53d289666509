"""Drift in a sea: threads, steps, and members of an ensemble that do what they should."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from seas import DAY, HOUR, LEAVE, TASMAN, Plane, hours, make_axes, make_node, make_simple_sea

from searcher import carry
from searcher.carry import DEBRIS, DRUM, WEED, Seen, drift_doubt, make_drift, scatter
from searcher.kernels.advect import AFLOAT, ASHORE
from searcher.sea import to_seconds

PLANE = Plane(TASMAN)
START = float(to_seconds(LEAVE))


def swirl(x, y):
    """An eddy of 30 km with 1 m/s at its rim."""
    return np.exp(-(x**2 + y**2) / (2 * 30e3**2)) / 30e3 * np.array([-y, x])


def eddy_sea(**more):
    return make_simple_sea(u=lambda x, y: swirl(x, y)[0], v=lambda x, y: swirl(x, y)[1], **more)


def draw_places(count: int, seed: int = 1):
    x, y = np.random.default_rng(seed).uniform(-60e3, 60e3, (2, count))
    return PLANE.degrees(x, y)


def test_many_particles_in_threads_go_as_they_do_one_by_one():
    drift = make_drift(eddy_sea())
    lon, lat = draw_places(carry.FEW + 1001)
    end = START + np.random.default_rng(2).choice([DAY, -DAY, 5 * HOUR], lon.size)
    many = drift.move(lon, lat, START, end)
    assert np.isfinite(many[0]).all()
    some = slice(carry.FEW - 300, carry.FEW + 300)
    few = drift.move(lon[some], lat[some], START, end[some])
    for one, other in zip(many, few, strict=True):
        np.testing.assert_allclose(one[some], other, atol=1e-12)


def test_shapes_are_kept_and_nothing_given_is_changed():
    drift = make_drift(eddy_sea())
    lon, lat = (np.reshape(values, (3, 4)) for values in draw_places(12))
    before = lon.copy(), lat.copy()
    x, y, afloat = drift.carry(lon, lat, START, START + HOUR)
    assert x.shape == y.shape == afloat.shape == (3, 4)
    assert np.array_equal(before[0], lon)
    assert np.array_equal(before[1], lat)
    assert not np.array_equal(x, lon)
    alone = drift.carry(lon[1, 2], lat[1, 2], START, START + HOUR)
    assert alone[0].shape == ()
    assert (float(alone[0]), float(alone[1])) == pytest.approx((x[1, 2], y[1, 2]), abs=1e-12)
    empty = drift.carry(np.array([]), np.array([]), START, START + HOUR)
    assert [values.size for values in empty] == [0, 0, 0]


def test_a_jet_in_a_calm_sea_does_not_shorten_the_steps_of_all():
    """Usual water sets the step; in the jet of 4 m/s the way is that of steps ten times as short."""
    sea = make_simple_sea(u=lambda _x, y: 0.05 + 4.0 * np.exp(-((y / 15e3) ** 2)), v=0.0, half=2.0)
    drift = make_drift(sea)
    cell = 0.1 * 111.4e3 * np.cos(np.radians(38.0))
    assert 4.0 * drift.longest_step > 0.5 * cell
    lon, lat = PLANE.degrees(np.array([-120e3, -120e3]), np.array([3e3, 60e3]))
    found = drift.move(lon, lat, START, START + 15 * HOUR)
    exact = drift._replace(longest_step=120.0).move(lon, lat, START, START + 15 * HOUR)
    assert (found[2] == AFLOAT).all()
    apart = PLANE.metres(*found[:2])[0] - PLANE.metres(*exact[:2])[0]
    assert np.abs(apart).max() < 5.0


def one_place(**more):
    values = {"doubt": 0.0, "before": 0.0} | more
    return Seen(np.zeros(1, int), *(np.array([values[key]]) for key in ("doubt", "before")))


def at(place=TASMAN):
    return np.array([place.lon]), np.array([place.lat])


def test_errors_of_members_are_normal_and_of_no_direction():
    """Without wind the ensemble is a round normal cloud (Kolmogorov-Smirnov on both axes; correlation)."""
    drift = make_drift(make_simple_sea(u=0.1, v=0.2))
    lon, lat, _ = scatter(drift, *at(), START, START + 12 * HOUR, one_place(), leeway=WEED, members=2000)
    east, north = PLANE.metres(lon[0], lat[0])
    sigma = drift_doubt(0.0, 12 * HOUR)
    for values, mean in ((east, 0.1), (north, 0.2)):
        assert stats.kstest((values - mean * 12 * HOUR) / sigma, "norm").pvalue > 1e-3
    assert abs(np.corrcoef(east, north)[0, 1]) < 4 / np.sqrt(2000)


def test_places_of_one_group_share_their_errors():
    """The vertices of a line move together; two lines do not."""
    drift = make_drift(make_simple_sea(u=0.1))
    lon, lat = PLANE.degrees(np.array([0.0, 5e3, 0.0]), np.array([0.0, 0.0, 5e3]))
    seen = Seen(np.array([0, 0, 1]), np.full(2, 300.0), np.zeros(2))
    x, y, _ = scatter(drift, lon, lat, START, START + 6 * HOUR, seen, leeway=WEED, members=500)
    east, _ = PLANE.metres(x, y)
    assert (east[1] - east[0]).std() < 5.0
    assert abs(np.corrcoef(east[0], east[2])[0, 1]) < 4 / np.sqrt(500)


def test_seeds_tell_ensembles_apart_and_make_them_again():
    drift = make_drift(eddy_sea())
    one, again, other = (
        scatter(drift, *at(), START, START + HOUR, one_place(), leeway=DEBRIS, seed=seed)
        for seed in (1, 1, 2)
    )
    assert np.array_equal(one[0], again[0])
    assert not np.array_equal(one[0], other[0])


@pytest.mark.parametrize("speed", [0.0, 5.0, 15.0])
def test_leeway_is_that_of_the_list_at_every_wind(speed):
    """Downwind an oil drum has 0.75 %, 2.66 cm/s and a spread of 2.83 (US Coast Guard list of Allen)."""
    lon, lat = make_axes(TASMAN, half=1.5, step=0.25)
    wind = make_node("wind", lon, lat, hours(-48, 48, 6.0), u10=-speed, v10=0.0)
    drift = make_drift(make_simple_sea(wind=wind))
    lon, lat, _ = scatter(drift, *at(), START, START + 5 * HOUR, one_place(), leeway=DRUM, members=4000)
    west = -PLANE.metres(lon[0], lat[0])[0]
    # without wind there is no telling where downwind is: nothing
    told = 0.0075 * speed + 0.0266 if speed else 0.0
    spread = 0.0283 * (speed / 20 + 0.5) if speed else 0.0
    whole = np.hypot(drift_doubt(0.0, 5 * HOUR), spread * 5 * HOUR)
    assert west.mean() == pytest.approx(told * 5 * HOUR, abs=4 * whole / np.sqrt(4000))
    assert west.std() == pytest.approx(whole, rel=4 / np.sqrt(8000))


def test_an_offset_is_a_speed_in_a_wind_that_freshens():
    """From 1 to 10 m/s in six hours: 0.75 % of the wind and 2.66 cm/s in every hour, and its spread."""
    lon, lat = make_axes(TASMAN, half=1.5, step=0.25)
    times = hours(-6, 18, 6.0)
    speed = np.array([1.0, 1.0, 10.0, 10.0, 10.0])
    v10 = np.broadcast_to(speed[: times.size, None, None], (times.size, lat.size, lon.size))
    wind = make_node("wind", lon, lat, times, u10=0.0, v10=v10)
    drift = make_drift(make_simple_sea(wind=wind))
    lon, lat, _ = scatter(drift, *at(), START, START + 12 * HOUR, one_place(), leeway=DRUM, members=4000)
    north = PLANE.metres(lon[0], lat[0])[1]
    of_wind = HOUR * (6 * 5.5 + 6 * 10.0)  # m that the air goes
    spread = 0.0283 * (of_wind / 20 + 12 * HOUR / 2)
    whole = np.hypot(drift_doubt(0.0, 12 * HOUR), spread)
    told = 0.0075 * of_wind + 0.0266 * 12 * HOUR
    assert north.mean() == pytest.approx(told, abs=4 * whole / np.sqrt(4000))
    assert north.std() == pytest.approx(whole, rel=4 / np.sqrt(8000) + 0.005)


def test_fishing_gear_spreads_across_the_wind_too():
    """8.3 cm/s along and 6.7 across at 10 m/s, ±0.36 % across (US Coast Guard list of Allen, 2011)."""
    lon, lat = make_axes(TASMAN, half=1.5, step=0.25)
    drift = make_drift(
        make_simple_sea(wind=make_node("wind", lon, lat, hours(-48, 48, 6.0), u10=0.0, v10=10.0))
    )
    lon, lat, _ = scatter(drift, *at(), START, START + 10 * HOUR, one_place(), leeway=DEBRIS, members=4000)
    east, north = PLANE.metres(lon[0], lat[0])
    own = drift_doubt(0.0, 10 * HOUR)
    near = 4 / np.sqrt(8000) + 0.005
    assert north.std() == pytest.approx(np.hypot(own, 0.083 * 10 * HOUR), rel=near)
    across = np.hypot(np.hypot(own, 0.067 * 10 * HOUR), 0.036 * 10 * HOUR)
    assert east.std() == pytest.approx(across, rel=near)


def test_members_that_run_ashore_stay_there():
    sea = make_simple_sea(u=lambda x, _y: np.where(x > 20e3, np.nan, 0.5), v=0.0)
    drift = make_drift(sea)
    lon, lat, status = scatter(drift, *at(), START, START + DAY, one_place(), leeway=WEED, members=200)
    east, _ = PLANE.metres(lon[0], lat[0])
    ashore = status[0] == ASHORE
    assert ashore.mean() > 0.9
    assert ((east[ashore] > 5e3) & (east[ashore] < 31e3)).all()
