"""Lines found in pictures and in currents, against fields whose lines are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from seas import LEAVE, TASMAN, Plane, hours, make_axes, make_node, make_picture, make_simple_sea, tanh_front

from searcher.errors import SeaError
from searcher.fronts import attraction, find_convergence_lines, find_fronts, find_temperature_breaks
from searcher.fronts.section import slope_noise
from searcher.fronts.temperature import (
    BREAK,
    LEAST_STEP,
    LINE_NOISE,
    LINE_STEP,
    line_noise_of,
    noise_and_smoothing,
    noise_of,
)
from searcher.geo import line_length
from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK

CELL = 0.02  # degrees
PLANE = Plane(TASMAN)


@pytest.fixture(scope="module")
def patch():
    """Nodes of a patch of about 150 km, and their metres east and north of its middle."""
    lon, lat = make_axes(TASMAN, half=0.7, step=CELL)
    return lon, lat, *PLANE.metres(*np.meshgrid(lon, lat))


def cell_size() -> float:
    """The side of a cell at the middle, m, by pyproj."""
    east, _ = PLANE.metres(TASMAN.lon + CELL, TASMAN.lat)
    _, north = PLANE.metres(TASMAN.lon, TASMAN.lat + CELL)
    return float(np.sqrt(east * north))


def clouds(shape, share: float, *, seed: int = 1, size: float = 4.0) -> np.ndarray:
    """Blobs of cloud over a share of a picture."""
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=shape), size)
    return noise > np.quantile(noise, 1 - share)


def deepest(field: np.ndarray, hole: np.ndarray) -> np.ndarray:
    return np.where(hole, np.nan, field)


def points_along(rows) -> np.ndarray:
    """Points every 500 m along some lines, in metres, (n, 2)."""
    points = []
    for row in rows:
        line = shapely.LineString(PLANE.vertices(row["geometry"]))
        places = shapely.line_interpolate_point(line, np.arange(0.0, line.length, 500.0))
        points.append(shapely.get_coordinates(places))
    return np.concatenate(points)


def distances(rows, angle, offset) -> np.ndarray:
    """Signed distances (m) of points along some lines from the straight front they should lie on."""
    towards = np.radians(angle)
    return points_along(rows) @ [np.sin(towards), np.cos(towards)] - offset


def far_from_gaps(rows, lon, lat, hole=None) -> np.ndarray:
    """Which of `points_along` stand farther from gaps and rims than the smoothing (3 km) reaches."""
    shape = (lat.size, lon.size)
    known = np.pad(np.ones(shape, bool) if hole is None else ~hole, 1)
    clear = ndimage.distance_transform_edt(known)[1:-1, 1:-1] * cell_size() > 9e3
    x, y = PLANE.degrees(*points_along(rows).T)
    return clear[np.round((y - lat[0]) / CELL).astype(int), np.round((x - lon[0]) / CELL).astype(int)]


# ---- temperature breaks


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0, 123.0, 200.0, 331.0])
@pytest.mark.parametrize("offset", [0.0, 730.0])
def test_a_straight_front_is_found_to_a_third_of_a_cell(patch, angle, offset):
    """T = T0 + Δ/2 tanh(d/w): the front is d = 0, however it lies on the grid."""
    lon, lat, x, y = patch
    field, _ = tanh_front(x, y, angle=angle, offset=offset)
    rows = find_temperature_breaks(make_picture(lon, lat, field))
    assert len(rows) == 1
    away = distances(rows, angle, offset)
    assert abs(np.median(away)) < cell_size() / 3
    assert np.abs(away)[far_from_gaps(rows, lon, lat)].max() < cell_size() / 3
    assert np.abs(away).max() < cell_size()
    # it crosses the picture: no shorter than that, less the margin where no slope can be fitted
    assert rows[0]["length"] > 100e3
    assert rows[0]["length"] == pytest.approx(line_length(rows[0]["geometry"]), rel=1e-9)


@pytest.mark.parametrize(
    ("angle", "side"),
    [
        (0.0, "north"),
        (45.0, "northeast"),
        (90.0, "east"),
        (135.0, "southeast"),
        (180.0, "south"),
        (270.0, "west"),
        (315.0, "northwest"),
    ],
)
def test_the_warm_side_is_named(patch, angle, side):
    lon, lat, x, y = patch
    field, _ = tanh_front(x, y, angle=angle)
    (row,) = find_temperature_breaks(make_picture(lon, lat, field))
    assert row["warm_side"] == side


@pytest.mark.parametrize("step", [0.8, 2.0, 4.0])
@pytest.mark.parametrize("half_width", [2000.0, 4000.0])
def test_step_width_and_strength_are_those_of_the_front(patch, step, half_width):
    """Of T = step/2·tanh(d/w) the slope on the front is step/2w, and 2w holds tanh 1 = 76 % of the step."""
    lon, lat, x, y = patch
    field, _ = tanh_front(x, y, angle=60.0, step=step, width=half_width)
    (row,) = find_temperature_breaks(make_picture(lon, lat, field))
    assert row["step"] == pytest.approx(step, rel=0.01)
    assert row["width"] == pytest.approx(2 * half_width, rel=0.02)
    assert row["strength"] == pytest.approx(step / (2 * half_width), rel=0.02)
    assert row["step_doubt"] < 0.02 * step
    assert row["strength_doubt"] < 0.02 * row["strength"]
    assert row["kind"] == TEMPERATURE_BREAK
    assert cell_size() / 2 < row["doubt"] < 3000.0
    assert row["confidence"] > 0.99


@pytest.mark.parametrize("radius", [25e3, 40e3])
def test_a_ring_is_found_all_round(patch, radius):
    """A warm-core eddy: the front is a circle. Smoothing moves it by about σ²/2R, a few hundred metres."""
    lon, lat, x, y = patch
    r = np.hypot(x - 1500.0, y + 800.0)
    field = 24.0 - np.tanh((r - radius) / 4000.0)
    rows = find_temperature_breaks(make_picture(lon, lat, field))
    xy = points_along(rows)
    away = np.hypot(xy[:, 0] - 1500.0, xy[:, 1] + 800.0) - radius
    assert np.quantile(np.abs(away), 0.95) < cell_size() / 3
    assert sum(row["length"] for row in rows) == pytest.approx(2 * np.pi * radius, rel=0.03)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("radius", "noise"), [(10e3, 0.05), (8e3, 0.1), (8e3, 0.2)])
def test_the_step_of_a_small_ring_is_not_taken_from_its_far_side(patch, sign, radius, noise):
    """A ring 20 km across lies within reach of itself: half-way over it its own water ends."""
    lon, lat, x, y = patch
    r = np.hypot(x - 1500.0, y + 800.0)
    noisy = np.random.default_rng(3).normal(0.0, noise, r.shape)
    field = 24.0 - sign * 0.5 * np.tanh((r - radius) / 1500.0) + noisy
    rows = find_temperature_breaks(make_picture(lon, lat, field))
    assert sum(row["length"] for row in rows) > 0.8 * 2 * np.pi * radius
    for row in rows:
        assert row["step"] == pytest.approx(1.0, abs=3.0 * row["step_doubt"])
        assert row["step_doubt"] < 0.11
        if row["length"] > 0.9 * 2 * np.pi * radius:
            assert row["warm_side"] == ""  # it has every side


def test_a_front_beside_clouds_stays_in_its_place(patch):
    lon, lat, x, y = patch
    field, _ = tanh_front(x, y, angle=75.0, offset=400.0)
    hole = clouds(field.shape, 0.25, size=6.0)
    rows = find_temperature_breaks(make_picture(lon, lat, deepest(field, hole)))
    away = np.abs(distances(rows, 75.0, 400.0))
    assert np.median(away) < cell_size() / 3
    clear = far_from_gaps(rows, lon, lat, hole)
    assert clear.sum() > 20
    assert np.quantile(away[clear], 0.95) < cell_size() / 3
    assert away.max() < 2 * cell_size()


@pytest.mark.parametrize("slope", [0.0, 0.02e-3, 0.05e-3])
def test_the_margin_of_a_cloud_makes_no_line(patch, slope):
    """A plane has no edge. Belkin & O'Reilly 2009 and Canny-style detectors find the rims of its gaps."""
    lon, lat, x, y = patch
    field = 24.0 + slope * (0.6 * x + 0.8 * y)
    for seed in range(3):
        holed = deepest(field, clouds(field.shape, 0.4, seed=seed))
        assert find_temperature_breaks(make_picture(lon, lat, holed)) == []


