"""Density of floating matter: exact widths and growths, mixing, land, edges, its own error; fronts on top."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.integrate import solve_bvp
from scipy.stats import norm
from seas import DAY, HOUR, TASMAN, Plane, hours, make_axes, make_node

from searcher.carry import Drift
from searcher.errors import NoData
from searcher.fronts.circulation import (
    EARTH,
    EXPANSION,
    GRAVITY,
    MIXING,
    mixing_factor,
    mobility,
    with_fronts,
)
from searcher.fronts.convergence import divergence_of
from searcher.fronts.floating import Waters, density_at, floating_density, okubo, prepare_waters, wander
from searcher.geo import Region
from searcher.kernels.sample import Flow, weave
from searcher.sea import flow_of, make_sea, to_seconds

PLANE = Plane(TASMAN)
A, K = 0.4, 2 * np.pi / 60e3
CALM = weave(Flow(np.zeros(1), np.zeros((1, 2, 2)), np.zeros((1, 2, 2)), -720.0, 1440.0, -90.0, 180.0))


def waters_of(u, v, lon, lat, *, diffusivity=0.0) -> Waters:
    """Steady waters of fields (lat, lon)."""
    grid = lon[0], lon[1] - lon[0], lat[0], lat[1] - lat[0]
    flow = Flow(np.zeros(1), np.array(u, float)[None], np.array(v, float)[None], *map(float, grid))
    return Waters(Drift(weave(flow), CALM, 0.0, 1800.0), divergence_of(flow), diffusivity)


def test_diffusivity_is_that_of_okubo():
    """Okubo 1971, Deep-Sea Res. 18:789-802: 0.58, 8.2, 116 m²/s at 1, 10, 100 km."""
    assert [okubo(s) for s in (1e3, 1e4, 1e5)] == pytest.approx([0.58, 8.2, 116.0], rel=0.02)


@pytest.mark.parametrize(("time", "known"), [(6 * HOUR, 657.0), (24 * HOUR, 1315.0)])
def test_random_walk_spreads_as_the_square_root_of_time(time, known):
    """sd per axis √(2Kt), K = 10 m²/s (Einstein 1905, Ann. Phys. 322:549-560); 2 % with 1e5 particles."""
    start, afloat = np.zeros(100_000), np.ones(100_000, bool)
    lon, lat = start + TASMAN.lon, start + TASMAN.lat
    lon, lat = wander(lon, lat, 10.0 * time, afloat, np.random.default_rng(4))
    x, y = PLANE.metres(lon, lat)
    assert x.std() == pytest.approx(known, rel=0.02)
    assert y.std() == pytest.approx(known, rel=0.02)
    assert abs(np.corrcoef(x, y)[0, 1]) < 0.02


def test_density_on_a_convergence_line_grows_as_known():
    """Matter let go over T gains (e^{akT} - 1)/(akT) on average (each piece e^{akt}), within 3 %."""
    lon, lat = make_axes(TASMAN, half=0.6, step=0.02)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    waters = waters_of(-A * np.sin(K * x), 0.0 * x, lon, lat)
    growth = A * K * DAY
    found, doubt = density_at(
        waters, np.array([TASMAN.lon]), np.array([TASMAN.lat]), 0.0, days=1.0, members=2
    )
    assert found[0] == pytest.approx(np.expm1(growth) / growth, rel=0.03)
    assert doubt[0] < 0.01  # nothing is drawn but the windage, and there is no wind


def test_width_of_an_accumulation_is_the_known_balance():
    """u = -γx with mixing K gathers to a Gaussian of sd √(K/γ), 316.2 m (Maximenko et al. 2012, Mar. Pollut.
    Bull. 65:51-62).

    Matter is let go evenly between shores at ±L. What was let go t ago lies at x as e^{γt} P(|X| < L), where
    X ~ N(x e^{γt}, (K/γ)(e^{2γt} - 1)) is the way back (Ornstein & Uhlenbeck 1930, Phys. Rev. 36:823-841);
    that tends to the Gaussian, and is summed here over all t.
    """
    gamma, mixing, days, cell = 1e-5, 1.0, 4.0, 0.002
    lon, lat = make_axes(TASMAN, half=0.05, step=cell)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    water = np.abs(x) < 2500.0
    u = np.where(water, -gamma * x, np.nan)
    shore = np.abs(x[0][water[0]]).max() + np.diff(x[0]).mean()  # where no node with water is left
    waters = waters_of(u, 0.0 * u, lon, lat, diffusivity=mixing)
    across = np.array([0.0, 200.0, 400.0, 600.0, 900.0])
    found, doubt = density_at(
        waters, *PLANE.degrees(across, np.zeros(5)), 0.0, days=days, members=4000, seed=3
    )
    age = (np.arange(32) + 0.5) * 3 * HOUR
    away, spread = across[:, None] * np.exp(gamma * age), np.sqrt(mixing / gamma * np.expm1(2 * gamma * age))
    inside = norm.cdf((shore - away) / spread) - norm.cdf((-shore - away) / spread)
    exact = (np.exp(gamma * age) * inside).mean(axis=1)
    # a day's e-folding in legs of 3 h: middles of legs stand for them
    assert found == pytest.approx(exact, rel=0.1)
    assert exact[0] / exact[-1] > 3.0
    assert (doubt < 0.1).all()


def converging_sea(*, wind: float = 0.0, step=0.05):
    """A line that gathers through the middle, and land in the west."""
    lon, lat = make_axes(TASMAN, half=0.8, step=step)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    u = np.where(x < -60e3, np.nan, -0.2 * np.sin(K * x))
    times = hours(-120, 3)
    nodes = {
        "currents": make_node("currents", lon, lat, times, u=u, v=np.where(np.isnan(u), np.nan, 0.0)),
        "temperature": make_node("temperature", lon, lat, times[-1:], sst=20.0),
    }
    if wind:
        nodes["wind"] = make_node("wind", lon, lat, times, u10=wind, v10=0.0)
    return make_sea(nodes)


REGION = Region(TASMAN.lon - 0.3, TASMAN.lat - 0.1, TASMAN.lon + 0.3, TASMAN.lat + 0.1)


def test_map_of_density_shows_the_line_and_says_what_it_cannot_see():
    sea = converging_sea()
    at = sea["currents"]["time"].values[-1]
    data = floating_density(sea, at=at, region=REGION)
    assert data["density"].dims == data["doubt"].dims == ("lat", "lon")
    profile = data["density"].mean("lat")
    assert abs(float(profile.idxmax()) - TASMAN.lon) <= 0.021
    assert float(profile.max()) > 3.0
    assert float(profile.isel(lon=0)) < 1.0
    assert "cannot show lines narrower than about" in data.attrs["blind_to"]
    assert data["time"].values == at


@pytest.mark.parametrize("off", [-4, 30])
def test_an_hour_of_other_days_is_refused_at_once(off):
    sea = converging_sea()
    times = sea["currents"]["time"].values
    at = times[0 if off < 0 else -1] + np.timedelta64(off * 24, "h")
    with pytest.raises(NoData, match=r"given .*; expected an hour less than 4 days from .* Load a sea of"):
        floating_density(sea, at=at, region=REGION)


def test_a_region_given_a_whole_turn_away_is_the_same_and_one_elsewhere_is_refused():
    sea = converging_sea()
    at = sea["currents"]["time"].values[-1]
    here, turned = (
        floating_density(sea, at=at, region=REGION._replace(west=REGION.west + turn, east=REGION.east + turn))
        for turn in (0.0, -360.0)
    )
    xr.testing.assert_identical(here, turned)
    with pytest.raises(NoData, match=r"no currents in the region; given .*; expected a region that meets"):
        floating_density(sea, at=at, region=Region(0.0, 10.0, 1.0, 11.0))


def test_days_told_are_those_that_matter_was_followed():
    sea = converging_sea()
    at = sea["currents"]["time"].values[-1]
    for days, told in ((0.0, 0.125), (1.0, 1.0), (0.3, 0.25)):
        assert floating_density(sea, at=at, region=REGION, days=days, members=1).attrs["days"] == told


def test_land_holds_nothing():
    sea = converging_sea()
    at = sea["currents"]["time"].values[-1]
    region = Region(TASMAN.lon - 0.79, TASMAN.lat - 0.05, TASMAN.lon - 0.5, TASMAN.lat + 0.05)
    density = floating_density(sea, at=at, region=region)["density"]
    x, _ = PLANE.metres(*np.meshgrid(density["lon"], density["lat"]))
    assert np.isnan(density.values[x < -66e3]).all()
    assert np.isfinite(density.values[x > -54e3]).all()


def test_the_same_seed_gives_the_same_and_the_doubt_is_that_between_seeds():
    sea = converging_sea(wind=6.0)
    at = float(to_seconds(sea["currents"]["time"].values[-1]))
    waters = prepare_waters(sea, REGION, at=at)
    lon = np.linspace(REGION.west, REGION.east, 25)
    lat = np.full(25, TASMAN.lat)
    runs = [density_at(waters, lon, lat, at, jitter=0.01, members=8, seed=s) for s in range(12)]
    again = density_at(waters, lon, lat, at, jitter=0.01, members=8, seed=0)
    np.testing.assert_array_equal(runs[0], again)
    densities = np.array([run[0] for run in runs])
    real = densities.std(axis=0, ddof=1)
    stated = np.sqrt(np.mean([(run[0] * run[1]) ** 2 for run in runs], axis=0))
    # a spread of 12 runs is itself known to 1 / √(2 · 11), a fifth; the median over 25 places to less
    assert np.median(real / stated) == pytest.approx(1.0, abs=0.3)


def test_wind_shifts_the_line_downwind():
    """-0.2 sin kx + 1 % of 6 m/s: at rest where sin kx = 0.3."""
    at = converging_sea()["currents"]["time"].values[-1]
    still, blown = (floating_density(converging_sea(wind=w), at=at, region=REGION) for w in (0.0, 6.0))
    calm, windy = (float(d["density"].mean("lat").idxmax()) for d in (still, blown))
    shift, _ = PLANE.metres(windy, TASMAN.lat)
    assert windy > calm
    assert shift == pytest.approx(np.arcsin(0.3) / K, abs=2500.0)


# ---- the overturning at fronts


@pytest.mark.parametrize("q", [0.3, 1.1, 3.0])
def test_mixing_factor_solves_the_turbulent_thermal_wind(q):
    """i f w = ν w'' with w' = -i M²/f at top and bottom, by collocation (scipy); u = -(M² h/f) · factor."""
    f, h, m2 = 7e-5, 20.0, 1e-7
    nu = f * (h / (2 * q)) ** 2 / 2
    shear = m2 / f

    def slope(_z, y):  # u, u', v, v'
        return np.array([y[1], -f / nu * y[2], y[3], f / nu * y[0]])

    def ends(a, b):
        return np.array([a[1], a[3] + shear, b[1], b[3] + shear])

    z = np.linspace(-h, 0.0, 201)
    found = solve_bvp(slope, ends, z, np.zeros((4, z.size)), tol=1e-8)
    assert found.success
    assert found.sol(0.0)[0] == pytest.approx(-m2 * h / f * mixing_factor(q), rel=1e-4)


