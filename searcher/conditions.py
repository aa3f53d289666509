"""What a skipper must know before trusting a plan: limits passed, data stale, patchy or missing.

Nothing here stops a plan (what must stop one is an error); everything here is said on it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.geo import LocalPlane, Place, distances, land
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import sample_vectors
from searcher.sea import describe_sea, flow_of, has, to_seconds
from searcher.tables import say_name
from searcher.trip import Finish, Port, Trip

HOUR = 3600.0
#: carried by every plan, page, map and file
STANDING_CAUTIONS = (
    "This plan is an aid to searching, not to navigation or safety. The official marine forecast, notices to "
    "mariners, up-to-date charts, local rules and an experienced skipper's judgement come first.",
    "The fuel reserve is not for planning. Turn for home when the sea, the boat or the crew says so, "
    "whatever this plan says.",
    "Satellite and model data miss what boats meet: debris, nets, other vessels, fog, bars and squalls.",
)
#: less of the water within reach than this in clear view in the newest picture earns a caution
LEAST_CLEAR = 0.6
LEAST_CURRENTS = 0.95
#: more of it in no picture at all does too
MOST_UNSEEN = 0.1
#: data that cover less of the water within reach than this earn a caution
COVERED = 0.95
#: a single field of wind or waves stands for so long to either side, s; and none for longer than the second
SINGLE_FIELD, LONGEST_HELD = 3 * 3600.0, 6 * 3600.0
#: fields farther apart than so many of their usual steps have a gap between them, and than so long, s
GAP, LEAST_GAP = 1.9, 3600.0
#: a straight way in may cross so much of what is drawn as land (breakwaters, the berth), m
HARBOUR = 1000.0
#: the conditions as part of a longer word
WORDS = {"wind": "wind", "waves": "wave"}
#: node -> its fields, as the two components of a flow
FIELDS = {"currents": ("u", "v"), "wind": ("u10", "v10"), "waves": ("hs", "hs")}
#: fields that lines are found in or moved by
LINES_FROM = ("temperature", "currents")
#: fields that no part of a plan uses yet, and the one made of the temperature
UNUSED = ("height", "surface")
#: currents in steps as long as this do not show tides, the main of which turn every 6.2 h, s
TIDELESS = 6 * 3600.0
#: open water joined to the sea buoy's that is less than this share of all is a pocket with no way out
POCKET = 0.05
#: currents coarser than this cannot show the lines a boat fishes, m
COARSE = 5000.0


@dataclass(frozen=True)
class Condition:
    """One fact of sea or weather against the skipper's own limit, in inside units.

    `value` is the worst expected inside the reach and hours of the trip (NaN where unknown), `at` when.
    """

    name: str  # "wind" (m/s) or "waves" (m)
    value: float
    limit: float
    at: np.datetime64

    @property
    def within(self) -> bool | None:
        """True or False; None where the value is not known."""
        return None if np.isnan(self.value) else bool(self.value <= self.limit)


def describe_data(sea: xr.DataTree, trip: Trip) -> tuple[dict[str, Any], ...]:
    """Rows of `describe_sea` with `age`: s, of the newest field at departure (0 where all are ahead).

    And with what the loader noted: `kind`, `left_out`.
    """
    rows = []
    for row in describe_sea(sea):
        times = sea[row["node"]].to_dataset()["time"].values if row["last"] is not None else None
        age = None
        if times is not None:
            before = times[times <= trip.window.start]
            age = float((trip.window.start - before[-1]) / np.timedelta64(1, "s")) if before.size else 0.0
        if row["node"] == "surface" and age is not None:  # made for the hour of leaving, of older views
            age += float(np.nanmedian(sea["surface"].to_dataset()["age"].values))
        attrs = sea[row["node"]].attrs
        rows.append(row | {"age": age} | {key: attrs.get(key, "") for key in ("kind", "left_out")})
    return tuple(rows)


def judge_conditions(trip: Trip, sea: xr.DataTree, reach: xr.Dataset) -> tuple[Condition, ...]:
    """The worst wind and waves within reach during the trip, against the skipper's limits.

    Unknown (NaN) where the data do not cover the hours or the water, unless what is known is past the limit.
    """
    return tuple(_judge(name, limit, trip, sea, reach) for name, limit in limits_of(trip).items())


def limits_of(trip: Trip) -> dict[str, float]:
    """The skipper's own limits: wind (m/s) and height of waves (m)."""
    return {"wind": trip.boat.max_wind, "waves": trip.boat.max_waves}