def test_the_margin_of_a_cloud_makes_no_line_in_a_steep_plane(patch):
    """Steeper than any threshold, a plane still has no ridge of slope."""
    lon, lat, x, y = patch
    field = 24.0 + 0.08e-3 * (0.6 * x + 0.8 * y)
    length = 0.0
    for seed in range(3):
        holed = deepest(field, clouds(field.shape, 0.4, seed=seed))
        length += sum(row["length"] for row in find_temperature_breaks(make_picture(lon, lat, holed)))
    assert length == 0.0


def test_a_steep_plane_in_noise_makes_few_lines(patch):
    """Steeper than any threshold, under noise of 0.1 °C: less than half of what a frontal coast has.

    (4-7 % of its pixels: Kahru et al. 2012, J. Plankton Res. 34:749-760, abstract.)
    """
    lon, lat, x, y = patch
    rng = np.random.default_rng(5)
    plane = 24.0 + 0.08e-3 * (0.6 * x + 0.8 * y)
    length = 0.0
    for _ in range(4):
        rows = find_temperature_breaks(make_picture(lon, lat, plane + rng.normal(0, 0.1, x.shape)))
        length += sum(row["length"] for row in rows)
    assert length / cell_size() < 0.03 * 4 * x.size


MASKS = {
    "cloud": lambda i, _j, rng: clouds(i.shape, 0.45, seed=int(rng.integers(1000)), size=3.0),
    "scattered": lambda i, _j, rng: rng.random(i.shape) < 0.3,
    "swath": lambda i, j, _rng: (i + 0.4 * j) % 60 < 14,
    "land": lambda i, j, _rng: (np.hypot(i - 30, j - 20) < 12) | (j < 8 + 4 * np.sin(i / 5)),
}


