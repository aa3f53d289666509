"""The section fitted across a line, against analytic tanh fronts whose step, width and place are known."""

from __future__ import annotations

import numpy as np
import pytest
from entries import enter
from line_twins import descend
from seas import TASMAN, Plane, make_axes, make_picture

from searcher.fronts import find_temperature_breaks
from searcher.fronts.section import MOST_TURN, cut_stretches, fit_lines
from searcher.fronts.trace import Chains
from searcher.kernels import section, tanh

CELL = 1000.0
HALF = 40  # cells
BACKGROUND = 1.5e-5  # °C/m
STEP = 1.0
SEEDS = 60


def draw(seed: int, *, half_width: float, noise: float, gaps: float = 0.0):
    """T = b·d + step/2·tanh(d/w) under noise, and a line laid beside d = 0, some of a cell off; its frame."""
    rng = np.random.default_rng(seed)
    angle, off = rng.uniform(0.0, 2 * np.pi), rng.normal(0.0, 0.3 * CELL)
    axis = CELL * np.arange(-HALF, HALF + 1)
    x, y = np.meshgrid(axis, axis)
    across = np.array([np.sin(angle), np.cos(angle)])
    away = x * across[0] + y * across[1]
    field = 20.0 + rng.normal(0.0, BACKGROUND) * away + 0.5 * STEP * np.tanh(away / half_width)
    field += rng.normal(0.0, noise, field.shape)
    field[rng.random(field.shape) < gaps] = np.nan
    along = np.arange(-30e3, 30e3, CELL)
    places = off * across + along[:, None] * [-across[1], across[0]]
    count = np.ones(along.size)
    cells = places / CELL + HALF
    line = Chains(*cells.T, np.array([0, along.size]), 1e-4 * count, across[0] * count, across[1] * count)
    return field.astype(np.float32), line, across


def fit(field, line, *, noise: float):
    metres = np.full(2 * HALF + 1, CELL)
    return fit_lines(field, line, east=metres, north=metres, sigma=3e3, noise=noise, background=BACKGROUND)


@pytest.mark.parametrize("gaps", [0.0, 0.5])
@pytest.mark.parametrize(("half_width", "noise"), [(1500.0, 0.1), (2500.0, 0.3), (4000.0, 0.1)])
def test_told_errors_are_those_made(half_width, noise, gaps):
    """Errors over told errors have a spread of 1 and a mean of 0, within what 60 seeds can tell (0.09, 0.13).

    A line of 60 km; step, strength = step/2w, and the place of the line from that of the front.
    """
    steps, strengths, places, told = [], [], [], []
    for seed in range(SEEDS):
        field, line, across = draw(seed, half_width=half_width, noise=noise, gaps=gaps)
        moved, found = fit(field, line, noise=noise)
        steps.append((found.step[0] - STEP) / found.step_doubt[0])
        strengths.append((found.strength[0] - STEP / (2 * half_width)) / found.strength_doubt[0])
        away = (np.column_stack([moved.columns, moved.rows]) - HALF) * CELL @ across
        places.append(np.mean(away**2))
        told.append(found.place_doubt[0] ** 2)
    for pulls in (steps, strengths):
        assert 0.8 < np.std(pulls) < 1.25
        assert abs(np.mean(pulls)) < 0.5
    # the line laid 300 m off is brought back as far as is told
    assert 0.6 < np.sqrt(np.mean(places) / np.mean(told)) < 1.25
    assert np.sqrt(np.mean(places)) < (200.0 if noise < 0.2 else 400.0)


