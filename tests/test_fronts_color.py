"""Changes of colour, against analytic chlorophyll whose changes are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from seas import LEAVE, TASMAN, Plane, make_axes, make_node, make_picture, make_simple_sea, tanh_front

from searcher.drift import drift_fronts
from searcher.fronts import find_color_changes, find_fronts
from searcher.tables import COLOR_CHANGE, TEMPERATURE_BREAK

PLANE = Plane(TASMAN)
LON, LAT = make_axes(TASMAN, half=0.7, step=0.02)
X, Y = PLANE.metres(*np.meshgrid(LON, LAT))


def chlorophyll(x, y, *, angle: float = 90.0, times: float = 4.0, offset: float = 0.0):
    """`times` as green towards the bearing `angle`, about 0.2 mg/m³, over a tanh of 3 km half-width."""
    lean, _ = tanh_front(x, y, angle=angle, offset=offset, step=np.log10(times), width=3000.0)
    return 0.2 * 10 ** (lean - 24.0)


@pytest.mark.parametrize("times", [1.5, 4.0, 10.0])
def test_a_change_is_told_in_decades_with_the_green_on_its_left(times):
    """log10 of chlorophyll is a tanh: its step is log10 of the factor, its slope on the line step/2w."""
    noise = 10 ** np.random.default_rng(1).normal(0.0, 0.03, X.shape)
    (row,) = find_color_changes(make_picture(LON, LAT, noise * chlorophyll(X, Y, angle=30.0, times=times)))
    assert row["kind"] == COLOR_CHANGE
    assert row["warm_side"] == ""
    assert row["step"] == pytest.approx(np.log10(times), abs=4 * row["step_doubt"])
    assert row["strength"] == pytest.approx(np.log10(times) / 6000.0, abs=4 * row["strength_doubt"])
    assert row["step_doubt"] < 0.03
    xy = PLANE.vertices(row["geometry"])
    along = (xy[-1] - xy[0]) / np.hypot(*(xy[-1] - xy[0]))
    left = np.array([-along[1], along[0]])
    assert left @ [np.sin(np.pi / 6), np.cos(np.pi / 6)] > 0.99


def test_water_ten_times_as_green_has_the_same_changes():
    field = chlorophyll(X, Y)
    (one,), (other,) = (find_color_changes(make_picture(LON, LAT, many * field)) for many in (1.0, 10.0))
    for name in ("step", "strength", "width", "length"):
        assert other[name] == pytest.approx(one[name], rel=1e-3)


def test_noise_of_an_ocean_colour_picture_makes_no_change():
    """Noise of 0.1 decade, more than satellites have over clear water (from memory)."""
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0.0, 0.1, X.shape)
        assert find_color_changes(make_picture(LON, LAT, 0.1 * 10**noise)) == []


@pytest.mark.parametrize("failed", [0.0, -0.05])
def test_a_retrieval_that_failed_is_no_lean_water(failed):
    """The lines are those of the same picture with the failed pixels missing."""
    rng = np.random.default_rng(3)
    green = chlorophyll(X, Y, times=4.0) * 10 ** rng.normal(0.0, 0.03, X.shape)
    blobs = gaussian_filter(rng.normal(size=X.shape), 3.0)
    bad = blobs > np.quantile(blobs, 0.97)
    found, expected = (
        find_color_changes(make_picture(LON, LAT, np.where(bad, value, green))) for value in (failed, np.nan)
    )
    assert [row["geometry"] for row in found] == [row["geometry"] for row in expected]
    assert len(found) <= 3


def colored_sea(pictures, *, image_hours, u=0.0, **more):
    """A sea with chlorophyll pictures, one function each."""
    lon, lat = make_axes(TASMAN, half=1.0, step=0.02)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    times = LEAVE + (np.array(image_hours) * 3600).astype("timedelta64[s]")
    node = make_node("color", lon, lat, times, chlor_a=np.array([f(x, y) for f in pictures]))
    return make_simple_sea(u=u, half=1.0, color=node, **more)


def moving(hour: float, *, covered=None):
    """The change that is at x = 0 when the trips leave, in water that moves east at 0.4 m/s."""

    def draw(x, y):
        field = chlorophyll(x, y, offset=0.4 * hour * 3600.0)
        return field if covered is None else np.where(covered(x, y), np.nan, field)

    return draw


def test_pictures_of_a_moving_change_are_one_line_where_it_is_now():
    sea = colored_sea([moving(h) for h in (-30.0, -18.0, -6.0)], image_hours=(-30.0, -18.0, -6.0), u=0.4)
    fronts = find_fronts(sea, at=LEAVE)
    (change,) = fronts[fronts["kind"] == COLOR_CHANGE].itertuples()
    assert change.seen_share == 1.0
    assert change.seen_time == sea["color"]["time"].values[-1]
    assert change.valid_time == LEAVE
    assert change.source == "analytic color"
    assert np.abs(PLANE.vertices(change.geometry)[:, 0]).max() < 1000.0
    assert change.doubt > 1500.0  # of currents that err by 0.1 m/s for 6 h
    later = drift_fronts(fronts, sea, to=LEAVE + np.timedelta64(6, "h"))
    (there,) = later[later["kind"] == COLOR_CHANGE].geometry
    assert np.median(PLANE.vertices(there)[:, 0]) == pytest.approx(0.4 * 6 * 3600.0, abs=1000.0)


def test_what_only_an_older_picture_saw_is_kept():
    pictures = [moving(-18.0), moving(-6.0, covered=lambda _x, y: y > 10e3)]
    fronts = find_fronts(colored_sea(pictures, image_hours=(-18.0, -6.0), u=0.4), at=LEAVE)
    y = np.concatenate([PLANE.vertices(line)[:, 1] for line in fronts.geometry])
    assert y.min() < -60e3
    assert y.max() > 60e3
    assert fronts["seen_time"].nunique() == 2
    assert (fronts["confidence"] > 0.9).all()


def test_breaks_and_changes_stand_side_by_side():
    sea = colored_sea([moving(-12.0)], image_hours=(-12.0,), sst=lambda x, y: tanh_front(x, y, angle=90.0)[0])
    assert set(find_fronts(sea)["kind"]) == {TEMPERATURE_BREAK, COLOR_CHANGE}


def test_a_sea_without_chlorophyll_has_no_changes_of_colour():
    sea = make_simple_sea(sst=lambda x, y: tanh_front(x, y, angle=90.0)[0])
    assert set(find_fronts(sea)["kind"]) == {TEMPERATURE_BREAK}
