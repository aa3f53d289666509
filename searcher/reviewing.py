"""In the evening: the plan against the log. Which lines were there, how many fish, how warm.

`searcher.findings` writes it into the trip folder. What later trips may learn from, with the skipper's
consent, is the JSON there (`searcher.learn.read_season`); nothing leaves the machine.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from searcher.errors import TableError
from searcher.geo import compass_point
from searcher.keep import open_plan
from searcher.learn import (
    Reading,
    posterior_rate,
    prior_weights,
    read_season,
    reliability,
    season_profile,
)
from searcher.learn.day import entries_of, meet_lines, read_thermometer, temperature_bias
from searcher.learn.registration import MATCHES
from searcher.learn.trolled import stretches_of, with_fading
from searcher.plan import Plan
from searcher.profile import PIECES, read_profile
from searcher.reranking import day_at_sea
from searcher.sightings.entry import BY_PLAN
from searcher.units import HOUR
from searcher.weighing import fading_at

#: stretches in a class of the reliability table, and classes, at most
PER_CLASS, CLASSES = 3, 5
#: an entry placed by the number of a box lies this near its line, degrees
HERE = 1e-4
#: columns of the stretches that later trips learn from
KEPT = ("duration", "encounters", "expected", "offset", *PIECES)


@dataclass(frozen=True)
class Review:
    """The plan against the log.

    lines: those met, with `number` (of the nearest box on it, 0 for none), `kind` (of the forecast line),
    `met` (what was seen), `time`, `offset` (m), `towards` (compass point), `doubt` (m, of the line then) and
    `off` (offset in doubts). named: how many entries of lines were placed by the number of a box, and
    tell no offset. missed: numbers of boxes trolled of whose line nothing was met. stretches: as
    `searcher.learn.trolled.stretches_of`, with `expected` (per hour, as forecast, less what was worked out),
    without encounters that came during none of them: of those there are `strays`.
    table: of `searcher.learn.reliability`, today; season: the same of all reviewed trips with today's, None
    without consent. trips: how many those are without today's.
    """

    plan: Plan
    lines: pd.DataFrame
    named: int
    missed: tuple[int, ...]
    stretches: pd.DataFrame
    table: pd.DataFrame
    bias: Reading
    readings: int
    strays: int = 0
    others: int = 0  # entries of other days in the log, left out
    season: pd.DataFrame | None = None
    trips: int = 0
    learned: str = ""  # the profile that today's log and the season's make, as TOML; "" without consent

    @property
    def expected(self) -> float:
        """Encounters to be expected where and as long as was trolled."""
        return float(self.stretches["expected"] @ self.stretches["duration"]) / HOUR

    @property
    def met(self) -> int:
        return int(self.stretches["encounters"].sum())


def review(plan: Plan | str | os.PathLike[str], sightings: gpd.GeoDataFrame) -> Review:
    """A plan, or the one kept in a trip folder, against what was seen (`searcher.tables.SIGHTINGS`).

    Raises `TableError` for an empty log, `NoData` where no plan is kept.
    """
    plan = plan if isinstance(plan, Plan) else open_plan(plan)
    whole, sightings = sightings, entries_of(plan.trip, sightings)
    others = len(whole) - len(sightings)
    if sightings.empty:
        given = f"{others} entries of other days" if others else None
        hint = "Write down what was seen: searcher log --help"
        raise TableError("nothing in the log to review", given=given, hint=hint)
    last = max(np.datetime64(sightings["end"].max(), "ns"), plan.trip.window.end)
    day = day_at_sea(plan, sightings, last)
    bias, readings = temperature_bias(read_thermometer(day))
    plain = stretches_of(day)
    stretches = with_fading(plain, plan.boxes, fading_at(plan, plan.boxes))
    rate = posterior_rate(prior_weights(plan.profile), plain[list(PIECES)])["expected"]
    stretches["expected"] = rate * np.exp(stretches["offset"] - plain["offset"])
    lines = _lines_met(plan, meet_lines(day), day.log)
    worked = set(stretches["box"]) - {0}
    known = stretches["duration"] > 0.0
    if plan.boxes.empty:  # a day without boxes has none of their columns either
        fronts, planned = pd.Series(dtype=int), np.empty(0, dtype=object)
    else:
        fronts, planned = plan.boxes.set_index("rank")["front"], plan.boxes["line"].to_numpy()
    named = sightings[sightings["kind"].isin(MATCHES) & (sightings["source"] == BY_PLAN)]
    at = shapely.dwithin(planned[:, None], named.geometry.to_numpy(), HERE).any(axis=1)
    found = set(lines["front"]) | set(fronts.to_numpy()[at])
    missed = sorted(number for number in worked if fronts[number] not in found)
    return Review(
        plan=plan,
        lines=lines,
        named=len(named),
        missed=tuple(missed),
        stretches=stretches[known],
        table=_reliability(stretches[known]),
        bias=bias,
        readings=readings,
        strays=int((~known).sum()),
        others=others,
        **_season(plan, stretches[known]),
    )


def _lines_met(plan: Plan, offsets: pd.DataFrame, log: gpd.GeoDataFrame) -> pd.DataFrame:
    """The lines met, with the box on each that is nearest the sighting."""
    rows = []
    for row in offsets.itertuples():
        boxes = plan.boxes[plan.boxes["front"] == row.front]
        away = shapely.distance(boxes["line"].to_numpy(), log.geometry[row.sighting])
        towards = compass_point(math.degrees(math.atan2(row.east, row.north)) % 360.0)
        rows.append(
            {
                "front": row.front,
                "number": int(boxes["rank"].iloc[away.argmin()]) if len(boxes) else 0,
                "kind": plan.fronts["kind"][row.front],
                "met": row.met,
                "time": row.time,
                "offset": row.offset,
                "towards": towards,
                "doubt": row.doubt,
                "off": row.offset / row.doubt,
            }
        )
    columns = ["front", "number", "kind", "met", "time", "offset", "towards", "doubt", "off"]
    return pd.DataFrame(rows, columns=columns)


def _reliability(stretches: pd.DataFrame) -> pd.DataFrame:
    columns = (stretches[name].to_numpy(dtype=float) for name in ("expected", "encounters"))
    bins = int(np.clip(len(stretches) // PER_CLASS, 1, CLASSES))
    return reliability(*columns, duration=stretches["duration"].to_numpy(dtype=float), bins=bins)


def _season(plan: Plan, stretches: pd.DataFrame) -> dict[str, Any]:
    """What the season's reviewed trips and today's say together; nothing without consent."""
    trip = plan.trip
    if not trip.learn.from_log or stretches.empty:
        return {}
    base = read_profile(trip.target.species, trip.folder)
    # the table is of all trips, also of those that the profile has learned from before
    logs = read_season(trip.season, replace(base, learned=[]), but=trip.folder)
    together = [*logs, stretches[["time", *KEPT]]]
    return {
        "season": _reliability(pd.concat(together, ignore_index=True)),
        "trips": len(logs),
        "learned": season_profile(base, together),
    }