def test_mobility_is_the_same_either_side_of_the_equator_and_bounded_there():
    lat = np.array([-40.0, 40.0, -2.0, 0.0])
    found = mobility(lat, layer=20.0)
    assert found[0] == found[1] > 0.0
    assert found[2] == found[3] == mobility(np.array([10.0]), layer=20.0)[0]
    f = 2 * EARTH * np.sin(np.radians(40.0))
    assert found[0] == pytest.approx(MIXING * GRAVITY * EXPANSION * 20.0 / f)


def test_fronts_run_to_the_dense_side_and_gather_there():
    """Still water, warm in the east of a tanh front: surface water runs west, converges on the cold side."""
    lon, lat = make_axes(TASMAN, half=0.6, step=0.02)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    width = 6e3
    picture = make_node("temperature", lon, lat, hours(0, 0), sst=20.0 + np.tanh(x / width))
    age = xr.zeros_like(picture["sst"]).assign_attrs(units="s")
    surface = picture.assign(age=age)
    sea = make_sea(
        {
            "currents": make_node("currents", lon, lat, hours(-96, 3), u=0.0, v=0.0),
            "temperature": picture,
            "surface": surface,
        }
    )
    at = float(to_seconds(surface["time"].values[0]))
    flow = flow_of(sea["currents"].to_dataset())
    waters = prepare_waters(sea, REGION, at=at)
    both = with_fronts(
        flow, surface, waters.drift, start=at - DAY, at=at, lon=lon, lat=lat, smoothing=100.0, layer=20.0
    )
    speed = -mobility(lat, layer=20.0)[:, None] / width / np.cosh(x / width) ** 2
    inner = np.s_[5:-5, 5:-5]
    np.testing.assert_allclose(both.u[-1][inner], speed[inner], atol=0.06 * np.abs(speed).max())
    assert np.abs(both.v[-1][inner]).max() < 0.03 * np.abs(speed).max()
    data = floating_density(sea, at=surface["time"].values[0], region=REGION)
    profile = data["density"].mean("lat")
    peak, _ = PLANE.metres(float(profile.idxmax()), TASMAN.lat)
    assert -9e3 < peak < -1e3  # the cold side
    plain = floating_density(sea, at=surface["time"].values[0], region=REGION, fronts=False)
    assert plain["density"].values == pytest.approx(np.ones(plain["density"].shape), abs=1e-6)