def _judge(name: str, limit: float, trip: Trip, sea: xr.DataTree, reach: xr.Dataset) -> Condition:
    hours = hours_of(trip)
    sizes = sizes_within(name, trip, sea, reach)
    if np.isnan(sizes).all():
        return Condition(name, float("nan"), limit, np.datetime64("NaT", "ns"))
    worst, at = float(np.nanmax(sizes)), hours[int(np.nanargmax(np.nanmax(sizes, axis=1, initial=-1.0)))]
    known = np.isfinite(sizes).mean() >= COVERED
    return Condition(name, worst if known or worst > limit else float("nan"), limit, at)


def hours_of(trip: Trip) -> np.ndarray:
    """Every hour of the trip and its end, datetime64."""
    return np.append(np.arange(trip.window.start, trip.window.end, np.timedelta64(1, "h")), trip.window.end)


def sizes_within(node: str, trip: Trip, sea: xr.DataTree, reach: xr.Dataset) -> np.ndarray:
    """Wind speed or wave height (hours of the trip, cells within reach); NaN where the data say nothing.

    Between fields values are linear in time, but unknown farther than a usual step from any of them: so long
    the first and the last are held. Where nothing is within reach they are those at the sea buoy.
    """
    row, column = np.nonzero(reach["reachable"].values)
    if not row.size:
        buoy = trip.port.sea_buoy
        away = (np.abs(reach[name].values - at) for name, at in (("lat", buoy.lat), ("lon", buoy.lon)))
        row, column = (np.array([distance.argmin()]) for distance in away)
    hours = to_seconds(hours_of(trip))
    if not has(sea, node):
        return np.full((hours.size, row.size), np.nan)
    flow = flow_of(sea[node].to_dataset(), *FIELDS[node])
    given = to_seconds(hours_given(sea, node))
    step = min(_usual_step(given), LONGEST_HELD)
    lon, lat = reach["lon"].values[column], reach["lat"].values[row]
    sizes = np.full((hours.size, row.size), np.nan)
    for k, moment in enumerate(hours):
        if (np.abs(given - moment) <= step).any():
            u, v = sample_vectors(flow, np.full(lon.size, moment), lon, lat)
            sizes[k] = u if node == "waves" else np.hypot(u, v)
    return sizes


def hours_given(sea: xr.DataTree, node: str) -> np.ndarray:
    """Hours of the fields of a node that hold any value, datetime64, in order."""
    data = sea[node].to_dataset()
    filled = [np.isfinite(data[name].values).any(axis=(1, 2)) for name in FIELDS[node]]
    return data["time"].values[np.logical_and.reduce(filled)]


def _usual_step(times: np.ndarray) -> float:
    """The usual step between fields, s; of one alone, for how long it stands."""
    return float(np.median(np.diff(times))) if times.size > 1 else SINGLE_FIELD


def gap_cautions(sea: xr.DataTree, trip: Trip) -> Iterator[str]:
    """Hours of the trip for which currents, wind or waves are missing between others that are there."""
    start, end = to_seconds(trip.window.start), to_seconds(trip.window.end)
    for node in ("currents", *WORDS):
        if not has(sea, node):
            continue
        hours = hours_given(sea, node)
        times = to_seconds(hours)
        least = max(GAP * _usual_step(times), LEAST_GAP)
        for k in np.flatnonzero(np.diff(times) > least):
            if times[k] < end and times[k + 1] > start:
                say, name = trip.show.say_time, WORDS.get(node, node)
                yield (
                    f"No {name} data between {say(hours[k])} and {say(hours[k + 1])}: where the plan reckons "
                    "with them it takes them from those before and after."
                )


def tide_cautions(sea: xr.DataTree) -> Iterator[str]:
    """Currents whose steps are too long to show tides, whose main ones turn every six hours."""
    times = to_seconds(hours_given(sea, "currents"))
    if times.size == 1 or _usual_step(times) >= TIDELESS:
        every = f"one field every {_usual_step(times) / HOUR:.0f} h" if times.size > 1 else "one field in all"
        yield (
            f"The currents are {every}: tides are not in them. Where tides run, runs and the way home can "
            "take much longer than is told here: see the tide tables."
        )


def find_cautions(
    trip: Trip,
    sea: xr.DataTree,
    reach: xr.Dataset,
    boxes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    conditions: Sequence[Condition],
    data: Sequence[dict[str, Any]],
) -> tuple[str, ...]:
    """Everything about this plan that a skipper must know before trusting it: sea, data, cover, result."""
    return (
        *_weather_cautions(conditions, trip, reach, {row["node"] for row in data}),
        *area_cautions(trip),
        *data_cautions(data, trip),
        *gap_cautions(sea, trip),
        *tide_cautions(sea),
        *_cover_cautions(sea, reach, trip),
        *_way_in_cautions(trip),
        *_result_cautions(trip, boxes, legs, reach),
    )