@pytest.mark.parametrize("spacing", [0.01, 0.02, 0.05, 0.1, 0.25])
def test_water_without_fronts_shows_none_on_any_grid_behind_any_mask(spacing):
    """Planes of 0 to 0.05 °C/km: no line without noise, and in noise one in ten pictures at most."""
    axis = spacing * np.arange(-40, 41)
    x, y = PLANE.metres(*np.meshgrid(TASMAN.lon + axis, TASMAN.lat + axis))
    j, i = np.indices(x.shape)
    rng = np.random.default_rng(7)
    quiet, noisy, pictures = [], [], 0
    for slope in (0.0, 0.02e-3, 0.05e-3):
        plane = 20.0 + min(slope, 15.0 / x.max()) * (0.6 * x + 0.8 * y)
        for mask in MASKS.values():
            for noise, rows in ((0.0, quiet), (0.1, noisy), (0.3, noisy)):
                seen = deepest(plane + noise * rng.standard_normal(x.shape), mask(i, j, rng))
                rows += find_temperature_breaks(make_picture(TASMAN.lon + axis, TASMAN.lat + axis, seen))
                pictures += noise > 0
    assert quiet == []
    assert len(noisy) <= pictures / 10


def test_warm_water_lies_to_the_left_of_a_line(patch):
    lon, lat, x, y = patch
    for angle in (20.0, 110.0, 200.0, 290.0):
        field, _ = tanh_front(x, y, angle=angle)
        (row,) = find_temperature_breaks(make_picture(lon, lat, field))
        start, *_, end = PLANE.vertices(row["geometry"])
        along = (end - start) / np.hypot(*(end - start))
        towards = np.sin(np.radians(angle)), np.cos(np.radians(angle))
        assert along[0] * towards[1] - along[1] * towards[0] == pytest.approx(1.0, abs=0.01)


