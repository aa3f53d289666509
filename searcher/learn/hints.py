"""What is seen adds to ln rate near by and for a while: hookups to their depth, birds to a place.

All of it is common practice, no source, put into numbers: a hint is worth a factor of two or three, not more,
since the logs that would measure it do not exist yet.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from searcher.geo import LocalPlane, Place
from searcher.tables import BIRDS
from searcher.units import HOUR, NAUTICAL_MILE

#: once fish are found, stay on that depth until they stop: what a hookup adds at its own depth, how far in ln
#: depth that reaches, and how it fades, by the clock and (faster) by hours trolled there without a bite, s
DEPTH_GAIN, DEPTH_REACH = 1.0, 0.25
DEPTH_FADE, QUIET_FADE = 4 * HOUR, 1 * HOUR
#: how far from what was seen a hint is worth anything, m, and for how long, s
NEAR, LASTING = 2 * NAUTICAL_MILE, 2 * HOUR
#: few birds working low suggest dolphinfish, a frenzy tuna
FEW, MANY = 3, 10
FLOCK_GAIN = 0.7
SECOND = np.timedelta64(1, "s")


def depth_gain(depth: np.ndarray, hookups: pd.DataFrame) -> np.ndarray:
    """What the day's hookups add to ln rate over bottoms of some depths, (n,); 0 where a depth is not known.

    depth: (n,) m. hookups: rows of `hookup_state`. A Gaussian in ln depth around each hookup, fading as
    exp(-age/DEPTH_FADE - quiet/QUIET_FADE); the strongest counts, so that a second hookup at the same depth
    renews the first and does not double it.
    """
    if hookups.empty:
        return np.zeros(len(depth))
    depth = np.asarray(depth, dtype=float)
    depth = np.where(depth > 0, depth, np.nan)
    apart = np.log(depth[:, None] / hookups["depth"].to_numpy()) / DEPTH_REACH
    left = np.exp(-hookups["age"].to_numpy() / DEPTH_FADE - hookups["quiet"].to_numpy() / QUIET_FADE)
    return DEPTH_GAIN * np.nan_to_num(np.exp(-(apart**2) / 2) * left).max(axis=1)


def hookup_state(encounters: pd.DataFrame, stretches: pd.DataFrame, *, now: np.datetime64) -> pd.DataFrame:
    """What is left of each hookup up to `now`: `depth` (m), `age` (s), `quiet` (s trolled there in vain).

    encounters: `time`, `depth`; stretches: `time`, `end`, `depth`, `encounters` (those of
    `searcher.sightings.count_encounters` with their depths). A stretch without an encounter counts for what
    of it came after the hookup, the less the farther its depth; of unknown depth not at all.
    """
    known = encounters[(encounters["time"] <= now) & (encounters["depth"] > 0)]
    vain = stretches[(stretches["encounters"] == 0) & (stretches["depth"] > 0)]
    age = _seconds(now - known["time"].to_numpy())
    begin = np.maximum(vain["time"].to_numpy()[None, :], known["time"].to_numpy()[:, None])
    until = np.datetime64(now, "ns")  # type: ignore[call-overload]  # numpy's types know no unit here
    end = np.minimum(vain["end"].to_numpy(), until)[None, :]
    after = np.maximum(_seconds(end - begin), 0.0)
    apart = np.log(vain["depth"].to_numpy()[None, :] / known["depth"].to_numpy()[:, None]) / DEPTH_REACH
    quiet = (after * np.exp(-(apart**2) / 2)).sum(axis=1)
    return pd.DataFrame({"depth": known["depth"].to_numpy(), "age": age, "quiet": quiet})


def sign_gain(
    lines: np.ndarray, sightings: gpd.GeoDataFrame, *, species: str, now: np.datetime64
) -> np.ndarray:
    """What birds seen before `now` add to ln rate along lines, (n,).

    lines: (n,) shapely geometries, degrees. The hint fades as a Gaussian with the distance and exponentially
    with the hours since; the strongest counts. Weed and debris count otherwise (`searcher.learn.afloat`).
    """
    seen = sightings[(sightings["kind"] == BIRDS) & (sightings["time"] <= now)]
    if seen.empty or not len(lines):
        return np.zeros(len(lines))
    centre = shapely.get_coordinates(seen.geometry.values)[0]
    plane = LocalPlane(Place(*centre))
    away = shapely.distance(
        plane.to_plane(np.asarray(lines, dtype=object))[:, None],
        plane.to_plane(seen.geometry.values)[None, :],
    )
    age = _seconds(np.asarray(now, dtype="datetime64[ns]") - seen["time"].to_numpy())
    gain = [flock_gain(row.count, row.flying, species) for row in seen.itertuples()]
    return (gain * np.exp(-((away / NEAR) ** 2) / 2 - age / LASTING)).max(axis=1)


def flock_gain(count: float, flying: str, species: str) -> float:
    """What a flock says of a species, ln rate where it is (common practice, no source).

    One to three working low suggest dolphinfish, ten or more tuna, those between half of each; a bird that
    circles high means nothing yet. `count` is NaN and `flying` "" where not said: taken as a few, low.
    """
    count = 1.0 if np.isnan(count) else count
    if flying == "high" and count < MANY:
        return 0.0
    for_tuna = 0.0 if count <= FEW else 1.0 if count >= MANY else 0.5
    share = for_tuna if "tuna" in species else 1.0 - for_tuna
    return FLOCK_GAIN * share


def _seconds(span: np.ndarray) -> np.ndarray:
    return np.asarray(span, dtype="timedelta64[ns]") / SECOND
