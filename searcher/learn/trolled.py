"""What was trolled, and what that makes of the boxes: what they yielded, and what is left in them.

What was trolled is put down to the boxes it lay in; water outside every box counts as plain water. A box may
be better or worse than its evidence says: its own factor is gamma distributed around 1 (Clayton & Kaldor
1987, Biometrics 43:671-681), and what has been worked is worked out as a random search works it out (Koopman
1980, *Search and Screening*).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from searcher.boxes import NARROWEST, WIDEST
from searcher.drift import lines_at
from searcher.evidence import FACTS, carried_value, known, mean_over, points_across, weigh_features
from searcher.fronts.persistence import SPACING
from searcher.geo import LocalPlane, Place, densify
from searcher.learn.day import FAR, Day, named_by
from searcher.learn.hints import depth_gain, hookup_state, sign_gain
from searcher.profile import PIECES
from searcher.sea import to_seconds
from searcher.sightings import count_encounters, find_encounters, stray_encounters
from searcher.tables import Row

#: how much boxes differ beyond what the evidence tells: a gamma factor of this shape (a guess: a spread of
#: 70 %), its mean 1
SHAPE = 2.0
#: a stretch is put down to a box if at least so much of it lay there
MOSTLY = 0.3
#: columns of a table of stretches beside the features
STRETCH = ("time", "end", "duration", "encounters", "placed", "bottom", "offset", "box")
OPEN_WATER = SimpleNamespace(kind="", doubt=0.0)
UNKNOWN = dict.fromkeys(FACTS, np.nan)


def stretches_of(day: Day) -> pd.DataFrame:
    """The stretches trolled: `time`, `end`, `duration` (s), `encounters`, and features.

    An encounter during no stretch has a row of its own, of no duration: how long was trolled for it is not
    known. A feature is the mean of those of the boxes a stretch lay in and of plain water, by length.
    Besides: `bottom` (m, its depth), `offset` (what hints seen before it began added to ln rate), `box`
    (number of the box most of it lay in, 0 for none), and its share in each box by number, `in_...`.
    """
    trolled = count_encounters(day.log)
    strays = stray_encounters(day.log)
    alone = gpd.GeoDataFrame(
        {
            "time": strays["time"],
            "end": strays["time"],
            "duration": 0.0,
            "encounters": 1,
            "placed": strays["placed"],
        },
        geometry=strays.geometry.values,
        crs=day.log.crs,
    )
    parts = [part for part in (trolled, alone) if len(part)]
    if not parts:
        none = pd.DataFrame(columns=[*STRETCH, *PIECES], dtype=float)
        return none.astype({"time": "datetime64[ns]", "end": "datetime64[ns]", "box": int})
    both = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True)).sort_values(["time", "end"], kind="stable")
    both = both.reset_index(drop=True)
    shares = np.array(
        [box_shares(day, row.geometry, _middle_of(row), placed=row.placed) for row in both.itertuples()]
    )
    own = features_of(day.boxes, day, bias=0.0)[list(PIECES)].to_numpy() if len(day.boxes) else None
    rows = [_features(day, row, share, own) for row, share in zip(both.itertuples(), shares, strict=True)]
    table = pd.concat([both, pd.DataFrame(rows)], axis=1)
    most = shares.argmax(axis=1) if shares.size else np.zeros(len(both), int)
    inside = shares.max(axis=1, initial=0.0) > MOSTLY
    numbers = day.boxes["rank"].to_numpy() if len(day.boxes) else np.array([0])
    table["box"] = np.where(inside, numbers[most], 0)
    for k, share in enumerate(shares.T):
        table[f"in_{numbers[k]}"] = share
    return table.assign(offset=[_hints_before(day, table.iloc[:k], row) for k, row in table.iterrows()])


def _middle_of(row: Row) -> float:
    return float(to_seconds(row.time.to_datetime64()) + to_seconds(row.end.to_datetime64())) / 2


def box_shares(day: Day, stretch: shapely.Geometry, time: float, *, placed: int = 0) -> np.ndarray:
    """How much of a stretch lay in each box, (boxes,), where the box was by then.

    placed: the number of the box it was placed by, 0 for none. That, or one that has the planned line of a
    box, lay in that box and in no other.
    """
    boxes = day.boxes
    if placed:
        return (boxes["rank"] == placed).to_numpy(dtype=float)
    shares = np.zeros(len(boxes))
    near = np.flatnonzero(shapely.dwithin(boxes.geometry.values, stretch, FAR))
    if not near.size:
        return shares
    some = boxes.iloc[near]
    row = named_by(some["line"], stretch)
    if row is not None:
        shares[near[row]] = 1.0
        return shares
    areas = widen(lines_at(some, day.drift, time), some["doubt"])
    if stretch.length == 0.0:
        shares[near] = shapely.intersects(areas, stretch)
    else:
        shares[near] = shapely.length(shapely.intersection(areas, stretch)) / stretch.length
    return shares


def widen(lines: np.ndarray, doubts: ArrayLike) -> np.ndarray:
    """Boxes around lines (degrees): as wide to either side as the lines are doubtful (m), within bounds."""
    if not len(lines):
        return np.array([], dtype=object)
    west, south, east, north = shapely.total_bounds(lines)
    plane = LocalPlane(Place((west + east) / 2, (south + north) / 2))
    half = np.clip(np.asarray(doubts, dtype=float), NARROWEST, WIDEST)
    return plane.to_degrees(shapely.buffer(plane.to_plane(lines), half, quad_segs=4))


def _features(day: Day, row: Row, share: np.ndarray, own: np.ndarray | None) -> dict[str, float]:
    """Features and depth of one stretch."""
    xy = shapely.get_coordinates(densify(row.geometry, SPACING) if row.geometry.length else row.geometry)
    lon, lat = (np.ascontiguousarray(xy[:, k]) for k in (0, 1))
    depths = day.observer.sample_depth(lon, lat)
    seen = carried_value(day.observer.pictures, lon, lat, _middle_of(row), day.drift)
    facts = UNKNOWN | {
        "temperature": known(np.nanmean, seen),
        "weed": known(np.nanmean, day.observer.weed_seen(lon, lat, _middle_of(row))),
        "depths": depths,
        "steepness": known(np.nanmean, day.observer.sample_steepness(lon, lat)),
        "coincidence": 0.0,
    }
    plain = weigh_features(OPEN_WATER, facts, day.profile, day.trip)
    mixed = np.array([plain[piece] for piece in PIECES])
    total = share.sum()
    if total > 0:
        mixed = share @ own / max(total, 1.0) + max(1.0 - total, 0.0) * mixed
    return dict(zip(PIECES, mixed, strict=True)) | {"bottom": known(np.nanmedian, depths)}


def _hints_before(day: Day, before: pd.DataFrame, row: pd.Series) -> float:
    """What had been seen before a stretch began added to its ln rate."""
    log = day.log[day.log["time"] < row["time"]]
    signs = sign_gain(
        np.array([row.geometry], dtype=object), log, species=day.profile.name, now=row["time"].to_datetime64()
    )
    met = hookups(replace(day, log=log), before, row["time"])
    return float(signs[0] + depth_gain(np.array([row["bottom"]]), met)[0])


def hookups(day: Day, stretches: pd.DataFrame, now: np.datetime64 | pd.Timestamp) -> pd.DataFrame:
    """What is left of each hookup of the log by `now` (`searcher.learn.hookup_state`)."""
    met = find_encounters(day.log[day.log["time"] <= now])
    xy = shapely.get_coordinates(met.geometry.values)
    charted = day.observer.sample_depth(*(np.ascontiguousarray(xy[:, k]) for k in (0, 1)))
    met = pd.DataFrame({"time": met["time"], "depth": met["depth"].fillna(pd.Series(charted, met.index))})
    quiet = stretches.assign(depth=stretches.get("bottom", np.nan))
    return hookup_state(met, quiet, now=np.datetime64(now, "ns"))  # type: ignore[call-overload]


# ---- what that makes of the boxes


def features_of(boxes: gpd.GeoDataFrame, day: Day, *, bias: float) -> pd.DataFrame:
    """Features of boxes where their lines are now, and the depth under them (`bottom`, m).

    What goes with the water (temperature, break, what has gathered) is as it was found, the temperature
    corrected by `bias` (°C); depths and doubt are those of the new place.
    """
    rows = []
    for box in boxes.itertuples():
        lon, lat, weight = points_across(box.line, box.doubt)
        depths = day.observer.sample_depth(lon, lat)
        facts = {name: getattr(box, name) for name in FACTS}
        facts |= {"depths": depths, "temperature": box.temperature + bias}
        facts |= {"steepness": mean_over(day.observer.sample_steepness(lon, lat), weight)}
        on_line = depths[len(lon) // 3 : 2 * (len(lon) // 3)]
        rows.append(
            weigh_features(box, facts, day.profile, day.trip) | {"bottom": known(np.nanmedian, on_line)}
        )
    return pd.DataFrame(rows, columns=[*PIECES, "bottom"], index=boxes.index)


def hints_at(day: Day, boxes: gpd.GeoDataFrame, depths: np.ndarray, stretches: pd.DataFrame) -> np.ndarray:
    """What birds and hookups of the day add to ln rate of boxes now, (boxes,): the stronger of the two.

    Over the same water both may tell of the same fish.
    """
    signs = sign_gain(boxes["line"].to_numpy(), day.log, species=day.profile.name, now=day.moment)
    return np.maximum(signs, depth_gain(np.asarray(depths), hookups(day, stretches, day.moment)))


def box_factor(expected: ArrayLike, met: ArrayLike, *, shape: float = SHAPE) -> np.ndarray:
    """By how much a box is better than its evidence says, `met` encounters after `expected` ones.

    The factor is gamma distributed with mean 1 and this shape beforehand, encounters are Poisson: afterwards
    its mean is (shape + met) / (shape + expected) (gamma and Poisson are conjugate: Gelman et al. 2013,
    *Bayesian Data Analysis*, § 2.6).
    """
    return (shape + np.asarray(met, dtype=float)) / (shape + np.asarray(expected, dtype=float))


class Work(NamedTuple):
    """What was done in one box: time trolled (s), encounters, and time trolled along its own line (s)."""

    trolled: float
    met: float
    along: float


def work_of(stretches: pd.DataFrame, number: int, over: np.ndarray) -> Work:
    """The work in the box of a number; of a stretch its share.

    over: (stretches,), how much of each lay in the strip that is looked over from the line of the box. A box
    is as wide as its line is doubtful, so what was trolled in it tells of it; but only what was looked over
    is worked out, and beside it lies other water.
    """
    if stretches.empty:
        return Work(0.0, 0.0, 0.0)
    duration, met = (stretches[name].to_numpy(dtype=float) for name in ("duration", "encounters"))
    share = stretches.get(f"in_{number}", pd.Series(over)).to_numpy(dtype=float)
    return Work(float(share @ duration), float(share @ met), float(over @ duration))


def with_fading(stretches: pd.DataFrame, boxes: gpd.GeoDataFrame, fading: np.ndarray) -> pd.DataFrame:
    """Stretches with what had been worked out of their boxes by then in `offset`, ln rate.

    fading: 1/s, of each of the boxes. A stretch of time t in a box worked for T before yields the share
    (e^(-f·T) - e^(-f·(T + t))) / (f·t) of what it would at first; elsewhere all of it.
    """
    speeds = dict(zip(boxes["rank"], fading, strict=True))
    worked = dict.fromkeys(speeds, 0.0)
    gains = []
    for box, time in zip(stretches["box"], stretches["duration"], strict=True):
        speed, before = speeds.get(box, 0.0), worked.get(box, 0.0)
        share = -np.expm1(-speed * time) / (speed * time) if speed * time > 0 else 1.0
        gains.append(np.log(share) - speed * before)
        worked[box] = before + time
    return stretches.assign(offset=stretches["offset"] + np.array(gains, dtype=float))