def test_noise_alone_makes_almost_no_lines(patch):
    """Fronts cover 4-7 % of the pixels of a frontal coast (Kahru et al. 2012, J. Plankton Res. 34:749).

    Of noise, lines may take no more than a hundredth of that: 3 cells in a thousand along them.
    """
    lon, lat, x, _ = patch
    rng = np.random.default_rng(2)
    length = 0.0
    for sd in (0.1, 0.2, 0.4):
        for _ in range(3):
            rows = find_temperature_breaks(make_picture(lon, lat, rng.normal(24.0, sd, x.shape)))
            length += sum(row["length"] for row in rows)
    assert length / cell_size() < 0.003 * 9 * x.size


def test_a_front_is_found_in_noise(patch):
    """Step 2 °C over ± 4 km under noise of 0.2 °C, as of a good infrared picture."""
    lon, lat, x, y = patch
    field, _ = tanh_front(x, y, angle=110.0, offset=-900.0)
    noisy = field + np.random.default_rng(3).normal(0, 0.2, field.shape)
    rows = find_temperature_breaks(make_picture(lon, lat, noisy))
    away = distances(rows, 110.0, -900.0)
    assert abs(np.median(away)) < cell_size() / 3
    assert np.quantile(np.abs(away), 0.95) < cell_size()
    assert sum(row["length"] for row in rows) > 80e3
    assert np.median([row["step"] for row in rows]) == pytest.approx(2.0, rel=0.15)


def test_noise_of_a_picture_is_measured(patch):
    """Against the noise that was put in; fronts and slopes count little (Immerkær 1996)."""
    _, _, x, y = patch
    field, _ = tanh_front(x, y, angle=30.0)
    field += 2e-5 * x
    noise = np.random.default_rng(4).normal(0, 0.15, x.shape)
    assert noise_of(field + noise) == pytest.approx(0.15, rel=0.1)
    assert noise_of(24.0 + 1e-5 * x) < 1e-4
    assert noise_of(np.full(x.shape, np.nan)) == 0.0


@pytest.fixture(scope="module")
def broad():
    """Axes and places of a picture of 160 x 160 nodes, 0.02° apart."""
    axis = 0.02 * (np.arange(160) - 79.5)
    lon, lat = TASMAN.lon + axis, TASMAN.lat + axis
    return lon, lat, *PLANE.metres(*np.meshgrid(lon, lat))


@pytest.mark.parametrize("turned", [False, True])
def test_scan_lines_off_in_level_are_no_fronts(broad, turned):
    """Rows, or columns, each off by 0.1 °C (sd): the front alone is found, less than a tenth is beside it."""
    lon, lat, x, y = broad
    field, _ = tanh_front(x, y, angle=60.0, step=1.0)
    rng = np.random.default_rng(6)
    length, beside = 0.0, 0.0
    for _ in range(3):
        off = rng.normal(0.0, 0.1, (160, 1))
        striped = field + rng.normal(0.0, 0.1, x.shape) + (off.T if turned else off)
        for row in find_temperature_breaks(make_picture(lon, lat, striped)):
            far = np.median(np.abs(distances([row], 60.0, 0.0))) > 2 * cell_size()
            length, beside = length + row["length"], beside + far * row["length"]
    assert length > 3 * 250e3
    assert beside < 0.1 * length


def test_noise_of_scan_lines_is_measured(broad):
    """Against what was put in; where there is none, nothing is changed by eddies, fronts or chance."""
    _, _, x, y = broad
    field = tanh_front(x, y, angle=5.0)[0] + np.sin(x / 16e3) * np.sin(y / 16e3)  # eddies 100 km apart
    rng = np.random.default_rng(7)
    for noise in (0.0, 0.02, 0.1):
        pixels = field + rng.normal(0.0, noise, x.shape)
        assert line_noise_of(pixels, noise) < max(LINE_NOISE * noise, LINE_STEP * LEAST_STEP)
        assert noise_and_smoothing(pixels, 2000.0, BREAK, 3000.0)[0] == noise_of(pixels)
        striped = [pixels + rng.normal(0.0, 0.1, (160, 1)) for _ in range(20)]
        told = [line_noise_of(picture, noise) for picture in striped]
        assert np.mean(told) == pytest.approx(0.1, rel=0.1)
        assert [line_noise_of(picture.T, noise) for picture in striped] == told
    assert line_noise_of(field[:40, :40], 0.1) == 0.0


