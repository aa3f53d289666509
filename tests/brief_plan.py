"""A finished plan for the tests of the hand-over: invented sea, real coast, off the Solitary coast.

Nothing here plans: lines, boxes and legs are laid by plain formulas so that the formatting code is given
something of the right shape and size, in a region of real land.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher import geo, sea, tables, units
from searcher.conditions import Condition, describe_data
from searcher.plan import Plan
from searcher.trip import Trip, parse_trip

PORT = geo.Place(153.146, -30.306)
BUOY = geo.Place(153.205, -30.300)
CRUISE, TROLL = units.from_unit(22.0, "kn"), units.from_unit(7.0, "kn")
BURN_CRUISE, BURN_TROLL = 62.0 / 3600.0, 17.0 / 3600.0  # L/s
QUARTER_MILE = units.NAUTICAL_MILE / 4


TRIP = """
[port]
name = "Wirrin Harbour"
at = [153.146, -30.306]
sea_buoy = [153.205, -30.300]
timezone = "Australia/Sydney"
[window]
leave = 2026-01-17T05:00:00
home_by = 2026-01-17T16:00:00
[boat]
name = "Tern"
burn = [[4, 8], [7, 17], [10, 30], [22, 62], [28, 95]]
burn_unit = "l"
cruise_kn = 22
tank_l = 460
draught_m = 0.8
max_wind_kn = 18
max_wave_m = 1.8
[gear]
bait = "artificial"
lines = 3
troll_kn = 7
[target]
min_depth_m = 40
max_depth_m = 3000
[avoid]
land_clearance_m = 1000
[show]
"""
CLOSED = geo.buffer(shapely.Point(153.36, -29.97), 7000.0, centre=geo.Place(153.36, -29.97))


def make_trip(*, show: str = "", **changes) -> Trip:
    """A trip read from `TRIP`; `show` is more text for its last section, `changes` replace whole parts."""
    trip = parse_trip(TRIP + show, Path("trip.toml"))
    parts = {"avoid": trip.avoid.model_copy(update={"closed": CLOSED}), **changes}
    return trip.model_copy(update=parts)


def front_lon(lat, shift: float = 0.0):
    """Longitude of the inshore wall of the warm current at a latitude, degrees."""
    return 153.62 + shift + 0.09 * np.sin(2 * np.pi * (lat + 30.4) / 0.9) + 0.05 * np.sin(7.0 * lat)


def make_sea(trip) -> xr.DataTree:
    """Temperature with a meandering front and a cloud, a southward jet, wind, waves and a shelf edge."""
    west, south, east, north = trip.region
    lon, lat = np.arange(west, east, 0.016), np.arange(south, north, 0.016)
    nodes = {"temperature": _temperature(lon, lat, trip), "depth": _depth(lon, lat, trip)}
    lon, lat = np.arange(west, east, 0.05), np.arange(south, north, 0.05)
    nodes["currents"] = _currents(lon, lat, trip)
    return sea.make_sea(nodes)


def _temperature(lon, lat, trip) -> xr.Dataset:
    x, y = np.meshgrid(lon, lat)
    noise = np.random.default_rng(7).normal(0.0, 0.03, x.shape)
    times = trip.window.start - np.array([40, 16], "timedelta64[h]")
    views = []
    for hour, cloud in ((0.0, (153.95, -30.95)), (1.0, (153.9, -29.75))):
        away = (x - front_lon(y, 0.03 * hour)) / 0.05
        eddy = np.exp(-(((x - 154.15) / 0.2) ** 2) - ((y + 30.75) / 0.2) ** 2)
        value = 24.4 + 1.3 * np.tanh(away) - 0.5 * (y + 30.3) * -1 + 0.9 * eddy + noise
        clouded = ((x - cloud[0]) / 0.34) ** 2 + ((y - cloud[1]) / 0.22) ** 2 < 1 + 0.4 * np.sin(17 * x)
        always = ((x - 153.35) / 0.13) ** 2 + ((y + 30.85) / 0.10) ** 2 < 1
        views.append(np.where(clouded | always, np.nan, value))
    ashore = shapely.contains_xy(geo.land(trip.region), x, y)
    values = np.where(ashore, np.nan, np.array(views))
    return _node("temperature", times, lon, lat, {"sst": values}, "Invented sea, 1.6 km")


def _currents(lon, lat, trip) -> xr.Dataset:
    x, y = np.meshgrid(lon, lat)
    away = (x - front_lon(y) - 0.12) / 0.16
    speed = 0.15 + 1.1 * np.exp(-(away**2))
    slope = (front_lon(y + 0.01) - front_lon(y - 0.01)) / 0.02
    u, v = -speed * slope * 0.86, -speed
    times = trip.window.start + np.arange(-6, 15, 3).astype("timedelta64[h]")
    ashore = shapely.contains_xy(geo.land(trip.region), x, y)
    fields = {k: np.where(ashore, np.nan, np.repeat(f[None], times.size, 0)) for k, f in (("u", u), ("v", v))}
    return _node("currents", times, lon, lat, fields, "Invented sea, 5 km")


def _depth(lon, lat, trip) -> xr.Dataset:
    x, y = np.meshgrid(lon, lat)
    edge = 153.52 + 0.04 * np.sin(5 * y)
    value = 70.0 * np.clip((x - 152.9) / 0.4, 0.02, None) + 2400.0 / (1 + np.exp(-(x - edge - 0.16) / 0.05))
    ashore = shapely.contains_xy(geo.land(trip.region), x, y)
    return _node("depth", None, lon, lat, {"depth": np.where(ashore, np.nan, value)}, "Invented sea floor")


def _node(name, times, lon, lat, fields, source) -> xr.Dataset:
    dims = ("lat", "lon") if times is None else ("time", "lat", "lon")
    coords = {"lat": lat, "lon": lon} | ({} if times is None else {"time": times})
    data = {key: (dims, values) for key, values in fields.items()}
    made = xr.Dataset(data, coords, {"source": source, "credit": "Invented for tests", "license": "CC0-1.0"})
    for variable, (standard_name, unit, _, _) in sea.NODES[name].items():
        made[variable].attrs = {"units": unit, "standard_name": standard_name}
    return made


def make_fronts(trip):
    """Five temperature breaks, two convergence lines and one color change along the wall."""
    rows = [
        (tables.TEMPERATURE_BREAK, -29.55, -29.80, 0.00, 1.6),
        (tables.TEMPERATURE_BREAK, -29.95, -30.20, 0.00, 2.4),
        (tables.TEMPERATURE_BREAK, -30.25, -30.45, 0.01, 2.6),
        (tables.TEMPERATURE_BREAK, -30.52, -30.75, 0.00, 1.9),
        (tables.TEMPERATURE_BREAK, -30.85, -31.15, 0.00, 0.8),
        (tables.CONVERGENCE_LINE, -30.05, -30.38, 0.07, np.nan),
        (tables.CONVERGENCE_LINE, -30.50, -30.70, 0.09, np.nan),
        (tables.COLOR_CHANGE, -30.15, -30.40, -0.09, np.nan),
    ]
    lines, kinds, steps, strengths = [], [], [], []
    for kind, first, last, shift, step in rows:
        lat = np.linspace(first, last, 25)
        lines.append(shapely.LineString(np.column_stack([front_lon(lat, shift + 0.03), lat])))
        kinds.append(kind)
        steps.append(step)
        strengths.append(2e-5 if np.isnan(step) else step / 8000.0)
    count = len(rows)
    columns = {
        "kind": kinds,
        "valid_time": [trip.window.start + np.timedelta64(3, "h")] * count,
        "seen_time": [trip.window.start - np.timedelta64(16, "h")] * count,
        "strength": strengths,
        "strength_doubt": [0.1 * strength for strength in strengths],
        "step": steps,
        "step_doubt": [0.1 * step for step in steps],
        "width": [8000.0 if np.isfinite(step) else np.nan for step in steps],
        "length": [geo.line_length(line) for line in lines],
        "warm_side": ["east" if np.isfinite(step) else "" for step in steps],
        "seen_share": [1.0 if np.isfinite(step) else 0.5 for step in steps],
        "doubt": np.linspace(1200.0, 2600.0, count),
        "confidence": np.linspace(0.95, 0.6, count),
        "source": ["Invented sea"] * count,
    }
    return tables.make_table("fronts", lines, columns)


#: row of the front, share of the way along it where the box's line begins, in rank order
BOX_SPOTS = [
    (2, 0.1),
    (5, 0.5),
    (1, 0.5),
    (3, 0.2),
    (6, 0.4),
    (7, 0.4),
    (5, 0.0),
    (1, 0.0),
    (0, 0.5),
    (3, 0.75),
]


def make_boxes(trip, fronts):
    """Ten boxes, each around 7 km of a line; evidence and rates fall with rank."""
    lines = [_cut(fronts.geometry[row], share, 7000.0) for row, share in BOX_SPOTS]
    shapes = [geo.buffer(line, 1100.0, centre=geo.Place(*line.coords[0]), quad_segs=2) for line in lines]
    rank = np.arange(1, len(lines) + 1)
    expected = 3.4 * 0.82 ** (rank - 1)
    run = np.array([geo.distance(BUOY, geo.Place(*line.coords[0])) for line in lines])
    why = [
        f"A {fronts.kind[row]}, seen in the newest picture; the current runs along it at 2 kn and gathers "
        f"there. It should lie within 1.4 nmi of this line at the hour of arrival."
        for row, _ in BOX_SPOTS
    ]
    columns = {
        "rank": rank,
        "front": [row for row, _ in BOX_SPOTS],
        "kind": [fronts.kind[row] for row, _ in BOX_SPOTS],
        "valid_time": [trip.window.start + np.timedelta64(3, "h")] * len(lines),
        "expected": expected,
        "expected_low": expected * 0.35,
        "expected_high": expected * 2.4,
        "depth": np.where(rank == 9, np.nan, 300.0 + 45.0 * rank),
        "length": [geo.line_length(line) for line in lines],
        "doubt": [fronts.doubt[row] for row, _ in BOX_SPOTS],
        "time_out": run / CRUISE,
        "time_home": run / CRUISE,
        "fuel": 2 * run / CRUISE * BURN_CRUISE,
        "why": why,
    }
    evidence = {
        "evidence_temperature_step": np.linspace(0.9, -0.3, rank.size),
        "evidence_convergence": np.where(np.isin([row for row, _ in BOX_SPOTS], (5, 6)), 0.7, 0.1),
        "evidence_temperature": np.full(rank.size, 0.25),
        "evidence_chlorophyll": np.full(rank.size, np.nan),
        "evidence_depth": np.linspace(0.2, -0.4, rank.size),
    }
    made = tables.make_table("boxes", shapes, columns, line=lines, **evidence)
    made["line"] = made["line"].astype(object)
    return made.set_geometry("geometry")


def _cut(line, share: float, metres: float):
    """A stretch of a line, from a share of its way on."""
    length = geo.line_length(line)
    end = min(share + metres / length, 1.0)
    return shapely.ops.substring(line, share * line.length, end * line.length)


def make_legs(trip, boxes, ranks=(1, 2, 3)):
    """From the sea buoy to each box in turn (lines in a quarter mile before its line), and back to it."""
    rows = []
    way = geo.distance(PORT, BUOY) / CRUISE
    clock = trip.window.start + np.timedelta64(round(way * 1000), "ms")
    fuel, here = trip.boat.tank - way * BURN_CRUISE, BUOY

    def go(kind, places, box):
        nonlocal clock, fuel, here
        line = shapely.LineString([here, *places])
        length = geo.line_length(line)
        running = kind in ("run", "home")
        speed, burn = (CRUISE, BURN_CRUISE) if running else (TROLL, BURN_TROLL)
        spent = length / speed
        end = clock + np.timedelta64(round(spent * 1000), "ms")
        fuel -= spent * burn
        rows.append((line, kind, clock, end, length, speed, spent * burn, fuel, box))
        clock, here = end, places[-1]

    for rank in ranks:
        line = boxes.set_index("rank").loc[rank, "line"]
        first, second = geo.Place(*line.coords[0]), geo.Place(*line.coords[1])
        before = geo.destination(first, geo.bearing(second, first), QUARTER_MILE)
        go("run", [before], rank)
        go("lines in", [first], rank)
        go("troll", [geo.Place(*xy) for xy in line.coords[1:]], rank)
        last, end = geo.Place(*line.coords[-2]), geo.Place(*line.coords[-1])
        go("lines up", [geo.destination(end, geo.bearing(last, end), QUARTER_MILE)], rank)
    go("home", [BUOY], 0)
    names = ("kind", "start", "end", "distance", "speed", "fuel_used", "fuel_left", "box")
    columns = {name: [row[k + 1] for row in rows] for k, name in enumerate(names)}
    return tables.make_table("legs", [row[0] for row in rows], columns)


def with_passes(plan, count: int) -> Plan:
    """The plan with so many passes over its first box, to and fro."""
    legs, (at,) = plan.legs, np.flatnonzero((plan.legs["kind"] == "troll") & (plan.legs["box"] == 1))
    passes = [legs.iloc[[at]]]
    for _ in range(count - 1):
        passes.append(passes[-1].assign(geometry=passes[-1].geometry.reverse()))
    return replace(plan, legs=_joined(legs.iloc[:at], *passes, legs.iloc[at + 1 :]))


#: where a run goes around a cape: north of it, east, and south again
TURNS = [(153.25, -30.15), (153.35, -30.12), (153.42, -30.14), (153.47, -30.19), (153.5, -30.24)]


def with_turns(plan, turns=TURNS) -> Plan:
    """The plan with a first run that turns at some places."""
    run = plan.legs.geometry[0]
    bent = shapely.LineString([run.coords[0], *turns, run.coords[-1]])
    legs = plan.legs.assign(geometry=[bent, *plan.legs.geometry[1:]])
    return replace(plan, legs=tables.check_table("legs", legs))


def with_sun(plan, *, up: bool) -> Plan:
    """The plan of a day on which the sun does not set, or, if not `up`, does not rise."""
    window = plan.trip.window
    hours = {"sunrise": window.start, "sunset": window.end if up else window.start}
    return replace(plan, trip=plan.trip.model_copy(update={"window": window.model_copy(update=hours)}))


def join_boxes(plan, gap: float) -> Plan:
    """The plan with the lines left in from box 1 to box 2, laid to begin `gap` m beyond it."""
    legs = plan.legs
    work = legs[legs["kind"] == "troll"].set_index("box")
    before, after = (geo.Place(*work.geometry[1].coords[k]) for k in (-2, -1))
    begin = geo.destination(after, geo.bearing(before, after), gap)
    old = work.geometry[2]
    moved_line = shapely.transform(old, lambda xy: xy + (np.array(begin) - np.array(old.coords[0])))
    span = np.timedelta64(round(gap / TROLL * 1000), "ms")
    start = work["end"][1]
    lead = legs[(legs["kind"] == "troll") & (legs["box"] == 2)]
    way = shapely.LineString([after, begin])
    join = lead.assign(geometry=[way], start=start, end=start + span, distance=gap)
    worked = lead.assign(
        geometry=[moved_line], start=start + span, end=start + span + (lead["end"] - lead["start"])
    )
    rest = legs.index[(legs["kind"] == "lines up") & (legs["box"] == 2)][0]
    upto = legs.index[(legs["kind"] == "troll") & (legs["box"] == 1)][0]
    return replace(plan, legs=_joined(legs.loc[:upto], join, worked, legs.loc[rest:]))


def _joined(*parts):
    return tables.check_table("legs", gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=tables.CRS))


def make_reach(trip) -> xr.Dataset:
    """Straight-line times and fuel from the buoy, and what most of the day's fuel reaches."""
    west, south, east, north = trip.region
    lon, lat = np.arange(west, east, 0.05), np.arange(south, north, 0.05)
    x, y = np.meshgrid(lon, lat)
    metres = geo.GEOD.inv(np.full(x.shape, BUOY.lon), np.full(x.shape, BUOY.lat), x, y)[2]
    ashore = shapely.contains_xy(geo.land(trip.region), x, y)
    time = np.where(ashore, np.nan, metres / CRUISE)
    fuel = time * BURN_CRUISE
    reachable = np.where(np.isnan(fuel), False, 2 * fuel < 0.85 * trip.boat.usable)
    dims = ("lat", "lon")
    fields = {"time_out": time, "time_home": time, "fuel_out": fuel, "fuel_home": fuel}
    data = {name: (dims, values) for name, values in fields.items()}
    return xr.Dataset({**data, "reachable": (dims, reachable)}, {"lat": lat, "lon": lon}).assign_attrs(
        port_time=geo.distance(PORT, BUOY) / CRUISE, port_fuel=geo.distance(PORT, BUOY) / CRUISE * BURN_CRUISE
    )


