"""What a season of logs is worth: trips planned with weights learned before, and with the prior.

Where fish keep is unknown: for every season true weights are drawn from the species profile, each within its
own spread. Twenty trips are planned on as many seas; encounters fall as the true weights have it (Poisson);
after each trip the weights are learned anew from the whole log (`searcher.learn`). The same seas are also
planned with the profile as it is, and with the true weights, which is about the most there is to win: a day's
route is searched for, and not always the best. What is compared is the encounters to be expected of a day, by
the true weights: their luck is left out.
"""

from __future__ import annotations

import warnings
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from sea_trials import interval, make_trial
from timing import print_table, read_options, say

import searcher as sr
from searcher.learn import Weights, posterior_rate, prior_weights, update_weights
from searcher.plan import find_lines
from searcher.profile import Profile, read_profile
from searcher.route import find_route
from searcher.score import rank_boxes
from searcher.tables import EVIDENCE
from searcher.waters import Waters

TRIPS, SEEDS = 20, range(601, 611)
RATES = ("expected", "expected_low", "expected_high")


class Morning(NamedTuple):
    """Boxes of one sea, what their lines show (features, without weights), and what a route needs."""

    boxes: gpd.GeoDataFrame
    features: pd.DataFrame
    reach: xr.Dataset
    trip: sr.Trip
    waters: Waters


def prepare(seed: int) -> Morning:
    """One morning on one sea, seen as real products see it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trial = make_trial(seed, 1.0, particles=1000)
    profile = evened(read_profile(trial.trip.target.species))
    fronts, floating = find_lines(trial.trip, trial.sea, trial.reach)
    boxes = rank_boxes(fronts, trial.reach, trial.sea, trial.trip, profile=profile, floating=floating)
    pieces = prior_weights(profile).names[1:]
    features = pd.DataFrame({piece: boxes[EVIDENCE + piece] for piece in pieces})
    return Morning(boxes, features, trial.reach, trial.trip, trial.waters)


def evened(profile: Profile) -> Profile:
    """A profile with every weight 1, whose shares of ln rate are the features themselves."""
    sections = {name: section | {"weight": 1.0} for name, section in profile.sections.items()}
    return Profile(profile.name, sections)


def draw_truth(prior: Weights, rng: np.random.Generator) -> Weights:
    """True weights, known without doubt."""
    mean = rng.multivariate_normal(prior.mean, prior.covariance)
    return Weights(prior.names, mean, np.zeros_like(prior.covariance))


def work(morning: Morning, weights: Weights) -> pd.DataFrame:
    """The stays of the day that some weights make best: `row` of the boxes, hours trolled in effect."""
    rates = posterior_rate(weights, morning.features)
    boxes = morning.boxes.assign(**{name: rates[name] for name in RATES})
    stays = find_route(boxes, morning.reach, morning.trip, waters=morning.waters).stays
    rows = boxes.reset_index().set_index("rank")["index"].loc[stays["box"]].to_numpy()
    hours = stays["expected"].to_numpy() / boxes["expected"].to_numpy()[rows]
    return pd.DataFrame({"row": rows, "hours": hours})


def yield_of(day: pd.DataFrame, morning: Morning, truth: Weights) -> float:
    """Encounters to be expected of a day by the true weights."""
    rates = posterior_rate(truth, morning.features)["expected"]
    return float((np.asarray(rates)[day["row"]] * day["hours"]).sum())


def season(mornings: list[Morning], prior: Weights, unlearned: list[pd.DataFrame], seed: int) -> np.ndarray:
    """Encounters to be expected of every trip of a season, (3, trips): learned, unlearned, and all known.

    unlearned: the day of every morning that the prior makes best.
    """
    rng = np.random.default_rng(seed)
    truth, weights = draw_truth(prior, rng), prior
    known = [work(morning, truth) for morning in mornings]
    log: list[pd.DataFrame] = []
    found = np.zeros((3, TRIPS))
    for trip in range(TRIPS):
        sea = rng.integers(len(mornings))
        morning = mornings[sea]
        day = work(morning, weights)
        found[:, trip] = [yield_of(each, morning, truth) for each in (day, unlearned[sea], known[sea])]
        rates = np.asarray(posterior_rate(truth, morning.features)["expected"])[day["row"]]
        stretches = morning.features.iloc[day["row"]].assign(
            duration=day["hours"].to_numpy() * 3600.0,
            encounters=rng.poisson(rates * day["hours"]),
            offset=0.0,
        )
        log.append(stretches)
        weights = update_weights(prior, pd.concat(log, ignore_index=True))
    return found


def main() -> None:
    options = read_options(__doc__, seeds=30)
    seasons = 1 if options.quick else options.seeds
    seeds = SEEDS[:1] if options.quick else SEEDS
    mornings = []
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for seed, morning in zip(seeds, pool.map(prepare, seeds), strict=True):
            mornings.append(morning)
            say(f"sea {seed}: {len(morning.boxes)} boxes")
    prior = prior_weights(read_profile("dolphinfish"))
    usual = [work(morning, prior) for morning in mornings]
    found = []
    for seed in range(seasons):
        found.append(season(mornings, prior, usual, seed))
        say(f"season {seed + 1} of {seasons}")
    learned, unlearned, known = np.array(found).swapaxes(0, 1)
    rows = [
        (
            f"trips {first + 1} to {last}",
            *(
                interval(days[:, first:last].sum(1) / unlearned[:, first:last].sum(1))
                for days in (learned, known)
            ),
        )
        for first, last in ((0, 5), (5, 10), (10, 15), (15, 20))
    ]
    print_table(
        f"encounters to be expected, over the prior's, median of {seasons} seasons [90 % interval]",
        ["", "learned", "with the true weights"],
        rows,
    )
    middle, mean = np.median(unlearned), unlearned.mean()
    print(f"a trip with the prior: {middle:.2f} encounters (median), {mean:.2f} (mean)")


if __name__ == "__main__":
    main()