def test_noise_of_scan_lines_counts_as_it_errs_in_slopes():
    """As the slopes of striped water err that scipy's derivative of a Gaussian makes."""
    cell = 2000.0
    off = np.random.default_rng(8).normal(0.0, 0.1, 4000)
    noise, sigma = noise_and_smoothing(np.tile(off[:, None], 64), cell, BREAK, 12e3)
    across = ndimage.gaussian_filter1d(off, sigma / cell, order=1).std() / cell
    assert slope_noise(noise, cell, sigma) == pytest.approx(across, rel=0.1)


@settings(max_examples=10, deadline=None)
@given(shift=st.floats(-10, 10), scale=st.floats(1.0, 3.0))
def test_warmer_water_changes_nothing_and_a_larger_step_only_the_step(patch, shift, scale):
    """T -> aT + b, a >= 1: the same line (its ridge), `a` times the step."""
    lon, lat, x, y = patch
    field, away = tanh_front(x, y, angle=40.0)
    (before,) = find_temperature_breaks(make_picture(lon, lat, field))
    (after,) = find_temperature_breaks(make_picture(lon, lat, scale * (field - 20.0) + 20.0 + shift))
    assert after["step"] == pytest.approx(scale * before["step"], rel=0.01)
    assert after["strength"] == pytest.approx(scale * before["strength"], rel=0.01)
    assert after["warm_side"] == before["warm_side"]
    assert shapely.hausdorff_distance(after["geometry"], before["geometry"]) < CELL
    assert away.min() < 0 < away.max()


def test_a_front_too_weak_or_too_short_is_none(patch):
    lon, lat, x, y = patch
    weak, _ = tanh_front(x, y, angle=40.0, step=0.12)
    assert find_temperature_breaks(make_picture(lon, lat, weak)) == []
    hole = np.hypot(x, y) > 5e3
    short, _ = tanh_front(x, y, angle=40.0)
    assert find_temperature_breaks(make_picture(lon, lat, deepest(short, hole))) == []


def wavy(x, y):
    """A front with bends, steeper in the north."""
    away = x - 15e3 * np.sin(y / 22e3)
    return 24.0 + (1.0 + 4e-6 * y) * np.tanh(away / 4000.0)


def test_a_picture_from_the_other_hemisphere_gives_the_mirror_of_its_lines(patch):
    lon, lat, x, y = patch
    field = deepest(wavy(x, y), clouds(x.shape, 0.15))
    plain = find_temperature_breaks(make_picture(lon, lat, field))
    mirror = find_temperature_breaks(make_picture(lon, -lat[::-1], field[::-1]))
    assert len(plain) == len(mirror) > 0
    flipped = [shapely.transform(row["geometry"], lambda xy: xy * [1, -1]) for row in mirror]
    for row in plain:
        k = int(np.argmin([shapely.hausdorff_distance(row["geometry"], other) for other in flipped]))
        # a line is fitted in stretches from its start, and that is its other end in the mirror
        assert shapely.hausdorff_distance(row["geometry"], flipped[k]) < 0.15 * CELL
        for name in ("step", "strength", "width", "length", "doubt"):
            assert mirror[k][name] == pytest.approx(row[name], rel=0.01)


@pytest.mark.parametrize("turn", [360.0, -360.0])
def test_whole_turns_of_longitude_change_nothing(patch, turn):
    lon, lat, x, y = patch
    field = deepest(wavy(x, y), clouds(x.shape, 0.15))
    plain = find_temperature_breaks(make_picture(lon, lat, field))
    turned = find_temperature_breaks(make_picture(lon + turn, lat, field))
    assert len(plain) == len(turned) > 0
    for one, other in zip(plain, turned, strict=True):
        back = shapely.transform(other["geometry"], lambda xy: xy - [turn, 0])
        assert shapely.hausdorff_distance(one["geometry"], back) < 1e-6
        assert other["step"] == pytest.approx(one["step"], rel=1e-6)