def make_range(trip):
    """The disc the fuel allows, less the land."""
    radius = 0.85 * trip.boat.usable / 2 / BURN_CRUISE * CRUISE
    disc = geo.buffer(shapely.Point(BUOY), radius, centre=BUOY, quad_segs=24)
    return shapely.difference(disc, geo.land(trip.region))


def make_stays(trip) -> pd.DataFrame:
    """Two passes over box 1, to be given up early; one over box 2, the last."""
    hours = {"start": (2.0, 4.0), "end": (3.25, 5.0), "leave_by": (2.0 + 2 / 3, 5.0)}
    moments = {
        name: trip.window.start + np.array([round(3600 * h) for h in pair], "timedelta64[s]")
        for name, pair in hours.items()
    }
    return pd.DataFrame({"box": [1, 2], "passes": [2, 1], "expected": [2.5, 1.5], **moments})


def make_floating(trip) -> xr.Dataset:
    """Floating matter gathered along the wall, twice the usual there."""
    west, south, east, north = trip.region
    lon, lat = np.arange(west, east, 0.03), np.arange(south, north, 0.03)
    x, y = np.meshgrid(lon, lat)
    density = 0.8 + 1.2 * np.exp(-(((x - front_lon(y)) / 0.05) ** 2))
    density = np.where(shapely.contains_xy(geo.land(trip.region), x, y), np.nan, density)
    dims = ("lat", "lon")
    fields = {"density": (dims, density), "doubt": (dims, 0.05 * density)}
    return xr.Dataset(fields, {"lat": lat, "lon": lon, "time": trip.window.start})


