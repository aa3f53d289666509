"""What is read along a box: against analytic fields, and quadrature from numpy as an oracle."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy import stats
from seas import (
    DAY,
    HOUR,
    LEAVE,
    TASMAN,
    Plane,
    make_axes,
    make_fronts,
    make_node,
    make_simple_sea,
    make_trip,
)

from searcher.carry import make_drift
from searcher.derived import stands_out
from searcher.evidence import (
    FACTS,
    OFFSET_WEIGHTS,
    OFFSETS,
    TOGETHER,
    Observer,
    Others,
    carried_value,
    floating_around,
    geometric_mean_over,
    layers,
    mean_over,
    others_beside,
    points_across,
    share_beside,
    suitability,
    weigh_features,
)
from searcher.profile import PIECES, read_profile
from searcher.sea import grid_of, to_seconds
from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)
NOW = float(to_seconds(LEAVE))


def make_box(line, *, doubt=1000.0, kind=TEMPERATURE_BREAK, front=0):
    """A row as `lay_boxes` gives it."""
    return SimpleNamespace(line=line, doubt=doubt, kind=kind, front=front, valid_time=LEAVE)


def north_south(x: float = 0.0, *, half: float = 4e3) -> shapely.LineString:
    return PLANE.line([[x, -half], [x, half]])


def observe(sea, line, *, doubt=1000.0, kind=TEMPERATURE_BREAK, others=()):
    fronts = make_fronts([line, *others], kind=[kind] + [CONVERGENCE_LINE] * len(others))
    floating = floating_around(sea, [line], at=LEAVE)
    box = make_box(line, doubt=doubt, kind=kind)
    return Observer(sea, fronts, make_drift(sea), floating).observe([box])[0]


# ---- across the line


def test_offsets_are_the_three_point_gauss_hermite_rule():
    """numpy's nodes and weights of weight function exp(-x²/2), scaled to a normal distribution."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(3)
    np.testing.assert_allclose(np.sort(OFFSETS), nodes, atol=1e-14)
    np.testing.assert_allclose(OFFSET_WEIGHTS, weights / weights.sum(), atol=1e-14)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-5, 5), min_size=4, max_size=6))
def test_offsets_average_polynomials_exactly(coefficients):
    """Up to the fifth degree, by the moments 1, 0, 1, 0, 3, 0 of a normal distribution."""
    exact = np.dot(coefficients, [1, 0, 1, 0, 3, 0][: len(coefficients)])
    found = np.dot(OFFSET_WEIGHTS, np.polynomial.polynomial.polyval(OFFSETS, coefficients))
    assert found == pytest.approx(exact, abs=1e-10)


@pytest.mark.parametrize("turn", [0.0, 37.0, 90.0])
def test_points_lie_along_and_to_either_side_of_a_line(turn):
    end = PLANE.degrees(*(8e3 * np.array([np.sin(np.radians(turn)), np.cos(np.radians(turn))])))
    line = shapely.LineString([TASMAN, end])
    lon, lat, weight = points_across(line, 1500.0)
    assert weight.sum() == pytest.approx(1.0)
    sides = np.array([lon, lat]).reshape(2, 3, -1)
    assert shapely.distance(line, shapely.points(*sides[:, 1])).max() < 1e-9
    assert GEOD.line_lengths(*sides[:, 1]).max() <= 501.0
    for k, share in ((0, -np.sqrt(3)), (2, np.sqrt(3))):
        azimuth, _, metres = GEOD.inv(*sides[:, 1], *sides[:, k])
        assert metres == pytest.approx(np.full(metres.size, abs(share) * 1500.0), rel=2e-3)
        wanted = (turn + (90.0 if share < 0 else -90.0)) % 360.0
        assert np.abs((azimuth - wanted + 180.0) % 360.0 - 180.0).max() < 0.5


def test_no_doubt_no_offset():
    lon, lat, _ = points_across(north_south(), 0.0)
    assert np.ptp(lon) < 1e-12
    assert np.ptp(lat) > 0.05


