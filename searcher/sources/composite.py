"""Many clouded pictures -> one map of the temperature at one hour, with the age of every cell.

From every cell of the map water is followed back along the currents to the hour of each picture, and the
newest picture that saw it clear gives the value: an earlier view counts at the place to which the water has
moved since. (Laid where it was seen, a front that moves 1 km in an hour is drawn twice, a day apart.) The
levels of the pictures are matched first, so that the joins between them are not fronts. Water that no
picture saw stays missing.

Averaging does not help: over older views it blurs the fronts by as much as they have strayed; figures in
`docs/blending.md`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import xarray as xr

from searcher.carry import Drift, make_drift
from searcher.errors import NoData
from searcher.gridded import look_at
from searcher.kernels.sample import Grid
from searcher.sea import grid_of, make_sea, name_fields, to_seconds, to_times
from searcher.sources.join import join_attrs
from searcher.sources.layers import HOLD
from searcher.sources.match import match_levels

#: views older than this are not carried, s
LONGEST_AGE = 5 * 86400.0
#: levels are matched on about so many pieces of water, evenly spread
MATCHED_ON = 4000


def compose_temperature(
    sea: xr.DataTree,
    *,
    at: np.datetime64 | None = None,
    others: Sequence[xr.Dataset] = (),
    longest_age: float = LONGEST_AGE,
) -> xr.Dataset:
    """The temperature at one hour, of the newest clear view of every piece of water, carried to that hour.

    Parameters
    ----------
    sea
        Its `temperature` gives the pictures and the grid, its `currents` carry them.
    at
        The hour of the map (default: of the newest picture). Later pictures take no part.
    others
        Pictures of other products (`sst` on a grid of their own), which fill only what no picture of the sea
        itself saw.
    longest_age
        Views older than this (s) take no part.

    Returns
    -------
    A dataset as the node `surface` of a sea: `sst` (°C) and `age` (s, since the value was seen), both
    (time of one, lat, lon), NaN where unseen. Along `picture`, the newest first and `others` last: `seen`
    (when), `level` (°C by which the picture stood above the newest of the sea's own, already taken off;
    NaN where it overlaps no other), `share` (of the water, 0..1). Attribute `unseen`: the share of
    the water that no picture saw; water is what any picture ever saw, moved or not.

    Raises `NoData` where no picture lies within `longest_age` before `at`, none saw any of the water, or the
    currents are of other days.
    """
    own = sea["temperature"].to_dataset()
    at = own["time"].values[-1] if at is None else np.datetime64(at, "ns")  # type: ignore[call-overload]
    carrier, now = make_drift(sea), float(to_seconds(at))
    looks = [
        look
        for place, product in enumerate((own, *others))
        for look in list_looks(product, carrier, place == 0, now=now, longest_age=longest_age)
    ]
    if not looks:
        raise NoData(
            "no picture to compose a map of the temperature from",
            given=f"pictures to {own['time'].values[-1]}, currents to "
            f"{sea['currents'].to_dataset()['time'].values[-1]}",
            expected=f"a picture at most {longest_age / 3600:g} h before {at}, in the hours of the currents",
        )
    lon, lat = np.meshgrid(own["lon"].values.astype(np.float64), own["lat"].values.astype(np.float64))
    stride = max(1, int(np.sqrt(lon.size / MATCHED_ON)))
    some = see_all(looks, Water.lying_at(lon[::stride, ::stride], lat[::stride, ::stride], now), carrier)
    # the newest picture of the sea itself stays as it is: what it shows of warming or cooling is real
    newest = next((k for k, look in enumerate(looks) if look.is_own), 0)
    levels, matched = match_levels(some, reference=np.arange(len(looks)) == newest)
    value, chosen = _see_first(looks, levels, Water.lying_at(lon, lat, now), carrier)
    if (chosen < 0).all():
        raise NoData(f"none of {len(looks)} pictures saw any of the water that lies in their box at {at}")
    value, chosen = value.reshape(lon.shape), chosen.reshape(lon.shape)
    data = _lay_out(value, chosen, np.array([now - look.time for look in looks]), own, at)
    water = (chosen >= 0) | np.isfinite(own["sst"].values).any(axis=0)
    share = np.bincount(chosen[chosen >= 0], minlength=len(looks)) / water.sum()
    levels = np.where(matched, levels, np.nan)
    return _tell(data, to_times([look.time for look in looks]), levels, share, [own, *others])


def add_surface(sea: xr.DataTree, *, at: np.datetime64, others: Sequence[xr.Dataset] = ()) -> xr.DataTree:
    """The sea with its map of the temperature at one hour as node `surface`; as it is if none can be made."""
    try:
        surface = compose_temperature(sea, at=at, others=others)
    except NoData:
        return sea
    nodes = {name: node.to_dataset() for name, node in sea.children.items()}
    return make_sea(nodes | {"surface": surface})


class Look(NamedTuple):
    """One picture (lat, lon; °C), its grid, and when it was taken (s since `sea.EPOCH`)."""

    picture: np.ndarray
    grid: Grid
    time: float
    is_own: bool


class Water(NamedTuple):
    """Pieces of water followed through time: where each began (at `begun`, s), and where it is at `moment`.

    `known` is False for those that have left the currents. All arrays (n,), degrees.
    """

    home_lon: np.ndarray
    home_lat: np.ndarray
    begun: float
    lon: np.ndarray
    lat: np.ndarray
    known: np.ndarray
    moment: float

    @classmethod
    def lying_at(cls, lon: np.ndarray, lat: np.ndarray, time: float) -> Water:
        """Water not yet moved."""
        lon, lat = lon.ravel(), lat.ravel()
        return cls(lon, lat, time, lon, lat, np.ones(lon.size, bool), time)

    def moved_to(self, time: float, carrier: Drift) -> Water:
        """The same water at another time: moved on where that is farther from the beginning, else anew."""
        here = self
        if abs(time - self.begun) < abs(self.moment - self.begun):
            here = Water.lying_at(self.home_lon, self.home_lat, self.begun)
        lon, lat, known = carrier.follow(here.lon, here.lat, here.moment, time)
        return self._replace(lon=lon, lat=lat, known=known & here.known, moment=time)

    def only(self, keep: np.ndarray) -> Water:
        """Some of the pieces."""
        arrays = ("home_lon", "home_lat", "lon", "lat", "known")
        return self._replace(**{name: getattr(self, name)[keep] for name in arrays})


def list_looks(
    product: xr.Dataset, carrier: Drift, is_own: bool, *, now: float, longest_age: float
) -> list[Look]:
    """The pictures of a product that can be carried to `now`, the newest first."""
    times = to_seconds(product["time"].values)
    first, last = carrier.currents.t[0] - HOLD, carrier.currents.t[-1] + HOLD
    usable = (times <= now) & (times >= max(now - longest_age, first)) & (now <= last)
    return [
        Look(product["sst"].values[index], grid_of(product), float(times[index]), is_own)
        for index in np.flatnonzero(usable)[::-1]
    ]


def see_all(looks: Sequence[Look], water: Water, carrier: Drift) -> np.ndarray:
    """What each picture saw of the same pieces of water: (pictures, pieces), NaN where unseen."""
    views = []
    for look in looks:
        water = water.moved_to(look.time, carrier)
        views.append(np.where(water.known, look_at(look.picture, look.grid, water.lon, water.lat), np.nan))
    return np.array(views)


def _see_first(
    looks: Sequence[Look], levels: np.ndarray, water: Water, carrier: Drift
) -> tuple[np.ndarray, np.ndarray]:
    """What the first picture that saw each piece of water saw, its level taken off, and which that was.

    Water that has been seen is followed no further. Returns values, NaN where unseen, and indices, there -1.
    """
    value, chosen = np.full(water.lon.size, np.nan), np.full(water.lon.size, -1)
    left = np.arange(water.lon.size)
    for index, look in enumerate(looks):
        water = water.moved_to(look.time, carrier)
        view = np.where(water.known, look_at(look.picture, look.grid, water.lon, water.lat), np.nan)
        clear = np.isfinite(view)
        value[left[clear]], chosen[left[clear]] = view[clear] - levels[index], index
        left, water = left[~clear], water.only(~clear)
    return value, chosen


def _lay_out(
    value: np.ndarray, chosen: np.ndarray, ages: np.ndarray, own: xr.Dataset, at: np.datetime64
) -> xr.Dataset:
    """The node: value and age of the chosen view of every cell."""
    age = np.where(chosen < 0, np.nan, ages[chosen])
    dims = ("time", "lat", "lon")
    fields = {
        "sst": (
            dims,
            value[None].astype(np.float32),
            {"units": "degree_Celsius", "cell_methods": "time: point"},
        ),
        "age": (dims, age[None].astype(np.float32), {"units": "s", "cell_methods": "time: point"}),
    }
    return name_fields("surface", xr.Dataset(fields, {"time": [at], "lat": own["lat"], "lon": own["lon"]}))


def _tell(
    data: xr.Dataset,
    seen: np.ndarray,
    levels: np.ndarray,
    share: np.ndarray,
    products: Sequence[xr.Dataset],
) -> xr.Dataset:
    """What the map is made of, beside it and in its attributes."""
    about = {
        "seen": (seen, {"long_name": "when the picture was taken"}),
        "level": (
            levels,
            {"long_name": "level of the picture, taken off its values", "units": "degree_Celsius"},
        ),
        "share": (share, {"long_name": "share of the water whose value the picture gives", "units": "1"}),
    }
    data = data.assign({name: ("picture", *row) for name, row in about.items()})
    attrs = join_attrs(products)
    return data.assign_attrs(
        attrs,
        source=f"composite of {seen.size} pictures, carried by the currents: {attrs['source']}",
        kind="composite of pictures",
        history="newest clear view of each piece of water, carried by the currents; levels matched",
        unseen=1.0 - float(share.sum()),
    )
