"""Lines carried to another hour, their doubt, and repeats of a line told from new ones."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from seas import DAY, HOUR, LEAVE, TASMAN, Plane, hours, make_axes, make_fronts, make_node, make_simple_sea
from seas import tanh_front as front_of

from searcher.carry import DIFFUSIVITY, DRUM, WEED, Seen, drift_doubt, make_drift, scatter
from searcher.drift import drift_fronts, drift_line, drift_mark, longest_afloat, windage_of
from searcher.errors import NoData
from searcher.fronts import find_fronts
from searcher.fronts.persistence import carry_lines, clear_views, share_seen
from searcher.fronts.temperature import find_temperature_breaks
from searcher.geo import Place, densify
from searcher.kernels.advect import AFLOAT
from searcher.sea import to_seconds
from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK

GEOD = Geod(ellps="WGS84")
PLANE = Plane(TASMAN)


def later(h: float) -> np.datetime64:
    return LEAVE + np.timedelta64(round(h * 3600), "s")


def north_south(x: float = 0.0, *, half: float = 20e3) -> shapely.LineString:
    return PLANE.line([[x, -half], [x, half]])


# ---- doubt


@settings(max_examples=50, deadline=None)
@given(error=st.floats(0.01, 0.5), lasts=st.floats(HOUR, 5 * DAY), start=st.floats(0, 5000))
def test_doubt_has_the_two_limits_of_taylor(error, lasts, start):
    """Taylor 1921, Proc. Lond. Math. Soc. 20:196-212: σ = e t for t << τ and √(2 e² τ t) for t >> τ."""
    soon, late = lasts * 1e-3, lasts * 1e3
    quiet = {"current_error": error, "error_lasts": lasts, "diffusivity": 0.0}
    assert drift_doubt(0.0, soon, **quiet) == pytest.approx(error * soon, rel=1e-3)
    assert drift_doubt(0.0, late, **quiet) == pytest.approx(np.sqrt(2 * error**2 * lasts * late), rel=1e-3)
    assert drift_doubt(start, late, **quiet) == pytest.approx(
        np.hypot(start, drift_doubt(0.0, late, **quiet))
    )


def test_doubt_against_particles_with_errors_that_fade():
    """20 000 particles whose error of velocity fades as e^{-t/τ} (an Ornstein-Uhlenbeck process)."""
    rng = np.random.default_rng(1)
    error, lasts, dt = 0.1, 10 * HOUR, 600.0
    fade = np.exp(-dt / lasts)
    velocity = rng.normal(0, error, 20_000)
    place = np.zeros(20_000)
    for step in range(1, 181):
        place += velocity * dt
        velocity = fade * velocity + rng.normal(0, error * np.sqrt(1 - fade**2), velocity.size)
        if step in (18, 60, 180):
            told = drift_doubt(0.0, step * dt, current_error=error, error_lasts=lasts, diffusivity=0.0)
            assert place.std() == pytest.approx(told, rel=0.03)


@pytest.mark.parametrize(("h", "metres"), [(6, 657), (24, 1315)])
def test_doubt_of_a_random_walk(h, metres):
    """√(2Kt) with K = 10 m²/s: 657 m in 6 h, 1315 m in 24 h (Einstein 1905, Ann. Phys. 322:549-560)."""
    assert drift_doubt(0.0, h * HOUR, current_error=0.0, diffusivity=10.0) == pytest.approx(metres, abs=1)


def test_diffusivity_is_okubos_at_10_km():
    """K = 0.0103 l^1.15 in cgs (Okubo 1971, Deep-Sea Res. 18:789-802; from memory): 8.2 m²/s at 10 km."""
    assert pytest.approx(0.0103 * 1e6**1.15 * 1e-4, rel=0.01) == DIFFUSIVITY


@settings(max_examples=50, deadline=None)
@given(doubt=st.floats(0, 5000), age=st.floats(0, 5 * DAY), more=st.floats(0, DAY))
def test_doubt_only_grows_and_does_not_ask_which_way(doubt, age, more):
    assert drift_doubt(doubt, 0.0) == pytest.approx(doubt)
    assert drift_doubt(doubt, -age) == drift_doubt(doubt, age)
    assert drift_doubt(doubt, age + more) >= drift_doubt(doubt, age) * (1 - 1e-9) - 1e-3
    many = drift_doubt(np.array([doubt, doubt]), np.array([age, age + more]))
    assert many.shape == (2,)


# ---- moving


def test_a_line_in_a_uniform_current_goes_with_it():
    """Every vertex u t east along its parallel and v t north, by geodesics of GeographicLib (pyproj)."""
    sea = make_simple_sea(u=0.0, v=-0.4)
    (moved,) = drift_fronts(make_fronts([north_south()]), sea, to=later(10)).geometry
    xy = shapely.get_coordinates(moved)
    south = GEOD.fwd(TASMAN.lon, PLANE.vertices(moved)[0, 1] * 0 + TASMAN.lat, 180.0, 0.4 * 10 * HOUR)[1]
    middle = 0.5 * (xy[:, 1].min() + xy[:, 1].max())
    assert middle == pytest.approx(south, abs=1e-4)
    assert xy[:, 0] == pytest.approx(np.full(len(xy), TASMAN.lon), abs=1e-9)
    sea = make_simple_sea(u=0.5)
    (moved,) = drift_fronts(make_fronts([north_south()]), sea, to=later(10)).geometry
    for lon, lat in shapely.get_coordinates(moved):
        hops = np.linspace(TASMAN.lon, lon, 50)
        gone = GEOD.inv(hops[:-1], np.full(49, lat), hops[1:], np.full(49, lat))[2].sum()
        assert gone == pytest.approx(0.5 * 10 * HOUR, rel=1e-4)


def test_table_after_drift_says_hour_doubt_and_length():
    sea = make_simple_sea(u=lambda x, _y: 1e-5 * x, v=lambda _x, y: -1e-5 * y)
    fronts = make_fronts(
        [north_south(), PLANE.line([[-20e3, 0.0], [20e3, 0.0]])], kind=[TEMPERATURE_BREAK, CONVERGENCE_LINE]
    )
    moved = drift_fronts(fronts, sea, to=later(12))
    assert (moved["valid_time"] == later(12)).all()
    assert (moved["seen_time"] == later(-12)).all()
    # seen twelve hours before, and errors of currents last: what is added is that of a day less half a day
    added = drift_doubt(0.0, 24 * HOUR) ** 2 - drift_doubt(0.0, 12 * HOUR) ** 2
    assert moved["doubt"].tolist() == pytest.approx([float(np.sqrt(1000.0**2 + added))] * 2)
    # a saddle: what lies along the squeeze shrinks by e^-st, what lies across it stretches by e^st
    lengths = dict(zip(moved["kind"], moved["length"], strict=True))
    assert lengths[TEMPERATURE_BREAK] == pytest.approx(40e3 * np.exp(-1e-5 * 12 * HOUR), rel=2e-3)
    assert lengths[CONVERGENCE_LINE] == pytest.approx(40e3 * np.exp(1e-5 * 12 * HOUR), rel=2e-3)


def test_there_and_back_returns():
    sea = make_simple_sea(u=lambda _x, y: 0.3 + 1e-5 * y, v=lambda x, _y: 0.2 * np.sin(x / 20e3))
    fronts = make_fronts([north_south()])
    there = drift_fronts(fronts, sea, to=later(18))
    back = drift_fronts(there, sea, to=LEAVE)
    assert shapely.hausdorff_distance(there.geometry[0], fronts.geometry[0]) > 0.1
    start = densify(fronts.geometry[0], 1000.0)
    assert shapely.hausdorff_distance(back.geometry[0], start) < 1e-5


def test_one_hour_for_each_row():
    sea = make_simple_sea(u=0.5)
    fronts = make_fronts([north_south(), north_south(5e3)])
    moved = drift_fronts(fronts, sea, to=np.array([later(2), later(8)]), join=False)
    x = [PLANE.vertices(line)[:, 0].mean() for line in moved.geometry]
    assert x == pytest.approx([0.5 * 2 * HOUR, 5e3 + 0.5 * 8 * HOUR], rel=2e-3)
    assert moved["valid_time"].tolist() == [later(2), later(8)]


def test_matter_takes_its_share_of_the_wind_and_water_takes_none():
    lon, lat = make_axes(TASMAN, half=1.5, step=0.25)
    wind = make_node("wind", lon, lat, hours(-48, 48, 6.0), u10=0.0, v10=8.0)
    sea = make_simple_sea(u=0.0, v=0.1, wind=wind)
    east_west = PLANE.line([[-20e3, 0.0], [20e3, 0.0]])
    fronts = make_fronts([east_west, east_west], kind=[TEMPERATURE_BREAK, CONVERGENCE_LINE])
    moved = drift_fronts(fronts, sea, to=later(10), join=False)
    # the great circle between the ends is not a parallel: the middle tells
    north = [PLANE.vertices(line)[len(shapely.get_coordinates(line)) // 2, 1] for line in moved.geometry]
    share = make_drift(sea).windage
    assert north[0] == pytest.approx(0.1 * 10 * HOUR, rel=0.01)
    assert north[1] - north[0] == pytest.approx(share * 8.0 * 10 * HOUR, rel=2e-3)
    assert windage_of(TEMPERATURE_BREAK, make_drift(sea)) == 0.0
    calm = make_drift(make_simple_sea(u=0.3))
    assert calm.windage == 0.0


def test_steps_are_no_longer_than_half_a_cell():
    """The Courant number u Δt/Δx of the fastest water, with cells of 0.1°, 9 km."""
    for speed in (0.0, 0.5, 2.0, 4.5):
        drift = make_drift(make_simple_sea(u=speed))
        assert 0 < drift.longest_step <= 1800.0
        assert speed * drift.longest_step <= 0.5 * 0.1 * 111.4e3 * np.cos(np.radians(36.0)) * 1.02


def test_lines_that_leave_the_currents_are_dropped_and_others_cut():
    sea = make_simple_sea(u=0.0, v=1.0, half=0.5)  # 55 km to the rim
    gone = PLANE.line([[-10e3, 40e3], [10e3, 40e3]])
    cut = PLANE.line([[0.0, -30e3], [0.0, 40e3]])
    moved = drift_fronts(make_fronts([gone, cut]), sea, to=later(10))
    assert len(moved) == 1
    y = PLANE.vertices(moved.geometry[0])[:, 1]
    assert y.min() == pytest.approx(-30e3 + 36e3, rel=0.01)
    assert y.max() <= 56e3
    assert moved["length"][0] == pytest.approx(y.max() - y.min(), rel=1e-3)


def test_the_longest_stretch_afloat_is_kept():
    xy = np.column_stack([np.arange(8.0), np.zeros(8)])
    afloat = np.array([1, 1, 0, 1, 1, 1, 0, 1], bool)
    assert longest_afloat(xy, afloat).equals(shapely.LineString(xy[3:6]))
    assert longest_afloat(xy, np.zeros(8, bool)).is_empty
    assert longest_afloat(xy, np.array([1, 0] * 4, bool)).is_empty


def test_vertices_may_be_carried_to_hours_of_their_own():
    drift = make_drift(make_simple_sea(u=0.5))
    start = float(to_seconds(LEAVE))
    line = PLANE.line([[0.0, 0.0], [0.0, 1000.0], [0.0, 2000.0]])
    moved = drift_line(line, drift, start, start + np.array([0.0, 1000.0, 4000.0]))
    assert PLANE.vertices(moved)[:, 0] == pytest.approx([0.0, 500.0, 2000.0], abs=2.0)


def test_a_dense_line_keeps_its_course():
    line = PLANE.line([[0.0, 0.0], [7000.0, 3000.0], [7000.0, 12000.0]])
    dense = densify(line, 1000.0)
    assert np.hypot(*np.diff(PLANE.vertices(dense), axis=0).T).max() <= 1001.0
    assert shapely.hausdorff_distance(dense, line) < 1e-9


# ---- the same line in several pictures


def moving_front(image_hour: float, *, hole=None, speed: float = 0.4):
    """A picture of a front at x = speed·t, t counted from the hour the trips leave."""

    def picture(x, y):
        field, _ = front_of(x, y, angle=90.0, offset=speed * image_hour * HOUR)
        return field if hole is None else np.where(hole(x, y), np.nan, field)

    return picture


def still_front(x, y):
    return front_of(x, y, angle=90.0, offset=0.0)[0]


IMAGES = (-30.0, -18.0, -6.0)


def drifted(holes, *, to=LEAVE):
    sea = make_simple_sea(
        u=0.4,
        sst=[moving_front(h, hole=hole) for h, hole in zip(IMAGES, holes, strict=True)],
        image_hours=IMAGES,
        half=1.0,
    )
    return sea, drift_fronts(find_fronts(sea), sea, to=to)


def test_three_pictures_of_a_moving_front_are_one_line_seen_in_all():
    sea, moved = drifted([None, None, None])
    assert len(find_fronts(sea)) == 3
    assert len(moved) == 1
    assert moved["seen_share"][0] == 1.0
    assert moved["seen_time"][0] == sea["temperature"]["time"].values[-1]
    assert np.abs(PLANE.vertices(moved.geometry[0])[:, 0]).max() < 1000.0


def test_a_picture_under_cloud_does_not_count():
    _, moved = drifted([None, lambda x, y: x + 0 * y < 60e3, None])
    assert len(moved) == 1
    assert moved["seen_share"][0] == 1.0


def seen_of_three(first) -> list[float]:
    """Shares of all lines where two of three pictures show the moving front, the first something else."""
    pictures = [first, moving_front(-18.0), moving_front(-6.0)]
    sea = make_simple_sea(u=0.4, sst=pictures, image_hours=IMAGES, half=1.0)
    return drift_fronts(find_fronts(sea), sea, to=LEAVE)["seen_share"].tolist()


def test_a_clear_picture_without_the_line_does():
    elsewhere = seen_of_three(lambda x, y: front_of(x, y, angle=90.0, offset=-30e3 - 0.4 * 30 * HOUR)[0])
    assert sorted(elsewhere) == pytest.approx([1 / 3, 2 / 3], abs=0.04)  # they cross, and are one there


def test_a_clear_picture_without_any_line_does_too():
    assert seen_of_three(None) == pytest.approx([2 / 3])


def test_a_line_only_an_older_picture_saw_is_kept_where_the_newer_was_cloudy():
    _, moved = drifted([None, None, lambda _x, y: y > 10e3])
    y = [PLANE.vertices(line)[:, 1] for line in moved.geometry]
    assert min(v.min() for v in y) < -60e3
    assert max(v.max() for v in y) > 60e3  # the northern half comes from the picture before
    assert (moved["seen_share"] == 1.0).all()
    newest = moved["seen_time"].max()
    assert {
        bool(v.max() > 30e3) for v, seen in zip(y, moved["seen_time"], strict=True) if seen == newest
    } == {False}
    total = moved["length"].sum()
    assert total < 1.15 * 2 * 1.0 * 111e3  # no part of it twice


def test_without_drift_the_same_front_would_be_three():
    """At 0.4 m/s the front moves 17 km between pictures: joined where they were seen, they are apart."""
    sea, _ = drifted([None, None, None])
    fronts = find_fronts(sea)
    still = drift_fronts(fronts, make_simple_sea(u=0.0, sst=None, image_hours=IMAGES, half=1.0), to=LEAVE)
    assert len(still) == 3


def test_clear_views_are_looked_for_where_the_water_was():
    """A line at x = 0 now was at x = -43 km (30 h at 0.4 m/s): cloud there hides it, cloud here does not."""
    there = lambda x, y: (np.abs(x + 43.2e3) < 8e3) & (np.abs(y) < 60e3)  # noqa: E731
    here = lambda x, y: (np.abs(x) < 8e3) & (np.abs(y) < 60e3)  # noqa: E731
    line = make_fronts([north_south()], valid_time=LEAVE)
    for hole, clear in ((there, False), (here, True)):
        sea = make_simple_sea(u=0.4, sst=[moving_front(-30.0, hole=hole)], image_hours=(-30.0,), half=1.0)
        seen = line.assign(seen_time=sea["temperature"]["time"].values[0])
        assert clear_views(seen, sea, make_drift(sea)).tolist() == [[float(clear)]]
        longer = seen.set_geometry([north_south(half=90e3)])  # 120 of its 180 km lie behind the cloud
        assert clear_views(longer, sea, make_drift(sea)) == pytest.approx(1.0 if clear else 1 / 3, abs=0.03)


def test_a_front_seen_in_pieces_is_seen_in_all_of_them():
    """Broken cloud: each of four pictures shows another third or half of a front that stands. Share 1."""
    windows = [(-60e3, -5e3), (-20e3, 25e3), (10e3, 60e3), (-60e3, -20e3)]
    pictures = [
        lambda x, y, low=low, high=high: np.where((y > low) & (y < high), still_front(x, y), np.nan)
        for low, high in windows
    ]
    sea = make_simple_sea(sst=pictures, image_hours=(-24.0, -16.0, -8.0, -2.0), half=0.7)
    temperature = sea["temperature"].to_dataset()
    found = [
        [row["geometry"] for row in find_temperature_breaks(picture)]
        for picture in temperature["sst"].transpose("time", "lat", "lon")
    ]
    whole, nowhere = (north_south(x, half=55e3) for x in (0.0, 30e3))
    shares = share_seen(
        [whole, nowhere], found, temperature, make_drift(sea), at=LEAVE, doubts=np.array([1500.0, 1500.0])
    )
    assert shares == pytest.approx([1.0, 0.0], abs=0.05)


def test_lines_carried_on_to_an_island_are_not_drawn_over_it():
    """Where a line has met the shore no straight piece bridges the land: its longest rest stays."""
    island = lambda x, y: (np.abs(x) < 25e3) & (np.abs(y) < 15e3)  # noqa: E731
    sea = make_simple_sea(u=lambda x, y: np.where(island(x, y), np.nan, 0.5), v=0.0, half=1.0)
    line = PLANE.line([[-40e3, -80e3], [-40e3, 60e3]])
    (carried,) = carry_lines(make_fronts([line]), make_drift(sea), LEAVE + np.timedelta64(20, "h")).geometry
    y = PLANE.vertices(carried)[:, 1]
    assert y.max() < -5e3
    assert np.diff(y).max() < 2000.0


def test_two_lines_in_one_picture_stay_two():
    lines = [north_south(0.0), north_south(30e3)]
    moved = drift_fronts(make_fronts(lines, seen_time=later(-12.0)), make_simple_sea(u=0.1), to=LEAVE)
    assert len(moved) == 2


def test_order_of_rows_does_not_matter():
    sea, moved = drifted([None, None, lambda _x, y: y > 10e3])
    fronts = find_fronts(sea)
    other = drift_fronts(fronts.iloc[::-1].reset_index(drop=True), sea, to=LEAVE)
    assert sorted(other["length"]) == pytest.approx(sorted(moved["length"]), rel=1e-9)
    assert sorted(other["seen_share"]) == pytest.approx(sorted(moved["seen_share"]))


# ---- doubt of things that take the wind


def wind_node(u10=0.0, v10=8.0):
    lon, lat = make_axes(TASMAN, half=1.5, step=0.25)
    return make_node("wind", lon, lat, hours(-48, 48, 6.0), u10=u10, v10=v10)


@pytest.mark.parametrize("before", [0.0, 12.0])
def test_spread_of_an_ensemble_is_the_closed_form_where_all_is_uniform(before):
    """`drift_doubt` (Taylor 1921) squared, of the whole age less what had come before, plus the leeway's own.

    A leeway error of ε m/s at 10 m/s of wind is ε(W/20 + 1/2) at W, for the whole drift, downwind alone
    (Breivik & Allen 2008, J. Mar. Syst. 69:99-113).
    """
    sea = make_simple_sea(u=0.2, v=-0.1, wind=wind_node(v10=8.0), half=2.0)
    drift = make_drift(sea)
    count, members, age, doubt = 40, 100, 10 * HOUR, 5000.0
    lon, lat = np.full(count, TASMAN.lon), np.full(count, TASMAN.lat)
    seen = Seen(np.arange(count), np.full(count, doubt), np.full(count, before * HOUR))
    start = float(to_seconds(LEAVE))
    x, y, status = scatter(drift, lon, lat, start, start + age, seen, leeway=WEED, members=members)
    assert (status == AFLOAT).all()
    east, north = PLANE.metres(x.ravel(), y.ravel())
    after = drift_doubt(0.0, before * HOUR + age) ** 2 - drift_doubt(0.0, before * HOUR) ** 2
    told = np.hypot(doubt, np.sqrt(after))
    sampling = 1 / np.sqrt(2 * count * members)  # of a standard deviation
    assert east.std() == pytest.approx(told, rel=4 * sampling + 0.005)
    leeway = 0.05 * (8.0 / 20 + 0.5) * age
    assert north.std() == pytest.approx(np.hypot(told, leeway), rel=4 * sampling + 0.005)
    assert east.mean() == pytest.approx(0.2 * age, abs=4 * told / np.sqrt(count * members))
    assert north.mean() == pytest.approx((0.01 * 8.0 - 0.1) * age, abs=4 * told / np.sqrt(count * members))


def test_a_line_of_matter_is_in_more_doubt_across_the_wind_than_along_it():
    """Wind from the south: leeway errors spread a line that lies east-west, and not one north-south."""
    sea = make_simple_sea(u=0.1, v=0.1, wind=wind_node(v10=10.0))
    lines = [north_south(), PLANE.line([[-20e3, 0.0], [20e3, 0.0]])]
    fronts = make_fronts(lines, kind=CONVERGENCE_LINE)
    moved = drift_fronts(fronts, sea, to=later(12), join=False)
    plain = float(np.sqrt(1000.0**2 + drift_doubt(0.0, 24 * HOUR) ** 2 - drift_doubt(0.0, 12 * HOUR) ** 2))
    leeway = 0.05 * 12 * HOUR
    # 48 members: a standard deviation is known to a tenth, three of them are allowed
    assert moved["doubt"][0] == pytest.approx(plain, rel=0.3)
    assert moved["doubt"][1] == pytest.approx(np.hypot(plain, leeway), rel=0.3)
    again = drift_fronts(fronts, sea, to=later(12), join=False)
    assert again["doubt"].tolist() == moved["doubt"].tolist()


def test_a_line_that_is_squeezed_is_in_less_doubt_than_in_a_uniform_sea():
    """u = -sx, v = sy: distances across a north-south line shrink as e^-st; but never under what was seen."""
    fronts = make_fronts([north_south()], kind=CONVERGENCE_LINE, seen_time=LEAVE, doubt=500.0)
    squeezed, plain = (
        drift_fronts(fronts, make_simple_sea(u=u, v=v, wind=wind_node(v10=1.0)), to=later(24), join=False)
        for u, v in ((lambda x, _y: -2e-5 * x, lambda _x, y: 2e-5 * y), (0.0, 0.0))
    )
    assert plain["doubt"][0] == pytest.approx(drift_doubt(500.0, 24 * HOUR), rel=0.3)
    assert 500.0 <= squeezed["doubt"][0] < 0.6 * plain["doubt"][0]


def test_an_oil_drum_goes_downwind_as_the_list_says():
    """10.16 cm/s downwind at 10 m/s (US Coast Guard list of Allen; 0.75 % and 2.66 cm/s), to either side."""
    sea = make_simple_sea(u=0.0, v=0.0, wind=wind_node(v10=10.0))
    mark = drift_mark(TASMAN, sea, seen=LEAVE, to=later(10), leeway=DRUM, doubt=0.0)
    _, north = PLANE.metres(*mark.place)
    age = 10 * HOUR
    error = np.hypot(drift_doubt(0.0, age), 0.0283 * age)
    assert north == pytest.approx(0.1016 * age, abs=4 * error / np.sqrt(512))
    # right at 0.48 % + 2.88 cm/s, left at 0.45 % + 1.46: 7.68 and -5.96 cm/s, half of the members each
    apart, own = (0.0768 + 0.0596) / 2 * age, np.hypot(0.0392, 0.0459) / np.sqrt(2) * age
    assert mark.major == pytest.approx(
        np.sqrt(drift_doubt(0.0, age) ** 2 + apart**2 + own**2), rel=4 / np.sqrt(2 * 512)
    )
    assert mark.minor == pytest.approx(error, rel=4 / np.sqrt(2 * 512))
    assert abs(mark.bearing - 90.0) < 10.0
    assert mark.afloat == 1.0


def test_a_mark_drifts_back_to_where_it_came_from():
    sea = make_simple_sea(u=0.3, v=0.0, wind=wind_node(v10=5.0))
    there = drift_mark(TASMAN, sea, seen=LEAVE, to=later(8))
    back = drift_mark(there.place, sea, seen=later(8), to=LEAVE)
    east, north = PLANE.metres(*back.place)
    assert np.hypot(east, north) < 4 * there.major / np.sqrt(512)
    assert back.major > 100.0


def test_a_mark_across_the_date_line_is_the_same_place():
    sea = make_simple_sea(centre=Place(180.0, -30.0), u=0.5, half=1.0)
    one, other = (drift_mark(Place(lon, -30.0), sea, seen=LEAVE, to=later(3)) for lon in (-179.9, 180.1))
    assert one.place == pytest.approx(other.place, abs=1e-9)
    assert one.major == pytest.approx(other.major)


def test_a_mark_beyond_the_currents_is_refused():
    sea = make_simple_sea(u=0.1, half=0.5)
    with pytest.raises(NoData, match=r"no currents at -30\.0000, 170\.0000"):
        drift_mark(Place(170.0, -30.0), sea, seen=LEAVE, to=later(3))