def make_plan(*, trip=None, **changes) -> Plan:
    """A whole plan; `changes` replaces fields of it."""
    trip = trip or make_trip()
    data = make_sea(trip)
    fronts = make_fronts(trip)
    boxes = make_boxes(trip, fronts)
    noon = trip.window.start + np.timedelta64(8, "h")
    fields = {
        "trip": trip,
        "sea": data,
        "fronts": fronts,
        "reach": make_reach(trip),
        "range_polygon": make_range(trip),
        "boxes": boxes,
        "legs": make_legs(trip, boxes),
        "conditions": (
            Condition("wind", units.from_unit(14.0, "kn"), trip.boat.max_wind, noon),
            Condition("waves", np.nan, trip.boat.max_waves, noon),
        ),
        "cautions": (
            "No wave forecast was loaded: nothing is known of the seas.",
            "21 % of the temperature picture is hidden by cloud.",
        ),
        "data": describe_data(data, trip),
        "turn_for_home": trip.window.end - np.timedelta64(100, "m"),
        "made_at": trip.window.start - np.timedelta64(9, "h"),
        "stays": make_stays(trip),
        "best": 4.0,
        "bound": 4.0,
        "floating": make_floating(trip),
    }
    return Plan(**{**fields, **changes})


def empty_plan() -> Plan:
    """A plan in which nothing was found."""
    return make_plan(
        fronts=tables.empty_table("fronts"),
        boxes=tables.empty_table("boxes"),
        legs=tables.empty_table("legs"),
        turn_for_home=np.datetime64("NaT", "ns"),
        conditions=(),
    )


