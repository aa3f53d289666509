"""Attracting cores and curves: an analytic squeeze, and frames that turn."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from seas import LEAVE, TASMAN, Plane, make_simple_sea

from searcher.fronts.convergence import attraction
from searcher.fronts.cores import find_cores, find_curves, over_rotation

PLANE = Plane(TASMAN)
RATE, SCALE = 2e-5, 40e3


def squeeze(*, turn: float = 0.0, tilt: float = 0.0):
    """u = -γL sin(x/L) g(y) across a line, g = exp(-y²/2L²), turned by `tilt`, in a frame that turns.

    On the line x = 0: ∂u/∂x = -γ g and ∂u/∂y = 0, so s1 = -γ g(y) there, least at the middle; the curve is
    that line, out to where g is the share kept.
    """
    c, s = np.cos(tilt), np.sin(tilt)

    def across(x, y):
        x, y = c * x + s * y, c * y - s * x
        return -RATE * SCALE * np.sin(x / SCALE) * np.exp(-0.5 * (y / SCALE) ** 2)

    sea = make_simple_sea(
        u=lambda x, y: c * across(x, y) - turn * y, v=lambda x, y: s * across(x, y) + turn * x, half=1.4
    )
    return attraction(sea["currents"].to_dataset(), LEAVE)


@pytest.mark.parametrize("tilt", [0.0, 0.7])
def test_the_core_and_its_curve_lie_on_the_line(tilt):
    field = squeeze(tilt=tilt)
    core = find_cores(field)[0]
    x, y = PLANE.metres(*shapely.get_coordinates(core["geometry"])[0])
    assert np.hypot(x, y) < 8e3  # a node, on cells of 9 by 11 km
    assert core["rate"] == pytest.approx(RATE, rel=0.05)
    curve = find_curves(field, keep=0.3)[0]
    x, y = PLANE.metres(*shapely.get_coordinates(curve["geometry"]).T)
    across, along = np.cos(tilt) * x + np.sin(tilt) * y, np.cos(tilt) * y - np.sin(tilt) * x
    assert np.abs(across).max() < 8e3
    # g = 0.3 at y = L √(2 ln(1/0.3)); steps end within a quarter of a cell of it
    assert np.ptp(along) == pytest.approx(2 * SCALE * np.sqrt(2 * np.log(1 / 0.3)), rel=0.06)
    assert curve["length"] == pytest.approx(np.ptp(along), rel=0.05)


def test_a_turning_frame_moves_neither_core_nor_curve():
    """Objective: Serra & Haller (2016, Chaos 26:053110). The turn is one of the plane the sea is drawn in."""
    plain, turned = (find_curves(squeeze(turn=turn))[0] for turn in (0.0, 1e-5))
    assert turned["rate"] == pytest.approx(plain["rate"], rel=0.01)
    assert shapely.hausdorff_distance(plain["geometry"], turned["geometry"]) < 0.03


def test_a_weak_flow_has_no_cores_and_a_frame_alone_none():
    assert find_cores(squeeze(), least=3 * RATE) == []
    still = make_simple_sea(u=lambda _x, y: -1e-5 * y, v=lambda x, _y: 1e-5 * x)
    assert find_curves(attraction(still["currents"].to_dataset(), LEAVE)) == []


def test_rates_in_units_of_the_earths_rotation():
    """f = 2Ω sin φ, Ω = 7.2921e-5 1/s (Gill 1982, Atmosphere-Ocean Dynamics); at 36° S 8.572e-5 1/s."""
    field = squeeze()
    ratio = (field["attraction"] / over_rotation(field)["attraction"]).sel(lat=TASMAN.lat, method="nearest")
    expected = 2 * 7.2921e-5 * np.sin(np.radians(abs(float(ratio["lat"]))))
    np.testing.assert_allclose(ratio.values[1:-1], expected, rtol=1e-6)
    equator = over_rotation(field.assign_coords(lat=field["lat"] - TASMAN.lat))["attraction"]
    assert equator.isnull().all()  # all within 1.4 degrees of it


def test_the_rossby_number_of_a_cyclone_is_positive_in_either_hemisphere():
    """ζ/f (Gill 1982): at 36° S water that turns clockwise, ζ < 0, turns with the Earth."""
    sea = make_simple_sea(u=lambda _x, y: 1e-5 * y, v=lambda x, _y: -1e-5 * x)
    field = attraction(sea["currents"].to_dataset(), LEAVE)
    found = over_rotation(field).sel(lat=TASMAN.lat, lon=TASMAN.lon, method="nearest")
    turn = 2 * 7.2921e-5 * np.sin(np.radians(abs(float(found["lat"]))))
    assert float(found["vorticity"]) == pytest.approx(2e-5 / turn, rel=0.01)
    assert "cannot show lines narrower" in field.attrs["blind_to"]
