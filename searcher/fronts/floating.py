"""How dense floating matter lies, from many particles that drift.

Matter enters everywhere over days, is carried by the currents and a share of the wind, wanders by motions too
small to be resolved, and is lost where it meets the shore. Its density obeys ∂ρ/∂t + ∇·(uρ) = K∇²ρ + S; the
solution at a place is the mean of S·exp(-∫∇·u) over particles that are followed back from there, each with a
random walk and a windage of its own (Feynman-Kac; e.g. Gardiner 2009, *Stochastic Methods*, from memory).
Following back puts every particle where the answer is wanted: forward, most of them end elsewhere, and the
density between lines hangs on a handful.

What currents of a few kilometres leave out, the overturning at temperature fronts, is laid on top of them
where the sea has a map of its temperature (`searcher.fronts.circulation`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from searcher.carry import Drift, make_drift
from searcher.errors import NoData
from searcher.fronts.circulation import with_fronts
from searcher.fronts.convergence import divergence_of
from searcher.fronts.lagrangian import blind_to
from searcher.geo import Region, near_longitude
from searcher.kernels.advect import AFLOAT, ASHORE
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, sample_vectors, weave
from searcher.sea import check_hour, flow_of, has, region_of, to_seconds

#: of the answer, degrees
STEP = 0.02
#: matter enters over so many days, and is followed in legs of so many seconds
DAYS, LEG = 4.0, 3 * 3600.0
#: particles followed from every node
MEMBERS = 6
#: spread of the windage between pieces, in shares of it: weed 0.02-0.96 % (Olascoaga et al. 2023, Phys.
#: Fluids 35:111702) about the customary 1 %
WINDAGE_SPREAD = 0.3
#: the grid of currents and fronts reaches so far beyond the answer, degrees, or to the edge of the currents
MARGIN = 0.6


class Waters(NamedTuple):
    """What carries floating matter: drift, divergence (1/s) on the way, small-scale mixing (m²/s)."""

    drift: Drift
    divergence: Flow
    diffusivity: float


def okubo(scale: float) -> float:
    """Diffusivity (m²/s) by motions smaller than a scale (m): Okubo 1971, Deep-Sea Res. 18:789-802.

    K = 0.0103 ℓ^1.15 in cm and s: 0.58, 8.2 and 116 m²/s at 1, 10 and 100 km.
    """
    return 0.0103 * (100.0 * scale) ** 1.15 * 1e-4


def density_at(
    waters: Waters,
    lon: ArrayLike,
    lat: ArrayLike,
    at: float,
    *,
    days: float = DAYS,
    members: int = MEMBERS,
    jitter: float = 0.0,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """Density of floating matter at places (n,), relative to what was let go per area: density, doubt.

    at: s since `sea.EPOCH`. jitter: particles start within so many degrees of the place in either axis, so
    that the answer is the mean over a cell of twice that. doubt: relative standard error of the mean over
    the members. Both NaN where all members begin outside the currents or ashore.
    """
    rng = np.random.default_rng(seed)
    shape = (members, np.size(lon))
    x, y = (np.ravel(a) + jitter * rng.uniform(-1.0, 1.0, shape) for a in (lon, lat))
    spread = 1.0 + WINDAGE_SPREAD * rng.normal(size=(members, 1))
    windage = np.broadcast_to(np.maximum(waters.drift.windage * spread, 0.0), shape)
    status, gain, total = np.zeros(shape, np.uint8), np.zeros(shape), np.zeros(shape)
    lost = waters.drift.move(x, y, at, at - 1.0)[2] != AFLOAT
    legs = _legs_of(days)
    for k in range(legs):
        now = at - k * LEG
        # walk and drift are split (Strang 1968, SIAM J. Numer. Anal. 5:506-517): half a walk ahead of the
        # first drift, whole ones between
        walk = LEG if k else LEG / 2
        x, y, status, middle, gain = _leg_back(waters, x, y, now, status, gain, windage, walk, rng)
        total += np.where(status == ASHORE, 0.0, np.exp(middle)) / legs
    total = np.where(lost, np.nan, total)
    known = np.sum(~lost, axis=0)
    mean = np.nansum(total, axis=0) / np.maximum(known, 1)
    off = np.sqrt(np.nansum((total - mean) ** 2, axis=0) / np.maximum(known - 1, 1))
    doubt = off / np.sqrt(np.maximum(known, 1)) / np.maximum(mean, 1e-12)
    return np.where(known > 0, mean, np.nan), np.where(known > 1, doubt, np.nan)


def _legs_of(days: float) -> int:
    """In how many legs matter is followed over some days: one at least."""
    return max(round(days * 86400.0 / LEG), 1)


def _leg_back(
    waters: Waters,
    x: np.ndarray,
    y: np.ndarray,
    now: float,
    status: np.ndarray,
    gain: np.ndarray,
    windage: np.ndarray,
    walk: float,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Particles one leg earlier, after a walk of `walk` s: places, statuses, ln of gain halfway and there.

    Those no longer afloat stay where they are with the gain they had.
    """
    afloat = status == AFLOAT
    if waters.diffusivity > 0.0:
        x, y = wander(x, y, waters.diffusivity * walk, afloat, rng)
    x1, y1, s1 = waters.drift.move(x, y, now, now - LEG / 2, windage=windage)
    rate, _ = sample_vectors(waters.divergence, np.full(x.size, now - LEG / 2), x1.ravel(), y1.ravel())
    grown = np.where(afloat, -np.nan_to_num(rate.reshape(x.shape)) * LEG, 0.0)
    x2, y2, s2 = waters.drift.move(x1, y1, now - LEG / 2, now - LEG, windage=windage)
    x, y = np.where(afloat, x2, x), np.where(afloat, y2, y)
    return x, y, np.where(afloat, np.maximum(s1, s2), status), gain + grown / 2, gain + grown


