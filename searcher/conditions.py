"""What a skipper must know before trusting a plan: limits passed, data stale, patchy or missing.

Nothing here stops a plan (what must stop one is an error); everything here is said on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
import xarray as xr

from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import sample_vectors
from searcher.sea import describe_sea, flow_of, has, region_of, to_seconds
from searcher.trip import Trip

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
COVERED = 0.98
#: fields that no part of a plan uses yet, and the one made of the temperature
UNUSED = ("height", "weed", "surface")
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


def describe_data(sea: xr.DataTree, trip: Trip) -> tuple[dict, ...]:
    """Rows of `describe_sea` with `age`: s, of the newest field at departure (0 where all are ahead).

    And with what the loader noted: `covered` (share of the box), `kind`, `left_out`.
    """
    rows = []
    for row in describe_sea(sea):
        times = sea[row["node"]]["time"].values if row["last"] is not None else None
        age = None
        if times is not None:
            before = times[times <= trip.window.start]
            age = float((trip.window.start - before[-1]) / np.timedelta64(1, "s")) if before.size else 0.0
        if row["node"] == "surface":  # made for the hour of leaving, of older views
            age += float(np.nanmedian(sea["surface"]["age"].values))
        attrs = sea[row["node"]].attrs
        extra = {"kind": attrs.get("kind", ""), "left_out": attrs.get("left_out", "")}
        rows.append(row | {"age": age, "covered": float(attrs.get("covered", 1.0))} | extra)
    return tuple(rows)


def judge_conditions(trip: Trip, sea: xr.DataTree, reach: xr.Dataset) -> tuple[Condition, ...]:
    """The worst wind and waves within reach during the trip, against the skipper's limits."""
    wind = _worst(trip, sea, reach, "wind", ("u10", "v10"))
    waves = _worst(trip, sea, reach, "waves", ("hs", "hs"))
    return (
        Condition("wind", *wind[:1], trip.boat.max_wind, wind[1]),
        Condition("waves", *waves[:1], trip.boat.max_waves, waves[1]),
    )


def _worst(trip: Trip, sea: xr.DataTree, reach: xr.Dataset, node: str, names: tuple[str, str]):
    """(greatest value, when) of a field within reach, hour by hour; NaN where the sea has none."""
    if not has(sea, node):
        return float("nan"), np.datetime64("NaT")
    flow = flow_of(sea[node].to_dataset(), *names)
    lat, lon = np.nonzero(reach["reachable"].values)
    x, y = reach["lon"].values[lon], reach["lat"].values[lat]
    hours = np.arange(trip.window.start, trip.window.end + 1, np.timedelta64(1, "h"))
    greatest = []
    for moment in to_seconds(hours):
        u, v = sample_vectors(flow, np.full(x.size, moment), x, y)
        size = u if names[0] == names[1] else np.hypot(u, v)
        greatest.append(np.nanmax(size) if np.isfinite(size).any() else np.nan)
    if np.isnan(greatest).all():
        return float("nan"), np.datetime64("NaT")
    worst = int(np.nanargmax(greatest))
    return float(greatest[worst]), hours[worst]


def find_cautions(trip, sea, reach, boxes, legs, conditions, data) -> tuple[str, ...]:
    """Everything about this plan that a skipper must know before trusting it, most serious first."""
    return (
        *_weather_cautions(conditions, trip),
        *_data_cautions(data, trip),
        *_cover_cautions(sea, reach, trip),
        *_result_cautions(boxes, legs, reach),
    )


def _weather_cautions(conditions, trip):
    show = trip.show
    words = {"wind": show.say_speed, "waves": show.say_height}
    for condition in conditions:
        say = words[condition.name]
        if condition.within is None:
            yield f"No {condition.name} data: judge the {condition.name} by the official forecast alone."
        elif not condition.within:
            yield (
                f"Beyond your limit: {condition.name} up to {say(condition.value)} at "
                f"{show.say_clock(condition.at)}, your limit is {say(condition.limit)}."
            )


def _data_cautions(data, trip):
    for row in data:
        if row["age"] is not None and row["age"] > trip.data.max_age:
            yield (
                f"Stale: the newest {row['node']} data are {row['age'] / HOUR:.0f} h old at departure (your "
                f"limit is {trip.data.max_age / HOUR:.0f} h). Lines may be far from where they are drawn."
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
            yield f"Of the {row['node']} data some were left out: {row['left_out']}."
        if row["kind"] == "geostrophic current":
            yield (
                "The currents are geostrophic (from sea level): without the part the wind drives, and nearly "
                "without convergence. Take the convergence lines lightly."
            )
    present = {row["node"] for row in data}
    if "depth" not in present:
        yield "No depth data: shoals are not avoided, depths not scored. Check every leg on the chart."
    if "color" not in present:
        yield "No water colour data: colour counts as neutral."


def _cover_cautions(sea, reach, trip):
    reachable = reach["reachable"].values
    row, column = np.nonzero(reachable)
    water = shapely.points(reach["lon"].values[column], reach["lat"].values[row])
    for node in [node for node in sea.children if node not in UNUSED]:
        covered = shapely.intersects(region_of(sea[node].to_dataset()).polygon(), water)
        if covered.size and covered.mean() < COVERED:
            yield f"The {node} data cover only {covered.mean():.0%} of the water within reach."
    known = reach["currents_known"].values[reachable]
    if known.size and known.mean() < LEAST_CURRENTS:
        yield (
            f"Currents are known for only {known.mean():.0%} of the water within reach; elsewhere the "
            "nearest known current is used."
        )
    pictures = sea["temperature"].to_dataset()["sst"]
    newest = pictures.isel(time=-1).interp(lat=reach["lat"], lon=reach["lon"], method="nearest")
    clear = np.isfinite(newest.values)[reachable]
    if clear.size and clear.mean() < LEAST_CLEAR:
        yield (
            f"Patchy: the newest temperature picture shows {clear.mean():.0%} of the water within reach; "
            "elsewhere older pictures are used, or none."
        )
    if has(sea, "surface"):
        surface = sea["surface"].to_dataset()["sst"].isel(time=0)
        unseen = np.isnan(surface.interp(lat=reach["lat"], lon=reach["lon"], method="nearest").values)
        unseen = unseen[reachable]
        if unseen.size and unseen.mean() > MOST_UNSEEN:
            yield f"No picture shows {unseen.mean():.0%} of the water within reach: nothing is known there."
    cell = step_of(sea, "currents")
    if cell > COARSE:
        yield (
            f"The currents are known every {trip.show.say_distance(cell)}: they show where floating matter "
            "is likely to gather, not the weed line itself. Look a few miles to either side."
        )


def step_of(sea: xr.DataTree, node: str) -> float:
    """The step between rows of a node, m."""
    lat = sea[node]["lat"].values
    per_lat = row_metrics(np.array([float(lat.mean())]))[1][0]
    return float(lat[-1] - lat[0]) / (lat.size - 1) * float(per_lat)


def _result_cautions(boxes, legs, reach):
    if boxes.empty:
        yield "No temperature break or convergence line was found within reach: nothing to recommend."
    elif legs.empty:
        yield "No box can be worked within the hours, daylight and fuel of this trip."
    if not reach["reachable"].values.any():
        yield "Nothing beyond the sea buoy is within reach of this fuel and these hours."
