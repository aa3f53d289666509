"""Sea trials: floating matter met per hour trolled by the plan and by others, with the same boat and hours.

A true sea is made by the built-in generator with many pieces of floating matter. The planner is given only
what a user would have: files of clouded pictures up to half a day old, coarse currents out of place, wind.
Its day is then trolled through the truth, and every piece that comes within sighting range of the track is
counted, once.

- blind: straight offshore over the trip's least depth and back, the mean over several courses;
- nearest break: the break of the newest picture that shows one, nearest the port, where the picture has it,
  worked all day;
- one box: the best box of the plan, worked all day where it is on arrival;
- oracle: the same boat, with the true places of everything at noon;
- luck: what the oracle would gain over the blind if the same pieces were strewn evenly;
- with the log: the plan, made anew after every pass over a box from what was seen on the way
  (`searcher.rerank`): where several pieces lay in sight at once, and a bite for one piece in a hundred.

Plans that lack something say what each part is worth.
"""

from __future__ import annotations

import json
import tempfile
import warnings
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import cached_property, partial
from multiprocessing import get_context
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
import xarray as xr
from timing import print_table, read_options, say

import searcher as sr
from searcher.builtin import Sight, make_builtin_sea
from searcher.builtin.files import write_sea_files
from searcher.drift import drift_fronts
from searcher.evidence import floating_around
from searcher.fronts import find_fronts
from searcher.fronts.gathering import find_gathering
from searcher.geo import LocalPlane, Place, destination
from searcher.plan import Plan, arrival_times, find_lines, make_plan
from searcher.profile import Profile, read_profile
from searcher.reach import find_reach, range_polygon, time_to_troll
from searcher.route import lay_route
from searcher.score import rank_boxes
from searcher.sea import to_seconds, to_times
from searcher.sightings import Sighting
from searcher.sightings.entry import tabulate
from searcher.tables import BITE, CONVERGENCE_LINE, CRS, TROLLED, WEED_LINE
from searcher.waters import survey_waters

SIGHT = 400.0  # m, sighting range
EVERY = 60.0  # s between places of a track
OFFSHORE = (60.0, 80.0, 100.0, 120.0, 140.0)  # courses of the blind, degrees true
#: currents as coarse and as far out of place as real products, and clouds that may hide the whole reach
REAL = Sight(least_cover=0.2, most_cover=0.8, current_blur=7e3, current_shift=7e3)
LATTICE, HEADINGS, STRETCH = 2000.0, 8, 6000.0  # the oracle's candidates: m apart, courses, m long
ORACLE_BOXES = 40
NOON = 7 * 3600.0  # s after leaving
TOGETHER = (-0.1, -0.3)  # m/s, how what is strewn evenly drifts
#: pieces in sight at once that are logged as a weed line, and the least time between two such entries, s
WEED, AGAIN = 4, 1200.0
BITES = 0.01  # per piece met: one in ten hours on plain water, of some ten pieces an hour