def wander(
    x: np.ndarray, y: np.ndarray, spread: float, afloat: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Places after a random walk of variance 2 · `spread` (m²) per axis."""
    per_lon, per_lat = (a.reshape(y.shape) for a in row_metrics(y.ravel()))
    size = np.sqrt(2.0 * spread)
    east, north = rng.normal(0.0, size, (2, *x.shape))
    return x + np.where(afloat, east / per_lon, 0.0), y + np.where(afloat, north / per_lat, 0.0)


def prepare_waters(
    sea: xr.DataTree,
    region: Region,
    *,
    at: float,
    days: float = DAYS,
    step: float = STEP,
    fronts: bool = True,
    windage: bool = True,
) -> Waters:
    """What carries floating matter to a region in the days before `at` (s since `sea.EPOCH`).

    With `fronts`, and where the sea has a map of its temperature, the overturning at them is on top.
    """
    flow, drift = flow_of(sea["currents"].to_dataset()), make_drift(sea)
    drift = drift if windage else drift._replace(windage=0.0)
    cell = step * 111e3
    if fronts and has(sea, "surface"):
        surface = sea["surface"].to_dataset()
        lon, lat = _axes(region, sea, step, MARGIN)
        flow = with_fronts(flow, surface, drift, start=at - days * 86400.0, at=at, lon=lon, lat=lat)
        # cells are finer by so much; steps too, or every particle would have to halve its own
        shorter = drift.longest_step * step / drift.currents.dlat
        drift = drift._replace(currents=weave(flow), longest_step=min(shorter, drift.longest_step))
    return Waters(drift, divergence_of(flow), okubo(cell))


def _turned(region: Region, most: Region) -> Region:
    """A region by whole turns to where it meets the longitudes of another."""
    middle = (region.west + region.east) / 2.0
    turn = float(near_longitude(middle, (most.west + most.east) / 2.0)) - middle
    return region._replace(west=region.west + turn, east=region.east + turn)


def _axes(region: Region, sea: xr.DataTree, step: float, margin: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes over a region and a margin around it, within the currents."""
    most = region_of(sea["currents"].to_dataset())
    west, south = max(region.west - margin, most.west), max(region.south - margin, most.south)
    east, north = min(region.east + margin, most.east), min(region.north + margin, most.north)
    lon, lat = (
        a + step * np.arange(int((b - a) / step + 1e-6) + 1) for a, b in ((west, east), (south, north))
    )
    return lon, lat


def floating_density(
    sea: xr.DataTree,
    *,
    at: np.datetime64,
    region: Region | None = None,
    step: float = STEP,
    days: float = DAYS,
    members: int = MEMBERS,
    fronts: bool = True,
    windage: bool = True,
    seed: int = 0,
) -> xr.Dataset:
    """Density of floating matter at one hour on a grid (lat, lon).

    Parameters
    ----------
    at
        The hour of the map.
    region
        Where (default: all of the currents).
    step
        Of the grid, degrees.
    days
        Matter enters evenly over the sea and over so many days before `at`, in whole legs of three hours.
    members
        Particles followed back from every node, each with its own place in the cell, windage and walk.
    fronts
        Whether the overturning at the fronts of the map of the temperature is added to the currents.
    windage
        Whether the wind has a share in it.
    seed
        Of everything drawn.

    Returns
    -------
    `density`, relative to the mean of what was let go (1), the mean over a cell; `doubt`, its relative
    standard error from the spread of the members. Matter from beyond the currents is taken to be as dense
    there as where it was let go. NaN on land. Attribute `blind_to`: what this cannot see. Raises `NoData`
    where the hour is `sea.HELD` or more from all those of the currents (the first and last stand for what is
    not known), or the region lies outside them.
    """
    currents = sea["currents"].to_dataset()
    most = region_of(currents)
    region = most if region is None else _turned(region, most)
    lon, lat = _axes(region, sea, step, 0.0)
    if not (lon.size and lat.size):
        raise NoData("no currents in the region", given=region, expected=f"a region that meets {most}")
    moment = float(to_seconds(at))
    check_hour(at, currents["time"].values)
    carry = {"fronts": fronts, "windage": windage}
    waters = prepare_waters(sea, region, at=moment, days=days, step=step, **carry)
    x, y = (a.ravel() for a in np.meshgrid(lon, lat))
    found = density_at(waters, x, y, moment, days=days, members=members, jitter=step / 2, seed=seed)
    fields = {
        name: (("lat", "lon"), values.reshape(lat.size, lon.size), {"units": "1", "long_name": text})
        for name, values, text in zip(
            ("density", "doubt"),
            found,
            ("floating matter, relative to what was let go", "relative sampling error of the density"),
            strict=True,
        )
    }
    coords = {"lat": lat, "lon": lon, "time": np.datetime64(at, "ns")}  # type: ignore[call-overload]
    return xr.Dataset(
        fields,
        coords,
        {"days": _legs_of(days) * LEG / 86400.0, "members": members, "blind_to": blind_to(currents)},
    )
