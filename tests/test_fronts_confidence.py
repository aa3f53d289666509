"""How sure a line is: more evidence never tells less, what is told comes true, and nothing is left unsaid."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from front_scenes import CENTRE, PLANE, RATIOS, draw_scene, score_lines
from hypothesis import example, given, settings
from hypothesis import strategies as st
from seas import make_axes, make_picture, tanh_front

from searcher.fronts import temperature
from searcher.fronts.confidence import (
    LEAST_CONFIDENCE,
    TERMS,
    confidence_of,
    share_of_masses,
    windows_around,
)
from searcher.kernels.histogram import SIZE, STEP
from searcher.sea import grid_of

LON, LAT = make_axes(CENTRE, half=0.7, step=0.02)
X, Y = PLANE.metres(*np.meshgrid(LON, LAT))


def line_across(offset: float = 0.0) -> shapely.LineString:
    """A line due east through the middle, `offset` m north of it."""
    return PLANE.line([(-40e3, offset), (40e3, offset)])


def row_of(
    line: shapely.LineString, *, step=1.0, step_doubt=0.2, strength=2e-4, strength_doubt=4e-5, evidence=7.0
):
    """What a row says that counts."""
    return {
        "geometry": line,
        "step": step,
        "step_doubt": step_doubt,
        "strength": strength,
        "strength_doubt": strength_doubt,
        "evidence": evidence,
    }


@pytest.fixture(scope="module")
def front():
    """A picture of a front due east through the middle, warm to the north, in noise of 0.1 °C."""
    field, _ = tanh_front(X, Y, angle=0.0, step=1.0, width=3000.0)
    return make_picture(LON, LAT, field + np.random.default_rng(2).normal(0.0, 0.1, field.shape))


def test_no_line_has_no_confidence(front):
    assert confidence_of([], front).shape == (0,)


@settings(max_examples=30, deadline=None)
@given(
    step=st.floats(0.01, 5.0),
    more=st.floats(1.0, 20.0),
    which=st.sampled_from(["step", "strength", "step_doubt", "strength_doubt", "evidence"]),
)
def test_more_evidence_never_tells_less(front, step, more, which):
    """A larger step or slope, or a smaller error of either."""
    weak = row_of(line_across(), step=step)
    strong = dict(weak)
    strong[which] = weak[which] / more if which.endswith("doubt") else weak[which] * more
    low, high = confidence_of([weak, strong], front)
    assert low <= high


def test_a_line_where_two_water_masses_meet_is_surer(front):
    """The same section, on the front and well to the side of it."""
    on, off = confidence_of([row_of(line_across()), row_of(line_across(25e3))], front)
    assert on > off
    grid = grid_of(front.to_dataset(name="sst"))
    beside, away = share_of_masses([line_across(), line_across(25e3)], front.values, grid)
    assert beside > 0.4  # windows that hold too little of one side of it count as well
    assert away == 0.0


def test_the_test_of_masses_asks_for_no_unit(front):
    """In kelvin, hundredths or decades the same windows see two masses: θ is unchanged by aT + b."""
    row = row_of(line_across())
    told = confidence_of([row], front)
    assert confidence_of([row], 0.01 * front + 273.15) == pytest.approx(told, abs=0.02)


@settings(max_examples=30, deadline=None)
@example(values=[1.0, 5e-324, 0.0, np.nan, np.nan])  # the quotient overflows
@given(
    values=st.lists(
        st.one_of(st.floats(0.0, 1e6), st.just(np.nan), st.just(np.inf), st.just(1e-300)),
        min_size=5,
        max_size=5,
    )
)
def test_never_nan_and_always_a_probability(front, values):
    names = ("step", "step_doubt", "strength", "strength_doubt", "evidence")
    told = confidence_of([row_of(line_across(), **dict(zip(names, values, strict=True)))], front)
    assert np.isfinite(told).all()
    assert ((told >= 0.0) & (told <= 1.0)).all()


@pytest.mark.parametrize("size", [6, SIZE - 1])
def test_a_picture_smaller_than_a_window_counts_as_usual(size):
    picture = make_picture(LON[:size], LAT[:size], np.full((size, size), 20.0))
    line = shapely.LineString([(LON[1], LAT[1]), (LON[size - 2], LAT[size - 2])])
    grid = grid_of(picture.to_dataset(name="sst"))
    assert np.isnan(share_of_masses([line], picture.values, grid)).all()
    assert np.isfinite(confidence_of([row_of(line)], picture)).all()


def test_under_cloud_no_window_is_tested(front):
    hidden = front.where(np.abs(Y) > 60e3)
    grid = grid_of(front.to_dataset(name="sst"))
    assert np.isnan(share_of_masses([line_across()], hidden.values, grid)).all()


def test_windows_around_a_node_are_those_that_hold_it():
    shape = (100, 130)
    rng = np.random.default_rng(4)
    for j, i in zip(rng.integers(0, shape[0], 30), rng.integers(0, shape[1], 30), strict=True):
        wanted = windows_around(np.array([j]), np.array([i]), shape)
        expected = [
            [0 <= j - b * STEP < SIZE and 0 <= i - a * STEP < SIZE for a in range(wanted.shape[1])]
            for b in range(wanted.shape[0])
        ]
        np.testing.assert_array_equal(wanted, expected)


def test_every_weight_speaks_for_a_front():
    assert all(term.weight >= 0.0 for term in TERMS.values())
    assert 0.0 < LEAST_CONFIDENCE < 1.0


def test_what_is_told_comes_true_on_fresh_scenes(monkeypatch):
    """Reliability on scenes that taught nothing (seeds from 5000): sure lines are true, unsure ones not.

    Lines of all that the detector traces, before any is dropped for its confidence.
    """
    monkeypatch.setattr(temperature, "LEAST_CONFIDENCE", 0.0, raising=False)
    told, true, length = [], [], []
    for ratio in RATIOS:
        for seed in range(5000, 5012):
            scene = draw_scene(seed, ratio=ratio)
            rows = temperature.find_temperature_breaks(scene.picture)
            told.extend(confidence_of(rows, scene.picture))
            for row in rows:
                score = score_lines(scene, [row["geometry"]], np.empty((0, 2)))
                true.append(1.0 - score.false / max(score.found, 1))
                length.append(row["length"])
    told, true, length = map(np.array, (told, true, length))
    sure, unsure = told >= 0.8, told < LEAST_CONFIDENCE
    assert np.average(true[sure], weights=length[sure]) > 0.9
    if length[unsure].sum() > 1e6:
        assert np.average(true[unsure], weights=length[unsure]) < 0.5
    kept = ~unsure
    assert np.average(told[kept], weights=length[kept]) == pytest.approx(
        np.average(true[kept], weights=length[kept]), abs=0.15
    )