# ---- means


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), gaps=st.floats(0, 1))
def test_mean_over_what_is_known(seed, gaps):
    rng = np.random.default_rng(seed)
    values, weight = rng.uniform(0.05, 30, 40), rng.uniform(0.1, 1, 40)
    weight /= weight.sum()
    values[rng.random(40) < gaps] = np.nan
    known = np.isfinite(values)
    plain, log = mean_over(values, weight), geometric_mean_over(values, weight)
    if weight[known].sum() < 1 / 3:
        assert np.isnan(plain)
        assert np.isnan(log)
    else:
        assert plain == pytest.approx(np.average(values[known], weights=weight[known]))
        assert log == pytest.approx(stats.gmean(values[known], weights=weight[known]))


# ---- carried to the pictures


def test_water_is_read_where_it_was_when_it_was_seen():
    """Picture T = 20 + x/10 km of 12 h ago, current u: what is at x now was at x - u·12 h."""
    sea = make_simple_sea(u=0.5, sst=lambda x, _y: 20 + x / 10e3, image_hours=(-12.0,), half=1.0)
    lon, lat = PLANE.degrees(np.array([0.0, 20e3, 30e3]), np.array([0.0, -5e3, 5e3]))
    value = carried_value(layers(sea, "temperature", "sst"), lon, lat, NOW, make_drift(sea))
    assert value == pytest.approx(20 + (np.array([0.0, 20e3, 30e3]) - 0.5 * 12 * HOUR) / 10e3, abs=0.01)


def test_the_newest_clear_picture_counts_and_none_from_the_future():
    sea = make_simple_sea(
        sst=[
            lambda x, _y: 21 + 0 * x,
            lambda x, _y: np.where(x > 0, np.nan, 22.0),
            lambda x, _y: 23 + 0 * x,
        ],
        image_hours=(-30.0, -6.0, 6.0),
        half=1.0,
    )
    pictures = layers(sea, "temperature", "sst")
    assert [t - NOW for t, _, _ in pictures] == [6 * HOUR, -6 * HOUR, -30 * HOUR]
    lon, lat = PLANE.degrees(np.array([-20e3, 20e3]), np.zeros(2))
    assert carried_value(pictures, lon, lat, NOW, make_drift(sea)) == pytest.approx([22.0, 21.0])
    assert np.isnan(carried_value(pictures, lon, lat, NOW - 40 * HOUR, make_drift(sea))).all()
    assert np.isnan(carried_value([], lon, lat, NOW, make_drift(sea))).all()
    assert layers(sea, "color", "chlor_a") == []


# ---- weed in an index of it, and the bottom


def index_sea(*, u=0.0, unit=1.0, noise=2e-4, hidden=False, **nodes):
    """A picture of 12 h ago: water of a tilted level and noise, and a mat 6 km wide along x = 0."""
    lon, lat = make_axes(TASMAN, half=1.0, step=0.0135)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    water = 1e-3 + 2e-3 * x / 80e3 + noise * np.random.default_rng(0).normal(size=x.shape)
    index = unit * (water + np.where(np.abs(x) < 3e3, 4e-3, 0.0))
    index[hidden & (y < 0)] = np.nan
    times = np.array([LEAVE - np.timedelta64(12, "h")])
    weed = make_node("weed", lon, lat, times, weed=index)
    return make_simple_sea(u=u, half=1.0, weed=weed, **nodes)


@pytest.mark.parametrize("unit", [1.0, 40.0])
def test_weed_is_seen_where_an_index_stands_out_and_where_the_water_has_carried_it(unit):
    """Whatever the unit and the level of the index; 12 h at 0.5 m/s are 21.6 km, with the water's mat."""
    still, moved = index_sea(unit=unit), index_sea(u=0.5, unit=unit)
    assert observe(still, north_south(0.0), doubt=1.0)["weed"] == pytest.approx(1.0)
    assert observe(still, north_south(21.6e3), doubt=1.0)["weed"] == pytest.approx(0.0, abs=0.01)
    assert observe(moved, north_south(0.0), doubt=1.0)["weed"] == pytest.approx(0.0, abs=0.01)
    assert observe(moved, north_south(21.6e3), doubt=1.0)["weed"] == pytest.approx(1.0)


