"""Chains to lines: gaps, corners, hysteresis and length, on chains and fields built for it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from seas import TASMAN, Plane, make_axes, make_picture

from searcher.fronts import find_temperature_breaks
from searcher.fronts.trace import Chains, bridge_gaps, cut_corners, lengths, link_chains

PLANE = Plane(TASMAN)
CELL = 0.02
METRES = np.full(200, 1000.0)


def chains_of(*lines, height=1.0, up=(0.0, 1.0)) -> Chains:
    """Chains through (column, row) pairs, their high side `up`."""
    points = np.concatenate([np.asarray(line, dtype=float) for line in lines])
    counts = [len(line) for line in lines]
    offsets = np.concatenate([[0], np.cumsum(counts)])
    every = np.ones(len(points))
    return Chains(*points.T, offsets, height * every, up[0] * every, up[1] * every)


def straight(first, last, *, row=50.0, lean=0.0):
    columns = np.arange(first, last + 1.0)
    return np.column_stack([columns, row + lean * (columns - first)])


@pytest.mark.parametrize(("gap", "joined"), [(1.0, True), (2.0, True), (5.0, True), (9.0, False)])
def test_ends_that_face_each_other_over_a_short_gap_are_joined(gap, joined):
    chains = bridge_gaps(chains_of(straight(10, 30), straight(30 + gap, 60)))
    assert len(chains.counts) == (1 if joined else 2)
    assert chains.columns.size == 21 + 31 - gap


def test_a_line_is_strung_together_whatever_way_its_pieces_run():
    pieces = [straight(10, 30), straight(32, 50)[::-1], straight(52, 70), straight(72, 90)[::-1]]
    for order in ([0, 1, 2, 3], [2, 0, 3, 1], [3, 1, 0, 2]):
        chains = bridge_gaps(chains_of(*[pieces[k] for k in order]))
        assert chains.counts.tolist() == [78]
        assert np.abs(np.diff(chains.columns)).max() == 2.0
        assert len(np.unique(np.sign(np.diff(chains.columns)))) == 1


@pytest.mark.parametrize(
    "other",
    [
        straight(32, 50, row=54.0),  # aside
        [(32.0, 50.0 + k) for k in range(20)],  # across
        straight(32, 50)[:, ::-1] + [0.0, 18.0],  # elsewhere
    ],
    ids=["aside", "across", "elsewhere"],
)
def test_ends_that_do_not_face_each_other_stay_apart(other):
    assert len(bridge_gaps(chains_of(straight(10, 30), other)).counts) == 2


def test_a_front_is_not_joined_to_one_that_is_warm_on_the_other_side():
    one, other = chains_of(straight(10, 30)), chains_of(straight(32, 50), up=(0.0, -1.0))
    both = Chains(*(np.concatenate(pair) for pair in zip(one, other, strict=True)))
    both = both._replace(offsets=np.array([0, 21, 40]))
    assert len(bridge_gaps(both).counts) == 2


def test_the_nearest_and_straightest_of_several_ends_is_taken():
    chains = bridge_gaps(chains_of(straight(10, 30), straight(32, 50), straight(33, 50, row=51.5, lean=0.3)))
    assert sorted(chains.counts) == [18, 40]


def test_a_ring_closes():
    turn = np.radians(np.arange(5.0, 356.0, 5.0))
    ring = np.column_stack([50 + 20 * np.cos(turn), 50 + 20 * np.sin(turn)])
    chains = bridge_gaps(chains_of(ring, up=(np.nan, np.nan)))
    assert (chains.columns[0], chains.rows[0]) == (chains.columns[-1], chains.rows[-1])
    assert lengths(chains, METRES, METRES)[-1] == pytest.approx(2 * np.pi * 20e3, rel=0.01)


def test_a_corner_is_cut_and_a_bend_is_not():
    corner = np.concatenate([straight(10, 30), [(30.0 - 0.3 * k, 50.0 + k) for k in range(1, 20)]])
    assert cut_corners(chains_of(corner)).counts.tolist() == pytest.approx([21, 19], abs=1)
    turn = np.radians(np.arange(0.0, 181.0, 6.0))  # a radius of 8 cells
    bend = np.column_stack([50 + 8 * np.cos(turn), 50 + 8 * np.sin(turn)])
    assert len(cut_corners(chains_of(bend)).counts) == 1


def test_a_line_counts_by_its_highest_point_and_by_its_length():
    weak, strong = chains_of(straight(10, 30), height=1.0), chains_of(straight(10, 30), height=1.0)
    strong.height[7] = 2.0
    for chains, high, least, kept in (
        (weak, 1.5, 1e3, 0),
        (strong, 1.5, 1e3, 1),
        (strong, 1.5, 19.9e3, 1),
        (strong, 1.5, 20.1e3, 0),
    ):
        linked = link_chains(chains, east=METRES, north=METRES, high=high, least_length=least)
        assert len(linked.counts) == kept


@pytest.fixture(scope="module")
def patch():
    lon, lat = make_axes(TASMAN, half=0.7, step=CELL)
    return lon, lat, *PLANE.metres(*np.meshgrid(lon, lat))


def find(patch, field):
    return find_temperature_breaks(make_picture(patch[0], patch[1], field))


@pytest.mark.parametrize("wide", [1, 2])
def test_a_front_is_whole_across_gaps_of_cloud_of_one_or_two_cells(patch, wide):
    _, _, x, _ = patch
    field = 22.0 + np.tanh(x / 3000.0)
    field[np.arange(field.shape[0]) % 20 < wide] = np.nan
    (row,) = find(patch, field)
    assert row["length"] > 120e3


def test_a_front_is_not_drawn_across_a_wide_cloud(patch):
    _, _, x, y = patch
    field = np.where(np.abs(y) < 15e3, np.nan, 22.0 + np.tanh(x / 3000.0))
    assert len(find(patch, field)) == 2


def test_three_waters_that_meet_make_lines_without_corners(patch):
    """Sectors of 20, 22 and 24 °C: fronts along three rays. No line turns more than 75° within 10 km."""
    _, _, x, y = patch
    towards = np.radians([0.0, 120.0, 240.0])[:, None, None]
    lean = (x * np.sin(towards) + y * np.cos(towards)) / 3000.0
    share = np.exp(lean - lean.max(axis=0))
    field = (share * np.array([20.0, 22.0, 24.0])[:, None, None]).sum(axis=0) / share.sum(axis=0)
    rows = find(patch, field)
    assert sum(row["length"] for row in rows) > 200e3
    for row in rows:
        line = shapely.LineString(PLANE.vertices(row["geometry"]))
        places = shapely.line_interpolate_point(line, np.arange(0.0, line.length, 5e3))
        steps = np.diff(shapely.get_coordinates(places), axis=0)
        heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
        assert np.degrees(np.abs(heading[2:] - heading[:-2])).max() < 75.0


@pytest.mark.parametrize("angle", [5.0, 17.0, 33.0, 61.0])
def test_a_slanting_front_has_no_staircase(patch, angle):
    """A staircase of whole cells would turn by 45°; away from the rim no kilometre turns by 3°."""
    _, _, x, y = patch
    away = x * np.sin(np.radians(angle)) + y * np.cos(np.radians(angle))
    (row,) = find(patch, 22.0 + np.tanh(away / 4000.0))
    line = shapely.LineString(PLANE.vertices(row["geometry"]))
    places = shapely.line_interpolate_point(line, np.arange(15e3, line.length - 15e3, 1e3))
    steps = np.diff(shapely.get_coordinates(places), axis=0)
    off = (np.degrees(np.arctan2(steps[:, 1], steps[:, 0])) + angle + 90.0) % 180.0 - 90.0
    assert np.abs(off).max() < 3.0
