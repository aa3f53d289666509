"""What floats, from where it was met and where it was not: the morning's map, corrected on the way.

Weed lines and debris are noted along the boat's way at a rate that rises with a power of the density of what
floats, since a gathering is noted and not a single piece. The ln of that density is the morning's map plus a
Gaussian process; entries are Poisson, and so is that there were none: a log-Gaussian Cox process (Møller,
Syversveen & Waagepetersen 1998, Scand. J. Stat. 25:451-482), its posterior by Laplace's approximation
(Rasmussen & Williams 2006, *Gaussian Processes for Machine Learning*, § 3.4) with its mean to second order,
as in `searcher.learn.weights`. All is reckoned in the water, which has carried on by now what was met.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
import xarray as xr

from searcher.geo import LocalPlane, Place, densify, line_distances, line_length
from searcher.learn.day import Day
from searcher.sea import to_seconds, to_times
from searcher.sightings.entry import STRETCHES
from searcher.tables import DEBRIS, WEED_LINE

#: what was seen of it
NOTED = (WEED_LINE, DEBRIS)
#: how much (variance of ln density) and how far (m) the sea departs from the map: in streaks and in patches;
#: measured in built-in seas
STREAKS, PATCHES = (0.45, 2500.0), (0.25, 12e3)
#: gatherings noted per metre of way where the map says 1, how unsure that is (1-sigma of its ln), and with
#: which power of the density they come
USUAL, UNSURE, POWER = 0.02e-3, 1.0, 1.6
#: after one entry the next is made this much later, s, however much floats there
SILENT = 1200.0
#: the way is looked at in steps of so many m
STEP = 1500.0
#: between two stretches of the log the boat ran straight if that takes no more than so many times as long
STRAIGHT = 1.6
MOST_STEPS, CLOSE = 50, 1e-9
#: of the corrected map, degrees; and its least density, for the ln
CELL, TRACE = 0.015, 0.05


@dataclass(frozen=True)
class Way:
    """Where a boat looked about: places now (n, 2), degrees; `looked`: m of way; `noted`: gatherings met."""

    places: np.ndarray
    looked: np.ndarray
    noted: np.ndarray


def way_of(day: Day) -> Way:
    """The way of the log so far, in the water as it lies now.

    Stretches trolled, and straight between them where the boat had no time for more. What follows an entry
    within `SILENT` says nothing, neither that there was more nor that there was none.
    """
    seen = day.log[day.log["kind"].isin(NOTED)]
    met = to_seconds(seen["time"].to_numpy())
    parts = [_steps(line, *hours) for line, *hours in _tracks(day)]
    xy, time, length = (
        np.concatenate([part[k] for part in parts]) if parts else np.zeros((0, 2) if k == 0 else 0)
        for k in range(3)
    )
    since = time[:, None] - met[None, :]
    silent = ((since > 0.0) & (since < SILENT)).any(axis=1)
    xy = np.concatenate([xy[~silent], shapely.get_coordinates(seen.geometry.values).reshape(-1, 2)])
    time = np.concatenate([time[~silent], met])
    looked = np.concatenate([length[~silent], np.zeros(met.size)])
    noted = np.concatenate([np.zeros(looked.size - met.size), np.ones(met.size)])
    if not time.size:
        return Way(xy, looked, noted)
    lon, lat, afloat = day.drift.carry(xy[:, 0], xy[:, 1], time, day.now, windage=day.drift.windage)
    return Way(np.column_stack([lon, lat])[afloat], looked[afloat], noted[afloat])


def _tracks(day: Day) -> list[tuple[shapely.LineString, float, float]]:
    """What the boat is known to have followed: lines with the seconds at both ends."""
    log = day.log[day.log["kind"].isin(STRETCHES)].sort_values(["time", "end"], kind="stable")
    stretches = [
        (
            row.geometry,
            float(to_seconds(row.time.to_datetime64())),
            float(to_seconds(row.end.to_datetime64())),
        )
        for row in log.itertuples()
    ]
    buoy = shapely.LineString([day.trip.port.sea_buoy] * 2)
    leave = float(to_seconds(day.trip.window.start))
    runs = []
    for (before, _, end), (after, begin, _) in pairwise([(buoy, leave, leave), *stretches]):
        run = shapely.LineString([before.coords[-1], after.coords[0]])
        length = line_length(run)
        least = length / day.trip.boat.cruise
        if length > STEP and least <= 1.2 * (begin - end) <= 1.2 * STRAIGHT * least:
            runs.append((run, end, begin))
    return [*stretches, *runs]


def _steps(line: shapely.LineString, start: float, end: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The middles of the steps of a track: places (n, 2), seconds, lengths (m)."""
    xy = shapely.get_coordinates(densify(line, STEP))
    along = line_distances(xy)
    middle, length = (xy[1:] + xy[:-1]) / 2, np.diff(along)
    share = (along[1:] + along[:-1]) / 2 / max(along[-1], 1e-9)
    return middle, start + (end - start) * share, length


