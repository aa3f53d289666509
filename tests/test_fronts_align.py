"""Currents laid where the pictures say: a jet known to be out of place, its tracer known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from seas import HOUR, TASMAN, Plane, hours, make_axes, make_node

from searcher.fronts.align import (
    Carrier,
    align_sea,
    choose_pictures,
    displace,
    find_warp,
    follow,
    lay_nodes,
)
from searcher.sea import flow_of, grid_of, make_sea, to_seconds

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
    assert better["currents"].attrs["aligned"] > 3e3
    assert align_sea(better) is better


def test_currents_in_their_place_stay():
    """What is left is what smoothing the pictures and steps of hours do."""
    sea = shifted_sea(0.0)
    warp = find_warp(sea["currents"].to_dataset(), sea["temperature"].to_dataset())
    assert np.sqrt(np.mean(warp.nodes**2)) < 1e3
    assert error(align_sea(sea)) < 0.02


def test_nothing_is_moved_without_two_pictures_of_the_same_days():
    alone = shifted_sea(8e3, pictures=SEEN[:1])
    assert align_sea(alone) is alone
    long_before = shifted_sea(8e3, pictures=SEEN[:2] - np.timedelta64(9, "D"))
    assert align_sea(long_before) is long_before


def test_pictures_are_six_hours_apart_and_within_the_currents():
    times = np.array([0.0, 3.0, 6.0, 7.0, 12.0, 13.0, 20.0]) * HOUR
    assert choose_pictures(times, 0.0, 13.0 * HOUR) == [0, 3, 5]
    assert choose_pictures(times, 1.0 * HOUR, 13.0 * HOUR) == [3, 5]


def test_displaced_currents_are_those_a_displacement_away():
    """A displacement of 8 km east everywhere undoes a shift of as much, but for bilinear reading (1 %)."""
    sea = shifted_sea(-8e3)
    currents = sea["currents"].to_dataset()
    warp = lay_nodes(grid_of(currents), currents["v"].shape[1:])
    nodes = warp.nodes.copy()
    nodes[0] = 8e3
    moved = displace(currents, warp._replace(nodes=nodes))["v"].isel(time=0)
    x, _ = PLANE.metres(*np.meshgrid(moved["lon"], moved["lat"]))
    inner = np.s_[5:-5, 5:-5]
    np.testing.assert_allclose(moved.values[inner], jet(x)[inner], atol=0.01)


@pytest.mark.parametrize("node", [(0, 2, 3), (1, 3, 2)])
def test_change_by_a_node_is_that_of_trajectories_with_and_without(node):
    """Against differences of trajectories themselves, displaced by 200 m at one node."""
    flow = flow_of(shifted_sea(0.0)["currents"].to_dataset())
    swirl = flow._replace(u=0.4 * np.swapaxes(flow.v, 1, 2))
    carrier = Carrier.of(swirl)
    warp = lay_nodes(grid_of(shifted_sea(0.0)["currents"].to_dataset()), flow.u.shape[1:])
    lon, lat = (a.ravel() for a in np.meshgrid(TASMAN.lon + np.linspace(-0.6, 0.6, 7), [-35.9, -35.5]))
    none = np.zeros((2, lon.size, warp.nodes.size))
    span = float(flow.t[-1]), float(flow.t[-1]) - 12 * HOUR
    _, _, change = follow(carrier, warp, lon, lat, none, *span)
    ends = []
    for sign in (1.0, -1.0):
        nodes = warp.nodes.copy()
        nodes[node] = sign * 100.0
        ends.append(PLANE.metres(*follow(carrier, warp._replace(nodes=nodes), lon, lat, none, *span)[:2]))
    found = (np.array(ends[0]) - np.array(ends[1])) / 200.0
    told = change[:, :, np.ravel_multi_index(node, warp.nodes.shape)]
    scale = np.abs(found).max()
    assert scale > 0.1
    # steps of hours and slopes that are linear between nodes, of currents that are not
    np.testing.assert_allclose(told, found, atol=0.15 * scale)
