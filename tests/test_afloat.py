"""What floats, after the log: against exact tilting, quadrature and a general optimiser; new stretches."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import xarray as xr
from at_sea import after, box_line, log_of, place, planned, trolled
from scipy import integrate, optimize, stats

from searcher.boxes import SWEEP
from searcher.fronts.gathering import LENGTH, lay_stretches
from searcher.geo import LocalPlane, Place
from searcher.learn.afloat import (
    PATCHES,
    POWER,
    SILENT,
    STREAKS,
    UNSURE,
    USUAL,
    condition,
    find_peak,
    likeness,
    look_again,
    way_of,
)
from searcher.learn.afresh import choose_fresh, looked_over
from searcher.reranking import day_at_sea
from searcher.sightings import Sighting

VARIANCE = STREAKS[0] + PATCHES[0]
HERE = Place(153.5, -30.4)


def some_places(count: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-8e3, 8e3, (count, 2))


# ---- the process


def test_entries_alone_tilt_the_normal_distribution_exactly():
    """E[e^g] under a normal prior weighted with e^(p·Σg): exact, e^(p·Σ covariance) (exponential tilting)."""
    places, asked = some_places(3), some_places(5, seed=1)
    got = condition(places, np.zeros(3), np.zeros(3), np.ones(3)).gain(asked)
    assert got == pytest.approx(np.exp(POWER * likeness(asked, places).sum(axis=1)))


@pytest.mark.parametrize(("looked", "noted"), [(5e3, 0), (40e3, 0), (5e3, 1), (40e3, 2)])
def test_one_place_agrees_with_quadrature(looked, noted):
    """The density to be expected at the place itself, by integration over it and the habit of noting."""

    def weight(g, habit):
        rate = USUAL * np.exp(habit + POWER * g) * looked
        prior = stats.norm.pdf(g, -VARIANCE / 2, np.sqrt(VARIANCE)) * stats.norm.pdf(habit, 0, UNSURE)
        return prior * stats.poisson.pmf(noted, rate)

    def mean(function):
        return integrate.dblquad(lambda h, g: function(g) * weight(g, h), -6, 5, -5, 5, epsabs=1e-7)[0]

    exact = mean(np.exp) / mean(np.ones_like)
    here = np.zeros((1, 2))
    got = condition(here, np.zeros(1), np.array([looked]), np.array([float(noted)])).gain(here)
    assert got[0] == pytest.approx(exact, rel=0.12)  # from the peak alone it is a fifth too high


@pytest.mark.parametrize("noted", [(0, 0), (0, 2), (1, 1)])
def test_two_places_agree_with_importance_sampling(noted):
    """What is to be expected there and beside, weighed over half a million draws of the prior."""
    rng, looked, noted = np.random.default_rng(3), np.full(2, 40e3), np.array(noted, dtype=float)
    places, asked = np.array([[0.0, 0.0], [3e3, 0.0]]), np.array([[0.0, 0.0], [1500.0, 2e3], [8e3, 0.0]])
    everywhere = np.concatenate([places, asked])
    drawn = rng.multivariate_normal(
        np.full(5, -VARIANCE / 2), likeness(everywhere, everywhere), 500_000, method="cholesky"
    )
    habit = rng.normal(0.0, UNSURE, (len(drawn), 1))
    weight = stats.poisson.pmf(noted, looked * USUAL * np.exp(habit + POWER * drawn[:, :2])).prod(axis=1)
    exact = np.average(np.exp(drawn[:, 2:]), axis=0, weights=weight)
    got = condition(places, np.zeros(2), looked, noted).gain(asked)
    assert got == pytest.approx(exact, rel=0.12)
    assert got[1:] == pytest.approx(exact[1:], rel=0.09)


def test_along_a_way_it_is_what_a_markov_chain_finds():
    """Thirty kilometres looked over, one gathering met in their middle: elliptical slice sampling.

    Murray, Adams & MacKay 2010, JMLR W&CP 9:541-548.
    """
    rng = np.random.default_rng(8)
    places = np.column_stack([np.r_[np.linspace(-15e3, 15e3, 20), 0.0], np.zeros(21)])
    looked, noted = np.r_[np.full(20, 1500.0), 0.0], np.r_[np.zeros(20), 1.0]
    asked = np.array([[0.0, 0.0], [2e3, 0.0]])
    everywhere = np.concatenate([places, asked])
    covariance = np.zeros((24, 24))
    covariance[:23, :23], covariance[23, 23] = likeness(everywhere, everywhere), UNSURE**2
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(24))

    def likely(f):
        height = np.log(USUAL) - POWER**2 * VARIANCE / 2 + POWER * f[:21] + f[23]
        return noted @ height - looked @ np.exp(height)

    now, chain = np.zeros(24), []
    for _ in range(20_000):
        other, level = root @ rng.normal(size=24), likely(now) + np.log(rng.uniform())
        angle = rng.uniform(0.0, 2 * np.pi)
        low, high = angle - 2 * np.pi, angle
        while likely(now * np.cos(angle) + other * np.sin(angle)) <= level:
            low, high = (angle, high) if angle < 0.0 else (low, angle)
            angle = rng.uniform(low, high)
        now = now * np.cos(angle) + other * np.sin(angle)
        chain.append(np.exp(now[21:23] - VARIANCE / 2))
    exact = np.mean(chain, axis=0)
    got = condition(places, np.zeros(21), looked, noted).gain(asked)
    assert got == pytest.approx(exact, rel=0.06)


def test_the_peak_is_that_of_a_general_optimiser():
    places = some_places(12, seed=3)
    mapped = np.random.default_rng(4).normal(0.0, 0.4, 12)
    looked = np.r_[np.full(9, 6e3), np.zeros(3)]
    noted = np.r_[np.zeros(9), np.ones(3)]
    before = POWER**2 * likeness(places, places) + UNSURE**2
    middle = np.log(USUAL) + POWER * mapped - POWER**2 * VARIANCE / 2
    inverse = np.linalg.inv(before)

    def cost(h):
        return (looked * np.exp(h) - noted * h).sum() + (h - middle) @ inverse @ (h - middle) / 2

    peak = optimize.minimize(cost, middle, method="BFGS", options={"gtol": 1e-9}).x
    pull, _ = find_peak(before, middle, looked, noted)
    assert middle + before @ pull == pytest.approx(peak, abs=1e-4)


def test_what_is_met_or_missed_tells_of_what_is_near():
    steps = np.column_stack([np.linspace(-3e3, 3e3, 5), np.zeros(5)])
    asked = np.array([[0.0, 0.0], [0.0, 4e3], [0.0, 80e3]])
    blank = condition(steps, np.zeros(5), np.full(5, 4e3), np.zeros(5)).gain(asked)
    met = condition(np.zeros((1, 2)), np.zeros(1), np.zeros(1), np.ones(1)).gain(asked)
    assert blank[0] < blank[1] < 1.0 < met[1] < met[0]
    assert blank[2] == pytest.approx(1.0, abs=0.01)
    assert met[2] == pytest.approx(1.0, abs=0.01)
    assert condition(steps[:0], np.zeros(0), np.zeros(0), np.zeros(0)).gain(asked).tolist() == [1.0] * 3


# ---- the way of a boat


def day_of(*entries: Sighting, hour: float = 4.0):
    plan = planned()
    return day_at_sea(plan, log_of(*entries), after(hour))


def test_the_way_is_as_long_as_what_was_trolled_and_run():
    first, second = trolled(planned(), 1, 1.0, 1.8), trolled(planned(), 2, 2.6, 3.4)
    way = way_of(day_of(first))
    assert way.looked.sum() >= LocalPlane(HERE).to_plane(first.place).length * 0.99
    assert way.noted.sum() == 0
    assert way_of(day_of(first, second)).looked.sum() > way.looked.sum()


def test_after_an_entry_absence_says_nothing_for_a_while():
    stretch = trolled(planned(), 1, 1.0, 2.0)
    middle = shapely.line_interpolate_point(stretch.place, 0.5, normalized=True)
    seen = Sighting("weed line", middle, after(1.5))
    plain, met = way_of(day_of(stretch)), way_of(day_of(stretch, seen))
    assert met.noted.sum() == 1
    lost = (plain.looked.sum() - met.looked.sum()) / plain.looked.sum()
    assert 0.0 < lost <= 2.0 * SILENT / 3600.0


def test_the_map_is_raised_where_weed_was_met_and_nowhere_else():
    plan = planned()
    middle = shapely.line_interpolate_point(box_line(plan, 1), 0.5, normalized=True)
    quiet = look_again(day_of(), plan.range_polygon)
    assert quiet["gain"].values == pytest.approx(1.0)
    found = look_again(day_of(Sighting("weed line", middle, after(4.0))), plan.range_polygon)
    assert float(found["gain"].sel(lon=middle.x, lat=middle.y, method="nearest")) > 2.0
    assert float(found["gain"].min()) == pytest.approx(1.0, abs=0.02)


# ---- new stretches


def flat_map(gain: float = 2.0) -> xr.Dataset:
    lon, lat = np.arange(153.3, 153.71, 0.01), np.arange(-30.6, -30.19, 0.01)
    fields = {name: (("lat", "lon"), np.full((lat.size, lon.size), gain)) for name in ("density", "gain")}
    return xr.Dataset(fields, {"lat": lat, "lon": lon})


def test_new_stretches_take_water_from_each_other():
    """Over even matter none lies in the strip of another for more than a crossing, nor in what is used."""
    plane = LocalPlane(HERE)
    ends = lay_stretches(shapely.Point(0, 0).buffer(9e3))
    used = shapely.linestrings([[[-9e3, 0.0], [9e3, 0.0]]])
    chosen = choose_fresh(ends, flat_map(), plane, used, most=6)
    assert len(chosen) == 6
    lines = [*used, *shapely.linestrings(ends[chosen])]
    shares = looked_over(plane.to_degrees(np.array(lines)), plane.to_degrees(np.array(lines)))
    shared = shares - np.eye(len(lines))
    assert shared[:, 1:].max() < 4 * SWEEP / LENGTH


def test_no_new_stretch_without_a_reason():
    ends = lay_stretches(shapely.Point(0, 0).buffer(9e3))
    nothing = np.array([], dtype=object)
    dull = flat_map().assign(gain=flat_map(1.0)["gain"])
    assert choose_fresh(ends, dull, LocalPlane(HERE), nothing) == []
    assert choose_fresh(ends, flat_map(1.0) * 1.05, LocalPlane(HERE), nothing) == []


def test_a_strip_holds_what_was_trolled_along_it():
    """A track along the line wholly, one across it by the width of the strip, one aside not at all."""
    plane = LocalPlane(place(0.0, 0.0))
    line = plane.to_degrees(shapely.linestrings([[[0.0, 0.0], [0.0, 6000.0]]]))
    tracks = plane.to_degrees(
        shapely.linestrings(
            [[[50.0, 0.0], [50.0, 6000.0]], [[-3e3, 3e3], [3e3, 3e3]], [[900.0, 0.0], [900.0, 6e3]]]
        )
    )
    assert looked_over(line, tracks)[0] == pytest.approx([1.0, SWEEP / 6000.0, 0.0], abs=2e-3)