def test_no_stretch_is_a_point_however_uneven_and_crooked_its_line():
    """Stretches of a line share the points where they meet, and cover it from its first to its last."""
    rng = np.random.default_rng(8)
    counts = rng.integers(3, 12, 400)
    ends = np.cumsum(counts)
    along = np.concatenate([np.cumsum(rng.exponential(2e3, count)) for count in counts])
    along -= np.repeat(along[ends - counts], counts)
    bearing = np.cumsum(rng.normal(0.0, 1.5, along.size))
    nothing = np.zeros(along.size)
    offsets = np.concatenate([[0], ends])
    chains = Chains(nothing, nothing, offsets, nothing, np.sin(bearing), np.cos(bearing))
    cut = cut_stretches(chains, along, 10e3)
    assert (cut.last > cut.first).all()
    assert (cut.first[cut.lines[:-1]] == offsets[:-1]).all()
    assert (cut.last[cut.lines[1:] - 1] == ends - 1).all()
    within = np.ones(cut.first.size, dtype=bool)
    within[cut.lines[:-1]] = False
    assert (cut.first[within] == cut.last[np.flatnonzero(within) - 1]).all()


def test_a_stretch_of_an_even_ring_turns_no_more_than_it_may():
    """A circle of 50 km, cut by length alone into five of 72°: six of 60°."""
    turn = np.linspace(0.0, 2.0 * np.pi, 101)
    nothing = np.zeros(turn.size)
    chains = Chains(nothing, nothing, np.array([0, turn.size]), nothing, np.cos(turn), np.sin(turn))
    cut = cut_stretches(chains, turn * 8e3, 10e3)
    assert cut.first.size == 2.0 * np.pi / MOST_TURN
    assert (np.diff(turn)[0] * (cut.last - cut.first) <= MOST_TURN + np.diff(turn)[0]).all()


@pytest.mark.parametrize("half_width", [1500.0, 2500.0, 4000.0])
def test_steps_of_fronts_of_any_width_are_told_without_bias(half_width):
    found = []
    for seed in range(SEEDS):
        field, line, _ = draw(seed, half_width=half_width, noise=0.05)
        sections = fit(field, line, noise=0.05)[1]
        found.append([sections.step[0], sections.width[0]])
    step, width = np.median(found, axis=0)
    assert step == pytest.approx(STEP, rel=0.02)
    assert width == pytest.approx(2 * half_width, rel=0.03)


def test_a_step_beside_another_is_told_by_itself():
    """Fronts 14 km apart, 1 and 2 °C: each is fitted out to half-way between them."""
    plane = Plane(TASMAN)
    lon, lat = make_axes(TASMAN, half=0.5, step=0.01)
    x, _ = plane.metres(*np.meshgrid(lon, lat))
    field = 20.0 + 0.5 * np.tanh((x + 7e3) / 1500.0) + np.tanh((x - 7e3) / 1500.0)
    field += np.random.default_rng(1).normal(0.0, 0.05, field.shape)
    rows = find_temperature_breaks(make_picture(lon, lat, field))
    first, second = sorted(rows, key=lambda row: row["geometry"].centroid.x)
    assert first["step"] == pytest.approx(1.0, abs=4 * first["step_doubt"])
    assert second["step"] == pytest.approx(2.0, abs=4 * second["step_doubt"])
    assert first["step_doubt"] < 0.1
    assert second["step_doubt"] < 0.1


@pytest.mark.parametrize("across", [15e3, 20e3, 25e3])
def test_both_flanks_of_a_filament_are_told_on_a_coarse_grid(across):
    """A filament a few cells wide, 1.5 °C colder, in noise of 0.1 °C: its flanks rise by step·tanh(a/2w)."""
    plane = Plane(TASMAN)
    lon, lat = make_axes(TASMAN, half=1.5, step=0.05)
    x, y = plane.metres(*np.meshgrid(lon, lat))
    away = 0.8 * x + 0.6 * y
    half_width, step = 3e3, 1.5
    dip = np.tanh((away + 0.5 * across) / half_width) - np.tanh((away - 0.5 * across) / half_width)
    field = 20.0 - 0.5 * step * dip + np.random.default_rng(3).normal(0.0, 0.1, x.shape)
    rows = [row for row in find_temperature_breaks(make_picture(lon, lat, field)) if row["length"] > 150e3]
    assert len(rows) == 2
    for row in rows:
        assert row["step"] == pytest.approx(
            step * np.tanh(0.5 * across / half_width), abs=4 * row["step_doubt"]
        )
        assert row["step_doubt"] < 0.2 * step
        assert row["confidence"] > 0.9


