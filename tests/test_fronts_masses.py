"""The histogram test over whole pictures: Cayula & Cornillon (1992, J. Atmos. Oceanic Technol. 9:67-80)."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from searcher.errors import SeaError
from searcher.fronts import find_temperature_breaks
from searcher.fronts.masses import find_water_masses


def picture_of(sst: np.ndarray) -> xr.DataArray:
    rows, columns = sst.shape
    lat, lon = -31.0 + 0.01 * np.arange(rows), 153.0 + 0.01 * np.arange(columns)
    return xr.DataArray(sst, {"lat": lat, "lon": lon}, ("lat", "lon"))


@pytest.fixture(scope="module")
def two_waters():
    """A step of 1.5 °C between columns 47 and 48 under noise of 0.1 °C, and a cloud in the corner."""
    sst = np.where(np.arange(96) < 48, 22.0, 23.5) + np.random.default_rng(3).normal(0.0, 0.1, (96, 96))
    sst[:40, :40] = np.nan
    return find_water_masses(picture_of(sst))


def test_two_waters_meet_along_the_step_and_nowhere_else(two_waters):
    share = two_waters["share"].values
    assert (share[:, 47:49] >= 0.5).all()
    assert np.nanmax(share[:, :45]) == np.nanmax(share[:, 51:]) == 0.0


def test_what_no_window_holds_is_not_known(two_waters):
    assert two_waters["windows"].values[:30, :30].max() == 0
    assert np.isnan(two_waters["share"].values[:30, :30]).all()


def test_a_plain_slope_has_no_two_waters():
    """θ of a ramp is 0.75, under the 0.76 that is asked for."""
    share = find_water_masses(picture_of(np.tile(np.linspace(20.0, 26.0, 96), (96, 1))))["share"]
    assert float(share.max()) == 0.0


def test_waters_less_apart_than_asked_do_not_count():
    sst = np.where(np.arange(64) < 32, 22.0, 22.15) * np.ones((64, 1))
    assert float(find_water_masses(picture_of(sst))["share"].max()) == 0.0
    seen = find_water_masses(picture_of(sst), least_difference=0.1)["share"]
    # of the two windows across which hold column 31, from 0 and from 16, only the second holds both waters
    assert float(seen.sel(lon=153.31, method="nearest").max()) == 0.5


def test_a_picture_that_is_none_is_one_clear_line():
    field = picture_of(np.zeros((40, 40)))
    with pytest.raises(SeaError, match=r"a picture; given \(time, lat, lon\); expected \(lat, lon\)"):
        find_water_masses(field.expand_dims("time"))
    with pytest.raises(SeaError, match=r"given \(lon, lat\)"):
        find_temperature_breaks(field.transpose("lon", "lat"))
    with pytest.raises(SeaError, match="given lat not rising; expected both rising"):
        find_temperature_breaks(field.isel(lat=slice(None, None, -1)))