@dataclass(frozen=True)
class Trial:
    """One seed: what the planner sees, and the truth."""

    trip: sr.Trip
    sea: xr.DataTree
    truth: xr.DataTree

    @cached_property
    def plane(self) -> LocalPlane:
        return LocalPlane(self.trip.port.sea_buoy)

    @cached_property
    def waters(self):
        return survey_waters(self.trip, self.sea)

    @cached_property
    def reach(self) -> xr.Dataset:
        return find_reach(self.trip, self.sea, waters=self.waters)

    @cached_property
    def hours(self) -> np.ndarray:
        return to_seconds(self.truth["floating"]["time"].values)

    @cached_property
    def pieces(self) -> np.ndarray:
        """Places of all floating matter, (hour, piece, 2) m from the sea buoy; NaN before its release."""
        data = self.truth["floating"].to_dataset()
        lonlat = np.stack([data["lon"].values, data["lat"].values], axis=-1)
        lonlat = lonlat[:, self._come_near(lonlat)]
        out = np.full(lonlat.shape, np.nan)
        known = np.isfinite(lonlat[..., 0])
        out[known] = shapely.get_coordinates(self.plane.to_plane(shapely.points(lonlat[known])))
        return out

    def place(self, track: Track, moment: float) -> Place:
        """Where a boat on a track is at a moment, degrees."""
        xy = [np.interp(moment, track.time, track.xy[:, k]) for k in (0, 1)]
        return Place(*shapely.get_coordinates(self.plane.to_degrees(shapely.Point(xy)))[0])

    def in_sight(self, track: Track, moment: float) -> int:
        """How many pieces are within sight of it."""
        hour = int(np.clip(np.searchsorted(self.hours, moment, side="right") - 1, 0, len(self.hours) - 2))
        share = (moment - self.hours[hour]) / (self.hours[hour + 1] - self.hours[hour])
        xy = np.array([np.interp(moment, track.time, track.xy[:, k]) for k in (0, 1)])
        return len(_seen(xy[None], np.array([share]), self.pieces[hour], self.pieces[hour + 1]))

    def _come_near(self, lonlat: np.ndarray) -> np.ndarray:
        """Which pieces are at some hour in the region of the trip."""
        box = self.trip.region
        inside = (lonlat >= (box.west, box.south)) & (lonlat <= (box.east, box.north))
        return inside.all(axis=-1).any(axis=0)

    @cached_property
    def strewn(self) -> np.ndarray:
        """As many pieces strewn evenly over the same water, drifting together, so that none is met twice."""
        rng = np.random.default_rng(0)
        here = self.pieces[len(self.hours) // 2]
        here = here[np.isfinite(here[:, 0])]
        low, high = here.min(axis=0), here.max(axis=0)
        gone = (self.hours - self.hours[len(self.hours) // 2])[:, None, None] * np.array(TOGETHER)
        return rng.uniform(low, high, (len(here), 2))[None] + gone


def make_trial(seed: int, convergence: float, particles: int) -> Trial:
    """A sea, written to files and read back as a user would."""
    sea, truth = make_builtin_sea(seed=seed, convergence=convergence, particles=particles, sight=REAL)
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        write_sea_files(sea, folder)
        trip = sr.read_trip(folder)
        return Trial(trip, sr.load_sea(trip.region, trip.window, sources=trip.sources).load(), truth)


# ---- what is met


@dataclass(frozen=True)
class Track:
    """A trolled way: places (n, 2), metres from the sea buoy, and times (n,), s."""

    xy: np.ndarray
    time: np.ndarray


def met(tracks: list[Track], pieces: np.ndarray, hours: np.ndarray) -> float:
    """Distinct pieces seen per hour trolled; 0 for a day without trolling."""
    seen: set[int] = set()
    spent = 0.0
    for track in tracks:
        spent += track.time[-1] - track.time[0]
        moments = np.arange(track.time[0], track.time[-1], EVERY)
        x, y = (np.interp(moments, track.time, track.xy[:, k]) for k in (0, 1))
        for hour in np.unique(np.searchsorted(hours, moments, side="right") - 1):
            if 0 <= hour < len(hours) - 1:
                these = np.searchsorted(hours, moments, side="right") - 1 == hour
                share = (moments[these] - hours[hour]) / (hours[hour + 1] - hours[hour])
                seen |= _seen(np.column_stack([x[these], y[these]]), share, pieces[hour], pieces[hour + 1])
    return len(seen) / (spent / 3600.0) if spent else 0.0


def _seen(boat: np.ndarray, share: np.ndarray, before: np.ndarray, after: np.ndarray) -> set[int]:
    """Numbers of the pieces that come within sight of a boat during one hour."""
    low, high = boat.min(axis=0) - 6e3, boat.max(axis=0) + 6e3
    near = np.flatnonzero(((before > low) & (before < high)).all(axis=1) & np.isfinite(after[:, 0]))
    there = before[near] + share[:, None, None] * (after[near] - before[near])
    close = np.hypot(*np.moveaxis(there - boat[:, None], 2, 0)) <= SIGHT
    return set(near[close.any(axis=0)].tolist())


# ---- who trolls where


def tracks_of(legs: gpd.GeoDataFrame, plane: LocalPlane, kinds: Sequence[str] = ("troll",)) -> list[Track]:
    """The trolled legs of a route, or those of other kinds."""
    tracks = []
    for leg in legs[legs["kind"].isin(kinds)].itertuples():
        xy = shapely.get_coordinates(plane.to_plane(leg.geometry))
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        start, end = to_seconds(leg.start), to_seconds(leg.end)
        tracks.append(Track(xy, start + (end - start) * along / along[-1]))
    return tracks


def work_all_day(line: np.ndarray, trial: Trial) -> list[Track]:
    """A line (n, 2) m trolled to and fro for as long as hours, light and fuel allow; from its nearer end."""
    trip, reach = trial.trip, trial.reach
    if np.hypot(*line[-1]) < np.hypot(*line[0]):
        line = line[::-1]
    begin = trial.plane.to_degrees(shapely.Point(line[0]))
    out, home = (float(reach[name].interp(lon=begin.x, lat=begin.y)) for name in ("time_out", "time_home"))
    burn, troll_burn = reach.attrs["burn"], float(trip.boat.burn(trip.gear.troll))
    start = to_seconds(trip.window.start) + reach.attrs["port_time"] + out
    start = max(start, to_seconds(trip.window.sunrise))
    by_hours = to_seconds(trip.window.end) - reach.attrs["port_time"] - home - start
    by_fuel = (trip.boat.usable - 2 * reach.attrs["port_fuel"] - (out + home) * burn) / troll_burn
    spell = min(by_hours, by_fuel, to_seconds(trip.window.sunset) - start)
    if not spell > 0:
        return []
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    moments = np.arange(0.0, spell, EVERY)
    gone = trip.gear.troll * moments % (2 * along[-1])
    place = np.minimum(gone, 2 * along[-1] - gone)
    xy = np.column_stack([np.interp(place, along, line[:, k]) for k in (0, 1)])
    return [Track(xy, start + moments)]


def blind(trial: Trial) -> list[list[Track]]:
    """Straight offshore from where the water is deep enough, half the hours out, half of them back."""
    depth = trial.sea["depth"]["depth"]
    days = []
    for course in OFFSHORE:
        places = [destination(trial.trip.port.sea_buoy, course, metres) for metres in range(0, 150_000, 500)]
        deep = [
            float(depth.sel(lon=p.lon, lat=p.lat, method="nearest")) >= trial.trip.target.min_depth
            for p in places
        ]
        first = deep.index(True)
        line = shapely.LineString([places[first], destination(places[first], course, 50e3)])
        (there,) = work_all_day(shapely.get_coordinates(trial.plane.to_plane(line)), trial)
        half = trial.trip.gear.troll * (there.time[-1] - there.time[0]) / 2
        line = shapely.LineString([places[first], destination(places[first], course, half)])
        days.append(work_all_day(shapely.get_coordinates(trial.plane.to_plane(line)), trial))
    return days


def nearest_break(trial: Trial) -> list[Track]:
    """The break of the newest picture that shows one, nearest in time, where the picture has it."""
    within = range_polygon(trial.reach)
    pictures = trial.sea["temperature"].to_dataset()["sst"]
    for time in pictures["time"].values[::-1]:
        lines = [
            row["geometry"] for row in sr.fronts.find_temperature_breaks(pictures.sel(time=time, drop=True))
        ]
        inside = shapely.intersection(lines, within) if lines else []
        parts = [p for p in shapely.get_parts(inside) if p.geom_type == "LineString"]
        flat = [trial.plane.to_plane(part) for part in parts]
        flat = [part for part in flat if part.length > 3000.0]
        if flat:
            best = min(flat, key=lambda part: shapely.distance(part, shapely.Point(0, 0)))
            begin = shapely.line_locate_point(best, shapely.Point(0, 0))
            piece = shapely.ops.substring(best, max(begin - 4500, 0.0), begin + 4500)
            return work_all_day(shapely.get_coordinates(piece), trial)
    return []


def one_box(plan: Plan, trial: Trial) -> list[Track]:
    """The best box of a plan, all day."""
    if plan.boxes.empty:
        return []
    return work_all_day(shapely.get_coordinates(trial.plane.to_plane(plan.boxes["line"].iloc[0])), trial)


def oracle(trial: Trial, pieces: np.ndarray) -> list[Track]:
    """A route over the stretches that have most within sight at noon."""
    noon = float(to_seconds(trial.trip.window.start)) + NOON
    here = pieces[int(np.abs(trial.hours - noon).argmin())]
    here = here[np.isfinite(here[:, 0])]
    area = trial.plane.to_plane(range_polygon(trial.reach))
    lines = _stretches(area)
    swaths = shapely.buffer(lines, SIGHT, cap_style="flat", quad_segs=2)
    counts = np.bincount(
        shapely.STRtree(shapely.points(here)).query(swaths, predicate="contains")[0], minlength=len(lines)
    )
    chosen: list[int] = []
    for k in np.argsort(counts, kind="stable")[::-1]:
        if len(chosen) == ORACLE_BOXES:
            break
        if all(shapely.intersection(swaths[k], swaths[j]).area < 0.3 * swaths[k].area for j in chosen):
            chosen.append(int(k))
    degrees = [trial.plane.to_degrees(line) for line in lines[chosen]]
    rate = counts[chosen] / (STRETCH / trial.trip.gear.troll / 3600.0)
    boxes = gpd.GeoDataFrame(
        {
            "rank": np.arange(1, len(chosen) + 1),
            "kind": "convergence line",
            "valid_time": to_times(noon)[()],
            "expected": rate,
            "expected_low": 0.8 * rate,
            "expected_high": 1.2 * rate,
            "length": STRETCH,
            "doubt": SIGHT,
            "line": gpd.GeoSeries(degrees, crs=CRS),
        },
        geometry=gpd.GeoSeries(degrees, crs=CRS),
    )
    return tracks_of(lay_route(boxes, trial.reach, trial.trip, waters=trial.waters), trial.plane)


def _stretches(area: shapely.Geometry) -> np.ndarray:
    """Straight stretches on a lattice, in all courses, within an area (m)."""
    west, south, east, north = area.bounds
    x, y = np.meshgrid(np.arange(west, east, LATTICE), np.arange(south, north, LATTICE))
    middle = np.column_stack([x.ravel(), y.ravel()])
    lines = []
    for heading in np.arange(HEADINGS) * np.pi / HEADINGS:
        half = 0.5 * STRETCH * np.array([np.sin(heading), np.cos(heading)])
        lines.append(shapely.linestrings(np.stack([middle - half, middle + half], axis=1)))
    lines = np.concatenate(lines)
    shapely.prepare(area)
    return lines[shapely.contains(area, lines)]


# ---- the plan, what it is without some of its parts, and the plan made anew at sea


def silenced(profile: Profile, *pieces: str) -> Profile:
    """A profile in which some pieces of evidence say nothing."""
    quiet = {piece: profile.sections[piece] | {"weight": 0.0, "sd": 0.0} for piece in pieces}
    return replace(profile, sections=profile.sections | quiet)


def still_lines(trip: sr.Trip, sea: xr.DataTree, reach: xr.Dataset):
    """Lines and map as they are at the hour of leaving."""
    fronts = find_fronts(sea, at=trip.window.start)
    fronts = fronts[fronts["kind"] != CONVERGENCE_LINE]
    within = range_polygon(reach)
    floating = floating_around(sea, [within], at=trip.window.start)
    currents, time = sea["currents"].to_dataset(), time_to_troll(reach, trip)
    gathering = find_gathering(floating, within, currents, seen=trip.window.start, time=time)
    return pd.concat([fronts, gathering], ignore_index=True), floating


def lines_of_one_hour(trip: sr.Trip, sea: xr.DataTree, reach: xr.Dataset):
    """Lines along which the currents converge at one hour, in place of where matter has gathered."""
    fronts = drift_fronts(find_fronts(sea, at=trip.window.start), sea, to=trip.window.start)
    fronts = drift_fronts(fronts, sea, to=arrival_times(fronts, reach, trip), join=False)
    return fronts, None


def breaks_alone(trip: sr.Trip, sea: xr.DataTree, reach: xr.Dataset):
    """Breaks and changes of colour, drifted, and nothing of what gathers."""
    fronts, _ = lines_of_one_hour(trip, sea, reach)
    return fronts[fronts["kind"] != CONVERGENCE_LINE].reset_index(drop=True), None


def plan_day(trial: Trial, *, lines=find_lines, composite=True, drift=True, without=()) -> list[Track]:
    """The day of a plan that lacks something."""
    trip, reach = trial.trip, trial.reach
    sea = trial.sea if composite else trial.sea.filter(lambda node: node.name != "surface")
    fronts, floating = lines(trip, sea, reach)
    profile = silenced(read_profile(trip.target.species, trip.folder), *without)
    boxes = rank_boxes(fronts, reach, sea, trip, profile=profile, floating=floating)
    legs = lay_route(boxes, reach, trip, sea=sea if drift else None, waters=trial.waters)
    return tracks_of(legs, trial.plane)


ABLATIONS = {
    "without drift": {"lines": still_lines, "drift": False},
    "without the composed map": {"composite": False},
    "without what has gathered": {"lines": lines_of_one_hour, "without": ("convergence",)},
    "without any convergence": {"lines": breaks_alone, "without": ("convergence", "coincidence")},
}


def day_with_log(plan: Plan, trial: Trial, rng: np.random.Generator) -> list[Track]:
    """The plan's day, made anew after every pass over a box from the log of what was met until then."""
    tracks: list[Track] = []
    log: list[Sighting] = []
    legs = plan.legs
    while (legs["kind"] == "troll").any():
        done = legs.iloc[: _end_of_first_pass(legs)]
        tracks += tracks_of(done, trial.plane)
        weed = [entry.end for entry in log if entry.kind == WEED_LINE]
        log += entries_of(done, trial, rng, since=max(weed, default=None))
        last = done.iloc[-1]
        found = sr.rerank(
            plan,
            tabulate(log, id=np.arange(len(log))),
            at=Place(*shapely.get_coordinates(last["geometry"])[-1]),
            fuel=float(last["fuel_left"]),
            now=last["end"].to_datetime64(),
        )
        legs = found.plan.legs
    return tracks


def _end_of_first_pass(legs: gpd.GeoDataFrame) -> int:
    """How many legs there are up to the end of the first pass over a box, lines up if they then come up."""
    last = int(np.flatnonzero(legs["kind"] == "troll")[0])
    return last + 1 + int(legs["kind"].iloc[last + 1] == "lines up")


def entries_of(legs: gpd.GeoDataFrame, trial: Trial, rng: np.random.Generator, *, since) -> list[Sighting]:
    """The log of some legs: stretches trolled, bites in them, and weed where several pieces lay in sight."""
    log = []
    for leg, track in zip(
        legs[legs["kind"] == "troll"].itertuples(), tracks_of(legs, trial.plane), strict=True
    ):
        log.append(Sighting(TROLLED, leg.geometry, leg.start.to_datetime64(), leg.end.to_datetime64()))
        hours = (track.time[-1] - track.time[0]) / 3600.0
        pieces = met([track], trial.pieces, trial.hours) * hours
        moments = np.sort(rng.uniform(track.time[0], track.time[-1], rng.binomial(round(pieces), BITES)))
        log += [Sighting(BITE, trial.place(track, moment), to_times(moment)[()]) for moment in moments]
    for track in tracks_of(legs, trial.plane, ("run", "lines in", "troll")):
        for moment in np.arange(track.time[0], track.time[-1], EVERY):
            now = to_times(moment)[()]
            if (since is None or now - since > np.timedelta64(int(AGAIN), "s")) and trial.in_sight(
                track, moment
            ) >= WEED:
                log.append(Sighting(WEED_LINE, trial.place(track, moment), now))
                since = now
    return sorted(log, key=lambda entry: entry.end)


# ---- the trials


def run_trial(seed: int, convergence: float, *, particles: int) -> dict[str, float]:
    """Pieces met per hour by everyone, for one sea."""
    trial = make_trial(seed, convergence, particles)
    score = partial(met, pieces=trial.pieces, hours=trial.hours)
    plan = make_plan(trial.trip, trial.sea)
    scores = {
        "plan": score(tracks_of(plan.legs, trial.plane)),
        "with the log": score(day_with_log(plan, trial, np.random.default_rng(seed))),
        "blind": float(np.mean([score(day) for day in blind(trial)])),
        "nearest break": score(nearest_break(trial)),
        "one box": score(one_box(plan, trial)),
        "oracle": score(oracle(trial, trial.pieces)),
        "luck": met(oracle(trial, trial.strewn), trial.strewn, trial.hours),
        "luck's blind": float(np.mean([met(day, trial.strewn, trial.hours) for day in blind(trial)])),
    }
    return scores | {name: score(plan_day(trial, **lacks)) for name, lacks in ABLATIONS.items()}


# ---- the table


def interval(ratios: np.ndarray, *, draws: int = 4000) -> str:
    """Median of ratios with its 90 % bootstrap interval (Efron & Tibshirani 1993, ch. 13)."""
    rng = np.random.default_rng(0)
    medians = np.median(rng.choice(ratios, (draws, len(ratios))), axis=1)
    low, high = np.quantile(medians, [0.05, 0.95])
    return f"{np.median(ratios):.2f} [{low:.2f}, {high:.2f}]"


def against(scores: list[dict[str, float]], over: str, under: str) -> str:
    """Paired ratios over the seeds in which the lower side met anything."""
    ratios = np.array([row[over] / row[under] for row in scores if row[under] > 0])
    return interval(ratios) if len(ratios) else "-"


ROWS = (
    ("plan over blind", "plan", "blind"),
    ("plan over nearest break", "plan", "nearest break"),
    ("plan over one box", "plan", "one box"),
    ("plan over oracle", "plan", "oracle"),
    ("with the log over plan", "with the log", "plan"),
    ("oracle over blind", "oracle", "blind"),
    ("luck: oracle over blind, strewn evenly", "luck", "luck's blind"),
    *((f"plan over itself {name}", "plan", name) for name in ABLATIONS),
)
STRENGTHS = (1.0, 0.0, 2.0)


def main() -> None:
    options = read_options(__doc__, seeds=30, keep=True)
    seeds = range(201, 201 + (1 if options.quick else options.seeds))
    strengths = (1.0,) if options.quick else STRENGTHS
    scores = run_all(seeds, strengths, particles=20_000 if options.quick else 300_000, keep=options.keep)
    columns = {s: [score for (_, strength), score in scores.items() if strength == s] for s in strengths}
    columns = {s: found for s, found in sorted(columns.items()) if found}
    print_table(
        "floating matter met per hour trolled, median ratio [90 % interval]",
        ["convergence of the true currents", *(f"{s:g} ({len(found)} seas)" for s, found in columns.items())],
        [[name, *(against(found, over, under) for found in columns.values())] for name, over, under in ROWS],
    )
    if options.plot:
        draw(columns, options.plot)


def run_all(
    seeds: range, strengths: Sequence[float], *, particles: int, keep: str | None
) -> dict[tuple[int, float], dict[str, float]]:
    """Scores by seed and strength; with `keep`, those in that file are not run again, and new ones added."""
    scores = {}
    if keep and Path(keep).exists():
        for line in Path(keep).read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            scores[row.pop("seed"), row.pop("conv")] = row
    wanted = [(seed, s) for s in strengths for seed in seeds if (seed, s) not in scores]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        jobs = {pool.submit(run_trial, *each, particles=particles): each for each in wanted}
        for job in as_completed(jobs):
            seed, strength = jobs[job]
            scores[seed, strength] = job.result()
            say(f"convergence {strength:g}, sea {seed}: " + told(job.result()))
            if keep:
                with open(keep, "a", encoding="utf-8") as file:
                    print(json.dumps({"seed": seed, "conv": strength, **job.result()}), file=file)
    return scores


def draw(columns: dict[float, list[dict[str, float]]], path: str) -> None:
    """The ratios of every sea, side by side: where the plan stands against the others."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib import pyplot

    rows = [row for row in ROWS if "luck" not in row[0]][::-1]
    figure, axes = pyplot.subplots(
        1, len(columns), figsize=(4 + 4 * len(columns), 5.5), sharey=True, squeeze=False
    )
    for axis, (strength, found) in zip(axes[0], columns.items(), strict=True):
        for place, (_, over, under) in enumerate(rows):
            ratios = np.array([row[over] / row[under] for row in found if row[under] > 0])
            ratios = np.maximum(ratios, 0.05)
            axis.scatter(ratios, np.full(ratios.size, place), s=14, alpha=0.5, color="#0072b2", linewidths=0)
            axis.scatter(np.median(ratios), place, marker="D", s=46, color="#d55e00", zorder=3)
        axis.axvline(1.0, color="0.4", linewidth=0.8)
        axis.set(xscale="log", xlim=(0.04, 40), xlabel="ratio, one dot a sea; diamond: median")
        axis.set_title(f"convergence of the true currents {strength:g}", fontsize=10)
        axis.grid(axis="x", alpha=0.3)
    axes[0, 0].set_yticks(range(len(rows)), [name for name, *_ in rows])
    figure.tight_layout()
    figure.savefig(path, dpi=90)


def told(scores: dict[str, float]) -> str:
    """The scores of one sea in a line."""
    return ", ".join(f"{name} {value:.1f}" for name, value in scores.items())


if __name__ == "__main__":
    main()