def test_plain_noise_is_no_weed_and_cloud_tells_nothing():
    """Of normal noise 3.2e-5 lie over four standard deviations (scipy.stats.norm)."""
    lon, lat = make_axes(TASMAN, half=1.0, step=0.0135)
    noise = np.random.default_rng(1).normal(size=(lat.size, lon.size))
    seen = stands_out(noise, grid_of(xr.Dataset(coords={"lat": lat, "lon": lon})))
    assert seen.mean() < 5 * stats.norm.sf(4.0)
    assert np.isnan(observe(index_sea(hidden=True), PLANE.line([[0, -30e3], [0, -10e3]]))["weed"])
    assert np.isnan(observe(make_simple_sea(), north_south())["weed"])


@pytest.mark.parametrize("slope", [0.0, 0.04])
def test_steepness_of_a_plane_is_its_slope(slope):
    lon, lat = make_axes(TASMAN, half=0.6, step=0.01)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    depth = make_node("depth", lon, lat, None, depth=3000.0 + slope * (0.6 * x + 0.8 * y))
    assert observe(make_simple_sea(depth=depth), north_south())["steepness"] == pytest.approx(slope, abs=1e-4)


# ---- facts of a box


def test_temperature_is_the_mean_over_the_doubt():
    """Of 20 + a x + b x² over x ~ N(x0, σ²): 20 + a x0 + b (x0² + σ²)."""
    a, b = 5e-5, 4e-9
    sea = make_simple_sea(sst=lambda x, _y: 20 + a * x + b * x**2, half=0.6)
    for x0, sd in ((0.0, 3e3), (10e3, 3e3), (10e3, 6e3)):
        facts = observe(sea, north_south(x0), doubt=sd)
        assert facts["temperature"] == pytest.approx(20 + a * x0 + b * (x0**2 + sd**2), abs=0.02)


def test_chlorophyll_is_averaged_in_its_logarithm():
    """exp(k x): its logarithm is linear, so the mean is that of the middle."""
    lon, lat = make_axes(TASMAN, half=0.6, step=0.02)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    color = make_node("color", lon, lat, LEAVE - np.timedelta64(6, "h"), chlor_a=0.1 * np.exp(x / 10e3))
    facts = observe(make_simple_sea(half=0.6, color=color), north_south(5e3), doubt=4e3)
    assert facts["chlor_a"] == pytest.approx(0.1 * np.exp(0.5), rel=0.02)


def test_depths_are_those_under_the_line():
    lon, lat = make_axes(TASMAN, half=0.6, step=0.02)
    _, y = PLANE.metres(*np.meshgrid(lon, lat))
    depth = make_node("depth", lon, lat, depth=1000.0 + 0.05 * y)
    facts = observe(make_simple_sea(half=0.6, depth=depth), north_south(), doubt=2e3)
    assert facts["depth"] == pytest.approx(1000.0, abs=5)
    assert facts["depth_least"] == pytest.approx(800.0, abs=5)
    assert facts["depth_most"] == pytest.approx(1200.0, abs=5)
    assert facts["depths"].size % 3 == 0


def test_what_is_not_there_is_not_known():
    facts = observe(make_simple_sea(half=0.6), north_south())
    for name in ("chlor_a", "depth", "depth_least", "depth_most"):
        assert np.isnan(facts[name])
    assert set(FACTS) <= set(facts)


def let_go_over(rate: float, days: float) -> float:
    """ln of the density where matter is let go evenly over some days and grows as e^{γt}: ln of its mean."""
    grown = rate * days * DAY
    return float(np.log(np.expm1(grown) / grown)) if grown else 0.0


@pytest.mark.parametrize("rate", [0.0, 3e-6, 8e-6])
def test_matter_gathers_by_the_convergence(rate):
    """Uniform convergence -γ: the density of what floats grows as e^{γt} (continuity)."""
    sea = make_simple_sea(u=lambda x, _y: -rate * x, half=1.5, current_hours=(-100.0, 12.0))
    facts = observe(sea, north_south(), doubt=500.0)
    assert facts["gathered"] == pytest.approx(let_go_over(rate, 4.0), rel=0.03, abs=0.01)