def moved(plan: Plan, east: float, north: float = 0.0) -> Plan:
    """The same plan so many degrees farther east, past 180° if need be, and north; the land stays."""

    def shift(shape):
        return shapely.transform(shape, lambda xy: xy + np.array([east, north]))

    def shift_grid(data):
        return data.assign_coords(lon=data["lon"] + east, lat=data["lat"] + north)

    def shifted(table):
        columns = {"geometry": shift(table.geometry.values)}
        if "line" in table:
            columns["line"] = [shift(line) for line in table["line"]]
        return table.assign(**columns)

    nodes = {name: node.to_dataset() for name, node in plan.sea.children.items()}
    nodes = {name: shift_grid(data) for name, data in nodes.items()}
    port = plan.trip.port
    places = {
        name: geo.Place(getattr(port, name)[0] + east, getattr(port, name)[1] + north)
        for name in ("at", "sea_buoy")
    }
    closed = plan.trip.avoid.model_copy(update={"closed": shift(plan.trip.avoid.closed)})
    return replace(
        plan,
        trip=plan.trip.model_copy(update={"port": port.model_copy(update=places), "avoid": closed}),
        sea=sea.make_sea(nodes),
        fronts=shifted(plan.fronts),
        boxes=shifted(plan.boxes),
        legs=shifted(plan.legs),
        range_polygon=shift(plan.range_polygon),
        reach=shift_grid(plan.reach),
        floating=shift_grid(plan.floating),
    )
