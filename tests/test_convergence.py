"""Strain of one hour's currents: what a turning frame leaves alone, and the divergence of every hour."""

from __future__ import annotations

import numpy as np
from seas import GEOD, TASMAN, Plane, hours, make_axes, make_node

from searcher.fronts.convergence import attraction, divergence_of, divergences
from searcher.sea import flow_of

PLANE = Plane(TASMAN)


def eddies(*, turn: float = 0.0):
    """Smooth currents, and a frame that turns about the Earth's axis: u = turn · distance from it, m.

    That is a rigid turn on the ellipsoid itself; the distance is 1 / (2π) of the length of the parallel.
    """
    lon, lat = make_axes(TASMAN, half=0.6, step=0.06)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    axis = GEOD.inv(0 * lat, lat, 0 * lat + 1e-4, lat)[2] / np.radians(1e-4)
    u = 0.4 * np.sin(x / 20e3 + 0.3) * np.cos(y / 15e3) + turn * axis[:, None]
    v = 0.3 * np.cos(x / 17e3) * np.sin(y / 25e3 + 1.0)
    return make_node("currents", lon, lat, hours(0, 3), u=u, v=v)


def test_strain_does_not_see_a_turning_frame():
    """s1 and the divergence are unchanged by added rotation (Serra et al. 2020, Nat. Commun. 11:2525).

    Within 1e-10 1/s for a turn of 1e-5; the vorticity takes twice its vertical part, 2 ω sin φ.
    """
    time = hours(0, 0)[0]
    plain, turned = attraction(eddies(), time), attraction(eddies(turn=1e-5), time)
    inner = np.s_[1:-1, 1:-1]
    for name in ("attraction", "divergence"):
        np.testing.assert_allclose(turned[name].values[inner], plain[name].values[inner], atol=1e-10)
    extra = (turned["vorticity"] - plain["vorticity"]).values[inner]
    vertical = np.sin(np.radians(plain["lat"].values[1:-1]))[:, None]
    np.testing.assert_allclose(extra, 2e-5 * vertical + 0 * extra, rtol=1e-4)


def test_divergence_of_every_hour_is_that_of_its_hour():
    data = eddies()
    flow = divergence_of(flow_of(data))
    np.testing.assert_array_equal(flow.u, divergences(data).u)
    np.testing.assert_allclose(flow.u[0], attraction(data, hours(0, 0)[0])["divergence"].values)