def test_gathering_on_an_analytic_line():
    """u = -a sin kx: on the line itself matter grows as e^{akt}, midway between two it thins as e^{-akt}."""
    a, k = 0.05, 2 * np.pi / 80e3
    sea = make_simple_sea(u=lambda x, _y: -a * np.sin(k * x), half=1.5, current_hours=(-100.0, 12.0))
    on_line = observe(sea, north_south(0.0), doubt=1.0)["gathered"]
    between = observe(sea, north_south(40e3), doubt=1.0)["gathered"]
    # central differences over 2 · 9 km take (kΔ)²/6, a twelfth, off the crest; reading between nodes (kΔ)²/8
    assert 0.8 * let_go_over(a * k, 4.0) < on_line < let_go_over(a * k, 4.0)
    assert 0.8 * let_go_over(-a * k, 4.0) > between > let_go_over(-a * k, 4.0)


def test_gathering_counts_only_the_hours_there_are():
    sea = make_simple_sea(u=lambda x, _y: -5e-6 * x, half=1.5, current_hours=(-12.0, 12.0))
    facts = observe(sea, north_south(), doubt=500.0)
    assert facts["gathered"] == pytest.approx(let_go_over(5e-6, 0.5), rel=0.15)


def beside(sea, box, fronts) -> Others:
    """What `others_beside` finds about one box at its hour."""
    moments = np.array([float(to_seconds(box.valid_time))])
    return others_beside([box], moments, fronts, make_drift(sea))[0]


@pytest.mark.parametrize(
    ("x", "north", "share"),
    [(0.8 * TOGETHER, 20e3, 1.0), (1.2 * TOGETHER, 20e3, 0.0), (0.0, 0.0, 0.5)],
)
def test_share_beside_a_line_of_another_kind(x, north, share):
    sea, line = make_simple_sea(), north_south(half=10e3)
    other = PLANE.line([[x, -40e3], [x, north - 0.0]]) if north else PLANE.line([[0, -40e3], [0, -TOGETHER]])
    fronts = make_fronts([line, other], kind=[TEMPERATURE_BREAK, CONVERGENCE_LINE])
    assert share_beside(beside(sea, make_box(line), fronts)) == pytest.approx(share, abs=0.01)
    alike = make_fronts([line, other])
    assert share_beside(beside(sea, make_box(line), alike)) == 0.0


@pytest.mark.parametrize(("hours", "share"), [(0.0, 0.0), (5.0, 1.0), (10.0, 0.0)])
def test_lines_are_held_together_at_the_hour_of_the_box(hours, share):
    """A line 18 km to the west in water that goes east at 1 m/s is there five hours later, and then past."""
    sea = make_simple_sea(u=1.0, half=1.0)
    line, other = north_south(), PLANE.line([[-18e3, -20e3], [-18e3, 20e3]])
    fronts = make_fronts([line, other], kind=[TEMPERATURE_BREAK, CONVERGENCE_LINE])
    box = make_box(line)
    box.valid_time = LEAVE + np.timedelta64(int(hours), "h")
    assert share_beside(beside(sea, box, fronts)) == pytest.approx(share, abs=0.01)


def test_what_floats_is_looked_up_where_its_water_is_at_the_hour_of_the_map():
    """The map's density rises eastwards; the water of a place came from, or goes, 1 m/s times the hours."""
    sea = make_simple_sea(u=1.0, half=1.0)
    lon, lat = make_axes(TASMAN, half=0.5, step=0.02)
    east, _ = PLANE.metres(*np.meshgrid(lon, lat))
    floating = xr.Dataset(
        {"density": (("lat", "lon"), 2.0 + east / 60e3)}, {"lat": lat, "lon": lon, "time": LEAVE}
    )
    observer = Observer(sea, make_fronts([north_south()]), make_drift(sea), floating)
    x, y = np.full(3, TASMAN.lon), np.full(3, TASMAN.lat)
    hours = np.array([-3.0, 0.0, 3.0])
    found = observer.density(x, y, NOW + hours * HOUR)
    np.testing.assert_allclose(found, 2.0 - hours * HOUR / 60e3, atol=1e-3)


# ---- features


@pytest.fixture(scope="module")
def profile():
    return read_profile("dolphinfish")


FACTS_OF_NOTHING = {
    "temperature": np.nan,
    "chlor_a": np.nan,
    "gathered": np.nan,
    "weed": np.nan,
    "depths": np.array([np.nan]),
    "steepness": np.nan,
    "coincidence": 0.0,
    "seen_share": 0.5,
    "step": 0.0,
}


