"""Currents laid where the pictures say: a jet known to be out of place, its tracer known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import special
from scipy.interpolate import BSpline
from seas import HOUR, TASMAN, Plane, hours, make_axes, make_node, make_trip

from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Grid
from searcher.sea import flow_of, grid_of, make_sea, to_seconds
from searcher.sources import align
from searcher.sources.align import (
    Places,
    Sheet,
    align_sea,
    carrier_of,
    compare,
    displace,
    pairs_of,
    smooth,
)
from searcher.waters import survey_waters

PLANE = Plane(TASMAN)
WIDTH, SPEED = 25e3, 0.9
TIMES = hours(-36, 3)
SEEN = TIMES[[0, 4, 8, 12]]  # every 12 h


def jet(x):
    """A jet to the north along x = 0, m/s."""
    return SPEED * np.exp(-((x / WIDTH) ** 2))


def blobs(x, y):
    """Warm in the east, and a pattern of 40-70 km."""
    wave = np.sin(x / 9e3 + 0.4) * np.sin(y / 7e3 + x / 30e3) + np.sin(y / 11e3 + 1.0)
    return 22.0 + 1.5 * np.tanh(x / 20e3) + 0.7 * wave


def shifted_sea(shift: float, *, pictures=SEEN):
    """Currents whose jet stands `shift` m too far west, and pictures of water that the true jet carries.

    Along a parallel flow v(x) a tracer is T(x, y, t) = T0(x, y - v(x) t), exactly.
    """
    lon, lat = make_axes(TASMAN, half=1.3, step=0.05)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    fine_lon, fine_lat = make_axes(TASMAN, half=1.3, step=0.02)
    fx, fy = PLANE.metres(*np.meshgrid(fine_lon, fine_lat))
    ages = to_seconds(pictures) - to_seconds(TIMES[0])
    sst = np.array([blobs(fx, fy - jet(fx) * t) for t in ages])
    return make_sea(
        {
            "currents": make_node("currents", lon, lat, TIMES, u=0.0, v=jet(x + shift)),
            "temperature": make_node("temperature", fine_lon, fine_lat, pictures, sst=sst),
        }
    )


def error(sea: xr.DataTree) -> float:
    """Root mean square error of the currents northward in the middle of the sea, m/s."""
    data = sea["currents"]["v"].isel(time=6).sel(lat=slice(TASMAN.lat - 0.8, TASMAN.lat + 0.8))
    x, _ = PLANE.metres(*np.meshgrid(data["lon"], data["lat"]))
    return float(np.sqrt(np.mean((data.values - jet(x)) ** 2)))


def test_a_jet_out_of_place_is_put_back():
    """8 km out of place, an error of 0.13 m/s: nine tenths of its square go."""
    sea = shifted_sea(8e3)
    better = align_sea(sea)
    assert error(better) ** 2 < 0.1 * error(sea) ** 2
    assert 3e3 < better["currents"].attrs["moved"] < 12e3
    assert better["currents"].attrs["misfit_after"] < 0.5 * better["currents"].attrs["misfit_before"]


def test_currents_in_their_place_stay():
    """What is left is what smoothing the pictures and steps of hours do."""
    sea = shifted_sea(0.0)
    assert error(align_sea(sea)) < 0.02


def test_nothing_is_moved_without_two_pictures_of_the_same_days():
    alone = shifted_sea(8e3, pictures=SEEN[:1])
    assert align_sea(alone) is alone
    long_before = shifted_sea(8e3, pictures=SEEN[:2] - np.timedelta64(9, "D"))
    assert align_sea(long_before) is long_before


def test_a_boat_is_timed_in_the_currents_as_they_were_given():
    """Tides do not follow pictures: what moves lines is aligned, what moves the boat is not."""
    given = shifted_sea(8e3)
    trip = make_trip(tank=200.0)
    along = [survey_waters(trip, sea).v for sea in (given, align_sea(given))]
    np.testing.assert_array_equal(*along)
    assert np.abs(along[0]).max() > 0.5


def test_currents_that_would_have_to_move_unlikely_far_stay(monkeypatch):
    """Pictures and currents that disagree by so much have nothing to do with each other."""
    sea = shifted_sea(8e3)
    moved = align_sea(sea)["currents"].attrs["moved"]
    assert moved < align.FARTHEST
    monkeypatch.setattr(align, "FARTHEST", 0.99 * moved)
    assert align_sea(sea) is sea


def test_pairs_are_half_a_day_or_a_day_apart():
    """For every picture the older one whose age is nearest to what is asked for, give or take a half."""
    times = np.array([0.0, 3.0, 7.0, 12.0, 13.0, 25.0, 60.0]) * HOUR
    assert pairs_of(times, 12 * HOUR) == [(2, 0), (3, 0), (4, 0), (5, 4)]
    assert pairs_of(times, 24 * HOUR) == [(3, 0), (4, 0), (5, 0), (6, 5)]


def test_displaced_currents_are_those_a_displacement_away():
    """A displacement of 8 km east everywhere undoes a shift of as much, but for bilinear reading (1 %)."""
    flow = flow_of(shifted_sea(-8e3)["currents"].to_dataset())
    sheet = Sheet.over(Grid(*flow[3:]), flow.u.shape[1:], 0.35)
    places = Places.of(flow, sheet)
    moved = displace(flow, places, np.array([np.full(sheet.size, 8e3), np.zeros(sheet.size)]))
    x, _ = PLANE.metres(places.lon, places.lat)
    inner = np.s_[5:-5, 5:-5]
    np.testing.assert_allclose(moved.v[0][inner], jet(x).reshape(moved.v[0].shape)[inner], atol=0.01)


def test_missing_currents_stay_missing_and_no_others_go():
    sea = shifted_sea(8e3)
    currents = sea["currents"].to_dataset()
    ashore = currents["lon"] < TASMAN.lon - 0.9
    sea = make_sea({"currents": currents.where(~ashore), "temperature": sea["temperature"].to_dataset()})
    data = align_sea(sea)["currents"].to_dataset()
    assert data.attrs["moved"] > 0
    known = np.isfinite(data["v"].isel(time=0))
    assert not known.sel(lon=slice(None, TASMAN.lon - 0.97)).any()
    assert known.sel(lon=slice(TASMAN.lon - 0.84, None)).all()


def test_the_sheet_sums_to_one_and_is_as_smooth_as_a_spline():
    """Cubic B-splines part unity, and scipy's BSpline has the same values."""
    sheet = Sheet(150.0, -36.0, 0.35, 9, 8)
    rng = np.random.default_rng(0)
    lon, lat = 150.0 + rng.uniform(0, 2.0, 50), -36.0 + rng.uniform(0, 1.7, 50)
    nodes, shares = sheet.shares(lon, lat)
    np.testing.assert_allclose(shares.sum(axis=1), 1.0, atol=1e-12)
    values = rng.normal(size=(sheet.rows, sheet.columns))
    along = BSpline(np.arange(-3, sheet.columns + 1), values.T, 3)((lon - 150.0) / 0.35)
    knots = np.arange(-3, sheet.rows + 1)
    told = [float(BSpline(knots, row, 3)(y)) for row, y in zip(along, (lat + 36) / 0.35, strict=True)]
    np.testing.assert_allclose((shares * values.ravel()[nodes]).sum(axis=1), told, atol=1e-12)