# ---- convergence lines


A, K = 0.4, 2 * np.pi / 60e3  # -ak: 4.2e-5 1/s


@pytest.fixture(scope="module")
def currents():
    """u = -a sin k(x - 3 km): gathers at x = 3 km and every 60 km from there, nodes 0.06° apart."""
    return sinusoid(angle=90.0)


def sinusoid(*, angle: float, turn: float = 0.0) -> xr.Dataset:
    lon, lat = make_axes(TASMAN, half=1.2, step=0.06)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    towards = np.radians(angle)
    speed = -A * np.sin(K * (x * np.sin(towards) + y * np.cos(towards) - 3e3))
    u, v = speed * np.sin(towards) - turn * y, speed * np.cos(towards) + turn * x
    return make_node("currents", lon, lat, hours(-3, 3), u=u, v=v)


def current_cell() -> float:
    east, _ = PLANE.metres(TASMAN.lon + 0.06, TASMAN.lat)
    _, north = PLANE.metres(TASMAN.lon, TASMAN.lat + 0.06)
    return float(np.sqrt(east * north))


def test_attraction_is_that_of_the_analytic_line(currents):
    """-s1 = ak cos kx, ak on the line (Serra et al. 2020, Nat. Commun. 11:2525)."""
    field = attraction(currents, LEAVE)
    x, y = PLANE.metres(*np.meshgrid(currents["lon"], currents["lat"]))
    near = (np.hypot(x, y) < 60e3) & np.isfinite(field["attraction"].values)
    exact = np.maximum(A * K * np.cos(K * (x - 3e3)), 0.0)
    # a central difference over 2 Δ takes (kΔ)²/6, 6 %, off the crest
    assert np.abs(field["attraction"].values - exact)[near].max() < 0.07 * A * K
    strong = near & (exact > 0.5 * A * K)
    assert np.abs(field["across_x"].values[strong]).min() > 0.99
    assert np.abs(field["divergence"].values + A * K * np.cos(K * (x - 3e3)))[near].max() < 0.07 * A * K


@pytest.mark.parametrize("angle", [90.0, 0.0, 60.0, 135.0])
def test_convergence_lines_are_found_to_half_a_cell(angle):
    rows = find_convergence_lines(sinusoid(angle=angle), LEAVE)
    assert rows
    for row in rows:
        away = distances([row], angle, 3e3)
        crest = np.round(np.median(away) / 60e3) * 60e3  # which of the lines it is
        assert np.median(np.abs(away - crest)) < current_cell() / 2
        assert np.quantile(np.abs(away - crest), 0.95) < current_cell() / 2
        # central differences take (kΔ)²/6 off the crest, 6-8 %; reading it between nodes half as much
        assert 0.84 * A * K < row["strength"] < A * K
        assert row["kind"] == CONVERGENCE_LINE
        assert row["warm_side"] == ""
        assert np.isnan(row["step"])
        assert row["doubt"] == pytest.approx(current_cell() / 2, rel=0.05)
    # the line through the middle runs from rim to rim
    middle = [row for row in rows if np.abs(distances([row], angle, 3e3)).max() < 10e3]
    assert sum(row["length"] for row in middle) > 150e3


def test_turning_water_is_no_line_and_moves_none(currents):
    """Objectivity: adding a rotation leaves the lines where they are."""
    plain = find_convergence_lines(currents, LEAVE)
    turned = find_convergence_lines(sinusoid(angle=90.0, turn=2e-6), LEAVE)
    assert len(plain) == len(turned)
    for one, other in zip(plain, turned, strict=True):
        assert shapely.hausdorff_distance(one["geometry"], other["geometry"]) < 0.1 * 0.06
        assert other["strength"] == pytest.approx(one["strength"], rel=0.01)
    lon, lat = make_axes(TASMAN, half=1.2, step=0.06)
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    only = make_node("currents", lon, lat, hours(-3, 3), u=-1e-5 * y, v=1e-5 * x)
    assert find_convergence_lines(only, LEAVE) == []