def _weather_cautions(
    conditions: Sequence[Condition], trip: Trip, reach: xr.Dataset, present: Collection[str]
) -> Iterator[str]:
    show = trip.show
    sea = "in the waves that are known, as if they lasted and spread" if "waves" in reach else "in flat water"
    words = {"wind": show.say_speed, "waves": show.say_height}
    for condition in conditions:
        say = words[condition.name]
        if condition.within is None:
            name = WORDS[condition.name]
            lacking = (
                f"The {name} data do not cover all hours and waters of this trip"
                if condition.name in present
                else f"No {name} data"
            )
            yield f"{lacking}: judge the {condition.name} by the official forecast alone."
        elif not condition.within:
            yield (
                f"Beyond your limit: {condition.name} up to {say(condition.value)} at "
                f"{show.say_clock(condition.at)}, your limit is {say(condition.limit)}."
            )
        if condition.name == "waves" and (condition.within is None or "waves" not in reach):
            more = "in higher waves they take longer and burn more, the way home too"
            yield f"Runs are reckoned {sea}: {more}."


def area_cautions(trip: Trip) -> Iterator[str]:
    """What is odd about the closed areas of a trip."""
    closed = trip.avoid.closed
    if not closed.is_empty and not shapely.intersects(closed, shapely.box(*trip.region)):
        yield (
            "No closed area of [avoid] files lies in the waters of this trip: see that their longitudes are "
            "right, negative west of Greenwich."
        )


def data_cautions(data: Sequence[dict[str, Any]], trip: Trip) -> Iterator[str]:
    """What is stale, missing or left out of the data of a trip, sentence by sentence."""
    for row in data:
        if row["node"] not in UNUSED and row["age"] is not None and row["age"] > trip.data.max_age:
            far = " Lines may be far from where they are drawn." if row["node"] in LINES_FROM else ""
            yield (
                f"Stale: the newest {say_name(row['node'])} data are {row['age'] / HOUR:.0f} h old at "
                f"departure (your limit is {trip.data.max_age / HOUR:.0f} h).{far}"
            )
    first = {row["node"]: to_seconds(row["first"]) for row in data if row["first"] is not None}
    begin = min(first["temperature"], to_seconds(trip.window.start))
    if first["currents"] - begin > HOUR:
        yield (
            f"The currents begin {(first['currents'] - begin) / HOUR:.0f} h after the first picture or "
            "departure and are taken as steady before: drift is less certain."
        )
    ahead = to_seconds(trip.window.end) - max(to_seconds(r["last"]) for r in data if r["node"] == "currents")
    if ahead > 0:
        yield (
            f"The currents end {ahead / HOUR:.0f} h before the trip does and are taken as steady from then "
            "on: drift is less certain."
        )
    for row in data:
        if row["node"] in UNUSED:
            continue
        if row["left_out"]:
            yield f"Of the {say_name(row['node'])} data some were left out: {row['left_out']}."
        if row["kind"] == "geostrophic current":
            yield (
                "The currents are geostrophic (from sea level): without the part the wind drives, and nearly "
                "without convergence: what they say of gathering counts for little."
            )
    present = {row["node"] for row in data}
    if "depth" not in present:
        yield "No depth data: shoals are not avoided, depths not scored. Check every leg on the chart."
    if "color" not in present:
        yield "No water colour data: colour counts as neutral."


def missing_weather(data: Sequence[dict[str, Any]], trip: Trip) -> Iterator[str]:
    """Wind and waves that the data of a trip do not have, or not for all of its hours."""
    rows = {row["node"]: row for row in data if row["last"] is not None}
    for node, name in WORDS.items():
        if node not in rows:
            yield f"No {name} data: judge the {node} by the official forecast alone."
            continue
        late = to_seconds(rows[node]["first"]) - to_seconds(trip.window.start)
        early = to_seconds(trip.window.end) - to_seconds(rows[node]["last"])
        if max(late, early) > HOUR:
            yield (
                f"The {name} data do not cover the hours of the trip: they are from "
                f"{trip.show.say_time(rows[node]['first'])} to {trip.show.say_time(rows[node]['last'])}."
            )