def features(profile, *, trip=None, doubt=0.0, kind=TEMPERATURE_BREAK, **facts):
    box = make_box(north_south(), doubt=doubt, kind=kind)
    return weigh_features(box, FACTS_OF_NOTHING | facts, profile, trip or make_trip())


def test_what_is_unknown_is_neutral(profile):
    found = features(profile)
    assert set(found) == set(PIECES)
    assert set(found.values()) == {0.0}


def test_temperature_suits_inside_the_profile_and_falls_off_as_a_gaussian(profile):
    low, high, width = (profile.setting("temperature", key) for key in ("low", "high", "width"))
    bell = stats.norm(scale=width)
    for inside in (low, (low + high) / 2, high):
        assert suitability(inside, profile) == 0.0
    for away in (0.5, 1.0, 3.0):
        wanted = bell.logpdf(away) - bell.logpdf(0.0)
        assert suitability(low - away, profile) == pytest.approx(wanted)
        assert suitability(high + away, profile) == pytest.approx(wanted)
    assert suitability(-2.0, profile) == suitability(-1.0, profile) == -3.0
    assert suitability(np.nan, profile) == 0.0


def test_each_piece_is_what_the_profile_says_of_it(profile):
    clear = profile.setting("color", "clear")
    assert features(profile, step=1.3)["break"] == 1.3
    assert features(profile, step=9.0)["break"] == 3.0
    assert features(profile, step=1.3, seen_share=1.0, kind=CONVERGENCE_LINE)["break"] == 0.0
    assert features(profile, seen_share=1.0)["persistence"] == 0.5
    assert features(profile, seen_share=1.0, kind=CONVERGENCE_LINE)["persistence"] == 0.0
    assert features(profile, chlor_a=clear / 10)["color"] == 0.5
    assert features(profile, chlor_a=clear)["color"] == pytest.approx(0.0)
    assert features(profile, chlor_a=10 * clear)["color"] == pytest.approx(-1.0)
    assert features(profile, chlor_a=0.0)["color"] == 0.5
    # 73 % of fish were taken with floating weed (Farrell et al. 2014, Fish. Res. 151:177-190): twice the weed
    # is 1.73 times the fish, none of it leaves 0.27 of them
    assert features(profile, gathered=np.log(2.0))["convergence"] == pytest.approx(np.log(1.73))
    assert features(profile, gathered=0.0)["convergence"] == pytest.approx(0.0, abs=1e-12)
    assert features(profile, gathered=-50.0)["convergence"] == pytest.approx(np.log(0.27))
    assert features(profile, gathered=50.0)["convergence"] == features(profile, gathered=5.0)["convergence"]
    assert features(profile, coincidence=0.4)["coincidence"] == 0.4
    assert features(profile, weed=0.3)["weed"] == 0.3
    steep = profile.setting("edge", "steep")
    assert features(profile, steepness=steep / 4)["edge"] == pytest.approx(0.25)
    assert features(profile, steepness=3 * steep)["edge"] == 1.0


def test_depth_is_the_share_inside_the_skippers_band(profile):
    trip = make_trip()
    trip = trip.model_copy(
        update={"target": trip.target.model_copy(update={"min_depth": 100.0, "max_depth": 900.0})}
    )
    depths = np.array([50.0, 100.0, 500.0, 900.0, 1000.0, np.nan])
    assert features(profile, trip=trip, depths=depths)["depth"] == pytest.approx(3 / 5 - 1)
    assert features(profile, trip=trip, depths=np.full(3, 50.0))["depth"] == -1.0


def test_doubt_costs_what_a_sweep_misses(profile):
    """-½ ln(1 + (σ/w)²), the peak of a normal density of σ blurred by w, relative to σ = 0."""
    sweep = profile.setting("doubt", "sweep")
    for doubt in (0.0, sweep, 5 * sweep):
        blurred, sharp = stats.norm(scale=np.hypot(doubt, sweep)), stats.norm(scale=sweep)
        wanted = blurred.logpdf(0.0) - sharp.logpdf(0.0)
        assert features(profile, doubt=doubt)["doubt"] == pytest.approx(wanted, abs=1e-12)