def test_a_line_seen_now_from_one_side_and_now_from_the_other_keeps_its_step():
    """Cloud over one side of half the line and over the other side of the rest: no level can be shared.

    By the means of what is seen, one half would stand as high as the other, and the step would be lost.
    """
    pulls = []
    for seed in range(20):
        field, line, across = draw(seed, half_width=4000.0, noise=0.1)
        axis = CELL * np.arange(-HALF, HALF + 1)
        along = axis * -across[1] + axis[:, None] * across[0]
        away = axis * across[0] + axis[:, None] * across[1]
        field[(along < 0) & (away < -1e3) | (along >= 0) & (away > 1e3)] = np.nan
        found = fit(field, line, noise=0.1)[1]
        pulls.append((found.step[0] - STEP) / found.step_doubt[0])
        assert found.step[0] > 0.5 * STEP
    assert np.median(np.abs(pulls)) < 2.0


def test_evidence_is_small_in_a_slope_and_grows_with_the_root_of_the_length():
    """A slope alone is no step; twice the length at the same noise has √2 times the sigma."""
    evidence = {"slope": [], "short": [], "long": []}
    for seed in range(20):
        field, line, across = draw(seed, half_width=2500.0, noise=0.3)
        evidence["long"].append(fit(field, line, noise=0.3)[1].evidence[0])
        half = line.at(np.arange(15, 45), np.array([30]))
        evidence["short"].append(fit(field, half, noise=0.3)[1].evidence[0])
        axis = CELL * np.arange(-HALF, HALF + 1)
        plain = 5e-5 * (axis * across[0] + axis[:, None] * across[1])
        noisy = plain + np.random.default_rng(seed).normal(0.0, 0.3, plain.shape)
        evidence["slope"].append(fit(noisy.astype(np.float32), line, noise=0.3)[1].evidence[0])
    assert np.max(evidence["slope"]) < 4.0
    assert np.mean(evidence["long"]) / np.mean(evidence["short"]) == pytest.approx(np.sqrt(2.0), rel=0.1)


@pytest.mark.parametrize(
    ("half_width", "place"),
    [(2000.0, 0.0), (60e3, 0.0), (200.0, 500.0), (40e3, 8000.0), (3000.0, 11e3)],
    ids=["inside", "too wide", "too narrow", "wide and far off", "too far off"],
)
def test_a_fit_at_its_bounds_is_that_of_scipy(half_width, place):
    """Least squares within bounds, against `scipy.optimize.least_squares` (trust region, reflective)."""
    rng = np.random.default_rng(3)
    n = np.linspace(-9.8e3, 9.8e3, section.BINS)
    count, narrowest, reach, noise, background, middle = 40.0, 600.0, 20e3, 0.1, 2e-5, np.log(3e3)
    t = 18.0 + 1e-5 * n + 0.8 * np.tanh((n - place) / half_width) + rng.normal(0.0, noise / 6, n.size)
    sums = np.stack([one * count for one in (n**0, n, n * n, t, n * t, t * t)], axis=1)
    found, room = np.zeros(5), (np.empty((5, 5)), np.empty(5))
    enter(tanh.start)(sums, found, noise, background, middle, narrowest, reach, *room)
    begun = found.copy()
    assert enter(tanh.fit)(sums, found, noise, background, middle, narrowest, reach, *room)
    prior = np.array([1.0 / background, 1.0 / tanh.WIDTH_SPREAD])
    weight = np.full(n.size, np.sqrt(count) / noise)
    given = n, t, weight, prior, middle

    def misfit(p):
        shape = p[0] + p[1] * n + 0.5 * p[2] * np.tanh((n - p[3]) / np.exp(p[4]))
        return ((weight * (shape - t)) ** 2).sum() + (prior**2 * [p[1] ** 2, (p[4] - middle) ** 2]).sum()

    known = descend(begun, *given, np.log([narrowest, reach]))
    assert misfit(found) <= misfit(known) * (1 + 1e-4)
    assert abs(found[3]) <= 0.5 * reach * (1 + 1e-12)
    assert np.log(narrowest) - 1e-12 <= found[4] <= np.log(reach) + 1e-12