def test_the_flank_of_a_jet_is_no_line():
    """Shear strains as hard as convergence does, yet draws nothing in: u(y) alone."""
    lon, lat = make_axes(TASMAN, half=1.2, step=0.06)
    _, y = PLANE.metres(*np.meshgrid(lon, lat))
    jet = make_node("currents", lon, lat, hours(-3, 3), u=1.2 * np.exp(-0.5 * (y / 20e3) ** 2), v=0.0)
    assert float(attraction(jet, LEAVE)["attraction"].max()) > 1.5e-5
    assert find_convergence_lines(jet, LEAVE) == []


def test_slow_gathering_is_no_line():
    lon, lat = make_axes(TASMAN, half=1.2, step=0.06)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    slow = make_node("currents", lon, lat, hours(-3, 3), u=-0.03 * np.sin(K * x), v=0.0)  # 3e-6 1/s
    assert find_convergence_lines(slow, LEAVE) == []


def test_lines_are_those_of_the_hour_asked_for():
    """Linear in time between two fields, held before the first and after the last."""
    lon, lat = make_axes(TASMAN, half=1.2, step=0.06)
    x, _ = PLANE.metres(*np.meshgrid(lon, lat))
    data = make_node("currents", lon, lat, hours(0, 6, 6.0), u=0.0, v=0.0)
    data["u"].values[1] = -A * np.sin(K * x)
    rate = [
        float(attraction(data, LEAVE + np.timedelta64(h, "h"))["attraction"].sel(lon=161.0, lat=-36.0))
        for h in (-5, 0, 3, 6, 20)
    ]
    assert rate == pytest.approx([0.0, 0.0, rate[3] / 2, rate[3], rate[3]], abs=1e-9)
    assert rate[3] == pytest.approx(A * K, rel=0.07)


# ---- both


def test_fronts_of_a_sea_are_one_table():
    sea = make_simple_sea(
        u=lambda x, _y: -A * np.sin(K * x),
        sst=lambda x, y: tanh_front(x, y, angle=90.0, offset=8e3)[0],
        image_hours=(-36.0, -12.0),
    )
    fronts = find_fronts(sea)
    breaks = fronts[fronts["kind"] == TEMPERATURE_BREAK]
    assert set(breaks["seen_time"]) == set(sea["temperature"]["time"].values)
    assert (breaks["valid_time"] == breaks["seen_time"]).all()
    gathering = fronts[fronts["kind"] == CONVERGENCE_LINE]
    assert set(gathering["valid_time"]) == {sea["temperature"]["time"].values[-1]}
    assert set(breaks["source"]) == {"analytic temperature"}
    assert set(gathering["source"]) == {"analytic currents"}
    later = find_fronts(sea, at=LEAVE)
    assert set(later[later["kind"] == CONVERGENCE_LINE]["valid_time"]) == {LEAVE}


def test_a_plain_sea_has_no_fronts_and_a_covered_picture_none_of_its_own():
    assert find_fronts(make_simple_sea(u=0.3, v=-0.2)).empty
    sea = make_simple_sea(
        sst=[
            lambda x, y: tanh_front(x, y, angle=90.0)[0],
            lambda x, y: np.where(np.hypot(x, y) < 6e3, tanh_front(x, y, angle=90.0)[0], np.nan),
        ],
        image_hours=(-36.0, -12.0),
    )
    fronts = find_fronts(sea)
    assert len(fronts) > 0
    assert set(fronts["seen_time"]) == {sea["temperature"]["time"].values[0]}


def test_a_sea_that_breaks_its_contract_is_refused():
    sea = make_simple_sea()
    del sea["currents"]
    with pytest.raises(SeaError, match="node 'currents' is missing"):
        find_fronts(sea)