def _cover_cautions(sea: xr.DataTree, reach: xr.Dataset, trip: Trip) -> Iterator[str]:
    reachable = reach["reachable"].values
    lon, lat = reach["lon"], reach["lat"]
    for node in ("wind", "waves"):
        if has(sea, node):
            known = np.isfinite(sizes_within(node, trip, sea, reach))
            if known.size and known.mean() < COVERED:
                yield f"The {WORDS[node]} data cover {known.mean():.0%} of the hours and waters of this trip."
    for node, name in (("depth", "depth"), ("color", "chlor_a"), ("weed", "weed")):
        if has(sea, node):
            field = sea[node].to_dataset()[name]
            finite = field.copy(data=np.isfinite(field.values))
            seen = finite.any("time") if "time" in field.dims else finite
            nearest = seen.astype(float).interp(lat=lat, lon=lon, method="nearest").values[reachable]
            share = float(np.nan_to_num(nearest).mean()) if nearest.size else 1.0
            if share < COVERED:
                yield f"The {say_name(node)} data cover {share:.0%} of the water within reach."
    known = reach["currents_known"].values[reachable]
    if known.size and not known.any():
        yield "No currents are known in the water within reach: it is taken to stand still."
    elif known.size and known.mean() < LEAST_CURRENTS:
        yield (
            f"Currents are known for only {known.mean():.0%} of the water within reach; elsewhere the "
            "nearest known current is used."
        )
    pictures = sea["temperature"].to_dataset()["sst"]
    newest = pictures.isel(time=-1).interp(lat=lat, lon=lon, method="nearest")
    clear = np.isfinite(newest.values)[reachable]
    if clear.size and clear.mean() < LEAST_CLEAR:
        yield (
            f"Patchy: the newest temperature picture shows {clear.mean():.0%} of the water within reach; "
            "elsewhere older pictures are used, or none."
        )
    if has(sea, "surface"):
        surface = sea["surface"].to_dataset()["sst"].isel(time=0)
        unseen = np.isnan(surface.interp(lat=lat, lon=lon, method="nearest").values)
        unseen = unseen[reachable]
        if unseen.size and unseen.mean() > MOST_UNSEEN:
            yield f"No picture shows {unseen.mean():.0%} of the water within reach: nothing is known there."
    moved = sea["currents"].attrs.get("moved")
    if moved:
        yield (
            "The currents disagreed with the pictures of the temperature and were moved by about "
            f"{trip.show.say_distance(moved)} to where they agree better; how far off they are now is not "
            "known. Runs and the way home are reckoned in them as they were given."
        )
    cell = step_of(sea, "currents")
    if cell > COARSE:
        yield (
            f"The currents are known every {trip.show.say_distance(cell)}: they show where floating matter "
            "is likely to gather, not the weed line itself. Look a few miles to either side."
        )


def step_of(sea: xr.DataTree, node: str) -> float:
    """The step between rows of a node, m."""
    lat = sea[node].to_dataset()["lat"].values
    per_lat = row_metrics(np.array([float(lat.mean())]))[1][0]
    return float(lat[-1] - lat[0]) / (lat.size - 1) * float(per_lat)


def _way_in_cautions(trip: Trip) -> Iterator[str]:
    for port in (trip.port, trip.finish):
        if port and _length_ashore(port, trip) > HARBOUR:
            yield (
                f"The straight way between {port.name} and its sea buoy crosses land: the real way is "
                "longer, so allow more time and fuel than this plan does."
            )


def _length_ashore(port: Port | Finish, trip: Trip) -> float:
    """How much (m) of the straight way between a port and its sea buoy is drawn as land."""
    way = shapely.LineString([port.at, port.sea_buoy])
    plane = LocalPlane(port.sea_buoy)
    return plane.to_plane(shapely.intersection(way, land(trip.region, detail="full"))).length


def _is_shut_in(sea_buoy: Place, reach: xr.Dataset) -> bool:
    """Whether the open water at a sea buoy is joined to next to none of the rest (four neighbours a node)."""
    from scipy.ndimage import label  # not at the top: a plan is opened at sea without it

    clear = ~reach["blocked"].values
    pools, _ = label(clear)
    rows, columns = np.nonzero(clear)
    if not rows.size:
        return True
    away = distances(sea_buoy, reach["lon"].values[columns], reach["lat"].values[rows])
    nearest = away.argmin()
    return bool((pools == pools[rows[nearest], columns[nearest]]).sum() < POCKET * rows.size)


def _result_cautions(
    trip: Trip, boxes: gpd.GeoDataFrame, legs: gpd.GeoDataFrame, reach: xr.Dataset
) -> Iterator[str]:
    if (boxes.empty or legs.empty) and _is_shut_in(trip.port.sea_buoy, reach):
        yield (
            "No way over open water leads out from the sea buoy: land with its clearance, shoals or closed "
            "areas shut it in. Put [port] sea_buoy in open water outside."
        )
    if boxes.empty:
        sought = "No break, colour change or gathered matter"
        limits = "this fuel, these hours and daylight, and within your depths"
        yield f"{sought} within reach of {limits}: nothing to recommend."
    elif legs.empty:
        yield "No box can be worked within the hours, daylight and fuel of this trip."
    if not reach["reachable"].values.any():
        yield "Nothing beyond the sea buoy is within reach of this fuel, these hours and daylight."