# ---- the process


def likeness(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Covariance of what the sea's ln density has beyond the map, between places (m), (n, m)."""
    square = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2)
    (narrow, near), (wide, far) = STREAKS, PATCHES
    return narrow * np.exp(-np.sqrt(square) / near) + wide * np.exp(-square / (2 * far**2))


@dataclass(frozen=True)
class Met:
    """What was met, for conditioning: places (n, 2; m), `pull` (n,) and the root of `sure` (n, n)."""

    places: np.ndarray
    pull: np.ndarray
    root: np.ndarray

    def gain(self, places: np.ndarray) -> np.ndarray:
        """By how many times there is more than the map says at places (m, 2; m), to be expected, (m,)."""
        if not self.pull.size:
            return np.ones(len(places))
        shared = POWER * likeness(places, self.places)
        return np.exp(shared @ self.pull - ((shared @ self.root) ** 2).sum(axis=1) / 2)


def condition(places: np.ndarray, mapped: np.ndarray, looked: np.ndarray, noted: np.ndarray) -> Met:
    """What entries and their absence tell: places (n, 2; m), ln of the map, m of way looked over, counts.

    The map is the mean of the density, so the mean of its ln is lower by half the variance. Counts make the
    posterior lean: with C the covariance of the ln rates after all, and μ the counts to be expected at the
    peak, its mean is off the peak by -½ C(μ∘diag C) (Lindley 1980; a Poisson likelihood's third derivatives
    are -μ). In `pull`, which times the prior covariance makes that, it is -½ (1 - sure·before)(μ∘diag C).
    """
    if not noted.any() and not looked.any():
        return Met(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 0)))
    before = POWER**2 * likeness(places, places) + UNSURE**2
    middle = np.log(USUAL) + POWER * mapped - POWER**2 * (STREAKS[0] + PATCHES[0]) / 2
    pull, root = find_peak(before, middle, looked, noted)
    variance = np.diag(before) - ((before @ root) ** 2).sum(axis=1)
    lean = (noted - pull) * variance
    return Met(places, pull - (lean - root @ (root.T @ (before @ lean))) / 2, root)


def find_peak(
    before: np.ndarray, middle: np.ndarray, looked: np.ndarray, noted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The peak of the posterior of ln rates, by Newton's steps: `pull` and `root`, as of `Met`.

    before: their covariance beforehand, (n, n); middle: their mean beforehand. The peak is at
    middle + before·pull, and there pull = noted - what is to be expected.
    """
    pull = np.zeros(noted.size)
    height = middle.copy()
    for _ in range(MOST_STEPS):
        expected = looked * np.exp(np.minimum(height, 30.0))
        half = np.sqrt(expected)
        bend = np.eye(noted.size) + half[:, None] * before * half[None, :]
        wanted = expected * (height - middle) + noted - expected
        pull = wanted - half * np.linalg.solve(bend, half * (before @ wanted))
        later = middle + before @ pull
        done = np.abs(later - height).max() < CLOSE
        height = height + np.clip(later - height, -3.0, 3.0)
        if done:
            break
    # half·bend⁻¹·half = root·rootᵀ
    return pull, half[:, None] * np.linalg.inv(np.linalg.cholesky(bend)).T


def look_again(day: Day, around: shapely.Geometry, *, step: float = CELL) -> xr.Dataset | None:
    """The map of floating matter around a shape (degrees) as it is to be expected now, after the log.

    None without a morning's map. As of `searcher.fronts.floating`, with `gain`: by how many times the log has
    raised what is to be expected.
    """
    floating = day.observer.floating
    if floating is None:
        return None
    west, south, east, north = around.bounds
    lon, lat = np.arange(west - step, east + 2 * step, step), np.arange(south - step, north + 2 * step, step)
    x, y = (a.ravel() for a in np.meshgrid(lon, lat))
    mapped = _mapped(day, np.column_stack([x, y]))
    way = way_of(day)
    plane = LocalPlane(Place(float(lon.mean()), float(lat.mean())))
    known = _mapped(day, way.places)
    kept = np.isfinite(known)
    met = condition(plane.xy_of(way.places[kept]), np.log(known[kept]), way.looked[kept], way.noted[kept])
    gain = met.gain(plane.xy_of(np.column_stack([x, y])))
    shape = (lat.size, lon.size)
    fields = {"density": mapped * gain, "gain": gain}
    return xr.Dataset(
        {name: (("lat", "lon"), values.reshape(shape)) for name, values in fields.items()},
        {"lat": lat, "lon": lon, "time": to_times(day.now)},
        {"days": floating.attrs["days"]},
    )


def _mapped(day: Day, places: np.ndarray) -> np.ndarray:
    """The morning's map of the water that is at some places (degrees) now, (n,); NaN where it has none."""
    lon, lat = places.T
    return np.maximum(day.observer.density(lon, lat, day.now), TRACE)