def test_before_anything_is_seen_a_displacement_is_as_doubtful_as_told():
    """Standard deviation at a node in the middle of a large sheet: Whittle 1954, Biometrika 41:434-449."""
    sheet = Sheet(150.0, 0.0, 0.1, 61, 61)
    covariance = np.linalg.inv(sheet.inverse_covariance(8e3, 60e3).toarray())
    weights = np.outer([1, 4, 1], [1, 4, 1]).ravel() / 36.0  # of a spline sheet at a node
    middle = np.array([(30 + j) * 61 + 30 + i for j in (-1, 0, 1) for i in (-1, 0, 1)])
    variance = weights @ covariance[np.ix_(middle, middle)] @ weights
    assert np.sqrt(variance) == pytest.approx(8e3, rel=0.1)


@pytest.mark.parametrize("south", [0.0, 57.0])
def test_a_displacement_is_as_smooth_east_as_north(south):
    """60 km away, at 60° N too: x/ℓ·K1(x/ℓ) of Whittle 1954 at 1, 0.602 (Abramowitz & Stegun 1964, 9.8)."""
    step = 0.1
    sheet = Sheet(150.0, south, step, 61, 61)
    covariance = np.linalg.inv(sheet.inverse_covariance(8e3, 60e3).toarray())
    east, north = (step * per[0] for per in row_metrics(np.array([south + 30 * step])))
    middle = 30 * 61 + 30
    for cells, away in ((60e3 / east, 1), (60e3 / north, 61)):
        between = [covariance[middle, middle + k * away] for k in range(20)]
        told = np.interp(cells, range(20), between) / covariance[middle, middle]
        assert told == pytest.approx(special.kv(1, 1.0), abs=0.1)


@pytest.mark.parametrize(("axis", "node"), [(0, (5, 5)), (1, (5, 5))])
def test_change_by_a_node_is_that_of_pictures_carried_with_and_without(axis, node):
    """Against differences of whole comparisons, displaced by 200 m at one node, in a gently sheared flow."""
    sea = shifted_sea(0.0)
    flow = flow_of(sea["currents"].to_dataset())
    flow = flow._replace(u=0.2 * np.swapaxes(flow.v, 1, 2), v=0.3 * flow.v)
    sheet = Sheet.over(Grid(*flow[3:]), flow.u.shape[1:], 0.35)
    places, pictures = Places.of(flow, sheet), sea["temperature"].to_dataset()
    looks, grid = smooth(pictures, 6e3), grid_of(pictures)
    number = np.ravel_multi_index(node, (sheet.rows, sheet.columns))

    def off(by: float):
        shift = np.zeros((2, sheet.size))
        shift[axis, number] = by
        return compare(carrier_of(displace(flow, places, shift)), sheet, looks[1], looks[0], grid)

    plus, minus, told = off(100.0), off(-100.0), off(0.0).change[:, [axis * sheet.size + number]]
    found = (plus.off - minus.off) / 200.0
    told = told.toarray().ravel()
    told = told - np.median(told)
    assert np.abs(found).max() > 5e-6
    assert np.corrcoef(told, found)[0, 1] > 0.9
    assert np.polyfit(told, found, 1)[0] == pytest.approx(1.0, abs=0.2)
